#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/monitor/cusum.hpp>
#include <lobetime/monitor/run_length.hpp>

#include <Eigen/LU>
#include <Eigen/SparseLU>

#include <boost/math/tools/toms748_solve.hpp>

#include <algorithm>
#include <cmath>
#include <functional>
#include <map>
#include <utility>
#include <vector>

namespace lobetime {
namespace {

constexpr double kLargestLimit = 1000.0;
constexpr Eigen::Index kFewest = 50, kMost = 400;  // of the coarse lattice
constexpr Eigen::Index kFewestEventStates = 1200, kMostEventStates = 40000;

/// A value with a chance of its own.
struct Atom {
    double value, chance;
};

/// Points 0, w, 2w, ... of the sum; above the limit, half a width beyond the last, it signals.
struct Lattice {
    Lattice(double limit_, Eigen::Index states_)
        : limit(limit_), states(states_), width(limit_ / (static_cast<double>(states_) - 0.5)) {}
    double limit;
    Eigen::Index states;
    double width;

    double point(Eigen::Index i) const { return static_cast<double>(i) * width; }

    /// Where an atom goes from `sum`: calls `to(point, chance)`.
    template <typename To>
    void place(const Atom& atom, double sum, const To& to) const {
        const double reached = sum + atom.value;
        if (reached > limit) return;
        const double place = std::max(reached, 0.0) / width;
        const auto left = std::min(static_cast<Eigen::Index>(place), states - 1);
        const double share = place - static_cast<double>(left);
        to(left, (1.0 - share) * atom.chance);
        to(std::min(left + 1, states - 1), share * atom.chance);
    }
};

/// A law with a continuous part, given by its distribution function less the atoms, and atoms.
struct ContinuousLaw {
    std::function<double(double)> below;
    std::vector<Atom> atoms;

