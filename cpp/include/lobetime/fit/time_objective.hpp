#pragma once
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/objective.hpp>
#include <lobetime/fit/observations.hpp>
#include <lobetime/model/layout.hpp>
#include <lobetime/model/phase_kernel.hpp>
#include <lobetime/model/prior.hpp>

#include <array>
#include <cstdint>
#include <span>
#include <vector>

namespace lobetime {

/// A recorded time is off by anything with this chance: it bounds what a miscounted swap or a mistyped lower bound
/// can pull, as a robust loss does for times (assumption).
inline constexpr double kMisrecorded = 1e-4;

/// The time model's robust objective over all observations and priors, with the spreads held:
///
///     sum over residuals  k rho(u)                                                k = loss.information_factor()
///   + sum over survivors  -log((1 - e) P(Z > u) + e)                            e = kMisrecorded
///   + sum over counts     -log((1 - e) P(SC <= F < (S+1)C) + e)
///   - q fluid_log_sd                              q = parameters that counts pay for besides (set_counts_used)
///   + 1/2 (theta - prior mean)' prior precision (theta - prior mean)
///
/// with u = (log((recorded - offset) / predicted) - shift) / spread, the log being `log_ratio` where there is an
/// offset.
///
/// Blank tissue is integrated over its spread about the yield line (three Gauss-Hermite nodes): the predicted log
/// time is the average over the nodes, and its slope times the tissue spread widens the row's spread.
class TimeObjective final : public Objective {
public:
    /// `prior_mean` (p), `prior_precision` (p x p): working scale; a row and column of zeros = no prior.
    TimeObjective(const ModelLayout& layout, std::vector<CaseFeatures> features, std::vector<Observation> observations,
                  Eigen::VectorXd prior_mean, Eigen::MatrixXd prior_precision, int threads);

    const std::vector<std::string>& parameter_names() const override { return layout_->names(); }
    void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const override;

    /// The same objective over the cases as often as `counts` (n_cases) says, cases that count 0 left out: a replicate
    /// of the bootstrap. Counts weigh cost, gradient and curvature; what is listed by observation stays one entry each.
    /// Throws InvalidArgument for a wrong number of counts, negative ones or none above 0.
    TimeObjective resampled(std::span<const int> counts) const;

    /// How often an observation counts, one entry each; empty when all count once.
    const std::vector<int>& counts() const { return count_; }

    void set_loss(const Loss& loss) { loss_ = loss; }
    void set_prior_mean(const Eigen::VectorXd& mean) { prior_mean_ = mean; }
    void set_prior_precision(const Eigen::MatrixXd& precision) { prior_precision_ = precision; }
    /// q of the term -q fluid_log_sd; 0 until it is set. Counts tell fluid's spread by their likelihood, whose maximum
    /// is too small by the q parameters that they pay for besides: log det of the curvature over two falls by q for
    /// each log of the spread, and is what Laplace's approximation integrates those parameters out by (Cox and Reid, J
    /// R Stat Soc B 1987;49:1). Times have spreads of their own, corrected by n / (n - parameters used).
    void set_counts_used(double parameters) { counts_used_ = parameters; }

    /// Row spreads and shifts from the channels' spreads, at `theta`; held until the next call. The shift is how far
    /// the mean log of a sum lies from the log of the sum of medians: 0 for a phase recorded alone.
    void set_spreads(const Eigen::VectorXd& theta, const std::array<double, kChannels>& channel_spread);

    /// Residuals in units of their spread, one for each observation (0 for swap counts).
    std::vector<double> standardised_residuals(const Eigen::VectorXd& theta) const;

    /// Medians that `recorded - offset_min` is held against, one for each observation: minutes, of tissue grams (NaN
    /// for swap counts). Blank tissue is at its median.
    std::vector<double> fitted_medians(const Eigen::VectorXd& theta) const;

    /// Effective number of parameters that each channel's residuals pay for: the trace of (inverse curvature x the
    /// channel's curvature). `inverse_curvature`: p x p, of the whole objective at `theta`.
    std::array<double, kChannels> parameters_used(const Eigen::VectorXd& theta,
                                                  const Eigen::MatrixXd& inverse_curvature) const;

    /// The same for swap counts, with fluid_log_sd held, as `set_counts_used` asks; 0 where it is held anyway.
    double parameters_used_by_counts(const Eigen::VectorXd& theta, const Eigen::MatrixXd& inverse_curvature) const;

    /// Sum over cases of score score', p x p, without priors. A case's score is the sum of its observations', so phases
    /// of one case may be correlated, each divided by sqrt(1 - its leverage): phases of a case share few parameters.
    Eigen::MatrixXd score_product(const Eigen::VectorXd& theta, const Eigen::MatrixXd& inverse_curvature) const;

    /// Gradient of each case's part of the objective, n_cases x p, without priors; with an inverse curvature, each
    /// observation's part is divided by (1 - its leverage)^power.
    Eigen::MatrixXd case_scores(const Eigen::VectorXd& theta, const Eigen::MatrixXd* inverse_curvature = nullptr,
                                double power = 0.0) const;

    /// Trace of (inverse curvature x each case's reweighted curvature), n_cases.
    Eigen::VectorXd case_leverage(const Eigen::VectorXd& theta, const Eigen::MatrixXd& inverse_curvature) const;

    const std::vector<Observation>& observations() const { return observations_; }
    const std::vector<CaseFeatures>& features() const { return features_; }
    const std::vector<double>& spreads() const { return spread_; }
    const std::vector<double>& shifts() const { return shift_; }
    /// The part of each row's spread that is rounding: step / sqrt(12) in units of the predicted value.
    const std::vector<double>& rounding_spreads() const { return rounding_spread_; }
    const Loss& loss() const { return loss_; }

private:
    struct Group {
        std::size_t tile, begin, end;
        bool integrate_tissue;
        std::uint32_t moving;  ///< bits: parameters of the phases that a case of the group can depend on
    };
    struct Rows;
    struct Pull {
        double cost, slope, curvature;
    };

    double leverage_of(const Rows& rows, std::size_t row, const Pull& pull,
                       const Eigen::MatrixXd& inverse_curvature) const;
    /// Sums of leverages by place: `place(observation)` is 0 .. N - 1, or below 0 for one to leave out.
    template <std::size_t N, typename Place>
    std::array<double, N> leverages(const Eigen::VectorXd& theta, const Eigen::MatrixXd& inverse_curvature,
                                    Place&& place) const;
    std::uint32_t moving_parameters(const Group& group) const;
    void rows_of(const Group& group, const PhaseKernel& kernel, Rows& out) const;
    Pull pull_of(const Observation& observation, double spread, const Rows& rows, std::size_t row,
                 Curvature curvature) const;
    template <typename Visit>
    void visit_tiles(std::size_t chunk, const PhaseKernel& kernel, Visit&& visit) const;
    std::size_t chunks() const;
    int threads_for_size() const;

    const ModelLayout* layout_;
    std::vector<CaseFeatures> features_;
    std::vector<Observation> observations_;  ///< sorted by tile, then alike ones together
    std::vector<Group> groups_;
    std::vector<std::size_t> tile_begin_;  ///< first group of each tile, and the end
    std::vector<int> count_;
    std::vector<double> spread_, shift_, rounding_spread_;
    Eigen::VectorXd prior_mean_;
    Eigen::MatrixXd prior_precision_;
    Loss loss_{"huber"};
    double tissue_spread_ = 0.2, counts_used_ = 0.0;
    int threads_;
};

}  // namespace lobetime
