#include <lobetime/fit/mixed_regression.hpp>

#include "python_calls.hpp"

#include <pybind11/eigen.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <string>
#include <utility>
#include <vector>

namespace py = pybind11;
using namespace lobetime;

void bind_mixed(py::module_& m) {
    py::class_<MixedFit>(m, "MixedFit", "A fit of nonlinear mixed-effects regression.")
        .def_readonly("names", &MixedFit::names)
        .def_readonly("random_names", &MixedFit::random_names)
        .def_readonly("theta", &MixedFit::theta)
        .def_readonly("covariance", &MixedFit::covariance)
        .def_readonly("random_covariance", &MixedFit::random_covariance)
        .def_readonly("scale", &MixedFit::scale)
        .def_readonly("criterion", &MixedFit::criterion)
        .def_readonly("modes", &MixedFit::modes)
        .def_readonly("mode_sd", &MixedFit::mode_sd)
        .def_readonly("reliability", &MixedFit::reliability)
        .def_readonly("fitted", &MixedFit::fitted)
        .def_readonly("residuals", &MixedFit::residuals)
        .def_readonly("no_variation", &MixedFit::no_variation)
        .def_readonly("singular", &MixedFit::singular)
        .def_readonly("iterations", &MixedFit::iterations)
        .def_readonly("message", &MixedFit::message);
    m.def(
        "fit_mixed_regression",
        [](py::function mean, const Eigen::VectorXd& y, const std::vector<int>& group,
           const std::vector<std::string>& names, const std::vector<int>& random, const Eigen::VectorXd& start,
           bool restricted, int max_iterations) {
            VaryingMean model;
            model.rows = y.size();
            model.parameters = static_cast<int>(names.size());
            model.evaluate = [mean = std::move(mean)](const Eigen::MatrixXd& theta, Eigen::VectorXd& fitted,
                                                      Eigen::MatrixXd& jacobian) {
                // Transposed: theta[j] is then parameter j in every row, as means are written.
                const py::tuple pair = mean(Eigen::MatrixXd(theta.transpose()));
                fitted = pair[0].cast<Eigen::VectorXd>();
                jacobian = pair[1].cast<Eigen::MatrixXd>();
            };
            MixedOptions options;
            options.restricted = restricted;
            options.max_iterations = max_iterations;
            options.interrupt = lobetime::bindings::interrupted;
            return fit_mixed_regression(model, y, group, names, random, start, options);
        },
        py::arg("mean"), py::arg("y"), py::kw_only(), py::arg("group"), py::arg("names"), py::arg("random"),
        py::arg("start"), py::arg("restricted"), py::arg("max_iterations"));
}
