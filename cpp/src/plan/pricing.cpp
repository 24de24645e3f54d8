#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/plan/pricing.hpp>

#include "core/vector_math.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

namespace lobetime {
namespace {

constexpr std::size_t kGrid = 1024;  ///< steps of the knapsack over the session
constexpr std::size_t kSpreads = 512;
constexpr double kMostWorth = 1e15;   ///< of a case: sums of greater ones lose the others' digits
constexpr std::size_t kSlopes = 10;   ///< knapsacks, each with another price of a list's variance
constexpr std::size_t kBlock = 2048;  ///< draws summed at a time: few enough for the first cache

struct LogNormal {
    double mu, sigma;
    LogNormal(double mean, double sd) {
        const double cv = sd / mean;
        sigma = std::sqrt(std::log1p(cv * cv));
        mu = std::log(mean) - 0.5 * sigma * sigma;
    }
    double beyond(double x) const { return x > 0.0 ? normal_cdf((mu - std::log(x)) / sigma) : 1.0; }
    double mean_beyond(double x) const {
        const double z = (mu - std::log(x)) / sigma;
        return std::exp(mu + 0.5 * sigma * sigma) * normal_cdf(z + sigma) - x * normal_cdf(z);
    }
};

/// Largest mean that a list of a given spread may have, by Fenton-Wilkinson's moments and limits that are relaxed.
class MeanLimit {
public:
    MeanLimit(const ListRule& rule, double error, double largest) : step_(2.0 * rule.minutes / kSpreads) {
        for (std::size_t s = 0; s <= kSpreads; ++s)
            limits_[s] = at_spread(rule, error, static_cast<double>(s) * step_, largest);
        // A limit that rises with the spread (a great spread moves mass below the session, too) stays a limit.
        for (std::size_t s = kSpreads; s-- > 0;) limits_[s] = std::max(limits_[s], limits_[s + 1]);
    }
    double operator()(double variance) const {
        // Compared before it is divided: of a session that is far shorter than its cases no number holds the steps, and
        // the shortest sessions have steps of 0.
        const double sd = std::sqrt(std::max(variance, 0.0));
        return limits_[sd < step_ * static_cast<double>(kSpreads) ? static_cast<std::size_t>(sd / step_) : kSpreads];
    }
    double largest() const { return limits_[0]; }

private:
    static double at_spread(const ListRule& rule, double error, double sd, double largest) {
        const auto keeps = [&](double mean) {
            const double over = rule.minutes + rule.grace_min, far = rule.minutes + rule.far_over_min;
            const double risk = std::min(rule.overrun_risk + error, 1.0);
            const double far_risk = std::min(rule.far_over_risk + error, 1.0);
            const double overtime = rule.expected_overtime_min + 0.1 * error * rule.minutes;
            if (sd <= 0.0) {
                return (mean <= over || risk >= 1.0) && (mean <= far || far_risk >= 1.0) &&
                       mean - rule.minutes <= overtime;
            }
            const LogNormal law(mean, sd);
            return law.beyond(over) <= risk && (!std::isfinite(far) || law.beyond(far) <= far_risk) &&
                   (!std::isfinite(overtime) || law.mean_beyond(rule.minutes) <= overtime);
        };
        if (keeps(largest)) return largest;
        double low = 0.0, high = largest;
        for (int i = 0; i < 60; ++i) {
            const double middle = 0.5 * (low + high);
            (keeps(middle) ? low : high) = middle;
        }
        return high;
    }

