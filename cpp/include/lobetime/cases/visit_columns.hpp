#pragma once
#include <lobetime/cases/case_table.hpp>

#include <cstddef>
#include <vector>

namespace lobetime {

/// Calls `visit(name, column)` for every column of a table: the one list of its fields.
template <class Table, class Visitor>
void visit_columns(Table& table, Visitor&& visit) {
    visit("case_id", table.case_id);
    visit("gland_ml", table.gland_ml);
    visit("tissue_g", table.tissue_g);
    visit("surgeon", table.surgeon);
    visit("surgeon_case_no", table.surgeon_case_no);
    visit("blade", table.blade);
    visit("suction", table.suction);
    visit("device", table.device);
    visit("canister_ml", table.canister_ml);
    visit("canister_swaps", table.canister_swaps);
    visit("enucleation_min", table.enucleation_min);
    visit("haemostasis_min", table.haemostasis_min);
    visit("morcellation_min", table.morcellation_min);
    visit("operative_min", table.operative_min);
    visit("theatre_min", table.theatre_min);
    visit("turnover_min", table.turnover_min);
    visit("morcellation_outcome", table.morcellation_outcome);
    visit("device_fault", table.device_fault);
    visit("hard_nodule", table.hard_nodule);
    visit("trainee", table.trainee);
    visit("anticoagulated", table.anticoagulated);
    visit("anaesthesia", table.anaesthesia);
}

/// The cases at these positions, in this order; a position may come more than once.
/// Throws InvalidArgument for a position outside the table.
CaseTable take(const CaseTable& cases, const std::vector<std::size_t>& positions);

/// Throws InvalidArgument naming the first column whose length is not that of gland_ml.
void require_equal_lengths(const CaseTable& cases);

}  // namespace lobetime
