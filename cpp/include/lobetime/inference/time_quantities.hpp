#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/inference/quantity.hpp>
#include <lobetime/model/layout.hpp>

#include <string_view>
#include <vector>

namespace lobetime {

/// What a unit asks its time model for, beside the parameters, as quantities whose gradients come from automatic
/// differentiation of the model's own formulas.
///
/// `one` is a table of one case; blanks as in `case_features` (no surgeon: the unit's average one; no case number: the
/// plateau; no canister: one that is never full; no class: halves of the known ones). Its tissue, if blank, lies on
/// the yield line, and canisters count as swapped as often as expected. All minutes are medians.
/// All throw InvalidArgument for a table of another size, a gland that is not positive, or a surgeon or device code
/// that the layout does not know.

/// A parameter on its natural scale. `parameter`: position in the layout.
Quantity parameter_quantity(const ModelLayout& layout, int parameter);
std::vector<Quantity> parameter_quantities(const ModelLayout& layout);  ///< all of them, in their order

Quantity enucleation_min_quantity(const ModelLayout& layout, const CaseTable& one);
Quantity morcellation_min_quantity(const ModelLayout& layout, const CaseTable& one);

/// Morcellation minutes of the first case less those of the second.
Quantity morcellation_difference_min_quantity(const ModelLayout& layout, const CaseTable& first,
                                              const CaseTable& second);

/// Which mean an efficiency over many alike cases is.
enum class EfficiencyMean {
    ratio_of_means,  ///< all their grams over all their minutes
    mean_of_ratios   ///< the average of each case's own grams per minute
};
EfficiencyMean efficiency_mean_from_name(std::string_view name);  ///< throws InvalidArgument naming the known ones

/// Spread of one case about its medians, log SD; held while the parameters move.
struct CaseSpreads {
    double tissue = 0.0, morcellation = 0.0;
};

/// Grams per minute of morcellation, blade in to last piece out, averaged over cases like `one`: their tissue is
/// log-normal about the yield line (or as recorded in `one`), their minutes log-normal about the median at that tissue.
Quantity morcellation_efficiency_quantity(const ModelLayout& layout, const CaseTable& one, EfficiencyMean mean,
                                          const CaseSpreads& spreads);

/// A phase whose time falls as a surgeon learns.
enum class LearningPhase { enucleation, morcellation };
LearningPhase learning_phase_from_name(std::string_view name);  ///< throws InvalidArgument naming the known ones

/// Case number from which a surgeon's time lies within `share` (> 0) of the plateau: 1 + half (learn / share - 1),
/// at least 1.
Quantity cases_to_plateau_quantity(LearningPhase phase, double share);

}  // namespace lobetime
