#include <lobetime/core/errors.hpp>
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/scale.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>

#include "python_calls.hpp"

#include <pybind11/eigen.h>
#include <pybind11/functional.h>
#include <pybind11/numpy.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace py = pybind11;
using namespace lobetime;
using lobetime::bindings::interrupted;

namespace {

template <typename T, typename Get>
py::array_t<T> column(const TheatreTimeFit& fit, Get get) {
    py::array_t<T> out(static_cast<py::ssize_t>(fit.observations.size()));
    auto view = out.template mutable_unchecked<1>();
    for (py::ssize_t i = 0; i < view.shape(0); ++i) view(i) = get(fit.observations[static_cast<std::size_t>(i)]);
    return out;
}

const char* kind_name(ObservationKind kind) {
    switch (kind) {
        case ObservationKind::residual:
            return "residual";
        case ObservationKind::survivor:
            return "survivor";
        case ObservationKind::swap_count:
            return "swap_count";
    }
    return "unknown";
}

py::dict observation_columns(const TheatreTimeFit& fit) {
    py::list channel, kind;
    for (const FittedObservation& o : fit.observations) {
        channel.append(channel_name(o.observation.channel));
        kind.append(kind_name(o.observation.kind));
    }
    py::dict out;
    out["case_index"] = column<int>(fit, [](const FittedObservation& o) { return o.observation.case_index; });
    out["channel"] = channel;
    out["kind"] = kind;
    out["phases"] = column<int>(fit, [](const FittedObservation& o) { return int{o.observation.phases}; });
    out["recorded"] = column<double>(fit, [](const FittedObservation& o) { return o.observation.recorded; });
    out["offset_min"] = column<double>(fit, [](const FittedObservation& o) { return o.observation.offset_min; });
    out["spread"] = column<double>(fit, [](const FittedObservation& o) { return o.spread; });
    out["shift"] = column<double>(fit, [](const FittedObservation& o) { return o.shift; });
    out["fitted"] = column<double>(fit, [](const FittedObservation& o) { return o.fitted; });
    out["standardised"] = column<double>(fit, [](const FittedObservation& o) { return o.standardised; });
    out["weight"] = column<double>(fit, [](const FittedObservation& o) { return o.weight; });
    return out;
}

/// The objective that a fit minimised, its spreads held, with the bounds: to be solved as often as asked.
struct HeldObjective {
    HeldObjective(const TheatreTimeFit& fit, const CaseTable& cases, const Loss& loss, int threads)
        : objective(objective_of(fit, cases, loss, threads)),
          centre(fit.prior_mean),
          lower(fit.lower),
          upper(fit.upper) {}

    Minimum solve() const {
        MinimiseOptions options;
        options.interrupt = interrupted;
        return minimise(objective, centre, lower, upper, Curvature::exact, options);
    }

    TimeObjective objective;
    Eigen::VectorXd centre, lower, upper;
};

}  // namespace

