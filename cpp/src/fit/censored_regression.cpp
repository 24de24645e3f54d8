#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/fit/censored_regression.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>
#include <lobetime/fit/robust_regression.hpp>
#include <lobetime/fit/scale.hpp>

#include <Eigen/Eigenvalues>
#include <Eigen/LU>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

namespace lobetime {
namespace {

constexpr double kInfinite = std::numeric_limits<double>::infinity();
constexpr double kFarTail = 25.0;  // beyond it erfc loses its digits, and the asymptotic series has them
/// Of the secant: least distance of two scales, least slope believed, longest step, all of the log scale.
constexpr double kSecantWidth = 1e-7, kLeastSlope = 1e-3, kLongestStep = 0.7;
constexpr int kInnerRounds = 200;     // of the scale at held residuals
constexpr double kDifference = 1e-3;  // of the scores, in units of the standard errors that the curvature tells
const double kHalfLogTwoPi = 0.5 * std::log(2.0 * std::numbers::pi);

/// log P(Z > a).
double log_upper_tail(double a) {
    if (a < kFarTail) return std::log(normal_cdf(-a));
    const double r = 1.0 / (a * a);
    return -0.5 * a * a - std::log(a) - kHalfLogTwoPi + std::log1p(r * (-1.0 + r * (3.0 + r * (-15.0 + 105.0 * r))));
}

/// log P(a < Z < b), a < b.
double log_between(double a, double b) {
    if (a == -kInfinite && b == kInfinite) return 0.0;
    if (b < -a) return log_between(-b, -a);  // the tail with the digits
    const double above = log_upper_tail(a);
    if (b == kInfinite) return above;
    if (a < 0.0) return std::log1p(-normal_cdf(a) - normal_cdf(-b));
    return above + std::log(-std::expm1(log_upper_tail(b) - above));
}

/// phi(a) / P, and powers of a times it, zero at infinity.
double density_ratio(double a, double log_p) {
    return std::isfinite(a) ? std::exp(-0.5 * a * a - kHalfLogTwoPi - log_p) : 0.0;
}

}  // namespace

ResponseLaw response_law_from_name(std::string_view name) {
    if (name == "normal") return ResponseLaw::normal;
    if (name == "lognormal") return ResponseLaw::lognormal;
    throw InvalidArgument("the law '" + std::string(name) + "' is not known; allowed: normal, lognormal");
}

void CensoredOptions::check() const {
    solver.check();
    if (max_scale_rounds < 1) throw InvalidArgument("max_scale_rounds must be at least 1");
    if (!(scale_tolerance > 0.0)) throw InvalidArgument("scale_tolerance must be positive");
}

CensoredTerm censored_term(double a, double b) {
    const double log_p = log_between(a, b);
    const double ra = density_ratio(a, log_p), rb = density_ratio(b, log_p);
    const double wa = std::isfinite(a) ? a * ra : 0.0, wb = std::isfinite(b) ? b * rb : 0.0;
    const double ca = std::isfinite(a) ? a * wa : 0.0, cb = std::isfinite(b) ? b * wb : 0.0;
    const double da = std::isfinite(a) ? a * ca : 0.0, db = std::isfinite(b) ? b * cb : 0.0;
    const double slope = ra - rb, spread = wa - wb;
    CensoredTerm term{};
    term.cost = -log_p;
    term.mean = -slope;
    term.log_scale = -spread;
    term.mean_mean = slope * slope - spread;
    term.mean_log_scale = slope * spread + slope - (ca - cb);
    term.log_scale_log_scale = spread * spread + spread - (da - db);
    return term;
}

double censored_square(double a, double b, double k) {
    // Outside [-k, k] the square is k^2; inside, the integral of z^2 phi is P - z phi between the ends.
    const double from = std::clamp(a, -k, k), to = std::clamp(b, -k, k);
    if (from == to) return k * k;  // wholly outside
    const double log_p = log_between(a, b);
    const double inside = std::exp(log_between(from, to) - log_p);
    const double edges = to * density_ratio(to, log_p) - from * density_ratio(from, log_p);
    return k * k * (1.0 - inside) + inside - edges;
}

namespace {

enum class Kind { exact, right, left, interval };

struct Rows {
    MeanModel mean;
    std::vector<std::string> names;
    Eigen::VectorXd lower, upper;  // on the scale of the mean
    std::vector<Kind> kind;
    double log_volume = 0.0;  // what the logarithm adds to the log likelihood of exact rows
    Loss loss;
    double factor = 1.0;  // of the loss

