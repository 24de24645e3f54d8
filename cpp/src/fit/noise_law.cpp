#include <lobetime/core/normal.hpp>
#include <lobetime/fit/noise_law.hpp>

#include <boost/math/tools/toms748_solve.hpp>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <utility>

namespace lobetime {
namespace {

/// The smoothed distribution needs no more points than this; more residuals are gathered into as many groups.
constexpr std::size_t kPoints = 256;

struct Point {
    double value, weight;
};

/// Residuals with their Kaplan-Meier weights, ascending.
std::vector<Point> weighted(const std::vector<double>& standardised, const std::vector<double>& survivors) {
    std::vector<std::pair<double, bool>> all;  // value, whether only a lower bound
    all.reserve(standardised.size() + survivors.size());
    for (const double u : standardised) all.emplace_back(u, false);
    for (const double u : survivors) all.emplace_back(u, true);
    std::sort(all.begin(), all.end());
    std::vector<Point> points;
    double weight = 1.0;
    for (std::size_t i = 0; i < all.size(); ++i) {
        const double above = static_cast<double>(all.size() - i - 1);
        if (!all[i].second) {
            points.push_back({all[i].first, weight});
        } else if (above > 0.0) {
            weight *= 1.0 + 1.0 / above;
        }
    }
    return points;
}

std::vector<Point> gathered(const std::vector<Point>& points) {
    if (points.size() <= kPoints) return points;
    std::vector<Point> groups(kPoints, Point{0.0, 0.0});
    for (std::size_t i = 0; i < points.size(); ++i) {
        Point& group = groups[i * kPoints / points.size()];
        group.value += points[i].weight * points[i].value;
        group.weight += points[i].weight;
    }
    for (Point& group : groups) group.value /= group.weight;
    return groups;
}

}  // namespace

double NoiseLaw::operator()(double z) const {
    const double place = (z - kFirst) / kStep;
    if (place <= 0.0) return at_knot.front() + (z - kFirst);
    if (place >= kKnots - 1) return at_knot.back() + (z - knot(kKnots - 1));
    const int k = static_cast<int>(place);
    const double share = place - k;
    return (1.0 - share) * at_knot[static_cast<std::size_t>(k)] + share * at_knot[static_cast<std::size_t>(k) + 1];
}

NoiseLaw smoothed_law(std::vector<double> standardised, const std::vector<double>& survivors, double normal_cases) {
    standardised.erase(std::remove_if(standardised.begin(), standardised.end(),
                                      [](double u) { return !(std::abs(u) <= kNoRealCase); }),
                       standardised.end());
    NoiseLaw law;
    if (standardised.size() < 2) return law;
    const std::vector<Point> points = gathered(weighted(standardised, survivors));
    double n = 0.0, mean = 0.0, variance = 0.0;
    for (const Point& one : points) {
        n += one.weight;
        mean += one.weight * one.value;
    }
    mean /= n;
    for (const Point& one : points) variance += one.weight * (one.value - mean) * (one.value - mean) / n;
    const double width = 0.9 * std::pow(n, -0.2) * std::sqrt(variance);
    // Drawn together a little, so that the kernel's own scatter does not add to theirs.
    const double shrink = std::sqrt(variance > 0.0 ? variance / (variance + width * width) : 1.0);
    const auto below = [&](double x) {
        double sum = normal_cases * normal_cdf(x);
        for (const Point& one : points) {
            const double centre = mean + shrink * (one.value - mean);
            sum += one.weight * (width > 0.0 ? normal_cdf((x - centre) / width) : (x >= centre ? 1.0 : 0.0));
        }
        return sum / (n + normal_cases);
    };
    for (int k = 0; k < NoiseLaw::kKnots; ++k) {
        const double wanted = normal_cdf(NoiseLaw::knot(k));
        std::uintmax_t steps = 100;
        const auto bracket = boost::math::tools::toms748_solve(
            [&](double x) { return below(x) - wanted; }, -2.0 * kNoRealCase, 2.0 * kNoRealCase,
            [](double low, double high) { return high - low < 1e-9; }, steps);
        law.at_knot[static_cast<std::size_t>(k)] = 0.5 * (bracket.first + bracket.second);
    }
    // Rounding of the root must not turn two knots round.
    for (std::size_t k = 1; k < law.at_knot.size(); ++k)
        law.at_knot[k] = std::max(law.at_knot[k], law.at_knot[k - 1] + 1e-6);
    return law;
}

}  // namespace lobetime
