#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/plan/pricing.hpp>

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

namespace lobetime {
namespace {

constexpr std::size_t kGrid = 1024;  ///< steps of the knapsack over the session
constexpr std::size_t kSpreads = 512;
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
        return limits_[std::min(static_cast<std::size_t>(std::sqrt(std::max(variance, 0.0)) / step_), kSpreads)];
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
        const double gap = times_.most_cases() > 1 ? times_.between_mean(1) : 0.0;
        const std::size_t n = problem.cases.size();
        std::vector<std::size_t> order(n);
        std::iota(order.begin(), order.end(), std::size_t{0});
        std::vector<double> size(n), gain(n);
        for (std::size_t j = 0; j < n; ++j) {
            size[j] = times_.mean()[problem.cases[j]] + gap;
            gain[j] = problem.worth[j] + problem.cost.idle_per_min * size[j];
        }
        std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
            const double left = gain[a] * size[b], right = gain[b] * size[a];
            return left != right ? left > right : problem.cases[a] < problem.cases[b];
        });
        for (const std::size_t j : order) {
            items_.push_back({problem.cases[j], problem.large.empty() ? false : problem.large[j], gain[j], size[j]});
        }
        least_variance_.assign(n + 1, std::numeric_limits<double>::infinity());
        for (std::size_t k = n; k-- > 0;)
            least_variance_[k] = std::min(least_variance_[k + 1], times_.covariance()(items_[k].at, items_[k].at));
        knapsack();
        // Without a case there is no turnover, so the first one's is taken back.
        base_mean_ = times_.between_mean(0) - gap;
        base_value_ = -(problem.cost.open_per_min + problem.cost.idle_per_min) * rule_.minutes +
                      problem.cost.idle_per_min * base_mean_;
        sums_.assign(most_ + 1, std::vector<float>(times_.screening()));
        std::copy_n(times_.between(0), times_.screening(), sums_[0].begin());
        const double p = rule_.overrun_risk, q = rule_.far_over_risk;
        const double d = static_cast<double>(times_.screening());
        band_ = 3.5 * std::sqrt(p * (1.0 - p) / d) + 1.0 / d;
        far_band_ = 3.5 * std::sqrt(q * (1.0 - q) / d) + 1.0 / d;
    }

    PricingResult run() {
        extend(0, 0, base_value_, base_mean_, times_.between_variance(0), 0);
        std::sort(best_.begin(), best_.end(), better);
        out_.lists = std::move(best_);
        double bound = std::max(problem_.threshold, left_);
        if (!out_.lists.empty()) bound = std::max(bound, out_.lists.front().value);
        out_.bound = bound;
        return std::move(out_);
    }

