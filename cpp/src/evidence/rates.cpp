#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/evidence/rates.hpp>

#include <Eigen/Eigenvalues>
#include <boost/math/distributions/beta.hpp>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/quadrature/gauss.hpp>
#include <boost/math/special_functions/trigamma.hpp>
#include <boost/math/tools/minima.hpp>
#include <boost/math/tools/roots.hpp>

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <limits>
#include <numbers>

namespace lobetime {
namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
constexpr double kLargestSd = 4.0;  ///< logit scale: chances of units that differ a thousandfold
constexpr double kHalfNormalScale = 0.5;

/// Nodes and weights of Gauss-Hermite quadrature.
template <int N>
struct GaussHermite {
    std::array<double, N> node, weight;

    GaussHermite() {
        // Golub and Welsch: eigenvalues of the tridiagonal matrix of the recurrence.
        Eigen::Matrix<double, N, N> recurrence = Eigen::Matrix<double, N, N>::Zero();
        for (int i = 1; i < N; ++i) recurrence(i, i - 1) = recurrence(i - 1, i) = std::sqrt(0.5 * i);
        const Eigen::SelfAdjointEigenSolver<Eigen::Matrix<double, N, N>> solver(recurrence);
        for (int i = 0; i < N; ++i) {
            node[static_cast<std::size_t>(i)] = solver.eigenvalues()[i];
            const double first = solver.eigenvectors()(0, i);
            weight[static_cast<std::size_t>(i)] = std::sqrt(std::numbers::pi) * first * first;
        }
    }
};

constexpr int kNodes = 15;

const GaussHermite<kNodes>& hermite() {
    static const GaussHermite<kNodes> rule;
    return rule;
}

double expit(double logit) { return 1.0 / (1.0 + std::exp(-logit)); }

/// events log p + (cases - events) log(1 - p), finite for any logit.
double binomial_log(double events, double cases, double logit) {
    const double small = std::log1p(std::exp(-std::abs(logit)));
    return events * (logit > 0.0 ? 0.0 : logit) - (cases - events) * (logit > 0.0 ? logit : 0.0) - cases * small;
}

/// Log of the integral over one unit's standard normal z.
double unit_log(const RateCounts& one, double logit, double sd) {
    if (sd == 0.0) return binomial_log(one.events, one.cases, logit);
    // Concave, so its slope falls: Newton's method, and halves of the bracket where it would leave it.
    double z = 0.0, curvature = 1.0, low = -sd * one.cases, high = sd * one.cases;
    for (int step = 0; step < 200; ++step) {
        const double p = expit(logit + sd * z);
        const double slope = sd * (one.events - one.cases * p) - z;
        curvature = sd * sd * one.cases * p * (1.0 - p) + 1.0;
        (slope > 0.0 ? low : high) = z;
        double next = z + slope / curvature;
        if (!(next > low && next < high)) next = 0.5 * (low + high);
        const double move = next - z;
        z = next;
        if (std::abs(move) < 1e-9) break;
    }
    const double width = std::numbers::sqrt2 / std::sqrt(curvature);
    const double top = binomial_log(one.events, one.cases, logit + sd * z) - 0.5 * z * z;
    double sum = 0.0;
    for (std::size_t i = 0; i < kNodes; ++i) {
        const double x = hermite().node[i], at = z + width * x;
        sum += hermite().weight[i] *
               std::exp(x * x + binomial_log(one.events, one.cases, logit + sd * at) - 0.5 * at * at - top);
    }
    return top + std::log(width * sum) - 0.5 * std::log(2.0 * std::numbers::pi);
}

double total_log(const std::vector<RateCounts>& counts, double logit, double sd) {
    double sum = 0.0;
    for (const RateCounts& one : counts) sum += unit_log(one, logit, sd);
    return sum;
}

/// Where a function of one variable is largest, and its value there.
std::pair<double, double> largest(const std::function<double(double)>& function, double low, double high) {
    const auto found = boost::math::tools::brent_find_minima([&](double x) { return -function(x); }, low, high, 40);
    return {found.first, -found.second};
}

struct Likely {
    double at, log_likelihood;
};

/// The spread of most likelihood at this logit. Zero is compared as it is: a maximum on the bound is an answer.
Likely likely_sd(const std::vector<RateCounts>& counts, double logit) {
    const double none = total_log(counts, logit, 0.0);
    const auto [sd, value] = largest([&](double s) { return total_log(counts, logit, s); }, 0.0, kLargestSd);
    return value > none + 1e-10 ? Likely{sd, value} : Likely{0.0, none};
}

Likely likely_logit(const std::vector<RateCounts>& counts, double sd, double from, double to) {
    const auto [logit, value] = largest([&](double m) { return total_log(counts, m, sd); }, from, to);
    return {logit, value};
}

constexpr double kLowestLogit = -30.0, kHighestLogit = 30.0;

struct Grid {
    std::vector<double> logit, sd, weight;  ///< weights sum to 1
};

/// The mean logit and the spread, weighted by likelihood and what is assumed of them.
Grid weighed(const std::vector<RateCounts>& counts) {
    constexpr int kPoints = 81;
    using Rule = boost::math::quadrature::gauss<double, 10>;
    std::vector<std::pair<double, double>> spreads;
    for (std::size_t i = 0; i < Rule::abscissa().size(); ++i) {
        for (const double sign : {-1.0, 1.0}) {
            const double u = 0.5 * (1.0 + sign * Rule::abscissa()[i]), sd = 4.0 * kHalfNormalScale * u;
            const double z = sd / kHalfNormalScale;
            spreads.emplace_back(sd, std::log(Rule::weights()[i]) - 0.5 * z * z);
        }
    }
    double events = 0.0, cases = 0.0;
    for (const RateCounts& one : counts) {
        events += one.events;
        cases += one.cases;
    }
    const double about = std::log((events + 0.5) / (cases - events + 0.5));
    Grid grid;
    std::vector<double> logs;
    for (const auto& [sd, log_weight] : spreads) {
        const auto density = [&, spread = sd](double m) {
            return total_log(counts, m, spread) + 0.5 * binomial_log(1.0, 2.0, m);  // sqrt(p (1 - p))
        };
        // Out to where the density is no more: asymmetric with few events.
        const double top = density(about);
        const auto edge = [&](double step) {
            double at = about + step;
            while (density(at) > top - 16.0) at += step;
            return at;
        };
        const double low = edge(-0.5), high = edge(0.5), width = (high - low) / (kPoints - 1);
        for (int i = 0; i < kPoints; ++i) {
            const double m = low + i * width;
            grid.logit.push_back(m);
            grid.sd.push_back(sd);
            logs.push_back(density(m) + log_weight + std::log(width));
        }
    }
    const double top = *std::max_element(logs.begin(), logs.end());
    double sum = 0.0;
    for (const double one : logs) {
        grid.weight.push_back(std::exp(one - top));
        sum += grid.weight.back();
    }
    for (double& one : grid.weight) one /= sum;
    return grid;
}

void predict(const std::vector<RateCounts>& counts, PooledRate& pooled) {
    const Grid grid = weighed(counts);
    double mean = 0.0, logit = 0.0, square = 0.0;
    for (std::size_t i = 0; i < grid.weight.size(); ++i) {
        if (grid.weight[i] < 1e-12) continue;
        for (std::size_t k = 0; k < kNodes; ++k) {
            const double p = expit(grid.logit[i] + grid.sd[i] * std::numbers::sqrt2 * hermite().node[k]);
            const double w = grid.weight[i] * hermite().weight[k] * std::numbers::inv_sqrtpi;
            mean += w * p;
        }
        logit += grid.weight[i] * grid.logit[i];
        square += grid.weight[i] * (grid.logit[i] * grid.logit[i] + grid.sd[i] * grid.sd[i]);
    }
    pooled.predicted_mean = mean;
    pooled.predicted_logit_variance = square - logit * logit;
}

void check(const std::vector<RateCounts>& counts) {
    if (counts.empty()) throw InvalidArgument("rates: at least one row of events and cases is needed");
    for (const RateCounts& one : counts) {
        if (!(one.cases > 0.0 && one.events >= 0.0 && one.events <= one.cases) || !std::isfinite(one.cases))
            throw InvalidArgument("rates, row " + one.id + ": " + std::to_string(one.events) + " events in " +
                                  std::to_string(one.cases) + " cases; allowed: cases above 0, events 0 to cases");
    }
}

struct PublishedRate {
    std::string_view event, device_class;
    RateCounts counts;
};

const std::vector<PublishedRate>& rate_table() {
    // Common practice has no source and no cases; it is taken for 200 cases where well over ten studies are said to
    // agree, for 40 where two are, for 30 where one is.
    // clang-format off
    static const std::vector<PublishedRate> rows = {
        {"wall_injury", "reciprocating/vacuum", {"P1", "common practice: above 5 %, well over ten studies; no source", 11.0, 200.0, false, true}},
        {"wall_injury", "oscillating/vacuum", {"P2", "common practice: 1.2 %, long established, well over ten studies; no source", 2.4, 200.0, false, true}},
        {"wall_injury", "oscillating/vacuum, newer", {"P3", "common practice: about 2 %, two studies; no source", 0.8, 40.0, false, true}},
        {"wall_injury", "oscillating/peristaltic", {"P4", "common practice: more than long-established vacuum, one trial; no source", 0.6, 30.0, false, true}},
        {"wall_injury", "any", {"E32", "mucosal injury 13 % of 161 first cases of two surgeons, Korean J Urol 2010;51:688, doi 10.4111/kju.2010.51.10.688", 21.0, 161.0, true, false}},
        {"malfunction", "reciprocating/vacuum", {"P1", "common practice: below 1 %, well over ten studies; no source", 1.2, 200.0, false, true}},
        {"malfunction", "oscillating/vacuum", {"P2", "common practice: a bit over 2 %, long established, well over ten studies; no source", 4.4, 200.0, false, true}},
        {"malfunction", "oscillating/vacuum, newer", {"P3", "common practice: almost 8 %, two studies; no source", 3.1, 40.0, false, true}},
        {"malfunction", "oscillating/peristaltic", {"P4", "common practice: fewer than long-established vacuum, one trial; no source", 0.4, 30.0, false, true}},
        {"other_route", "any", {"R1", "37 of 392, Arab J Urol 2016;14:147-55", 37.0, 392.0, true, true}},
        {"hard_nodule", "any", {"R2", "29 of 216, Int Neurourol J 2015;19:90", 29.0, 216.0, true, true}},
        {"hard_nodule", "any", {"R3", "55 of 559, PMID 38546885", 55.0, 559.0, true, true}},
    };
    // clang-format on
    return rows;
}

}  // namespace

