#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/monitor/cusum.hpp>
#include <lobetime/monitor/run_length.hpp>

#include <Eigen/LU>

#include <boost/math/tools/toms748_solve.hpp>

#include <algorithm>
#include <cmath>
#include <functional>
#include <map>
#include <utility>

namespace lobetime {
namespace {

constexpr double kLargestLimit = 1000.0;

/// A value with a chance of its own.
struct Atom {
    double value, chance;
};

/// A law with a continuous part, given by its (defective) distribution function, and atoms.
struct ScoreLaw {
    std::function<double(double)> below;  ///< empty: no continuous part
    std::vector<Atom> atoms;
};

/// Chances of the lattice's points 0, w, 2w, ... after one score from `sum`; what is missing to 1 signals.
Eigen::VectorXd step(const ScoreLaw& law, double sum, double limit, Eigen::Index states) {
    const double width = limit / (static_cast<double>(states) - 0.5);
    Eigen::VectorXd chances = Eigen::VectorXd::Zero(states);
    if (law.below) {
        double before = 0.0;
        for (Eigen::Index j = 0; j < states; ++j) {
            const double until = law.below((static_cast<double>(j) + 0.5) * width - sum);
            chances[j] += until - before;
            before = until;
        }
    }
    for (const Atom& atom : law.atoms) {
        const double to = sum + atom.value;
        if (to > limit) continue;
        const double place = std::max(to, 0.0) / width;
        const auto left = std::min(static_cast<Eigen::Index>(place), states - 1);
        const auto right = std::min(left + 1, states - 1);
        const double share = place - static_cast<double>(left);
        chances[left] += (1.0 - share) * atom.chance;
        chances[right] += share * atom.chance;
    }
    return chances;
}

double on_lattice(const ScoreLaw& law, double limit, double head_start, Eigen::Index states) {
    const double width = limit / (static_cast<double>(states) - 0.5);
    Eigen::MatrixXd system(states, states);
    for (Eigen::Index i = 0; i < states; ++i)
        system.row(i) = -step(law, static_cast<double>(i) * width, limit, states).transpose();
    system.diagonal().array() += 1.0;
    const Eigen::VectorXd lengths = system.partialPivLu().solve(Eigen::VectorXd::Ones(states));
    return 1.0 + step(law, head_start, limit, states).dot(lengths);
}

/// The lattice's error goes with the square of its width.
double extrapolated(const ScoreLaw& law, double limit, double head_start, Eigen::Index states) {
    const double coarse = on_lattice(law, limit, head_start, states);
    const double fine = on_lattice(law, limit, head_start, 2 * states);
    const double ratio = (2.0 * static_cast<double>(states) - 0.5) / (static_cast<double>(states) - 0.5);
    return fine + (fine - coarse) / (ratio * ratio - 1.0);
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

ScoreLaw law_of(const NormalScores& s) {
    ScoreLaw law;
    const double low = normal_cdf((-s.winsor - s.mean) / s.sd), high = normal_cdf((s.mean - s.winsor) / s.sd);
    law.below = [s, low](double x) {
        return normal_cdf((std::clamp(x + s.reference, -s.winsor, s.winsor) - s.mean) / s.sd) - low;
    };
    if (low > 0.0) law.atoms.push_back({-s.winsor - s.reference, low});
    if (high > 0.0) law.atoms.push_back({s.winsor - s.reference, high});
    return law;
}

ScoreLaw law_of(const EventScores& s) {
    if (s.chances.empty()) throw InvalidArgument("chances must hold at least one case");
    if (!(s.true_odds_ratio > 0.0) || !std::isfinite(s.true_odds_ratio))
        throw InvalidArgument("true_odds_ratio must be a positive number");
    std::map<double, double> mix;
    for (const double chance : s.chances) mix[chance] += 1.0 / static_cast<double>(s.chances.size());
    ScoreLaw law;
    for (const auto& [chance, share] : mix) {
        const double missed = risk_adjusted_score(chance, false, s.odds_ratio);
        const double came = risk_adjusted_score(chance, true, s.odds_ratio);
        const double truly = s.true_odds_ratio * chance / (1.0 - chance + s.true_odds_ratio * chance);
        law.atoms.push_back({missed, share * (1.0 - truly)});
        law.atoms.push_back({came, share * truly});
    }
    return law;
}

/// Points enough for a lattice finer than the law.
Eigen::Index states_for(double limit, double sd) {
    return std::clamp(static_cast<Eigen::Index>(5.0 * limit / sd), Eigen::Index{50}, Eigen::Index{400});
}

/// Where `length`, which grows with the limit, becomes `wanted`; `least` if it is more there already.
double limit_where(const std::function<double(double)>& length, double wanted, double least) {
    const auto excess = [&](double limit) { return std::log(length(limit) / wanted); };
    double low = least, at_low = excess(low);
    if (at_low >= 0.0) return least;
    double high = std::max(2.0 * low, 2.0), at_high = excess(high);
    while (at_high < 0.0) {
        low = high;
        at_low = at_high;
        high *= 1.5;
        if (high > kLargestLimit) throw NotConverged("no limit up to 1000 makes signals as rare as asked for");
        at_high = excess(high);
    }
    std::uintmax_t evaluations = 60;
    const auto close = [](double a, double b) { return std::abs(a - b) <= 1e-7 * b; };
    const auto bracket = boost::math::tools::toms748_solve(excess, low, high, at_low, at_high, close, evaluations);
    return bracket.second;  // of the two the one whose run length is not below what was asked for
}

}  // namespace

double average_run_length(const NormalScores& scores, double limit, double head_start) {
    check(scores);
    check(limit, head_start);
    return extrapolated(law_of(scores), limit, head_start, states_for(limit, scores.sd));
}

double average_run_length(const EventScores& scores, double limit, double head_start) {
    const ScoreLaw law = law_of(scores);
    check(limit, head_start);
    return extrapolated(law, limit, head_start, 150);
}

double two_sided_signal_rate(const NormalScores& scores, double shared, double limit) {
    if (!(shared >= 0.0 && shared < 1.0)) throw InvalidArgument("shared must be at least 0 and less than 1");
    NormalScores one = scores;
    one.sd = std::sqrt(1.0 - shared);
    const auto rate = [&](double offset) {
        one.mean = scores.mean + offset;
        const double up = average_run_length(one, limit);
        one.mean = -one.mean;
        return 1.0 / up + 1.0 / average_run_length(one, limit);
    };
    if (shared == 0.0) return rate(0.0);
    // The trapezoidal rule in steps of half a standard deviation is exact to rounding for what is smooth.
    constexpr int kSteps = 10;
    constexpr double kStep = 0.5;
    double sum = 0.0, weights = 0.0;
    for (int i = -kSteps; i <= kSteps; ++i) {
        const double weight = normal_pdf(kStep * i);
        sum += weight * rate(kStep * i * std::sqrt(shared));
        weights += weight;
    }
    return sum / weights;
}

double limit_for_run_length(const NormalScores& scores, double run_length) {
    check_run_length(run_length);
    return limit_where([&](double limit) { return average_run_length(scores, limit); }, run_length, 1e-3);
}

double limit_for_run_length(const EventScores& scores, double run_length) {
    check_run_length(run_length);
    double least = 0.0;
    for (const Atom& atom : law_of(scores).atoms) least = std::max(least, atom.value);
    return limit_where([&](double limit) { return average_run_length(scores, limit); }, run_length, least);
}

double two_sided_limit_for_run_length(const NormalScores& scores, double shared, double run_length) {
    check_run_length(run_length);
    return limit_where([&](double limit) { return 1.0 / two_sided_signal_rate(scores, shared, limit); }, run_length,
                       1e-3);
}

}  // namespace lobetime
