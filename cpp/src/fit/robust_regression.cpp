#include <lobetime/core/errors.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/robust_regression.hpp>

#include <Eigen/QR>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>
#include <utility>

namespace lobetime {
namespace {

constexpr int kDefaultStarts = 100;
constexpr int kSubsetSteps = 30;   // on p + 1 rows: cheap
constexpr int kFirstSteps = 4;     // of a candidate on all rows, before the best are chosen
constexpr int kSquaresSteps = 30;  // of a candidate for least squares, where the start may be far away
constexpr int kPolishSteps = 500;
/// Two minima are one when scale and every parameter agree to these shares.
constexpr double kSameScale = 1e-6, kSameParameter = 1e-3;
constexpr double kRounding = 1e-10;  // of the rows, below which a cost says nothing
/// Standard deviations of the log of what a start's parameters are multiplied by: near ones and far ones.
constexpr std::array<double, 4> kScatter = {0.5, 1.0, 2.0, 4.0};

struct Rows {
    Eigen::VectorXd residual;
    Eigen::MatrixXd jacobian;
};

/// The rows that a fit or a replicate sees: all of them, or some with multiplicities.
class View {
public:
    View(const MeanModel& mean, const Eigen::VectorXd& y, std::span<const int> counts = {}) : mean_(&mean), y_(y) {
        if (counts.empty()) {
            count_ = Eigen::VectorXd::Ones(y.size());
            return;
        }
        for (std::size_t i = 0; i < counts.size(); ++i) {
            if (counts[i] > 0) rows_.push_back(static_cast<int>(i));
        }
        y_.resize(static_cast<Eigen::Index>(rows_.size()));
        count_.resize(y_.size());
        for (std::size_t k = 0; k < rows_.size(); ++k) {
            y_[static_cast<Eigen::Index>(k)] = y[rows_[k]];
            count_[static_cast<Eigen::Index>(k)] = counts[static_cast<std::size_t>(rows_[k])];
        }
        if (mean.subset) {
            own_ = mean.subset(rows_);
            mean_ = &own_;
            take_ = false;
        } else {
            take_ = true;
        }
    }
    View(const View&) = delete;
    View& operator=(const View&) = delete;

    Eigen::Index size() const { return y_.size(); }
    const Eigen::VectorXd& count() const { return count_; }
    double total() const { return count_.sum(); }

    void residuals(const Eigen::VectorXd& theta, Rows& out) const {
        Eigen::VectorXd fitted;
        mean_->evaluate(theta, fitted, out.jacobian);
        if (fitted.size() != mean_->rows || out.jacobian.rows() != mean_->rows || out.jacobian.cols() != theta.size())
            throw InvalidArgument("the mean function returned the wrong shape: " + std::to_string(mean_->rows) +
                                  " fitted values and as many rows of " + std::to_string(theta.size()) +
                                  " derivatives are needed");
        if (take_) {
            Eigen::VectorXd some(size());
            Eigen::MatrixXd rows(size(), theta.size());
            for (Eigen::Index k = 0; k < size(); ++k) {
                some[k] = fitted[rows_[static_cast<std::size_t>(k)]];
                rows.row(k) = out.jacobian.row(rows_[static_cast<std::size_t>(k)]);
            }
            fitted = some;
            out.jacobian = rows;
        }
        out.residual = y_ - fitted;
        if (out.residual.allFinite() && out.jacobian.allFinite()) return;
        for (Eigen::Index i = 0; i < size(); ++i) {
            if (std::isfinite(out.residual[i]) && out.jacobian.row(i).allFinite()) continue;
            const Eigen::Index row = rows_.empty() ? i : rows_[static_cast<std::size_t>(i)];
            throw NotFinite("row " + std::to_string(row + 1) + ": the mean or its derivative is not finite");
        }
    }

