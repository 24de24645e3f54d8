// Speed of the general regression from C++, one thread, on the eight-parameter curve of enucleation_curve.py:
//   cmake --workflow --preset release && build/release/cpp/bench/lobetime_bench_regression
#include <lobetime/core/normal.hpp>
#include <lobetime/fit/mean_model.hpp>
#include <lobetime/fit/robust_regression.hpp>

#include <benchmark/benchmark.h>
#include <Eigen/Cholesky>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>
#include <vector>

namespace {

using namespace lobetime;

/// Minutes of enucleation; x: log(V / 80), cases done, trainee, second surgeon, third surgeon.
struct EnucleationCurve {
    static constexpr int parameters = 8;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        using std::exp;
        const T base = b[0] + b[1] * exp(b[2] * x[0]);
        const T learning = 1.0 + b[3] * exp(x[1] * (-std::numbers::ln2 / b[4]));
        return base * learning * exp(b[5] * x[2] + b[6] * x[3] + b[7] * x[4]);
    }
};

const std::vector<std::string> kNames = {"e_fixed", "e_80",    "e_exponent", "e_learn",
                                         "e_half",  "trainee", "surgeon_2",  "surgeon_3"};

using Vector8 = Eigen::Matrix<double, 8, 1>;
using Matrix8 = Eigen::Matrix<double, 8, 8>;

struct Curve {
    Eigen::MatrixXd x;
    Eigen::VectorXd y, start, lower, upper;
};

/// The same rows as enucleation_curve.py makes: points of an additive recurrence, not random numbers, so that both
/// languages have them without a file. One row in ten is an hour too long.
Curve enucleation_curve(Eigen::Index n) {
    constexpr double kRoot = 1.1127756842787055;  // of x^7 = x + 1
    Curve curve{Eigen::MatrixXd(n, 5), Eigen::VectorXd(n), Eigen::VectorXd(8), Eigen::VectorXd(8), Eigen::VectorXd(8)};
    curve.start << 10.0, 40.0, 1.0, 0.5, 20.0, 0.0, 0.0, 0.0;
    curve.lower << 0.0, 1.0, 0.0, 0.0, 1.0, -1.0, -1.0, -1.0;
    curve.upper << 100.0, 200.0, 3.0, 5.0, 200.0, 1.0, 1.0, 1.0;
    const double truth[] = {12.0, 45.0, 0.9, 0.8, 15.0, 0.2, 0.1, -0.12};
    for (Eigen::Index i = 0; i < n; ++i) {
        const auto u = [i](int column) {
            const double at = 0.5 + static_cast<double>(i + 1) * std::pow(kRoot, -column);
            return at - std::floor(at);
        };
        const double surgeon = std::floor(3.0 * u(4));
        curve.x.row(i) << 0.45 * normal_quantile(u(1)), std::floor(120.0 * u(2)), u(3) < 0.3 ? 1.0 : 0.0,
            surgeon == 1.0 ? 1.0 : 0.0, surgeon == 2.0 ? 1.0 : 0.0;
        const Eigen::VectorXd row = curve.x.row(i);
        curve.y[i] = EnucleationCurve()(truth, row.data()) + 6.0 * normal_quantile(u(5)) + (u(6) < 0.1 ? 60.0 : 0.0);
    }
    return curve;
}

void run(benchmark::State& state, Estimator estimator, const char* loss, ScaleMethod method) {
    const Curve curve = enucleation_curve(state.range(0));
    RegressionOptions options;
    options.estimator = estimator;
    options.loss = Loss(loss);
    options.scale_method = method;
    options.threads = 1;
    const RobustRegression regression(mean_model(EnucleationCurve(), curve.x), curve.y, kNames, options);
    double scale = 0.0;
    for (auto _ : state) {
        const RegressionFit fit = regression.fit(curve.start, curve.lower, curve.upper);
        scale = fit.scale;
    }
    state.counters["scale"] = scale;
}

void squares(benchmark::State& state) { run(state, Estimator::m, "squares", ScaleMethod::sd); }
void m_huber(benchmark::State& state) { run(state, Estimator::m, "huber", ScaleMethod::mad); }
void mm(benchmark::State& state) { run(state, Estimator::mm, "bisquare", ScaleMethod::m_scale); }

/// One minimisation with the scale held at its MAD.
void m_huber_scale_held(benchmark::State& state) {
    const Curve curve = enucleation_curve(state.range(0));
    RegressionOptions options;
    options.estimator = Estimator::m;
    options.loss = Loss("huber");
    options.scale_method = ScaleMethod::mad;
    options.threads = 1;
    const MeanModel mean = mean_model(EnucleationCurve(), curve.x);
    options.scale = RobustRegression(mean, curve.y, kNames, options).fit(curve.start, curve.lower, curve.upper).scale;
    options.scale_method = ScaleMethod::fixed;
    const RobustRegression regression(mean, curve.y, kNames, options);
    for (auto _ : state) {
        const RegressionFit fit = regression.fit(curve.start, curve.lower, curve.upper);
        benchmark::DoNotOptimize(fit.cost);
    }
    state.counters["scale"] = options.scale;
}

