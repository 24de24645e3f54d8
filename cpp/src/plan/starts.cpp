#include <lobetime/core/errors.hpp>
#include <lobetime/plan/starts.hpp>

#include <algorithm>
#include <cmath>
#include <numeric>

namespace lobetime {
namespace {

constexpr int kSweeps = 60;
constexpr double kSettled = 1e-5;  ///< of the cost
/// Orders whose starts are sought; the others lose by starts that are put a common number of spreads behind the mean.
constexpr std::size_t kFinalists = 3;

class Day {
public:
    Day(const ListTimes& times, std::span<const int> order, double session_min, const StartCost& cost,
        std::size_t draws)
        : cost_(cost), session_(session_min), draws_(draws == 0 ? times.draws() : std::min(draws, times.draws())) {
        if (order.empty()) throw InvalidArgument("starts: at least one case is needed");
        if (!(session_min > 0.0 && session_min <= kMostMinutes))
            throw InvalidArgument("starts: minutes of a session must be above 0 and at most 1e7");
        if (order.size() > times.most_cases()) throw InvalidArgument("starts: no turnovers for so many cases");
        for (std::size_t k = 0; k < order.size(); ++k) {
            if (order[k] < 0 || static_cast<std::size_t>(order[k]) >= times.cases())
                throw InvalidArgument("starts: no such case");
            minutes_.push_back(times.row(static_cast<std::size_t>(order[k])));
            gaps_.push_back(times.between(k));
        }
    }

    std::size_t size() const { return minutes_.size(); }

    double operator()(std::span<const double> starts) const {
        double waiting = 0.0, idle = 0.0, overtime = 0.0;
        for (std::size_t d = 0; d < draws_; ++d) {
            double free = static_cast<double>(gaps_[0][d]);
            for (std::size_t k = 0; k < size(); ++k) {
                if (k > 0) free += static_cast<double>(gaps_[k][d]);
                const double begin = std::max(starts[k], free);
                waiting += begin - starts[k];
                idle += k > 0 ? begin - free : 0.0;
                free = begin + static_cast<double>(minutes_[k][d]);
            }
            overtime += std::max(free - session_, 0.0);
        }
        return (cost_.waiting_per_min * waiting + cost_.idle_per_min * idle + cost_.overtime_per_min * overtime) /
               static_cast<double>(draws_);
    }