    /// Residuals repeated as often as their rows count, for a scale.
    std::span<const double> repeated(const Eigen::VectorXd& residual, std::vector<double>& store) const {
        store.clear();
        for (Eigen::Index i = 0; i < size(); ++i)
            store.insert(store.end(), static_cast<std::size_t>(count_[i]), residual[i]);
        return store;
    }

private:
    const MeanModel* mean_;
    MeanModel own_;
    Eigen::VectorXd y_;
    std::vector<int> rows_;
    Eigen::VectorXd count_;
    bool take_ = false;
};

void finish(const Rows& rows, const Eigen::VectorXd& slope, const Eigen::VectorXd& bend, Evaluation& out) {
    out.gradient = rows.jacobian.transpose() * slope;
    const Eigen::Index n = rows.jacobian.rows(), p = rows.jacobian.cols();
    if (out.want_root && n >= p && bend.minCoeff() >= 0.0) {
        const Eigen::HouseholderQR<Eigen::MatrixXd> qr(bend.cwiseSqrt().asDiagonal() * rows.jacobian);
        out.root = qr.matrixQR().topRows(p).triangularView<Eigen::Upper>();
        out.curvature.noalias() = out.root.transpose() * out.root;
        return;
    }
    out.root.resize(0, 0);
    out.curvature.noalias() = rows.jacobian.transpose() * (bend.asDiagonal() * rows.jacobian);
}

/// sum count rho((y - mean) / scale), the scale held.
class LossObjective final : public Objective {
public:
    LossObjective(std::shared_ptr<const View> view, const std::vector<std::string>& names, const Loss& loss)
        : view_(std::move(view)), names_(&names), loss_(loss) {}
    const std::vector<std::string>& parameter_names() const override { return *names_; }
    void set_scale(double scale) { scale_ = scale; }
    void set_loss(const Loss& loss) { loss_ = loss; }
    const Loss& loss() const { return loss_; }

    void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const override {
        Rows rows;
        view_->residuals(theta, rows);
        Eigen::VectorXd slope(view_->size()), bend(view_->size());
        out.cost = 0.0;
        for (Eigen::Index i = 0; i < view_->size(); ++i) {
            const LossValue value = loss_(rows.residual[i] / scale_);
            const double count = view_->count()[i];
            out.cost += count * value.rho;
            slope[i] = -count * value.psi / scale_;
            bend[i] = count * bend_of(value, curvature) / (scale_ * scale_);
        }
        finish(rows, slope, bend, out);
    }

private:
    std::shared_ptr<const View> view_;
    const std::vector<std::string>* names_;
    Loss loss_;
    double scale_ = 1.0;
};

/// (n - p) / 2 times the squared M-scale of the residuals. With s the scale and psi the bisquare's,
/// ds/dtheta = -sum psi J / sum psi u, so that gradient and reweighted curvature are those of a weighted least squares.
class MScaleObjective final : public Objective {
public:
    MScaleObjective(std::shared_ptr<const View> view, const std::vector<std::string>& names, double tuning)
        : view_(std::move(view)), names_(&names), loss_("bisquare", tuning) {}
    const std::vector<std::string>& parameter_names() const override { return *names_; }

    double scale(const Eigen::VectorXd& residual, double start) const {
        std::vector<double> store;
        return robust_scale(view_->repeated(residual, store), ScaleMethod::m_scale, size(), start, loss_.tuning());
    }

