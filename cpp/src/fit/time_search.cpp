#include <lobetime/core/errors.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>

#include "fit/time_search.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <thread>

namespace lobetime {
namespace {

/// E[psi']^2 / E[psi^2] of the bisquare at the constant of the M-scale (quadrature).
constexpr double kEfficiency = 0.2868;
constexpr int kFirstRounds = 2, kMiddleRounds = 8, kLastRounds = 200;
constexpr int kStepsToAPart = 8;
constexpr double kSettled = 1e-6;
constexpr std::size_t kPolished = 5;
/// Short searches see so many cases at most: enough to tell basins apart.
constexpr double kSearchCases = 2000.0;
constexpr double kSameParameter = 0.1, kSoonTheSame = 0.5;  // standard errors
constexpr double kInfinite = std::numeric_limits<double>::infinity();

/// Each case with the given chance, the k-th for sure.
std::vector<int> random_part(std::size_t n, double chance, std::size_t k, const CounterRandom& stream) {
    std::vector<int> counts(n, 0);
    for (std::size_t i = 0; i < n; ++i) counts[i] = stream.uniforms(i)[0] < chance ? 1 : 0;
    if (n > 0) counts[k % n] = 1;
    return counts;
}

}  // namespace

const Loss& s_loss() {
    static const Loss loss("bisquare", kMScaleTuning);
    return loss;
}

TimeSearch::TimeSearch(const TimeObjective& objective, const PriorSet& prior, const Eigen::VectorXd& lower,
                       const Eigen::VectorXd& upper, const std::vector<int>& held, const Eigen::VectorXd& unit)
    : objective_(objective),
      m_scales_(prior, ScaleMethod::m_scale),
      lower_(lower),
      upper_(upper),
      held_(held),
      unit_(unit) {}

std::vector<Candidate> TimeSearch::run(const std::vector<Eigen::VectorXd>& given, const Options& options,
                                       SearchReport& report) const {
    const auto caller = std::this_thread::get_id();
    const auto interrupt = [&] {
        return options.interrupt && std::this_thread::get_id() == caller && options.interrupt();
    };
    const std::size_t n = objective_.features().size();
    TimeObjective few = objective_;
    if (static_cast<double>(n) > kSearchCases)
        few = objective_.resampled(random_part(n, kSearchCases / static_cast<double>(n), 0,
                                               CounterRandom(options.seed, stable_hash("cases of the search"))));
    /// A start from which nothing can be evaluated, or no step taken, drops out.
    const auto follow = [&](Candidate& one, const TimeObjective& objective, int rounds) {
        try {
            TimeObjective own = objective;
            if (one.theta.size() == 0)
                one.theta = fit_to_a_part(own, static_cast<std::size_t>(one.start), options.seed, given.front());
            descend(own, one, kSettled, rounds, interrupt);
        } catch (const NotFinite&) {
            one.criterion = kInfinite;
        } catch (const NotConverged&) {
            if (interrupt()) throw;
            one.criterion = kInfinite;
        }
    };
    std::vector<Candidate> all(std::max(static_cast<std::size_t>(options.starts), given.size()));
    report.starts = static_cast<int>(all.size());
    parallel_for(all.size(), options.threads, [&](std::size_t k) {
        all[k].start = static_cast<int>(k);
        all[k].spread = m_scales_.first();
        if (k < given.size()) all[k].theta = given[k];
        follow(all[k], few, kFirstRounds);
    });
    std::vector<Candidate> best = distinct_of(std::move(all), kSameParameter);
    int ended = 0;
    for (const Candidate& one : best) ended += one.count;
    report.failed = report.starts - ended;
    if (best.empty()) throw NotFinite("the model cannot be evaluated from any start");
    best.resize(std::min(best.size(), kPolished));
    report.polished = static_cast<int>(best.size());
    // Most lead to the same minimum, which shows long before they are there.
    struct Leg {
        int rounds;
        double nearness;
    };
    for (const Leg& leg : {Leg{kMiddleRounds, kSoonTheSame}, Leg{kLastRounds, kSameParameter}}) {
        parallel_for(best.size(), options.threads, [&](std::size_t k) { follow(best[k], objective_, leg.rounds); });
        best = distinct_of(std::move(best), leg.nearness);
        if (best.empty()) throw NotFinite("the model cannot be evaluated from any start");
    }
    double residuals = 0.0;
    for (const Observation& one : objective_.observations())
        residuals += one.kind == ObservationKind::residual ? 1.0 : 0.0;
    for (const Candidate& one : best)
        report.minima.push_back(
            {one.theta, std::exp(one.criterion / (kEfficiency * std::max(residuals, 1.0))), one.count, one.start});
    return best;
}

bool TimeSearch::descend(TimeObjective& objective, Candidate& candidate, double tolerance, int max_rounds,
                         const std::function<bool()>& interrupt) const {
    objective.set_loss(s_loss());
    Alternation turns(objective, m_scales_, lower_, upper_, held_);
    turns.unit = unit_;
    turns.start(candidate.theta, candidate.spread);
    Alternation::Options options;
    options.curvature = max_rounds > kFirstRounds ? Curvature::exact : Curvature::reweighted;
    options.tolerance = tolerance;
    options.max_rounds = max_rounds;
    options.update_shares = false;
    options.interrupt = interrupt;
    const bool settled = turns.settle(options) > 0;
    candidate.theta = turns.theta;
    candidate.spread = turns.spread;
    candidate.criterion = criterion_of(objective, candidate);
    return settled;
}

/// A fit to a random part of the cases: what misleads the fit to all of them may be in few of it.
Eigen::VectorXd TimeSearch::fit_to_a_part(const TimeObjective& objective, std::size_t start, std::uint64_t seed,
                                          const Eigen::VectorXd& from) const {
    const CounterRandom stream(seed, stable_hash("parts of the cases") ^ start);
    const std::vector<int> counts = random_part(objective.features().size(), 1.0 / 3.0, start, stream);
    TimeObjective part = objective;
    try {
        part = objective.resampled(counts);
    } catch (const InvalidArgument&) {  // no time is recorded in these cases
        return from;
    }
    part.set_loss(Loss("huber"));
    part.set_spreads(from, m_scales_.first());
    LevenbergOptions options;
    options.max_iterations = kStepsToAPart;
    options.gain_tolerance = 1e-5;
    return levenberg_marquardt(part, from, lower_, upper_, Curvature::reweighted, options).theta;
}

double TimeSearch::criterion_of(const TimeObjective& objective, const Candidate& candidate) const {
    Evaluation evaluation;
    objective.evaluate(candidate.theta, Curvature::reweighted, evaluation);
    const std::vector<double> standardised = objective.standardised_residuals(candidate.theta);
    const auto& observations = objective.observations();
    const double factor = s_loss().information_factor();
    double criterion = evaluation.cost;
    for (std::size_t o = 0; o < observations.size(); ++o) {
        if (observations[o].kind != ObservationKind::residual) continue;
        const double count = objective.counts().empty() ? 1.0 : objective.counts()[o];
        const double log_spread = std::log(candidate.spread[static_cast<std::size_t>(observations[o].channel)]);
        criterion += count * (kEfficiency * log_spread - factor * s_loss()(standardised[o]).rho);
    }
    return criterion;
}

std::vector<Candidate> TimeSearch::distinct_of(std::vector<Candidate> all, double nearness) const {
    std::stable_sort(all.begin(), all.end(),
                     [](const Candidate& a, const Candidate& b) { return a.criterion < b.criterion; });
    std::vector<Candidate> distinct;
    for (const Candidate& one : all) {
        if (!std::isfinite(one.criterion)) continue;
        const auto known = std::find_if(distinct.begin(), distinct.end(), [&](const Candidate& d) {
            return ((one.theta - d.theta).array().abs() <= nearness * unit_.array()).all();
        });
        if (known == distinct.end()) {
            distinct.push_back(one);
            continue;
        }
        known->count += one.count;
        known->start = std::min(known->start, one.start);
    }
    return distinct;
}

}  // namespace lobetime