std::vector<RateCounts> published_rates(std::string_view event, std::string_view device_class) {
    std::vector<RateCounts> out;
    for (const PublishedRate& row : rate_table()) {
        if (row.event == event && row.device_class == device_class) out.push_back(row.counts);
    }
    return out;
}

std::vector<std::pair<std::string, std::string>> published_rate_classes() {
    std::vector<std::pair<std::string, std::string>> out;
    for (const PublishedRate& row : rate_table()) {
        std::pair<std::string, std::string> one(row.event, row.device_class);
        if (std::find(out.begin(), out.end(), one) == out.end()) out.push_back(std::move(one));
    }
    return out;
}

std::pair<double, double> clopper_pearson(double events, double cases, double level) {
    check({{"1", "", events, cases}});
    if (!(level > 0.0 && level < 1.0)) throw InvalidArgument("level must lie strictly between 0 and 1");
    const double tail = 0.5 * (1.0 - level);
    using Beta = boost::math::beta_distribution<double>;
    const double lower = events == 0.0 ? 0.0 : quantile(Beta(events, cases - events + 1.0), tail);
    const double upper = events == cases ? 1.0 : quantile(Beta(events + 1.0, cases - events), 1.0 - tail);
    return {lower, upper};
}

double binomial_normal_log_likelihood(const std::vector<RateCounts>& counts, double logit, double between_sd) {
    check(counts);
    if (!(between_sd >= 0.0)) throw InvalidArgument("a spread between units must not be negative");
    return total_log(counts, logit, between_sd);
}

