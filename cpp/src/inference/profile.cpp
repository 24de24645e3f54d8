#include <lobetime/core/errors.hpp>
#include <lobetime/inference/profile.hpp>

#include <algorithm>
#include <cmath>
#include <optional>
#include <sstream>
#include <utility>

namespace lobetime {
namespace {

/// Of the penalty, in units of the profile's own curvature at the minimum: stiff enough to land near the value aimed
/// at, slack enough to leave the normal equations their digits.
constexpr double kStiffness = 1e3;
constexpr double kShareOfStandardError = 1e-4;  // steps of differences; see quantity.cpp
constexpr double kLowerMinimum = 1e-4;          // of the critical deviance: at 95 %, 0.02 of a standard error
constexpr int kMostHalvings = 8;
constexpr int kSolverIterations = 400;
/// A profile has levelled off when its gains over this many doublings of the distance shrink so fast that all further
/// ones together do not reach the critical deviance. Half a root a doubling, say, is still told from that.
constexpr int kLevelDoublings = 5;
constexpr double kLevelRatio = 0.75;
constexpr double kFarthest = 1e9;  // first steps

std::string shown(double value) {
    std::ostringstream text;
    text.precision(4);
    text << value;
    return text.str();
}

/// Cost with the quantity drawn to a value. The penalty's own curvature K d d' leaves out the bend of the quantity: it
/// changes the number of steps, not where they end.
class Drawn final : public Objective {
public:
    Drawn(const Objective& objective, const Quantity& quantity, Eigen::VectorXd step)
        : objective_(objective), quantity_(quantity), step_(std::move(step)) {}

    const std::vector<std::string>& parameter_names() const override { return objective_.parameter_names(); }

    void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const override {
        objective_.evaluate(theta, curvature, out);
        const double natural = quantity_.value(theta), miss = on_scale(natural) - target;
        Eigen::VectorXd slope = gradient_of(quantity_, theta, step_);
        if (quantity_.scale == Transform::log) slope /= natural;
        out.cost += 0.5 * stiffness * miss * miss;
        out.gradient += stiffness * miss * slope;
        out.curvature += stiffness * slope * slope.transpose();
    }

    double on_scale(double natural) const {
        const double value = to_working(quantity_.scale, natural);
        if (!std::isfinite(value)) throw NotFinite(quantity_.name + " has no finite value");
        return value;
    }

    double target = 0.0, stiffness = 0.0;

private:
    const Objective& objective_;
    const Quantity& quantity_;
    Eigen::VectorXd step_;
};

/// A point of the profile on the scale searched: the parameter's working scale, or the quantity's own.
struct Point {
    double at = 0.0;
    double cost = 0.0;
    double slope = 0.0;  ///< d cost / d at along the profile
    Eigen::VectorXd theta;
};

class Profile {
public:
    Profile(const Objective& objective, const Eigen::VectorXd& theta, const Eigen::VectorXd& lower,
            const Eigen::VectorXd& upper, const Quantity& quantity, double standard_error,
            const ProfileOptions& options)
        : objective_(objective),
          lower_(lower),
          upper_(upper),
          quantity_(quantity),
          options_(options),
          drawn_(objective, quantity, steps_at(theta)) {
        solver_.max_iterations = kSolverIterations;
        solver_.interrupt = options.interrupt;
        const double given = cost_at(theta);
        const Minimum minimum = solve(objective_, theta, lower_, upper_);
        if (!minimum.usable()) throw NotConverged(quantity_.name + ": the profile cannot start: " + minimum.message);
        const double missed = deviance(given, minimum.cost);
        if (missed > kLowerMinimum * options_.critical)
            throw NotConverged("a profile cannot start: parameters near the estimates lie " + shown(missed) +
                               " of deviance lower, so the fit was not at its minimum");
        centre_.theta = minimum.theta;
        centre_.cost = minimum.cost;
        const double natural = quantity_.value(centre_.theta);
        if (quantity_.parameter >= 0) {
            centre_.at = centre_.theta[quantity_.parameter];
            const double by =
                std::abs(gradient_of(quantity_, centre_.theta, steps_at(centre_.theta))[quantity_.parameter]);
            if (!(by > 0.0)) throw NotFinite(quantity_.name + " does not move with its parameter");
            first_step_ = standard_error / by;
            if (!std::isfinite(natural)) throw NotFinite(quantity_.name + " has no finite value at the estimate");
        } else {
            centre_.at = drawn_.on_scale(natural);
            first_step_ = quantity_.scale == Transform::log ? standard_error / natural : standard_error;
        }
        drawn_.stiffness = kStiffness * options_.deviance_unit / (first_step_ * first_step_);
        points_.push_back({quantity_.cut(natural), 0.0, centre_.theta});
    }

