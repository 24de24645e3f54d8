#pragma once
#include <Eigen/Core>

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

/// Where a number comes from. Every number a user sees carries one of these.
enum class NumberOrigin { cases, published, common_practice, assumption, held };

std::string_view origin_words(
    NumberOrigin origin);  ///< "fitted from cases", "published", "common practice", "assumption", "held by the user"
NumberOrigin origin_from_words(std::string_view words);

/// Gaussian prior of one parameter on its working scale, given by a centre and the range that should hold 90 %.
///
/// `centre`, `low`, `high` are on the natural scale; the standard deviation on the working scale is
/// (working(high) - working(low)) / (2 * 1.6449).
struct ParameterPrior {
    std::string name;
    double centre = 0.0;
    double low = 0.0;
    double high = 0.0;
    NumberOrigin origin = NumberOrigin::assumption;
    std::string source;

    double working_mean() const;
    double working_sd() const;
};

/// Prior of a log standard deviation (spread of one phase), as a centre and its 90 % range.
struct SpreadPrior {
    std::string name;
    double centre = 0.0;
    double low = 0.0;
    double high = 0.0;
    NumberOrigin origin = NumberOrigin::assumption;
    std::string source;

    double log_sd() const;  ///< standard deviation of log(spread)
};

/// A chance per case, as pseudo-counts (Beta distribution) that the unit's own counts are added to.
struct RatePrior {
    std::string name;
    double events = 0.0;
    double cases = 0.0;
    NumberOrigin origin = NumberOrigin::assumption;
    std::string source;
};

/// What is believed of one device's level, the log ratio of its blade rate to its class's, apart from the spread
/// between devices: how a device class that the formulas do not know enters.
struct DevicePrior {
    std::string code;
    double log_ratio = 0.0;
    double log_sd = 0.5;
    NumberOrigin origin = NumberOrigin::assumption;
    std::string source;
    void check() const;  ///< throws InvalidArgument: no code, not finite, no width
};

/// Everything that is believed before the first case of a unit.
///
/// Core parameters are believed jointly: where series report only what two of them make together, their sum is known
/// better than either. Surgeons' and devices' levels are independent.
struct PriorSet {
    std::string label = "published";         ///< what a model says that it started from
    std::vector<ParameterPrior> parameters;  ///< core parameters only
    /// Correlations of `parameters` on their working scales, rows and columns in their order; empty: all independent.
    Eigen::MatrixXd correlation;
    std::vector<SpreadPrior> spreads;  ///< one for each name in `channel_names()` that has one
    /// Two matched expert centres differ 1.4 times in enucleation (J Endourol 2005;19:555-8), a log SD of 0.24: half of
    /// that variance taken as the surgeon's (assumption) is a mean square of 0.17, with a median of 0.14.
    double surgeon_enucleation_log_sd = 0.14;
    double surgeon_morcellation_log_sd = 0.14;
    /// Of the extra enucleation time while learning. Published plateaus lie from 20 to 60 cases (World J Urol
    /// 2021;39:2427), three times apart, as 90 % of log-normal levels with a log SD of 0.33 do: half of that variance
    /// is taken as the surgeon's (assumption), as above.
    double surgeon_learning_log_sd = 0.24;
    double device_log_sd = 0.2;
    std::vector<DevicePrior> devices;  ///< codes with a prior of their own; the spread between devices is not theirs
    NumberOrigin group_origin = NumberOrigin::assumption;
    std::string group_source =
        "spread between surgeons of one unit (half of the variance between two matched centres, J Endourol "
        "2005;19:555-8), of their learning (plateaus at 20 to 60 cases, World J Urol 2021;39:2427) "
        "and between devices of one class";
    /// Standard deviation of the logs of these four spreads: 90 % lie between half and twice.
    double group_log_sd_spread = 0.42;
    double phase_correlation = 0.2;         ///< between enucleation and morcellation residuals of one case
    double phase_correlation_cases = 50.0;  ///< cases that this correlation is worth
    std::vector<RatePrior> fault_rates;     ///< by device class, see `device_class_name`
    RatePrior hard_nodule_rate;
    /// The odds of a hard nodule grow with this power of the gland: log(140 / 80) / 0.5^2, from mean glands of 140 mL
    /// with and 80 mL without one (PMID 38546885), glands being log-normal with 0.5.
    double hard_nodule_power = 2.2;
    double hard_nodule_gland_log_sd = 0.5;  ///< of the glands, about 80 mL, that hard_nodule_rate is the mean of

    const ParameterPrior* find(std::string_view name) const;
    /// Of the core parameters in the order of `core_parameters()`, working scale. Both throw InvalidArgument naming a
    /// parameter without a row; the covariance also if `correlation` has another size or is not positive definite.
    Eigen::VectorXd working_mean() const;
    Eigen::MatrixXd working_covariance() const;
    const DevicePrior* device(std::string_view code) const;  ///< nullptr: as the spread between devices has it
    const SpreadPrior& spread(std::string_view name) const;  ///< throws InvalidArgument if there is none

private:
    std::size_t row_of(int parameter) const;
};

}  // namespace lobetime
