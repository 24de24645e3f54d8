#include <lobetime/core/errors.hpp>
#include <lobetime/plan/list_rule.hpp>

#include <algorithm>
#include <cmath>
#include <limits>

namespace lobetime {
namespace {

constexpr double kAny = std::numeric_limits<double>::infinity();
constexpr double kMostPerMinute = 1e9;  ///< no money is so small; beyond it differences of costs lose their digits

}  // namespace

void ListRule::check() const {
    const auto limit = [](double min) { return (min >= 0.0 && min <= kMostMinutes) || min == kAny; };
    if (!(minutes > 0.0 && minutes <= kMostMinutes))
        throw InvalidArgument("minutes of a session must be above 0 and at most 1e7");
    if (!(grace_min >= 0.0 && grace_min <= kMostMinutes)) throw InvalidArgument("grace_min must lie in [0, 1e7]");
    if (!(overrun_risk >= 0.0 && overrun_risk <= 1.0)) throw InvalidArgument("overrun_risk must lie in [0, 1]");
    if (!(far_over_risk >= 0.0 && far_over_risk <= 1.0)) throw InvalidArgument("far_over_risk must lie in [0, 1]");
    if (!limit(expected_overtime_min))
        throw InvalidArgument("expected_overtime_min must lie in [0, 1e7], or be infinite");
    if (!limit(far_over_min)) throw InvalidArgument("far_over_min must lie in [0, 1e7], or be infinite");
    if (most_cases < 1) throw InvalidArgument("most_cases must be 1 or more");
    if (most_large < 0) throw InvalidArgument("most_large must not be negative");
}

void ListCost::check() const {
    for (const double one : {open_per_min, overtime_per_min, idle_per_min}) {
        if (!(one >= 0.0 && one <= kMostPerMinute)) throw InvalidArgument("costs of a list must lie in [0, 1e9]");
    }
}

bool ListRisk::keeps(const ListRule& rule) const {
    // Shares of draws are compared as counts would be.
    constexpr double tiny = 1e-12;
    return overrun <= rule.overrun_risk + tiny && overtime_min <= rule.expected_overtime_min + tiny &&
           (!std::isfinite(rule.far_over_min) || far_over <= rule.far_over_risk + tiny);
}

double ListRisk::cost(const ListRule& rule, const ListCost& cost) const {
    return cost.open_per_min * rule.minutes + cost.overtime_per_min * overtime_min + cost.idle_per_min * idle_min;
}

ListRisk list_risk(const ListTimes& times, std::span<const int> list, const ListRule& rule) {
    rule.check();
    const std::vector<float> finish = times.finish(list, times.draws());
    const float session = static_cast<float>(rule.minutes), over = static_cast<float>(rule.minutes + rule.grace_min),
                far = static_cast<float>(rule.minutes + rule.far_over_min);
    std::size_t overruns = 0, far_overruns = 0;
    double sum = 0.0, overtime = 0.0;
    for (const float minutes : finish) {
        overruns += minutes > over ? 1 : 0;
        far_overruns += minutes > far ? 1 : 0;
        sum += static_cast<double>(minutes);
        overtime += static_cast<double>(std::max(minutes - session, 0.0F));
    }
    const double n = static_cast<double>(finish.size());
    ListRisk risk;
    risk.overrun = static_cast<double>(overruns) / n;
    risk.far_over = static_cast<double>(far_overruns) / n;
    risk.mean_min = sum / n;
    risk.overtime_min = overtime / n;
    risk.idle_min = std::max(rule.minutes - risk.mean_min + risk.overtime_min, 0.0);
    return risk;
}

}  // namespace lobetime
