#include <lobetime/core/errors.hpp>
#include <lobetime/inference/regression_inference.hpp>

#include <Eigen/Cholesky>
#include <Eigen/QR>
#include <boost/math/distributions/students_t.hpp>

#include <algorithm>
#include <array>
#include <cmath>
#include <string>
#include <vector>

namespace lobetime {
namespace {

struct Named {
    CovarianceRule rule;
    std::string_view name;
};
constexpr std::array<Named, 5> kRules = {{{CovarianceRule::model, "model"},
                                          {CovarianceRule::hc0, "hc0"},
                                          {CovarianceRule::hc1, "hc1"},
                                          {CovarianceRule::hc2, "hc2"},
                                          {CovarianceRule::hc3, "hc3"}}};

constexpr double kMostLeverage = 1.0 - 1e-9;

/// Inverse of J' diag(weights) J through the QR of the scaled columns; negative weights need the Cholesky of it.
Eigen::MatrixXd inverse_of(const Eigen::MatrixXd& jacobian, const Eigen::VectorXd& weights,
                           const std::vector<std::string>& names) {
    const Eigen::Index p = jacobian.cols();
    const Eigen::VectorXd unit = jacobian.colwise().norm().cwiseMax(1e-300).cwiseInverse();
    const Eigen::MatrixXd scaled = jacobian * unit.asDiagonal();
    Eigen::MatrixXd inverse;
    if (weights.minCoeff() >= 0.0) {
        const Eigen::ColPivHouseholderQR<Eigen::MatrixXd> qr(
            Eigen::MatrixXd(weights.cwiseSqrt().asDiagonal() * scaled));
        if (qr.rank() < p) throw NotIdentifiable("the curvature is not positive definite", names);
        const Eigen::MatrixXd r_inverse =
            qr.matrixR().topLeftCorner(p, p).triangularView<Eigen::Upper>().solve(Eigen::MatrixXd::Identity(p, p));
        inverse = qr.colsPermutation() * (r_inverse * r_inverse.transpose()) * qr.colsPermutation().transpose();
    } else {
        const Eigen::LLT<Eigen::MatrixXd> cholesky(
            Eigen::MatrixXd(scaled.transpose() * (weights.asDiagonal() * scaled)));
        if (cholesky.info() != Eigen::Success) throw NotIdentifiable("the curvature is not positive definite", names);
        inverse = cholesky.solve(Eigen::MatrixXd::Identity(p, p));
    }
    return unit.asDiagonal() * inverse * unit.asDiagonal();
}

struct Pulls {
    Eigen::VectorXd psi, slope, weight;
};

Pulls pulls_of(const RegressionFit& fit) {
    const Eigen::Index n = fit.residuals.size();
    Pulls out{Eigen::VectorXd(n), Eigen::VectorXd(n), Eigen::VectorXd(n)};
    for (Eigen::Index i = 0; i < n; ++i) {
        const LossValue value = fit.loss(fit.residuals[i] / fit.scale);
        out.psi[i] = value.psi;
        out.slope[i] = value.slope;
        out.weight[i] = value.weight;
    }
    return out;
}

void require_inside(const RegressionFit& fit) {
    if (fit.minimum.on_bound.empty()) return;
    std::string list;
    for (const std::string& name : fit.minimum.on_bound) list += (list.empty() ? "" : ", ") + name;
    throw NotIdentifiable(
        "on its bound: " + list +
            ". A symmetric interval does not hold there; use the profile, move the bound, or hold the "
            "parameter at a value",
        fit.minimum.on_bound);
}

/// Inverse curvature in units of scale^2: (J' diag(psi') J)^-1.
Eigen::MatrixXd bread(const RegressionFit& fit, const Pulls& pulls) {
    require_inside(fit);
    return inverse_of(fit.jacobian, pulls.slope, fit.names);
}

}  // namespace

CovarianceRule covariance_rule_from_name(std::string_view name) {
    std::string known;
    for (const Named& one : kRules) {
        if (one.name == name) return one.rule;
        known += (known.empty() ? "" : ", ") + std::string(one.name);
    }
    throw InvalidArgument("covariance rule '" + std::string(name) + "' is not known; allowed: " + known);
}

Eigen::VectorXd leverages(const RegressionFit& fit) {
    const Pulls pulls = pulls_of(fit);
    const Eigen::MatrixXd inverse = inverse_of(fit.jacobian, pulls.weight, fit.names);
    return (fit.jacobian * inverse).cwiseProduct(fit.jacobian).rowwise().sum().cwiseProduct(pulls.weight);
}

Eigen::MatrixXd regression_curvature(const RegressionFit& fit) {
    const Pulls pulls = pulls_of(fit);
    bread(fit, pulls);
    return fit.jacobian.transpose() * (pulls.slope / (fit.scale * fit.scale)).asDiagonal() * fit.jacobian;
}

Eigen::MatrixXd regression_covariance(const RegressionFit& fit, CovarianceRule rule) {
    const Pulls pulls = pulls_of(fit);
    const Eigen::MatrixXd inverse = bread(fit, pulls);
    const auto n = static_cast<double>(fit.residuals.size()), p = static_cast<double>(fit.theta.size());
    const double scale2 = fit.scale * fit.scale;
    if (n <= p)
        throw NotIdentifiable("as many parameters as rows: nothing is left to tell how sure they are", fit.names);
    if (rule == CovarianceRule::model) {
        const double mean = pulls.slope.mean();
        const double variance = (pulls.slope.array() - mean).square().mean();
        const double correction = 1.0 + p / n * variance / (mean * mean);
        const double factor = correction * correction * pulls.psi.squaredNorm() / (n - p) / (mean * mean) * scale2;
        return factor * inverse_of(fit.jacobian, Eigen::VectorXd::Ones(fit.residuals.size()), fit.names);
    }
    Eigen::ArrayXd factor = Eigen::ArrayXd::Ones(fit.residuals.size());
    if (rule == CovarianceRule::hc1) factor *= n / (n - p);
    if (rule == CovarianceRule::hc2 || rule == CovarianceRule::hc3) {
        const Eigen::ArrayXd rest = 1.0 - leverages(fit).array().min(kMostLeverage);
        factor /= rule == CovarianceRule::hc2 ? rest : rest.square();
    }
    const Eigen::MatrixXd half = (pulls.psi.array() * factor.sqrt()).matrix().asDiagonal() * (fit.jacobian * inverse);
    return scale2 * half.transpose() * half;
}

Eigen::MatrixXd regression_covariance_clustered(const RegressionFit& fit, std::span<const int> cluster) {
    if (cluster.size() != static_cast<std::size_t>(fit.residuals.size()))
        throw InvalidArgument("one cluster is needed for each row");
    if (std::any_of(cluster.begin(), cluster.end(), [](int one) { return one < 0; }))
        throw InvalidArgument("clusters are numbered from 0 on");
    const Eigen::MatrixXd influence = regression_influence(fit);
    const int groups = *std::max_element(cluster.begin(), cluster.end()) + 1;
    Eigen::MatrixXd sums = Eigen::MatrixXd::Zero(groups, influence.cols());
    std::vector<bool> seen(static_cast<std::size_t>(groups), false);
    for (std::size_t i = 0; i < cluster.size(); ++i) {
        sums.row(cluster[i]) += influence.row(static_cast<Eigen::Index>(i));
        seen[static_cast<std::size_t>(cluster[i])] = true;
    }
    const auto g = static_cast<double>(std::count(seen.begin(), seen.end(), true));
    if (g < 2.0) throw InvalidArgument("at least two clusters are needed");
    const auto n = static_cast<double>(fit.residuals.size()), p = static_cast<double>(fit.theta.size());
    if (n <= p)
        throw NotIdentifiable("as many parameters as rows: nothing is left to tell how sure they are", fit.names);
    return g / (g - 1.0) * (n - 1.0) / (n - p) * sums.transpose() * sums;
}

Eigen::MatrixXd regression_influence(const RegressionFit& fit) {
    const Pulls pulls = pulls_of(fit);
    return fit.scale * pulls.psi.asDiagonal() * (fit.jacobian * bread(fit, pulls));
}

double t_quantile(double p, double degrees) {
    if (!(p > 0.0 && p < 1.0)) throw InvalidArgument("a probability must lie strictly between 0 and 1");
    if (!(degrees > 0.0)) throw InvalidArgument("degrees of freedom must be positive");
    return boost::math::quantile(boost::math::students_t(degrees), p);
}

}  // namespace lobetime
