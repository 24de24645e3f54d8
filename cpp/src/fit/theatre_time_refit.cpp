#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>

#include "fit/alternation.hpp"
#include "fit/time_search.hpp"

#include <cmath>
#include <utility>

namespace lobetime {
namespace {

constexpr double kSettled = 1e-3;  // standard errors: nothing in a standard error
constexpr int kRounds = 200;

}  // namespace

/// What the replicates of one fit share; nothing in it changes.
struct TheatreTimeRefit::Plan {
    TheatreTimeFit fit;
    TimeObjective objective;
    SpreadEstimator estimator;
    PriorSet prior;
    FitOptions options;
    Eigen::VectorXd unit;
    ChannelSpreads used{};

    Plan(const TheatreTimeFit& of, const CaseTable& cases, const PriorSet& its_prior, const FitOptions& its_options)
        : fit(of),
          // Replicates run side by side, so each is evaluated by one thread.
          objective(objective_of(fit, cases, its_options.loss, 1)),
          estimator(its_prior, its_options.scale_method, its_options.held_spreads),
          prior(its_prior),
          options(its_options),
          unit(inverse_reweighted_curvature(objective, fit.theta, fit.held).diagonal().cwiseSqrt()) {
        for (std::size_t c = 0; c < used.size(); ++c) used[c] = fit.channels[c].parameters_used;
    }
};

TheatreTimeRefit::TheatreTimeRefit(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                                   const FitOptions& options)
    : plan_(std::make_shared<const Plan>(fit, cases, prior, options)) {}

Eigen::VectorXd TheatreTimeRefit::operator()(std::span<const int> counts, std::uint64_t seed, std::uint64_t replicate,
                                             const std::function<bool()>& interrupt) const {
    const Plan& plan = *plan_;
    const TheatreTimeFit& fit = plan.fit;
    TimeObjective objective = plan.objective.resampled(counts);
    const CounterRandom stream(seed, replicate ^ stable_hash("means of the prior"));
    Eigen::VectorXd mean = fit.prior_mean;
    for (Eigen::Index j = 0; j < mean.size(); ++j) {
        if (fit.prior_precision[j] > 0.0)
            mean[j] += stream.normals(static_cast<std::uint64_t>(j))[0] / std::sqrt(fit.prior_precision[j]);
    }
    objective.set_prior_mean(mean);

    Alternation::Options options;
    options.tolerance = kSettled;
    options.max_rounds = kRounds;
    options.update_shares = false;
    options.interrupt = interrupt;
    const auto settle = [&](const SpreadEstimator& estimator, const Eigen::VectorXd& theta,
                            const ChannelSpreads& spread) {
        Alternation turns(objective, estimator, fit.lower, fit.upper, fit.held);
        turns.unit = plan.unit;
        turns.used = plan.used;
        turns.start(theta, spread);
        if (turns.settle(options) == 0) throw NotConverged("spreads and parameters of the replicate did not settle");
        return turns.theta;
    };
    ChannelSpreads spread{};
    for (std::size_t c = 0; c < spread.size(); ++c) spread[c] = fit.channels[c].spread;
    if (fit.estimator == Estimator::m) return settle(plan.estimator, fit.theta, spread);

    // mm: the S-estimate once more from where it was found, then the loss from the fit with the new spreads held.
    const TimeSearch search(objective, plan.prior, fit.lower, fit.upper, fit.held, plan.unit);
    Candidate s_estimate;
    s_estimate.theta = fit.search.minima.front().theta;
    s_estimate.spread = spread;
    if (!search.descend(objective, s_estimate, kSettled, kRounds, interrupt))
        throw NotConverged("the S-estimate of the replicate did not settle");
    const auto channels =
        plan.estimator(objective, objective.standardised_residuals(s_estimate.theta), plan.used, s_estimate.spread);
    for (std::size_t c = 0; c < spread.size(); ++c) spread[c] = channels[c].spread;
    objective.set_loss(plan.options.loss);
    return settle(SpreadEstimator(plan.prior, plan.options.scale_method, spread), fit.theta, spread);
}

}  // namespace lobetime
