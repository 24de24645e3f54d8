#pragma once
#include <lobetime/fit/levenberg_marquardt.hpp>
#include <lobetime/fit/objective.hpp>
#include <lobetime/inference/quantity.hpp>

#include <functional>
#include <string>
#include <vector>

namespace lobetime {

/// One point of the profile: the least cost among all parameters that give the quantity this value.
struct ProfilePoint {
    double value;
    double deviance;  ///< 2 (cost - least cost) / deviance_unit
    Eigen::VectorXd theta;
};

struct ProfileInterval {
    double estimate = 0.0;
    double lower = 0.0, upper = 0.0;  ///< NaN where open
    bool lower_open = false, upper_open = false;
    std::string lower_reason, upper_reason;  ///< why an end is open
    std::vector<ProfilePoint> points;        ///< evaluated, in order of value
};

struct ProfileOptions {
    /// Deviance at the ends: the square of a normal or t quantile.
    double critical = 3.841458820694124;
    /// Of the deviance: 1 where curvature and information agree, else variance by the sandwich over variance by the
    /// curvature, so that the profile is as wide as the sandwich where it is parabolic.
    double deviance_unit = 1.0;
    double tolerance = 1e-9;  ///< of the ends, relative to the distance from the estimate
    int max_evaluations = 200;
    std::function<bool()> interrupt;
};

/// Interval of all values whose deviance stays below `critical`, searched outwards from the minimum.
///
/// A point of the profile is found as the minimum of cost + K/2 (g(theta) - c)^2: whatever K, it is the least cost
/// among all theta with that g(theta), so the profile is exact and nothing is parametrised anew. An end is open
/// when the deviance does not reach `critical` however far the quantity goes, or when a bound of the parameters stops
/// it; an open end has no number.
///
/// `theta`: the minimum, `standard_error`: of the quantity (sets the first steps). Throws NotConverged when a lower
/// minimum than `theta` is met (the fit was not at its minimum) or the search does not settle.
ProfileInterval profile_interval(const Objective& objective, const Eigen::VectorXd& theta, const Eigen::VectorXd& lower,
                                 const Eigen::VectorXd& upper, const Quantity& quantity, double standard_error,
                                 const ProfileOptions& options);

}  // namespace lobetime
