#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/fit/estimator.hpp>
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/minimise.hpp>
#include <lobetime/fit/noise_law.hpp>
#include <lobetime/fit/observations.hpp>
#include <lobetime/fit/scale.hpp>
#include <lobetime/fit/spread_trend.hpp>
#include <lobetime/fit/time_objective.hpp>
#include <lobetime/model/layout.hpp>
#include <lobetime/model/prior.hpp>

#include <array>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace lobetime {

struct FitOptions {
    Loss loss{"bisquare"};
    ScaleMethod scale_method = ScaleMethod::reweighted;  ///< not `fixed`; `sd` goes with squares
    /// Spreads that are not estimated but held, to compare forms on one yardstick.
    std::optional<std::array<double, kChannels>> held_spreads;
    /// Likewise log SDs of the groups' levels: surgeons' enucleation, morcellation and learning, devices.
    std::optional<std::array<double, 4>> held_groups;
    /// Parameters held at a value (natural scale), by name: a form of the model without what they stand for. They have
    /// no prior and no variance.
    std::map<std::string, double> fixed;
    std::optional<Estimator> estimator;  ///< m or mm; by default mm with the bisquare, else m: see chosen_estimator
    int starts = 20;                     ///< of mm, >= 1
    std::uint64_t seed = 1;              ///< of the starts
    bool use_prior = true;          ///< false: no prior on the core parameters (their centres only start the solver)
    int max_rounds = 1000;          ///< alternations of parameters and spreads, >= 1
    double round_tolerance = 1e-9;  ///< relative change of spreads and parameters (in standard errors) between rounds
    int threads = 0;                ///< 0 = as many as the machine has; results do not depend on it
    MinimiseOptions solver;
    std::function<void(int round, double change)> progress;
    /// The asked one. By default mm with the bisquare: up to 10 % of records three to eight times too long it fits like
    /// m; with more it errs less in enucleation and more in morcellation (cpp/bench/contamination.py). Of the other
    /// losses mm was not measured, or has no meaning.
    Estimator chosen_estimator() const;
    void check() const;
};

/// What one channel's residuals say about its spread.
struct ChannelFit {
    double spread = 0.0;         ///< log SD; for sums a multiple of what the phases' spreads predict
    double spread_log_se = 0.0;  ///< standard error of log(spread), prior included
    int observations = 0;        ///< times (not lower bounds) that inform it
    double parameters_used = 0.0;
    NoiseLaw law{};       ///< of one case's noise, in spreads of its own; the normal for tissue and sums
    SpreadTrend trend{};  ///< of enucleation, haemostasis and morcellation, where their recorded times show one
};

/// How far surgeons (or devices) lie apart: standard deviation of their levels on the log scale.
struct GroupSpread {
    double log_sd = 0.2;
    double log_se = 0.42;  ///< standard error of log(log_sd), prior included
    int members = 0;
};

/// One recorded value as the fit saw it. The row's part of the objective can be rebuilt from these.
struct FittedObservation {
    Observation observation;
    double spread;        ///< held in the final minimisation
    double shift;         ///< likewise; see TimeObjective::set_spreads
    double fitted;        ///< median of recorded - offset_min: minutes, of tissue grams; NaN for swap counts
    double standardised;  ///< residual / spread
    double weight;        ///< psi(u) / u; 1 for lower bounds and counts
};

/// The minimum of the robust objective and what is needed to judge it.
struct TheatreTimeFit {
    ModelLayout layout;
    Eigen::VectorXd theta;  ///< working scale
    /// Working scale; given the held parameters' values, whose own rows and columns are zero.
    Eigen::VectorXd prior_mean;
    Eigen::MatrixXd prior_precision;
    std::vector<bool> apart;  ///< levels with a prior of their own (see DevicePrior)
    bool is_apart(int parameter) const { return apart[static_cast<std::size_t>(parameter)]; }
    Eigen::VectorXd lower, upper;  ///< bounds, working scale; they coincide where a parameter is held
    Estimator estimator = Estimator::m;
    std::vector<int> held;  ///< positions of the parameters that options.fixed holds
    SearchReport search;    ///< of mm: see fit_theatre_time; empty for m
    std::array<ChannelFit, kChannels> channels;
    double counts_used = 0.0;  ///< parameters that swap counts pay for: see TimeObjective::set_counts_used
    GroupSpread surgeon_enucleation, surgeon_morcellation, surgeon_learning, device;
    double phase_correlation = 0.0;  ///< enucleation and morcellation residuals of one case, prior included
    /// Of the objective, priors included: psi' as it is, or floored at 0 if indefinite. Rows and columns of held
    /// parameters are those of the identity.
    Eigen::MatrixXd curvature;
    /// Sum over cases of score score' / (1 - leverage), priors not included; 0 for held parameters.
    Eigen::MatrixXd score_product;
    /// What `score_product` comes to if noise is normal: the curvature, psi' floored at 0, priors not included.
    Eigen::MatrixXd expected_product;
    std::vector<FittedObservation> observations;
    Minimum minimum;
    int rounds = 0;
    std::size_t n_cases = 0;

