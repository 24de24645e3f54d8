#pragma once
#include <lobetime/plan/list_rule.hpp>

#include <cstdint>
#include <set>
#include <vector>

namespace lobetime {

/// The lists of one kind of session that are worth more than a threshold: value = sum of the cases' worth - cost.
struct PricingProblem {
    const ListTimes* times = nullptr;
    ListRule rule;
    ListCost cost;
    std::vector<int> cases;     ///< positions in `times` that may come on the list
    std::vector<double> worth;  ///< of each of them: what it brings, less the master's dual prices
    std::vector<bool> large;    ///< counts against rule.most_large
    double threshold = 0.0;
    std::size_t keep = 10;               ///< the best so many are returned (ties: the smaller positions)
    std::uint64_t most_nodes = 1 << 20;  ///< lists looked at before the search gives up
    /// Lists whose risk by moments (Fenton-Wilkinson, IRE Trans 1960;8:57-67) is so far over the limit are passed over
    /// unseen, with all that they are part of. The limit on risk is relaxed by it, that on minutes by its share.
    double moment_error = 0.035;
    const std::set<std::vector<int>>* refused = nullptr;  ///< lists (positions, ascending) that are out
};

struct PricedList {
    std::vector<int> cases;  ///< positions, ascending
    double value = 0.0;
    double cost = 0.0;
    ListRisk risk;
};

struct PricingResult {
    std::vector<PricedList> lists;  ///< best first
    /// No list is worth more (threshold at least). Holds, too, where the search gave up: then it is what the branches
    /// not looked at could be worth at most.
    double bound = 0.0;
    bool complete = true;  ///< false: gave up after most_nodes
    std::uint64_t nodes = 0;
    std::uint64_t found = 0;          ///< lists above the threshold as it stood; more than `keep` raise it
    double largest_moment_error = 0;  ///< counted risk below the one by moments, of the lists that were counted
};

/// Searches depth first, cases by worth a minute, behind a bound: what the cases to come can add is at most a knapsack
/// of their mean minutes (a dynamic programme, sizes rounded down) in what the moments leave of the session. Lists near
/// a limit are counted over all draws. Results do not depend on threads; one problem takes one thread. Throws
/// InvalidArgument.
std::vector<PricingResult> price(const std::vector<PricingProblem>& problems, int threads = 0);

}  // namespace lobetime
