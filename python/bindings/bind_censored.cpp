#include <lobetime/fit/censored_regression.hpp>

#include "python_calls.hpp"

#include <pybind11/eigen.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <string>
#include <utility>
#include <vector>

namespace py = pybind11;
using namespace lobetime;

void bind_censored(py::module_& m) {
    py::class_<CensoredFit>(m, "CensoredFit", "A fit of regression with censored rows.")
        .def_readonly("names", &CensoredFit::names)
        .def_readonly("theta", &CensoredFit::theta)
        .def_readonly("scale", &CensoredFit::scale)
        .def_readonly("log_likelihood", &CensoredFit::log_likelihood)
        .def_readonly("fitted", &CensoredFit::fitted)
        .def_readonly("weights", &CensoredFit::weights)
        .def_readonly("jacobian", &CensoredFit::jacobian)
        .def_readonly("scores", &CensoredFit::scores)
        .def_readonly("exact", &CensoredFit::exact)
        .def_readonly("right", &CensoredFit::right)
        .def_readonly("left", &CensoredFit::left)
        .def_readonly("interval", &CensoredFit::interval)
        .def_readonly("scale_rounds", &CensoredFit::scale_rounds)
        .def_readonly("message", &CensoredFit::message)
        .def("information_covariance", &CensoredFit::information_covariance)
        .def("sandwich_covariance", &CensoredFit::sandwich_covariance);
    m.def(
        "fit_censored_regression",
        [](py::function mean, const Eigen::VectorXd& lower, const Eigen::VectorXd& upper,
           const std::vector<std::string>& names, const Eigen::VectorXd& start, const std::string& law,
           const std::string& loss, double tuning, int max_iterations) {
            CensoredOptions options;
            options.law = response_law_from_name(law);
            options.loss = Loss(loss, tuning);
            options.solver.max_iterations = max_iterations;
            options.solver.interrupt = lobetime::bindings::interrupted;
            const MeanModel model =
                lobetime::bindings::python_mean(std::move(mean), lower.size(), static_cast<int>(names.size()));
            return fit_censored_regression(model, lower, upper, names, start, options);
        },
        py::arg("mean"), py::arg("lower"), py::arg("upper"), py::kw_only(), py::arg("names"), py::arg("start"),
        py::arg("law"), py::arg("loss"), py::arg("tuning"), py::arg("max_iterations"));
}