    double step_;
    std::array<double, kSpreads + 1> limits_{};
};

struct Counted {
    std::size_t over = 0, far = 0;
    double overtime = 0.0, sum = 0.0;
};

constexpr std::size_t kLanes = 8;

/// Sums over one block in single precision, lane by lane: exact counts, sums to 1e-6 of themselves.
struct Tally {
    std::array<std::int32_t, kLanes> over{}, far{};
    std::array<float, kLanes> overtime{}, sum{};
};

LOBETIME_VECTOR_CLONES
void add_case(float* to, const float* from, const float* minutes, const float* gap, std::size_t n) {
    for (std::size_t d = 0; d < n; ++d) to[d] = from[d] + (minutes[d] + gap[d]);
}

LOBETIME_VECTOR_CLONES
void add_first(float* to, const float* from, const float* minutes, std::size_t n) {
    for (std::size_t d = 0; d < n; ++d) to[d] = from[d] + minutes[d];
}

LOBETIME_VECTOR_CLONES
void tally_lanes(const float* sum, std::size_t n, float session, float over, float far, Tally& out) {
    Tally t;
    for (std::size_t d = 0; d + kLanes <= n; d += kLanes) {
        for (std::size_t j = 0; j < kLanes; ++j) {
            const float x = sum[d + j];
            t.over[j] += x > over ? 1 : 0;
            t.far[j] += x > far ? 1 : 0;
            t.overtime[j] += x > session ? x - session : 0.0F;
            t.sum[j] += x;
        }
    }
    for (std::size_t d = n - n % kLanes; d < n; ++d) {
        const float x = sum[d];
        t.over[0] += x > over ? 1 : 0;
        t.far[0] += x > far ? 1 : 0;
        t.overtime[0] += x > session ? x - session : 0.0F;
        t.sum[0] += x;
    }
    out = t;
}

class Search {
public:
    explicit Search(const PricingProblem& problem)
        : problem_(problem),
          times_(*problem.times),
          rule_(problem.rule),
          threshold_(problem.threshold),
          session_(static_cast<float>(rule_.minutes)),
          over_(static_cast<float>(rule_.minutes + rule_.grace_min)),
          far_(static_cast<float>(rule_.minutes + rule_.far_over_min)),
          most_(std::min<std::size_t>(static_cast<std::size_t>(rule_.most_cases), times_.most_cases())),
          limit_(rule_, problem.moment_error, largest_sum()) {
        // What a case adds at most and at least: turnovers differ with the place in the list, the first case has none.
        for (std::size_t g = 1; g < times_.most_cases(); ++g) {
            least_gap_ = g == 1 ? times_.between_mean(g) : std::min(least_gap_, times_.between_mean(g));
            most_gap_ = std::max(most_gap_, times_.between_mean(g));
        }
        const std::size_t n = problem.cases.size();
        std::vector<std::size_t> order(n);
        std::iota(order.begin(), order.end(), std::size_t{0});
        std::vector<double> size(n), gain(n);
        for (std::size_t j = 0; j < n; ++j) {
            const double mean = times_.mean()[problem.cases[j]];
            size[j] = mean + least_gap_;
            gain[j] = problem.worth[j] + problem.cost.idle_per_min * (mean + most_gap_);
        }
        std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
            const double left = gain[a] * size[b], right = gain[b] * size[a];
            return left != right ? left > right : problem.cases[a] < problem.cases[b];
        });
        for (const std::size_t j : order) {
            const double variance = 0.98 * times_.covariance()(problem.cases[j], problem.cases[j]);
            items_.push_back({problem.cases[j], problem.large.empty() ? false : problem.large[j], problem.worth[j],
                              gain[j], size[j], variance});
        }
        knapsacks();
        base_mean_ = times_.between_mean(0);
        base_value_ = -(problem.cost.open_per_min + problem.cost.idle_per_min) * rule_.minutes +
                      problem.cost.idle_per_min * base_mean_;
        sums_.assign(most_ + 1, std::vector<float>(times_.screening()));
        std::copy_n(times_.between(0), times_.screening(), sums_[0].begin());
        overtime_costs_ = problem.cost.overtime_per_min + problem.cost.idle_per_min > 0.0;
    }

    PricingResult run() {
        extend(0, 0, base_value_, base_mean_, times_.between_variance(0), 0);
        std::sort(best_.begin(), best_.end(), better);
        out_.lists = std::move(best_);
        // What was decided by part of the draws is told by all of them.
        for (PricedList& one : out_.lists) {
            one.risk = list_risk(times_, one.cases, rule_);
            one.cost = one.risk.cost(rule_, problem_.cost);
        }
        double bound = std::max(problem_.threshold, left_);
        if (!out_.lists.empty()) bound = std::max(bound, out_.lists.front().value);
        out_.bound = bound;
        return std::move(out_);
    }

private:
    struct Item {
        int at;
        bool large;
        double worth;
        double gain, size;  ///< the most and the least that it adds, wherever it stands after the first
        double variance;
    };