    Eigen::Index n() const { return lower.size(); }
    Eigen::Index p() const { return mean.parameters; }

    void evaluate(const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian) const {
        mean.evaluate(theta, fitted, jacobian);
        if (fitted.size() != n() || jacobian.rows() != n() || jacobian.cols() != p())
            throw InvalidArgument("the mean function returned the wrong shape: " + std::to_string(n()) +
                                  " fitted values and as many rows of " + std::to_string(p()) +
                                  " derivatives are needed");
        for (Eigen::Index i = 0; i < n(); ++i) {
            if (!std::isfinite(fitted[i]) || !jacobian.row(i).allFinite())
                throw NotFinite("row " + std::to_string(i + 1) + ": the mean or its derivative is not finite");
        }
    }
    CensoredTerm censored(Eigen::Index i, double fitted, double scale) const {
        return censored_term((lower[i] - fitted) / scale, (upper[i] - fitted) / scale);
    }
};

/// Losses of exact rows and -log P of censored ones, the scale held.
class HeldScale final : public Objective {
public:
    explicit HeldScale(const Rows& rows) : rows_(rows) {}
    const std::vector<std::string>& parameter_names() const override { return rows_.names; }
    void set_scale(double scale) { scale_ = scale; }
    void set_loss(const Loss& loss) {
        loss_ = loss;
        factor_ = loss.information_factor();
    }

    void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const override {
        Eigen::VectorXd fitted, slope(rows_.n()), bend(rows_.n());
        Eigen::MatrixXd jacobian;
        rows_.evaluate(theta, fitted, jacobian);
        out.cost = 0.0;
        for (Eigen::Index i = 0; i < rows_.n(); ++i) {
            if (rows_.kind[static_cast<std::size_t>(i)] == Kind::exact) {
                const LossValue value = loss_((rows_.lower[i] - fitted[i]) / scale_);
                out.cost += factor_ * value.rho;
                slope[i] = -factor_ * value.psi / scale_;
                bend[i] = factor_ * bend_of(value, curvature) / (scale_ * scale_);
            } else {
                const CensoredTerm term = rows_.censored(i, fitted[i], scale_);
                out.cost += term.cost;
                slope[i] = term.mean / scale_;
                bend[i] = std::max(0.0, term.mean_mean) / (scale_ * scale_);
            }
        }
        out.gradient = jacobian.transpose() * slope;
        out.curvature.noalias() = jacobian.transpose() * (bend.asDiagonal() * jacobian);
        out.root.resize(0, 0);
    }

private:
    const Rows& rows_;
    Loss loss_;
    double factor_ = 1.0, scale_ = 1.0;
};

/// -log likelihood in theta and the log of the scale. As a cost, which must not be negative:
/// n exp((-log L - reference) / n), with the same minima.
class Likelihood final : public Objective {
public:
    explicit Likelihood(const Rows& rows) : rows_(rows), names_(rows.names) { names_.emplace_back("log scale"); }
    const std::vector<std::string>& parameter_names() const override { return names_; }
    void set_reference(double reference) { reference_ = reference; }

    /// -log likelihood on the scale of the mean; gradient and curvature of it, the mean taken as linear.
    double value(const Eigen::VectorXd& parameters, Eigen::VectorXd& gradient, Eigen::MatrixXd& curvature) const {
        const Eigen::Index n = rows_.n(), p = rows_.p();
        const double log_scale = parameters[p], scale = std::exp(log_scale);
        Eigen::VectorXd fitted, slope(n), bend(n), both(n);
        Eigen::MatrixXd jacobian;
        rows_.evaluate(parameters.head(p), fitted, jacobian);
        double cost = 0.0;
        gradient = Eigen::VectorXd::Zero(p + 1);
        curvature = Eigen::MatrixXd::Zero(p + 1, p + 1);
        for (Eigen::Index i = 0; i < n; ++i) {
            CensoredTerm term{};
            if (rows_.kind[static_cast<std::size_t>(i)] == Kind::exact) {
                const double u = (rows_.lower[i] - fitted[i]) / scale;
                term = {0.5 * u * u + log_scale + kHalfLogTwoPi, -u, 1.0 - u * u, 1.0, 2.0 * u, 2.0 * u * u};
            } else {
                term = rows_.censored(i, fitted[i], scale);
            }
            cost += term.cost;
            slope[i] = term.mean / scale;
            bend[i] = term.mean_mean / (scale * scale);
            both[i] = term.mean_log_scale / scale;
            gradient[p] += term.log_scale;
            curvature(p, p) += term.log_scale_log_scale;
        }
        gradient.head(p) = jacobian.transpose() * slope;
        curvature.topLeftCorner(p, p) = jacobian.transpose() * (bend.asDiagonal() * jacobian);
        curvature.col(p).head(p) = jacobian.transpose() * both;
        curvature.row(p).head(p) = curvature.col(p).head(p).transpose();
        return cost;
    }

