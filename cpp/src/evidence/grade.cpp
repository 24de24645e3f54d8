#include <lobetime/evidence/grade.hpp>

#include <algorithm>
#include <array>
#include <cmath>

namespace lobetime {

std::string_view grade_name(Grade grade) {
    constexpr std::array<std::string_view, 4> kNames = {"very low", "low", "moderate", "high"};
    return kNames[static_cast<std::size_t>(grade)];
}

Grading grade_of(const Body& body) {
    constexpr double kHalf = 0.5, kInconsistent = 75.0;
    if (!body.sourced) return {Grade::very_low, {"no source"}};
    std::vector<std::string> reasons;
    if (body.randomised_share < kHalf) reasons.emplace_back("design");
    if (body.studies < 5 || body.cases < 500.0) reasons.emplace_back("few");
    if (body.studies < 2 || body.cases < 100.0) reasons.emplace_back("very few");
    if (std::isnan(body.i2_percent)) {
        reasons.emplace_back("consistency unknown");
    } else if (body.i2_percent >= kInconsistent) {
        reasons.emplace_back("inconsistent");
    }
    if (body.direct_share < kHalf) reasons.emplace_back("indirect");
    const int steps = std::min(3, static_cast<int>(reasons.size()));
    return {static_cast<Grade>(3 - steps), reasons};
}

}  // namespace lobetime
