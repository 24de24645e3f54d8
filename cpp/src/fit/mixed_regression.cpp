#include <lobetime/core/errors.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>
#include <lobetime/fit/mixed_regression.hpp>
#include <lobetime/fit/robust_regression.hpp>

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <Eigen/QR>

#include <cmath>
#include <limits>
#include <numbers>
#include <utility>

namespace lobetime {
namespace {

constexpr int kInnerSteps = 500;
constexpr double kShortestStep = 1e-15;  // share of a step
/// A promise of a step, as a share of the penalised sum of squares: below the first the modes are exact to the digits
/// that log |L| needs; below the second the sum cannot judge a step, and whether promises shrink decides.
constexpr double kInnerGain = 1e-26, kInnerNoise = 1e-13;
/// Width of differences in units in which the deviance bends by about one a group.
constexpr double kDifference = 5e-3;
/// Starts of the relative spreads, in units of one group's standard error.
constexpr std::array<double, 6> kFirstSpreads = {0.1, 0.5, 1.0, 3.0, 10.0, 30.0};
/// A spread below this share of one group's standard error is tried at zero, and left there if the deviance rises by
/// less than the second number: no data tell the two apart.
constexpr double kTinySpread = 1e-3, kSameDeviance = 1e-8;

/// Rows, groups and mean as given, rows in order of their groups.
struct Problem {
    VaryingMean mean;
    Eigen::VectorXd y;
    std::vector<std::vector<Eigen::Index>> rows;  // of each group
    std::vector<int> group;                       // of each row
    std::vector<int> random;
    std::vector<std::string> names;
    bool restricted = true;

    Eigen::Index n() const { return y.size(); }
    Eigen::Index p() const { return mean.parameters; }
    Eigen::Index q() const { return static_cast<Eigen::Index>(random.size()); }
    Eigen::Index groups() const { return static_cast<Eigen::Index>(rows.size()); }
    std::string random_name(Eigen::Index k) const {
        return names[static_cast<std::size_t>(random[static_cast<std::size_t>(k)])];
    }
};

/// Where the mean was evaluated: parameters of the typical group, standardised effects, and what came out.
struct Point {
    Eigen::VectorXd theta;
    Eigen::MatrixXd u;  // q x m
    Eigen::VectorXd residual;
    Eigen::MatrixXd jacobian;
    double penalised = 0.0;
};

void evaluate(const Problem& problem, const Eigen::MatrixXd& lambda, Point& at) {
    Eigen::MatrixXd theta = at.theta.transpose().replicate(problem.n(), 1);
    const Eigen::MatrixXd effects = lambda * at.u;
    for (Eigen::Index i = 0; i < problem.n(); ++i) {
        for (Eigen::Index k = 0; k < problem.q(); ++k)
            theta(i, problem.random[static_cast<std::size_t>(k)]) +=
                effects(k, problem.group[static_cast<std::size_t>(i)]);
    }
    Eigen::VectorXd fitted;
    problem.mean.evaluate(theta, fitted, at.jacobian);
    if (fitted.size() != problem.n() || at.jacobian.rows() != problem.n() || at.jacobian.cols() != problem.p())
        throw InvalidArgument("the mean function returned the wrong shape: " + std::to_string(problem.n()) +
                              " fitted values and as many rows of " + std::to_string(problem.p()) +
                              " derivatives are needed");
    at.residual = problem.y - fitted;
    for (Eigen::Index i = 0; i < problem.n(); ++i) {
        if (!std::isfinite(at.residual[i]) || !at.jacobian.row(i).allFinite())
            throw NotFinite("row " + std::to_string(i + 1) + ": the mean or its derivative is not finite");
    }
    at.penalised = at.residual.squaredNorm() + at.u.squaredNorm();
}

/// QR factors of the curvature of the penalised sum of squares, group by group: in each group's u first, what is left
/// of all groups in theta.
class Factors {
public:
    void compute(const Problem& problem, const Eigen::MatrixXd& lambda, const Point& at) {
        const Eigen::Index p = problem.p(), q = problem.q();
        blocks_.resize(problem.rows.size());
        Eigen::Index left = 0;
        for (const auto& rows : problem.rows) left += std::min(static_cast<Eigen::Index>(rows.size()), p + 1);
        Eigen::MatrixXd rest = Eigen::MatrixXd::Zero(left, p + 1);
        Eigen::Index next = 0;
        for (std::size_t g = 0; g < problem.rows.size(); ++g) {
            const std::vector<Eigen::Index>& rows = problem.rows[g];
            const auto here = static_cast<Eigen::Index>(rows.size());
            work_.setZero(here + q, q + p + 1);
            for (Eigen::Index i = 0; i < here; ++i) {
                const Eigen::Index row = rows[static_cast<std::size_t>(i)];
                work_.row(i).segment(q, p) = at.jacobian.row(row);
                work_(i, q + p) = at.residual[row];
                for (Eigen::Index k = 0; k < q; ++k) {
                    const double slope = at.jacobian(row, problem.random[static_cast<std::size_t>(k)]);
                    work_.row(i).head(q) += slope * lambda.row(k);
                }
            }
            work_.block(here, 0, q, q).setIdentity();
            work_.col(q + p).tail(q) = -at.u.col(static_cast<Eigen::Index>(g));
            qr_.compute(work_);
            blocks_[g] = qr_.matrixQR().topRows(q);
            blocks_[g].leftCols(q).triangularView<Eigen::StrictlyLower>().setZero();
            const Eigen::Index more = std::min(here, p + 1);
            rest.middleRows(next, more) =
                qr_.matrixQR().block(q, q, more, p + 1).template triangularView<Eigen::Upper>();
            next += more;
        }
        qr_.compute(rest);
        root_ = qr_.matrixQR().topLeftCorner(p, p).template triangularView<Eigen::Upper>();
        right_ = qr_.matrixQR().col(p).head(p);
    }