    Eigen::VectorXd step(const Lattice& lattice, double sum) const {
        Eigen::VectorXd chances(lattice.states);
        double before = 0.0;
        for (Eigen::Index j = 0; j < lattice.states; ++j) {
            const double until = below(lattice.point(j) + 0.5 * lattice.width - sum);
            chances[j] = until - before;
            before = until;
        }
        for (const Atom& atom : atoms)
            lattice.place(atom, sum, [&](Eigen::Index j, double chance) { chances[j] += chance; });
        return chances;
    }
};

double run_length_on(const Lattice& lattice, const ContinuousLaw& law, double head_start) {
    Eigen::MatrixXd system(lattice.states, lattice.states);
    for (Eigen::Index i = 0; i < lattice.states; ++i) system.row(i) = -law.step(lattice, lattice.point(i)).transpose();
    system.diagonal().array() += 1.0;
    const Eigen::VectorXd lengths = system.partialPivLu().solve(Eigen::VectorXd::Ones(lattice.states));
    return 1.0 + law.step(lattice, head_start).dot(lengths);
}

double run_length_on(const Lattice& lattice, const std::vector<Atom>& atoms, double head_start) {
    std::vector<Eigen::Triplet<double>> entries;
    for (Eigen::Index i = 0; i < lattice.states; ++i) {
        entries.emplace_back(i, i, 1.0);
        for (const Atom& atom : atoms)
            lattice.place(atom, lattice.point(i), [&](Eigen::Index j, double p) { entries.emplace_back(i, j, -p); });
    }
    Eigen::SparseMatrix<double> system(lattice.states, lattice.states);
    system.setFromTriplets(entries.begin(), entries.end());
    const Eigen::SparseLU<Eigen::SparseMatrix<double>> solver(system);
    if (solver.info() != Eigen::Success) throw NotConverged("the average run length could not be solved for");
    const Eigen::VectorXd lengths = solver.solve(Eigen::VectorXd::Ones(lattice.states));
    double length = 1.0;
    for (const Atom& atom : atoms)
        lattice.place(atom, head_start, [&](Eigen::Index j, double p) { length += p * lengths[j]; });
    return length;
}

void check(double limit, double head_start) {
    if (!(limit > 0.0) || !std::isfinite(limit)) throw InvalidArgument("limit must be a positive number");
    if (!(head_start >= 0.0 && head_start < limit))
        throw InvalidArgument("head_start must be at least 0 and less than the limit");
}

void check(const NormalScores& scores) {
    if (!std::isfinite(scores.mean)) throw InvalidArgument("mean must be a finite number");
    if (!(scores.sd > 0.0) || !std::isfinite(scores.sd)) throw InvalidArgument("sd must be a positive number");
    if (!(scores.reference >= 0.0) || !std::isfinite(scores.reference))
        throw InvalidArgument("reference must be 0 or more");
    if (!(scores.winsor > scores.reference)) throw InvalidArgument("winsor must be larger than the reference");
}

void check_run_length(double run_length) {
    if (!(run_length >= 10.0 && run_length <= 1e6))
        throw InvalidArgument("run_length must lie between 10 and 1,000,000");
}

ContinuousLaw law_of(const NormalScores& s) {
    ContinuousLaw law;
    const double low = normal_cdf((-s.winsor - s.mean) / s.sd), high = normal_cdf((s.mean - s.winsor) / s.sd);
    law.below = [s, low](double x) {
        return normal_cdf((std::clamp(x + s.reference, -s.winsor, s.winsor) - s.mean) / s.sd) - low;
    };
    if (low > 0.0) law.atoms.push_back({-s.winsor - s.reference, low});
    if (high > 0.0) law.atoms.push_back({s.winsor - s.reference, high});
    return law;
}

std::vector<Atom> law_of(const EventScores& s) {
    if (s.chances.empty()) throw InvalidArgument("chances must hold at least one case");
    if (!(s.true_odds_ratio > 0.0) || !std::isfinite(s.true_odds_ratio))
        throw InvalidArgument("true_odds_ratio must be a positive number");
    std::map<double, double> mix;
    for (const double chance : s.chances) mix[chance] += 1.0 / static_cast<double>(s.chances.size());
    std::vector<Atom> atoms;
    for (const auto& [chance, share] : mix) {
        const double truly = s.true_odds_ratio * chance / (1.0 - chance + s.true_odds_ratio * chance);
        atoms.push_back({risk_adjusted_score(chance, false, s.odds_ratio), share * (1.0 - truly)});
        atoms.push_back({risk_adjusted_score(chance, true, s.odds_ratio), share * truly});
    }
    return atoms;
}

/// Where `length`, which grows with the limit, becomes `wanted`, to the relative `accuracy`; `least` if it is more
/// there already.
double limit_where(const std::function<double(double)>& length, double wanted, double least, double accuracy) {
    const auto excess = [&](double limit) { return std::log(length(limit) / wanted); };
    double low = least, at_low = excess(low);
    if (at_low >= 0.0) return least;
    double high = 1.5 * low, at_high = excess(high);
    while (at_high < 0.0) {
        low = high;
        at_low = at_high;
        high *= 1.5;
        if (high > kLargestLimit) throw NotConverged("no limit up to 1000 makes signals as rare as asked for");
        at_high = excess(high);
    }
    std::uintmax_t evaluations = 60;
    const auto close = [&](double a, double b) { return std::abs(a - b) <= accuracy * b; };
    const auto bracket = boost::math::tools::toms748_solve(excess, low, high, at_low, at_high, close, evaluations);
    return bracket.second;  // of the two the one whose run length is not below what was asked for
}

}  // namespace

double average_run_length(const NormalScores& scores, double limit, double head_start) {
    check(scores);
    check(limit, head_start);
    const ContinuousLaw law = law_of(scores);
    // The lattice's error goes with the square of its width.
    const Eigen::Index states = std::clamp(static_cast<Eigen::Index>(5.0 * limit / scores.sd), kFewest, kMost);
    const Lattice coarse(limit, states), fine(limit, 2 * states);
    const double at_coarse = run_length_on(coarse, law, head_start), at_fine = run_length_on(fine, law, head_start);
    const double ratio = coarse.width / fine.width;
    return at_fine + (at_fine - at_coarse) / (ratio * ratio - 1.0);
}

double average_run_length(const EventScores& scores, double limit, double head_start) {
    const std::vector<Atom> atoms = law_of(scores);
    check(limit, head_start);
    // A lattice wider than the smallest step up would hold the sum below the limit for ever.
    double smallest = limit;
    for (const Atom& atom : atoms) {
        if (atom.value > 0.0) smallest = std::min(smallest, atom.value);
    }
    const double wanted = std::min(4.0 * limit / smallest, static_cast<double>(kMostEventStates));
    const auto states = std::max(kFewestEventStates, static_cast<Eigen::Index>(wanted));
    const double length = run_length_on(Lattice(limit, states), atoms, head_start);
    if (!(length >= 1.0 && std::isfinite(length)))
        throw NotConverged("the average run length is too long to be computed");
    return length;
}

double limit_for_run_length(const NormalScores& scores, double run_length) {
    check_run_length(run_length);
    return limit_where([&](double limit) { return average_run_length(scores, limit); }, run_length, 0.1, 1e-7);
}

double limit_for_run_length(const EventScores& scores, double run_length) {
    check_run_length(run_length);
    double least = 0.0;
    for (const Atom& atom : law_of(scores)) least = std::max(least, atom.value);
    return limit_where([&](double limit) { return average_run_length(scores, limit); }, run_length, least, 1e-4);
}

}  // namespace lobetime
