#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/evidence/pooling.hpp>

#include <Eigen/Cholesky>
#include <Eigen/QR>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <boost/math/tools/roots.hpp>

#include <array>
#include <cmath>
#include <limits>
#include <string>

namespace lobetime {
namespace {

constexpr double kInfinite = std::numeric_limits<double>::infinity();
constexpr std::array<std::string_view, 10> kNames = {
    "none",           "dersimonian_laird",          "paule_mandel",   "reml", "ml", "hedges", "sidik_jonkman",
    "hunter_schmidt", "two_step_dersimonian_laird", "two_step_hedges"};

/// Weighted least squares at one value of tau2.
struct Weighted {
    Eigen::VectorXd weight, coefficient, residual;
    Eigen::MatrixXd inverse;  ///< of columns' W columns
    double q = 0.0;           ///< residual' W residual

    Weighted(const Studies& studies, double tau2) : weight((studies.variance.array() + tau2).inverse()) {
        const Eigen::MatrixXd& x = studies.columns;
        const Eigen::LLT<Eigen::MatrixXd> cholesky(Eigen::MatrixXd(x.transpose() * weight.asDiagonal() * x));
        inverse = cholesky.solve(Eigen::MatrixXd::Identity(x.cols(), x.cols()));
        coefficient = cholesky.solve(x.transpose() * weight.asDiagonal() * studies.effect);
        residual = studies.effect - x * coefficient;
        q = residual.dot(weight.asDiagonal() * residual);
    }

