#include <lobetime/inference/fitted_model.hpp>
#include <lobetime/inference/model_file.hpp>

#include <pybind11/eigen.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <string>

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

}  // namespace

void bind_inference(py::module_& m) {
    py::class_<FittedModel>(m, "FittedModel", "All that prediction needs, and nothing of any single case.")
        .def("parameter_rows", &parameter_rows)
        .def(
            "intervals",
            [](const FittedModel& model, double level) {
                py::list rows;
                for (const Interval& one : confidence_intervals(model, level))
                    rows.append(py::make_tuple(one.estimate, one.lower, one.upper));
                return rows;
            },
            py::arg("level") = 0.95, "(estimate, lower, upper) of each parameter, natural scale.")
        .def_property_readonly("names", [](const FittedModel& model) { return model.layout.names(); })
        .def_readonly("theta", &FittedModel::theta)
        .def_readonly("covariance", &FittedModel::covariance)
        .def_property_readonly(
            "spreads",
            [](const FittedModel& model) {
                py::list rows;
                for (std::size_t c = 0; c < model.channels.size(); ++c)
                    rows.append(py::dict(py::arg("name") = channel_name(static_cast<Channel>(c)),
                                         py::arg("spread") = model.channels[c].spread,
                                         py::arg("log_se") = model.channels[c].spread_log_se,
                                         py::arg("observations") = model.channels[c].observations,
                                         py::arg("parameters_used") = model.channels[c].parameters_used));
                return rows;
            })
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
        .def_property_readonly("fault_rates",
                               [](const FittedModel& model) {
                                   py::dict rates;
                                   for (const auto& [name, rate] : model.fault_rates) rates[name.c_str()] = rate.mean();
                                   return rates;
                               })
        .def_property_readonly("hard_nodule_rate",
                               [](const FittedModel& model) { return model.hard_nodule_rate.mean(); })
        .def_readonly("phase_correlation", &FittedModel::phase_correlation)
        .def_readonly("n_cases", &FittedModel::n_cases)
        .def_property_readonly(
            "gland_ml",
            [](const FittedModel& model) {
                return py::make_tuple(model.gland_min_ml, model.gland_median_ml, model.gland_max_ml);
            },
            "smallest, median, largest gland of the history")
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
}