    /// Mean and spread of when the theatre is free for each case, if nothing waits.
    void free_moments(std::vector<double>& mean, std::vector<double>& spread) const {
        mean.assign(size(), 0.0);
        spread.assign(size(), 0.0);
        for (std::size_t d = 0; d < draws_; ++d) {
            double free = static_cast<double>(gaps_[0][d]);
            for (std::size_t k = 1; k < size(); ++k) {
                free += static_cast<double>(minutes_[k - 1][d] + gaps_[k][d]);
                mean[k] += free;
                spread[k] += free * free;
            }
        }
        for (std::size_t k = 1; k < size(); ++k) {
            mean[k] /= static_cast<double>(draws_);
            spread[k] = std::sqrt(std::max(spread[k] / static_cast<double>(draws_) - mean[k] * mean[k], 0.0));
        }
    }

private:
    StartCost cost_;
    double session_;
    std::size_t draws_;
    std::vector<const float*> minutes_, gaps_;
};

/// Minimum of a convex function of one number by golden section.
template <typename F>
double least(const F& f, double low, double high, double tolerance) {
    constexpr double golden = 0.6180339887498949;
    double a = high - golden * (high - low), b = low + golden * (high - low);
    double fa = f(a), fb = f(b);
    while (high - low > tolerance) {
        if (fa <= fb) {
            high = b, b = a, fb = fa;
            a = high - golden * (high - low);
            fa = f(a);
        } else {
            low = a, a = b, fa = fb;
            b = low + golden * (high - low);
            fb = f(b);
        }
    }
    return 0.5 * (low + high);
}

/// Starts a common number of spreads from the mean, the best such.
ListOrder quick(const Day& day, std::span<const int> order) {
    std::vector<double> mean, spread, starts(day.size(), 0.0);
    day.free_moments(mean, spread);
    const auto place = [&](double c) {
        for (std::size_t k = 1; k < day.size(); ++k) starts[k] = std::max(mean[k] + c * spread[k], starts[k - 1]);
        return day(starts);
    };
    place(least(place, -2.5, 2.5, 0.05));
    return {{order.begin(), order.end()}, starts, day(starts)};
}

void settle(const Day& day, ListOrder& found) {
    std::vector<double>& starts = found.starts;
    found.cost = day(starts);
    if (day.size() < 2) return;
    double reach = 30.0;
    for (int sweep = 0; sweep < kSweeps; ++sweep) {
        const double before = found.cost;
        double moved = 0.0;
        // One start alone, and with it all that follow: along the first alone a convex cost with kinks can stick.
        for (const bool with_rest : {true, false}) {
            for (std::size_t k = 1; k < starts.size(); ++k) {
                std::vector<double> trial = starts;
                const auto shifted = [&](double by) {
                    trial = starts;
                    for (std::size_t j = k; j < (with_rest ? starts.size() : k + 1); ++j) trial[j] += by;
                    return day(trial);
                };
                // As far as the starts stay in order.
                const bool free = with_rest || k + 1 == starts.size();
                const double low = std::max(-reach, starts[k - 1] - starts[k]);
                const double high = free ? reach : std::min(reach, starts[k + 1] - starts[k]);
                const double by = least(shifted, low, high, reach * 1e-3);
                const double cost = shifted(by);
                if (cost < found.cost) {
                    found.cost = cost;
                    starts = trial;
                    moved = std::max(moved, std::abs(by));
                }
            }
        }
        reach = std::clamp(2.0 * moved, 0.5, reach);
        if (before - found.cost <= kSettled * std::max(before, 1.0)) return;
    }
}

}  // namespace

void StartCost::check() const {
    for (const double one : {waiting_per_min, idle_per_min, overtime_per_min}) {
        if (!(one >= 0.0 && one <= 1e9)) throw InvalidArgument("costs of starts must lie in [0, 1e9]");
    }
    if (!(waiting_per_min > 0.0)) throw InvalidArgument("waiting must cost something: nobody would be told to wait");
}

double start_cost(const ListTimes& times, std::span<const int> order, std::span<const double> starts,
                  double session_min, const StartCost& cost, std::size_t draws) {
    cost.check();
    if (starts.size() != order.size()) throw InvalidArgument("starts: one for each case");
    for (const double start : starts) {
        if (!(start >= 0.0 && start <= kMostMinutes)) throw InvalidArgument("starts: minutes must lie in [0, 1e7]");
    }
    return Day(times, order, session_min, cost, draws)(starts);
}

std::vector<double> best_starts(const ListTimes& times, std::span<const int> order, double session_min,
                                const StartCost& cost, std::size_t draws) {
    cost.check();
    const Day day(times, order, session_min, cost, draws);
    ListOrder found = quick(day, order);
    settle(day, found);
    return found.starts;
}

ListOrder best_order(const ListTimes& times, std::span<const int> list, double session_min, const StartCost& cost,
                     std::size_t draws, int exhaustive) {
    cost.check();
    std::vector<int> order(list.begin(), list.end());
    std::sort(order.begin(), order.end());
    std::vector<ListOrder> finalists;
    if (static_cast<int>(order.size()) <= exhaustive) {
        do {
            finalists.push_back(quick(Day(times, order, session_min, cost, draws), order));
        } while (std::next_permutation(order.begin(), order.end()));
        std::stable_sort(finalists.begin(), finalists.end(),
                         [](const ListOrder& a, const ListOrder& b) { return a.cost < b.cost; });
        finalists.resize(std::min(finalists.size(), kFinalists));
    } else {
        const auto variance = [&](int at) {
            if (at < 0 || static_cast<std::size_t>(at) >= times.cases()) throw InvalidArgument("starts: no such case");
            return times.covariance()(at, at);
        };
        std::stable_sort(order.begin(), order.end(), [&](int a, int b) { return variance(a) < variance(b); });
        finalists.push_back(quick(Day(times, order, session_min, cost, draws), order));
    }
    for (ListOrder& one : finalists) settle(Day(times, one.order, session_min, cost, draws), one);
    return *std::min_element(finalists.begin(), finalists.end(),
                             [](const ListOrder& a, const ListOrder& b) { return a.cost < b.cost; });
}

}  // namespace lobetime