    struct End {
        double value = std::nan("");
        std::string reason;  ///< empty: closed
    };

    /// `side`: +1 upwards, -1 downwards on the scale searched.
    End end(double side) {
        const double root = std::sqrt(options_.critical);
        Point inner = centre_;
        std::optional<Point> outer;
        std::vector<double> doublings;  // deviance after each
        double ahead = root * first_step_;
        int slow = 0;
        for (int used = 0; used < options_.max_evaluations;) {
            const double width = outer ? std::abs(outer->at - inner.at) : 0.0;
            const double reached = std::abs(inner.at - centre_.at);
            double target = inner.at + side * ahead;
            const bool doubling = !outer && ahead >= reached;
            if (outer) {
                const double newton = nearer(inner, *outer, root).at + side * ahead;
                const bool inside = (newton - inner.at) * side > 0.0 && (outer->at - newton) * side > 0.0;
                target = inside && slow < 3 ? newton : 0.5 * (inner.at + outer->at);
                if (slow >= 3) slow = 0;
            }
            if (const std::string stop = clip_to_bound(target, side, inner); !stop.empty()) return {std::nan(""), stop};
            if (clip_to_limit(target, side, inner)) return {side > 0.0 ? quantity_.most : quantity_.least, ""};
            Attempt attempt = approach(inner, outer, target, side, used);
            if (!attempt.stop.empty()) return {std::nan(""), attempt.stop};
            Point& point = attempt.point;
            const double deviance_here = deviance(point.cost, centre_.cost);
            if (deviance_here < -kLowerMinimum * options_.critical)
                throw NotConverged(quantity_.name + ": the profile found a lower minimum than the fit at " +
                                   shown(natural_of(point)) + "; fit again from more starts");
            record(point, deviance_here);
            const double correction = to_root(point, root, side);
            const double distance = std::abs(point.at - centre_.at);
            if (std::abs(correction) <= options_.tolerance * distance) return {closed(point, side * correction), ""};
            if (deviance_here >= options_.critical) {
                outer = point;
            } else {
                if (!outer && doubling && !attempt.shortened) {
                    doublings.push_back(deviance_here);
                    if (levelled_off(doublings))
                        return {std::nan(""), "the deviance levels off at " + shown(deviance_here) + ", below " +
                                                  shown(options_.critical)};
                } else {
                    doublings.clear();
                }
                inner = point;
            }
            if (outer) {
                const double now = std::abs(outer->at - inner.at);
                if (now <= options_.tolerance * std::abs(outer->at - centre_.at)) return {closed(inner, 0.0), ""};
                slow = width > 0.0 && now > 0.5 * width ? slow + 1 : 0;
                ahead = to_root(nearer(inner, *outer, root), root, side);
            } else {
                if (distance > kFarthest * first_step_)
                    return {std::nan(""), "the deviance is still " + shown(deviance_here) + " at " +
                                              shown(natural_of(point)) + ", below " + shown(options_.critical)};
                // At most twice as far; a slope that leads nowhere counts as flat.
                ahead = correction > 0.0 ? std::min(correction, distance) : distance;
            }
        }
        throw NotConverged(quantity_.name + ": the search for an end of its profile did not settle in " +
                           std::to_string(options_.max_evaluations) + " evaluations");
    }