    /// W - W X (X'WX)^-1 X'W, which takes an effect to the weighted residual.
    Eigen::MatrixXd projection(const Studies& studies) const {
        const Eigen::MatrixXd wx = weight.asDiagonal() * studies.columns;
        return Eigen::MatrixXd(weight.asDiagonal()) - wx * inverse * wx.transpose();
    }
};

/// The tau2 >= 0 at which Q is `value`: Q falls with tau2. 0 if it is smaller already, infinite if it never falls so
/// far.
double tau2_where_q_is(const Studies& studies, double value) {
    const auto beyond = [&](double tau2) { return Weighted(studies, tau2).q - value; };
    if (beyond(0.0) <= 0.0) return 0.0;
    double high = studies.variance.maxCoeff();
    while (beyond(high) > 0.0) {
        high *= 4.0;
        if (!std::isfinite(high)) return kInfinite;
    }
    std::uintmax_t steps = 200;
    const auto ends =
        boost::math::tools::toms748_solve(beyond, 0.0, high, boost::math::tools::eps_tolerance<double>(50), steps);
    return 0.5 * (ends.first + ends.second);
}

/// tau2 >= 0 at which the sum of squares with these weights meets its expectation.
double tau2_by_moments(const Studies& studies, const Eigen::VectorXd& weight) {
    const Eigen::MatrixXd& x = studies.columns;
    const Eigen::MatrixXd wx = weight.asDiagonal() * x;
    const Eigen::LLT<Eigen::MatrixXd> cholesky(Eigen::MatrixXd(x.transpose() * wx));
    const Eigen::MatrixXd projection = Eigen::MatrixXd(weight.asDiagonal()) - wx * cholesky.solve(wx.transpose());
    const double q = studies.effect.dot(projection * studies.effect);
    return std::max(0.0, (q - projection.diagonal().dot(studies.variance)) / projection.trace());
}

Eigen::VectorXd weights_at(const Studies& studies, double tau2) { return (studies.variance.array() + tau2).inverse(); }

/// Ratios of the variances to a rough tau2 are taken as known.
double sidik_jonkman_tau2(const Studies& studies) {
    const auto k = static_cast<double>(studies.effect.size());
    const double rough = (studies.effect.array() - studies.effect.mean()).square().sum() / k;
    if (rough == 0.0) return 0.0;
    return rough * Weighted(studies, rough).q / (k - static_cast<double>(studies.columns.cols()));
}

/// Restricted or plain maximum likelihood.
double likely_tau2(const Studies& studies, double start, bool restricted) {
    constexpr int kSteps = 500;
    double tau2 = start, pace = 1.0, last = 0.0;
    for (int step = 0; step < kSteps; ++step) {
        const Weighted at(studies, tau2);
        const Eigen::MatrixXd projection = at.projection(studies);
        const Eigen::VectorXd pull = projection * studies.effect;
        // Fisher's scoring; it may turn about the solution for ever unless a step that turns back is a shorter one.
        const double step_to = restricted ? (pull.squaredNorm() - projection.trace()) / projection.squaredNorm()
                                          : (pull.squaredNorm() - at.weight.sum()) / at.weight.squaredNorm();
        if (step_to * last < 0.0) pace *= 0.5;
        last = step_to;
        const double next = std::max(0.0, tau2 + pace * step_to);
        if (std::abs(next - tau2) <= 1e-12 * (next + studies.variance.minCoeff())) return next;
        tau2 = next;
    }
    throw NotConverged("the variance between studies did not settle in " + std::to_string(kSteps) +
                       " steps of scoring");
}

}  // namespace

double student_quantile(double p, double degrees) {
    return std::isinf(degrees) ? normal_quantile(p) : boost::math::quantile(boost::math::students_t(degrees), p);
}

BetweenStudies between_studies_from_name(std::string_view name) {
    for (std::size_t i = 0; i < kNames.size(); ++i) {
        if (kNames[i] == name) return static_cast<BetweenStudies>(i);
    }
    std::string known;
    for (const std::string_view one : kNames) known += (known.empty() ? "" : ", ") + std::string(one);
    throw InvalidArgument("between studies: '" + std::string(name) + "' is none of " + known);
}

std::string_view between_studies_name(BetweenStudies method) { return kNames[static_cast<std::size_t>(method)]; }

void Studies::check() const {
    const Eigen::Index k = effect.size();
    if (variance.size() != k || columns.rows() != k)
        throw InvalidArgument("studies: effects, variances and rows of the columns must be as many");
    if (columns.cols() < 1) throw InvalidArgument("studies: at least one column, the intercept, is needed");
    for (Eigen::Index i = 0; i < k; ++i) {
        const std::string study = "study " + std::to_string(i + 1) + ": ";
        if (!std::isfinite(effect[i])) throw InvalidArgument(study + "the effect must be a number");
        if (!(variance[i] > 0.0) || !std::isfinite(variance[i]))
            throw InvalidArgument(study + "the variance must be a positive number");
        if (!columns.row(i).allFinite()) throw InvalidArgument(study + "the columns must be numbers");
    }
}

void PoolingOptions::check() const {
    if (!(level > 0.0 && level < 1.0)) throw InvalidArgument("level must lie strictly between 0 and 1");
}

Pooled pool(const Studies& studies, const PoolingOptions& options) {
    options.check();
    studies.check();
    const Eigen::Index k = studies.effect.size(), p = studies.columns.cols();
    if (k <= p)
        throw InvalidArgument(std::to_string(k) + " studies are too few for " + std::to_string(p) +
                              " coefficients and a variance between studies");
    if (Eigen::ColPivHouseholderQR<Eigen::MatrixXd>(studies.columns).rank() < p)
        throw NotIdentifiable("the studies' columns depend on one another", {});
    const double degrees = static_cast<double>(k - p);
    const Weighted common(studies, 0.0);
    const double trace = common.projection(studies).trace();
    const double by_moments = tau2_by_moments(studies, common.weight);

    Pooled pooled;
    pooled.options = options;
    pooled.studies = static_cast<int>(k);
    pooled.q = common.q;
    switch (options.method) {
        case BetweenStudies::none:
            break;
        case BetweenStudies::dersimonian_laird:
            pooled.tau2 = by_moments;
            break;
        case BetweenStudies::paule_mandel:
            pooled.tau2 = tau2_where_q_is(studies, degrees);
            break;
        case BetweenStudies::reml:
            pooled.tau2 = likely_tau2(studies, by_moments, true);
            break;
        case BetweenStudies::ml:
            pooled.tau2 = likely_tau2(studies, by_moments, false);
            break;
        case BetweenStudies::hedges:
            pooled.tau2 = tau2_by_moments(studies, Eigen::VectorXd::Ones(k));
            break;
        case BetweenStudies::sidik_jonkman:
            pooled.tau2 = sidik_jonkman_tau2(studies);
            break;
        case BetweenStudies::hunter_schmidt:
            pooled.tau2 = std::max(0.0, (common.q - static_cast<double>(k)) / common.weight.sum());
            break;
        case BetweenStudies::two_step_dersimonian_laird:
            pooled.tau2 = tau2_by_moments(studies, weights_at(studies, by_moments));
            break;
        case BetweenStudies::two_step_hedges:
            pooled.tau2 =
                tau2_by_moments(studies, weights_at(studies, tau2_by_moments(studies, Eigen::VectorXd::Ones(k))));
            break;
    }
    if (options.method != BetweenStudies::none) {
        const boost::math::chi_squared law(degrees);
        pooled.tau2_lower = tau2_where_q_is(studies, quantile(law, 0.5 + 0.5 * options.level));
        pooled.tau2_upper = tau2_where_q_is(studies, quantile(law, 0.5 - 0.5 * options.level));
        const double typical = degrees / trace;
        pooled.i2_percent = 100.0 * pooled.tau2 / (pooled.tau2 + typical);
    }
    const Weighted at(studies, pooled.tau2);
    pooled.coefficient = at.coefficient;
    pooled.covariance = at.inverse * (options.scatter ? at.q / degrees : 1.0);
    return pooled;
}

Pooled::Range Pooled::mean(const Eigen::VectorXd& columns) const {
    if (columns.size() != coefficient.size())
        throw InvalidArgument("expected " + std::to_string(coefficient.size()) + " columns");
    const double upper_tail = 0.5 + 0.5 * options.level;
    const double critical = options.scatter
                                ? student_quantile(upper_tail, static_cast<double>(studies - coefficient.size()))
                                : normal_quantile(upper_tail);
    const double estimate = columns.dot(coefficient);
    const double half = critical * std::sqrt(columns.dot(covariance * columns));
    return {estimate, estimate - half, estimate + half};
}

Pooled::Range Pooled::prediction(const Eigen::VectorXd& columns, double variance) const {
    if (columns.size() != coefficient.size())
        throw InvalidArgument("expected " + std::to_string(coefficient.size()) + " columns");
    if (!(variance >= 0.0)) throw InvalidArgument("a variance must not be negative");
    const double estimate = columns.dot(coefficient);
    const double degrees = static_cast<double>(studies - coefficient.size() - 1);
    if (degrees < 1.0) return {estimate, -kInfinite, kInfinite};
    const double half = student_quantile(0.5 + 0.5 * options.level, degrees) *
                        std::sqrt(tau2 + variance + columns.dot(covariance * columns));
    return {estimate, estimate - half, estimate + half};
}

double explained_percent(const Pooled& with_columns, const Pooled& without) {
    if (!(without.tau2 > 0.0)) return std::numeric_limits<double>::quiet_NaN();
    return 100.0 * std::max(0.0, 1.0 - with_columns.tau2 / without.tau2);
}

Eigen::VectorXd shrunken_effects(const Studies& studies, const Pooled& pooled) {
    const Eigen::VectorXd mean = studies.columns * pooled.coefficient;
    const Eigen::ArrayXd share = pooled.tau2 / (pooled.tau2 + studies.variance.array());
    return mean.array() + share * (studies.effect - mean).array();
}

std::vector<Pooled::Range> leave_one_out(const Studies& studies, const PoolingOptions& options) {
    const Eigen::Index k = studies.effect.size();
    std::vector<Pooled::Range> out;
    for (Eigen::Index left_out = 0; left_out < k; ++left_out) {
        std::vector<Eigen::Index> others;
        for (Eigen::Index i = 0; i < k; ++i) {
            if (i != left_out) others.push_back(i);
        }
        const Studies rest{studies.effect(others), studies.variance(others), studies.columns(others, Eigen::all)};
        out.push_back(pool(rest, options).prediction(studies.columns.row(left_out), studies.variance[left_out]));
    }
    return out;
}

}  // namespace lobetime
