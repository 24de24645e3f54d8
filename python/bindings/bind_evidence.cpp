#include <lobetime/core/errors.hpp>
#include <lobetime/evidence/conversions.hpp>
#include <lobetime/evidence/meta_regression.hpp>
#include <lobetime/evidence/pooling.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/evidence/rates.hpp>
#include <lobetime/model/parameters.hpp>

#include <pybind11/eigen.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

namespace py = pybind11;
using namespace lobetime;

namespace {

template <typename Row>
void bind_range_prior(py::class_<Row>& type) {
    type.def_readonly("name", &Row::name)
        .def_readonly("centre", &Row::centre)
        .def_readonly("low", &Row::low, "5 % of units lie below")
        .def_readonly("high", &Row::high, "5 % of units lie above")
        .def_property_readonly("origin", [](const Row& row) { return origin_words(row.origin); })
        .def_readonly("source", &Row::source);
}

constexpr std::array<std::pair<const char*, double Reported::*>, 5> kParts = {{{"_sd", &Reported::sd},
                                                                               {"_q1", &Reported::q1},
                                                                               {"_q3", &Reported::q3},
                                                                               {"_lowest", &Reported::lowest},
                                                                               {"_highest", &Reported::highest}}};
constexpr std::array<std::pair<const char*, double Series::*>, 8> kNumbers = {
    {{"n", &Series::n},
     {"gland_from_ml", &Series::gland_from_ml},
     {"gland_to_ml", &Series::gland_to_ml},
     {"first_case", &Series::first_case},
     {"last_case", &Series::last_case},
     {"n_units", &Series::n_units},
     {"n_surgeons", &Series::n_surgeons},
     {"year", &Series::year}}};
constexpr std::array<std::pair<const char*, std::string Series::*>, 7> kTexts = {{{"id", &Series::id},
                                                                                  {"study", &Series::study},
                                                                                  {"unit", &Series::unit},
                                                                                  {"citation", &Series::citation},
                                                                                  {"design", &Series::design},
                                                                                  {"blade", &Series::blade},
                                                                                  {"note", &Series::note}}};

/// A row from its columns; a column that is not there is blank.
Series series_from(const py::dict& row) {
    Series out;
    out.own = true;
    for (const auto& [name, member] : kTexts) {
        if (row.contains(name)) out.*member = row[name].cast<std::string>();
    }
    for (const auto& [name, member] : kNumbers) {
        if (row.contains(name)) out.*member = row[name].cast<double>();
    }
    for (const SeriesQuantity& quantity : series_quantities()) {
        Reported& reported = out.*quantity.reported;
        const std::string column(quantity.column), stem(quantity.stem);
        if (row.contains(column.c_str())) reported.value = row[column.c_str()].cast<double>();
        for (const auto& [suffix, member] : kParts) {
            const std::string name = stem + suffix;
            if (row.contains(name.c_str())) reported.*member = row[name.c_str()].cast<double>();
        }
    }
    const auto word = [&](const char* name, auto from_name, auto& member) {
        if (!row.contains(name)) return;
        try {
            member = from_name(row[name].cast<std::string>());
        } catch (const InvalidArgument& error) {
            throw InvalidArgument("evidence that cannot be used:\n  row " + out.id + ", column " + name + ": " +
                                  error.what());
        }
    };
    word("statistic", statistic_from_name, out.statistic);
    word("experience", experience_from_name, out.experience);
    if (row.contains("by_size")) out.by_size = row["by_size"].cast<bool>();
    if (out.study.empty()) out.study = out.id;
    if (out.unit.empty()) out.unit = out.study;
    return out;
}

std::vector<Series> series_from(const py::list& rows) {
    std::vector<Series> out;
    for (const py::handle row : rows) out.push_back(series_from(row.cast<py::dict>()));
    return out;
}

py::dict columns_of(const Series& row) {
    py::dict out;
    for (const auto& [name, member] : kTexts) out[name] = row.*member;
    for (const auto& [name, member] : kNumbers) out[name] = row.*member;
    out["statistic"] = statistic_name(row.statistic);
    out["experience"] = experience_name(row.experience);
    out["by_size"] = row.by_size;
    for (const SeriesQuantity& quantity : series_quantities()) {
        const Reported& reported = row.*quantity.reported;
        out[std::string(quantity.column).c_str()] = reported.value;
        for (const auto& [suffix, member] : kParts)
            out[(std::string(quantity.stem) + suffix).c_str()] = reported.*member;
    }
    return out;
}

py::dict columns_of(const PooledFigure& one) {
    return py::dict(py::arg("name") = one.name, py::arg("unit") = one.unit, py::arg("estimate") = one.estimate,
                    py::arg("lower") = one.lower, py::arg("upper") = one.upper, py::arg("between_sd") = one.between_sd,
                    py::arg("i2_percent") = one.i2_percent, py::arg("studies") = one.studies,
                    py::arg("cases") = one.cases, py::arg("events") = one.events,
                    py::arg("grade") = grade_name(one.grade), py::arg("reasons") = one.reasons,
                    py::arg("method") = one.method, py::arg("sources") = one.sources);
}

template <typename Rows>
py::list list_of(const Rows& rows) {
    py::list out;
    for (const auto& row : rows) out.append(columns_of(row));
    return out;
}

py::tuple tuple_of(const Pooled::Range& range) { return py::make_tuple(range.estimate, range.lower, range.upper); }

ReportedSummary summary_of(int n, double mean, double sd, double lowest, double q1, double median, double q3,
                           double highest) {
    return {n, mean, sd, lowest, q1, median, q3, highest};
}

template <typename Function>
void bind_conversion(py::module_& m, const char* name, Function function, const char* words) {
    constexpr double kBlank = Reported::kBlank;
    m.def(
        name,
        [function](int n, double mean, double sd, double lowest, double q1, double median, double q3, double highest) {
            const MeanSd found = function(summary_of(n, mean, sd, lowest, q1, median, q3, highest));
            return py::make_tuple(found.mean, found.sd);
        },
        py::arg("n"), py::kw_only(), py::arg("mean") = kBlank, py::arg("sd") = kBlank, py::arg("lowest") = kBlank,
        py::arg("q1") = kBlank, py::arg("median") = kBlank, py::arg("q3") = kBlank, py::arg("highest") = kBlank, words);
}

std::vector<RateCounts> counts_of(const std::vector<double>& events, const std::vector<double>& cases) {
    if (events.size() != cases.size()) throw InvalidArgument("rates: events and cases must be as many");
    std::vector<RateCounts> out;
    for (std::size_t i = 0; i < events.size(); ++i) out.push_back({std::to_string(i + 1), "", events[i], cases[i]});
    return out;
}

void bind_pooling(py::module_& m) {
    py::class_<Pooled>(m, "Pooled", "Effects pooled over studies.")
        .def_readonly("coefficient", &Pooled::coefficient)
        .def_readonly("covariance", &Pooled::covariance)
        .def_readonly("tau2", &Pooled::tau2)
        .def_readonly("tau2_lower", &Pooled::tau2_lower)
        .def_readonly("tau2_upper", &Pooled::tau2_upper)
        .def_readonly("q", &Pooled::q)
        .def_readonly("i2_percent", &Pooled::i2_percent)
        .def_readonly("studies", &Pooled::studies)
        .def(
            "mean", [](const Pooled& p, const Eigen::VectorXd& x) { return tuple_of(p.mean(x)); }, py::arg("columns"),
            "(estimate, lower, upper) of the mean effect.")
        .def(
            "prediction",
            [](const Pooled& p, const Eigen::VectorXd& x, double variance) {
                return tuple_of(p.prediction(x, variance));
            },
            py::arg("columns"), py::arg("variance") = 0.0, "(estimate, lower, upper) of a new study's effect.");
    m.def(
        "pool_studies",
        [](const Eigen::VectorXd& effect, const Eigen::VectorXd& variance, const Eigen::MatrixXd& columns,
           const std::string& method, bool scatter, double level) {
            return pool({effect, variance, columns}, {between_studies_from_name(method), scatter, level});
        },
        py::arg("effect"), py::arg("variance"), py::arg("columns"), py::kw_only(), py::arg("method"),
        py::arg("scatter"), py::arg("level"));
    m.def(
        "shrunken_effects",
        [](const Eigen::VectorXd& effect, const Eigen::VectorXd& variance, const Eigen::MatrixXd& columns,
           const Pooled& pooled) {
            return shrunken_effects({effect, variance, columns}, pooled);
        },
        py::arg("effect"), py::arg("variance"), py::arg("columns"), py::arg("pooled"));
    m.def(
        "leave_one_out",
        [](const Eigen::VectorXd& effect, const Eigen::VectorXd& variance, const Eigen::MatrixXd& columns,
           const std::string& method, bool scatter, double level) {
            py::list out;
            for (const auto& range :
                 leave_one_out({effect, variance, columns}, {between_studies_from_name(method), scatter, level}))
                out.append(tuple_of(range));
            return out;
        },
        py::arg("effect"), py::arg("variance"), py::arg("columns"), py::kw_only(), py::arg("method"),
        py::arg("scatter"), py::arg("level"), "(estimate, lower, upper) that the others predict for each.");
    m.def("explained_percent", &explained_percent, py::arg("with_columns"), py::arg("without"));
    bind_conversion(m, "mean_and_sd", mean_and_sd, "(mean, SD) of the values.");
    bind_conversion(m, "log_normal_mean_and_sd", log_normal_mean_and_sd, "(mean, SD) of log-normal values.");
    bind_conversion(m, "log_mean_and_sd", log_mean_and_sd, "(mean, SD) of the values' logarithms.");
    m.def(
        "from_logs",
        [](double mean, double sd) {
            const MeanSd found = from_logs({mean, sd});
            return py::make_tuple(found.mean, found.sd);
        },
        py::arg("mean"), py::arg("sd"), "(mean, SD) of a log-normal law of which those of the logarithm are given.");
}

void bind_rates(py::module_& m) {
    m.def("clopper_pearson", &clopper_pearson, py::arg("events"), py::arg("cases"), py::arg("level") = 0.95,
          "(lower, upper), exact.");
    m.def(
        "binomial_normal_log_likelihood",
        [](const std::vector<double>& events, const std::vector<double>& cases, double logit, double between_sd) {
            return binomial_normal_log_likelihood(counts_of(events, cases), logit, between_sd);
        },
        py::arg("events"), py::arg("cases"), py::arg("logit"), py::arg("between_sd"));
    m.def(
        "pool_rates",
        [](const std::vector<double>& events, const std::vector<double>& cases) {
            const std::vector<RateCounts> counts = counts_of(events, cases);
            const PooledRate pooled = pool_rates(counts);
            const auto [low, high] = predicted_rate_interval(counts);
            const auto [prior_events, prior_cases] = pooled.pseudo_counts();
            return py::dict(py::arg("rate") = pooled.rate, py::arg("lower") = pooled.lower,
                            py::arg("upper") = pooled.upper, py::arg("between_sd") = pooled.between_sd,
                            py::arg("i2_percent") = pooled.i2_percent, py::arg("studies") = pooled.studies,
                            py::arg("cases") = pooled.cases, py::arg("events") = pooled.events,
                            py::arg("predicted_lower") = low, py::arg("predicted_upper") = high,
                            py::arg("prior_events") = prior_events, py::arg("prior_cases") = prior_cases,
                            py::arg("method") = pooled.method());
        },
        py::arg("events"), py::arg("cases"));
    m.def(
        "rate_figures", [] { return list_of(pooled_rate_figures()); }, "Published rates, pooled and graded.");
    m.def(
        "grade_of",
        [](int studies, double cases, double i2_percent, double direct_share, double randomised_share, bool sourced) {
            const Grading found = grade_of({studies, cases, i2_percent, direct_share, randomised_share, sourced});
            return py::make_tuple(grade_name(found.grade), found.reasons);
        },
        py::kw_only(), py::arg("studies"), py::arg("cases"), py::arg("i2_percent"), py::arg("direct_share"),
        py::arg("randomised_share"), py::arg("sourced"), "(grade, reasons why it is not higher).");
}

}  // namespace