    void evaluate(const Eigen::VectorXd& theta, Curvature, Evaluation& out) const override {
        Rows rows;
        view_->residuals(theta, rows);
        const double s = scale(rows.residual, 0.0);
        if (!(s > 0.0))
            throw NotIdentifiable("the scale is zero: at least half of the rows are fitted exactly", {"scale"});
        const double degrees = view_->total() - size();
        Eigen::VectorXd slope(view_->size()), bend(view_->size());
        double pull = 0.0;
        for (Eigen::Index i = 0; i < view_->size(); ++i) {
            const double u = rows.residual[i] / s, count = view_->count()[i];
            const LossValue value = loss_(u);
            pull += count * value.psi * u;
            slope[i] = -count * value.psi * s;
            bend[i] = count * value.weight;
        }
        const double factor = degrees / pull;
        slope *= factor;
        bend *= factor;
        out.cost = 0.5 * degrees * s * s;
        finish(rows, slope, bend, out);
    }

private:
    std::shared_ptr<const View> view_;
    const std::vector<std::string>* names_;
    Loss loss_;
};

/// `size` different rows out of n, named by (seed, stream).
std::vector<int> random_rows(std::size_t n, std::size_t size, const CounterRandom& stream) {
    std::vector<int> order(n);
    std::iota(order.begin(), order.end(), 0);
    for (std::size_t i = 0; i < size; ++i) {
        const double u = stream.uniforms(i)[0];
        const std::size_t j = i + std::min(n - i - 1, static_cast<std::size_t>(u * static_cast<double>(n - i)));
        std::swap(order[i], order[j]);
    }
    order.resize(size);
    return order;
}

Eigen::VectorXd scattered(const Eigen::VectorXd& start, const Eigen::VectorXd& lower, const Eigen::VectorXd& upper,
                          double width, const CounterRandom& stream) {
    constexpr std::uint64_t kAfterRows = 1ULL << 40;  // indices that random_rows does not use
    Eigen::VectorXd theta = start;
    for (Eigen::Index j = 0; j < theta.size(); ++j) {
        const double z = stream.normals(kAfterRows + static_cast<std::uint64_t>(j))[0];
        theta[j] = start[j] == 0.0 ? width * z : start[j] * std::exp(width * z);
    }
    return theta.cwiseMax(lower).cwiseMin(upper);
}

struct Candidate {
    Eigen::VectorXd theta;
    double cost = std::numeric_limits<double>::infinity();
    int start = 0;
};

bool same_minimum(const Candidate& a, const Candidate& b) {
    if (std::abs(std::sqrt(a.cost) - std::sqrt(b.cost)) > kSameScale * std::sqrt(b.cost)) return false;
    for (Eigen::Index j = 0; j < a.theta.size(); ++j) {
        const double size = std::max(std::abs(a.theta[j]), std::abs(b.theta[j]));
        if (std::abs(a.theta[j] - b.theta[j]) > kSameParameter * size) return false;
    }
    return true;
}

}  // namespace

void RegressionOptions::check() const {
    solver.check();
    if (estimator == Estimator::m && scale_method == ScaleMethod::fixed && !(scale > 0.0 && std::isfinite(scale)))
        throw InvalidArgument("a fixed scale must be positive and finite");
    if (estimator == Estimator::mm && !loss.redescending())
        throw InvalidArgument("the mm estimator needs a redescending loss (bisquare or cauchy), not " + loss.name());
    if (!(s_tuning > 0.0 && std::isfinite(s_tuning))) throw InvalidArgument("s_tuning must be positive and finite");
    if (starts < 0) throw InvalidArgument("starts must be 0 (the estimator's own number) or more");
    if (polished < 1) throw InvalidArgument("polished must be at least 1");
    if (threads < 0) throw InvalidArgument("threads must be 0 (all) or more");
    if (max_scale_rounds < 1) throw InvalidArgument("max_scale_rounds must be at least 1");
    if (!(scale_tolerance > 0.0)) throw InvalidArgument("scale_tolerance must be positive");
}

RobustRegression::RobustRegression(MeanModel mean, Eigen::VectorXd y, std::vector<std::string> names,
                                   RegressionOptions options)
    : mean_(std::move(mean)), y_(std::move(y)), names_(std::move(names)), options_(std::move(options)) {
    options_.check();
    if (!mean_.evaluate) throw InvalidArgument("the mean function is missing");
    if (mean_.rows != y_.size())
        throw InvalidArgument("y has " + std::to_string(y_.size()) + " rows, the mean " + std::to_string(mean_.rows));
    if (names_.size() != static_cast<std::size_t>(mean_.parameters))
        throw InvalidArgument("one name is needed for each parameter");
    for (Eigen::Index i = 0; i < y_.size(); ++i) {
        if (!std::isfinite(y_[i])) throw NotFinite("row " + std::to_string(i + 1) + ": y is not finite");
    }
    const Eigen::Index needed = mean_.parameters + (options_.estimator == Estimator::m ? 0 : 1);
    if (y_.size() < needed)
        throw InvalidArgument("too few rows: " + std::to_string(y_.size()) + " for " +
                              std::to_string(mean_.parameters) + " parameters; at least " + std::to_string(needed) +
                              " are needed");
}

namespace {

class Fitter {
public:
    Fitter(const RobustRegression& regression, std::shared_ptr<const View> view, const Eigen::VectorXd& lower,
           const Eigen::VectorXd& upper)
        : regression_(regression),
          options_(regression.options()),
          view_(std::move(view)),
          lower_(lower),
          upper_(upper),
          objective_(view_, regression.names(), options_.loss),
          s_objective_(view_, regression.names(), options_.s_tuning) {}