    /// Gauss-Newton step of u, and of theta if it is free; returns what it promises to take off.
    double step(bool free_theta, Eigen::VectorXd& theta, Eigen::MatrixXd& u) const {
        const Eigen::Index p = root_.cols(), q = blocks_.front().rows();
        theta = Eigen::VectorXd::Zero(p);
        double promised = 0.0;
        if (free_theta) {
            theta = root_.triangularView<Eigen::Upper>().solve(right_);
            promised = right_.squaredNorm();
        }
        u.resize(q, static_cast<Eigen::Index>(blocks_.size()));
        for (std::size_t g = 0; g < blocks_.size(); ++g) {
            const Eigen::MatrixXd& block = blocks_[g];
            promised += block.col(q + p).squaredNorm();
            u.col(static_cast<Eigen::Index>(g)) = block.leftCols(q).triangularView<Eigen::Upper>().solve(
                block.col(q + p) - block.middleCols(q, p) * theta);
        }
        return promised;
    }

    double log_determinant_u() const {
        double sum = 0.0;
        for (const Eigen::MatrixXd& block : blocks_) sum += block.diagonal().array().abs().log().sum();
        return 2.0 * sum;
    }
    double log_determinant_theta() const { return 2.0 * root_.diagonal().array().abs().log().sum(); }
    /// Upper R with R'R the curvature in theta after u.
    const Eigen::MatrixXd& root() const { return root_; }
    /// Inverse of the curvature in a group's u.
    Eigen::MatrixXd inverse_u(Eigen::Index g) const {
        const Eigen::MatrixXd& block = blocks_[static_cast<std::size_t>(g)];
        const Eigen::Index q = block.rows();
        const Eigen::MatrixXd inverse =
            block.leftCols(q).triangularView<Eigen::Upper>().solve(Eigen::MatrixXd::Identity(q, q));
        return inverse * inverse.transpose();
    }

private:
    std::vector<Eigen::MatrixXd> blocks_;  // q x (q + p + 1) each
    Eigen::MatrixXd work_, root_;
    Eigen::VectorXd right_;
    Eigen::HouseholderQR<Eigen::MatrixXd> qr_;
};

/// Penalised nonlinear least squares over u, and over theta if it is free, by Gauss-Newton steps that are halved until
/// they gain.
void solve_modes(const Problem& problem, const Eigen::MatrixXd& lambda, bool free_theta, Point& at, Factors& factors) {
    evaluate(problem, lambda, at);
    Point trial;
    Eigen::VectorXd theta_step;
    Eigen::MatrixXd u_step;
    double before = std::numeric_limits<double>::infinity();
    for (int step = 0; step < kInnerSteps; ++step) {
        factors.compute(problem, lambda, at);
        const double promised = factors.step(free_theta, theta_step, u_step);
        if (!std::isfinite(promised)) throw NotFinite("the penalised sum of squares is not finite");
        const bool noise = promised <= kInnerNoise * at.penalised;
        if (promised <= kInnerGain * at.penalised || (noise && promised > 0.5 * before)) return;
        before = noise ? promised : std::numeric_limits<double>::infinity();
        bool gained = false, whole = true;
        for (double share = 1.0; !gained && share > kShortestStep; share *= 0.5) {
            trial.theta = at.theta + share * theta_step;
            trial.u = at.u + share * u_step;
            whole = share == 1.0;
            try {
                evaluate(problem, lambda, trial);
                gained = noise || trial.penalised < at.penalised;
            } catch (const NotFinite&) {
                gained = false;
            }
        }
        if (!gained) throw NotConverged("mixed regression: the modes of the groups were not found");
        const bool quadratic = trial.jacobian == at.jacobian;
        std::swap(at, trial);
        if (quadratic && whole) return;  // the step's end is the minimum, and the factors are the same there
    }
    throw NotConverged("mixed regression: the modes of the groups did not settle");
}

/// The marginal deviance as a function of the relative spreads (lower triangle of Lambda, rows in units of one group's
/// standard error) and, for maximum likelihood of a mean that bends, of theta (in uncorrelated standard errors about a
/// point). It is differentiated by differences: few parameters, and modes solved to the last digits.
///
/// As a cost, which must not be negative: n/2 exp((deviance - reference) / n), with the same minima.
class Deviance final : public Objective {
public:
    Deviance(const Problem& problem, Eigen::VectorXd unit, Point start)
        : problem_(problem), unit_(std::move(unit)), at_(std::move(start)) {
        for (Eigen::Index k = 0; k < problem.q(); ++k) {
            for (Eigen::Index l = 0; l <= k; ++l)
                names_.push_back("spread of " + problem.random_name(k) +
                                 (l < k ? " with " + problem.random_name(l) : std::string()));
        }
        spreads_ = static_cast<Eigen::Index>(names_.size());
    }
    const std::vector<std::string>& parameter_names() const override { return names_; }
    Eigen::Index spreads() const { return spreads_; }

