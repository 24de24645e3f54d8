// Any other curve, with outliers: the rate of a reaction against concentration, two of twelve readings spoilt.
#include <lobetime/lobetime.hpp>

#include <cstdio>
#include <limits>
#include <utility>

namespace {

/// One row of the mean, for numbers and for what differentiates it.
struct Saturation {
    static constexpr int parameters = 2;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        return b[0] * x[0] / (b[1] + x[0]);
    }
};

}  // namespace

int main() {
    Eigen::VectorXd conc(12), rate(12);
    conc << 0.02, 0.02, 0.06, 0.06, 0.11, 0.11, 0.22, 0.22, 0.56, 0.56, 1.10, 1.10;
    rate << 76, 47, 97, 310, 123, 139, 159, 152, 20, 201, 207, 200;

    using lobetime::Estimator;
    for (const auto& [estimator, loss] : {std::pair{Estimator::m, "squares"}, std::pair{Estimator::mm, "bisquare"}}) {
        lobetime::RegressionOptions options;
        options.estimator = estimator;
        options.loss = lobetime::Loss(loss);
        if (estimator == Estimator::m) options.scale_method = lobetime::ScaleMethod::sd;
        const lobetime::RobustRegression curve(lobetime::mean_model(Saturation{}, conc), rate, {"Vm", "K"}, options);
        const lobetime::RegressionFit fit =
            curve.fit(Eigen::Vector2d(200.0, 0.05), Eigen::Vector2d::Zero(),
                      Eigen::Vector2d::Constant(std::numeric_limits<double>::infinity()));
        std::printf("%s, spread %.2f\n", loss, fit.scale);
        for (const lobetime::RegressionInterval& one :
             lobetime::regression_intervals(curve, fit, lobetime::parameter_quantities(fit), {}))
            std::printf("  %-2s %8.4f  %8.4f to %8.4f\n", one.name.c_str(), one.interval.estimate, one.interval.lower,
                        one.interval.upper);
    }
    return 0;
}