std::string PooledRate::method() const {
    return "binomial-normal model, maximum likelihood by adaptive Gauss-Hermite quadrature";
}

std::pair<double, double> PooledRate::pseudo_counts() const {
    const double chance = rate > 0.0 && rate < 1.0 ? rate : predicted_mean;
    const auto beyond = [&](double log_n) {
        const double n = std::exp(log_n);
        return boost::math::trigamma(n * chance) + boost::math::trigamma(n * (1.0 - chance)) - predicted_logit_variance;
    };
    std::uintmax_t steps = 100;
    const auto ends =
        boost::math::tools::toms748_solve(beyond, -10.0, 30.0, boost::math::tools::eps_tolerance<double>(40), steps);
    const double n = std::exp(0.5 * (ends.first + ends.second));
    return {n * chance, n};
}

PooledRate pool_rates(const std::vector<RateCounts>& counts) {
    check(counts);
    PooledRate out;
    out.studies = static_cast<int>(counts.size());
    for (const RateCounts& one : counts) {
        out.events += one.events;
        out.cases += one.cases;
    }
    const double half_deviance = 0.5 * quantile(boost::math::chi_squared(1.0), 0.95);
    // One study tells nothing of the spread: its interval is that of its own chance.
    const auto profile = [&](double logit) {
        return counts.size() > 1 ? likely_sd(counts, logit).log_likelihood : total_log(counts, logit, 0.0);
    };
    const bool none = out.events == 0.0, all = out.events == out.cases;
    double peak = none ? kLowestLogit : kHighestLogit, best = 0.0;
    if (!none && !all) {
        // Both in turn: the likelihood is smooth in either, and a spread of zero must be found as such.
        const Likely without = likely_logit(counts, 0.0, kLowestLogit, kHighestLogit);
        double logit = without.at;
        double sd = counts.size() > 1 ? likely_sd(counts, logit).at : 0.0;
        for (int round = 0; round < 200 && sd > 0.0; ++round) {
            const double next = likely_logit(counts, sd, logit - 3.0, logit + 3.0).at;
            const double spread = likely_sd(counts, next).at;
            const double moved = std::abs(next - logit) + std::abs(spread - sd);
            logit = next;
            sd = spread;
            if (moved < 1e-7) break;
        }
        peak = logit;
        best = total_log(counts, logit, sd);
        out.rate = expit(logit);
        out.between_sd = sd;
    } else {
        out.rate = none ? 0.0 : 1.0;
    }
    const auto short_of = [&](double logit) { return best - profile(logit) - half_deviance; };
    const auto edge = [&](double from, double to) {
        std::uintmax_t steps = 100;
        const auto ends = boost::math::tools::toms748_solve(short_of, std::min(from, to), std::max(from, to),
                                                            boost::math::tools::eps_tolerance<double>(40), steps);
        return expit(0.5 * (ends.first + ends.second));
    };
    out.lower = none ? 0.0 : edge(kLowestLogit, peak);
    out.upper = all ? 1.0 : edge(peak, kHighestLogit);

    if (counts.size() < 2) {
        out.i2_percent = kNone;
    } else if (out.between_sd > 0.0) {
        double sum = 0.0, squares = 0.0;
        for (const RateCounts& one : counts) {
            const double weight = one.cases * out.rate * (1.0 - out.rate);
            sum += weight;
            squares += weight * weight;
        }
        const double typical = (static_cast<double>(counts.size()) - 1.0) * sum / (sum * sum - squares);
        const double tau2 = out.between_sd * out.between_sd;
        out.i2_percent = 100.0 * tau2 / (tau2 + typical);
    }
    predict(counts, out);
    return out;
}

