#pragma once
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

/// How far a pooled number can be relied on.
enum class Grade { very_low, low, moderate, high };
std::string_view grade_name(Grade grade);  ///< "very low", "low", "moderate", "high"

/// What a pooled number rests on.
struct Body {
    int studies = 0;
    double cases = 0.0;
    double i2_percent = 0.0;        ///< NaN: not estimated
    double direct_share = 1.0;      ///< of the cases: the number itself was measured, glands' size known
    double randomised_share = 0.0;  ///< of the cases
    bool sourced = true;            ///< false: common practice, no publication
};

struct Grading {
    Grade grade;
    std::vector<std::string> reasons;  ///< one for each step down
};

/// In the spirit of GRADE (BMJ 2008;336:924), by rules that anyone can check. It starts high and goes one step down
///   - unless half of the cases are from randomised trials ("design"),
///   - with fewer than 5 studies or 500 cases ("few"), and another with fewer than 2 studies or 100 cases ("very few"),
///   - where I^2 is 75 % or more, or cannot be estimated ("inconsistent", "consistency unknown"),
///   - unless half of the cases measured the number itself ("indirect").
/// Without a publication it is very low, whatever else ("no source").
Grading grade_of(const Body& body);

}  // namespace lobetime
