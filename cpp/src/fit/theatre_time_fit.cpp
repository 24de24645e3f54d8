#include <lobetime/core/errors.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>

#include <Eigen/Cholesky>

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>

namespace lobetime {
namespace {

constexpr int kHuberRounds = 3;
constexpr double kLeastSpread = 0.01;
constexpr double kHoldSharesBelow = 1e-5;
constexpr int kRoughSteps = 50;
constexpr double kRoughGain = 1e-7;  // gain tolerance while the spreads still move

struct WorkingPrior {
    Eigen::VectorXd mean, precision;
};

WorkingPrior working_prior(const ModelLayout& layout, const PriorSet& prior, bool use_core) {
    WorkingPrior out{Eigen::VectorXd::Zero(layout.size()), Eigen::VectorXd::Zero(layout.size())};
    for (int i = 0; i < param::Count; ++i) {
        const ParameterPrior* one = prior.find(layout.names()[static_cast<std::size_t>(i)]);
        if (one == nullptr)
            throw InvalidArgument("the prior has no row for " + layout.names()[static_cast<std::size_t>(i)]);
        out.mean[i] = one->working_mean();
        if (use_core) out.precision[i] = 1.0 / (one->working_sd() * one->working_sd());
    }
    const auto group = [&](int from, int to, double log_sd) {
        for (int i = from; i < to; ++i) out.precision[i] = 1.0 / (log_sd * log_sd);
    };
    group(layout.device_index(0), layout.surgeon_enucleation_index(0), prior.device_log_sd);
    group(layout.surgeon_enucleation_index(0), layout.surgeon_morcellation_index(0), prior.surgeon_enucleation_log_sd);
    group(layout.surgeon_morcellation_index(0), layout.size(), prior.surgeon_morcellation_log_sd);
    return out;
}

/// A held parameter stands apart: as if it were known for itself, with nothing shared.
void set_apart(Eigen::MatrixXd& matrix, const std::vector<int>& held, double own) {
    for (const int i : held) {
        matrix.row(i).setZero();
        matrix.col(i).setZero();
        matrix(i, i) = own;
    }
}

Eigen::MatrixXd inverse_of(const Eigen::MatrixXd& curvature) {
    const Eigen::VectorXd scale = curvature.diagonal().cwiseSqrt().cwiseInverse();
    const Eigen::MatrixXd scaled = scale.asDiagonal() * curvature * scale.asDiagonal();
    return scale.asDiagonal() * scaled.llt().solve(Eigen::MatrixXd::Identity(scale.size(), scale.size())) *
           scale.asDiagonal();
}

Eigen::MatrixXd inverse_if_identifiable(Eigen::MatrixXd curvature, const std::vector<int>& held,
                                        const std::vector<std::string>& names) {
    set_apart(curvature, held, 1.0);
    require_identifiable(curvature, names);
    Eigen::MatrixXd inverse = inverse_of(curvature);
    set_apart(inverse, held, 0.0);
    return inverse;
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

/// Robust spread of each channel from its standardised residuals, drawn towards the prior by its worth in cases.
std::array<ChannelFit, kChannels> channel_fits(const TimeObjective& objective, const std::vector<double>& standardised,
                                               const std::array<double, kChannels>& parameters_used,
                                               const std::array<double, kChannels>& current, const PriorSet& prior,
                                               ScaleMethod method) {
    std::array<std::vector<double>, kChannels> residuals;
    const auto& observations = objective.observations();
    for (std::size_t o = 0; o < observations.size(); ++o) {
        if (observations[o].kind != ObservationKind::residual) continue;
        auto& own = residuals[static_cast<std::size_t>(observations[o].channel)];
        const int count = objective.counts().empty() ? 1 : objective.counts()[o];
        own.insert(own.end(), static_cast<std::size_t>(count), standardised[o]);
    }
    std::array<ChannelFit, kChannels> fits;
    for (std::size_t c = 0; c < fits.size(); ++c) {
        const SpreadPrior& before = prior.spread(channel_name(static_cast<Channel>(c)));
        const double prior_information = 1.0 / (before.log_sd() * before.log_sd());
        double log_spread = std::log(before.centre), information = prior_information;
        const double n = static_cast<double>(residuals[c].size());
        if (n > 0.0) {
            const double used = std::min(parameters_used[c], 0.75 * n);
            // Minutes are rounded: residuals that are all 0 do not say that there is no spread.
            const double own = std::max(
                current[c] * robust_scale(residuals[c], method, 0.0, 1.0) * std::sqrt(n / (n - used)), kLeastSpread);
            const double own_information = 2.0 * (n - used) * scale_efficiency(method);
            information += own_information;
            log_spread = (own_information * std::log(own) + prior_information * log_spread) / information;
        }
        fits[c] = {std::exp(log_spread), 1.0 / std::sqrt(information), static_cast<int>(residuals[c].size()),
                   parameters_used[c]};
    }
    return fits;
}

double correlation_of_phases(const TimeObjective& objective, const std::vector<double>& standardised,
                             const PriorSet& prior, std::size_t n_cases) {
    std::vector<double> enucleation(n_cases, std::nan("")), morcellation(n_cases, std::nan(""));
    const auto& observations = objective.observations();
    for (std::size_t o = 0; o < observations.size(); ++o) {
        if (observations[o].kind != ObservationKind::residual) continue;
        const std::size_t i = static_cast<std::size_t>(observations[o].case_index);
        if (observations[o].channel == Channel::enucleation) enucleation[i] = standardised[o];
        if (observations[o].channel == Channel::morcellation) morcellation[i] = standardised[o];
    }
    static const Loss bisquare("bisquare");
    double both = 0.0, first = 0.0, second = 0.0, n = 0.0;
    for (std::size_t i = 0; i < n_cases; ++i) {
        if (std::isnan(enucleation[i]) || std::isnan(morcellation[i])) continue;
        const double weight = bisquare(enucleation[i]).weight * bisquare(morcellation[i]).weight;
        both += weight * enucleation[i] * morcellation[i];
        first += weight * enucleation[i] * enucleation[i];
        second += weight * morcellation[i] * morcellation[i];
        n += weight > 0.0 ? 1.0 : 0.0;
    }
    const double own = first > 0.0 && second > 0.0 ? both / std::sqrt(first * second) : 0.0;
    return (n * own + prior.phase_correlation_cases * prior.phase_correlation) / (n + prior.phase_correlation_cases);
}

struct Candidate {
    Eigen::VectorXd theta;
    std::array<double, kChannels> spread{};
    double criterion = std::numeric_limits<double>::infinity();
    int start = 0;
};

/// What n log(M-scale) is worth beside a prior: the steps weigh the loss by E[psi'] / E[psi^2], and the slope of the
/// log scale is that of the loss over E[psi u] = E[psi']. Together the efficiency of the S-estimate at the normal.
constexpr double kMScaleEfficiency = 0.2867;

/// The S-step of mm: many short searches for the least sum of n_c log(M-scale), the best followed to their minimum.
class Search {
public:
    Search(const TimeObjective& objective, const TheatreTimeFit& fit, const PriorSet& prior, const FitOptions& options,
           const Eigen::VectorXd& lower, const Eigen::VectorXd& upper)
        : objective_(objective), fit_(fit), prior_(prior), options_(options), lower_(lower), upper_(upper) {}

    /// `first`: starts given, before the random ones; all with the spreads that `spread` holds.
    Candidate run(const std::vector<Eigen::VectorXd>& first, const std::array<double, kChannels>& spread,
                  SearchReport& report) const {
        constexpr int kFirstRounds = 2, kLastRounds = 100;
        constexpr std::size_t kPolished = 5;
        std::vector<Candidate> all(std::max(static_cast<std::size_t>(options_.starts), first.size()));
        parallel_for(all.size(), options_.threads, [&](std::size_t k) {
            all[k].start = static_cast<int>(k);
            all[k].spread = spread;
            all[k].theta = k < first.size() ? first[k] : of_a_third(k, first.front());
            descend(all[k], kFirstRounds);
        });
        const auto lower_first = [](const Candidate& a, const Candidate& b) { return a.criterion < b.criterion; };
        std::stable_sort(all.begin(), all.end(), lower_first);
        std::vector<Candidate> best;
        for (const Candidate& one : all) {
            const bool known = std::any_of(best.begin(), best.end(), [&](const Candidate& b) { return same(one, b); });
            if (!known && best.size() < kPolished && std::isfinite(one.criterion)) best.push_back(one);
        }
        if (best.empty()) throw NotFinite("the model cannot be evaluated from any start");
        parallel_for(best.size(), options_.threads, [&](std::size_t k) { descend(best[k], kLastRounds); });
        std::stable_sort(best.begin(), best.end(), lower_first);
        report.starts = static_cast<int>(all.size());
        report.polished = static_cast<int>(best.size());
        const auto n = static_cast<double>(objective_.observations().size());
        std::vector<const Candidate*> distinct;
        for (const Candidate& one : best) {
            const auto known =
                std::find_if(distinct.begin(), distinct.end(), [&](const Candidate* b) { return same(one, *b); });
            if (known != distinct.end()) {
                ++report.minima[static_cast<std::size_t>(known - distinct.begin())].count;
                continue;
            }
            distinct.push_back(&one);
            report.minima.push_back({one.theta, std::exp(one.criterion / n), 1, one.start});
        }
        return best.front();
    }

private:
    static bool same(const Candidate& a, const Candidate& b) {
        return std::abs(a.criterion - b.criterion) < 1e-3 && (a.theta - b.theta).cwiseAbs().maxCoeff() < 1e-2;
    }

    /// Fitted to a random third of the cases: an outlier may be in none of them.
    Eigen::VectorXd of_a_third(std::size_t k, const Eigen::VectorXd& start) const {
        const CounterRandom stream(options_.seed, stable_hash("thirds of the cases") ^ k);
        std::vector<int> counts(objective_.features().size(), 0);
        for (std::size_t i = 0; i < counts.size(); ++i) counts[i] = stream.uniforms(i)[0] < 1.0 / 3.0 ? 1 : 0;
        counts[k % counts.size()] = 1;
        try {
            TimeObjective third = objective_.resampled(counts);
            third.set_loss(Loss("huber"));
            LevenbergOptions options;
            options.max_iterations = 15;
            options.interrupt = options_.solver.interrupt;
            return levenberg_marquardt(third, start, lower_, upper_, Curvature::reweighted, options).theta;
        } catch (const Error&) {  // no time recorded in these cases, or nothing to evaluate: the start itself
            return start;
        }
    }

    void descend(Candidate& candidate, int rounds) const {
        constexpr double kSettled = 1e-6;
        const Loss loss("bisquare", kMScaleTuning);
        TimeObjective objective = objective_;
        objective.set_loss(loss);
        LevenbergOptions options;
        options.max_iterations = 4;
        options.interrupt = options_.solver.interrupt;
        try {
            objective.set_spreads(candidate.theta, candidate.spread);
            for (int round = 0; round < rounds; ++round) {
                candidate.theta =
                    levenberg_marquardt(objective, candidate.theta, lower_, upper_, Curvature::reweighted, options)
                        .theta;
                const auto channels = channel_fits(objective, objective.standardised_residuals(candidate.theta), {},
                                                   candidate.spread, prior_, ScaleMethod::m_scale);
                double change = 0.0, sum = 0.0;
                for (std::size_t c = 0; c < channels.size(); ++c) {
                    change = std::max(change, std::abs(std::log(channels[c].spread / candidate.spread[c])));
                    candidate.spread[c] = channels[c].spread;
                    sum += channels[c].observations * std::log(channels[c].spread);
                }
                objective.set_spreads(candidate.theta, candidate.spread);
                const Eigen::VectorXd away = candidate.theta - fit_.prior_mean;
                candidate.criterion =
                    kMScaleEfficiency * sum + 0.5 * (fit_.prior_precision.array() * away.array().square()).sum();
                if (change <= kSettled) break;
            }
        } catch (const NotFinite&) {
            candidate.criterion = std::numeric_limits<double>::infinity();
        }
    }

    const TimeObjective& objective_;
    const TheatreTimeFit& fit_;
    const PriorSet& prior_;
    const FitOptions& options_;
    const Eigen::VectorXd& lower_;
    const Eigen::VectorXd& upper_;
};

}  // namespace

void FitOptions::check() const {
    solver.check();
    if (estimator == Estimator::s) throw InvalidArgument("the time model's estimator must be m or mm, not s");
    if (estimator == Estimator::mm && !loss.redescending())
        throw InvalidArgument("the mm estimator needs a redescending loss (bisquare or cauchy), not " + loss.name());
    if (starts < 1) throw InvalidArgument("starts must be at least 1");
    for (const auto& [name, value] : fixed) {
        const int i = core_parameter_index(name);
        if (i < 0) {
            std::string known;
            for (const auto& one : core_parameters()) known += (known.empty() ? "" : ", ") + std::string(one.name);
            throw InvalidArgument("fixed: '" + name + "' is not a parameter of the model; allowed: " + known);
        }
        const auto& one = core_parameters()[static_cast<std::size_t>(i)];
        if (!(value >= one.lower && value <= one.upper))
            throw InvalidArgument("fixed: " + name + " = " + std::to_string(value) + " is outside " +
                                  std::to_string(one.lower) + " to " + std::to_string(one.upper));
    }
    if (max_rounds < 1) throw InvalidArgument("max_rounds must be at least 1");
    if (!(round_tolerance > 0.0)) throw InvalidArgument("round_tolerance must be positive");
    if (scale_method == ScaleMethod::fixed)
        throw InvalidArgument("the time model estimates its spreads: scale_method 'fixed' is not allowed");
    if (threads < 0) throw InvalidArgument("threads must be 0 (all) or more");
    if (!held_spreads) return;
    for (const double spread : *held_spreads) {
        if (!(spread > 0.0) || !std::isfinite(spread)) throw InvalidArgument("held spreads must be positive numbers");
    }
}

TheatreTimeFit fit_theatre_time(const CaseTable& cases, const PriorSet& prior, const FitOptions& options) {
    options.check();
    TheatreTimeFit fit;
    fit.layout = ModelLayout::from_cases(cases);
    fit.n_cases = cases.size();
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
    const Eigen::Index p = fit.layout.size();
    Eigen::VectorXd lower(p), upper(p);
    for (int i = 0; i < fit.layout.size(); ++i) {
        lower[i] = to_working(fit.layout.transform(i), fit.layout.lower(i));
        upper[i] = to_working(fit.layout.transform(i), fit.layout.upper(i));
    }
    for (const auto& [name, value] : options.fixed) {
        const int i = core_parameter_index(name);
        lower[i] = upper[i] = fit.prior_mean[i] = to_working(fit.layout.transform(i), value);
        fit.prior_precision[i] = 0.0;
        fit.held.push_back(i);
    }
    TimeObjective objective(fit.layout, std::move(features), std::move(observations), fit.prior_mean,
                            fit.prior_precision, options.threads);
    fit.theta = fit.prior_mean;
    std::array<double, kChannels> spread{};
    for (std::size_t c = 0; c < spread.size(); ++c)
        spread[c] = options.held_spreads ? (*options.held_spreads)[c]
                                         : prior.spread(channel_name(static_cast<Channel>(c))).centre;

    Evaluation evaluation;
    Eigen::MatrixXd inverse;
    std::array<double, kChannels> used{};
    double change = 1.0;
    std::array<double, kChannels> last_change{};
    const auto update_spreads = [&] {
        objective.evaluate(fit.theta, Curvature::reweighted, evaluation);
        // The eigenvalues that tell whether the parameters can be told apart are dear: asked for once at each end.
        set_apart(evaluation.curvature, fit.held, 1.0);
        if (inverse.size() == 0) require_identifiable(evaluation.curvature, fit.layout.names());
        inverse = inverse_of(evaluation.curvature);
        set_apart(inverse, fit.held, 0.0);
        // The parameters' share moves far less than the spreads do: it is held once those have nearly settled.
        if (change > kHoldSharesBelow) used = objective.parameters_used(fit.theta, inverse);
        fit.channels = channel_fits(objective, objective.standardised_residuals(fit.theta), used, spread, prior,
                                    options.scale_method);
        change = 0.0;
        for (std::size_t c = 0; c < spread.size(); ++c) {
            double& next = fit.channels[c].spread;
            if (options.held_spreads) next = spread[c];
            // Parameters and a spread may answer each other in turn for ever; half-way (in logs) they meet.
            if (last_change[c] * std::log(next / spread[c]) < 0.0) next = std::sqrt(next * spread[c]);
            last_change[c] = std::log(next / spread[c]);
            change = std::max(change, std::abs(last_change[c]));
            spread[c] = next;
        }
        objective.set_spreads(fit.theta, spread);
    };
    const auto minimise_with = [&](Curvature curvature, const MinimiseOptions& solver) {
        fit.minimum = minimise(objective, fit.theta, lower, upper, curvature, solver);
        if (fit.minimum.termination == Termination::interrupted) throw NotConverged("the fit was interrupted");
        if (!fit.minimum.usable()) throw NotConverged("the fit did not converge: " + fit.minimum.message);
        fit.theta = fit.minimum.theta;
    };
    const auto solve = [&](Curvature curvature, double gain_tolerance) {
        MinimiseOptions solver = options.solver;
        solver.gain_tolerance = std::max(solver.gain_tolerance, gain_tolerance);
        solver.polish_steps = 0;
        minimise_with(curvature, solver);
    };

    objective.set_spreads(fit.theta, spread);
    const bool squares = options.loss.name() == "squares";
    objective.set_loss(squares ? options.loss : Loss("huber"));
    for (int round = 0; round < kHuberRounds; ++round) {
        solve(Curvature::reweighted, kRoughGain);
        update_spreads();
    }
    if (options.estimator == Estimator::mm) {
        const Candidate best =
            Search(objective, fit, prior, options, lower, upper).run({fit.prior_mean, fit.theta}, spread, fit.search);
        fit.theta = best.theta;
        spread = best.spread;
        objective.set_spreads(fit.theta, spread);
        last_change = {};
        change = 1.0;  // the parameters' shares are those of the new minimum
        update_spreads();
    }
    objective.set_loss(options.loss);
    if (options.loss.redescending()) solve(Curvature::reweighted, kRoughGain);
    for (fit.rounds = 1; fit.rounds <= options.max_rounds && options.estimator == Estimator::m; ++fit.rounds) {
        const Eigen::VectorXd before = fit.theta;
        // No finer than what the spreads' last change leaves to find.
        const double gain = std::clamp(1e-4 * change * change, options.solver.gain_tolerance, kRoughGain);
        solve(Curvature::exact, gain);
        update_spreads();
        const double moved =
            ((fit.theta - before).array().abs() / inverse.diagonal().array().sqrt().max(1e-300)).maxCoeff();
        change = std::max(change, moved);
        if (options.progress) options.progress(fit.rounds, change);
        if (change <= options.round_tolerance) break;
    }
    if (options.estimator == Estimator::mm) {
        // The channels' spreads are held; what a row's spread and shift make of them still follows the parameters.
        for (fit.rounds = 1; fit.rounds <= options.max_rounds; ++fit.rounds) {
            const Eigen::VectorXd before = fit.theta;
            solve(Curvature::exact, options.solver.gain_tolerance);
            objective.set_spreads(fit.theta, spread);
            const double moved =
                ((fit.theta - before).array().abs() / inverse.diagonal().array().sqrt().max(1e-300)).maxCoeff();
            if (options.progress) options.progress(fit.rounds, moved);
            if (moved <= options.round_tolerance) break;
        }
    }
    if (fit.rounds > options.max_rounds)
        throw NotConverged("spreads and parameters did not settle in " + std::to_string(options.max_rounds) +
                           " rounds");
    minimise_with(Curvature::exact, options.solver);

    objective.evaluate(fit.theta, Curvature::reweighted, evaluation);
    inverse = inverse_if_identifiable(evaluation.curvature, fit.held, fit.layout.names());
    fit.curvature = curvature_for_covariance(objective, fit.theta, fit.held);
    fit.score_product = objective.score_product(fit.theta, inverse);
    set_apart(fit.score_product, fit.held, 0.0);
    const std::vector<double> standardised = objective.standardised_residuals(fit.theta);
    const std::vector<double> fitted = objective.fitted_medians(fit.theta);
    fit.phase_correlation = correlation_of_phases(objective, standardised, prior, fit.n_cases);
    fit.observations.reserve(standardised.size());
    for (std::size_t o = 0; o < standardised.size(); ++o) {
        const Observation& one = objective.observations()[o];
        const double weight = one.kind == ObservationKind::residual ? objective.loss()(standardised[o]).weight : 1.0;
        fit.observations.push_back(
            {one, objective.spreads()[o], objective.shifts()[o], fitted[o], standardised[o], weight});
    }
    return fit;
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
    std::array<double, kChannels> spread{};
    for (std::size_t c = 0; c < spread.size(); ++c) spread[c] = fit.channels[c].spread;
    objective.set_spreads(fit.theta, spread);
    return objective;
}

Eigen::MatrixXd inverse_reweighted_curvature(const TimeObjective& objective, const Eigen::VectorXd& theta,
                                             const std::vector<int>& held) {
    Evaluation evaluation;
    objective.evaluate(theta, Curvature::reweighted, evaluation);
    return inverse_if_identifiable(evaluation.curvature, held, objective.parameter_names());
}

TheatreTimeRefit::TheatreTimeRefit(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                                   const FitOptions& options)
    : fit_(std::make_shared<const TheatreTimeFit>(fit)),
      // Replicates run side by side, so each is evaluated by one thread.
      objective_(std::make_shared<const TimeObjective>(objective_of(*fit_, cases, options.loss, 1))),
      prior_(prior),
      options_(options),
      lower_(fit.layout.size()),
      upper_(fit.layout.size()),
      unit_(inverse_reweighted_curvature(*objective_, fit.theta, fit.held).diagonal().cwiseSqrt().cwiseMax(1e-300)) {
    for (int i = 0; i < fit.layout.size(); ++i) {
        lower_[i] = to_working(fit.layout.transform(i), fit.layout.lower(i));
        upper_[i] = to_working(fit.layout.transform(i), fit.layout.upper(i));
    }
    for (const int i : fit.held) lower_[i] = upper_[i] = fit.theta[i];
}

Eigen::VectorXd TheatreTimeRefit::operator()(std::span<const int> counts, std::uint64_t seed, std::uint64_t replicate,
                                             const std::function<bool()>& interrupt) const {
    constexpr int kRounds = 60, kSteps = 3, kLastSteps = 200;
    constexpr int kSpreadRounds = 30;  // then held: the few that still go to and fro do so by a small amount
    constexpr double kSettled = 1e-3;  // a thousandth of a standard error is nothing in a standard error
    std::array<double, kChannels> last_change{};
    TimeObjective objective = objective_->resampled(counts);
    const CounterRandom stream(seed, replicate ^ stable_hash("means of the prior"));
    Eigen::VectorXd mean = fit_->prior_mean;
    for (Eigen::Index j = 0; j < mean.size(); ++j) {
        if (fit_->prior_precision[j] > 0.0)
            mean[j] += stream.normals(static_cast<std::uint64_t>(j))[0] / std::sqrt(fit_->prior_precision[j]);
    }
    objective.set_prior_mean(mean);
    std::array<double, kChannels> spread{}, used{};
    for (std::size_t c = 0; c < spread.size(); ++c) {
        spread[c] = fit_->channels[c].spread;
        used[c] = fit_->channels[c].parameters_used;
    }
    Eigen::VectorXd theta = fit_->theta;
    LevenbergOptions solver;
    solver.max_iterations = kSteps;
    solver.gain_tolerance = 1e-9;
    solver.first_damping = 0.0;
    solver.interrupt = interrupt;
    for (int round = 0; round < kRounds; ++round) {
        const Eigen::VectorXd before = theta;
        // Where the floored curvature finds no way down, the reweighted one does, if slowly.
        const bool last = round >= kSpreadRounds;
        if (last) solver.max_iterations = kLastSteps;
        const Minimum minimum = levenberg_marquardt(objective, theta, lower_, upper_,
                                                    last ? Curvature::reweighted : Curvature::exact, solver);
        if (minimum.termination == Termination::interrupted) throw NotConverged("the replicate was interrupted");
        if (minimum.termination == Termination::failed) throw NotConverged("the replicate failed to converge");
        theta = minimum.theta;
        double change = ((theta - before).array().abs() / unit_.array()).maxCoeff();
        if (!options_.held_spreads && !last) {
            const auto channels = channel_fits(objective, objective.standardised_residuals(theta), used, spread, prior_,
                                               options_.scale_method);
            for (std::size_t c = 0; c < spread.size(); ++c) {
                double next = channels[c].spread;
                if (last_change[c] * std::log(next / spread[c]) < 0.0) next = std::sqrt(next * spread[c]);
                last_change[c] = std::log(next / spread[c]);
                change = std::max(change, std::abs(last_change[c]));
                spread[c] = next;
            }
        }
        objective.set_spreads(theta, spread);
        if (change <= kSettled && minimum.termination == Termination::converged) return theta;
        // All steps refused, the damping not yet high enough for one that is taken.
        solver.max_iterations = theta == before ? kRoughSteps : kSteps;
    }
    throw NotConverged("spreads and parameters of the replicate did not settle");
}

}  // namespace lobetime