private:
    struct Item {
        int at;
        bool large;
        double gain, size;
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

    void knapsack() {
        const std::size_t n = items_.size();
        step_ = limit_.largest() / static_cast<double>(kGrid);
        const std::size_t columns = kGrid + 1;
        most_gain_.assign((n + 1) * columns, 0.0);
        for (std::size_t k = n; k-- > 0;) {
            const double* next = &most_gain_[(k + 1) * columns];
            double* here = &most_gain_[k * columns];
            std::copy_n(next, columns, here);
            // A hair less, so that sizes that fill the session to the minute still do.
            const std::size_t size = static_cast<std::size_t>(std::max(items_[k].size / step_ - 1e-6, 0.0));
            if (items_[k].gain <= 0.0) continue;
            for (std::size_t c = size; c < columns; ++c) here[c] = std::max(here[c], items_[k].gain + next[c - size]);
        }
    }

    double most_gain(std::size_t k, double room) const {
        if (room < 0.0) return 0.0;
        const std::size_t c = std::min(static_cast<std::size_t>(room / step_ + 1e-6), kGrid);
        return most_gain_[k * (kGrid + 1) + c];
    }

    Counted count_screening(std::size_t depth, const Item& item) {
        const float* from = sums_[depth].data();
        float* to = sums_[depth + 1].data();
        const float* minutes = times_.row(static_cast<std::size_t>(item.at));
        const float* gap = times_.between(depth);
        Counted counted;
        for (std::size_t start = 0; start < times_.screening(); start += kBlock) {
            const std::size_t end = std::min(start + kBlock, times_.screening());
            if (depth == 0) {
                for (std::size_t d = start; d < end; ++d) to[d] = from[d] + minutes[d];
            } else {
                for (std::size_t d = start; d < end; ++d) to[d] = from[d] + (minutes[d] + gap[d]);
            }
            add(to + start, end - start, counted);
        }
        return counted;
    }

    Counted count_all(const std::vector<int>& list) {
        Counted counted;
        std::array<float, kBlock> sum;
        for (std::size_t start = 0; start < times_.draws(); start += kBlock) {
            const std::size_t n = std::min(kBlock, times_.draws() - start);
            std::copy_n(times_.between(0) + start, n, sum.begin());
            for (std::size_t k = 0; k < list.size(); ++k) {
                const float* minutes = times_.row(static_cast<std::size_t>(list[k])) + start;
                const float* gap = times_.between(k) + start;
                if (k == 0) {
                    for (std::size_t d = 0; d < n; ++d) sum[d] += minutes[d];
                } else {
                    for (std::size_t d = 0; d < n; ++d) sum[d] += minutes[d] + gap[d];
                }
            }
            add(sum.data(), n, counted);
        }
        return counted;
    }

    void add(const float* sum, std::size_t n, Counted& counted) const {
        // Counts and sums in single precision over one block: exact counts, sums to 1e-6 of themselves.
        int over = 0, far = 0;
        std::array<float, 8> overtime{}, total{};
        std::size_t d = 0;
        for (; d + 8 <= n; d += 8) {
            for (std::size_t j = 0; j < 8; ++j) {
                const float x = sum[d + j];
                over += x > over_ ? 1 : 0;
                far += x > far_ ? 1 : 0;
                overtime[j] += std::max(x - session_, 0.0F);
                total[j] += x;
            }
        }
        for (; d < n; ++d) {
            over += sum[d] > over_ ? 1 : 0;
            far += sum[d] > far_ ? 1 : 0;
            overtime[0] += std::max(sum[d] - session_, 0.0F);
            total[0] += sum[d];
        }
        counted.over += static_cast<std::size_t>(over);
        counted.far += static_cast<std::size_t>(far);
        for (std::size_t j = 0; j < 8; ++j) {
            counted.overtime += static_cast<double>(overtime[j]);
            counted.sum += static_cast<double>(total[j]);
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

    bool clearly_out(const ListRisk& risk) const {
        return risk.overrun > rule_.overrun_risk + band_ ||
               (std::isfinite(rule_.far_over_min) && risk.far_over > rule_.far_over_risk + far_band_);
    }
    bool clearly_in(const ListRisk& risk) const {
        return (rule_.overrun_risk >= 1.0 || risk.overrun < rule_.overrun_risk - band_) &&
               !std::isfinite(rule_.expected_overtime_min) &&
               (!std::isfinite(rule_.far_over_min) || risk.far_over < rule_.far_over_risk - far_band_);
    }

    // The list so far: `depth` cases, the value of its cases less what the session costs, moments of its finish.
    void extend(std::size_t depth, std::size_t from, double value, double mean, double variance, int large) {
        if (depth == most_) return;
        for (std::size_t k = from; k < items_.size(); ++k) {
            const double room = limit_(variance + least_variance_[k]) - mean;
            const double most = value + most_gain(k, room);
            if (most <= threshold_) return;
            if (out_.nodes >= problem_.most_nodes) {
                out_.complete = false;
                left_ = std::max(left_, most);
                return;
            }
            const Item& item = items_[k];
            if (item.large && large >= rule_.most_large) continue;
            const double new_mean = mean + item.size;
            double new_variance = variance + times_.covariance()(item.at, item.at);
            for (const int other : list_) new_variance += 2.0 * times_.covariance()(item.at, other);
            if (depth > 0) new_variance += times_.between_variance(depth);
            const double new_room = limit_(new_variance) - new_mean;
            if (new_room < -1e-9 * rule_.minutes) continue;
            const double new_value = value + item.gain;
            if (new_value + most_gain(k + 1, new_room) <= threshold_) continue;

            ++out_.nodes;
            ListRisk risk = risk_of(count_screening(depth, item), times_.screening());
            bool counted = times_.screening() == times_.draws();
            if (counted ? !risk.keeps(rule_) : clearly_out(risk)) continue;
            list_.push_back(item.at);
            const bool wanted = new_value > threshold_;
            if (!counted && (wanted || !clearly_in(risk))) {
                risk = risk_of(count_all(list_), times_.draws());
                counted = true;
            }
            if (!counted || risk.keeps(rule_)) {
                if (counted) watch_moments(risk, new_mean, new_variance);
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
        found.cost = risk.cost(rule_, problem_.cost);
        found.risk = risk;
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
    double step_ = 1.0, base_mean_ = 0.0, base_value_ = 0.0, band_ = 0.0, far_band_ = 0.0;
    double left_ = -std::numeric_limits<double>::infinity();
    std::vector<Item> items_;
    std::vector<double> least_variance_, most_gain_;
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
        if (!std::isfinite(worth)) throw InvalidArgument("pricing: worth must be finite");
    }
    if (!std::isfinite(problem.threshold)) throw InvalidArgument("pricing: the threshold must be finite");
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