    static bool better(const PricedList& a, const PricedList& b) {
        return a.value != b.value ? a.value > b.value : a.cases < b.cases;
    }

    double largest_sum() const {
        double sum = times_.between_mean(0) + 1.0;
        for (std::size_t g = 1; g < times_.most_cases(); ++g) sum += times_.between_mean(g);
        for (const int at : problem_.cases) sum += times_.mean()[at];
        return std::max(sum, 1e-6);
    }

    // With m(v) the largest mean at variance v, a list of mean m and variance v can take cases of mean a and variance b
    // in all only if m + a <= m(v + b), so for any price s of variance a + s b <= max over b of [m(v + b) + s b] - m. m
    // falls along a convex curve, so the maximum is at an end, b = 0 or the most that still fits: each price gives a
    // knapsack, and the largest price for which the end is b = 0 the tightest. Variances count a little less than they
    // are, as cases may share something, with a minus sign, by the chance of the draws.
    void knapsacks() {
        const std::size_t n = items_.size();
        step_ = limit_.largest() / static_cast<double>(kGrid);
        const std::size_t columns = kGrid + 1;
        steepest_ = 0.0;
        for (const Item& item : items_) steepest_ = std::max(steepest_, item.variance / std::max(item.size, 1e-9));
        most_gain_.assign(kSlopes * (n + 1) * columns, 0.0);
        for (std::size_t s = 0; s < kSlopes; ++s) {
            double* table = &most_gain_[s * (n + 1) * columns];
            for (std::size_t k = n; k-- > 0;) {
                const double* next = table + (k + 1) * columns;
                double* here = table + k * columns;
                std::copy_n(next, columns, here);
                if (items_[k].gain <= 0.0) continue;
                // A hair less, so that sizes that fill the session to the minute still do.
                const double priced = items_[k].size + slope(s) * items_[k].variance;
                const double steps = std::clamp(priced / step_ - 1e-6, 0.0, static_cast<double>(columns));
                const std::size_t size = static_cast<std::size_t>(steps);
                for (std::size_t c = size; c < columns; ++c)
                    here[c] = std::max(here[c], items_[k].gain + next[c - size]);
            }
        }
    }

    /// Price of variance, minutes of mean for each square minute.
    static double slope(std::size_t s) { return s == 0 ? 0.0 : 0.001 * std::pow(1.6, static_cast<double>(s - 1)); }

    /// The most that cases from the k-th on can add to a list of so many cases, this mean and variance.
    double most_gain(std::size_t k, std::size_t depth, double mean, double variance) const {
        if (depth > 0) return most_gain(k, mean, variance);
        return most_gain(k, mean - least_gap_, variance) - problem_.cost.idle_per_min * most_gap_;
    }

    double most_gain(std::size_t k, double mean, double variance) const {
        const double room = limit_(variance) - mean;
        if (room < 0.0) return 0.0;
        const double extra = steepest_ * room;
        const double end = limit_(variance + extra) - mean;
        std::size_t s = 0;
        while (s + 1 < kSlopes && end + slope(s + 1) * extra <= room) ++s;
        const std::size_t c = static_cast<std::size_t>(std::min(room / step_ + 1e-6, static_cast<double>(kGrid)));
        return most_gain_[(s * (items_.size() + 1) + k) * (kGrid + 1) + c];
    }

    Counted count_screening(std::size_t depth, const Item& item) {
        const float* from = sums_[depth].data();
        float* to = sums_[depth + 1].data();
        const float* minutes = times_.row(static_cast<std::size_t>(item.at));
        const float* gap = times_.between(depth);
        Counted counted;
        for (std::size_t start = 0; start < times_.screening(); start += kBlock) {
            const std::size_t n = std::min(kBlock, times_.screening() - start);
            if (depth == 0) {
                add_first(to + start, from + start, minutes + start, n);
            } else {
                add_case(to + start, from + start, minutes + start, gap + start, n);
            }
            add(to + start, n, counted);
        }
        return counted;
    }