/// What a hand could write for this one curve: derivatives by hand, rows in blocks of plain arrays, Newton steps on
/// stack matrices, halved where the cost rises, no bounds, no report. Its time is what generality is measured against.
class HandWritten {
public:
    HandWritten(const Curve& curve, double scale, double tuning) : curve_(curve), scale_(scale), tuning_(tuning) {}

    Vector8 solve() const {
        Vector8 b = curve_.start, gradient, step;
        Matrix8 curvature;
        double cost = evaluate(b, gradient, curvature);
        for (int iteration = 0; iteration < 50; ++iteration) {
            step = curvature.llt().solve(gradient);
            if (step.dot(gradient) < 1e-18 * cost) break;
            double next = 0.0;
            for (int halving = 0; halving < 30; ++halving, step *= 0.5) {
                next = evaluate(b - step, gradient, curvature);
                if (next <= cost) break;
            }
            b -= step;
            cost = next;
        }
        return b;
    }

private:
    static constexpr Eigen::Index kRows = 128;
    using Rows = Eigen::Array<double, Eigen::Dynamic, 1, 0, kRows, 1>;
    using Slopes = Eigen::Array<double, Eigen::Dynamic, 8, 0, kRows, 8>;

    double evaluate(const Vector8& b, Vector8& gradient, Matrix8& curvature) const {
        gradient.setZero();
        curvature.setZero();
        double cost = 0.0;
        Slopes slope, bent;
        for (Eigen::Index begin = 0; begin < curve_.y.size(); begin += kRows) {
            const Eigen::Index n = std::min(kRows, curve_.y.size() - begin);
            const auto x = [&](int column) { return curve_.x.col(column).segment(begin, n).array(); };
            slope.resize(n, 8);
            const Rows power = (b[2] * x(0)).exp(), left = (x(1) * (-std::numbers::ln2 / b[4])).exp();
            const Rows level = (b[5] * x(2) + b[6] * x(3) + b[7] * x(4)).exp();
            const Rows base = b[0] + b[1] * power;
            slope.col(0) = (1.0 + b[3] * left) * level;
            slope.col(1) = slope.col(0) * power;
            slope.col(2) = b[1] * slope.col(1) * x(0);
            slope.col(3) = base * level * left;
            slope.col(4) = slope.col(3) * x(1) * (b[3] * std::numbers::ln2 / (b[4] * b[4]));
            const Rows mean = base * slope.col(0);
            for (int level_column = 0; level_column < 3; ++level_column)
                slope.col(5 + level_column) = mean * x(2 + level_column);
            const Rows u = (curve_.y.segment(begin, n).array() - mean) / scale_, size = u.abs();
            const Rows psi = u.max(-tuning_).min(tuning_);
            cost += (psi.abs() * (size - 0.5 * psi.abs())).sum();
            gradient.noalias() -= slope.matrix().transpose() * (psi / scale_).matrix();
            bent = slope.colwise() * Rows((size <= tuning_).cast<double>() / (scale_ * scale_));
            curvature.noalias() += slope.matrix().transpose() * bent.matrix();
        }
        return cost;
    }

    const Curve& curve_;
    double scale_, tuning_;
};

void hand_written(benchmark::State& state) {
    const Curve curve = enucleation_curve(state.range(0));
    RegressionOptions options;
    options.estimator = Estimator::m;
    options.loss = Loss("huber");
    options.scale_method = ScaleMethod::mad;
    const RegressionFit fit = RobustRegression(mean_model(EnucleationCurve(), curve.x), curve.y, kNames, options)
                                  .fit(curve.start, curve.lower, curve.upper);
    const HandWritten hand(curve, fit.scale, fit.loss.tuning());
    Vector8 b = Vector8::Zero();
    for (auto _ : state) {
        b = hand.solve();
        benchmark::DoNotOptimize(b.data());
    }
    // It must have done the same work.
    const double away = ((b - fit.theta).array() / fit.theta.array()).abs().maxCoeff();
    if (!(away < 1e-7)) state.SkipWithError("the hand-written kernel ends elsewhere");
    state.counters["away"] = away;
}

BENCHMARK(squares)->Arg(500)->UseRealTime()->Unit(benchmark::kMillisecond);
BENCHMARK(m_huber)->Arg(500)->Arg(10'000)->UseRealTime()->Unit(benchmark::kMillisecond);
BENCHMARK(m_huber_scale_held)->Arg(500)->Arg(10'000)->UseRealTime()->Unit(benchmark::kMillisecond);
BENCHMARK(hand_written)->Arg(500)->Arg(10'000)->UseRealTime()->Unit(benchmark::kMillisecond);
BENCHMARK(mm)->Arg(500)->UseRealTime()->Unit(benchmark::kMillisecond);

}  // namespace