    /// From now on theta is searched too, about the point that was found last, instead of being solved with the modes.
    void search_theta(double scale) {
        origin_ = at_.theta;
        unit_theta_ = scale * factors_.root().triangularView<Eigen::Upper>().solve(
                                  Eigen::MatrixXd::Identity(problem_.p(), problem_.p()));
        for (const std::string& name : problem_.names) names_.push_back(name);
        free_theta_ = false;
    }

    Eigen::MatrixXd lambda(const Eigen::VectorXd& phi) const {
        Eigen::MatrixXd out = Eigen::MatrixXd::Zero(problem_.q(), problem_.q());
        for (Eigen::Index k = 0, next = 0; k < problem_.q(); ++k) {
            for (Eigen::Index l = 0; l <= k; ++l) out(k, l) = phi[next++] / unit_[k];
        }
        return out;
    }
    Eigen::VectorXd coordinates(const Eigen::MatrixXd& lambda) const {
        Eigen::VectorXd phi = Eigen::VectorXd::Zero(size());
        for (Eigen::Index k = 0, next = 0; k < problem_.q(); ++k) {
            for (Eigen::Index l = 0; l <= k; ++l) phi[next++] = lambda(k, l) * unit_[k];
        }
        return phi;
    }

    /// Deviance at phi, its modes searched from those in `at`, where they are left.
    double value(const Eigen::VectorXd& phi, Point& at, Factors& factors) const {
        if (!free_theta_) at.theta = origin_ + unit_theta_ * phi.tail(problem_.p());
        solve_modes(problem_, lambda(phi), free_theta_, at, factors);
        const double degrees = degrees_of_freedom();
        double deviance =
            factors.log_determinant_u() + degrees * (1.0 + std::log(2.0 * std::numbers::pi * at.penalised / degrees));
        if (problem_.restricted) deviance += factors.log_determinant_theta();
        return deviance;
    }
    /// The same at the point that is kept.
    double settle(const Eigen::VectorXd& phi) { return value(phi, at_, factors_); }
    double degrees_of_freedom() const {
        return static_cast<double>(problem_.restricted ? problem_.n() - problem_.p() : problem_.n());
    }
    void set_reference(double deviance) { reference_ = deviance; }
    const Point& at() const { return at_; }
    const Factors& factors() const { return factors_; }

