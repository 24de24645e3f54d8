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
constexpr std::array<std::string_view, 4> kNames = {"none", "dersimonian_laird", "paule_mandel", "reml"};

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

double reml_tau2(const Studies& studies, double start) {
    constexpr int kSteps = 500;
    double tau2 = start, pace = 1.0, last = 0.0;
    for (int step = 0; step < kSteps; ++step) {
        const Weighted at(studies, tau2);
        const Eigen::MatrixXd projection = at.projection(studies);
        const Eigen::VectorXd pull = projection * studies.effect;
        // Fisher's scoring; it may turn about the solution for ever unless a step that turns back is a shorter one.
        const double step_to = (pull.squaredNorm() - projection.trace()) / projection.squaredNorm();
        if (step_to * last < 0.0) pace *= 0.5;
        last = step_to;
        const double next = std::max(0.0, tau2 + pace * step_to);
        if (std::abs(next - tau2) <= 1e-12 * (next + studies.variance.minCoeff())) return next;
        tau2 = next;
    }
    throw NotConverged("the variance between studies did not settle in " + std::to_string(kSteps) + " REML steps");
}

double quantile_of_t(double p, double degrees) { return boost::math::quantile(boost::math::students_t(degrees), p); }

}  // namespace

BetweenStudies between_studies_from_name(std::string_view name) {
    for (std::size_t i = 0; i < kNames.size(); ++i) {
        if (kNames[i] == name) return static_cast<BetweenStudies>(i);
    }
    throw InvalidArgument("between studies: '" + std::string(name) +
                          "' is none of none, dersimonian_laird, paule_mandel, reml");
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
    const double by_moments = std::max(0.0, (common.q - degrees) / trace);

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
            pooled.tau2 = reml_tau2(studies, by_moments);
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
                                ? quantile_of_t(upper_tail, static_cast<double>(studies - coefficient.size()))
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
    const double half = quantile_of_t(0.5 + 0.5 * options.level, degrees) *
                        std::sqrt(tau2 + variance + columns.dot(covariance * columns));
    return {estimate, estimate - half, estimate + half};
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
