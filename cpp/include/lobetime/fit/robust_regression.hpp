#pragma once
#include <lobetime/fit/estimator.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/mean_model.hpp>
#include <lobetime/fit/minimise.hpp>
#include <lobetime/fit/scale.hpp>

#include <cstdint>
#include <functional>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

struct RegressionOptions {
    Estimator estimator = Estimator::mm;
    Loss loss{"bisquare"};                        ///< of m and mm; mm needs a redescending one
    ScaleMethod scale_method = ScaleMethod::mad;  ///< of m; s and mm have the M-scale
    double scale = 1.0;                           ///< the value held when the method is `fixed`, else not used
    double s_tuning = kMScaleTuning;              ///< bisquare constant of the M-scale
    int starts = 0;                  ///< 0: 1 for m, 100 for s and mm; more than 1 searches for the lowest minimum
    int polished = 10;               ///< distinct candidates followed to their minimum, >= 1
    std::uint64_t seed = 1;          ///< of the starts
    int threads = 0;                 ///< 0 = as many as the machine has; results do not depend on it
    int max_scale_rounds = 500;      ///< alternations of fit and scale
    double scale_tolerance = 1e-12;  ///< relative change of scale and parameters between rounds
    MinimiseOptions solver = [] {
        MinimiseOptions options;
        options.max_iterations = 10000;  // steps are cheap here, and starts may lie far away
        return options;
    }();
    void check() const;  ///< throws InvalidArgument naming the field
};

struct RegressionFit {
    std::vector<std::string> names;
    Eigen::VectorXd theta;  ///< p
    double scale = 0.0;
    double cost = 0.0;             ///< sum of rho((y - mean) / scale)
    Eigen::VectorXd fitted;        ///< n
    Eigen::VectorXd residuals;     ///< n
    Eigen::VectorXd weights;       ///< n, psi(u) / u
    Eigen::MatrixXd jacobian;      ///< n x p, of the mean
    Eigen::VectorXd lower, upper;  ///< p, as given
    Loss loss;                     ///< that of the last step
    Eigen::VectorXd s_theta;       ///< S-estimate (s, mm), else empty
    int scale_rounds = 0;
    Minimum minimum;
    SearchReport search;
    std::vector<std::string> warnings;  ///< what makes the numbers less sure than they look
};

/// Robust nonlinear regression y = mean(theta) + error for any mean: the engine of the time model.
class RobustRegression {
public:
    /// Throws InvalidArgument (sizes, options), NotFinite (row of y named).
    RobustRegression(MeanModel mean, Eigen::VectorXd y, std::vector<std::string> names, RegressionOptions options = {});

    /// start, lower, upper: p. Throws InvalidArgument, NotFinite (row named), NotIdentifiable (parameters named),
    /// NotConverged.
    RegressionFit fit(const Eigen::VectorXd& start, const Eigen::VectorXd& lower, const Eigen::VectorXd& upper) const;

    /// The estimate once more from the rows as often as `counts` (n) says, started at `fit`: what a replicate of the
    /// bootstrap is. Scales are estimated again. No search is made again: a replicate stays near the fit's minimum.
    Eigen::VectorXd refit(const RegressionFit& fit, std::span<const int> counts) const;

    /// The objective that `fit` minimises, its scale held. It must not outlive this object.
    std::unique_ptr<Objective> objective(const RegressionFit& fit) const;

    const MeanModel& mean() const { return mean_; }
    const Eigen::VectorXd& y() const { return y_; }
    const RegressionOptions& options() const { return options_; }
    const std::vector<std::string>& names() const { return names_; }

private:
    MeanModel mean_;
    Eigen::VectorXd y_;
    std::vector<std::string> names_;
    RegressionOptions options_;
};

}  // namespace lobetime