    /// Counts as many draws as the decision needs, at least twice as many each time; all where the mean minutes over
    /// the session are wanted or the list stays near a limit.
    ListRisk count_more(const std::vector<int>& list, bool overtime_wanted) {
        Counted counted;
        std::array<float, kBlock> sum;
        std::size_t done = 0, next = 2 * times_.screening();
        while (done < times_.draws()) {
            const std::size_t n = std::min(kBlock, times_.draws() - done);
            std::copy_n(times_.between(0) + done, n, sum.begin());
            for (std::size_t k = 0; k < list.size(); ++k) {
                const float* minutes = times_.row(static_cast<std::size_t>(list[k])) + done;
                if (k == 0) {
                    add_first(sum.data(), sum.data(), minutes, n);
                } else {
                    add_case(sum.data(), sum.data(), minutes, times_.between(k) + done, n);
                }
            }
            add(sum.data(), n, counted);
            done += n;
            if (done >= next) {
                const ListRisk risk = risk_of(counted, done);
                if (clearly_out(risk, done) || (!overtime_wanted && clearly_in(risk, done))) return risk;
                next = 2 * done;
            }
        }
        return risk_of(counted, done);
    }

    void add(const float* sum, std::size_t n, Counted& counted) const {
        Tally tally;
        tally_lanes(sum, n, session_, over_, far_, tally);
        for (std::size_t j = 0; j < kLanes; ++j) {
            counted.over += static_cast<std::size_t>(tally.over[j]);
            counted.far += static_cast<std::size_t>(tally.far[j]);
            counted.overtime += static_cast<double>(tally.overtime[j]);
            counted.sum += static_cast<double>(tally.sum[j]);
        }
    }

    ListRisk risk_of(const Counted& counted, std::size_t draws) const {
        const double n = static_cast<double>(draws);
        ListRisk risk;
        risk.overrun = static_cast<double>(counted.over) / n;
        risk.far_over = static_cast<double>(counted.far) / n;
        risk.mean_min = counted.sum / n;
        risk.overtime_min = counted.overtime / n;
        risk.idle_min = std::max(rule_.minutes - risk.mean_min + risk.overtime_min, 0.0);
        return risk;
    }

    /// Half the width within which a share of so many draws does not decide: a list is misjudged once in two thousand.
    static double band(double limit, std::size_t draws) {
        const double n = static_cast<double>(draws);
        return 3.5 * std::sqrt(limit * (1.0 - limit) / n) + 1.0 / n;
    }
    bool clearly_out(const ListRisk& risk, std::size_t draws) const {
        return risk.overrun > rule_.overrun_risk + band(rule_.overrun_risk, draws) ||
               (std::isfinite(rule_.far_over_min) &&
                risk.far_over > rule_.far_over_risk + band(rule_.far_over_risk, draws));
    }
    bool clearly_in(const ListRisk& risk, std::size_t draws) const {
        return (rule_.overrun_risk >= 1.0 || risk.overrun < rule_.overrun_risk - band(rule_.overrun_risk, draws)) &&
               !std::isfinite(rule_.expected_overtime_min) &&
               (!std::isfinite(rule_.far_over_min) ||
                risk.far_over < rule_.far_over_risk - band(rule_.far_over_risk, draws));
    }

    // The list so far: `depth` cases, the value of its cases less what the session costs, moments of its finish.
    void extend(std::size_t depth, std::size_t from, double value, double mean, double variance, int large) {
        if (depth == most_) return;
        for (std::size_t k = from; k < items_.size(); ++k) {
            const double most = value + most_gain(k, depth, mean, variance);
            if (most <= threshold_) return;
            if (out_.nodes >= problem_.most_nodes) {
                out_.complete = false;
                left_ = std::max(left_, most);
                return;
            }
            const Item& item = items_[k];
            if (item.large && large >= rule_.most_large) continue;
            const double added = times_.mean()[item.at] + (depth > 0 ? times_.between_mean(depth) : 0.0);
            const double new_mean = mean + added;
            double new_variance = variance + times_.covariance()(item.at, item.at);
            for (const int other : list_) new_variance += 2.0 * times_.covariance()(item.at, other);
            if (depth > 0) new_variance += times_.between_variance(depth);
            const double new_room = limit_(new_variance) - new_mean;
            if (new_room < -1e-9 * rule_.minutes) continue;
            const double new_value = value + item.worth + problem_.cost.idle_per_min * added;
            if (new_value + most_gain(k + 1, depth + 1, new_mean, new_variance) <= threshold_) continue;

            ++out_.nodes;
            ListRisk risk = risk_of(count_screening(depth, item), times_.screening());
            const bool all = times_.screening() == times_.draws();
            if (all ? !risk.keeps(rule_) : clearly_out(risk, times_.screening())) continue;
            list_.push_back(item.at);
            const bool wanted = new_value > threshold_;
            const bool overtime_wanted = wanted && overtime_costs_;
            if (!all && (overtime_wanted || !clearly_in(risk, times_.screening())))
                risk = count_more(list_, overtime_wanted);
            if (risk.keeps(rule_)) {
                watch_moments(risk, new_mean, new_variance);
                if (wanted) record(new_value, risk);
                extend(depth + 1, k + 1, new_value, new_mean, new_variance, large + (item.large ? 1 : 0));
            }
            list_.pop_back();
        }
    }

