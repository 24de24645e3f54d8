#include <lobetime/cases/check.hpp>
#include <lobetime/core/errors.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>

#include "fit/alternation.hpp"
#include "fit/time_search.hpp"

#include <Eigen/Cholesky>

#include <algorithm>
#include <cmath>
#include <numeric>
#include <sstream>
#include <string>

namespace lobetime {
namespace {

constexpr int kHuberRounds = 3;
constexpr int kRoughSteps = 50;
constexpr int kGroupRounds = 30;
constexpr double kGroupSettled = 1e-3;  // of log tau, whose own standard error is seldom below 0.2
constexpr double kLawCases = 50.0;      // cases that the log-normal law counts as (assumption)

struct WorkingPrior {
    Eigen::VectorXd mean;
    Eigen::MatrixXd precision;
    std::vector<bool> apart;  ///< levels with a prior of their own, which their group's spread does not concern
};

WorkingPrior working_prior(const ModelLayout& layout, const PriorSet& prior, bool use_core) {
    WorkingPrior out{Eigen::VectorXd::Zero(layout.size()), Eigen::MatrixXd::Zero(layout.size(), layout.size()),
                     std::vector<bool>(static_cast<std::size_t>(layout.size()), false)};
    out.mean.head<param::Count>() = prior.working_mean();
    if (use_core) {
        const Eigen::MatrixXd inverse =
            prior.working_covariance().llt().solve(Eigen::MatrixXd::Identity(param::Count, param::Count));
        out.precision.topLeftCorner<param::Count, param::Count>() = 0.5 * (inverse + inverse.transpose());
    }
    const auto group = [&](int from, int to, double log_sd) {
        for (int i = from; i < to; ++i) out.precision(i, i) = 1.0 / (log_sd * log_sd);
    };
    group(layout.device_index(0), layout.surgeon_enucleation_index(0), prior.device_log_sd);
    group(layout.surgeon_enucleation_index(0), layout.surgeon_morcellation_index(0), prior.surgeon_enucleation_log_sd);
    group(layout.surgeon_morcellation_index(0), layout.first_learning_index(), prior.surgeon_morcellation_log_sd);
    group(layout.first_learning_index(), layout.size(), prior.surgeon_learning_log_sd);
    for (std::size_t d = 0; d < layout.devices().size(); ++d) {
        if (const DevicePrior* own = prior.device(layout.devices()[d])) {
            own->check();
            const int i = layout.device_index(static_cast<int>(d));
            out.mean[i] = own->log_ratio;
            out.precision(i, i) = 1.0 / (own->log_sd * own->log_sd);
            out.apart[static_cast<std::size_t>(i)] = true;
        }
    }
    return out;
}

/// The objective's own second derivative where it is positive definite. The reweighted one would be too large for
/// a redescending loss, and intervals from it too narrow.
Eigen::MatrixXd curvature_for_covariance(const TimeObjective& objective, const Eigen::VectorXd& theta,
                                         const std::vector<int>& held) {
    Evaluation evaluation;
    objective.evaluate(theta, Curvature::signed_exact, evaluation);
    set_apart(evaluation.curvature, held, 1.0);
    if (evaluation.curvature.llt().info() == Eigen::Success) return evaluation.curvature;
    objective.evaluate(theta, Curvature::exact, evaluation);
    set_apart(evaluation.curvature, held, 1.0);
    return evaluation.curvature;
}

/// Correlation of the two phases' noise. A residual holds more than its phase's noise (rounding, tissue that was not
/// weighed, swaps), so what it has of it, `own`, scales the product that is expected.
double correlation_of_phases(const TheatreTimeFit& fit, const TimeObjective& objective,
                             const std::vector<double>& standardised, const PriorSet& prior) {
    struct Pair {
        double u[2] = {std::nan(""), std::nan("")}, own[2] = {0.0, 0.0};
    };
    std::vector<Pair> pairs(fit.n_cases);
    const auto& observations = objective.observations();
    for (std::size_t o = 0; o < observations.size(); ++o) {
        if (observations[o].kind != ObservationKind::residual) continue;
        const Channel channel = observations[o].channel;
        if (channel != Channel::enucleation && channel != Channel::morcellation) continue;
        const int k = channel == Channel::enucleation ? 0 : 1;
        Pair& pair = pairs[static_cast<std::size_t>(observations[o].case_index)];
        pair.u[k] = standardised[o];
        pair.own[k] = fit.channels[static_cast<std::size_t>(channel)].spread / objective.spreads()[o];
    }
    static const Loss bisquare("bisquare");
    double both = 0.0, expected = 0.0, first = 0.0, second = 0.0, weights = 0.0, n = 0.0;
    for (const Pair& pair : pairs) {
        if (std::isnan(pair.u[0]) || std::isnan(pair.u[1])) continue;
        const double weight = bisquare(pair.u[0]).weight * bisquare(pair.u[1]).weight;
        const double own = std::min(pair.own[0], 1.0) * std::min(pair.own[1], 1.0);
        both += weight * own * pair.u[0] * pair.u[1];
        expected += weight * own * own;
        first += weight * pair.u[0] * pair.u[0];
        second += weight * pair.u[1] * pair.u[1];
        weights += weight;
        n += weight > 0.0 ? 1.0 : 0.0;
    }
    double own = 0.0;
    if (first > 0.0 && second > 0.0 && expected > 0.0)
        own = std::clamp(both / expected * weights / std::sqrt(first * second), -0.95, 0.95);
    return (n * own + prior.phase_correlation_cases * prior.phase_correlation) / (n + prior.phase_correlation_cases);
}

/// Residuals in units of their own spread.
std::vector<double> evened(const std::vector<ScatteredTime>& times, const SpreadTrend& trend) {
    std::vector<double> out;
    out.reserve(times.size());
    for (const ScatteredTime& one : times) out.push_back(one.standardised / one.relative_spread(trend));
    return out;
}

/// The trend of each phase's spread, and the law of what is left, from the cases in which nothing looks mistyped. The
/// room's spread has no trend: neither gland nor surgeon is in its median either.
void find_laws(const CaseTable& cases, const TimeObjective& objective, const std::vector<double>& standardised,
               TheatreTimeFit& fit) {
    std::vector<bool> doubtful(cases.size(), false);
    for (const Warning& one : check_history(cases).warnings) {
        const long row = one.row - Origin{}.row(0);
        if (row >= 0 && row < static_cast<long>(cases.size())) doubtful[static_cast<std::size_t>(row)] = true;
    }
    std::array<std::vector<ScatteredTime>, kChannels> times, bounds;
    const auto& observations = objective.observations();
    for (std::size_t o = 0; o < observations.size(); ++o) {
        const Observation& one = observations[o];
        if (one.kind == ObservationKind::swap_count || is_sum(one.channel) || one.channel == Channel::tissue ||
            doubtful[static_cast<std::size_t>(one.case_index)])
            continue;
        const std::size_t c = static_cast<std::size_t>(one.channel);
        const CaseFeatures& f = objective.features()[static_cast<std::size_t>(one.case_index)];
        auto& of = one.kind == ObservationKind::residual ? times : bounds;
        of[c].push_back({standardised[o], std::min(fit.channels[c].spread / objective.spreads()[o], 1.0), f.log_v80,
                         learning_left(one.channel, fit.theta, f.cases_done)});
    }
    for (std::size_t c = 0; c < fit.channels.size(); ++c) {
        ChannelFit& channel = fit.channels[c];
        if (c != static_cast<std::size_t>(Channel::room)) channel.trend = spread_trend(times[c]);
        channel.law = smoothed_law(evened(times[c], channel.trend), evened(bounds[c], channel.trend), kLawCases);
    }
}

/// What is believed of the other core parameters, given the values of those that are held.
void hold_in_prior(const std::vector<int>& held, const Eigen::VectorXd& value, TheatreTimeFit& fit) {
    Eigen::VectorXd away = Eigen::VectorXd::Zero(fit.layout.size());
    std::vector<int> free(param::Count);
    std::iota(free.begin(), free.end(), 0);
    for (const int i : held) {
        away[i] = value[i] - fit.prior_mean[i];
        std::erase(free, i);
    }
    // Zero where there is no prior of core parameters, which ldlt solves as zero.
    const Eigen::VectorXd pull = fit.prior_precision * away;
    fit.prior_mean(free) -= Eigen::MatrixXd(fit.prior_precision(free, free)).ldlt().solve(Eigen::VectorXd(pull(free)));
    for (const int i : held) {
        fit.prior_mean[i] = value[i];
        fit.prior_precision.row(i).setZero();
        fit.prior_precision.col(i).setZero();
    }
}

/// Bounds on the working scale, those of held parameters drawn together.
void set_bounds(const std::map<std::string, double>& fixed, TheatreTimeFit& fit) {
    const ModelLayout& layout = fit.layout;
    fit.lower.resize(layout.size());
    fit.upper.resize(layout.size());
    for (int i = 0; i < layout.size(); ++i) {
        fit.lower[i] = to_working(layout.transform(i), layout.lower(i));
        fit.upper[i] = to_working(layout.transform(i), layout.upper(i));
    }
    for (const auto& [name, value] : fixed) {
        const auto found = std::find(layout.names().begin(), layout.names().end(), name);
        if (found == layout.names().end()) {
            std::string known;
            for (const std::string& one : layout.names()) known += (known.empty() ? "" : ", ") + one;
            throw InvalidArgument("fixed: no parameter is called '" + name + "'; known are: " + known);
        }
        const int i = static_cast<int>(found - layout.names().begin());
        if (!(value >= layout.lower(i) && value <= layout.upper(i))) {
            std::ostringstream message;
            message << "fixed: " << name << " must lie from " << layout.lower(i) << " to " << layout.upper(i) << " ("
                    << layout.unit(i) << "), not " << value;
            throw InvalidArgument(message.str());
        }
        fit.lower[i] = fit.upper[i] = to_working(layout.transform(i), value);
        fit.held.push_back(i);
    }
    std::sort(fit.held.begin(), fit.held.end());
    hold_in_prior(fit.held, fit.lower, fit);
}

/// The spreads that mm begins with: read off the S-estimate's residuals, which the parameters found there have paid
/// for.
ChannelSpreads spreads_at(const Candidate& s_estimate, TimeObjective& objective, const SpreadEstimator& estimator,
                          Alternation& turns) {
    objective.set_loss(s_loss());
    turns.start(s_estimate.theta, s_estimate.spread);
    turns.find_shares(false);
    const auto channels = estimator(objective, objective.standardised_residuals(turns.theta), turns.used, turns.spread);
    ChannelSpreads spread{};
    for (std::size_t c = 0; c < spread.size(); ++c) spread[c] = channels[c].spread;
    return spread;
}

/// One step of each group's spread towards its marginal maximum (see fit_theatre_time), with the prior precision of the
/// levels that goes with it. Returns the largest change of a log.
double update_groups(const PriorSet& prior, const Alternation& turns, TheatreTimeFit& fit) {
    const ModelLayout& layout = fit.layout;
    double change = 0.0;
    const auto update = [&](int from, int to, double centre, GroupSpread& group) {
        double squares = 0.0, known = 0.0;
        int free = 0;
        for (int i = from; i < to; ++i) {
            if (fit.lower[i] == fit.upper[i] || fit.is_apart(i)) continue;
            squares += turns.theta[i] * turns.theta[i] + turns.unit[i] * turns.unit[i];
            known += 1.0 - std::min(1.0, turns.unit[i] * turns.unit[i] * fit.prior_precision(i, i));
            ++free;
        }
        const double before = std::log(group.log_sd);
        const double information = 1.0 / (prior.group_log_sd_spread * prior.group_log_sd_spread);
        // q - squares e^(-2x) + (x - x0) / s^2 rises with x: one root, found by Newton's method from the left of it.
        double x = before;
        for (int step = 0; step < 50; ++step) {
            const double pull = squares * std::exp(-2.0 * x);
            const double move = (free - pull + (x - std::log(centre)) * information) / (2.0 * pull + information);
            x -= move;
            if (std::abs(move) < 1e-12) break;
        }
        group.log_sd = std::exp(x);
        group.log_se = 1.0 / std::sqrt(2.0 * known + information);
        group.members = 0;
        for (int i = from; i < to; ++i) {
            if (fit.is_apart(i)) continue;
            ++group.members;
            if (fit.lower[i] != fit.upper[i]) fit.prior_precision(i, i) = std::exp(-2.0 * x);
        }
        if (group.members > 0) change = std::max(change, std::abs(x - before));
    };
    update(layout.device_index(0), layout.surgeon_enucleation_index(0), prior.device_log_sd, fit.device);
    update(layout.surgeon_enucleation_index(0), layout.surgeon_morcellation_index(0), prior.surgeon_enucleation_log_sd,
           fit.surgeon_enucleation);
    update(layout.surgeon_morcellation_index(0), layout.first_learning_index(), prior.surgeon_morcellation_log_sd,
           fit.surgeon_morcellation);
    update(layout.first_learning_index(), layout.size(), prior.surgeon_learning_log_sd, fit.surgeon_learning);
    return change;
}

void hold_groups(const std::array<double, 4>& log_sd, TheatreTimeFit& fit) {
    const ModelLayout& layout = fit.layout;
    const auto hold = [&](int from, int to, double value, GroupSpread& group) {
        group = {value, 0.0, 0};
        for (int i = from; i < to; ++i) {
            if (fit.is_apart(i)) continue;
            ++group.members;
            fit.prior_precision(i, i) = 1.0 / (value * value);
        }
    };
    hold(layout.surgeon_enucleation_index(0), layout.surgeon_morcellation_index(0), log_sd[0], fit.surgeon_enucleation);
    hold(layout.surgeon_morcellation_index(0), layout.first_learning_index(), log_sd[1], fit.surgeon_morcellation);
    hold(layout.first_learning_index(), layout.size(), log_sd[2], fit.surgeon_learning);
    hold(layout.device_index(0), layout.surgeon_enucleation_index(0), log_sd[3], fit.device);
}

/// Where an M-estimate begins: a few rounds of Huber, which have one minimum, from the prior's centre; and the spreads
/// of the groups there.
void begin(const FitOptions& options, const PriorSet& prior, TimeObjective& objective, Alternation& turns,
           TheatreTimeFit& fit) {
    objective.set_loss(options.loss.name() == "squares" ? options.loss : Loss("huber"));
    turns.solve(Curvature::reweighted, kRoughSteps, kRoughGain, options.solver.interrupt);
    turns.find_shares(true);
    Alternation::Options few;
    few.curvature = Curvature::reweighted;
    few.max_rounds = kHuberRounds;
    few.max_steps = kRoughSteps;
    few.interrupt = options.solver.interrupt;
    turns.settle(few);
    few.max_rounds = 1;
    few.update_shares = false;
    for (int round = options.held_groups ? kGroupRounds : 0; round < kGroupRounds; ++round) {
        const double change = update_groups(prior, turns, fit);
        objective.set_prior_precision(fit.prior_precision);
        turns.settle(few);
        if (change < kGroupSettled) return;
        turns.find_shares(false);
    }
}

}  // namespace

Estimator FitOptions::chosen_estimator() const {
    return estimator.value_or(loss.name() == "bisquare" ? Estimator::mm : Estimator::m);
}

void FitOptions::check() const {
    solver.check();
    if (estimator == Estimator::s) throw InvalidArgument("the time model's estimator must be m or mm, not s");
    if (estimator == Estimator::mm && !loss.redescending())
        throw InvalidArgument("the mm estimator needs a redescending loss (bisquare or cauchy), not " + loss.name());
    if (starts < 1) throw InvalidArgument("starts must be at least 1");
    if (max_rounds < 1) throw InvalidArgument("max_rounds must be at least 1");
    if (!(round_tolerance > 0.0)) throw InvalidArgument("round_tolerance must be positive");
    if (scale_method == ScaleMethod::fixed)
        throw InvalidArgument("the time model estimates its spreads: scale_method 'fixed' is not allowed");
    if (threads < 0) throw InvalidArgument("threads must be 0 (all) or more");
    const auto check_held = [](const auto& held) {
        if (!held) return;
        for (const double spread : *held) {
            if (!(spread > 0.0) || !std::isfinite(spread))
                throw InvalidArgument("held spreads must be positive numbers");
        }
    };
    check_held(held_spreads);
    check_held(held_groups);
}

TheatreTimeFit fit_theatre_time(const CaseTable& cases, const PriorSet& prior, const FitOptions& options) {
    options.check();
    TheatreTimeFit fit;
    fit.layout = ModelLayout::from_cases(cases);
    fit.n_cases = cases.size();
    fit.estimator = options.chosen_estimator();
    std::vector<CaseFeatures> features = case_features(cases, fit.layout);
    for (std::size_t i = 0; i < features.size(); ++i) {
        if (!std::isfinite(features[i].log_v80))
            throw NotFinite("case " + std::to_string(i + 1) + ": gland_ml must be a positive number");
    }
    std::vector<Observation> observations = observations_of(cases, features);
    if (observations.empty()) throw InvalidArgument("no case has a recorded time: there is nothing to fit");
    for (const Observation& o : observations) {
        const bool possible = o.kind == ObservationKind::swap_count ? o.recorded >= 0.0 : o.recorded > 0.0;
        if (!possible || !std::isfinite(o.recorded) || !std::isfinite(o.offset_min))
            throw NotFinite("case " + std::to_string(o.case_index + 1) + ": " + std::string(channel_name(o.channel)) +
                            " must be a positive number");
    }
    const WorkingPrior working = working_prior(fit.layout, prior, options.use_prior);
    fit.prior_mean = working.mean;
    fit.prior_precision = working.precision;
    fit.apart = working.apart;
    fit.surgeon_enucleation.log_sd = prior.surgeon_enucleation_log_sd;
    fit.surgeon_morcellation.log_sd = prior.surgeon_morcellation_log_sd;
    fit.surgeon_learning.log_sd = prior.surgeon_learning_log_sd;
    fit.device.log_sd = prior.device_log_sd;
    if (options.held_groups) hold_groups(*options.held_groups, fit);
    set_bounds(options.fixed, fit);
    TimeObjective objective(fit.layout, std::move(features), std::move(observations), fit.prior_mean,
                            fit.prior_precision, options.threads);

    Alternation::Options rounds;
    rounds.tolerance = options.round_tolerance;
    rounds.max_rounds = options.max_rounds;
    rounds.progress = options.progress;
    rounds.interrupt = options.solver.interrupt;
    const auto settle = [&](const SpreadEstimator& estimator, const Eigen::VectorXd& theta,
                            const ChannelSpreads& spread) {
        Alternation turns(objective, estimator, fit.lower, fit.upper, fit.held);
        turns.start(theta, spread);
        objective.set_loss(options.loss);
        if (options.loss.redescending()) turns.solve(Curvature::reweighted, kRoughSteps, kRoughGain, rounds.interrupt);
        fit.rounds = turns.settle(rounds);
        if (fit.rounds == 0)
            throw NotConverged("spreads and parameters did not settle in " + std::to_string(options.max_rounds) +
                               " rounds");
        fit.theta = turns.theta;
        fit.channels = turns.channels;
        fit.counts_used = turns.counts_used;
    };
    const SpreadEstimator estimator(prior, options.scale_method, options.held_spreads);
    Alternation start(objective, estimator, fit.lower, fit.upper, fit.held);
    start.start(fit.prior_mean, estimator.first());
    begin(options, prior, objective, start, fit);
    if (fit.estimator == Estimator::m) {
        settle(estimator, start.theta, start.spread);
    } else {
        const TimeSearch search(objective, prior, fit.lower, fit.upper, fit.held, start.unit);
        const Candidate best = search
                                   .run({fit.prior_mean, start.theta},
                                        {options.starts, options.seed, options.threads, rounds.interrupt}, fit.search)
                                   .front();
        settle(SpreadEstimator::from_current(prior, options.held_spreads), best.theta,
               spreads_at(best, objective, estimator, start));
    }
    fit.minimum = minimise(objective, fit.theta, fit.lower, fit.upper, Curvature::exact, options.solver);
    if (fit.minimum.termination == Termination::interrupted) throw NotConverged("the fit was interrupted");
    if (!fit.minimum.usable()) throw NotConverged("the fit did not converge: " + fit.minimum.message);
    fit.theta = fit.minimum.theta;

    Evaluation evaluation;
    objective.evaluate(fit.theta, Curvature::reweighted, evaluation);
    const Eigen::MatrixXd inverse = inverse_of_curvature(evaluation.curvature, fit.held, fit.layout.names());
    fit.curvature = curvature_for_covariance(objective, fit.theta, fit.held);
    fit.score_product = objective.score_product(fit.theta, inverse);
    set_apart(fit.score_product, fit.held, 0.0);
    objective.evaluate(fit.theta, Curvature::exact, evaluation);
    fit.expected_product = evaluation.curvature - fit.prior_precision;
    set_apart(fit.expected_product, fit.held, 0.0);
    const std::vector<double> standardised = objective.standardised_residuals(fit.theta);
    for (std::size_t o = 0; o < standardised.size(); ++o) {
        const Observation& one = objective.observations()[o];
        if (!std::isfinite(standardised[o]))
            throw NotConverged("the fit ended where the " + std::string(channel_name(one.channel)) + " of case " +
                               std::to_string(one.case_index + 1) + " has no finite residual");
    }
    const std::vector<double> fitted = objective.fitted_medians(fit.theta);
    fit.phase_correlation = correlation_of_phases(fit, objective, standardised, prior);
    find_laws(cases, objective, standardised, fit);
    fit.observations.reserve(standardised.size());
    for (std::size_t o = 0; o < standardised.size(); ++o) {
        const Observation& one = objective.observations()[o];
        const double weight = one.kind == ObservationKind::residual ? objective.loss()(standardised[o]).weight : 1.0;
        fit.observations.push_back(
            {one, objective.spreads()[o], objective.shifts()[o], fitted[o], standardised[o], weight});
    }
    return fit;
}

double TheatreTimeFit::cost_without_cases() const {
    const Eigen::VectorXd away = theta - prior_mean;
    return 0.5 * away.dot(prior_precision * away) - counts_used * theta[param::fluid_log_sd];
}

Eigen::VectorXd TheatreTimeFit::slope_without_cases() const {
    Eigen::VectorXd slope = prior_precision * (theta - prior_mean);
    slope[param::fluid_log_sd] -= counts_used;
    return slope;
}

Eigen::MatrixXd prior_scatter(const TheatreTimeFit& fit) {
    Eigen::MatrixXd scatter = fit.prior_precision;
    const ModelLayout& layout = fit.layout;
    const auto widen = [&](int from, int to, const GroupSpread& group) {
        for (int i = from; i < to; ++i) {
            if (!fit.is_apart(i)) scatter(i, i) *= std::exp(2.0 * group.log_se * group.log_se);
        }
    };
    widen(layout.device_index(0), layout.surgeon_enucleation_index(0), fit.device);
    widen(layout.surgeon_enucleation_index(0), layout.surgeon_morcellation_index(0), fit.surgeon_enucleation);
    widen(layout.surgeon_morcellation_index(0), layout.first_learning_index(), fit.surgeon_morcellation);
    widen(layout.first_learning_index(), layout.size(), fit.surgeon_learning);
    return scatter;
}

TimeObjective objective_of(const TheatreTimeFit& fit, const CaseTable& cases, const Loss& loss, int threads) {
    if (cases.size() != fit.n_cases)
        throw InvalidArgument("the fit had " + std::to_string(fit.n_cases) + " cases, not " +
                              std::to_string(cases.size()));
    std::vector<CaseFeatures> features = case_features(cases, fit.layout);
    std::vector<Observation> observations = observations_of(cases, features);
    TimeObjective objective(fit.layout, std::move(features), std::move(observations), fit.prior_mean,
                            fit.prior_precision, threads);
    objective.set_loss(loss);
    objective.set_counts_used(fit.counts_used);
    std::array<double, kChannels> spread{};
    for (std::size_t c = 0; c < spread.size(); ++c) spread[c] = fit.channels[c].spread;
    objective.set_spreads(fit.theta, spread);
    return objective;
}

Eigen::MatrixXd inverse_reweighted_curvature(const TimeObjective& objective, const Eigen::VectorXd& theta,
                                             const std::vector<int>& held) {
    Evaluation evaluation;
    objective.evaluate(theta, Curvature::reweighted, evaluation);
    return inverse_of_curvature(evaluation.curvature, held, objective.parameter_names());
}

}  // namespace lobetime
