#pragma once
#include <array>
#include <vector>

namespace lobetime {

/// How one phase's cases scatter: where a normal one would lie z spreads from its median, a case of this law lies
/// `law(z)` spreads. Increasing, piecewise linear between knots from z = -3 to 3, slope 1 beyond.
struct NoiseLaw {
    static constexpr int kKnots = 25;
    static constexpr double kFirst = -3.0, kStep = 0.25;
    std::array<double, kKnots> at_knot = normal();

    static constexpr double knot(int k) { return kFirst + kStep * k; }
    static constexpr std::array<double, kKnots> normal() {
        std::array<double, kKnots> z{};
        for (int k = 0; k < kKnots; ++k) z[static_cast<std::size_t>(k)] = knot(k);
        return z;
    }
    double operator()(double z) const;
};

/// Beyond so many spreads a time is taken for a typing error (at the usual 0.3, six times too long or short).
inline constexpr double kNoRealCase = 6.0;

/// The law of residuals, smoothed by a normal kernel (bandwidth 0.9 n^(-1/5), the scatter it adds taken out again) and
/// mixed with the normal, which counts as `normal_cases` cases: published durations are log-normal (Anesthesiology
/// 2003;98:232). `survivors` are lower bounds: each hands its weight to what lies above it, as Kaplan and Meier do.
/// Residuals beyond kNoRealCase are left out.
NoiseLaw smoothed_law(std::vector<double> standardised, const std::vector<double>& survivors, double normal_cases);

}  // namespace lobetime
