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
    double tolerance = 1e-9;    ///< of the ends, relative to the distance from the estimate
    int max_evaluations = 200;  ///< points of the profile for one end
    std::function<bool()> interrupt;
    void check() const;  ///< throws InvalidArgument naming the field
};

/// Interval of all values whose deviance stays below `critical`, searched outwards from the minimum.
///
/// A point of the profile of a parameter is the minimum with the parameter held; of another quantity g it is the
/// minimum of cost + K/2 (g(theta) - c)^2: whatever K, that is the least cost among all theta with that g(theta), so
/// the profile is exact and nothing is parametrised anew. Both give the profile's slope with the point, so that the
/// ends are found by Newton steps on the signed root of the deviance, inside a bracket once there is one.
///
/// An end is open when the deviance does not reach `critical` however far the quantity goes (it levels off, or the
/// objective can no longer be evaluated), or when a bound of the parameters stops it; an open end has no number. An
/// end beyond the values that the quantity can have is cut there.
///
/// `theta`: the minimum, `standard_error` > 0: of the quantity (sets the first steps only). Throws NotConverged when a
/// lower minimum than `theta` is met (the fit was not at its minimum), the search does not settle or `interrupt` stops
/// it, NotFinite when the quantity has no value at `theta`, InvalidArgument (sizes, options).
ProfileInterval profile_interval(const Objective& objective, const Eigen::VectorXd& theta, const Eigen::VectorXd& lower,
                                 const Eigen::VectorXd& upper, const Quantity& quantity, double standard_error,
                                 const ProfileOptions& options);

}  // namespace lobetime
