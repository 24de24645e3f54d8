#include <lobetime/predict/prediction.hpp>
#include <lobetime/predict/slots.hpp>

#include "python_calls.hpp"

#include <pybind11/numpy.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <memory>

namespace py = pybind11;
using namespace lobetime;

namespace {

/// Read-only view of numbers that live as long as the prediction does.
py::array view(const std::vector<double>& values, std::vector<py::ssize_t> shape, const py::object& owner) {
    py::array array(py::dtype::of<double>(), std::move(shape), values.data(), owner);
    array.attr("flags").attr("writeable") = false;
    return array;
}

py::dict explanation_row(const Explanation& e) {
    return py::dict(py::arg("reference_gland_ml") = e.reference_gland_ml, py::arg("volume_min") = e.volume_min,
                    py::arg("expected_swaps") = e.expected_swaps, py::arg("swaps_min") = e.swaps_min,
                    py::arg("case_no") = e.case_no, py::arg("learning_min") = e.learning_min,
                    py::arg("surgeon_min") = e.surgeon_min, py::arg("device_min") = e.device_min,
                    py::arg("covariates_min") = e.covariates_min);
}

}  // namespace

void bind_predict(py::module_& m) {
    m.attr("PHASES") = phase_names();
    py::class_<Prediction, std::shared_ptr<Prediction>>(m, "Prediction", "Joint draws of booked cases, minutes.")
        .def_property_readonly(
            "draws",
            [](const py::object& self) {
                const auto& p = self.cast<const Prediction&>();
                return view(p.minutes,
                            {static_cast<py::ssize_t>(p.n_cases), static_cast<py::ssize_t>(p.n_draws), kPhases}, self);
            },
            "cases x draws x phases, minutes, read-only")
        .def_property_readonly(
            "swaps",
            [](const py::object& self) {
                const auto& p = self.cast<const Prediction&>();
                return view(p.swaps, {static_cast<py::ssize_t>(p.n_cases), static_cast<py::ssize_t>(p.n_draws)}, self);
            },
            "cases x draws, canister swaps, read-only")
        .def_property_readonly("explanations",
                               [](const Prediction& p) {
                                   py::list rows;
                                   for (const Explanation& one : p.explanations) rows.append(explanation_row(one));
                                   return rows;
                               })
        .def_readonly("held_out_cases", &Prediction::held_out_cases)
        .def_property_readonly("flags",
                               [](const Prediction& p) {
                                   py::list rows;
                                   for (const auto& flags : p.flags) {
                                       py::list names;
                                       for (const Flag flag : flags) names.append(flag_name(flag));
                                       rows.append(names);
                                   }
                                   return rows;
                               })
        .def(
            "slots",
            [](const Prediction& p, double risk, double round_to_min) {
                py::list rows;
                for (const Slot& one : slots(p, risk, round_to_min))
                    rows.append(py::make_tuple(one.slot_min, one.overrun_risk));
                return rows;
            },
            py::arg("risk"), py::arg("round_to_min"), "(slot in minutes, risk left) of each case.");
    m.def(
        "predict",
        [](const FittedModel& model, const CaseTable& bookings, int draws, std::uint64_t seed, int threads,
           std::optional<bool> conformal) {
            // C++ objects only, and nobody else holds the result yet.
            const py::gil_scoped_release released;
            PredictOptions options;
            options.progress = [](int, int) { return !lobetime::bindings::interrupted(); };
            options.draws = draws;
            options.seed = seed;
            options.threads = threads;
            options.conformal = conformal;
            return std::make_shared<Prediction>(predict(model, bookings, options));
        },
        py::arg("model"), py::arg("bookings"), py::kw_only(), py::arg("draws") = 4096, py::arg("seed") = 1,
        py::arg("threads") = 0, py::arg("conformal") = py::none());
}
