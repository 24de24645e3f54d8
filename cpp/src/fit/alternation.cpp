#include <lobetime/core/errors.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>

#include "fit/alternation.hpp"

#include <Eigen/QR>

#include <boost/math/special_functions/digamma.hpp>
#include <boost/math/special_functions/trigamma.hpp>

#include <algorithm>
#include <cmath>
#include <deque>
#include <limits>

namespace lobetime {
namespace {

constexpr double kUnknown = std::numeric_limits<double>::max();
constexpr double kLeastSpread = 0.01;
/// Minutes rounded to five fall on few values; where half of them fall on one, a robust scale would call the spread
/// zero. So a coarsely rounded value is spread over its step: three nodes with the variance of a uniform error.
constexpr double kCoarse = 5.0;
const double kRoundingNode = std::sqrt(1.5);
constexpr double kSharesEvery = 0.03, kSharesUntil = 1e-6;
/// After a round that changed nothing by more than this (standard errors), one undamped step does.
constexpr double kNear = 0.3;
constexpr std::size_t kMemory = 5;
constexpr double kFarthest = 200.0;              // of an extrapolation, in changes of the round
constexpr double kJump = 0.2, kClosedIn = 1e-3;  // standard errors
constexpr double kTurned = 0.05;    // share of its step that is left to what has turned back again and again
constexpr double kRecovers = 1.05;  // a round; it takes fourteen to undo one turn, and about a jump they come sooner
constexpr int kPatience = 8;        // rounds without a smaller change, after which nothing is extrapolated

/// Anderson's acceleration of x <- g(x) (J ACM 1965;12:547, doi 10.1145/321296.321305): the next point is where the
/// last few residuals g(x) - x, taken as linear, would vanish.
class Acceleration {
public:
    void forget() {
        points_.clear();
        images_.clear();
    }

