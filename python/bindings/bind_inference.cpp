#include <lobetime/core/errors.hpp>
#include <lobetime/inference/bootstrap.hpp>
#include <lobetime/inference/fitted_model.hpp>
#include <lobetime/inference/model_file.hpp>
#include <lobetime/inference/time_intervals.hpp>
#include <lobetime/inference/time_quantities.hpp>

#include "python_calls.hpp"

#include <pybind11/eigen.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace py = pybind11;
using namespace lobetime;

namespace {

py::list parameter_rows(const FittedModel& model) {
    py::list rows;
    for (int i = 0; i < model.layout.size(); ++i) {
        const ParameterSource& source = model.sources[static_cast<std::size_t>(i)];
        rows.append(py::dict(py::arg("name") = model.layout.names()[static_cast<std::size_t>(i)],
                             py::arg("estimate") = to_natural(model.layout.transform(i), model.theta[i]),
                             py::arg("unit") = model.layout.unit(i),
                             py::arg("scale") = model.layout.transform(i) == Transform::log ? "log" : "identity",
                             py::arg("origin") = origin_words(source.origin),
                             py::arg("share_from_cases") = source.share_from_cases, py::arg("source") = source.source,
                             py::arg("meaning") = model.layout.meaning(i)));
    }
    return rows;
}

/// A callable of a mapping from parameter names to natural-scale values, as a quantity. Called by any one thread, under
/// the interpreter's lock.
Quantity function_quantity(const FittedModel& model, const std::string& name, const std::string& unit,
                           const std::string& scale, py::function function) {
    if (scale != "identity" && scale != "log")
        throw InvalidArgument("scale of " + name + " must be 'identity' or 'log', not '" + scale + "'");
    // The last copy may go in a thread without the lock.
    const std::shared_ptr<py::function> held(new py::function(std::move(function)), [](py::function* last) {
        const py::gil_scoped_acquire gil;
        delete last;
    });
    Quantity quantity{name, unit, [held, name, layout = model.layout](const Eigen::VectorXd& theta) {
                          const py::gil_scoped_acquire gil;
                          py::dict values;
                          for (int i = 0; i < layout.size(); ++i)
                              values[py::str(layout.names()[static_cast<std::size_t>(i)])] =
                                  to_natural(layout.transform(i), theta[i]);
                          const py::object value = (*held)(values);
                          const double number = PyFloat_AsDouble(value.ptr());
                          if (number == -1.0 && PyErr_Occurred() != nullptr) throw py::error_already_set();
                          return number;
                      }};
    quantity.parallel = false;
    quantity.scale = scale == "log" ? Transform::log : Transform::identity;
    return quantity;
}

py::dict columns_of(const std::vector<Quantity>& quantities, const std::vector<TimeInterval>& intervals) {
    py::list name, unit, estimate, lower, upper, open, reason;
    for (std::size_t q = 0; q < quantities.size(); ++q) {
        const TimeInterval& one = intervals[q];
        name.append(quantities[q].name);
        unit.append(quantities[q].unit);
        estimate.append(one.interval.estimate);
        lower.append(one.interval.lower);
        upper.append(one.interval.upper);
        const bool low = one.interval.lower_open, high = one.interval.upper_open;
        open.append(low && high ? "both" : low ? "lower" : high ? "upper" : "");
        reason.append(one.reason);
    }
    return py::dict(py::arg("name") = name, py::arg("unit") = unit, py::arg("estimate") = estimate,
                    py::arg("lower") = lower, py::arg("upper") = upper, py::arg("open") = open,
                    py::arg("reason") = reason);
}

/// The ratio of spreads that a slope makes over `step`, and its standard error; NaN for a slope that is not shown.
void add_ratio(py::dict& row, const std::string& name, double slope, double slope_se, double step) {
    const double ratio = slope != 0.0 ? std::exp(slope * step) : std::nan("");
    row[name.c_str()] = ratio;
    row[(name + "_se").c_str()] = ratio * slope_se * step;
}

IntervalMethod interval_method(const std::string& method) {
    if (method == "sandwich") return IntervalMethod::sandwich;
    if (method == "profile") return IntervalMethod::profile;
    if (method == "bootstrap") return IntervalMethod::bootstrap;
    throw InvalidArgument("method must be 'sandwich', 'profile' or 'bootstrap', not '" + method + "'");
}

bool is_bca(const std::string& kind) {
    if (kind != "bca" && kind != "percentile")
        throw InvalidArgument("kind must be 'bca' or 'percentile', not '" + kind + "'");
    return kind == "bca";
}

/// Estimates of replicates, one a row, and why others have none.
using Parts = std::pair<Eigen::MatrixXd, std::vector<std::string>>;

FitOptions fit_options_of(const std::string& loss, double tuning, const std::string& scale_method, bool use_prior) {
    FitOptions options;
    options.loss = Loss(loss, tuning);
    options.scale_method = scale_method_from_name(scale_method);
    options.use_prior = use_prior;
    return options;
}

Parts replicates_part(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior, const std::string& loss,
                      double tuning, const std::string& scale_method, bool use_prior, bool by_surgeon,
                      std::uint64_t first, int replicates, std::uint64_t seed, int threads) {
    const FitOptions fit_options = fit_options_of(loss, tuning, scale_method, use_prior);
    ReplicateOptions options;
    options.first = first;
    options.replicates = replicates;
    options.seed = seed;
    options.threads = threads;
    options.progress = [](int, int) { return !bindings::interrupted(); };
    const py::gil_scoped_release released;  // C++ objects only
    const Replicates found = time_replicates(fit, cases, prior, fit_options, by_surgeon, options);
    return {found.theta, found.failures};
}

py::dict interval_columns(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                          const std::vector<Quantity>& quantities, const std::string& loss, double tuning,
                          const std::string& scale_method, bool use_prior, const std::string& method, double level,
                          const std::string& rule, bool by_surgeon, const std::string& kind, int replicates,
                          std::uint64_t seed, int threads, const py::object& progress,
                          const std::optional<Parts>& done) {
    const FitOptions fit_options = fit_options_of(loss, tuning, scale_method, use_prior);
    TimeIntervalOptions options;
    if (done) options.done = Replicates{done->first, replicates, done->second};
    options.method = interval_method(method);
    options.level = level;
    options.rule = covariance_rule_from_name(rule);
    options.by_surgeon = by_surgeon;
    options.bca = is_bca(kind);
    options.replicates.replicates = replicates;
    options.replicates.seed = seed;
    options.replicates.threads = threads;
    options.replicates.progress = [&progress](int finished, int total) {
        const py::gil_scoped_acquire gil;
        if (PyErr_CheckSignals() != 0) throw py::error_already_set();
        return progress.is_none() || !progress(finished, total).is(py::bool_(false));
    };
    TimeIntervals found;
    {
        // C++ objects only; callables take the lock back.
        const py::gil_scoped_release released;
        found = time_intervals(fit, cases, prior, fit_options, quantities, options);
    }
    py::dict columns = columns_of(quantities, found.intervals);
    columns["clusters"] = found.clusters;
    columns["failures"] = found.failures;
    return columns;
}

std::pair<double, double> pair_of(const Ends& ends) { return {ends.lower, ends.upper}; }

}  // namespace

