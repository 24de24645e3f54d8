#pragma once
#include <lobetime/fit/mean_model.hpp>

#include <pybind11/eigen.h>
#include <pybind11/pybind11.h>

#include <utility>

namespace lobetime::bindings {

/// Ctrl-C asked for? Between steps of a solver, with the interpreter's lock held or not.
inline bool interrupted() {
    const pybind11::gil_scoped_acquire gil;
    if (PyErr_CheckSignals() != 0) throw pybind11::error_already_set();
    return false;
}

/// mean(theta) -> (fitted, jacobian), called with the interpreter's lock held and by one thread only.
inline MeanModel python_mean(pybind11::function mean, Eigen::Index rows, int parameters) {
    MeanModel model;
    model.rows = rows;
    model.parameters = parameters;
    model.parallel = false;
    model.evaluate = [mean = std::move(mean)](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted,
                                              Eigen::MatrixXd& jacobian) {
        const pybind11::tuple pair = mean(theta);
        fitted = pair[0].cast<Eigen::VectorXd>();
        jacobian = pair[1].cast<Eigen::MatrixXd>();
    };
    return model;
}

}  // namespace lobetime::bindings