    void evaluate(const Eigen::VectorXd& phi, Curvature, Evaluation& out) const override {
        try {
            differences(phi, out);
        } catch (const NotConverged& error) {
            throw NotFinite(error.what());  // a point that cannot be evaluated is a rejected step
        }
    }

private:
    void differences(const Eigen::VectorXd& phi, Evaluation& out) const {
        const Eigen::Index d = phi.size();
        Point centre = at_;
        Factors factors;
        const double middle = value(phi, centre, factors);
        at_ = centre;
        Eigen::VectorXd h = Eigen::VectorXd::Constant(d, kDifference);
        for (Eigen::Index k = 0, next = 0; k < problem_.q(); ++k) {
            const double wide = std::max(1.0, phi.segment(next, k + 1).norm());
            h.segment(next, k + 1) *= wide;
            next += k + 1;
        }
        const auto at = [&](Eigen::Index i, double a, Eigen::Index j, double b) {
            Eigen::VectorXd moved = phi;
            moved[i] += a * h[i];
            if (j >= 0) moved[j] += b * h[j];
            Point near = centre;
            return value(moved, near, factors);
        };
        Eigen::VectorXd gradient(d), plus(d), minus(d);
        Eigen::MatrixXd bend(d, d);
        for (Eigen::Index i = 0; i < d; ++i) {
            plus[i] = at(i, 1.0, -1, 0.0);
            minus[i] = at(i, -1.0, -1, 0.0);
            const double far_plus = at(i, 2.0, -1, 0.0), far_minus = at(i, -2.0, -1, 0.0);
            gradient[i] = (8.0 * (plus[i] - minus[i]) - (far_plus - far_minus)) / (12.0 * h[i]);
            bend(i, i) = (16.0 * (plus[i] + minus[i]) - (far_plus + far_minus) - 30.0 * middle) / (12.0 * h[i] * h[i]);
            for (Eigen::Index j = 0; j < i; ++j) {
                const double both = at(i, 1.0, j, 1.0) + at(i, -1.0, j, -1.0);
                bend(i, j) = bend(j, i) =
                    (both - plus[i] - minus[i] - plus[j] - minus[j] + 2.0 * middle) / (2.0 * h[i] * h[j]);
            }
        }
        const double degrees = degrees_of_freedom();
        const double factor = 0.5 * std::exp((middle - reference_) / degrees);
        out.cost = factor * degrees;
        out.gradient = factor * gradient;
        const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(factor *
                                                                   (bend + gradient * gradient.transpose() / degrees));
        // Where the deviance bends downwards a step along its slope is still wanted.
        const Eigen::VectorXd bends = eigen.eigenvalues().cwiseAbs();
        out.curvature = eigen.eigenvectors() * bends.cwiseMax(1e-10 * bends.maxCoeff()).asDiagonal() *
                        eigen.eigenvectors().transpose();
        out.root.resize(0, 0);
    }