void bind_inference(py::module_& m) {
    py::class_<FittedModel>(m, "FittedModel", "All that prediction needs, and nothing of any single case.")
        .def("parameter_rows", &parameter_rows)
        .def_property_readonly("names", [](const FittedModel& model) { return model.layout.names(); })
        .def_readonly("theta", &FittedModel::theta)
        .def_readonly("covariance", &FittedModel::covariance)
        .def_property_readonly(
            "spreads",
            [](const FittedModel& model) {
                py::list rows;
                for (std::size_t c = 0; c < model.channels.size(); ++c) {
                    const ChannelFit& channel = model.channels[c];
                    py::dict row(py::arg("name") = channel_name(static_cast<Channel>(c)),
                                 py::arg("spread") = channel.spread, py::arg("log_se") = channel.spread_log_se,
                                 py::arg("observations") = channel.observations,
                                 py::arg("parameters_used") = channel.parameters_used);
                    const SpreadTrend& trend = channel.trend;
                    add_ratio(row, "per_doubling", trend.per_log_volume, trend.per_log_volume_se, std::log(2.0));
                    add_ratio(row, "first_case", trend.per_inexperience, trend.per_inexperience_se, 1.0);
                    rows.append(row);
                }
                return rows;
            },
            "One row a channel. per_doubling, first_case: ratios of the spread per doubling of the gland and of a "
            "first case to the plateau, with standard errors; NaN where the cases show none.")
        .def_property_readonly("surgeons",
                               [](const FittedModel& model) {
                                   py::list rows;
                                   for (const SurgeonRecord& one : model.surgeons)
                                       rows.append(py::dict(py::arg("code") = one.code, py::arg("cases") = one.cases,
                                                            py::arg("last_case_no") = one.last_case_no));
                                   return rows;
                               })
        .def_property_readonly(
            "device_classes",
            [](const FittedModel& model) {
                py::list rows;
                for (const DeviceClassRecord& one : model.device_classes)
                    rows.append(py::make_tuple(device_class_name(one.blade, one.suction), one.cases));
                return rows;
            })
        .def_property_readonly(
            "device_priors",
            [](const FittedModel& model) {
                py::dict out;
                for (const DevicePrior& own : model.device_priors)
                    out[own.code.c_str()] = py::make_tuple(own.log_ratio, own.log_sd);
                return out;
            },
            "Device codes with a prior of their own: (log_ratio, log_sd).")
        .def_property_readonly("fault_rates",
                               [](const FittedModel& model) {
                                   py::dict rates;
                                   for (const auto& [name, rate] : model.fault_rates) rates[name.c_str()] = rate.mean();
                                   return rates;
                               })
        .def_property_readonly(
            "fault_counts",
            [](const FittedModel& model) {
                py::dict counts;
                for (const auto& [name, rate] : model.fault_rates)
                    counts[name.c_str()] = py::make_tuple(rate.events, rate.cases);
                return counts;
            },
            "(events, cases) behind each fault rate, what the prior is worth included.")
        .def_property_readonly("hard_nodule_rate",
                               [](const FittedModel& model) { return model.hard_nodule_rate.mean(); })
        .def_readonly("phase_correlation", &FittedModel::phase_correlation)
        .def_property_readonly(
            "group_spreads",
            [](const FittedModel& model) {
                py::list rows;
                for (const auto& [name, group] :
                     {std::pair{"surgeon_enucleation", model.surgeon_enucleation},
                      std::pair{"surgeon_morcellation", model.surgeon_morcellation},
                      std::pair{"surgeon_learning", model.surgeon_learning}, std::pair{"device", model.device}})
                    rows.append(py::dict(py::arg("name") = name, py::arg("log_sd") = group.log_sd,
                                         py::arg("log_se") = group.log_se, py::arg("members") = group.members));
                return rows;
            },
            "How far surgeons and devices lie apart (log SD of their levels).")
        .def("hard_nodule_chance", &FittedModel::hard_nodule_chance, py::arg("gland_ml"))
        .def_property_readonly(
            "held_out", [](const FittedModel& model) { return model.held_out.places; },
            "Places of held-out outcomes in their predictions, ascending.")
        .def(
            "with_held_out",
            [](const FittedModel& model, int phases, std::vector<double> places) {
                if (phases < 1 || phases > 15) throw InvalidArgument("phases must be bits from 1 to 15");
                for (const double place : places) {
                    if (!(place >= 0.0 && place <= 1.0)) throw InvalidArgument("places must lie from 0 to 1");
                }
                std::sort(places.begin(), places.end());
                FittedModel copy = model;
                copy.held_out = {static_cast<std::uint8_t>(phases), std::move(places)};
                return copy;
            },
            py::arg("phases"), py::arg("places"),
            "The model with these to correct its predictions by; phases as bits: 1 enucleation, 2 haemostasis, 4 "
            "morcellation, 8 room.")
        .def_readonly("n_cases", &FittedModel::n_cases)
        .def_property_readonly(
            "gland_ml",
            [](const FittedModel& model) {
                return py::make_tuple(model.gland_min_ml, model.gland_median_ml, model.gland_max_ml);
            },
            "smallest, median, largest gland of the history")
        .def_readonly("estimator", &FittedModel::estimator)
        .def_readonly("loss", &FittedModel::loss)
        .def_readonly("tuning", &FittedModel::tuning)
        .def_readonly("prior", &FittedModel::prior)
        .def("to_json", &model_to_json)
        .def_static("from_json", &model_from_json, py::arg("text"));
    m.def("model_from_prior", &model_from_prior, py::arg("prior"));
    m.def(
        "model_from_fit",
        [](const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior, const std::string& loss,
           double tuning, bool use_prior) {
            FitOptions options;
            options.loss = Loss(loss, tuning);
            options.use_prior = use_prior;
            return model_from_fit(fit, cases, prior, options);
        },
        py::arg("fit"), py::arg("cases"), py::arg("prior"), py::kw_only(), py::arg("loss"), py::arg("tuning"),
        py::arg("use_prior"));

    py::class_<Quantity>(m, "Quantity", "Anything read off the parameters of one model's layout.")
        .def_readwrite("name", &Quantity::name)
        .def_readonly("unit", &Quantity::unit)
        .def(
            "value",
            [](const Quantity& quantity, const Eigen::VectorXd& theta) { return quantity.cut(quantity.value(theta)); },
            py::arg("theta"), "At parameters on the working scale.");
    m.def(
        "parameter_quantities", [](const FittedModel& model) { return parameter_quantities(model.layout); },
        py::arg("model"), "All parameters, in their order.");
    m.def(
        "parameter_quantity",
        [](const FittedModel& model, const std::string& name) {
            const auto& names = model.layout.names();
            const auto at = std::find(names.begin(), names.end(), name);
            if (at == names.end()) {
                std::string known;
                for (const std::string& one : names) known += (known.empty() ? "" : ", ") + one;
                throw InvalidArgument("no parameter is called '" + name + "'; known are: " + known);
            }
            return parameter_quantity(model.layout, static_cast<int>(at - names.begin()));
        },
        py::arg("model"), py::arg("name"));
    m.def(
        "enucleation_min_quantity",
        [](const FittedModel& model, const CaseTable& one) { return enucleation_min_quantity(model.layout, one); },
        py::arg("model"), py::arg("one"));
    m.def(
        "morcellation_min_quantity",
        [](const FittedModel& model, const CaseTable& one) { return morcellation_min_quantity(model.layout, one); },
        py::arg("model"), py::arg("one"));
    m.def(
        "morcellation_difference_min_quantity",
        [](const FittedModel& model, const CaseTable& first, const CaseTable& second) {
            return morcellation_difference_min_quantity(model.layout, first, second);
        },
        py::arg("model"), py::arg("first"), py::arg("second"));
    m.def(
        "morcellation_efficiency_quantity",
        [](const FittedModel& model, const CaseTable& one, const std::string& mean) {
            const auto spread = [&](Channel channel) {
                return model.channels[static_cast<std::size_t>(channel)].spread;
            };
            return morcellation_efficiency_quantity(model.layout, one, efficiency_mean_from_name(mean),
                                                    {spread(Channel::tissue), spread(Channel::morcellation)});
        },
        py::arg("model"), py::arg("one"), py::kw_only(), py::arg("mean"));
    m.def(
        "cases_to_plateau_quantity",
        [](const std::string& phase, double share) {
            return cases_to_plateau_quantity(learning_phase_from_name(phase), share);
        },
        py::arg("phase"), py::arg("share"));
    m.def("function_quantity", &function_quantity, py::arg("model"), py::arg("name"), py::kw_only(), py::arg("unit"),
          py::arg("scale"), py::arg("function"));
    m.def("time_intervals", &interval_columns, py::arg("fit"), py::arg("cases"), py::arg("prior"),
          py::arg("quantities"), py::kw_only(), py::arg("loss"), py::arg("tuning"), py::arg("scale_method"),
          py::arg("use_prior"), py::arg("method"), py::arg("level"), py::arg("rule"), py::arg("by_surgeon"),
          py::arg("kind"), py::arg("replicates"), py::arg("seed"), py::arg("threads"), py::arg("progress") = py::none(),
          py::arg("done") = py::none(),
          "Columns: name, unit, estimate, lower, upper, open, reason; and clusters, failures. `done`: the replicates, "
          "when they were computed in parts before.");
    m.def("time_replicates", &replicates_part, py::arg("fit"), py::arg("cases"), py::arg("prior"), py::kw_only(),
          py::arg("loss"), py::arg("tuning"), py::arg("scale_method"), py::arg("use_prior"), py::arg("by_surgeon"),
          py::arg("first"), py::arg("replicates"), py::arg("seed"), py::arg("threads"),
          "Replicates first to first + replicates - 1 of the bootstrap: estimates on the working scale, one a row, and "
          "why others have none.");
    m.def(
        "confidence_intervals",
        [](const FittedModel& model, const std::vector<Quantity>& quantities, double level) {
            return columns_of(quantities, confidence_intervals(model, quantities, level));
        },
        py::arg("model"), py::arg("quantities"), py::arg("level"),
        "From the model's own covariance. Columns: name, unit, estimate, lower, upper, open, reason.");

    m.def("resample_counts", &resample_counts, py::arg("units"), py::arg("seed"), py::arg("replicate"),
          "How often each unit is drawn in a replicate of the bootstrap.");
    m.def(
        "percentile_interval",
        [](const std::vector<double>& values, double level) { return pair_of(percentile_interval(values, level)); },
        py::arg("values"), py::arg("level"), "(lower, upper); NaN beyond the replicates.");
    m.def(
        "bca_interval",
        [](const std::vector<double>& values, double estimate, double acceleration, double level) {
            return pair_of(bca_interval(values, estimate, acceleration, level));
        },
        py::arg("values"), py::arg("estimate"), py::arg("acceleration"), py::arg("level"),
        "(lower, upper); NaN beyond the replicates.");
    m.def(
        "acceleration_of", [](const std::vector<double>& influence) { return acceleration_of(influence); },
        py::arg("influence"));
}
