#pragma once
#include <lobetime/plan/list_times.hpp>

#include <span>
#include <vector>

namespace lobetime {

/// What planned starts are weighed by, per minute. The ratio 1 : 0.5 : 2 is an assumption.
struct StartCost {
    double waiting_per_min = 1.0;   ///< of a patient who is ready, for the theatre
    double idle_per_min = 0.5;      ///< of the theatre, for a patient who is not there yet
    double overtime_per_min = 2.0;  ///< over the session
    void check() const;             ///< throws InvalidArgument
};

/// Expected cost of a list in this order whose case k is not begun before starts[k] (minutes from the session's start),
/// over the first `draws` draws (all if 0).
double start_cost(const ListTimes& times, std::span<const int> order, std::span<const double> starts,
                  double session_min, const StartCost& cost, std::size_t draws = 0);

/// Planned starts of least expected cost; the first is 0. The cost is convex in them, as each finish is a maximum of
/// sums.
std::vector<double> best_starts(const ListTimes& times, std::span<const int> order, double session_min,
                                const StartCost& cost = {}, std::size_t draws = 0);

struct ListOrder {
    std::vector<int> order;
    std::vector<double> starts;
    double cost = 0.0;
};

/// Order and starts: all orders of up to `exhaustive` cases, else the smallest spread first.
ListOrder best_order(const ListTimes& times, std::span<const int> list, double session_min, const StartCost& cost = {},
                     std::size_t draws = 0, int exhaustive = 5);

}  // namespace lobetime
