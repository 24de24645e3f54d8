#include <lobetime/core/errors.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/plan/pricing.hpp>
#include <lobetime/plan/starts.hpp>

#include <pybind11/numpy.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>

#include <algorithm>
#include <memory>

// Kept as it is, not copied into Python's set.
PYBIND11_MAKE_OPAQUE(std::set<std::vector<int>>)

namespace py = pybind11;
using namespace lobetime;

namespace {

using Floats = py::array_t<float, py::array::c_style | py::array::forcecast>;
using Refused = std::set<std::vector<int>>;

std::vector<float> copied(const Floats& array) { return {array.data(), array.data() + array.size()}; }

}  // namespace

void bind_plan(py::module_& m) {
    py::class_<ListTimes, std::shared_ptr<ListTimes>>(m, "ListTimes",
                                                      "Joint draws of what each case takes in one kind of session.")
        .def(py::init([](const Floats& minutes, const Floats& between, std::size_t screening) {
                 if (minutes.ndim() != 2 || between.ndim() != 2 || minutes.shape(1) != between.shape(1))
                     throw InvalidArgument("list times: minutes and between must be rows x draws, draws alike");
                 return std::make_shared<ListTimes>(static_cast<std::size_t>(minutes.shape(0)),
                                                    static_cast<std::size_t>(minutes.shape(1)), copied(minutes),
                                                    copied(between), screening);
             }),
             py::arg("minutes"), py::arg("between"), py::arg("screening") = 0)
        .def_property_readonly("cases", &ListTimes::cases)
        .def_property_readonly("draws", &ListTimes::draws)
        .def_property_readonly("most_cases", &ListTimes::most_cases)
        .def_property_readonly(
            "mean",
            [](const ListTimes& t) { return std::vector<double>(t.mean().data(), t.mean().data() + t.mean().size()); })
        .def_property_readonly("variance",
                               [](const ListTimes& t) {
                                   const Eigen::VectorXd v = t.covariance().diagonal();
                                   return std::vector<double>(v.data(), v.data() + v.size());
                               })
        .def(
            "finish",
            [](const ListTimes& t, const std::vector<int>& list) {
                const std::vector<float> finish = t.finish(list, t.draws());
                return py::array_t<float>(static_cast<py::ssize_t>(finish.size()), finish.data());
            },
            py::arg("list"), "Minutes from the session's start to the end of the list, each draw.");

    py::class_<ListRule>(m, "ListRule", "What a list on one session may be.")
        .def(py::init([](double minutes, double grace_min, double overrun_risk, double expected_overtime_min,
                         double far_over_min, double far_over_risk, int most_cases, int most_large) {
                 const ListRule rule{minutes,      grace_min,     overrun_risk, expected_overtime_min,
                                     far_over_min, far_over_risk, most_cases,   most_large};
                 rule.check();
                 return rule;
             }),
             py::kw_only(), py::arg("minutes"), py::arg("grace_min") = 0.0, py::arg("overrun_risk") = 0.2,
             py::arg("expected_overtime_min") = std::numeric_limits<double>::infinity(),
             py::arg("far_over_min") = std::numeric_limits<double>::infinity(), py::arg("far_over_risk") = 0.05,
             py::arg("most_cases") = 12, py::arg("most_large") = std::numeric_limits<int>::max())
        .def_readonly("minutes", &ListRule::minutes)
        .def_readonly("grace_min", &ListRule::grace_min)
        .def_readonly("overrun_risk", &ListRule::overrun_risk)
        .def_readonly("expected_overtime_min", &ListRule::expected_overtime_min)
        .def_readonly("far_over_min", &ListRule::far_over_min)
        .def_readonly("far_over_risk", &ListRule::far_over_risk)
        .def_readonly("most_cases", &ListRule::most_cases)
        .def_readonly("most_large", &ListRule::most_large);

    py::class_<ListCost>(m, "ListCost", "What a list costs, per minute.")
        .def(py::init([](double open_per_min, double overtime_per_min, double idle_per_min) {
                 const ListCost cost{open_per_min, overtime_per_min, idle_per_min};
                 cost.check();
                 return cost;
             }),
             py::kw_only(), py::arg("open_per_min") = 0.0, py::arg("overtime_per_min") = 0.0,
             py::arg("idle_per_min") = 0.0)
        .def_readonly("open_per_min", &ListCost::open_per_min)
        .def_readonly("overtime_per_min", &ListCost::overtime_per_min)
        .def_readonly("idle_per_min", &ListCost::idle_per_min);

    py::class_<ListRisk>(m, "ListRisk", "Risk of a list, counted over draws.")
        .def_readonly("overrun", &ListRisk::overrun)
        .def_readonly("far_over", &ListRisk::far_over)
        .def_readonly("mean_min", &ListRisk::mean_min)
        .def_readonly("overtime_min", &ListRisk::overtime_min)
        .def_readonly("idle_min", &ListRisk::idle_min)
        .def("keeps", &ListRisk::keeps, py::arg("rule"))
        .def("cost", &ListRisk::cost, py::arg("rule"), py::arg("cost"));

    m.def(
        "list_risk",
        [](const ListTimes& times, const std::vector<int>& list, const ListRule& rule) {
            return list_risk(times, list, rule);
        },
        py::arg("times"), py::arg("list"), py::arg("rule"));

    py::class_<PricingProblem>(m, "PricingProblem", "Lists of one kind of session worth more than a threshold.")
        .def(py::init([](const std::shared_ptr<ListTimes>& times, const ListRule& rule, const ListCost& cost,
                         std::vector<int> cases, std::vector<double> worth, std::vector<bool> large, double threshold,
                         std::size_t keep, std::uint64_t most_nodes, double moment_error, const Refused* refused) {
                 PricingProblem problem;
                 problem.times = times.get();
                 problem.rule = rule;
                 problem.cost = cost;
                 problem.cases = std::move(cases);
                 problem.worth = std::move(worth);
                 problem.large = std::move(large);
                 problem.threshold = threshold;
                 problem.keep = keep;
                 problem.most_nodes = most_nodes;
                 problem.moment_error = moment_error;
                 problem.refused = refused;
                 return problem;
             }),
             py::kw_only(), py::arg("times"), py::arg("rule"), py::arg("cost"), py::arg("cases"), py::arg("worth"),
             py::arg("large") = std::vector<bool>{}, py::arg("threshold") = 0.0, py::arg("keep") = 10,
             py::arg("most_nodes") = 1 << 20, py::arg("moment_error") = 0.035, py::arg("refused") = nullptr,
             // The problem points at both.
             py::keep_alive<1, 2>(), py::keep_alive<1, 12>());

    py::class_<Refused>(m, "RefusedLists", "Lists that are out, positions ascending.")
        .def(py::init<>())
        .def("add",
             [](Refused& refused, std::vector<int> list) {
                 std::sort(list.begin(), list.end());
                 refused.insert(std::move(list));
             })
        .def("__len__", [](const Refused& refused) { return refused.size(); })
        .def("__contains__", [](const Refused& refused, std::vector<int> list) {
            std::sort(list.begin(), list.end());
            return refused.contains(list);
        });

    py::class_<PricedList>(m, "PricedList")
        .def_readonly("cases", &PricedList::cases)
        .def_readonly("value", &PricedList::value)
        .def_readonly("cost", &PricedList::cost)
        .def_readonly("risk", &PricedList::risk);

    py::class_<PricingResult>(m, "PricingResult")
        .def_readonly("lists", &PricingResult::lists)
        .def_readonly("bound", &PricingResult::bound)
        .def_readonly("complete", &PricingResult::complete)
        .def_readonly("nodes", &PricingResult::nodes)
        .def_readonly("found", &PricingResult::found)
        .def_readonly("largest_moment_error", &PricingResult::largest_moment_error);

    m.def(
        "price",
        [](const std::vector<PricingProblem>& problems, int threads) {
            // C++ objects only, kept alive by the problems.
            const py::gil_scoped_release released;
            return price(problems, threads);
        },
        py::arg("problems"), py::arg("threads") = 0);

    py::class_<StartCost>(m, "StartCost", "What planned starts are weighed by, per minute.")
        .def(py::init([](double waiting_per_min, double idle_per_min, double overtime_per_min) {
                 const StartCost cost{waiting_per_min, idle_per_min, overtime_per_min};
                 cost.check();
                 return cost;
             }),
             py::kw_only(), py::arg("waiting_per_min") = 1.0, py::arg("idle_per_min") = 0.5,
             py::arg("overtime_per_min") = 2.0)
        .def_readonly("waiting_per_min", &StartCost::waiting_per_min)
        .def_readonly("idle_per_min", &StartCost::idle_per_min)
        .def_readonly("overtime_per_min", &StartCost::overtime_per_min);

    m.def(
        "start_cost",
        [](const ListTimes& times, const std::vector<int>& order, const std::vector<double>& starts, double session_min,
           const StartCost& cost,
           std::size_t draws) { return start_cost(times, order, starts, session_min, cost, draws); },
        py::arg("times"), py::arg("order"), py::arg("starts"), py::arg("session_min"), py::arg("cost"),
        py::arg("draws") = 0);
    m.def(
        "best_starts",
        [](const ListTimes& times, const std::vector<int>& order, double session_min, const StartCost& cost,
           std::size_t draws) {
            const py::gil_scoped_release released;
            return best_starts(times, order, session_min, cost, draws);
        },
        py::arg("times"), py::arg("order"), py::arg("session_min"), py::arg("cost"), py::arg("draws") = 0);
    m.def(
        "best_orders",
        [](const std::vector<std::shared_ptr<ListTimes>>& times, const std::vector<std::vector<int>>& lists,
           const std::vector<double>& session_min, const StartCost& cost, std::size_t draws, int exhaustive,
           int threads) {
            if (times.size() != lists.size() || session_min.size() != lists.size())
                throw InvalidArgument("best_orders: times, lists and session_min must be of one length");
            std::vector<ListOrder> found(lists.size());
            {
                // C++ objects only, kept alive by the arguments.
                const py::gil_scoped_release released;
                parallel_for(lists.size(), threads, [&](std::size_t i) {
                    found[i] = best_order(*times[i], lists[i], session_min[i], cost, draws, exhaustive);
                });
            }
            py::list rows;
            for (const ListOrder& one : found) rows.append(py::make_tuple(one.order, one.starts, one.cost));
            return rows;
        },
        py::arg("times"), py::arg("lists"), py::arg("session_min"), py::arg("cost"), py::arg("draws") = 0,
        py::arg("exhaustive") = 5, py::arg("threads") = 0, "(order, starts, cost) of each list.");
}
