// Speed of the time model from C++, one thread:
//   cmake --workflow --preset release && build/release/cpp/bench/lobetime_bench_time_model
#include <lobetime/fit/time_objective.hpp>
#include <lobetime/lobetime.hpp>

#include <benchmark/benchmark.h>

#include "simulated_unit.hpp"

namespace {

using namespace lobetime;

CaseTable unit_of(const benchmark::State& state) {
    lobetime::testing::UnitOptions options;
    options.n_cases = static_cast<std::size_t>(state.range(0));
    return lobetime::testing::simulate_unit(options).cases;
}

FitOptions one_thread() {
    FitOptions options;
    options.threads = 1;
    return options;
}

/// Cost, gradient and curvature of the whole objective, once.
void evaluate(benchmark::State& state) {
    const CaseTable cases = unit_of(state);
    const TheatreTimeFit fit = fit_theatre_time(cases, published_prior(), one_thread());
    std::vector<CaseFeatures> features = case_features(cases, fit.layout);
    std::vector<Observation> observations = observations_of(cases, features);
    const double rows = static_cast<double>(observations.size());
    const TimeObjective objective(fit.layout, features, observations, fit.prior_mean, fit.prior_precision, 1);
    Evaluation evaluation;
    for (auto _ : state) {
        objective.evaluate(fit.theta, Curvature::exact, evaluation);
        benchmark::DoNotOptimize(evaluation.cost);
    }
    state.counters["ns_per_observation"] =
        benchmark::Counter(rows * 1e-9, benchmark::Counter::kIsIterationInvariantRate | benchmark::Counter::kInvert);
}

/// The whole fit: Huber start, default loss, spreads, covariance parts.
void fit(benchmark::State& state) {
    const CaseTable cases = unit_of(state);
    const PriorSet prior = published_prior();
    for (auto _ : state) {
        const TheatreTimeFit result = fit_theatre_time(cases, prior, one_thread());
        benchmark::DoNotOptimize(result.minimum.cost);
    }
}

/// 4,096 joint draws of so many bookings.
void predict_bookings(benchmark::State& state) {
    const CaseTable bookings = unit_of(state);
    const FittedModel model = model_from_prior(published_prior());
    PredictOptions options;
    options.threads = 1;
    for (auto _ : state) {
        const Prediction prediction = predict(model, bookings, options);
        benchmark::DoNotOptimize(prediction.minutes.data());
    }
}

BENCHMARK(evaluate)->Arg(500)->Arg(10'000)->Arg(100'000)->Unit(benchmark::kMicrosecond);
BENCHMARK(fit)->Arg(500)->Arg(10'000)->Arg(100'000)->Unit(benchmark::kMillisecond);
BENCHMARK(predict_bookings)->Arg(40)->Unit(benchmark::kMillisecond);

}  // namespace