    /// What the objective has besides the cases (the priors, and fluid's correction): its cost, and its gradient.
    double cost_without_cases() const;
    Eigen::VectorXd slope_without_cases() const;
};

/// Variance of the prior's pull on the estimate, p x p: the precision; for levels of a group times exp(2 log_se^2),
/// because the fit draws them by 1 / tau^2 of an estimated tau, while what they scatter with is E[tau^2].
Eigen::MatrixXd prior_scatter(const TheatreTimeFit& fit);

/// Fits the time model to past cases: a Huber fit from the prior's centre, then the asked loss, each alternating
/// with the channels' robust spreads until neither moves, and a last minimisation with the spreads held.
///
/// The spread tau of each group's levels is found at the Huber fit, where the Laplace approximation of the marginal
/// likelihood, times a log-normal prior of tau, has its maximum: q - (sum of squared levels + trace of their
/// covariance) / tau^2 + (log tau - log centre) / s^2 = 0, q levels. It is held from there on.
///
/// With Estimator::mm the start is searched: from the prior's centre (start 0), from the Huber fit (1), and from fits
/// to random thirds of the cases, a few steps towards the least
///
///     e sum over channels n_c log(M-scale of the channel's residuals) + cost of priors, survivors and counts,
///
/// e = 0.287 being the efficiency of such an S-estimate, so that a prior weighs what its width says. The best distinct
/// ones are followed to their minimum. From the lowest, with its residuals' spreads by the scale method, the loss's
/// parameters settle together with weighted standard deviations whose weights are those at the spreads as they stand
/// (Koller and Stahel, Comput Stat Data Anal 2011;55:2504, for linear models): in few cases the S-estimate's spreads
/// are those of parameters that fit worse than the loss's. In `search`, `scale` is exp(that sum / (e times the number
/// of times)), a geometric mean of the spreads, and `count` the starts known to have ended there.
///
/// Throws InvalidArgument (options, no usable observation, name or value of a held parameter), NotFinite (case named),
/// NotIdentifiable (parameters named), NotConverged.
TheatreTimeFit fit_theatre_time(const CaseTable& cases, const PriorSet& prior, const FitOptions& options = {});

/// A fit once more from its cases drawn with replacement, as the bootstrap needs it.
///
/// Starts at the fit, finds the spreads again (the parameters' shares in them held), and draws the prior's means
/// again from the prior, because a prior is an observation too: without it the replicates would vary less than the
/// estimate does. Runs on the small solver, to 1e-3 standard errors, and can be called by several threads at once.
class TheatreTimeRefit {
public:
    /// Keeps a copy of what it needs of the cases and of the fit's layout. `prior`, `options`: those of the fit.
    TheatreTimeRefit(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                     const FitOptions& options);

    /// Parameters on the working scale. `counts`: one for each case; (seed, replicate) name the draw of the prior's
    /// means. Throws NotConverged (also when `interrupt` asks it to stop), NotIdentifiable.
    Eigen::VectorXd operator()(std::span<const int> counts, std::uint64_t seed, std::uint64_t replicate,
                               const std::function<bool()>& interrupt = {}) const;

private:
    struct Plan;
    std::shared_ptr<const Plan> plan_;
};

/// The objective that the fit minimised, with the spreads it ended with, made again from its cases. Points to
/// `fit.layout`. Throws InvalidArgument unless there are as many cases as the fit had.
TimeObjective objective_of(const TheatreTimeFit& fit, const CaseTable& cases, const Loss& loss, int threads);

/// Inverse of the objective's reweighted curvature at the fit, p x p, priors included: what leverages refer to.
/// Rows and columns of `held` parameters are zero.
Eigen::MatrixXd inverse_reweighted_curvature(const TimeObjective& objective, const Eigen::VectorXd& theta,
                                             const std::vector<int>& held = {});

}  // namespace lobetime