    const Problem& problem_;
    Eigen::VectorXd unit_;
    std::vector<std::string> names_;
    Eigen::Index spreads_ = 0;
    bool free_theta_ = true;
    Eigen::VectorXd origin_;
    Eigen::MatrixXd unit_theta_;
    double reference_ = 0.0;
    mutable Point at_;  // where the last modes were found: the next are searched from there
    Factors factors_;
};

/// The rows must tell every entry of the covariance between groups from the others and from the variance within:
/// Sigma and sigma^2 enter the covariance of y linearly, as sum of s_a Z E_a Z' + sigma^2 I, and the products of these
/// matrices must not be singular.
void require_identifiable_spreads(const Problem& problem, const Eigen::MatrixXd& jacobian) {
    const Eigen::Index q = problem.q(), entries = q * (q + 1) / 2;
    std::vector<Eigen::MatrixXd> basis;
    std::vector<std::string> names;
    for (Eigen::Index k = 0; k < q; ++k) {
        for (Eigen::Index l = 0; l <= k; ++l) {
            Eigen::MatrixXd one = Eigen::MatrixXd::Zero(q, q);
            one(k, l) = one(l, k) = 1.0;
            basis.push_back(one);
            names.push_back(k == l ? "variance of " + problem.random_name(k)
                                   : "covariance of " + problem.random_name(k) + " and " + problem.random_name(l));
        }
    }
    names.emplace_back("variance within groups");
    Eigen::MatrixXd products = Eigen::MatrixXd::Zero(entries + 1, entries + 1);
    for (const std::vector<Eigen::Index>& rows : problem.rows) {
        Eigen::MatrixXd z(static_cast<Eigen::Index>(rows.size()), q);
        for (Eigen::Index i = 0; i < z.rows(); ++i) {
            for (Eigen::Index k = 0; k < q; ++k)
                z(i, k) = jacobian(rows[static_cast<std::size_t>(i)], problem.random[static_cast<std::size_t>(k)]);
        }
        const Eigen::MatrixXd square = z.transpose() * z;
        for (Eigen::Index a = 0; a < entries; ++a) {
            const Eigen::MatrixXd left = square * basis[static_cast<std::size_t>(a)];
            for (Eigen::Index b = 0; b <= a; ++b)
                products(a, b) += (left * square * basis[static_cast<std::size_t>(b)]).trace();
            products(entries, a) += left.trace();
        }
    }
    products(entries, entries) = static_cast<double>(problem.n());
    require_identifiable(products.selfadjointView<Eigen::Lower>(), names);
}

Problem checked(const VaryingMean& mean, const Eigen::VectorXd& y, const std::vector<int>& group,
                const std::vector<std::string>& names, const std::vector<int>& random, const Eigen::VectorXd& start,
                const MixedOptions& options) {
    options.check();
    const Eigen::Index n = y.size(), p = mean.parameters;
    if (!mean.evaluate) throw InvalidArgument("the mean function is missing");
    if (mean.rows != n || group.size() != static_cast<std::size_t>(n))
        throw InvalidArgument("y has " + std::to_string(n) + " rows, the mean " + std::to_string(mean.rows) +
                              ", and there are " + std::to_string(group.size()) +
                              " groups; one is needed for each row");
    if (names.size() != static_cast<std::size_t>(p) || start.size() != p)
        throw InvalidArgument("one name and one start are needed for each parameter");
    if (random.empty()) throw InvalidArgument("at least one parameter must vary between groups");
    for (std::size_t k = 0; k < random.size(); ++k) {
        if (random[k] < 0 || random[k] >= p || std::count(random.begin(), random.end(), random[k]) > 1)
            throw InvalidArgument("random parameters must be different and among the " + std::to_string(p));
    }
    for (Eigen::Index i = 0; i < n; ++i) {
        if (!std::isfinite(y[i])) throw NotFinite("row " + std::to_string(i + 1) + ": y is not finite");
    }
    for (Eigen::Index j = 0; j < p; ++j) {
        if (!std::isfinite(start[j]))
            throw NotFinite("the start of " + names[static_cast<std::size_t>(j)] + " is not finite");
    }
    if (n <= p)
        throw InvalidArgument("too few rows: " + std::to_string(n) + " for " + std::to_string(p) +
                              " parameters; at least " + std::to_string(p + 1) + " are needed");
    Problem problem{mean, y, {}, group, random, names, options.restricted};
    for (Eigen::Index i = 0; i < n; ++i) {
        const int g = group[static_cast<std::size_t>(i)];
        if (g < 0 || g >= n) throw InvalidArgument("groups are numbered from 0 on, without gaps");
        if (static_cast<std::size_t>(g) >= problem.rows.size()) problem.rows.resize(static_cast<std::size_t>(g) + 1);
        problem.rows[static_cast<std::size_t>(g)].push_back(i);
    }
    for (const auto& rows : problem.rows) {
        if (rows.empty()) throw InvalidArgument("groups are numbered from 0 on, without gaps");
    }
    // m groups have m - 1 deviations from their centre: fewer than q of them lie in a subspace.
    if (problem.groups() < problem.q() + 1)
        throw InvalidArgument("too few groups: " + std::to_string(problem.groups()) + " for " +
                              std::to_string(problem.q()) + " random parameters; at least " +
                              std::to_string(problem.q() + 1) + " are needed");
    return problem;
}

/// Least squares without effects; where it fails, the start as it is.
Eigen::VectorXd pooled(const Problem& problem, const Eigen::VectorXd& start, const MixedOptions& options) {
    MeanModel mean;
    mean.rows = problem.n();
    mean.parameters = problem.mean.parameters;
    mean.parallel = false;
    mean.evaluate = [&problem](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian) {
        problem.mean.evaluate(theta.transpose().replicate(problem.n(), 1), fitted, jacobian);
    };
    RegressionOptions squares;
    squares.estimator = Estimator::m;
    squares.loss = Loss("squares");
    squares.scale_method = ScaleMethod::fixed;
    squares.solver.interrupt = options.interrupt;
    const double infinite = std::numeric_limits<double>::infinity();
    try {
        return RobustRegression(mean, problem.y, problem.names, squares)
            .fit(start, Eigen::VectorXd::Constant(start.size(), -infinite),
                 Eigen::VectorXd::Constant(start.size(), infinite))
            .theta;
    } catch (const NotConverged&) {
        return start;
    }
}

/// Lower triangular L with L L' = a, for a positive semi-definite: columns whose pivot is rounding are zero.
Eigen::MatrixXd semidefinite_root(Eigen::MatrixXd a) {
    const Eigen::VectorXd size = a.diagonal();
    Eigen::MatrixXd root = Eigen::MatrixXd::Zero(a.rows(), a.cols());
    for (Eigen::Index k = 0; k < a.rows(); ++k) {
        if (!(a(k, k) > 1e-14 * size[k])) continue;
        root.col(k).tail(a.rows() - k) = a.col(k).tail(a.rows() - k) / std::sqrt(a(k, k));
        a -= root.col(k) * root.col(k).transpose();
    }
    return root;
}

/// The outer search, entries of phi held at zero where `held` says so.
class Search {
public:
    Search(Deviance& deviance, const MixedOptions& options) : deviance_(deviance), options_(options) {}

