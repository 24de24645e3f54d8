#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/inference/profile.hpp>
#include <lobetime/inference/time_intervals.hpp>

#include "inference/supervisor.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <span>
#include <sstream>

namespace lobetime {
namespace {

/// Number of each case's unit of resampling, from 0 on: itself, or its surgeon.
struct Units {
    std::vector<int> of_case;
    int count = 0;
};

Units units_of(const CaseTable& cases, bool by_surgeon) {
    Units units;
    std::map<std::string, int> known;
    for (const std::string& surgeon : cases.surgeon) {
        const bool alone = !by_surgeon || surgeon.empty();
        units.of_case.push_back(alone ? units.count : known.try_emplace(surgeon, units.count).first->second);
        units.count = std::max(units.count, units.of_case.back() + 1);
    }
    if (by_surgeon && units.count < 2)
        throw InvalidArgument("clusters are surgeons, and these cases have one: at least two are needed");
    return units;
}

Eigen::MatrixXd summed_by(const Units& units, const Eigen::MatrixXd& of_cases) {
    Eigen::MatrixXd sums = Eigen::MatrixXd::Zero(units.count, of_cases.cols());
    for (std::size_t i = 0; i < units.of_case.size(); ++i)
        sums.row(units.of_case[i]) += of_cases.row(static_cast<Eigen::Index>(i));
    return sums;
}

std::string shown(double value) {
    std::ostringstream text;
    text.precision(4);
    text << value;
    return text.str();
}

void add_reason(TimeInterval& one, const std::string& reason) {
    if (!reason.empty()) one.reason += (one.reason.empty() ? "" : "; ") + reason;
}

void leave_open(TimeInterval& one, bool lower, bool upper, const std::string& reason) {
    if (lower) {
        one.interval.lower = std::nan("");
        one.interval.lower_open = true;
    }
    if (upper) {
        one.interval.upper = std::nan("");
        one.interval.upper_open = true;
    }
    add_reason(one, reason);
}

void hold(TimeInterval& one) {
    one.reason.clear();
    leave_open(one, true, true, "held by the user: cases say nothing of it");
}

/// An end on a bound of its parameter tells where the solver was stopped, not what the cases say.
void open_at_bounds(const ModelLayout& layout, const Quantity& quantity, TimeInterval& one) {
    if (quantity.parameter < 0) return;
    const double lower = layout.lower(quantity.parameter), upper = layout.upper(quantity.parameter);
    const auto near = [](double bound) { return 1e-9 * std::max(1.0, std::abs(bound)); };
    const double low_side = lower + near(lower), high_side = upper - near(upper);
    if (one.interval.lower <= low_side)
        leave_open(one, true, false, "the lower end reaches the parameter's bound " + shown(lower));
    if (one.interval.upper >= high_side)
        leave_open(one, false, true, "the upper end reaches the parameter's bound " + shown(upper));
    if (one.interval.estimate <= low_side || one.interval.estimate >= high_side)
        add_reason(one, "the estimate is on its bound, where the profile says more than other intervals");
}

TimeInterval sandwich_interval(const ModelLayout& layout, const Quantity& quantity, const Eigen::VectorXd& theta,
                               const Eigen::MatrixXd& covariance, double quantile) {
    TimeInterval one{delta_interval(quantity, theta, covariance, quantile), ""};
    if (one.interval.lower_open || one.interval.upper_open) one.reason = "it has no derivative at the estimate";
    open_at_bounds(layout, quantity, one);
    return one;
}

void check_level(double level) {
    if (!(level > 0.0 && level < 1.0)) throw InvalidArgument("level must lie strictly between 0 and 1");
}

/// What all methods share.
class Work {
public:
    Work(const TheatreTimeFit& fit, const CaseTable& cases, const FitOptions& fit_options,
         const std::vector<Quantity>& quantities, const TimeIntervalOptions& options)
        : fit_(fit),
          cases_(cases),
          quantities_(quantities),
          options_(options),
          // Quantities and replicates are taken in parallel, and each then sees the rows by itself.
          objective_(objective_of(fit, cases, fit_options.loss, 1)),
          covariance_(time_covariance(fit, objective_, cases, options.rule, options.by_surgeon)),
          inverse_(inverse_curvature(fit)),
          units_(units_of(cases, options.by_surgeon)) {
        const double p = 0.5 + 0.5 * options.level;
        quantile_ = options.by_surgeon ? t_quantile(p, units_.count - 1.0) : normal_quantile(p);
    }

    /// Where only one surgeon's cases can tell, clusters that are surgeons cannot.
    bool hangs_on_one_surgeon(const Quantity& quantity) const {
        if (!options_.by_surgeon) return false;
        try {
            const Eigen::VectorXd gradient = gradient_of(quantity, fit_.theta, steps());
            const int from = fit_.layout.surgeon_enucleation_index(0);
            return gradient.tail(gradient.size() - from).cwiseAbs().maxCoeff() > 0.0;
        } catch (const NotFinite&) {
            return false;
        }
    }

