#pragma once
#include <lobetime/evidence/series.hpp>
#include <lobetime/model/parameters.hpp>
#include <lobetime/model/prior.hpp>

#include <Eigen/Core>

#include <array>
#include <string>
#include <vector>

namespace lobetime {

/// A figure of a series as the regression sees it.
struct SeriesFigure {
    int series;               ///< row
    std::string_view column;  ///< of `series_quantities()`
    double log_mean;          ///< of the cases' logarithms
    double variance;          ///< of that, from sampling alone
    bool direct;              ///< the phase's own minutes or g/min, with the glands' size known
};

/// Levels of a unit whose spread between units the series tell: tissue, enucleation, blade rate.
inline constexpr std::array<int, 3> kPooledLevels = {param::yield_g_80, param::e_80, param::rate_50};

/// After the core parameters: log ratio of enucleation time of ten years' later publication.
inline constexpr int kEnucleationTrend = param::Count;
inline constexpr int kPooledUnknowns = param::Count + 1;

/// The series pooled on the model's own parameters, working scale, in the order of `core_parameters()`, then the
/// trend. Parameters are those of a unit of the mean year of the newest decade's series.
struct PooledSeries {
    std::vector<SeriesFigure> figures;
    Eigen::VectorXd mean;        ///< mean of units
    Eigen::MatrixXd covariance;  ///< of that mean
    Eigen::MatrixXd between;     ///< covariance of a unit's parameters about it
    /// The same, those of the levels so that a normal has the 90 % range of a new unit's level, over all that is not
    /// known of its spread between units.
    Eigen::MatrixXd between_of_range;
    double first_cases;              ///< variance of both phases' levels on top, in series of first cases
    Eigen::VectorXd told;            ///< share of what was not known of the mean that the series explain away
    Eigen::VectorXd i2_percent;      ///< of the levels, else NaN
    Eigen::VectorXi studies, cases;  ///< behind each parameter
    Eigen::VectorXd direct_share, randomised_share;  ///< of those cases
    /// Studies' ids behind a parameter, by weight.
    std::vector<std::vector<std::string>> behind;

    double new_unit_variance(int parameter) const {
        return covariance(parameter, parameter) + between_of_range(parameter, parameter);
    }
};

/// Random-effects meta-regression, nonlinear in the parameters.
///
/// A figure's log mean is the logarithm of what formulas.hpp say at the series' gland volume (or at the gland that its
/// tissue came from), averaged over the surgeons' case numbers, plus sampling error SD^2 / n. The parameters of a unit
/// scatter about their mean: those in kPooledLevels with variances estimated by restricted maximum likelihood, the
/// others by half of their assumption's variance; the other half says how little is known of the mean itself, which the
/// series may lessen (of the levels and of the exponent of tissue nothing is assumed). A series scatters besides as its
/// surgeons do, by the assumption's variance over their number, and one of first cases by a further variance of both
/// phases' levels, estimated like the others: what teaches surgeons differs more than experienced ones do. A unit's
/// level of enucleation multiplies the minutes that do not grow with the gland, too, as a surgeon's does. It has a
/// trend with the year of publication, normal about none with an SD of 0.1 per decade (assumption). Formulas are
/// linearised about the mean of units (first-order approximation; Sheiner and Beal, J Pharmacokinet Biopharm
/// 1980;8:553), again and again until nothing moves. Means, medians, SDs, quartiles and ranges come in by
/// conversions.hpp.
///
/// Stated, where a series does not say: n 30; unselected glands 70 mL with a log SD between series of 0.45 and of cases
/// 0.51 (0.20 in a series by size); SDs by kDefaults in the source; vacuum and a 2 L canister, no device fault;
/// one unit, two surgeons a unit, the mean year.
///
/// `assumptions`: PriorSet with a row for every parameter. Throws InvalidArgument (check_series), NotConverged.
PooledSeries pool_series(const std::vector<Series>& series, const PriorSet& assumptions);

/// A published figure with what the other studies predict for it, natural scale.
struct LeftOut {
    std::string id, study, column;
    double published;             ///< typical value: exp(mean of logs)
    double lower, median, upper;  ///< 90 % prediction interval
    bool covered() const { return lower <= published && published <= upper; }
};

/// Each study (publication or centre) left out in turn, each of its figures predicted from the others.
std::vector<LeftOut> leave_one_study_out(const std::vector<Series>& series, const PriorSet& assumptions);

}  // namespace lobetime