    double run(Eigen::VectorXd& phi, const std::vector<bool>& held) {
        const double infinite = std::numeric_limits<double>::infinity();
        Eigen::VectorXd lower = Eigen::VectorXd::Constant(phi.size(), -infinite), upper = -lower;
        for (std::size_t i = 0; i < held.size(); ++i) {
            if (held[i])
                phi[static_cast<Eigen::Index>(i)] = lower[static_cast<Eigen::Index>(i)] =
                    upper[static_cast<Eigen::Index>(i)] = 0.0;
        }
        deviance_.set_reference(deviance_.settle(phi));
        LevenbergOptions steps;
        steps.max_iterations = options_.max_iterations;
        steps.interrupt = options_.interrupt;
        const Minimum minimum = levenberg_marquardt(deviance_, phi, lower, upper, Curvature::exact, steps);
        iterations += minimum.iterations;
        message = minimum.message;
        if (minimum.termination == Termination::interrupted) throw NotConverged("the fit was interrupted");
        if (!minimum.usable()) throw NotConverged("mixed regression: " + minimum.message);
        phi = minimum.theta;
        return deviance_.settle(phi);
    }

    int iterations = 0;
    std::string message;

private:
    Deviance& deviance_;
    const MixedOptions& options_;
};

/// Spreads that no data tell from zero are set to zero: first whole random parameters, then what is left of one beyond
/// the others (a correlation of -1 or 1).
double to_the_boundary(const Problem& problem, Deviance& deviance, Search& search, Eigen::VectorXd& phi,
                       std::vector<bool>& held, double least) {
    const Eigen::Index q = problem.q();
    const auto place = [](Eigen::Index k, Eigen::Index l) { return static_cast<std::size_t>(k * (k + 1) / 2 + l); };
    const auto attempt = [&](const Eigen::VectorXd& begin, const std::vector<bool>& hold) {
        Eigen::VectorXd trial = begin;
        const double found = search.run(trial, hold);
        if (found > least + kSameDeviance) return false;
        phi = trial;
        held = hold;
        least = found;
        return true;
    };
    for (Eigen::Index k = 0; k < q; ++k) {
        if (phi.segment(static_cast<Eigen::Index>(place(k, 0)), k + 1).norm() >= kTinySpread) continue;
        const Eigen::MatrixXd lambda = deviance.lambda(phi);
        Eigen::MatrixXd square = lambda * lambda.transpose();
        square.row(k).setZero();
        square.col(k).setZero();
        Eigen::VectorXd begin = phi;
        begin.head(deviance.spreads()) = deviance.coordinates(semidefinite_root(square)).head(deviance.spreads());
        std::vector<bool> hold = held;
        for (Eigen::Index l = 0; l < q; ++l) hold[place(std::max(k, l), std::min(k, l))] = true;
        attempt(begin, hold);
    }
    for (Eigen::Index k = 0; k < q; ++k) {
        if (held[place(k, k)] || std::abs(phi[static_cast<Eigen::Index>(place(k, k))]) >= kTinySpread) continue;
        std::vector<bool> hold = held;
        for (Eigen::Index l = k; l < q; ++l) hold[place(l, k)] = true;
        const Eigen::MatrixXd lambda = deviance.lambda(phi);
        Eigen::MatrixXd square = lambda * lambda.transpose();
        const Eigen::MatrixXd column = lambda.col(k);
        Eigen::VectorXd begin = phi;
        square -= column * column.transpose();
        begin.head(deviance.spreads()) = deviance.coordinates(semidefinite_root(square)).head(deviance.spreads());
        attempt(begin, hold);
    }
    return least;
}

}  // namespace

void MixedOptions::check() const {
    if (max_iterations < 1) throw InvalidArgument("max_iterations must be at least 1");
}

MixedFit fit_mixed_regression(const VaryingMean& mean, const Eigen::VectorXd& y, const std::vector<int>& group,
                              const std::vector<std::string>& names, const std::vector<int>& random,
                              const Eigen::VectorXd& start, const MixedOptions& options) {
    const Problem problem = checked(mean, y, group, names, random, start, options);
    const Eigen::Index p = problem.p(), q = problem.q(), m = problem.groups();

    Point first;
    first.theta = pooled(problem, start, options);
    first.u = Eigen::MatrixXd::Zero(q, m);
    evaluate(problem, Eigen::MatrixXd::Zero(q, q), first);
    if (!(first.penalised > 1e-26 * y.squaredNorm()))
        throw NotIdentifiable("the rows are fitted exactly: nothing is left to tell the variances", {"scale"});
    require_identifiable(first.jacobian.transpose() * first.jacobian, names);
    require_identifiable_spreads(problem, first.jacobian);
    Eigen::MatrixXd slopes(problem.n(), q);
    for (Eigen::Index k = 0; k < q; ++k) slopes.col(k) = first.jacobian.col(random[static_cast<std::size_t>(k)]);

    Deviance deviance(problem, slopes.colwise().norm() / std::sqrt(static_cast<double>(m)), first);
    Eigen::VectorXd phi;
    double least = std::numeric_limits<double>::infinity();
    for (const double spread : kFirstSpreads) {
        Eigen::VectorXd trial = Eigen::VectorXd::Zero(deviance.size());
        for (Eigen::Index k = 0; k < q; ++k) trial[k * (k + 1) / 2 + k] = spread;
        Point at = first;
        Factors factors;
        try {
            const double found = deviance.value(trial, at, factors);
            if (found < least) {
                least = found;
                phi = trial;
            }
        } catch (const Error&) {  // another start may do
        }
    }
    if (!std::isfinite(least)) throw NotConverged("mixed regression: the modes of the groups were not found");
    Search search(deviance, options);
    std::vector<bool> held(static_cast<std::size_t>(deviance.spreads()), false);
    to_the_boundary(problem, deviance, search, phi, held, search.run(phi, held));
    if (!options.restricted) {
        deviance.settle(phi);
        Eigen::MatrixXd bent(problem.n(), q);
        for (Eigen::Index k = 0; k < q; ++k)
            bent.col(k) = deviance.at().jacobian.col(random[static_cast<std::size_t>(k)]);
        if ((bent - slopes).norm() > 1e-10 * slopes.norm()) {  // log |L| depends on theta
            deviance.search_theta(std::sqrt(deviance.at().penalised / deviance.degrees_of_freedom()));
            phi.conservativeResize(deviance.size());
            phi.tail(p).setZero();
            held.assign(static_cast<std::size_t>(deviance.spreads()), false);
            for (Eigen::Index k = 0; k < q; ++k) {  // off an edge, where the slope is zero whatever lies beyond
                double& spread = phi[k * (k + 1) / 2 + k];
                if (spread == 0.0) spread = kFirstSpreads.front();
            }
            held.resize(static_cast<std::size_t>(deviance.size()), false);
            to_the_boundary(problem, deviance, search, phi, held, search.run(phi, held));
        }
    }
    least = deviance.settle(phi);

    const Point& at = deviance.at();
    const Factors& factors = deviance.factors();
    const Eigen::MatrixXd lambda = deviance.lambda(phi);
    MixedFit fit;
    fit.names = names;
    fit.theta = at.theta;
    fit.criterion = least;
    fit.scale = std::sqrt(at.penalised / deviance.degrees_of_freedom());
    require_identifiable(factors.root().transpose() * factors.root(), names);
    const Eigen::MatrixXd inverse =
        factors.root().triangularView<Eigen::Upper>().solve(Eigen::MatrixXd::Identity(p, p));
    fit.covariance = fit.scale * fit.scale * inverse * inverse.transpose();
    fit.random_covariance = fit.scale * fit.scale * lambda * lambda.transpose();
    fit.modes = (lambda * at.u).transpose();
    fit.mode_sd.resize(m, q);
    fit.reliability.resize(m, q);
    for (Eigen::Index g = 0; g < m; ++g) {
        const Eigen::MatrixXd spread = lambda * factors.inverse_u(g) * lambda.transpose();
        for (Eigen::Index k = 0; k < q; ++k) {
            const double variance = fit.random_covariance(k, k);
            fit.mode_sd(g, k) = fit.scale * std::sqrt(spread(k, k));
            fit.reliability(g, k) = variance > 0.0 ? 1.0 - fit.scale * fit.scale * spread(k, k) / variance : 0.0;
        }
    }
    fit.residuals = at.residual;
    fit.fitted = y - at.residual;
    for (Eigen::Index k = 0; k < q; ++k) {
        fit.random_names.push_back(problem.random_name(k));
        if (fit.random_covariance(k, k) == 0.0) fit.no_variation.push_back(problem.random_name(k));
        if (lambda(k, k) == 0.0) fit.singular = true;
    }
    fit.iterations = search.iterations;
    fit.message = search.message;
    return fit;
}

}  // namespace lobetime