    /// Loss and scale settle together. `precise`: with Ceres to the last digits, else as a replicate needs it.
    void settle(const Loss& loss, bool precise, Eigen::VectorXd& theta, double& scale, RegressionFit* report) {
        objective_.set_loss(loss);
        const bool hold = options_.scale_method == ScaleMethod::fixed;
        const double tolerance = precise ? options_.scale_tolerance : 1e-7;
        double last_change = 0.0;
        const auto update_scale = [&] {
            double next = options_.scale;
            if (!hold) {
                view_->residuals(theta, rows_);
                next = robust_scale(
                    view_->repeated(rows_.residual, store_), options_.scale_method, static_cast<double>(theta.size()),
                    scale,
                    loss.name() == "huber" && options_.scale_method == ScaleMethod::proposal2 ? loss.tuning() : 0.0);
                if (!(next > 0.0))
                    throw NotIdentifiable("the scale is zero: at least half of the rows are fitted exactly", {"scale"});
                if (scale > 0.0) {
                    // Fit and scale may answer each other in turn for ever; half-way (in logs) they meet.
                    if (last_change * std::log(next / scale) < 0.0) next = std::sqrt(next * scale);
                    last_change = std::log(next / scale);
                }
            }
            scale = next;
            objective_.set_scale(scale);
        };
        if (!(scale > 0.0) || hold) update_scale();
        objective_.set_scale(scale);
        // For squares the scale moves no parameter.
        const bool once = hold || loss.name() == "squares";
        int round = 1;
        for (; round <= options_.max_scale_rounds; ++round) {
            const Eigen::VectorXd before = theta;
            const double scale_before = scale;
            if (precise) {  // reweighted curvature finds the basin, the exact one the last digits in few steps
                solve_both(theta, report, round == 1);
            } else {
                LevenbergOptions few;
                few.max_iterations = once ? kPolishSteps : 10;
                theta = levenberg_marquardt(objective_, theta, lower_, upper_, Curvature::exact, few).theta;
            }
            update_scale();
            const double moved = ((theta - before).array().abs() / (1e-300 + theta.array().abs())).maxCoeff();
            if (once || (std::abs(scale - scale_before) <= tolerance * scale && moved <= tolerance)) break;
        }
        if (round > options_.max_scale_rounds)
            throw NotConverged("robust regression: scale and parameters did not settle in " +
                               std::to_string(options_.max_scale_rounds) + " rounds");
        if (report != nullptr) report->scale_rounds = round;
    }

    /// With the scale held.
    void solve_at(const Loss& loss, double scale, bool precise, Eigen::VectorXd& theta, RegressionFit* report) {
        objective_.set_loss(loss);
        objective_.set_scale(scale);
        if (precise) {
            solve_both(theta, report, true);
        } else {
            LevenbergOptions options;
            options.max_iterations = kPolishSteps;
            const Minimum minimum = levenberg_marquardt(objective_, theta, lower_, upper_, Curvature::exact, options);
            if (!minimum.usable()) throw NotConverged("robust regression: " + minimum.message);
            theta = minimum.theta;
        }
    }