    double estimate() const { return points_.front().value; }

    std::vector<ProfilePoint> take_points() {
        std::stable_sort(points_.begin(), points_.end(),
                         [](const auto& a, const auto& b) { return a.value < b.value; });
        return std::move(points_);
    }

    /// Whether the quantity grows with what is searched.
    bool rising() const {
        if (quantity_.parameter < 0) return true;
        return gradient_of(quantity_, centre_.theta, steps_at(centre_.theta))[quantity_.parameter] > 0.0;
    }

private:
    struct Attempt {
        Point point;
        bool shortened = false;
        std::string stop;  ///< why the quantity goes no further; empty: it does
    };

    double deviance(double cost, double least) const { return 2.0 * (cost - least) / options_.deviance_unit; }
    double root_of(const Point& point) const { return std::sqrt(std::max(deviance(point.cost, centre_.cost), 0.0)); }
    const Point& nearer(const Point& inner, const Point& outer, double root) const {
        return root_of(outer) - root < root - root_of(inner) ? outer : inner;
    }
    double natural_of(const Point& point) const { return quantity_.value(point.theta); }

    double cost_at(const Eigen::VectorXd& theta) const {
        Evaluation evaluation;
        objective_.evaluate(theta, Curvature::reweighted, evaluation);
        return evaluation.cost;
    }

    Eigen::VectorXd steps_at(const Eigen::VectorXd& theta) const {
        Evaluation evaluation;
        objective_.evaluate(theta, Curvature::reweighted, evaluation);
        return kShareOfStandardError * evaluation.curvature.diagonal().unaryExpr([](double curvature) {
            return curvature > 0.0 ? 1.0 / std::sqrt(curvature) : 0.0;
        });
    }

    Minimum solve(const Objective& objective, const Eigen::VectorXd& start, const Eigen::VectorXd& lower,
                  const Eigen::VectorXd& upper) const {
        Minimum minimum = levenberg_marquardt(objective, start, lower, upper, Curvature::exact, solver_);
        if (minimum.termination == Termination::interrupted)
            throw NotConverged(quantity_.name + ": the profile was interrupted");
        return minimum;
    }

    /// Outward distance from a point to where the signed root of the deviance is expected to be `root`.
    double to_root(const Point& point, double root, double side) const {
        const double here = root_of(point);
        const double climb = side * point.slope / (options_.deviance_unit * here);
        return climb > 0.0 ? (root - here) / climb : std::numeric_limits<double>::infinity();
    }

    /// `deviances`: after each doubling of the distance.
    bool levelled_off(const std::vector<double>& deviances) const {
        if (deviances.size() < kLevelDoublings + 1) return false;
        const double noise = 1e-9 * options_.critical;
        double ratio = 0.0, last = 0.0;
        for (std::size_t k = deviances.size() - kLevelDoublings; k < deviances.size(); ++k) {
            double gain = deviances[k] - deviances[k - 1];
            if (std::abs(gain) <= noise) gain = 0.0;
            const bool first = k == deviances.size() - kLevelDoublings;
            // A profile that falls may rise again, one that rises after standing still goes on.
            if (gain < 0.0 || (!first && last == 0.0 && gain > 0.0)) return false;
            if (!first && last > 0.0) ratio = std::max(ratio, gain / last);
            last = gain;
        }
        return ratio <= kLevelRatio && last * ratio / (1.0 - ratio) < options_.critical - deviances.back();
    }

    /// Keeps the search inside the parameter's bounds; says so when it stands on one.
    std::string clip_to_bound(double& target, double side, const Point& inner) const {
        if (quantity_.parameter < 0) return "";
        const double bound = side > 0.0 ? upper_[quantity_.parameter] : lower_[quantity_.parameter];
        if ((bound - target) * side > 0.0) return "";
        if (inner.at == bound || (bound - inner.at) * side <= 0.0)
            return "the parameter's bound " + shown(natural_of(inner)) + " is reached at deviance " +
                   shown(deviance(inner.cost, centre_.cost)) + ", below " + shown(options_.critical);
        target = bound;
        return "";
    }

