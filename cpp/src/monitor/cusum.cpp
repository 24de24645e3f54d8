#include <lobetime/core/errors.hpp>
#include <lobetime/monitor/cusum.hpp>

#include <algorithm>
#include <cmath>
#include <string>

namespace lobetime {

CusumPath cusum(const std::vector<double>& scores, double limit, double head_start) {
    if (!(limit > 0.0) || !std::isfinite(limit)) throw InvalidArgument("limit must be a positive number");
    if (!(head_start >= 0.0 && head_start < limit))
        throw InvalidArgument("head_start must be at least 0 and less than the limit");
    CusumPath path;
    path.sums.reserve(scores.size());
    double sum = head_start;
    std::size_t since = 0;
    for (std::size_t i = 0; i < scores.size(); ++i) {
        if (!std::isfinite(scores[i])) throw NotFinite("score " + std::to_string(i + 1) + " is not a finite number");
        sum = std::max(0.0, sum + scores[i]);
        path.sums.push_back(sum);
        if (sum > limit) {
            path.signals.push_back({i, since});
            sum = head_start;
            since = i + 1;
        } else if (sum == 0.0) {
            since = i + 1;
        }
    }
    return path;
}

std::vector<double> tabular_scores(const std::vector<double>& values, double target, double reference,
                                   Direction direction) {
    if (!std::isfinite(target)) throw InvalidArgument("target must be a finite number");
    if (!(reference >= 0.0) || !std::isfinite(reference)) throw InvalidArgument("reference must be 0 or more");
    const double sign = direction == Direction::up ? 1.0 : -1.0;
    std::vector<double> scores(values.size());
    std::transform(values.begin(), values.end(), scores.begin(),
                   [&](double value) { return sign * (value - target) - reference; });
    return scores;
}

double risk_adjusted_score(double chance, bool event, double odds_ratio) {
    if (!(chance > 0.0 && chance < 1.0)) throw InvalidArgument("a chance must lie strictly between 0 and 1");
    if (!(odds_ratio > 0.0) || !std::isfinite(odds_ratio) || odds_ratio == 1.0)
        throw InvalidArgument("odds_ratio must be a positive number other than 1");
    return (event ? std::log(odds_ratio) : 0.0) - std::log1p((odds_ratio - 1.0) * chance);
}

std::vector<double> risk_adjusted_scores(const std::vector<double>& chances, const std::vector<bool>& events,
                                         double odds_ratio) {
    if (chances.size() != events.size()) throw InvalidArgument("chances and events must have one entry a case");
    std::vector<double> scores(chances.size());
    for (std::size_t i = 0; i < scores.size(); ++i) scores[i] = risk_adjusted_score(chances[i], events[i], odds_ratio);
    return scores;
}

std::vector<double> learning_curve_scores(const std::vector<double>& z, double inadequate) {
    if (!(inadequate > 0.0) || !std::isfinite(inadequate))
        throw InvalidArgument("inadequate must be a positive number of standard deviations");
    return tabular_scores(z, inadequate, 0.5 * inadequate, Direction::down);
}

}  // namespace lobetime