void bind_evidence(py::module_& m) {
    py::class_<ParameterPrior> parameter(m, "ParameterPrior", "Prior of one parameter: centre and 90 % range.");
    bind_range_prior(parameter);
    parameter.def_property_readonly("working_mean", &ParameterPrior::working_mean)
        .def_property_readonly("working_sd", &ParameterPrior::working_sd);
    py::class_<SpreadPrior> spread(m, "SpreadPrior", "Prior of a log standard deviation: centre and 90 % range.");
    bind_range_prior(spread);
    spread.def_property_readonly("log_sd", &SpreadPrior::log_sd);
    py::class_<RatePrior>(m, "RatePrior", "Prior of a chance per case, as pseudo-counts.")
        .def_readonly("name", &RatePrior::name)
        .def_readonly("events", &RatePrior::events)
        .def_readonly("cases", &RatePrior::cases)
        .def_property_readonly("origin", [](const RatePrior& row) { return origin_words(row.origin); })
        .def_readonly("source", &RatePrior::source);
    py::class_<PriorSet>(m, "PriorSet", "Everything that is believed before the first case of a unit.")
        .def_readonly("label", &PriorSet::label)
        .def_readonly("parameters", &PriorSet::parameters)
        .def_readonly("correlation", &PriorSet::correlation, "Of the parameters, working scale; no rows: independent.")
        .def_readonly("spreads", &PriorSet::spreads)
        .def_readonly("fault_rates", &PriorSet::fault_rates)
        .def_readonly("hard_nodule_rate", &PriorSet::hard_nodule_rate)
        .def_readonly("surgeon_enucleation_log_sd", &PriorSet::surgeon_enucleation_log_sd)
        .def_readonly("surgeon_morcellation_log_sd", &PriorSet::surgeon_morcellation_log_sd)
        .def_readonly("surgeon_learning_log_sd", &PriorSet::surgeon_learning_log_sd)
        .def_readonly("device_log_sd", &PriorSet::device_log_sd)
        .def(
            "with_device",
            [](const PriorSet& prior, const std::string& code, double log_ratio, double log_sd,
               const std::string& origin, const std::string& source) {
                PriorSet out = prior;
                out.devices.push_back({code, log_ratio, log_sd, origin_from_words(origin), source});
                out.devices.back().check();
                return out;
            },
            py::kw_only(), py::arg("code"), py::arg("log_ratio"), py::arg("log_sd"), py::arg("origin"),
            py::arg("source"), "The same with a prior of its own for one device code's log ratio of blade rates.")
        .def_readonly("phase_correlation", &PriorSet::phase_correlation)
        .def_readonly("phase_correlation_cases", &PriorSet::phase_correlation_cases)
        .def_property_readonly("group_origin", [](const PriorSet& p) { return origin_words(p.group_origin); })
        .def_readonly("group_source", &PriorSet::group_source);
    m.def("published_prior", &published_prior, "What a unit without a history starts from.");
    m.def(
        "published_evidence",
        [](const py::list& extra) {
            const PublishedEvidence found = published_evidence(series_from(extra));
            return py::make_tuple(found.prior, list_of(found.figures));
        },
        py::arg("extra"), "(prior, pooled figures) with these rows added to the published series.");
    m.def(
        "published_series", [] { return list_of(published_series()); }, "Rows of the table of published series.");
    m.def(
        "series_quantities",
        [] {
            py::list out;
            for (const SeriesQuantity& one : series_quantities())
                out.append(py::make_tuple(one.column, one.stem, one.unit));
            return out;
        },
        "Column, stem of the columns beside it (_sd, _q1, ...) and unit of what series report.");
    m.def(
        "leave_one_study_out",
        [](const py::list& extra) {
            std::vector<Series> series = published_series();
            for (Series& row : series_from(extra)) series.push_back(std::move(row));
            py::list out;
            for (const LeftOut& one : leave_one_study_out(series, assumed_prior()))
                out.append(py::dict(py::arg("id") = one.id, py::arg("study") = one.study,
                                    py::arg("column") = one.column, py::arg("published") = one.published,
                                    py::arg("lower") = one.lower, py::arg("median") = one.median,
                                    py::arg("upper") = one.upper, py::arg("covered") = one.covered()));
            return out;
        },
        py::arg("extra"), "Each study's figures as the others predict them.");
    bind_pooling(m);
    bind_rates(m);
    m.def(
        "core_parameters",
        [] {
            py::list rows;
            for (const auto& row : core_parameters())
                rows.append(py::dict(py::arg("name") = row.name, py::arg("unit") = row.unit,
                                     py::arg("scale") = row.transform == Transform::log ? "log" : "identity",
                                     py::arg("lower") = row.lower, py::arg("upper") = row.upper,
                                     py::arg("meaning") = row.meaning));
            return rows;
        },
        "Name, unit, working scale, bounds and meaning of every core parameter.");
}