    Eigen::VectorXd next(const Eigen::VectorXd& point, const Eigen::VectorXd& image) {
        points_.push_back(point);
        images_.push_back(image);
        if (points_.size() > kMemory + 1) {
            points_.pop_front();
            images_.pop_front();
        }
        const Eigen::Index m = static_cast<Eigen::Index>(points_.size()) - 1;
        if (m == 0) return image;
        Eigen::MatrixXd residual_steps(point.size(), m), image_steps(point.size(), m);
        for (Eigen::Index k = 0; k < m; ++k) {
            const std::size_t i = static_cast<std::size_t>(k);
            image_steps.col(k) = images_[i + 1] - images_[i];
            residual_steps.col(k) = image_steps.col(k) - (points_[i + 1] - points_[i]);
        }
        // Near the end the steps are nearly dependent: the pivoted decomposition leaves out what is.
        Eigen::ColPivHouseholderQR<Eigen::MatrixXd> qr(residual_steps);
        qr.setThreshold(1e-8);
        return image - image_steps * qr.solve(image - point);
    }

private:
    std::deque<Eigen::VectorXd> points_, images_;
};

}  // namespace

SpreadEstimator::SpreadEstimator(const PriorSet& prior, ScaleMethod method, const std::optional<ChannelSpreads>& held)
    : method_(method), holds_(held.has_value()) {
    for (std::size_t c = 0; c < first_.size(); ++c) {
        const SpreadPrior& before = prior.spread(channel_name(static_cast<Channel>(c)));
        prior_log_centre_[c] = std::log(before.centre);
        prior_information_[c] = 1.0 / (before.log_sd() * before.log_sd());
        first_[c] = held ? (*held)[c] : before.centre;
    }
}

SpreadEstimator SpreadEstimator::from_current(const PriorSet& prior, const std::optional<ChannelSpreads>& held) {
    SpreadEstimator out(prior, ScaleMethod::reweighted, held);
    out.from_current_ = true;
    return out;
}

std::array<ChannelFit, kChannels> SpreadEstimator::operator()(const TimeObjective& objective,
                                                              const std::vector<double>& standardised,
                                                              const ChannelSpreads& used,
                                                              const ChannelSpreads& current) const {
    std::array<std::vector<double>, kChannels> residuals;
    ChannelSpreads numbers{};
    const auto& observations = objective.observations();
    for (std::size_t o = 0; o < observations.size(); ++o) {
        if (observations[o].kind != ObservationKind::residual) continue;
        auto& own = residuals[static_cast<std::size_t>(observations[o].channel)];
        const int count = objective.counts().empty() ? 1 : objective.counts()[o];
        numbers[static_cast<std::size_t>(observations[o].channel)] += count;
        const double rounding = objective.rounding_spreads()[o] / objective.spreads()[o];
        if (observations[o].rounding < kCoarse) {
            own.insert(own.end(), static_cast<std::size_t>(count), standardised[o]);
            continue;
        }
        for (const double node : {-kRoundingNode, 0.0, kRoundingNode})
            own.insert(own.end(), static_cast<std::size_t>(count),
                       (standardised[o] + node * rounding) / std::hypot(1.0, rounding));
    }
    std::array<ChannelFit, kChannels> fits;
    for (std::size_t c = 0; c < fits.size(); ++c) {
        double log_spread = prior_log_centre_[c], information = prior_information_[c];
        const double n = numbers[c];
        if (n > 0.0) {
            const double paid = std::min(used[c], 0.75 * n);
            // Minutes are rounded: residuals that are all 0 do not say that there is no spread.
            const double scale =
                from_current_ ? reweighted_from(residuals[c], 1.0) : robust_scale(residuals[c], method_, 0.0, 1.0);
            const double own = std::max(current[c] * scale * std::sqrt(n / (n - paid)), kLeastSpread);
            // Mean and variance of the logarithm of a standard deviation of so many degrees of freedom: of few it comes
            // out too small.
            const double half = 0.5 * (n - paid) * scale_efficiency(method_);
            const double log_own = std::log(own) + 0.5 * (std::log(half) - boost::math::digamma(half));
            const double own_information = 4.0 / boost::math::trigamma(half);
            information += own_information;
            log_spread = (own_information * log_own + prior_information_[c] * log_spread) / information;
        }
        fits[c] = {holds_ ? first_[c] : std::exp(log_spread), 1.0 / std::sqrt(information), static_cast<int>(n),
                   used[c]};
    }
    return fits;
}

Alternation::Alternation(TimeObjective& objective, const SpreadEstimator& estimator, const Eigen::VectorXd& lower,
                         const Eigen::VectorXd& upper, const std::vector<int>& held)
    : objective_(objective), estimator_(estimator), lower_(lower), upper_(upper), held_(held) {}

void Alternation::start(const Eigen::VectorXd& at, const ChannelSpreads& with) {
    theta = at;
    spread = with;
    objective_.set_spreads(theta, spread);
}

void Alternation::solve(Curvature curvature, int max_steps, double gain, const std::function<bool()>& interrupt) {
    LevenbergOptions options;
    options.max_iterations = max_steps;
    options.gain_tolerance = gain;
    options.interrupt = interrupt;
    const Minimum minimum = levenberg_marquardt(objective_, theta, lower_, upper_, curvature, options);
    if (minimum.termination == Termination::interrupted) throw NotConverged("the fit was interrupted");
    if (minimum.termination == Termination::failed) {
        // A step that cannot be taken is often a parameter that no case tells: named, if so.
        objective_.evaluate(minimum.theta, Curvature::reweighted, evaluation_);
        inverse_of_curvature(evaluation_.curvature, held_, objective_.parameter_names());
        throw NotConverged("the fit did not converge: " + minimum.message);
    }
    theta = minimum.theta;
}

/// One Newton step where it promises little, else a few damped ones.
void Alternation::move(const Options& options, bool near) {
    if (near) {
        if (options.interrupt && options.interrupt()) throw NotConverged("the fit was interrupted");
        objective_.evaluate(theta, options.curvature, evaluation_);
        if (steps_.prepare(evaluation_, theta, lower_, upper_) && steps_.full_gain() < kNear) {
            theta = (theta + steps_.step()).cwiseMax(lower_).cwiseMin(upper_);
            return;
        }
    }
    solve(options.curvature, options.max_steps, kRoughGain, options.interrupt);
}

void Alternation::find_shares(bool judge) {
    objective_.evaluate(theta, Curvature::reweighted, evaluation_);
    const Eigen::MatrixXd inverse =
        inverse_of_curvature(evaluation_.curvature, held_, objective_.parameter_names(), judge);
    unit = inverse.diagonal().cwiseMax(0.0).cwiseSqrt();
    used = objective_.parameters_used(theta, inverse);
    counts_used = objective_.parameters_used_by_counts(theta, inverse);
    objective_.set_counts_used(counts_used);
}

/// Parameters in standard errors, and logs of the spreads: all of like size, as the acceleration needs it.
Eigen::VectorXd Alternation::packed() const {
    const Eigen::Index p = theta.size();
    Eigen::VectorXd all(p + kChannels);
    for (Eigen::Index i = 0; i < p; ++i) all[i] = unit[i] > 0.0 ? theta[i] / unit[i] : 0.0;
    for (int c = 0; c < kChannels; ++c) all[p + c] = std::log(spread[static_cast<std::size_t>(c)]);
    return all;
}

void Alternation::unpack(const Eigen::VectorXd& all) {
    const Eigen::Index p = theta.size();
    for (Eigen::Index i = 0; i < p; ++i) {
        if (unit[i] > 0.0) theta[i] = std::clamp(all[i] * unit[i], lower_[i], upper_[i]);
    }
    for (int c = 0; c < kChannels; ++c) spread[static_cast<std::size_t>(c)] = std::exp(all[p + c]);
}

/// Where a redescending loss has two minima close by, parameters may jump from one to the other as the rows' spreads
/// pass a point, and rounds go to and fro about that for ever. It is found once the steps that the turning parameters
/// are left with are short, and no side leads away by more than a little.
static bool closed_in_on_a_jump(const Eigen::VectorXd& step, const Eigen::ArrayXd& share) {
    const Eigen::ArrayXd far = step.array().abs();
    if (!(far.maxCoeff() > kClosedIn && far.maxCoeff() < kJump)) return false;
    return (far > kClosedIn).select(share, 0.0).maxCoeff() < kTurned && (share * far).maxCoeff() < kClosedIn;
}

int Alternation::settle(const Options& options) {
    Acceleration acceleration;
    Eigen::VectorXd last_step = Eigen::VectorXd::Zero(theta.size() + kChannels);
    double change = kUnknown, least = kUnknown, shares_found_at = kUnknown;
    Eigen::ArrayXd share =
        Eigen::ArrayXd::Ones(last_step.size());  // of its step that each goes where none is extrapolated
    int waited = 0, patience = kPatience;
    for (int round = 1; round <= options.max_rounds; ++round) {
        // The shares move far less than the spreads do: they are found anew now and then, the last time near the end.
        if (options.update_shares && (round == 1 || (shares_found_at > kSharesUntil &&
                                                     change < kSharesEvery * std::min(shares_found_at, 1.0)))) {
            find_shares(false);
            shares_found_at = change;
            acceleration.forget();
        }
        const Eigen::VectorXd point = packed();
        move(options, change < kNear);
        channels = estimator_(objective_, objective_.standardised_residuals(theta), used, spread);
        for (std::size_t c = 0; c < spread.size(); ++c) spread[c] = channels[c].spread;
        const Eigen::VectorXd image = packed(), step = image - point;
        change = step.cwiseAbs().maxCoeff();
        if (options.progress) options.progress(round, change);
        if (change <= options.tolerance || closed_in_on_a_jump(step, share)) {
            objective_.set_spreads(theta, spread);
            return round;
        }
        if (change < 0.9 * least) {  // in one round or in many
            if (waited >= patience) acceleration.forget();
            waited = 0;
            least = change;
        } else if (++waited == patience) {
            patience = std::max(patience / 2, 1);
            waited = patience;
        }
        if (waited < patience) {
            const Eigen::VectorXd next = acceleration.next(point, image);
            if (next.allFinite() && (next - image).cwiseAbs().maxCoeff() < kFarthest * change)
                unpack(next);
            else
                acceleration.forget();
        } else {
            // Parameters and a spread may answer each other in turn for ever: what turns back goes half as far, what
            // does not recovers (Riedmiller and Braun, IEEE Int Conf Neural Networks 1993:586, doi
            // 10.1109/ICNN.1993.298623).
            share = (last_step.array() * step.array() < 0.0).select(0.5 * share, (kRecovers * share).min(1.0));
            unpack(point + (share * step.array()).matrix());
        }
        last_step = step;
        objective_.set_spreads(theta, spread);
    }
    return 0;
}

void set_apart(Eigen::MatrixXd& matrix, const std::vector<int>& held, double own) {
    for (const int i : held) {
        matrix.row(i).setZero();
        matrix.col(i).setZero();
        matrix(i, i) = own;
    }
}

Eigen::MatrixXd inverse_of_curvature(Eigen::MatrixXd curvature, const std::vector<int>& held,
                                     const std::vector<std::string>& names, bool judge) {
    set_apart(curvature, held, 1.0);
    if (judge) require_identifiable(curvature, names);
    const Eigen::VectorXd scale = curvature.diagonal().cwiseSqrt().cwiseInverse();
    const Eigen::LLT<Eigen::MatrixXd> cholesky(Eigen::MatrixXd(scale.asDiagonal() * curvature * scale.asDiagonal()));
    if (cholesky.info() != Eigen::Success) {
        require_identifiable(curvature, names);
        throw NotIdentifiable("the curvature is not positive definite", {});
    }
    Eigen::MatrixXd inverse =
        scale.asDiagonal() * cholesky.solve(Eigen::MatrixXd::Identity(scale.size(), scale.size())) * scale.asDiagonal();
    set_apart(inverse, held, 0.0);
    return inverse;
}

}  // namespace lobetime
