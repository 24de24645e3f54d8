#include <lobetime/core/errors.hpp>
#include <lobetime/plan/pricing.hpp>
#include <lobetime/plan/starts.hpp>

#include "source.hpp"

#include <algorithm>
#include <vector>

namespace lobetime::fuzz {
namespace {

constexpr std::size_t kMostCases = 7, kMostDraws = 24;

std::vector<float> minutes_of(Source& from, std::size_t n) {
    std::vector<float> minutes(n);
    // Bounded before the cast: a double beyond the floats' range has none to become.
    for (float& one : minutes) one = static_cast<float>(std::clamp(from.number(0.0, 300.0), -1e38, 3e38));
    return minutes;
}

bool finite(const ListRisk& risk) {
    for (const double share : {risk.overrun, risk.far_over}) {
        if (!(share >= 0.0 && share <= 1.0)) return false;
    }
    for (const double minutes : {risk.mean_min, risk.overtime_min, risk.idle_min}) {
        if (!(std::isfinite(minutes) && minutes >= 0.0)) return false;
    }
    return true;
}

/// The best list, each subset judged one by one; the threshold where none is worth more.
double best_by_hand(const PricingProblem& problem) {
    double best = problem.threshold;
    for (unsigned set = 1; set < (1U << problem.cases.size()); ++set) {
        std::vector<int> list;
        double worth = 0.0;
        int large = 0;
        for (std::size_t j = 0; j < problem.cases.size(); ++j) {
            if ((set >> j & 1U) == 0) continue;
            list.push_back(problem.cases[j]);
            worth += problem.worth[j];
            large += problem.large[j] ? 1 : 0;
        }
        if (list.size() > std::min(static_cast<std::size_t>(problem.rule.most_cases), problem.times->most_cases()) ||
            large > problem.rule.most_large)
            continue;
        const ListRisk risk = list_risk(*problem.times, list, problem.rule);
        if (risk.keeps(problem.rule)) best = std::max(best, worth - risk.cost(problem.rule, problem.cost));
    }
    return best;
}

void priced(Source& from, const ListTimes& times) {
    PricingProblem problem;
    problem.times = &times;
    problem.rule.minutes = from.number(60.0, 700.0);
    problem.rule.grace_min = from.number(0.0, 30.0);
    problem.rule.overrun_risk = from.number(0.0, 1.0);
    if (from.flag()) problem.rule.expected_overtime_min = from.number(0.0, 60.0);
    if (from.flag()) problem.rule.far_over_min = from.number(0.0, 120.0);
    problem.rule.far_over_risk = from.number(0.0, 1.0);
    problem.rule.most_cases = static_cast<int>(from.below(10));
    problem.rule.most_large = static_cast<int>(from.below(4));
    if (from.flag()) problem.cost = {from.number(0.0, 2.0), from.number(0.0, 2.0), from.number(0.0, 2.0)};
    for (std::size_t i = 0; i < times.cases(); ++i) {
        problem.cases.push_back(static_cast<int>(i));
        problem.worth.push_back(from.number(-50.0, 300.0));
        problem.large.push_back(from.flag());
    }
    problem.threshold = from.number(-100.0, 50.0);
    problem.keep = 1 + from.below(20);
    problem.most_nodes = 256;
    problem.moment_error = from.flag() ? 1.0 : from.number(0.0, 1.0);

    const PricingResult found = price({problem}, 1).front();
    require(std::isfinite(found.bound) && found.bound >= problem.threshold, "the bound is finite");
    require(found.nodes <= problem.most_nodes, "a search keeps to its nodes");
    require(found.lists.size() <= problem.keep, "no more lists than asked for");
    for (const PricedList& one : found.lists) {
        require(finite(one.risk) && std::isfinite(one.value) && std::isfinite(one.cost), "a list's figures are finite");
        require(one.value <= found.bound, "no list is worth more than the bound");
        const ListRisk risk = list_risk(times, one.cases, problem.rule);
        require(times.screening() < times.draws() || risk.keeps(problem.rule), "a list keeps the rule");
    }
    // With limits on moments relaxed to none, every draw looked at, and all of the search made, nothing may be missed.
    const bool exact = problem.moment_error >= 1.0 && std::isinf(problem.rule.expected_overtime_min) &&
                       found.complete && times.screening() == times.draws();
    if (exact) {
        const double best = best_by_hand(problem);
        double scale = 1.0 + std::abs(best) +
                       problem.rule.minutes *
                           (problem.cost.open_per_min + problem.cost.idle_per_min + problem.cost.overtime_per_min);
        for (const double worth : problem.worth) scale += std::abs(worth);
        // Minutes are summed in single precision.
        require(found.bound >= best - 1e-4 * scale, "a complete search finds the best list");
    }
}

void started(Source& from, const ListTimes& times) {
    std::vector<int> list;
    for (std::size_t i = 0; i < std::min(times.cases(), times.most_cases()); ++i)
        if (from.flag()) list.push_back(static_cast<int>(i));
    StartCost cost;
    if (from.flag()) cost = {from.number(0.0, 2.0), from.number(0.0, 2.0), from.number(0.0, 2.0)};
    const double session_min = from.number(60.0, 700.0);
    const ListOrder best = best_order(times, list, session_min, cost, 0, 3);
    require(std::isfinite(best.cost) && best.cost >= 0.0, "the cost of starts is finite");
    require(best.order.size() == list.size() && std::is_permutation(best.order.begin(), best.order.end(), list.begin()),
            "an order has the list's cases");
    require(best.starts.size() == list.size(), "a start for each case");
    for (std::size_t k = 0; k < best.starts.size(); ++k)
        require(std::isfinite(best.starts[k]) && best.starts[k] >= (k > 0 ? best.starts[k - 1] : 0.0),
                "starts are finite and in order");
}

}  // namespace

bool lists(Input input) {
    Source from(input);
    const std::size_t cases = from.below(kMostCases + 1), draws = from.below(kMostDraws + 1),
                      rows = from.below(kMostCases + 1), screening = from.below(kMostDraws + 1);
    try {
        const ListTimes times(cases, draws, minutes_of(from, cases * draws), minutes_of(from, rows * draws), screening);
        if (from.flag()) {
            priced(from, times);
        } else {
            started(from, times);
        }
        return true;
    } catch (const InvalidArgument&) {
        return false;
    }
}

}  // namespace lobetime::fuzz
