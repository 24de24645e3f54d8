// Speed of the time model from C++, one thread unless a second argument says otherwise:
//   cmake --workflow --preset release && build/release/cpp/bench/lobetime_bench_time_model
#include <lobetime/fit/time_objective.hpp>
#include <lobetime/lobetime.hpp>

#include <benchmark/benchmark.h>

#include <cstdlib>
#include <fstream>
#include <sstream>
#include <stdexcept>
#include <string>
#include <type_traits>

#include "simulated_unit.hpp"

namespace {

using namespace lobetime;

/// Cases from a file with one line a column: its name, then the values, with tabs between.
CaseTable read_columns(std::ifstream& file, std::size_t n_cases) {
    CaseTable cases(n_cases);
    for (std::string line; std::getline(file, line);) {
        std::istringstream cells(line);
        std::string name, cell;
        std::getline(cells, name, '\t');
        visit_columns(cases, [&](std::string_view column_name, auto& column) {
            if (column_name != name) return;
            for (auto& value : column) {
                if (!std::getline(cells, cell, '\t') && !cells.eof()) throw std::runtime_error(name + ": too short");
                using Value = std::decay_t<decltype(value)>;
                if constexpr (std::is_same_v<Value, double>)
                    value = std::strtod(cell.c_str(), nullptr);
                else if constexpr (std::is_same_v<Value, std::string>)
                    value = cell;
                else
                    from_word(cell, value);
            }
        });
    }
    return cases;
}

/// First argument: cases. Second, if any: threads. The cases are those of <n>.tsv in the folder that the environment
/// names (suite.py writes them, so that all contenders have the same), or else the tests' simulated unit.
CaseTable unit_of(const benchmark::State& state) {
    if (const char* folder = std::getenv("LOBETIME_BENCH_UNITS")) {
        std::ifstream file(std::string(folder) + "/" + std::to_string(state.range(0)) + ".tsv");
        if (file) return read_columns(file, static_cast<std::size_t>(state.range(0)));
    }
    lobetime::testing::UnitOptions options;
    options.n_cases = static_cast<std::size_t>(state.range(0));
    return lobetime::testing::simulate_unit(options).cases;
}

FitOptions options_of(const char* loss, int threads) {
    FitOptions options;
    options.loss = Loss(loss);
    options.threads = threads;
    return options;
}

/// Cost, gradient and curvature of the whole objective, once.
void evaluate(benchmark::State& state) {
    const CaseTable cases = unit_of(state);
    const FitOptions options = options_of("bisquare", 1);
    const TheatreTimeFit fit = fit_theatre_time(cases, published_prior(), options);
    const TimeObjective objective = objective_of(fit, cases, options.loss, options.threads);
    const double rows = static_cast<double>(objective.observations().size());
    Evaluation evaluation;
    for (auto _ : state) {
        objective.evaluate(fit.theta, Curvature::exact, evaluation);
        benchmark::DoNotOptimize(evaluation.cost);
    }
    state.counters["ns_per_observation"] =
        benchmark::Counter(rows * 1e-9, benchmark::Counter::kIsIterationInvariantRate | benchmark::Counter::kInvert);
}

/// One minimisation from the prior's centre with the spreads held, Huber.
void solve(benchmark::State& state) {
    const CaseTable cases = unit_of(state);
    const FitOptions options = options_of("huber", static_cast<int>(state.range(1)));
    const TheatreTimeFit fit = fit_theatre_time(cases, published_prior(), options);
    const TimeObjective objective = objective_of(fit, cases, options.loss, options.threads);
    const int p = fit.layout.size();
    Eigen::VectorXd lower(p), upper(p);
    for (int i = 0; i < p; ++i) {
        lower[i] = to_working(fit.layout.transform(i), fit.layout.lower(i));
        upper[i] = to_working(fit.layout.transform(i), fit.layout.upper(i));
    }
    Minimum minimum;
    for (auto _ : state) {
        minimum = minimise(objective, fit.prior_mean, lower, upper, Curvature::exact, {});
        if (!minimum.usable()) state.SkipWithError(minimum.message.c_str());
    }
    state.counters["cost"] = minimum.cost;
}

/// The whole fit: Huber start, default loss, spreads, covariance parts.
void fit(benchmark::State& state) {
    const CaseTable cases = unit_of(state);
    const PriorSet prior = published_prior();
    const FitOptions options = options_of("bisquare", static_cast<int>(state.range(1)));
    for (auto _ : state) {
        const TheatreTimeFit result = fit_theatre_time(cases, prior, options);
        benchmark::DoNotOptimize(result.minimum.cost);
    }
}

/// 1,000 bootstrap refits. Third argument: 1 when each finds its spreads again, 0 when those of the fit are held.
void refits(benchmark::State& state) {
    const CaseTable cases = unit_of(state);
    const PriorSet prior = published_prior();
    FitOptions options = options_of("huber", 1);
    const TheatreTimeFit whole = fit_theatre_time(cases, prior, options);
    if (state.range(2) == 0) {
        options.held_spreads.emplace();
        for (std::size_t c = 0; c < whole.channels.size(); ++c) (*options.held_spreads)[c] = whole.channels[c].spread;
    }
    const TheatreTimeRefit refit(whole, cases, prior, options);
    ReplicateOptions replicates;
    replicates.threads = static_cast<int>(state.range(1));
    const auto once = [&](std::span<const int> counts, std::uint64_t replicate,
                          const std::function<bool()>& interrupt) {
        return refit(counts, replicates.seed, replicate, interrupt);
    };
    for (auto _ : state) {
        const Replicates result = bootstrap(cases.size(), once, replicates);
        benchmark::DoNotOptimize(result.theta.data());
        state.counters["failures"] = static_cast<double>(result.failures.size());
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

// Wall time throughout: work is spread over threads.
BENCHMARK(evaluate)->Arg(500)->Arg(10'000)->Arg(100'000)->UseRealTime()->Unit(benchmark::kMicrosecond);
BENCHMARK(solve)
    ->Args({500, 1})
    ->Args({10'000, 1})
    ->Args({100'000, 1})
    ->Args({100'000, 2})
    ->Args({1'000'000, 1})
    ->UseRealTime()
    ->Unit(benchmark::kMillisecond);
BENCHMARK(fit)
    ->Args({500, 1})
    ->Args({10'000, 1})
    ->Args({100'000, 1})
    ->Args({100'000, 2})
    ->UseRealTime()
    ->Unit(benchmark::kMillisecond);
BENCHMARK(refits)
    ->Args({500, 1, 0})
    ->Args({500, 2, 0})
    ->Args({500, 1, 1})
    ->Args({500, 2, 1})
    ->UseRealTime()
    ->Unit(benchmark::kMillisecond);
BENCHMARK(predict_bookings)->Arg(40)->UseRealTime()->Unit(benchmark::kMillisecond);

}  // namespace
