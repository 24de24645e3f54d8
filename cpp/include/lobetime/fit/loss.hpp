#pragma once
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

/// Value and derivatives of a loss at a standardised residual.
struct LossValue {
    double rho;     ///< loss, = u^2/2 near 0
    double psi;     ///< d rho / du, bounded: what one case can pull at most
    double weight;  ///< psi / u
    double slope;   ///< d psi / du
};

/// How much a standardised residual u = residual / scale counts.
///
/// Squares let one case typed in hours bend the whole curve; the other losses do not. With a the tuning constant:
///
///     squares    rho = u^2 / 2
///     huber      u^2 / 2 inside a, a|u| - a^2/2 beyond                         a = 1.345
///     soft_l1    a^2 (sqrt(1 + u^2/a^2) - 1)                                   a = 1.2871
///     cauchy     a^2/2 log(1 + u^2/a^2)                                        a = 2.3849
///     bisquare   a^2/6 (1 - (1 - u^2/a^2)^3) inside a, constant beyond         a = 4.685
///
/// The default constants give 95 % efficiency when residuals are normal. They are the halves of what Ceres calls
/// Huber, SoftLOne, Cauchy and Tukey, taken at u^2. cauchy and bisquare are redescending: their objective can have
/// several minima, so start near the right one.
/// A new loss is a row in loss.cpp.
class Loss {
public:
    /// `tuning` <= 0 takes the default constant. Throws InvalidArgument for an unknown name.
    explicit Loss(std::string_view name = "bisquare", double tuning = 0.0);

    LossValue operator()(double standardised_residual) const;

    /// The same of many residuals at once; all spans hold as many as there are residuals.
    void operator()(std::span<const double> standardised_residuals, std::span<double> rho, std::span<double> psi,
                    std::span<double> weight, std::span<double> slope) const;

    const std::string& name() const { return name_; }
    double tuning() const { return tuning_; }
    bool redescending() const;

    /// E[psi'] / E[psi^2] at the standard normal. Multiplying the loss by it makes curvature and information
    /// agree, so that a Gaussian prior added to the objective weighs what its width says.
    double information_factor() const { return information_factor_; }

    static std::vector<std::string> names();

private:
    std::string name_;
    int kind_ = 0;
    double tuning_ = 0.0;
    double information_factor_ = 1.0;
};

}  // namespace lobetime