    void evaluate(const Eigen::VectorXd& parameters, Curvature, Evaluation& out) const override {
        const auto n = static_cast<double>(rows_.n());
        const double cost = value(parameters, out.gradient, out.curvature);
        const double factor = std::exp((cost - reference_) / n);
        out.cost = n * factor;
        out.curvature = factor * (out.curvature + out.gradient * out.gradient.transpose() / n);
        out.gradient *= factor;
        out.root.resize(0, 0);
        if (!std::isfinite(out.cost) || !out.curvature.allFinite()) throw NotFinite("the likelihood is not finite");
        // Scaled to unit diagonal, directions in which it bends downwards are bent up: a step is still wanted.
        const Eigen::VectorXd unit = out.curvature.diagonal().cwiseAbs().cwiseMax(1e-300).cwiseSqrt();
        const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(unit.cwiseInverse().asDiagonal() * out.curvature *
                                                                   unit.cwiseInverse().asDiagonal());
        if (eigen.eigenvalues().minCoeff() > 0.0) return;
        const Eigen::VectorXd bends = eigen.eigenvalues().cwiseAbs().cwiseMax(1e-10);
        const Eigen::MatrixXd vectors = unit.asDiagonal() * eigen.eigenvectors();
        out.curvature = vectors * bends.asDiagonal() * vectors.transpose();
    }

private:
    const Rows& rows_;
    std::vector<std::string> names_;
    double reference_ = 0.0;
};

double proposal_constant(const Loss& loss) { return loss.name() == "huber" ? loss.tuning() : kProposal2Tuning; }

/// What the rows' squares, cut at k^2, are or are expected to be, and the mean of them at the normal.
double cut_square(const Rows& rows, Eigen::Index i, double fitted, double scale, double k) {
    const double a = (rows.lower[i] - fitted) / scale;
    if (rows.kind[static_cast<std::size_t>(i)] == Kind::exact) return std::min(a * a, k * k);
    return censored_square(a, (rows.upper[i] - fitted) / scale, k);
}

double proposal2(const Rows& rows, const Eigen::VectorXd& fitted, double scale, double k) {
    const double wanted = static_cast<double>(rows.n() - rows.p()) * censored_square(-kInfinite, kInfinite, k);
    for (int round = 0; round < kInnerRounds; ++round) {
        double sum = 0.0;
        for (Eigen::Index i = 0; i < rows.n(); ++i) sum += cut_square(rows, i, fitted[i], scale, k);
        const double next = scale * std::sqrt(sum / wanted);
        if (!(next > 0.0)) throw NotIdentifiable("the scale is zero: the rows are fitted exactly", {"scale"});
        const bool settled = std::abs(next - scale) <= 1e-14 * scale;
        scale = next;
        if (settled) break;
    }
    return scale;
}

/// Scores of the rows in (theta, log scale), n x (p + 1); they sum to zero at the fit.
Eigen::MatrixXd scores_of(const Rows& rows, const Eigen::VectorXd& parameters) {
    const Eigen::Index n = rows.n(), p = rows.p();
    const double scale = std::exp(parameters[p]);
    const bool squares = rows.loss.name() == "squares";
    const double k = proposal_constant(rows.loss);
    const double wanted =
        static_cast<double>(n - p) / static_cast<double>(n) * censored_square(-kInfinite, kInfinite, k);
    Eigen::VectorXd fitted;
    Eigen::MatrixXd scores;
    rows.evaluate(parameters.head(p), fitted, scores);
    scores.conservativeResize(n, p + 1);
    for (Eigen::Index i = 0; i < n; ++i) {
        double pull = 0.0, spread = 0.0;
        if (rows.kind[static_cast<std::size_t>(i)] == Kind::exact) {
            const double u = (rows.lower[i] - fitted[i]) / scale;
            pull = rows.factor * rows.loss(u).psi / scale;
            spread = u * u - 1.0;
        } else {
            const CensoredTerm term = rows.censored(i, fitted[i], scale);
            pull = -term.mean / scale;
            spread = -term.log_scale;
        }
        if (!squares) spread = cut_square(rows, i, fitted[i], scale, k) - wanted;
        scores.row(i).head(p) *= pull;
        scores(i, p) = spread;
    }
    return scores;
}

/// Minus the derivative of the summed scores, by differences of fourth order.
Eigen::MatrixXd bread_of(const Rows& rows, const Eigen::VectorXd& parameters, const Eigen::VectorXd& unit) {
    const Eigen::Index d = parameters.size();
    Eigen::MatrixXd bread(d, d);
    for (Eigen::Index j = 0; j < d; ++j) {
        const double h = kDifference * unit[j];
        const auto at = [&](double steps) -> Eigen::VectorXd {
            Eigen::VectorXd moved = parameters;
            moved[j] += steps * h;
            return scores_of(rows, moved).colwise().sum().transpose();
        };
        bread.col(j) = -(8.0 * (at(1.0) - at(-1.0)) - (at(2.0) - at(-2.0))) / (12.0 * h);
    }
    return bread;
}

Rows checked(const MeanModel& mean, const Eigen::VectorXd& lower, const Eigen::VectorXd& upper,
             const std::vector<std::string>& names, const Eigen::VectorXd& start, const CensoredOptions& options) {
    options.check();
    const Eigen::Index n = lower.size();
    if (!mean.evaluate) throw InvalidArgument("the mean function is missing");
    if (mean.rows != n || upper.size() != n)
        throw InvalidArgument("lower has " + std::to_string(n) + " rows, upper " + std::to_string(upper.size()) +
                              ", the mean " + std::to_string(mean.rows));
    if (names.size() != static_cast<std::size_t>(mean.parameters) || start.size() != mean.parameters)
        throw InvalidArgument("one name and one start are needed for each parameter");
    for (Eigen::Index j = 0; j < start.size(); ++j) {
        if (!std::isfinite(start[j]))
            throw NotFinite("the start of " + names[static_cast<std::size_t>(j)] + " is not finite");
    }
    if (n <= mean.parameters)
        throw InvalidArgument("too few rows: " + std::to_string(n) + " for " + std::to_string(mean.parameters) +
                              " parameters; at least " + std::to_string(mean.parameters + 1) + " are needed");
    Rows rows;
    rows.mean = mean;
    rows.names = names;
    rows.lower = lower;
    rows.upper = upper;
    rows.loss = options.loss;
    rows.factor = options.loss.information_factor();
    const bool logarithm = options.law == ResponseLaw::lognormal;
    bool above = false, below = false;
    for (Eigen::Index i = 0; i < n; ++i) {
        const std::string row = "row " + std::to_string(i + 1) + ": ";
        double& a = rows.lower[i];
        double& b = rows.upper[i];
        if (std::isnan(a) || std::isnan(b)) throw NotFinite(row + "a limit is not a number");
        if (!(a <= b)) throw InvalidArgument(row + "the lower limit is above the upper one");
        if (logarithm) {
            if (a < 0.0 && a != -kInfinite) throw InvalidArgument(row + "a log-normal response is not negative");
            if (!(b > 0.0)) throw InvalidArgument(row + "a log-normal response is positive; its upper limit must be");
            if (a == b) rows.log_volume -= std::log(a);
            a = a > 0.0 ? std::log(a) : -kInfinite;
            b = std::log(b);
        }
        if (a == b && !std::isfinite(a)) throw InvalidArgument(row + "an exact response is finite");
        if (a == -kInfinite && b == kInfinite) throw InvalidArgument(row + "one of the limits must be finite");
        rows.kind.push_back(a == b            ? Kind::exact
                            : b == kInfinite  ? Kind::right
                            : a == -kInfinite ? Kind::left
                                              : Kind::interval);
        above = above || b < kInfinite;
        below = below || a > -kInfinite;
    }
    if (!above || !below)
        throw NotIdentifiable(
            std::string("no row has ") + (above ? "a lower" : "an upper") + " limit: the likelihood has no maximum",
            names);
    return rows;
}

/// A first curve and scale, every row taken at a limit it has or between both.
void first_guess(const Rows& rows, const CensoredOptions& options, Eigen::VectorXd& theta, double& scale) {
    Eigen::VectorXd y(rows.n());
    for (Eigen::Index i = 0; i < rows.n(); ++i) {
        const double a = rows.lower[i], b = rows.upper[i];
        y[i] = a == -kInfinite ? b : b == kInfinite ? a : 0.5 * (a + b);
    }
    const bool squares = rows.loss.name() == "squares";
    RegressionOptions plain;
    plain.estimator = Estimator::m;
    plain.loss = Loss(squares ? "squares" : "huber");
    plain.scale_method = squares ? ScaleMethod::sd : ScaleMethod::proposal2;
    plain.solver.interrupt = options.solver.interrupt;
    const Eigen::VectorXd infinite = Eigen::VectorXd::Constant(theta.size(), kInfinite);
    try {
        const RegressionFit fit = RobustRegression(rows.mean, y, rows.names, plain).fit(theta, -infinite, infinite);
        theta = fit.theta;
        scale = fit.scale;
    } catch (const NotConverged&) {  // the start as it is
    } catch (const NotIdentifiable& error) {
        if (error.parameters() != std::vector<std::string>{"scale"}) throw;  // the limits alone may be fitted exactly
    }
    if (scale > 0.0) return;
    Eigen::VectorXd fitted;
    Eigen::MatrixXd jacobian;
    rows.evaluate(theta, fitted, jacobian);
    scale = (y - fitted).norm() / std::sqrt(static_cast<double>(rows.n()));
    if (!(scale > 1e-10 * y.cwiseAbs().maxCoeff())) scale = 1.0;
}

Minimum usable(Minimum minimum) {
    if (minimum.termination == Termination::interrupted) throw NotConverged("the fit was interrupted");
    if (!minimum.usable()) throw NotConverged("censored regression: " + minimum.message);
    return minimum;
}

void maximise_likelihood(const Rows& rows, const CensoredOptions& options, CensoredFit& fit) {
    Likelihood likelihood(rows);
    Eigen::VectorXd at(rows.p() + 1);
    at << fit.theta, std::log(fit.scale);
    Eigen::VectorXd gradient;
    Eigen::MatrixXd curvature;
    likelihood.set_reference(likelihood.value(at, gradient, curvature));
    LevenbergOptions steps;
    steps.max_iterations = options.solver.max_iterations;
    steps.interrupt = options.solver.interrupt;
    const Eigen::VectorXd infinite = Eigen::VectorXd::Constant(at.size(), kInfinite);
    const Minimum minimum =
        usable(levenberg_marquardt(likelihood, at, -infinite, infinite, Curvature::reweighted, steps));
    fit.theta = minimum.theta.head(rows.p());
    fit.scale = std::exp(minimum.theta[rows.p()]);
    fit.message = minimum.message;
    fit.log_likelihood = rows.log_volume - likelihood.value(minimum.theta, gradient, curvature);
}

/// Parameters and scale in turn.
void settle(const Rows& rows, const Loss& loss, const CensoredOptions& options, CensoredFit& fit) {
    HeldScale objective(rows);
    objective.set_loss(loss);
    const double k = proposal_constant(loss);
    const Eigen::VectorXd infinite = Eigen::VectorXd::Constant(rows.p(), kInfinite);
    Eigen::VectorXd fitted;
    Eigen::MatrixXd jacobian;
    // The rule's answer to a scale, in logs, falls short of its fixed point the more rows are censored: secant steps.
    double last_log = 0.0, last_answer = 0.0, slope = -1.0;
    for (int round = 1; round <= options.max_scale_rounds; ++round) {
        const Eigen::VectorXd before = fit.theta;
        objective.set_scale(fit.scale);
        if (round == 1)
            fit.theta =
                usable(minimise(objective, fit.theta, -infinite, infinite, Curvature::reweighted, options.solver))
                    .theta;
        const Minimum minimum =
            usable(minimise(objective, fit.theta, -infinite, infinite, Curvature::exact, options.solver));
        fit.theta = minimum.theta;
        fit.message = minimum.message;
        rows.evaluate(fit.theta, fitted, jacobian);
        const double log_scale = std::log(fit.scale);
        const double answer = std::log(proposal2(rows, fitted, fit.scale, k)) - log_scale;
        if (round > 1 && std::abs(log_scale - last_log) > kSecantWidth)
            slope = (answer - last_answer) / (log_scale - last_log);
        if (!(slope < -kLeastSlope)) slope = -1.0;
        last_log = log_scale;
        last_answer = answer;
        const double step = std::clamp(-answer / slope, -kLongestStep, kLongestStep);
        fit.scale = std::exp(log_scale + step);
        fit.scale_rounds = round;
        const double moved = ((fit.theta - before).array().abs() / (1e-300 + fit.theta.array().abs())).maxCoeff();
        if (std::abs(step) <= options.scale_tolerance && moved <= options.scale_tolerance) return;
    }
    throw NotConverged("censored regression: scale and parameters did not settle in " +
                       std::to_string(options.max_scale_rounds) + " rounds");
}

}  // namespace

Eigen::MatrixXd CensoredFit::information_covariance() const {
    if (loss.name() != "squares")
        throw InvalidArgument("the information holds for the loss 'squares' only; take the sandwich");
    return (0.5 * (bread + bread.transpose())).inverse();
}

Eigen::MatrixXd CensoredFit::sandwich_covariance() const {
    const Eigen::MatrixXd influence = scores * bread.inverse().transpose();
    const auto n = static_cast<double>(scores.rows()), p = static_cast<double>(theta.size());
    return n / (n - p) * influence.transpose() * influence;
}

CensoredFit fit_censored_regression(const MeanModel& mean, const Eigen::VectorXd& lower, const Eigen::VectorXd& upper,
                                    const std::vector<std::string>& names, const Eigen::VectorXd& start,
                                    const CensoredOptions& options) {
    const Rows rows = checked(mean, lower, upper, names, start, options);
    CensoredFit fit;
    fit.names = names;
    fit.loss = options.loss;
    fit.theta = start;
    first_guess(rows, options, fit.theta, fit.scale);
    if (options.loss.name() == "squares") {
        maximise_likelihood(rows, options, fit);
    } else {
        if (options.loss.redescending()) settle(rows, Loss("huber"), options, fit);
        settle(rows, options.loss, options, fit);
        fit.log_likelihood = std::numeric_limits<double>::quiet_NaN();
    }
    rows.evaluate(fit.theta, fit.fitted, fit.jacobian);
    fit.weights = Eigen::VectorXd::Constant(rows.n(), std::numeric_limits<double>::quiet_NaN());
    for (Eigen::Index i = 0; i < rows.n(); ++i) {
        const Kind kind = rows.kind[static_cast<std::size_t>(i)];
        if (kind == Kind::exact) fit.weights[i] = fit.loss((rows.lower[i] - fit.fitted[i]) / fit.scale).weight;
        fit.exact += kind == Kind::exact;
        fit.right += kind == Kind::right;
        fit.left += kind == Kind::left;
        fit.interval += kind == Kind::interval;
    }
    Eigen::VectorXd parameters(rows.p() + 1);
    parameters << fit.theta, std::log(fit.scale);
    HeldScale held(rows);
    held.set_loss(options.loss);
    held.set_scale(fit.scale);
    Evaluation evaluation;
    held.evaluate(fit.theta, Curvature::reweighted, evaluation);
    require_identifiable(evaluation.curvature, names);
    Eigen::VectorXd unit = Eigen::VectorXd::Constant(rows.p() + 1, 1.0 / std::sqrt(static_cast<double>(rows.n())));
    unit.head(rows.p()) = evaluation.curvature.diagonal().cwiseSqrt().cwiseInverse();
    fit.bread = bread_of(rows, parameters, unit);
    fit.scores = scores_of(rows, parameters);
    return fit;
}

}  // namespace lobetime