std::pair<double, double> predicted_rate_interval(const std::vector<RateCounts>& counts) {
    check(counts);
    const Grid grid = weighed(counts);
    const auto quantile = [&](double level) {
        const auto beyond = [&](double x) {
            double below = -level;
            for (std::size_t i = 0; i < grid.weight.size(); ++i) {
                if (grid.weight[i] > 1e-9) below += grid.weight[i] * normal_cdf((x - grid.logit[i]) / grid.sd[i]);
            }
            return below;
        };
        std::uintmax_t steps = 100;
        const auto ends = boost::math::tools::toms748_solve(beyond, kLowestLogit, kHighestLogit,
                                                            boost::math::tools::eps_tolerance<double>(30), steps);
        return expit(0.5 * (ends.first + ends.second));
    };
    return {quantile(0.05), quantile(0.95)};
}

std::vector<PooledFigure> pooled_rate_figures() {
    std::vector<PooledFigure> out;
    for (const auto& [event, device_class] : published_rate_classes()) {
        const std::vector<RateCounts> counts = published_rates(event, device_class);
        const PooledRate pooled = pool_rates(counts);
        Body body;
        body.studies = pooled.studies;
        body.cases = pooled.cases;
        body.i2_percent = pooled.i2_percent;
        body.direct_share = 0.0;
        std::string sources;
        for (const RateCounts& one : counts) {
            body.sourced = body.sourced && one.sourced;
            body.direct_share += one.direct ? one.cases / pooled.cases : 0.0;
            sources += (sources.empty() ? "" : "; ") + one.citation;
        }
        const Grading grading = grade_of(body);
        const auto [lower, upper] = predicted_rate_interval(counts);
        out.push_back({event + "[" + device_class + "]", "per case", pooled.method(), body.sourced ? body.studies : 0,
                       pooled.cases, pooled.events, pooled.rate, lower, upper, pooled.between_sd, pooled.i2_percent,
                       grading.grade, grading.reasons, sources});
    }
    return out;
}

}  // namespace lobetime
