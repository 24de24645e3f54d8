#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/cases/findings.hpp>

#include <vector>

namespace lobetime {

/// Fills the blank surgeon_case_no of every case that has a surgeon and a date.
///
/// Within a surgeon cases are put in order of date, those of one day in order of the file. A blank number counts on
/// from the recorded number before it, or back from the first recorded one. A surgeon without any recorded number is
/// counted from 1: earlier cases are unknown then, so such a surgeon looks less experienced than he or she is.
///
/// Warnings: `case_numbers_counted_from_file`, once a surgeon; `case_number_out_of_order` where a number does not
/// rise with the date, or where counting back from it would fall below 1 (those cases stay blank).
std::vector<Warning> derive_case_numbers(CaseTable& cases, const Origin& origin);

}  // namespace lobetime