    void watch_moments(const ListRisk& risk, double mean, double variance) {
        if (variance <= 0.0 || risk.overrun < 0.5 * rule_.overrun_risk) return;
        const double by_moments = LogNormal(mean, std::sqrt(variance)).beyond(rule_.minutes + rule_.grace_min);
        out_.largest_moment_error = std::max(out_.largest_moment_error, by_moments - risk.overrun);
    }

    void record(double value, const ListRisk& risk) {
        const double exact = value - (problem_.cost.overtime_per_min + problem_.cost.idle_per_min) * risk.overtime_min;
        if (exact <= threshold_) return;
        PricedList found;
        found.cases = list_;
        std::sort(found.cases.begin(), found.cases.end());
        if (problem_.refused != nullptr && problem_.refused->contains(found.cases)) return;
        ++out_.found;
        found.value = exact;
        best_.push_back(std::move(found));
        std::push_heap(best_.begin(), best_.end(), better);
        if (best_.size() > problem_.keep) {
            std::pop_heap(best_.begin(), best_.end(), better);
            best_.pop_back();
        }
        if (best_.size() == problem_.keep) threshold_ = std::max(threshold_, best_.front().value);
    }

    const PricingProblem& problem_;
    const ListTimes& times_;
    const ListRule& rule_;
    double threshold_;
    float session_, over_, far_;
    std::size_t most_;
    MeanLimit limit_;
    double step_ = 1.0, steepest_ = 0.0, base_mean_ = 0.0, base_value_ = 0.0, least_gap_ = 0.0, most_gap_ = 0.0;
    bool overtime_costs_ = false;
    double left_ = -std::numeric_limits<double>::infinity();
    std::vector<Item> items_;
    std::vector<double> most_gain_;
    std::vector<std::vector<float>> sums_;
    std::vector<int> list_;
    std::vector<PricedList> best_;
    PricingResult out_;
};

void check(const PricingProblem& problem) {
    if (problem.times == nullptr) throw InvalidArgument("pricing: no times");
    problem.rule.check();
    problem.cost.check();
    if (problem.worth.size() != problem.cases.size()) throw InvalidArgument("pricing: one worth a case is needed");
    if (!problem.large.empty() && problem.large.size() != problem.cases.size())
        throw InvalidArgument("pricing: one mark a case says which glands are large");
    for (const int at : problem.cases) {
        if (at < 0 || static_cast<std::size_t>(at) >= problem.times->cases())
            throw InvalidArgument("pricing: no such case");
    }
    for (const double worth : problem.worth) {
        if (!(std::abs(worth) <= kMostWorth)) throw InvalidArgument("pricing: worth must lie in [-1e15, 1e15]");
    }
    if (!(std::abs(problem.threshold) <= kMostWorth))
        throw InvalidArgument("pricing: the threshold must lie in [-1e15, 1e15]");
    if (problem.keep == 0) throw InvalidArgument("pricing: keep must be 1 or more");
    if (!(problem.moment_error >= 0.0 && problem.moment_error <= 1.0))
        throw InvalidArgument("pricing: moment_error must lie in [0, 1]");
}

}  // namespace

std::vector<PricingResult> price(const std::vector<PricingProblem>& problems, int threads) {
    for (const PricingProblem& problem : problems) check(problem);
    std::vector<PricingResult> results(problems.size());
    parallel_for(problems.size(), threads, [&](std::size_t i) { results[i] = Search(problems[i]).run(); });
    return results;
}

}  // namespace lobetime
