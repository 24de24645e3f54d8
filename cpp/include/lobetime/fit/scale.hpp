#pragma once
#include <span>
#include <string_view>

namespace lobetime {

/// Robust spread of residuals about zero, on the scale of a normal standard deviation.
///
///     mad         median |r| / 0.6744897501960817
///     proposal2   Huber's Proposal 2: sum min(r^2, (k s)^2) = (n - p) E[min(Z^2, k^2)] s^2, k = 1.345
///     m_scale     sum of the bisquare rho, scaled to top 1, = (n - p) / 2 at constant 1.547645 (breakdown 50 %)
///     reweighted  standard deviation weighted by the bisquare weights at 4.685 m_scale units, corrected for the
///                 weighting: gross outliers count nothing, and it is far less noisy than mad or m_scale
///     sd          root mean square, sum r^2 / (n - p)
///     fixed       held at a given value
///
/// Sources: Huber and Ronchetti, Robust Statistics, 2nd ed., ch. 5-6 (Proposal 2, MAD); Maronna, Martin, Yohai and
/// Salibian-Barrera, Robust Statistics, 2nd ed., ch. 2 (M-scale).
enum class ScaleMethod { fixed, sd, mad, proposal2, m_scale, reweighted };

ScaleMethod scale_method_from_name(std::string_view name);  ///< throws InvalidArgument naming the known ones
std::string_view scale_method_name(ScaleMethod method);

inline constexpr double kMadConstant = 0.6744897501960817;  ///< upper quartile of the standard normal
inline constexpr double kMScaleTuning = 1.547644980928226;
inline constexpr double kProposal2Tuning = 1.345;

/// `parameters`: p above, where the method uses it. `start`: a first guess for the iterated ones (<= 0: none).
/// `tuning`: the constant of proposal2 or m_scale (<= 0: the one above).
/// Returns 0 when at least half of the residuals are 0 (mad, m_scale) or all are.
double robust_scale(std::span<const double> residuals, ScaleMethod method, double parameters = 0.0, double start = 0.0,
                    double tuning = 0.0);

/// The weighting of `reweighted` at 4.685 `scale` (> 0) instead. Where nothing has a weight, the limit of residuals
/// that come to have one.
double reweighted_from(std::span<const double> residuals, double scale);

/// Approximate efficiency of the method's log scale at the normal, against the standard deviation (simulation).
double scale_efficiency(ScaleMethod method);

}  // namespace lobetime