    /// To the least M-scale near theta; returns it.
    double descend_scale(Eigen::VectorXd& theta) const {
        LevenbergOptions options;
        options.max_iterations = kPolishSteps;
        options.first_damping = 0.0;
        options.interrupt = options_.solver.interrupt;
        const Minimum minimum =
            levenberg_marquardt(s_objective_, theta, lower_, upper_, Curvature::reweighted, options);
        if (minimum.termination == Termination::interrupted) throw NotConverged("the fit was interrupted");
        theta = minimum.theta;
        return std::sqrt(2.0 * minimum.cost / (view_->total() - static_cast<double>(theta.size())));
    }

    /// Many short searches, the best distinct ones followed to their minimum; theta becomes the lowest.
    SearchReport search(int starts, Eigen::VectorXd& theta) {
        const bool squares = options_.estimator == Estimator::m && options_.loss.name() == "squares";
        const LossObjective least_squares(view_, regression_.names(), Loss("squares"));
        const Objective& objective = squares ? static_cast<const Objective&>(least_squares) : s_objective_;
        LevenbergOptions first;
        first.max_iterations = squares ? kSquaresSteps : kFirstSteps;
        if (!squares) first.first_damping = 0.0;
        first.interrupt = options_.solver.interrupt;
        std::vector<Candidate> candidates(static_cast<std::size_t>(starts));
        const int threads = regression_.mean().parallel ? options_.threads : 1;
        parallel_for(candidates.size(), threads, [&](std::size_t k) {
            Candidate& candidate = candidates[k];
            candidate.start = static_cast<int>(k);
            candidate.theta = theta;
            try {
                if (k > 0) candidate.theta = begin_of(k, theta);
                const Minimum minimum =
                    levenberg_marquardt(objective, candidate.theta, lower_, upper_, Curvature::reweighted, first);
                candidate.theta = minimum.theta;
                candidate.cost = minimum.cost;
            } catch (const NotFinite&) {  // a start from which nothing can be evaluated has an infinite cost
            }
        });
        if (options_.solver.interrupt && options_.solver.interrupt()) throw NotConverged("the fit was interrupted");
        SearchReport report;
        report.starts = starts;
        report.failed = static_cast<int>(std::count_if(candidates.begin(), candidates.end(),
                                                       [](const Candidate& c) { return !std::isfinite(c.cost); }));
        std::stable_sort(candidates.begin(), candidates.end(),
                         [](const Candidate& a, const Candidate& b) { return a.cost < b.cost; });
        // The given start is followed whatever it promises: people choose starts for a reason.
        std::vector<Candidate> best;
        const auto given = std::find_if(candidates.begin(), candidates.end(),
                                        [](const Candidate& c) { return c.start == 0 && std::isfinite(c.cost); });
        if (given != candidates.end()) best.push_back(*given);
        for (const Candidate& candidate : candidates) {
            if (!std::isfinite(candidate.cost) || static_cast<int>(best.size()) == options_.polished) break;
            if (std::none_of(best.begin(), best.end(), [&](const Candidate& b) { return same_minimum(candidate, b); }))
                best.push_back(candidate);
        }
        if (best.empty())
            throw NotFinite("the mean cannot be evaluated at any of " + std::to_string(starts) + " starts");
        LevenbergOptions polish = first;
        polish.max_iterations = std::max(kPolishSteps, options_.solver.max_iterations);
        parallel_for(best.size(), threads, [&](std::size_t k) {
            const Minimum minimum =
                levenberg_marquardt(objective, best[k].theta, lower_, upper_, Curvature::reweighted, polish);
            best[k].theta = minimum.theta;
            best[k].cost = minimum.cost;
        });
        std::stable_sort(best.begin(), best.end(),
                         [](const Candidate& a, const Candidate& b) { return a.cost < b.cost; });
        // Minima as low as each other (terms of a sum may change places): the one nearest in order to the given start.
        const double low = std::sqrt(best.front().cost) * (1.0 + kSameScale) + kRounding * regression_.y().norm();
        const auto equals =
            std::find_if(best.begin(), best.end(), [&](const Candidate& c) { return std::sqrt(c.cost) > low; });
        std::stable_sort(best.begin(), equals,
                         [](const Candidate& a, const Candidate& b) { return a.start < b.start; });
        report.polished = static_cast<int>(best.size());
        std::vector<Candidate> distinct;
        const double degrees = std::max(1.0, view_->total() - static_cast<double>(theta.size()));
        for (const Candidate& candidate : best) {
            const auto known = std::find_if(distinct.begin(), distinct.end(),
                                            [&](const Candidate& b) { return same_minimum(candidate, b); });
            if (known == distinct.end()) {
                distinct.push_back(candidate);
                report.minima.push_back(
                    {candidate.theta, std::sqrt(2.0 * candidate.cost / degrees), 1, candidate.start});
            } else {
                FoundMinimum& minimum = report.minima[static_cast<std::size_t>(known - distinct.begin())];
                ++minimum.count;
                minimum.first_start = std::min(minimum.first_start, candidate.start);
            }
        }
        theta = report.minima.front().theta;
        return report;
    }

private:
    /// Odd starts fit a few random rows (an outlier may be in none of them), from the given start or from near it;
    /// even ones lie near the given start, or far from it.
    Eigen::VectorXd begin_of(std::size_t k, const Eigen::VectorXd& start) const {
        const CounterRandom stream(options_.seed, k);
        const double width = kScatter[(k / 4) % kScatter.size()];
        const Eigen::VectorXd begin = k % 4 == 1 ? start : scattered(start, lower_, upper_, width, stream);
        if (k % 2 == 0) return begin;
        const auto n = static_cast<std::size_t>(regression_.y().size());
        std::vector<int> counts(n, 0);
        for (const int row : random_rows(n, std::min(n, static_cast<std::size_t>(start.size()) + 1), stream))
            counts[static_cast<std::size_t>(row)] = 1;
        const LossObjective few(std::make_shared<View>(regression_.mean(), regression_.y(), counts),
                                regression_.names(), Loss("squares"));
        LevenbergOptions options;
        options.max_iterations = kSubsetSteps;
        return levenberg_marquardt(few, begin, lower_, upper_, Curvature::reweighted, options).theta;
    }