    /// Nothing lies beyond the values that the quantity can have: true where the search has come so far.
    bool clip_to_limit(double& target, double side, const Point& inner) const {
        const double natural = side > 0.0 ? quantity_.most : quantity_.least;
        if (quantity_.parameter >= 0 || std::isinf(natural)) return false;
        const double limit = to_working(quantity_.scale, natural), beyond = limit + side * 1e-3 * first_step_;
        if ((inner.at - limit) * side >= 0.0) return true;
        if ((target - beyond) * side > 0.0) target = beyond;
        return false;
    }

    /// The profile at `target`, or nearer to `inner` where that cannot be had.
    Attempt approach(const Point& inner, const std::optional<Point>& outer, double target, double side, int& used) {
        Attempt attempt;
        std::string trouble;
        bool evaluable = true;
        for (int halving = 0; halving <= kMostHalvings; ++halving, target = 0.5 * (target + inner.at)) {
            if (target == inner.at) break;
            ++used;
            attempt.shortened = halving > 0;
            try {
                const Minimum minimum = quantity_.parameter >= 0 ? hold(inner, outer, target, attempt.point)
                                                                 : draw(inner, outer, target, attempt.point);
                if (minimum.usable()) {
                    if (quantity_.parameter < 0) attempt.stop = stuck(inner, target, side, attempt.point, minimum);
                    return attempt;
                }
                trouble = minimum.message;
                evaluable = true;
            } catch (const NotFinite& error) {
                trouble = error.what();
                evaluable = false;
            }
        }
        if (!evaluable && !outer) {
            attempt.stop = "the deviance is " + shown(deviance(inner.cost, centre_.cost)) + " at " +
                           shown(natural_of(inner)) + ", below " + shown(options_.critical) +
                           ", and nothing can be evaluated beyond: " + trouble;
            return attempt;
        }
        throw NotConverged(quantity_.name + ": no point of its profile was found beyond " + shown(natural_of(inner)) +
                           ": " + trouble);
    }

    /// Where the path is expected to be: between the bracket's ends, or on from the last two points.
    Eigen::VectorXd expected(const Point& inner, const std::optional<Point>& outer, double target) const {
        const Point& other = outer ? *outer : centre_;
        if (other.at == inner.at) return inner.theta;
        const double share = (target - inner.at) / (other.at - inner.at);
        const Eigen::VectorXd theta = inner.theta + share * (other.theta - inner.theta);
        return theta.cwiseMax(lower_).cwiseMin(upper_);
    }

    /// Solves from the expected place, or from the inner point where that one cannot be evaluated.
    Minimum solve_near(const Objective& objective, const Eigen::VectorXd& start, const Eigen::VectorXd& fallback,
                       const Eigen::VectorXd& lower, const Eigen::VectorXd& upper) const {
        try {
            Minimum minimum = solve(objective, start, lower, upper);
            if (minimum.usable()) return minimum;
        } catch (const NotFinite&) {  // the inner point is nearer
        }
        return solve(objective, fallback, lower, upper);
    }

    Minimum hold(const Point& inner, const std::optional<Point>& outer, double target, Point& point) const {
        const Eigen::Index i = quantity_.parameter;
        Eigen::VectorXd low = lower_, high = upper_, start = expected(inner, outer, target), fallback = inner.theta;
        low[i] = high[i] = start[i] = fallback[i] = target;
        const Minimum minimum = solve_near(objective_, start, fallback, low, high);
        Evaluation evaluation;
        objective_.evaluate(minimum.theta, Curvature::reweighted, evaluation);
        point = {target, minimum.cost, evaluation.gradient[i], minimum.theta};
        return minimum;
    }

