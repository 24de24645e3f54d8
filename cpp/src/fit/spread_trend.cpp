#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/fit/noise_law.hpp>
#include <lobetime/fit/spread_trend.hpp>

#include <Eigen/Cholesky>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

namespace lobetime {
namespace {

enum Slope : Eigen::Index { level, volume, inexperience };

constexpr std::size_t kFewest = 20;
constexpr double kLeastRange = 0.1;
constexpr double kShownFrom = 2.0;  // standard errors
const Eigen::Vector3d kPriorPrecision(0.0, 1.0 / (0.15 * 0.15), 1.0 / (0.3 * 0.3));
const Eigen::Vector3d kFarthest(5.0, SpreadTrend::kSteepest,
                                SpreadTrend::kSteepest);  // residuals that are nearly all 0 have no level
constexpr int kMaxSteps = 100, kMaxHalvings = 30;
constexpr double kSettled = 1e-10;

constexpr double kCut = 2.0;
/// 1 / E[min(Z^2, cut^2)], and the mean curvature of r in log s, at the standard normal.
const double kInside = 2.0 * normal_cdf(kCut) - 1.0 - 2.0 * kCut * normal_pdf(kCut);
const double kConsistency = 1.0 / (kInside + 2.0 * kCut * kCut * normal_cdf(-kCut));
const double kNormalCurvature = 2.0 * kConsistency * kInside;

struct Time {
    double square, own_square;
    Eigen::Vector3d at;  ///< 1 and the two predictors about their centres
};

using Chosen = std::array<bool, 3>;

/// The objective with some slopes held at 0.
struct Evaluation {
    double cost = 0.0;
    Eigen::Vector3d gradient = Eigen::Vector3d::Zero();
    Eigen::Matrix3d product = Eigen::Matrix3d::Zero();  ///< sum g g', g = d log s
    double curvature = 0.0;                             ///< mean of z d/dz (z r')
    double scatter = 0.0;                               ///< sum (z r' - 1)^2
};

Evaluation evaluate(const std::vector<Time>& times, const Eigen::Vector3d& b, const Chosen& chosen) {
    Evaluation out;
    for (const Time& one : times) {
        const double moved = one.own_square * std::exp(2.0 * b.tail<2>().dot(one.at.tail<2>()));
        const double square_of_s = 1.0 - one.own_square + moved;
        Eigen::Vector3d slope = one.at;
        slope.tail<2>() *= moved / square_of_s;
        for (Eigen::Index k = 0; k < 3; ++k) {
            if (!chosen[static_cast<std::size_t>(k)]) slope[k] = 0.0;
        }
        const double z_square = one.square / square_of_s * std::exp(-2.0 * b[level]);
        const double bounded = kConsistency * std::min(z_square, kCut * kCut);
        out.cost += b[level] + 0.5 * std::log(square_of_s) + 0.5 * bounded;
        if (z_square > kCut * kCut) {
            out.cost += 0.5 * bounded * std::log(z_square / (kCut * kCut));
        } else {
            out.curvature += 2.0 * bounded;
        }
        out.gradient += (1.0 - bounded) * slope;
        out.product.noalias() += slope * slope.transpose();
        out.scatter += (bounded - 1.0) * (bounded - 1.0);
    }
    out.curvature /= static_cast<double>(times.size());
    out.cost += 0.5 * b.cwiseAbs2().dot(kPriorPrecision);
    out.gradient += b.cwiseProduct(kPriorPrecision);
    return out;
}

Eigen::Matrix3d curvature_of(const Evaluation& at, double of_a_time) {
    Eigen::Matrix3d curvature = of_a_time * at.product;
    curvature.diagonal() += kPriorPrecision;
    return curvature;
}

/// Fisher scoring from no trend, each step halved until the cost falls.
Eigen::Vector3d minimum(const std::vector<Time>& times, const Chosen& chosen, Evaluation& at) {
    Eigen::Vector3d b = Eigen::Vector3d::Zero();
    at = evaluate(times, b, chosen);
    for (int step = 0; step < kMaxSteps; ++step) {
        Eigen::Vector3d move = curvature_of(at, kNormalCurvature).ldlt().solve(-at.gradient);
        Eigen::Vector3d next = b;
        bool fell = false;
        for (int halving = 0; halving < kMaxHalvings && !fell; ++halving, move *= 0.5) {
            next = (b + move).cwiseMax(-kFarthest).cwiseMin(kFarthest);
            const Evaluation there = evaluate(times, next, chosen);
            fell = there.cost < at.cost;
            if (fell) at = there;
        }
        if (!fell) break;
        const double change = (next - b).cwiseAbs().maxCoeff();
        b = next;
        if (change < kSettled) break;
    }
    return b;
}

/// Variances over samples of cases; 0 where nothing is known of them.
Eigen::Vector3d variances(const Evaluation& at, double n, double found) {
    if (!(at.curvature > 0.0)) return Eigen::Vector3d::Zero();
    const Eigen::Matrix3d inverse =
        curvature_of(at, at.curvature).ldlt().solve(Eigen::Matrix3d(Eigen::Matrix3d::Identity()));
    return (inverse * at.product * inverse).diagonal() * at.scatter / (n - found);
}

}  // namespace

double ScatteredTime::relative_spread(const SpreadTrend& trend) const {
    const double factor = trend.factor(log_v80, left);
    return std::sqrt(1.0 + own * own * (factor * factor - 1.0));
}

SpreadTrend spread_trend(std::span<const ScatteredTime> times) {
    std::vector<Time> used;
    used.reserve(times.size());
    double weights = 0.0;
    Eigen::Vector2d centre = Eigen::Vector2d::Zero(), least(1e300, 1e300), most(-1e300, -1e300);
    for (const ScatteredTime& one : times) {
        if (std::isnan(one.standardised) || !std::isfinite(one.log_v80) || !std::isfinite(one.left) ||
            !(one.own >= 0.0 && one.own <= 1.0))
            throw NotFinite("spread_trend: standardised, log_v80 and left must be finite, own from 0 to 1");
        if (std::abs(one.standardised) > kNoRealCase) continue;
        const Eigen::Vector2d at(one.log_v80, one.left);
        const double own_square = one.own * one.own;
        used.push_back({one.standardised * one.standardised, own_square, {1.0, at[0], at[1]}});
        centre += own_square * at;
        weights += own_square;
        least = least.cwiseMin(at);
        most = most.cwiseMax(at);
    }
    if (used.size() < kFewest || !(weights > 0.0)) return {};
    centre /= weights;  // so weighted, the level says nothing of the slopes
    for (Time& one : used) one.at.tail<2>() -= centre;

    Chosen chosen = {true, most[0] - least[0] >= kLeastRange, most[1] - least[1] >= kLeastRange};
    while (chosen[volume] || chosen[inexperience]) {
        Evaluation at;
        const Eigen::Vector3d b = minimum(used, chosen, at);
        const double found = 1.0 + chosen[volume] + chosen[inexperience];
        const Eigen::Vector3d se = variances(at, static_cast<double>(used.size()), found).cwiseSqrt();
        const auto errors_from_0 = [&](Slope slope) { return se[slope] > 0.0 ? std::abs(b[slope]) / se[slope] : 0.0; };
        const bool volume_less =
            chosen[volume] && (!chosen[inexperience] || errors_from_0(volume) < errors_from_0(inexperience));
        const Slope least_shown = volume_less ? volume : inexperience;
        if (errors_from_0(least_shown) >= kShownFrom)
            return {b[volume], b[inexperience], se[volume], se[inexperience], centre[0], centre[1]};
        chosen[static_cast<std::size_t>(least_shown)] = false;
    }
    return {};
}

}  // namespace lobetime
