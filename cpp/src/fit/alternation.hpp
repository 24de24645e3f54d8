#pragma once
#include <lobetime/fit/theatre_time_fit.hpp>

#include "fit/damped_steps.hpp"

#include <array>
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace lobetime {

using ChannelSpreads = std::array<double, kChannels>;

inline constexpr double kRoughGain = 1e-7;  ///< of the cost, while the spreads still change

/// Reads the channels' spreads off residuals: a robust scale, drawn towards the prior by its worth in cases.
class SpreadEstimator {
public:
    /// `held`: spreads that are not estimated.
    SpreadEstimator(const PriorSet& prior, ScaleMethod method,
                    const std::optional<ChannelSpreads>& held = std::nullopt);
    /// Weighted standard deviations whose weights are those at the current spreads. Where they settle the spread s has
    /// sum w(r / s) ((r / s)^2 - E[w Z^2] / E[w]) = 0, of which there may be several: what has no weight at the spreads
    /// begun with counts nothing, so that these decide how many wrong records it stands.
    static SpreadEstimator from_current(const PriorSet& prior, const std::optional<ChannelSpreads>& held);

    /// `standardised`: residuals in units of the row spreads that `current` gave; `used`: parameters that each
    /// channel's residuals pay for. An observation counts as often as the objective says.
    std::array<ChannelFit, kChannels> operator()(const TimeObjective& objective,
                                                 const std::vector<double>& standardised, const ChannelSpreads& used,
                                                 const ChannelSpreads& current) const;

    /// Before any case is seen: the held spreads, else the prior's centres.
    const ChannelSpreads& first() const { return first_; }

private:
    ScaleMethod method_;
    bool holds_, from_current_ = false;
    ChannelSpreads first_{}, prior_log_centre_{}, prior_information_{};
};

/// Parameters and spreads of one objective, settled in turn: the parameters with the spreads held, then the spreads
/// from the residuals. The turns are accelerated.
class Alternation {
public:
    struct Options {
        Curvature curvature = Curvature::exact;
        double tolerance = 1e-9;  ///< largest change in a round: parameters in `unit`, spreads relative
        int max_rounds = 200;
        int max_steps = 4;          ///< of the parameters, in a round that begins far from the minimum
        bool update_shares = true;  ///< find `used`, `counts_used` and `unit` on the way; else they stay
        std::function<void(int round, double change)> progress;
        std::function<bool()> interrupt;
    };

    /// Keeps references. `held`: positions of parameters that are not estimated (their bounds coincide).
    Alternation(TimeObjective& objective, const SpreadEstimator& estimator, const Eigen::VectorXd& lower,
                const Eigen::VectorXd& upper, const std::vector<int>& held);

    /// Goes to a point; the objective's row spreads become those of it.
    void start(const Eigen::VectorXd& at, const ChannelSpreads& with);

    /// Takes the parameters towards the minimum with the spreads held, until a step would gain less than `gain` of the
    /// cost. Throws NotConverged when interrupted or when no step can be taken.
    void solve(Curvature curvature, int max_steps, double gain, const std::function<bool()>& interrupt);

    /// Rounds until nothing changes by more than the tolerance, or until a jump of the parameters is closed in on, no
    /// side of which changes a parameter by more than a fifth of its standard error. Returns how many, or 0 when
    /// max_rounds did not do.
    /// Throws as `solve`, and NotIdentifiable when the curvature has no inverse.
    int settle(const Options& options);

    /// `used`, `counts_used` and `unit` at this point. Throws NotIdentifiable; `judge`: also where the curvature is
    /// nearly flat.
    void find_shares(bool judge);

    Eigen::VectorXd theta;
    ChannelSpreads spread{};
    ChannelSpreads used{};                         ///< parameters that each channel's residuals pay for
    double counts_used = 0.0;                      ///< see TimeObjective::set_counts_used, which it is given to
    Eigen::VectorXd unit;                          ///< about a standard error of each parameter; 0 for held ones
    std::array<ChannelFit, kChannels> channels{};  ///< as last read off the residuals

private:
    void move(const Options& options, bool near);
    Eigen::VectorXd packed() const;
    void unpack(const Eigen::VectorXd& all);

    TimeObjective& objective_;
    const SpreadEstimator& estimator_;
    const Eigen::VectorXd& lower_;
    const Eigen::VectorXd& upper_;
    const std::vector<int>& held_;
    DampedSteps steps_;
    Evaluation evaluation_;
};

/// Takes held parameters out of a matrix: their rows and columns become those of `own` times the identity.
void set_apart(Eigen::MatrixXd& matrix, const std::vector<int>& held, double own);

/// Inverse among the parameters that are not held, 0 for those that are. Throws NotIdentifiable naming parameters;
/// without `judge` (eigenvalues are dear) only where there is no inverse at all.
Eigen::MatrixXd inverse_of_curvature(Eigen::MatrixXd curvature, const std::vector<int>& held,
                                     const std::vector<std::string>& names, bool judge = true);

}  // namespace lobetime
