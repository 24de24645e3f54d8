#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/model/layout.hpp>

#include <vector>

namespace lobetime {

/// `cases_done` of a surgeon whose experience is not known: far down the learning curve.
inline constexpr double kPlateau = 1e15;

/// What the formulas need to know of one case, in their own terms.
///
/// Blanks: an unknown blade counts half oscillating; an unknown suction half vacuum, half peristaltic; a blank
/// 0/1 column counts 0; an unknown anaesthetic counts general; an unknown case number counts as the plateau.
struct CaseFeatures {
    double log_v80 = 0.0;          ///< log(gland_ml / 80)
    double cases_done = kPlateau;  ///< case number - 1
    double oscillating = 0.5;
    double vacuum = 0.5, peristaltic = 0.5, wall = 0.0;  ///< shares, sum 1
    double trainee = 0.0, anticoagulated = 0.0, hard_nodule = 0.0, device_fault = 0.0, spinal = 0.0;
    double log_canister;  ///< log capacity in mL; +infinity = never full (continuous drain, or not recorded)
    double log_tissue;    ///< log grams or NaN
    int surgeon = -1;     ///< position in the layout, -1 = unknown to it
    int device = -1;
};

std::vector<CaseFeatures> case_features(const CaseTable& cases, const ModelLayout& layout);

}  // namespace lobetime