void bind_fit(py::module_& m) {
    m.def("loss_names", &Loss::names);
    m.def(
        "loss_information_factor",
        [](const std::string& name, double tuning) { return Loss(name, tuning).information_factor(); }, py::arg("name"),
        py::arg("tuning") = 0.0);
    m.def(
        "robust_scale",
        [](const std::vector<double>& residuals, const std::string& method, double parameters) {
            return robust_scale(residuals, scale_method_from_name(method), parameters);
        },
        py::arg("residuals"), py::arg("method"), py::arg("parameters") = 0.0,
        "Robust spread of residuals about zero; methods: sd, mad, proposal2, m_scale, reweighted.");

    py::class_<TheatreTimeFit>(m, "TheatreTimeFit", "Minimum of the time model's robust objective.")
        .def_property_readonly("names", [](const TheatreTimeFit& f) { return f.layout.names(); })
        .def_readonly("theta", &TheatreTimeFit::theta, "parameters on the working scale")
        .def_readonly("prior_mean", &TheatreTimeFit::prior_mean)
        .def_readonly("prior_precision", &TheatreTimeFit::prior_precision)
        .def_readonly("counts_used", &TheatreTimeFit::counts_used, "parameters that swap counts pay for")
        .def_property_readonly("cost_without_cases", &TheatreTimeFit::cost_without_cases,
                               "what priors and the correction of fluid's spread add to the cost")
        .def_property_readonly("slope_without_cases", &TheatreTimeFit::slope_without_cases,
                               "(p,) its gradient, working scale")
        .def_readonly("curvature", &TheatreTimeFit::curvature)
        .def_readonly("score_product", &TheatreTimeFit::score_product)
        .def_readonly("rounds", &TheatreTimeFit::rounds)
        .def_readonly("n_cases", &TheatreTimeFit::n_cases)
        .def_readonly("phase_correlation", &TheatreTimeFit::phase_correlation)
        .def_property_readonly("cost", [](const TheatreTimeFit& f) { return f.minimum.cost; })
        .def_property_readonly("largest_gradient", [](const TheatreTimeFit& f) { return f.minimum.largest_gradient; })
        .def_property_readonly("termination", [](const TheatreTimeFit& f) { return f.minimum.message; })
        .def_property_readonly("on_bound", [](const TheatreTimeFit& f) { return f.minimum.on_bound; })
        .def_property_readonly("held",
                               [](const TheatreTimeFit& f) {
                                   std::vector<std::string> names;
                                   for (const int i : f.held)
                                       names.push_back(f.layout.names()[static_cast<std::size_t>(i)]);
                                   return names;
                               })
        .def_readonly("lower", &TheatreTimeFit::lower, "bounds on the working scale; equal to upper where held")
        .def_readonly("upper", &TheatreTimeFit::upper)
        .def(
            "search",
            [](const TheatreTimeFit& f) {
                py::list rows;
                for (const FoundMinimum& one : f.search.minima) {
                    py::dict row(py::arg("scale") = one.scale, py::arg("count") = one.count,
                                 py::arg("first_start") = one.first_start);
                    for (int i = 0; i < f.layout.size(); ++i)
                        row[f.layout.names()[static_cast<std::size_t>(i)].c_str()] =
                            to_natural(f.layout.transform(i), one.theta[i]);
                    rows.append(row);
                }
                return rows;
            },
            "Minima that the search of mm met, the taken one first: scale, count, first_start and the parameters "
            "(natural scale).")
        .def("observations", &observation_columns,
             "Columns of what the fit saw, one entry an observation: case_index, channel, kind, phases (bits: 1 "
             "enucleation, 2 haemostasis, 4 morcellation, 8 room), recorded, offset_min, spread, shift, fitted (median "
             "of "
             "recorded - offset_min), standardised, weight.")
        .def(
            "case_scores",
            [](const TheatreTimeFit& fit, const CaseTable& cases, const std::string& loss, double tuning, int threads) {
                const py::gil_scoped_release released;
                return objective_of(fit, cases, Loss(loss, tuning), threads).case_scores(fit.theta);
            },
            py::arg("cases"), py::kw_only(), py::arg("loss"), py::arg("tuning"), py::arg("threads") = 0,
            "Gradient of each case's part of the objective, n_cases x p, without priors.")
        .def(
            "case_leverage",
            [](const TheatreTimeFit& fit, const CaseTable& cases, const std::string& loss, double tuning, int threads) {
                const py::gil_scoped_release released;
                const TimeObjective objective = objective_of(fit, cases, Loss(loss, tuning), threads);
                return objective.case_leverage(fit.theta, inverse_reweighted_curvature(objective, fit.theta, fit.held));
            },
            py::arg("cases"), py::kw_only(), py::arg("loss"), py::arg("tuning"), py::arg("threads") = 0,
            "Parameters that each case decides, n_cases: its share of the trace of inverse x reweighted curvature.");
    py::class_<HeldObjective>(m, "TheatreTimeObjective", "The objective that a fit minimised, with its spreads held.")
        .def(py::init([](const TheatreTimeFit& fit, const CaseTable& cases, const std::string& loss, double tuning,
                         int threads) {
                 const py::gil_scoped_release released;
                 return HeldObjective(fit, cases, Loss(loss, tuning), threads);
             }),
             py::arg("fit"), py::arg("cases"), py::kw_only(), py::arg("loss"), py::arg("tuning") = 0.0,
             py::arg("threads") = 0, py::keep_alive<1, 2>())
        .def_readonly("lower", &HeldObjective::lower, "bounds on the working scale")
        .def_readonly("upper", &HeldObjective::upper)
        .def(
            "solve",
            [](const HeldObjective& held) {
                Minimum minimum;
                {
                    const py::gil_scoped_release released;
                    minimum = held.solve();
                }
                return py::dict(py::arg("theta") = minimum.theta, py::arg("cost") = minimum.cost,
                                py::arg("iterations") = minimum.iterations, py::arg("termination") = minimum.message);
            },
            "One minimisation from the prior's centre: theta, cost, iterations, termination.");
    m.def(
        "fit_theatre_time",
        [](const CaseTable& cases, const PriorSet& prior, const std::string& loss, double tuning,
           const std::string& scale_method, bool use_prior, int threads,
           const std::function<void(int, double)>& progress, const py::object& held_spreads,
           const std::optional<std::array<double, 4>>& held_groups, const std::map<std::string, double>& fixed,
           const std::optional<std::string>& estimator, int starts, std::uint64_t seed) {
            FitOptions options;
            options.fixed = fixed;
            if (estimator) options.estimator = estimator_from_name(*estimator);
            options.starts = starts;
            options.seed = seed;
            if (!held_spreads.is_none()) options.held_spreads = held_spreads.cast<std::array<double, kChannels>>();
            options.held_groups = held_groups;
            options.loss = Loss(loss, tuning);
            options.scale_method = scale_method_from_name(scale_method);
            options.use_prior = use_prior;
            options.threads = threads;
            options.solver.interrupt = interrupted;
            if (progress) {
                options.progress = [&progress](int round, double change) {
                    const py::gil_scoped_acquire gil;
                    progress(round, change);
                };
            }
            // The fit touches C++ objects only; callbacks take the lock back.
            const py::gil_scoped_release released;
            return fit_theatre_time(cases, prior, options);
        },
        py::arg("cases"), py::arg("prior"), py::kw_only(), py::arg("loss") = "bisquare", py::arg("tuning") = 0.0,
        py::arg("scale_method") = "reweighted", py::arg("use_prior") = true, py::arg("threads") = 0,
        py::arg("progress") = nullptr, py::arg("held_spreads") = py::none(), py::arg("held_groups") = py::none(),
        py::arg("fixed") = std::map<std::string, double>{}, py::arg("estimator") = py::none(), py::arg("starts") = 20,
        py::arg("seed") = 1);
}