    TimeInterval none(const Quantity& quantity, const std::string& reason) const {
        TimeInterval one{{quantity.cut(quantity.value(fit_.theta)), 0.0, 0.0}, ""};
        leave_open(one, true, true, reason);
        return one;
    }

    TimeInterval sandwich(const Quantity& quantity) const {
        return sandwich_interval(fit_.layout, quantity, fit_.theta, covariance_, quantile_);
    }

    TimeInterval profile(const Quantity& quantity, const std::function<bool()>& interrupt) const {
        try {
            const double by_sandwich = delta_standard_error(quantity, fit_.theta, covariance_);
            const double by_curvature = delta_standard_error(quantity, fit_.theta, inverse_);
            const double value = quantity.value(fit_.theta);
            if (!(by_sandwich > 0.0)) return {{quantity.cut(value), quantity.cut(value), quantity.cut(value)}, ""};
            ProfileOptions profile;
            profile.critical = quantile_ * quantile_;
            profile.deviance_unit = std::pow(by_sandwich / by_curvature, 2);
            profile.interrupt = interrupt;
            const ProfileInterval found =
                profile_interval(objective_, fit_.theta, fit_.lower, fit_.upper, quantity,
                                 by_sandwich * (quantity.scale == Transform::log ? value : 1.0), profile);
            TimeInterval one{{found.estimate, found.lower, found.upper, found.lower_open, found.upper_open}, ""};
            if (found.lower_open) add_reason(one, "lower end: " + found.lower_reason);
            if (found.upper_open) add_reason(one, "upper end: " + found.upper_reason);
            return one;
        } catch (const NotFinite&) {
            return sandwich(quantity);  // which says what is open and why
        } catch (const NotConverged& error) {
            if (interrupt()) throw;
            return none(quantity, error.what());
        }
    }

    TimeIntervals sandwiches() const {
        TimeIntervals out = result();
        for (const Quantity& quantity : quantities_)
            out.intervals.push_back(hangs_on_one_surgeon(quantity) ? none(quantity, kOneSurgeon) : sandwich(quantity));
        return out;
    }

    TimeIntervals profiles() const {
        TimeIntervals out = result();
        out.intervals.resize(quantities_.size());
        Supervisor supervisor(options_.replicates.progress, static_cast<int>(quantities_.size()));
        const std::function<bool()> interrupt = [&] { return supervisor.stopped(); };
        parallel_for(quantities_.size(), threads(), [&](std::size_t q) {
            if (interrupt()) return;
            out.intervals[q] = hangs_on_one_surgeon(quantities_[q]) ? none(quantities_[q], kOneSurgeon)
                                                                    : profile(quantities_[q], interrupt);
            ++supervisor.done;
        });
        supervisor.finish();
        if (interrupt()) throw NotConverged("the profiles were stopped");
        return out;
    }

    /// Influence of each unit on a quantity, and of the prior: it counts in the width, but as a normal draw adds no
    /// skewness.
    std::vector<double> influence(const Quantity& quantity, const Eigen::MatrixXd& scores) const {
        const Eigen::VectorXd along = inverse_ * gradient_of(quantity, fit_.theta, steps());
        const Eigen::VectorXd of_units = -(scores * along);
        std::vector<double> out(of_units.data(), of_units.data() + of_units.size());
        const double prior = std::sqrt(0.5 * along.dot(fit_.prior_precision * along));
        out.push_back(prior);
        out.push_back(-prior);
        return out;
    }

    TimeIntervals bootstraps(const PriorSet& prior, const FitOptions& fit_options) const {
        TimeIntervals out = result();
        const Replicates replicates =
            options_.done ? *options_.done
                          : time_replicates(fit_, cases_, prior, fit_options, options_.by_surgeon, options_.replicates);
        check_failures(replicates);
        out.failures = replicates.failures;
        const Eigen::MatrixXd scores = summed_by(units_, objective_.case_scores(fit_.theta));
        out.intervals.resize(quantities_.size());
        parallel_for(quantities_.size(), threads(), [&](std::size_t q) {
            const Quantity& quantity = quantities_[q];
            out.intervals[q] = hangs_on_one_surgeon(quantity) ? none(quantity, kOneSurgeon)
                                                              : bootstrapped(quantity, replicates.theta, scores);
        });
        return out;
    }

    TimeInterval bootstrapped(const Quantity& quantity, const Eigen::MatrixXd& replicates,
                              const Eigen::MatrixXd& scores) const {
        std::vector<double> values(static_cast<std::size_t>(replicates.rows()));
        for (Eigen::Index r = 0; r < replicates.rows(); ++r) {
            values[static_cast<std::size_t>(r)] = quantity.cut(quantity.value(replicates.row(r).transpose()));
            if (std::isnan(values[static_cast<std::size_t>(r)]))
                return none(quantity, "it has no value in a replicate");
        }
        const double estimate = quantity.cut(quantity.value(fit_.theta));
        TimeInterval one{{estimate, 0.0, 0.0}, ""};
        try {
            const Ends ends = options_.bca ? bca_interval(values, estimate,
                                                          acceleration_of(influence(quantity, scores)), options_.level)
                                           : percentile_interval(values, options_.level);
            one.interval.lower = ends.lower;
            one.interval.upper = ends.upper;
        } catch (const NotFinite&) {
            return none(quantity,
                        "it has no derivative at the estimate, which BCa needs; the percentile kind does not");
        }
        if (!std::isfinite(one.interval.lower) || !std::isfinite(one.interval.upper))
            leave_open(one, !std::isfinite(one.interval.lower), !std::isfinite(one.interval.upper),
                       "it lies beyond the replicates");
        open_at_bounds(fit_.layout, quantity, one);
        return one;
    }

private:
    static constexpr const char* kOneSurgeon =
        "it depends on one surgeon's own level: with surgeons as clusters nothing tells how sure that is";

