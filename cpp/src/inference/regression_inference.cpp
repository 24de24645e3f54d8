#include <lobetime/core/errors.hpp>
#include <lobetime/inference/regression_inference.hpp>

#include <Eigen/Cholesky>
#include <Eigen/QR>
#include <boost/math/distributions/students_t.hpp>

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <numeric>
#include <set>
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

/// Number of each row's unit of resampling: itself, or its cluster.
std::vector<int> units_of_rows(const RegressionFit& fit, const std::vector<int>& cluster) {
    if (!cluster.empty()) return cluster;
    std::vector<int> unit_of(static_cast<std::size_t>(fit.residuals.size()));
    std::iota(unit_of.begin(), unit_of.end(), 0);
    return unit_of;
}

std::size_t count_of(const std::vector<int>& unit_of) {
    return static_cast<std::size_t>(*std::max_element(unit_of.begin(), unit_of.end())) + 1;
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

std::vector<Quantity> parameter_quantities(const RegressionFit& fit) {
    std::vector<Quantity> all;
    for (int j = 0; j < static_cast<int>(fit.names.size()); ++j) {
        Quantity one;
        one.name = fit.names[static_cast<std::size_t>(j)];
        one.value = [j](const Eigen::VectorXd& theta) { return theta[j]; };
        one.gradient = [j](const Eigen::VectorXd& theta) { return Eigen::VectorXd::Unit(theta.size(), j); };
        one.parameter = j;
        all.push_back(one);
    }
    return all;
}

Replicates regression_replicates(const RobustRegression& regression, const RegressionFit& fit,
                                 const std::vector<int>& cluster, const ReplicateOptions& options) {
    const std::vector<int> unit_of = units_of_rows(fit, cluster);
    const Refit refit = [&](std::span<const int> counts, std::uint64_t, const std::function<bool()>&) {
        std::vector<int> rows(unit_of.size());
        for (std::size_t i = 0; i < rows.size(); ++i) rows[i] = counts[static_cast<std::size_t>(unit_of[i])];
        return regression.refit(fit, rows);
    };
    ReplicateOptions replicate_options = options;
    if (!regression.mean().parallel) replicate_options.threads = 1;
    return bootstrap_part(count_of(unit_of), refit, replicate_options);
}

std::vector<RegressionInterval> regression_intervals(const RobustRegression& regression, const RegressionFit& fit,
                                                     const std::vector<Quantity>& quantities,
                                                     const RegressionIntervalOptions& options) {
    if (!(options.level > 0.0 && options.level < 1.0)) throw InvalidArgument("level must lie strictly between 0 and 1");
    const bool clustered = !options.cluster.empty();
    const auto n = fit.residuals.size();
    std::vector<RegressionInterval> out;
    if (options.method == IntervalMethod::bootstrap) {
        const std::vector<int> unit_of = units_of_rows(fit, options.cluster);
        const std::size_t units = count_of(unit_of);
        options.replicates.check();
        const Replicates replicates =
            options.done ? *options.done : regression_replicates(regression, fit, options.cluster, options.replicates);
        check_failures(replicates);
        Eigen::MatrixXd influence;
        if (options.bca) {
            const Eigen::MatrixXd rows = regression_influence(fit);
            influence = Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(units), rows.cols());
            for (std::size_t i = 0; i < unit_of.size(); ++i)
                influence.row(unit_of[i]) += rows.row(static_cast<Eigen::Index>(i));
        }
        for (const Quantity& quantity : quantities) {
            std::vector<double> values;
            for (Eigen::Index r = 0; r < replicates.theta.rows(); ++r)
                values.push_back(quantity.value(replicates.theta.row(r).transpose()));
            RegressionInterval one;
            one.name = quantity.name;
            one.interval.estimate = quantity.value(fit.theta);
            const double mean = std::accumulate(values.begin(), values.end(), 0.0) / static_cast<double>(values.size());
            double squares = 0.0;
            for (const double value : values) squares += (value - mean) * (value - mean);
            one.standard_error = std::sqrt(squares / static_cast<double>(values.size() - 1));
            Ends ends{};
            if (options.bca) {
                const Eigen::VectorXd step = 1e-4 * influence.colwise().norm().transpose();
                const Eigen::VectorXd of_units = influence * gradient_of(quantity, fit.theta, step);
                ends = bca_interval(values, one.interval.estimate,
                                    acceleration_of({of_units.data(), static_cast<std::size_t>(of_units.size())}),
                                    options.level);
            } else {
                ends = percentile_interval(values, options.level);
            }
            one.interval.lower = ends.lower;
            one.interval.upper = ends.upper;
            one.interval.lower_open = std::isnan(ends.lower);
            one.interval.upper_open = std::isnan(ends.upper);
            if (one.interval.lower_open || one.interval.upper_open)
                one.reason = "the end lies beyond the replicates: take more of them";
            out.push_back(one);
        }
        return out;
    }
    const Eigen::MatrixXd covariance =
        clustered ? regression_covariance_clustered(fit, options.cluster) : regression_covariance(fit, options.rule);
    double degrees = static_cast<double>(n - fit.theta.size());
    if (clustered) {
        const std::set<int> seen(options.cluster.begin(), options.cluster.end());
        degrees = static_cast<double>(seen.size()) - 1.0;
    }
    const double quantile = t_quantile(0.5 + 0.5 * options.level, degrees);
    const std::unique_ptr<Objective> objective = regression.objective(fit);
    const Eigen::MatrixXd curvature_inverse = fit.scale * fit.scale * bread(fit, pulls_of(fit));
    for (const Quantity& quantity : quantities) {
        RegressionInterval one;
        one.name = quantity.name;
        one.standard_error = delta_standard_error(quantity, fit.theta, covariance);
        if (options.method == IntervalMethod::sandwich) {
            one.interval = delta_interval(quantity, fit.theta, covariance, quantile);
        } else {
            const double by_curvature = delta_standard_error(quantity, fit.theta, curvature_inverse);
            ProfileOptions profile;
            profile.critical = quantile * quantile;
            profile.deviance_unit = std::pow(one.standard_error / by_curvature, 2);
            profile.interrupt = options.interrupt;
            const ProfileInterval found =
                profile_interval(*objective, fit.theta, fit.lower, fit.upper, quantity, one.standard_error, profile);
            one.interval = {found.estimate, found.lower, found.upper, found.lower_open, found.upper_open};
            one.reason = found.lower_reason;
            if (!found.upper_reason.empty()) one.reason += (one.reason.empty() ? "" : "; ") + found.upper_reason;
        }
        out.push_back(one);
    }
    return out;
}

double t_quantile(double p, double degrees) {
    if (!(p > 0.0 && p < 1.0)) throw InvalidArgument("a probability must lie strictly between 0 and 1");
    if (!(degrees > 0.0)) throw InvalidArgument("degrees of freedom must be positive");
    return boost::math::quantile(boost::math::students_t(degrees), p);
}

}  // namespace lobetime
