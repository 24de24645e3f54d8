#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/scale.hpp>

#include <algorithm>
#include <array>
#include <cmath>
#include <string>
#include <vector>

namespace lobetime {
namespace {

constexpr double kBisquareTuning = 4.685;
/// E[w Z^2] / E[w] at the standard normal for bisquare weights at 4.685 (quadrature).
constexpr double kReweightedConsistency = 0.8280730033893932;
constexpr int kMaxIterations = 500;
constexpr double kTolerance = 1e-14;

struct Row {
    ScaleMethod method;
    std::string_view name;
    double efficiency;
};

// Efficiencies at the normal, n = 200: variance of log(sd) over variance of log(scale), by simulation.
constexpr std::array<Row, 6> kMethods = {{{ScaleMethod::fixed, "fixed", 1.0},
                                          {ScaleMethod::sd, "sd", 1.0},
                                          {ScaleMethod::mad, "mad", 0.36},
                                          {ScaleMethod::proposal2, "proposal2", 0.65},
                                          {ScaleMethod::m_scale, "m_scale", 0.53},
                                          {ScaleMethod::reweighted, "reweighted", 0.82}}};

double median_absolute_deviation(std::span<const double> residuals) {
    std::vector<double> sizes(residuals.size());
    std::transform(residuals.begin(), residuals.end(), sizes.begin(), [](double r) { return std::abs(r); });
    const auto middle = sizes.begin() + static_cast<std::ptrdiff_t>(sizes.size() / 2);
    std::nth_element(sizes.begin(), middle, sizes.end());
    double median = *middle;
    if (sizes.size() % 2 == 0) median = 0.5 * (median + *std::max_element(sizes.begin(), middle));
    return median / kMadConstant;
}

double root_mean_square(std::span<const double> residuals, double parameters) {
    double sum = 0.0;
    for (const double r : residuals) sum += r * r;
    return std::sqrt(sum / std::max(1.0, static_cast<double>(residuals.size()) - parameters));
}

double proposal2(std::span<const double> residuals, double parameters, double start, double k) {
    const double inside = 2.0 * normal_cdf(k) - 1.0;
    const double expected = inside + k * k * (1.0 - inside) - 2.0 * k * normal_pdf(k);
    const double n = std::max(1.0, static_cast<double>(residuals.size()) - parameters);
    double scale = start > 0.0 ? start : median_absolute_deviation(residuals);
    if (!(scale > 0.0)) scale = root_mean_square(residuals, 0.0);
    if (!(scale > 0.0)) return 0.0;
    for (int iteration = 0; iteration < kMaxIterations; ++iteration) {
        double sum = 0.0;
        for (const double r : residuals) sum += std::min(r * r, k * k * scale * scale);
        const double next = std::sqrt(sum / (n * expected));
        const bool settled = std::abs(next - scale) <= kTolerance * scale;
        scale = next;
        if (settled || scale == 0.0) break;
    }
    return scale;
}

double m_scale(std::span<const double> residuals, double parameters, double start, double tuning) {
    const double top = tuning * tuning / 6.0;
    const double n = std::max(1.0, static_cast<double>(residuals.size()) - parameters);
    const auto zeros = static_cast<double>(std::count(residuals.begin(), residuals.end(), 0.0));
    if (static_cast<double>(residuals.size()) - zeros <= 0.5 * n) return 0.0;
    double scale = start > 0.0 ? start : std::max(median_absolute_deviation(residuals), 1e-300);
    // Newton on log(scale), kept inside a factor 3 a step; the mean falls monotonically in the scale.
    for (int iteration = 0; iteration < kMaxIterations; ++iteration) {
        double mean = 0.0, slope = 0.0;
        for (const double r : residuals) {
            const double u = r / scale;
            const LossValue value = bisquare_loss(u, tuning);
            mean += value.rho / top;
            slope -= value.psi / top * u;
        }
        mean /= n;
        slope /= n;
        const double step = slope < 0.0 ? std::clamp((0.5 - mean) / slope, -1.1, 1.1) : (mean > 0.5 ? 1.1 : -1.1);
        scale *= std::exp(step);
        if (std::abs(step) <= kTolerance * 10.0) return scale;
        if (scale < 1e-300) return 0.0;
    }
    return scale;
}

double reweighted(std::span<const double> residuals, double start) {
    const double first = m_scale(residuals, 0.0, start, kMScaleTuning);
    return first > 0.0 ? reweighted_from(residuals, first) : 0.0;
}

}  // namespace

double reweighted_from(std::span<const double> residuals, double scale) {
    double weights = 0.0, squares = 0.0;
    for (const double r : residuals) {
        const double weight = bisquare_loss(r / scale, kBisquareTuning).weight;
        weights += weight;
        squares += weight * r * r;
    }
    const double mean_square = weights > 0.0 ? squares / weights : std::pow(kBisquareTuning * scale, 2);
    return std::sqrt(mean_square / kReweightedConsistency);
}

ScaleMethod scale_method_from_name(std::string_view name) {
    std::string known;
    for (const auto& row : kMethods) {
        if (row.name == name) return row.method;
        known += (known.empty() ? "" : ", ") + std::string(row.name);
    }
    throw InvalidArgument("scale method '" + std::string(name) + "' is not known; allowed: " + known);
}

std::string_view scale_method_name(ScaleMethod method) {
    for (const auto& row : kMethods) {
        if (row.method == method) return row.name;
    }
    throw InvalidArgument("unknown scale method");
}

double scale_efficiency(ScaleMethod method) {
    for (const auto& row : kMethods) {
        if (row.method == method) return row.efficiency;
    }
    throw InvalidArgument("unknown scale method");
}

double robust_scale(std::span<const double> residuals, ScaleMethod method, double parameters, double start,
                    double tuning) {
    if (residuals.empty()) throw InvalidArgument("robust_scale: no residuals");
    switch (method) {
        case ScaleMethod::fixed:
            break;
        case ScaleMethod::sd:
            return root_mean_square(residuals, parameters);
        case ScaleMethod::mad:
            return median_absolute_deviation(residuals);
        case ScaleMethod::proposal2:
            return proposal2(residuals, parameters, start, tuning > 0.0 ? tuning : kProposal2Tuning);
        case ScaleMethod::m_scale:
            return m_scale(residuals, parameters, start, tuning > 0.0 ? tuning : kMScaleTuning);
        case ScaleMethod::reweighted:
            return reweighted(residuals, start);
    }
    throw InvalidArgument("robust_scale: a fixed scale is given, not computed");
}

}  // namespace lobetime
