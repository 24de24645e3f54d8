#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>
#include <lobetime/model/layout.hpp>
#include <lobetime/model/prior.hpp>

#include <Eigen/Core>

#include <array>
#include <cstdint>
#include <string>
#include <vector>

namespace lobetime {

/// A surgeon as the model knows them.
struct SurgeonRecord {
    std::string code;
    double last_case_no;  ///< NaN if never known
    int cases = 0;
};

/// A device class (blade motion and suction) with what was seen of it.
struct DeviceClassRecord {
    BladeMotion blade;
    Suction suction;
    int cases = 0;
};

/// "oscillating/vacuum"; "unknown" stands for a blank part.
std::string device_class_name(BladeMotion blade, Suction suction);

/// A chance per case after the unit's own counts: Beta(events, cases - events).
struct Rate {
    double events = 0.0;
    double cases = 1.0;
    double mean() const { return events / cases; }
};

/// Where a parameter's estimate comes from.
struct ParameterSource {
    NumberOrigin origin =
        NumberOrigin::assumption;  ///< `cases` when they explain at least half of the prior variance away
    std::string source;
    double share_from_cases = 0.0;  ///< 1 - variance / prior variance, in [0, 1]
};

/// Where outcomes of cases that a fit had not seen fell in their predictions, and of which phases' sum (bits of
/// `phase`). From so many on, predictions are corrected by them.
struct HeldOut {
    static constexpr std::size_t kEnough = 100;
    std::uint8_t phases = 0;
    std::vector<double> places;  ///< ascending, each the share of draws below the outcome
    bool enough() const { return places.size() >= kEnough; }
};

/// All that prediction needs, and nothing of any single case: no rows, no case ids. What a model file holds.
struct FittedModel {
    ModelLayout layout;
    Eigen::VectorXd theta;       ///< working scale
    Eigen::MatrixXd covariance;  ///< working scale; sandwich for a fit, the prior's own for none
    std::vector<ParameterSource> sources;
    std::array<ChannelFit, kChannels> channels;
    double phase_correlation = 0.0;
    GroupSpread surgeon_enucleation, surgeon_morcellation, surgeon_learning, device;
    std::vector<SurgeonRecord> surgeons;
    std::vector<DeviceClassRecord> device_classes;
    std::vector<DevicePrior> device_priors;  ///< of codes that have one; it holds for those without a case
    std::vector<std::pair<std::string, Rate>> fault_rates;  ///< by class, device with a prior of its own, "other"
    Rate hard_nodule_rate;                                  ///< of the unit's glands on average
    double hard_nodule_odds_80 = 0.0;                       ///< at 80 mL; they grow with the gland to hard_nodule_power
    double hard_nodule_power = 0.0;
    /// false: no case had a case number, so all were taken as by experienced surgeons, and so are bookings without one
    bool experience_recorded = true;
    bool faults_recorded = false;        ///< false: their delays are in the residuals already
    bool hard_nodules_recorded = false;  ///< likewise
    bool canisters_recorded = false;
    int n_cases = 0;
    double gland_min_ml = 0.0, gland_median_ml = 80.0, gland_max_ml = 0.0;
    std::string estimator = "none";  ///< "m" or "mm"; "none" without a fit
    std::string loss = "none";
    double tuning = 0.0;  ///< of the loss; 0 without a fit
    std::string prior = "published";

    HeldOut held_out;
    bool has_history() const { return n_cases > 0; }
    double hard_nodule_chance(double gland_ml) const;
};

/// The prior alone, for a unit without a history.
FittedModel model_from_prior(const PriorSet& prior);

/// A fit with its sandwich covariance and what its cases covered.
FittedModel model_from_fit(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                           const FitOptions& options);

/// Inverse of the curvature, p x p: the covariance if the loss and the spreads were right. 0 for held parameters.
/// Throws NotIdentifiable.
Eigen::MatrixXd inverse_curvature(const TheatreTimeFit& fit);

/// Covariance of the estimate on the working scale, p x p:
///
///     A^-1 (S + P) A^-1,  S = (n sum s s' + 20 E) / (n + 20)
///
/// with A the curvature of the objective, s the score of a case (all its observations together, so that phases of
/// one case may be correlated), each observation's part divided by sqrt(1 - its leverage), and P the scatter of the
/// priors' pulls (`prior_scatter`). The leverage correction is the HC2 rule (MacKinnon and White, J Econometrics
/// 1985;29:305) carried over to M-estimates; the phases of a case share few parameters, so each is corrected by itself.
/// The products of few scores are mostly chance, so they are drawn to what they come to under normal noise, E, which
/// counts as 20 cases (assumption).
Eigen::MatrixXd sandwich_covariance(const TheatreTimeFit& fit);

}  // namespace lobetime