    /// Both curvatures of squares are one.
    void solve_both(Eigen::VectorXd& theta, RegressionFit* report, bool reweighted_first) {
        const bool squares = objective_.loss().name() == "squares";
        if (reweighted_first && !squares) solve(objective_, Curvature::reweighted, theta, report);
        solve(objective_, Curvature::exact, theta, report);
    }

    void solve(const Objective& objective, Curvature curvature, Eigen::VectorXd& theta, RegressionFit* report) const {
        const Minimum minimum = minimise(objective, theta, lower_, upper_, curvature, options_.solver);
        if (minimum.termination == Termination::interrupted) throw NotConverged("the fit was interrupted");
        if (!minimum.usable()) throw NotConverged("robust regression: " + minimum.message);
        theta = minimum.theta;
        if (report != nullptr) report->minimum = minimum;
    }

    const RobustRegression& regression_;
    const RegressionOptions& options_;
    std::shared_ptr<const View> view_;
    const Eigen::VectorXd& lower_;
    const Eigen::VectorXd& upper_;
    LossObjective objective_;
    MScaleObjective s_objective_;
    Rows rows_;
    std::vector<double> store_;
};

std::string percent(double share) { return std::to_string(static_cast<int>(std::lround(100.0 * share))) + " %"; }

}  // namespace

RegressionFit RobustRegression::fit(const Eigen::VectorXd& start, const Eigen::VectorXd& lower,
                                    const Eigen::VectorXd& upper) const {
    const Eigen::Index p = mean_.parameters;
    if (start.size() != p || lower.size() != p || upper.size() != p)
        throw InvalidArgument("start and bounds must have " + std::to_string(p) + " entries, one for each parameter");
    for (Eigen::Index j = 0; j < p; ++j) {
        const std::string& name = names_[static_cast<std::size_t>(j)];
        if (!std::isfinite(start[j])) throw NotFinite("the start of " + name + " is not finite");
        if (!(lower[j] <= upper[j])) throw InvalidArgument("the bounds of " + name + " are empty");
    }
    RegressionFit fit;
    fit.names = names_;
    fit.lower = lower;
    fit.upper = upper;
    fit.loss = options_.loss;
    Eigen::VectorXd theta = start.cwiseMax(lower).cwiseMin(upper);
    const auto view = std::make_shared<const View>(mean_, y_);
    Fitter fitter(*this, view, fit.lower, fit.upper);
    const bool m = options_.estimator == Estimator::m;
    const int starts = options_.starts > 0 ? options_.starts : (m ? 1 : kDefaultStarts);
    if (starts > 1) fit.search = fitter.search(starts, theta);
    if (m) {
        double scale = 0.0;
        if (options_.loss.redescending()) fitter.settle(Loss("huber"), true, theta, scale, nullptr);
        fitter.settle(options_.loss, true, theta, scale, &fit);
        fit.scale = scale;
    } else {
        fit.scale = fitter.descend_scale(theta);
        fit.s_theta = theta;
        if (options_.estimator == Estimator::s) {
            fit.loss = Loss("bisquare", options_.s_tuning);
            // The least M-scale is a stationary point of the loss at that scale: the solver adds its last digits.
        }
        fitter.solve_at(fit.loss, fit.scale, true, theta, &fit);
    }
    fit.theta = theta;
    const std::unique_ptr<Objective> held = objective(fit);
    Evaluation evaluation;
    held->evaluate(theta, Curvature::reweighted, evaluation);
    Eigen::MatrixXd curvature = evaluation.curvature;
    require_identifiable(curvature, names_);
    fit.cost = evaluation.cost;
    Rows rows;
    view->residuals(theta, rows);
    if (starts == 1) fit.search.minima.push_back({theta, fit.scale, 1, 0});
    fit.residuals = rows.residual;
    fit.fitted = y_ - rows.residual;
    fit.jacobian = rows.jacobian;
    fit.weights.resize(y_.size());
    for (Eigen::Index i = 0; i < y_.size(); ++i) fit.weights[i] = fit.loss(fit.residuals[i] / fit.scale).weight;

    for (const std::string& name : fit.minimum.on_bound)
        fit.warnings.push_back(name + " ended on its bound: a symmetric interval does not hold there");
    const double ignored = static_cast<double>((fit.weights.array() < 0.1).count()) / static_cast<double>(y_.size());
    if (ignored > 0.25)
        fit.warnings.push_back(percent(ignored) + " of the rows count less than a tenth: look at them before the fit");
    if (fit.search.minima.size() > 1 && fit.search.minima[1].scale < 1.05 * fit.search.minima[0].scale)
        fit.warnings.push_back("another minimum fits almost as well (its scale is " +
                               percent(fit.search.minima[1].scale / fit.search.minima[0].scale) + " of the least)");
    return fit;
}

Eigen::VectorXd RobustRegression::refit(const RegressionFit& fit, std::span<const int> counts) const {
    if (counts.size() != static_cast<std::size_t>(y_.size())) throw InvalidArgument("one count is needed for each row");
    const auto view = std::make_shared<const View>(mean_, y_, counts);
    Fitter fitter(*this, view, fit.lower, fit.upper);
    Eigen::VectorXd theta = fit.theta;
    if (options_.estimator == Estimator::m) {
        double scale = fit.scale;
        fitter.settle(options_.loss, false, theta, scale, nullptr);
    } else {
        theta = fit.s_theta;
        const double scale = fitter.descend_scale(theta);
        fitter.solve_at(fit.loss, scale, false, theta, nullptr);
    }
    LossObjective check(view, names_, Loss("squares"));
    Evaluation evaluation;
    check.evaluate(theta, Curvature::reweighted, evaluation);
    require_identifiable(evaluation.curvature, names_);
    return theta;
}

std::unique_ptr<Objective> RobustRegression::objective(const RegressionFit& fit) const {
    auto held = std::make_unique<LossObjective>(std::make_shared<const View>(mean_, y_), names_, fit.loss);
    held->set_scale(fit.scale);
    return held;
}

}  // namespace lobetime
