#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/model/parameters.hpp>

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
        .def_readonly("parameters", &PriorSet::parameters)
        .def_readonly("spreads", &PriorSet::spreads)
        .def_readonly("fault_rates", &PriorSet::fault_rates)
        .def_readonly("hard_nodule_rate", &PriorSet::hard_nodule_rate)
        .def_readonly("surgeon_enucleation_log_sd", &PriorSet::surgeon_enucleation_log_sd)
        .def_readonly("surgeon_morcellation_log_sd", &PriorSet::surgeon_morcellation_log_sd)
        .def_readonly("device_log_sd", &PriorSet::device_log_sd)
        .def_readonly("phase_correlation", &PriorSet::phase_correlation)
        .def_readonly("phase_correlation_cases", &PriorSet::phase_correlation_cases)
        .def_property_readonly("group_origin", [](const PriorSet& p) { return origin_words(p.group_origin); })
        .def_readonly("group_source", &PriorSet::group_source);
    m.def("published_prior", &published_prior, "What a unit without a history starts from.");
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
