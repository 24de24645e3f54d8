#pragma once
#include <lobetime/fit/observations.hpp>
#include <lobetime/model/parameters.hpp>

#include <Eigen/Core>

#include <cmath>
#include <span>

namespace lobetime {

/// Share of a phase's learning that is left after so many cases (see formulas::learning_factor): 1 at a surgeon's first
/// case, 0 at the plateau; 0 for phases that have no learning curve. `theta`: working scale.
template <typename Number>
Number learning_left(Channel phase, const Eigen::VectorXd& theta, const Number& cases_done) {
    if (phase == Channel::enucleation) return 1.0 / (1.0 + cases_done / std::exp(theta[param::e_half]));
    if (phase == Channel::morcellation) return 1.0 / (1.0 + cases_done / std::exp(theta[param::m_half]));
    return 0.0 * cases_done;
}

/// How a phase's spread changes with the gland and with experience. The log SD of a case of V mL with `left` of the
/// learning still to come is the channel's spread times
///
///     exp(per_log_volume (log(V / 80) - centre_log_v80) + per_inexperience (left - centre_inexperience)).
///
/// A slope that the cases do not show is exactly 0 (see spread_trend). The fit weighs all cases of a phase by one
/// spread, which costs a little precision and no more: its sandwich covariance is right for unequal spreads. A
/// prediction needs the case's own.
struct SpreadTrend {
    static constexpr double kSteepest = 1.0;  ///< of either slope, so that no prediction outgrows numbers

    double per_log_volume = 0.0;     ///< 2^per_log_volume is the ratio of spreads per doubling of the gland
    double per_inexperience = 0.0;   ///< exp of it is the ratio of spreads of a first case against the plateau
    double per_log_volume_se = 0.0;  ///< standard error over samples of cases; 0 for a slope that is not shown
    double per_inexperience_se = 0.0;
    double centre_log_v80 = 0.0;  ///< where the factor is 1: means over the phase's cases, weighed by own^2
    double centre_inexperience = 0.0;

    bool shown() const { return per_log_volume != 0.0 || per_inexperience != 0.0; }
    template <typename Number>
    Number factor(double log_v80, const Number& left) const {
        using std::exp;
        return exp(per_log_volume * (log_v80 - centre_log_v80) + per_inexperience * (left - centre_inexperience));
    }
};

/// One recorded time of a phase, as its spread sees it.
struct ScatteredTime {
    double standardised;  ///< residual in units of its row's spread
    double own;  ///< the phase's spread over the row's, 0 to 1; rounding, blank tissue and swaps make up the rest
    double log_v80;
    double left;  ///< see learning_left

    /// The row's spread under `trend`, which moves the phase's own part alone, in units of the row's spread without.
    double relative_spread(const SpreadTrend& trend) const;
};

/// The trend of one phase's recorded times, where they show one.
///
/// Minimises, over a level a and the two slopes b,
///
///     sum log s + r(u / s) + 1/2 sum (b / prior SD)^2,    s^2 = e^(2a) (1 - own^2 + own^2 factor(b)^2),
///
/// with z r'(z) = c min(z^2, 4), c making its mean 1 at the normal: the normal likelihood as far as two spreads, beyond
/// which a case counts as one at two, so that no single one makes a trend (89 % efficient at the normal). Prior SDs of
/// the slopes are 0.15 and 0.3, centred on 0 (assumptions). Standard errors are those of samples of as many cases,
/// A^-1 B A^-1 with A the curvature, prior included, and B the scatter of the likelihood's slopes.
///
/// A slope counts as shown where it is at least two standard errors from 0, which chance does to one in twenty; else it
/// is exactly 0, and the other one is found again without it. Fewer than 20 times show nothing, nor do glands (log) or
/// shares of learning that lie within 0.1 of each other. Times beyond kNoRealCase are left out.
///
/// Throws NotFinite unless every number is finite and `own` from 0 to 1; an infinite `standardised` is only left out.
SpreadTrend spread_trend(std::span<const ScatteredTime> times);

}  // namespace lobetime