    Minimum draw(const Point& inner, const std::optional<Point>& outer, double target, Point& point) {
        // The pull that should hold the quantity at `target`: the slope of the profile there.
        const Point& other = outer ? *outer : centre_;
        const double pull =
            other.at == inner.at
                ? (target - inner.at) * options_.deviance_unit / (first_step_ * first_step_)
                : inner.slope + (target - inner.at) / (other.at - inner.at) * (other.slope - inner.slope);
        drawn_.target = target + pull / drawn_.stiffness;
        const Minimum minimum = solve_near(drawn_, expected(inner, outer, target), inner.theta, lower_, upper_);
        const double at = drawn_.on_scale(quantity_.value(minimum.theta));
        point = {at, cost_at(minimum.theta), -drawn_.stiffness * (at - drawn_.target), minimum.theta};
        return minimum;
    }

    /// The quantity has hardly followed the pull, and the deviance is not what holds it back.
    std::string stuck(const Point& inner, double target, double side, const Point& point,
                      const Minimum& minimum) const {
        constexpr double kFollowed = 1e-3;
        if ((point.at - inner.at) * side > kFollowed * (target - inner.at) * side) return "";
        if (deviance(point.cost, centre_.cost) >= options_.critical) return "";
        std::string names;
        for (const std::string& name : minimum.on_bound) names += (names.empty() ? "" : ", ") + name;
        return (names.empty() ? "it goes no further" : "the bounds of " + names + " stop it") + " at deviance " +
               shown(deviance(point.cost, centre_.cost)) + ", below " + shown(options_.critical);
    }

    void record(const Point& point, double deviance_here) {
        points_.push_back({quantity_.cut(natural_of(point)), deviance_here, point.theta});
    }

    /// The end in natural units, a last small step past a point.
    double closed(const Point& point, double step) const {
        if (quantity_.parameter < 0) return quantity_.cut(to_natural(quantity_.scale, point.at + step));
        Eigen::VectorXd theta = point.theta;
        theta[quantity_.parameter] += step;
        return quantity_.cut(quantity_.value(theta));
    }

    const Objective& objective_;
    const Eigen::VectorXd &lower_, &upper_;
    const Quantity& quantity_;
    const ProfileOptions& options_;
    Drawn drawn_;
    LevenbergOptions solver_;
    Point centre_;
    double first_step_ = 0.0;
    std::vector<ProfilePoint> points_;
};

}  // namespace

void ProfileOptions::check() const {
    if (!(critical > 0.0 && std::isfinite(critical))) throw InvalidArgument("critical must be positive and finite");
    if (!(deviance_unit > 0.0 && std::isfinite(deviance_unit)))
        throw InvalidArgument("deviance_unit must be positive and finite");
    if (!(tolerance > 0.0 && tolerance < 1.0)) throw InvalidArgument("tolerance must lie in (0, 1)");
    if (max_evaluations < 1) throw InvalidArgument("max_evaluations must be at least 1");
}

ProfileInterval profile_interval(const Objective& objective, const Eigen::VectorXd& theta, const Eigen::VectorXd& lower,
                                 const Eigen::VectorXd& upper, const Quantity& quantity, double standard_error,
                                 const ProfileOptions& options) {
    options.check();
    if (!(standard_error > 0.0 && std::isfinite(standard_error)))
        throw InvalidArgument("the standard error of " + quantity.name + " must be positive and finite");
    if (theta.size() != objective.size() || lower.size() != theta.size() || upper.size() != theta.size())
        throw InvalidArgument("theta and bounds must have one entry for each parameter");
    if (quantity.parameter >= theta.size()) throw InvalidArgument(quantity.name + " names no parameter");
    Profile profile(objective, theta, lower, upper, quantity, standard_error, options);
    const double upwards = profile.rising() ? 1.0 : -1.0;
    const Profile::End low = profile.end(-upwards), high = profile.end(upwards);
    ProfileInterval out;
    out.estimate = profile.estimate();
    out.lower = low.value;
    out.upper = high.value;
    out.lower_open = !low.reason.empty();
    out.upper_open = !high.reason.empty();
    out.lower_reason = low.reason;
    out.upper_reason = high.reason;
    out.points = profile.take_points();
    return out;
}

}  // namespace lobetime
