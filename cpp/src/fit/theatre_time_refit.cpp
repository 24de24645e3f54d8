#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>

#include "fit/alternation.hpp"

#include <Eigen/Cholesky>

#include <utility>
#include <vector>

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
    Eigen::VectorXd unit;
    ChannelSpreads used{};
    std::vector<int> believed;                   ///< parameters with a prior
    Eigen::LLT<Eigen::MatrixXd> root_precision;  ///< of these

    Plan(const TheatreTimeFit& of, const CaseTable& cases, const PriorSet& its_prior, const FitOptions& its_options)
        : fit(of),
          // Replicates run side by side, so each is evaluated by one thread.
          objective(objective_of(fit, cases, its_options.loss, 1)),
          estimator(fit.estimator == Estimator::mm
                        ? SpreadEstimator::from_current(its_prior, its_options.held_spreads)
                        : SpreadEstimator(its_prior, its_options.scale_method, its_options.held_spreads)),
          unit(inverse_reweighted_curvature(objective, fit.theta, fit.held).diagonal().cwiseSqrt()) {
        for (std::size_t c = 0; c < used.size(); ++c) used[c] = fit.channels[c].parameters_used;
        for (int j = 0; j < fit.layout.size(); ++j) {
            if (fit.prior_precision(j, j) > 0.0) believed.push_back(j);
        }
        root_precision.compute(Eigen::MatrixXd(fit.prior_precision(believed, believed)));
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
    Eigen::VectorXd normals(static_cast<Eigen::Index>(plan.believed.size()));
    for (Eigen::Index j = 0; j < normals.size(); ++j)
        normals[j] = stream.normals(static_cast<std::uint64_t>(plan.believed[static_cast<std::size_t>(j)]))[0];
    Eigen::VectorXd mean = fit.prior_mean;
    mean(plan.believed) += plan.root_precision.matrixU().solve(normals);
    objective.set_prior_mean(mean);

    Alternation::Options options;
    options.tolerance = kSettled;
    options.max_rounds = kRounds;
    options.update_shares = false;
    options.interrupt = interrupt;
    ChannelSpreads spread{};
    for (std::size_t c = 0; c < spread.size(); ++c) spread[c] = fit.channels[c].spread;
    Alternation turns(objective, plan.estimator, fit.lower, fit.upper, fit.held);
    turns.unit = plan.unit;
    turns.used = plan.used;
    turns.start(fit.theta, spread);
    if (turns.settle(options) == 0) throw NotConverged("spreads and parameters of the replicate did not settle");
    return turns.theta;
}

}  // namespace lobetime