    TimeIntervals result() const {
        TimeIntervals out;
        out.clusters = options_.by_surgeon ? units_.count : 0;
        return out;
    }

    Eigen::VectorXd steps() const { return 1e-4 * inverse_.diagonal().cwiseSqrt(); }

    int threads() const {
        const bool parallel =
            std::all_of(quantities_.begin(), quantities_.end(), [](const Quantity& one) { return one.parallel; });
        return parallel ? options_.replicates.threads : 1;
    }

    const TheatreTimeFit& fit_;
    const CaseTable& cases_;
    const std::vector<Quantity>& quantities_;
    const TimeIntervalOptions& options_;
    TimeObjective objective_;
    Eigen::MatrixXd covariance_, inverse_;
    Units units_;
    double quantile_ = 0.0;
};

}  // namespace

Eigen::MatrixXd time_covariance(const TheatreTimeFit& fit, const TimeObjective& objective, const CaseTable& cases,
                                CovarianceRule rule, bool by_surgeon) {
    const Eigen::MatrixXd inverse = inverse_curvature(fit);
    if (rule == CovarianceRule::model && !by_surgeon) return inverse;
    const Eigen::MatrixXd reweighted = inverse_reweighted_curvature(objective, fit.theta, fit.held);
    const double power =
        by_surgeon ? 0.0 : (rule == CovarianceRule::hc2 ? 0.5 : (rule == CovarianceRule::hc3 ? 1.0 : 0.0));
    Eigen::MatrixXd scores = objective.case_scores(fit.theta, &reweighted, power);
    const double n = static_cast<double>(scores.rows());
    const double decided = objective.case_leverage(fit.theta, reweighted).sum();
    double factor = 1.0;
    if (by_surgeon) {
        const Units units = units_of(cases, true);
        scores = summed_by(units, scores);
        factor = units.count / (units.count - 1.0) * (n - 1.0) / (n - decided);
    } else if (rule == CovarianceRule::hc1) {
        factor = n / (n - decided);
    }
    if (!(factor > 0.0)) throw NotIdentifiable("the cases are too few for the parameters that they decide", {});
    const Eigen::MatrixXd half = scores * inverse;
    Eigen::MatrixXd covariance = factor * half.transpose() * half;
    covariance.noalias() += inverse * prior_scatter(fit) * inverse;
    return 0.5 * (covariance + covariance.transpose());
}

std::vector<TimeInterval> confidence_intervals(const FittedModel& model, const std::vector<Quantity>& quantities,
                                               double level) {
    check_level(level);
    const double quantile = normal_quantile(0.5 + 0.5 * level);
    std::vector<TimeInterval> out;
    for (const Quantity& quantity : quantities) {
        out.push_back(sandwich_interval(model.layout, quantity, model.theta, model.covariance, quantile));
        const int i = quantity.parameter;
        if (i >= 0 && model.sources[static_cast<std::size_t>(i)].origin == NumberOrigin::held) hold(out.back());
    }
    return out;
}

Replicates time_replicates(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                           const FitOptions& fit_options, bool by_surgeon, const ReplicateOptions& options) {
    const Units units = units_of(cases, by_surgeon);
    const TheatreTimeRefit once_more(fit, cases, prior, fit_options);
    const Refit refit = [&](std::span<const int> counts, std::uint64_t replicate,
                            const std::function<bool()>& interrupt) {
        std::vector<int> of_cases(units.of_case.size());
        for (std::size_t i = 0; i < of_cases.size(); ++i)
            of_cases[i] = counts[static_cast<std::size_t>(units.of_case[i])];
        return once_more(of_cases, options.seed, replicate, interrupt);
    };
    return bootstrap_part(static_cast<std::size_t>(units.count), refit, options);
}

TimeIntervals time_intervals(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                             const FitOptions& fit_options, const std::vector<Quantity>& quantities,
                             const TimeIntervalOptions& options) {
    check_level(options.level);
    options.replicates.check();
    const Work work(fit, cases, fit_options, quantities, options);
    TimeIntervals out = options.method == IntervalMethod::bootstrap ? work.bootstraps(prior, fit_options)
                        : options.method == IntervalMethod::profile ? work.profiles()
                                                                    : work.sandwiches();
    for (std::size_t q = 0; q < quantities.size(); ++q) {
        if (std::find(fit.held.begin(), fit.held.end(), quantities[q].parameter) != fit.held.end())
            hold(out.intervals[q]);
    }
    return out;
}

}  // namespace lobetime
