#include <lobetime/core/errors.hpp>
#include <lobetime/fit/robust_regression.hpp>
#include <lobetime/inference/regression_inference.hpp>

#include "python_calls.hpp"

#include <pybind11/eigen.h>
#include <pybind11/functional.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace py = pybind11;
using namespace lobetime;
using lobetime::bindings::interrupted;
using lobetime::bindings::python_mean;

namespace {

py::list minima_of(const RegressionFit& fit) {
    py::list rows;
    for (const FoundMinimum& one : fit.search.minima)
        rows.append(py::dict(py::arg("scale") = one.scale, py::arg("count") = one.count,
                             py::arg("first_start") = one.first_start, py::arg("theta") = one.theta));
    return rows;
}

}  // namespace

void bind_regression(py::module_& m) {
    py::class_<RegressionFit>(m, "RegressionFit", "A minimum of the robust objective of a general regression.")
        .def_readonly("names", &RegressionFit::names)
        .def_readonly("theta", &RegressionFit::theta)
        .def_readonly("scale", &RegressionFit::scale)
        .def_readonly("cost", &RegressionFit::cost)
        .def_readonly("fitted", &RegressionFit::fitted)
        .def_readonly("residuals", &RegressionFit::residuals)
        .def_readonly("weights", &RegressionFit::weights)
        .def_readonly("jacobian", &RegressionFit::jacobian)
        .def_property_readonly("leverages", &leverages)
        .def_property_readonly("influence", &regression_influence)
        .def_property_readonly("loss", [](const RegressionFit& f) { return f.loss.name(); })
        .def_property_readonly("tuning", [](const RegressionFit& f) { return f.loss.tuning(); })
        .def_property_readonly("on_bound", [](const RegressionFit& f) { return f.minimum.on_bound; })
        .def_property_readonly("termination", [](const RegressionFit& f) { return f.minimum.message; })
        .def_property_readonly("iterations", [](const RegressionFit& f) { return f.minimum.iterations; })
        .def_readonly("scale_rounds", &RegressionFit::scale_rounds)
        .def_readonly("warnings", &RegressionFit::warnings)
        .def_property_readonly("starts", [](const RegressionFit& f) { return f.search.starts; })
        .def_property_readonly("polished", [](const RegressionFit& f) { return f.search.polished; })
        .def_property_readonly("failed_starts", [](const RegressionFit& f) { return f.search.failed; })
        .def_property_readonly("minima", &minima_of)
        .def(
            "covariance",
            [](const RegressionFit& f, const std::string& rule) {
                return regression_covariance(f, covariance_rule_from_name(rule));
            },
            py::arg("rule"))
        .def(
            "clustered_covariance",
            [](const RegressionFit& f, const std::vector<int>& cluster) {
                return regression_covariance_clustered(f, cluster);
            },
            py::arg("cluster"));

    py::class_<RobustRegression>(m, "RobustRegression", "Engine of lobetime.RobustRegression.")
        .def(py::init([](py::function mean, const Eigen::VectorXd& y, const std::vector<std::string>& names,
                         const std::string& estimator, const std::string& loss, double tuning,
                         const std::string& scale_method, double scale, double s_tuning, int starts, int polished,
                         std::uint64_t seed, int max_iterations) {
                 RegressionOptions options;
                 options.estimator = estimator_from_name(estimator);
                 options.loss = Loss(loss, tuning);
                 options.scale_method = scale_method_from_name(scale_method);
                 options.scale = scale;
                 options.s_tuning = s_tuning > 0.0 ? s_tuning : kMScaleTuning;
                 options.starts = starts;
                 options.polished = polished;
                 options.seed = seed;
                 options.solver.max_iterations = max_iterations;
                 options.solver.interrupt = interrupted;
                 return RobustRegression(python_mean(std::move(mean), y.size(), static_cast<int>(names.size())), y,
                                         names, options);
             }),
             py::arg("mean"), py::arg("y"), py::kw_only(), py::arg("names"), py::arg("estimator"), py::arg("loss"),
             py::arg("tuning"), py::arg("scale_method"), py::arg("scale"), py::arg("s_tuning"), py::arg("starts"),
             py::arg("polished"), py::arg("seed"), py::arg("max_iterations"))
        .def("fit", &RobustRegression::fit, py::arg("start"), py::arg("lower"), py::arg("upper"))
        .def(
            "refit",
            [](const RobustRegression& r, const RegressionFit& f, const std::vector<int>& counts) {
                return r.refit(f, counts);
            },
            py::arg("fit"), py::arg("counts"));
    m.def(
        "regression_intervals",
        [](const RobustRegression& regression, const RegressionFit& fit, const std::vector<std::string>& names,
           const std::vector<py::function>& functions, const std::string& method, double level, const std::string& rule,
           const std::vector<int>& cluster, bool bca, int replicates, std::uint64_t seed, const py::object& progress,
           const std::optional<std::pair<Eigen::MatrixXd, std::vector<std::string>>>& done) {
            std::vector<Quantity> quantities = parameter_quantities(fit);
            if (!functions.empty()) quantities.clear();
            for (std::size_t k = 0; k < functions.size(); ++k) {
                Quantity one;
                one.name = names.at(k);
                one.parallel = false;
                one.value = [&function = functions[k]](const Eigen::VectorXd& theta) {
                    return function(theta).cast<double>();
                };
                quantities.push_back(one);
            }
            RegressionIntervalOptions options;
            options.method = method == "profile"     ? IntervalMethod::profile
                             : method == "bootstrap" ? IntervalMethod::bootstrap
                                                     : IntervalMethod::sandwich;
            options.level = level;
            options.rule = covariance_rule_from_name(rule);
            options.cluster = cluster;
            options.bca = bca;
            options.replicates.replicates = replicates;
            options.replicates.seed = seed;
            if (done) options.done = Replicates{done->first, replicates, done->second};
            options.interrupt = interrupted;
            options.replicates.progress = [&progress](int finished, int total) {
                interrupted();
                return progress.is_none() || !progress(finished, total).equal(py::bool_(false));
            };
            py::list rows;
            for (const RegressionInterval& one : regression_intervals(regression, fit, quantities, options)) {
                rows.append(py::dict(py::arg("name") = one.name, py::arg("estimate") = one.interval.estimate,
                                     py::arg("standard_error") = one.standard_error,
                                     py::arg("lower") = one.interval.lower, py::arg("upper") = one.interval.upper,
                                     py::arg("lower_open") = one.interval.lower_open,
                                     py::arg("upper_open") = one.interval.upper_open, py::arg("reason") = one.reason));
            }
            return rows;
        },
        py::arg("regression"), py::arg("fit"), py::kw_only(), py::arg("names"), py::arg("functions"), py::arg("method"),
        py::arg("level"), py::arg("rule"), py::arg("cluster"), py::arg("bca"), py::arg("replicates"), py::arg("seed"),
        py::arg("progress") = py::none(), py::arg("done") = py::none());
    m.def(
        "regression_replicates",
        [](const RobustRegression& regression, const RegressionFit& fit, const std::vector<int>& cluster,
           std::uint64_t first, int replicates, std::uint64_t seed) {
            ReplicateOptions options;
            options.first = first;
            options.replicates = replicates;
            options.seed = seed;
            options.progress = [](int, int) { return !interrupted(); };
            const Replicates found = regression_replicates(regression, fit, cluster, options);
            return std::make_pair(found.theta, found.failures);
        },
        py::arg("regression"), py::arg("fit"), py::kw_only(), py::arg("cluster"), py::arg("first"),
        py::arg("replicates"), py::arg("seed"),
        "Replicates first to first + replicates - 1 of the bootstrap: estimates, one a row, and why others have none.");
    m.def("t_quantile", &t_quantile, py::arg("p"), py::arg("degrees"));
}
