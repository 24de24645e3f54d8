#include <lobetime/monitor/cusum.hpp>
#include <lobetime/monitor/innovations.hpp>
#include <lobetime/monitor/run_length.hpp>

#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <limits>

namespace py = pybind11;
using namespace lobetime;

void bind_monitor(py::module_& m) {
    m.def(
        "cusum",
        [](const std::vector<double>& scores, double limit, double head_start) {
            const CusumPath path = cusum(scores, limit, head_start);
            py::list signals;
            for (const CusumSignal& one : path.signals) signals.append(py::make_tuple(one.at, one.since));
            return py::make_tuple(path.sums, signals);
        },
        py::arg("scores"), py::arg("limit"), py::arg("head_start") = 0.0,
        "Sums after each score, and (at, since) of each signal: positions from 0.");
    m.def(
        "tabular_scores",
        [](const std::vector<double>& values, double target, double reference, bool up) {
            return tabular_scores(values, target, reference, up ? Direction::up : Direction::down);
        },
        py::arg("values"), py::kw_only(), py::arg("target"), py::arg("reference"), py::arg("up"));
    m.def("risk_adjusted_scores", &risk_adjusted_scores, py::arg("chances"), py::arg("events"), py::kw_only(),
          py::arg("odds_ratio"));
    m.def("learning_curve_scores", &learning_curve_scores, py::arg("z"), py::kw_only(), py::arg("inadequate"));

    m.def(
        "innovations",
        [](const std::vector<double>& values, const std::vector<int>& group, double all_share, double group_share) {
            const Innovations found = innovations(values, group, {all_share, group_share});
            return py::make_tuple(found.z, found.expected, found.sd);
        },
        py::arg("values"), py::arg("group"), py::kw_only(), py::arg("all_share"), py::arg("group_share"),
        "z, expected and sd of each value.");

    constexpr double no_winsor = std::numeric_limits<double>::infinity();
    m.def(
        "normal_run_length",
        [](double limit, double reference, double mean, double sd, double winsor, double head_start) {
            return average_run_length(NormalScores{mean, sd, reference, winsor}, limit, head_start);
        },
        py::arg("limit"), py::kw_only(), py::arg("reference"), py::arg("mean") = 0.0, py::arg("sd") = 1.0,
        py::arg("winsor") = no_winsor, py::arg("head_start") = 0.0);
    m.def(
        "normal_limit",
        [](double run_length, double reference, double mean, double sd, double winsor) {
            return limit_for_run_length(NormalScores{mean, sd, reference, winsor}, run_length);
        },
        py::arg("run_length"), py::kw_only(), py::arg("reference"), py::arg("mean") = 0.0, py::arg("sd") = 1.0,
        py::arg("winsor") = no_winsor);
    m.def(
        "event_run_length",
        [](const std::vector<double>& chances, double limit, double odds_ratio, double true_odds_ratio,
           double head_start) {
            return average_run_length(EventScores{chances, odds_ratio, true_odds_ratio}, limit, head_start);
        },
        py::arg("chances"), py::arg("limit"), py::kw_only(), py::arg("odds_ratio"), py::arg("true_odds_ratio") = 1.0,
        py::arg("head_start") = 0.0);
    m.def(
        "event_limit",
        [](const std::vector<double>& chances, double run_length, double odds_ratio) {
            return limit_for_run_length(EventScores{chances, odds_ratio, 1.0}, run_length);
        },
        py::arg("chances"), py::arg("run_length"), py::kw_only(), py::arg("odds_ratio"));
}
