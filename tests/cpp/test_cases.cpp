#include <lobetime/cases/case_numbers.hpp>
#include <lobetime/cases/check.hpp>
#include <lobetime/cases/headings.hpp>
#include <lobetime/cases/io.hpp>
#include <lobetime/cases/visit_columns.hpp>
#include <lobetime/cases/words.hpp>
#include <lobetime/core/errors.hpp>

#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <limits>
#include <set>
#include <string>
#include <vector>

namespace lobetime {
namespace {

constexpr double infinite = std::numeric_limits<double>::infinity();
constexpr double blank = std::numeric_limits<double>::quiet_NaN();

/// Cases in which nothing is wrong: glands of 40, 50, 60 … mL.
CaseTable good_cases(std::size_t n_cases) {
    CaseTable cases(n_cases);
    for (std::size_t i = 0; i < n_cases; ++i) {
        cases.gland_ml[i] = 40.0 + 10.0 * static_cast<double>(i);
        cases.operative_min[i] = 60.0 + static_cast<double>(i);
    }
    return cases;
}

std::vector<std::string> kinds(const std::vector<Warning>& warnings) {
    std::vector<std::string> all;
    for (const Warning& warning : warnings) all.push_back(warning.kind);
    return all;
}

using Kinds = std::vector<std::string>;

TEST(CaseTable, IsBlankWhenMade) {
    const CaseTable cases(3);
    EXPECT_EQ(cases.size(), 3U);
    visit_columns(cases, [](std::string_view name, const auto& column) {
        ASSERT_EQ(column.size(), 3U) << name;
        if constexpr (std::is_same_v<std::decay_t<decltype(column)>, std::vector<double>>) {
            EXPECT_TRUE(std::isnan(column[2])) << name;
        }
    });
    EXPECT_EQ(cases.blade[0], BladeMotion::unknown);
    EXPECT_EQ(cases.morcellation_outcome[0], MorcellationOutcome::complete);
}

TEST(CaseTable, TakesCasesInTheOrderAskedFor) {
    CaseTable cases = good_cases(3);
    cases.surgeon = {"A", "B", "C"};
    const CaseTable taken = take(cases, {2, 0, 2});
    EXPECT_EQ(taken.gland_ml, (std::vector<double>{60.0, 40.0, 60.0}));
    EXPECT_EQ(taken.surgeon, (std::vector<std::string>{"C", "A", "C"}));
    EXPECT_EQ(take(cases, {}).size(), 0U);
    EXPECT_THROW(take(cases, {3}), InvalidArgument);
}

TEST(CaseTable, RefusesColumnsOfUnequalLength) {
    CaseTable cases = good_cases(3);
    cases.tissue_g.pop_back();
    EXPECT_THROW(check_history(cases), InvalidArgument);
}

TEST(Columns, EveryFieldOfTheTableIsDescribed) {
    std::set<std::string_view> names;
    for (const Column& column : columns()) EXPECT_TRUE(names.insert(column.name).second) << column.name;
    const CaseTable cases;
    visit_columns(cases, [&](std::string_view name, const auto&) { EXPECT_TRUE(names.contains(name)) << name; });
    EXPECT_EQ(find_column("gland"), nullptr);
}

TEST(Columns, SayWhatTheyAllow) {
    const auto allowed = [](const char* name) { return allowed_values(*find_column(name), TableKind::history); };
    EXPECT_EQ(allowed("gland_ml"), "a number above 0 and at most 1000 mL");
    EXPECT_EQ(allowed("theatre_min"), "a number above 0 and at most 1440 min, or blank");
    EXPECT_EQ(allowed("canister_swaps"), "a whole number from 0 to 100, or blank");
    EXPECT_EQ(allowed("canister_ml"), "a number from 100 to 100000 mL; inf or blank for a continuous drain");
    EXPECT_EQ(allowed("suction"), "vacuum, peristaltic or wall, or blank");
    EXPECT_EQ(allowed("operated_on"), "a date written YYYY-MM-DD, not before 1990-01-01, or blank");
}

TEST(Words, GoThereAndBack) {
    for (const auto blade : {BladeMotion::unknown, BladeMotion::reciprocating, BladeMotion::oscillating}) {
        BladeMotion back{};
        from_word(to_word(blade), back);
        EXPECT_EQ(back, blade);
    }
    for (const auto outcome :
         {MorcellationOutcome::complete, MorcellationOutcome::deferred, MorcellationOutcome::other_route}) {
        MorcellationOutcome back{};
        from_word(to_word(outcome), back);
        EXPECT_EQ(back, outcome);
    }
    EXPECT_EQ(to_word(Suction::wall), "wall");
    EXPECT_EQ(to_word(Anaesthesia::spinal), "spinal");
    Suction suction{};
    EXPECT_THROW(from_word("pump", suction), InvalidArgument);
}

TEST(CheckHistory, FindsNothingInGoodCases) {
    const Findings findings = check_history(good_cases(30));
    EXPECT_TRUE(findings.problems.empty());
    EXPECT_TRUE(findings.warnings.empty());
}

struct Refusal {
    std::string column;
    double value;
    std::string written;
};

class Refused : public testing::TestWithParam<Refusal> {};

TEST_P(Refused, NamesRowColumnValueAndWhatIsAllowed) {
    CaseTable cases = good_cases(4);
    visit_columns(cases, [&](std::string_view name, auto& column) {
        if constexpr (std::is_same_v<std::decay_t<decltype(column)>, std::vector<double>>) {
            if (name == GetParam().column) column[2] = GetParam().value;
        }
    });
    const Findings findings = check_history(cases, {.heading_row = 3, .rows = {4, 5, 9, 10}});
    ASSERT_EQ(findings.problems.size(), 1U);
    const Problem& problem = findings.problems.front();
    EXPECT_EQ(problem.row, 9);
    EXPECT_EQ(problem.column, GetParam().column);
    EXPECT_EQ(problem.value, GetParam().written);
    EXPECT_EQ(problem.allowed, allowed_values(*find_column(GetParam().column), TableKind::history));
}

INSTANTIATE_TEST_SUITE_P(Values, Refused,
                         testing::Values(Refusal{"gland_ml", blank, ""}, Refusal{"gland_ml", 0.0, "0"},
                                         Refusal{"gland_ml", -60.0, "-60"}, Refusal{"gland_ml", 1000.5, "1000.5"},
                                         Refusal{"gland_ml", infinite, "inf"}, Refusal{"tissue_g", -infinite, "-inf"},
                                         Refusal{"operative_min", 1441.0, "1441"}, Refusal{"turnover_min", 0.0, "0"},
                                         Refusal{"surgeon_case_no", 0.0, "0"}, Refusal{"surgeon_case_no", 2.5, "2.5"},
                                         Refusal{"canister_swaps", -1.0, "-1"}, Refusal{"canister_ml", 2.0, "2"},
                                         Refusal{"canister_ml", -infinite, "-inf"}, Refusal{"trainee", 2.0, "2"},
                                         Refusal{"hard_nodule", 0.5, "0.5"}, Refusal{"device_fault", infinite, "inf"}));

TEST(CheckHistory, AcceptsTheLimitsThemselves) {
    CaseTable cases = good_cases(3);
    cases.gland_ml[0] = 1000.0;
    cases.canister_ml = {infinite, 100.0, blank};
    cases.canister_swaps = {0.0, 100.0, blank};
    cases.theatre_min = {1440.0, 90.0, blank};
    EXPECT_TRUE(check_history(cases).problems.empty());
}

TEST(CheckHistory, RefusesAnIdUsedTwice) {
    CaseTable cases = good_cases(4);
    cases.case_id = {"x", "", "x", ""};
    const Findings findings = check_history(cases);
    ASSERT_EQ(findings.problems.size(), 1U);
    EXPECT_EQ(findings.problems[0].row, 4);
    EXPECT_EQ(findings.problems[0].value, "x");
    EXPECT_EQ(findings.problems[0].allowed, "an id of its own; row 2 has this one");
}

TEST(CheckHistory, RefusesAColumnInAnotherUnitOnceAndWithoutFurtherNoise) {
    CaseTable cases = good_cases(5);
    for (double& minutes : cases.operative_min) minutes /= 60.0;
    cases.enucleation_min.assign(5, 40.0);
    const Findings hours = check_history(cases);
    ASSERT_EQ(hours.problems.size(), 1U);
    EXPECT_EQ(hours.problems[0].row, 1);
    EXPECT_EQ(hours.problems[0].column, "operative_min");
    EXPECT_EQ(hours.problems[0].allowed, "minutes; the column looks like hours");
    EXPECT_TRUE(hours.warnings.empty());

    CaseTable litres = good_cases(5);
    for (double& ml : litres.gland_ml) ml /= 1000.0;
    const Findings findings = check_history(litres);
    ASSERT_EQ(findings.problems.size(), 1U);
    EXPECT_EQ(findings.problems[0].allowed, "millilitres; the column looks like litres or centilitres");
    EXPECT_TRUE(findings.warnings.empty());
}

TEST(CheckHistory, RefusesManyRowsThatAreAllTheSame) {
    CaseTable cases(20);
    cases.gland_ml.assign(20, 60.0);
    cases.operative_min.assign(20, 75.0);
    const Findings same = check_history(cases);
    ASSERT_EQ(same.problems.size(), 1U);
    EXPECT_EQ(same.problems[0].value, "20 equal rows");

    cases.operative_min[7] = 80.0;
    const Findings one_gland = check_history(cases);
    EXPECT_TRUE(one_gland.problems.empty());
    EXPECT_EQ(kinds(one_gland.warnings), Kinds{"constant_gland"});

    EXPECT_TRUE(check_history(take(cases, std::vector<std::size_t>(19, 0))).problems.empty());
}

TEST(CheckHistory, WarnsByNameAndKeepsTheRow) {
    CaseTable cases = good_cases(12);
    cases.gland_ml[0] = 600.0;
    cases.gland_ml[1] = 14.0;
    cases.tissue_g[2] = 67.0;  // gland 60
    cases.tissue_g[3] = 6.0;   // gland 70
    cases.operative_min[4] = 1.5;
    cases.operative_min[5] = 500.0;
    cases.enucleation_min[6] = 50.0;
    cases.morcellation_min[6] = 27.0;  // operation 66
    cases.theatre_min[7] = 61.0;       // operation 67
    cases.canister_ml[8] = infinite;
    cases.canister_swaps[8] = 2.0;
    cases.morcellation_outcome[9] = MorcellationOutcome::deferred;
    cases.operative_min[10] = blank;
    Origin origin;
    origin.operated_on_day = std::vector<double>(12, 20000.0);
    origin.operated_on_day[11] = 20001.0;
    origin.today_day = 20000.9;
    const Findings findings = check_history(cases, origin);
    EXPECT_TRUE(findings.problems.empty());
    EXPECT_EQ(kinds(findings.warnings),
              (Kinds{"gland_suspicious", "gland_suspicious", "tissue_heavier_than_gland", "tissue_far_from_gland",
                     "hours_not_minutes", "time_suspicious", "contradictory_sum", "contradictory_sum",
                     "swaps_without_canister", "outcome_without_time", "no_time", "date_in_future"}));
    for (std::size_t i = 0; i < findings.warnings.size(); ++i) {
        EXPECT_EQ(findings.warnings[i].row, static_cast<long>(i) + 2) << findings.warnings[i].kind;
    }
}

TEST(CheckHistory, AllowsForRoundingInSums) {
    CaseTable cases = good_cases(3);
    cases.enucleation_min[0] = 50.0;
    cases.morcellation_min[0] = 20.0;  // operation 60
    cases.theatre_min[1] = 56.0;       // operation 61
    cases.operative_min[2] = blank;
    cases.theatre_min[2] = 90.0;
    cases.enucleation_min[2] = 101.0;
    const Findings findings = check_history(cases);
    ASSERT_EQ(kinds(findings.warnings), Kinds{"contradictory_sum"});
    EXPECT_EQ(findings.warnings[0].column, "theatre_min");
}

TEST(CheckBookings, NeedsAGlandAndNoTime) {
    CaseTable bookings(3);
    bookings.gland_ml = {60.0, blank, 450.0};
    bookings.case_id = {"a", "b", "a"};
    const Findings findings = check_bookings(bookings);
    ASSERT_EQ(findings.problems.size(), 2U);
    EXPECT_EQ(findings.problems[0].column, "gland_ml");
    EXPECT_EQ(findings.problems[1].column, "case_id");
    EXPECT_EQ(kinds(findings.warnings), Kinds{"gland_suspicious"});
}

TEST(CheckLimits, WritesDatesAsDates) {
    const auto problems = check_limits_of(*find_column("due_by"), {7304.0, 7305.0, blank}, TableKind::bookings);
    ASSERT_EQ(problems.size(), 1U);
    EXPECT_EQ(problems[0].value, "1989-12-31");
}

MatchedHeadings history(const std::vector<std::string>& headings, const std::map<std::string, std::string>& map = {}) {
    return match_headings(headings, TableKind::history, map);
}

TEST(Headings, AreNamesInAnyCaseWithSpacesOrHyphens) {
    const auto matched = history({" Gland mL", "OPERATIVE-MIN", "case_id", ""});
    EXPECT_EQ(matched.columns, (std::vector<std::string>{"gland_ml", "operative_min", "case_id", ""}));
    EXPECT_TRUE(matched.findings.problems.empty());
    EXPECT_TRUE(matched.findings.warnings.empty());
}

TEST(Headings, FollowTheMapping) {
    const auto matched =
        history({"Prostate size (cc)", "Op time"}, {{"gland_ml", "Prostate size (cc)"}, {"operative_min", "Op time"}});
    EXPECT_EQ(matched.columns, (std::vector<std::string>{"gland_ml", "operative_min"}));
    EXPECT_TRUE(matched.findings.problems.empty());
}

TEST(Headings, RefuseAMappingToNothingToAnotherUnitOrOfNoColumn) {
    const auto& problems = history({"Size (L)", "operative_min", "when"},
                                   {{"gland_ml", "Size (L)"}, {"operated_on", "Date"}, {"weight", "when"}})
                               .findings.problems;
    ASSERT_EQ(problems.size(), 3U);
    EXPECT_EQ(problems[0].allowed, "values in mL; the heading says otherwise");
    EXPECT_EQ(problems[1].column, "operated_on");
    EXPECT_EQ(problems[2].column, "weight");
}

class NearMiss : public testing::TestWithParam<std::pair<std::string, std::string>> {};

TEST_P(NearMiss, IsAProblemThatNamesTheColumn) {
    const auto matched = history({"gland_ml", "operative_min", GetParam().first});
    ASSERT_FALSE(matched.findings.problems.empty()) << GetParam().first;
    EXPECT_EQ(matched.findings.problems[0].column, GetParam().second);
    EXPECT_EQ(matched.columns[2], "");
}

INSTANTIATE_TEST_SUITE_P(Headings, NearMiss,
                         testing::Values(std::pair{"tissue_kg", "tissue_g"},
                                         std::pair{"enucleation_h", "enucleation_min"},
                                         std::pair{"Morcellation (hours)", "morcellation_min"},
                                         std::pair{"canister", "canister_ml"}, std::pair{"canister_l", "canister_ml"},
                                         std::pair{"hemostasis_min", "haemostasis_min"},
                                         std::pair{"anesthesia", "anaesthesia"}, std::pair{"theatremin", "theatre_min"},
                                         std::pair{"surgon", "surgeon"}, std::pair{"turnover", "turnover_min"}));

TEST(Headings, KeepUnknownOnesOutWithAWarning) {
    const auto matched = history({"gland_ml", "operative_min", "grade", "days", "psa", "due_by"});
    EXPECT_TRUE(matched.findings.problems.empty());
    EXPECT_EQ(kinds(matched.findings.warnings),
              (Kinds{"unknown_column", "unknown_column", "unknown_column", "unused_column"}));
    EXPECT_EQ(matched.columns[5], "");
}

TEST(Headings, RefuseWhatIdentifiesPatients) {
    for (const char* heading : {"Name", "patient name", "MRN", "NHS number", "Hospital No.", "DOB", "date of birth",
                                "Address", "surname", "Forename", "patient_id"}) {
        const auto matched = history({"gland_ml", "operative_min", heading}, {{"case_id", heading}});
        ASSERT_EQ(matched.findings.problems.size(), 1U) << heading;
        EXPECT_NE(matched.findings.problems[0].allowed.find("identify a patient"), std::string::npos);
        EXPECT_EQ(matched.columns[2], "");
    }
    EXPECT_TRUE(history({"gland_ml", "operative_min", "surgeon name"}).findings.problems.empty());
}

TEST(Headings, RefuseTwoForOneColumn) {
    const auto matched = history({"gland_ml", "operative_min", "Gland mL", "note", "note"});
    ASSERT_EQ(matched.findings.problems.size(), 2U);
    EXPECT_EQ(matched.findings.problems[0].column, "gland_ml");
    EXPECT_EQ(matched.findings.problems[1].column, "note");
}

TEST(Headings, NeedGlandAndAnyTime) {
    const auto& problems = history({"surgeon", "turnover_min"}).findings.problems;
    ASSERT_EQ(problems.size(), 2U);
    EXPECT_EQ(problems[0].column, "gland_ml");
    EXPECT_EQ(problems[1].column, "enucleation_min, haemostasis_min, morcellation_min, operative_min, theatre_min");
    const auto booked = match_headings({"gland_ml", "theatre_min"}, TableKind::bookings);
    EXPECT_TRUE(booked.findings.problems.empty());
    EXPECT_EQ(kinds(booked.findings.warnings), Kinds{"unused_column"});
}

/// Cases of surgeon A on days 1, 2, 3 … with these numbers.
CaseTable numbered(const std::vector<double>& numbers) {
    CaseTable cases = good_cases(numbers.size());
    cases.surgeon.assign(numbers.size(), "A");
    cases.surgeon_case_no = numbers;
    return cases;
}

Origin daily(std::size_t n_cases) {
    Origin origin;
    for (std::size_t i = 0; i < n_cases; ++i) origin.operated_on_day.push_back(10000.0 + static_cast<double>(i));
    return origin;
}

TEST(CaseNumbers, CountByDateNotByRow) {
    CaseTable cases = numbered({blank, blank, blank, blank});
    cases.surgeon = {"A", "B", "A", "A"};
    Origin origin;
    origin.operated_on_day = {30.0, 10.0, 20.0, 20.0};
    const auto warnings = derive_case_numbers(cases, origin);
    EXPECT_EQ(cases.surgeon_case_no, (std::vector<double>{3.0, 1.0, 1.0, 2.0}));
    ASSERT_EQ(kinds(warnings), (Kinds{"case_numbers_counted_from_file", "case_numbers_counted_from_file"}));
    EXPECT_EQ(warnings[0].value, "B");
    EXPECT_EQ(warnings[1].row, 4);
}

TEST(CaseNumbers, CountOnFromRecordedOnes) {
    CaseTable cases = numbered({blank, blank, 41.0, blank, 50.0, blank});
    EXPECT_TRUE(derive_case_numbers(cases, daily(6)).empty());
    EXPECT_EQ(cases.surgeon_case_no, (std::vector<double>{39.0, 40.0, 41.0, 42.0, 50.0, 51.0}));
}

TEST(CaseNumbers, WarnWhereTheyDoNotRise) {
    CaseTable cases = numbered({10.0, 9.0, blank, 10.0});
    EXPECT_EQ(kinds(derive_case_numbers(cases, daily(4))),
              (Kinds{"case_number_out_of_order", "case_number_out_of_order"}));
    EXPECT_EQ(cases.surgeon_case_no, (std::vector<double>{10.0, 9.0, 10.0, 10.0}));
}

TEST(CaseNumbers, StayBlankRatherThanFallBelowOne) {
    CaseTable cases = numbered({blank, blank, 2.0, blank});
    const auto warnings = derive_case_numbers(cases, daily(4));
    ASSERT_EQ(kinds(warnings), Kinds{"case_number_out_of_order"});
    EXPECT_EQ(warnings[0].row, 4);
    EXPECT_TRUE(std::isnan(cases.surgeon_case_no[0]) && std::isnan(cases.surgeon_case_no[1]));
    EXPECT_EQ(cases.surgeon_case_no[3], 3.0);
}

TEST(CaseNumbers, StayBlankWithoutDateOrSurgeon) {
    CaseTable cases = numbered({blank, blank, blank});
    cases.surgeon[0].clear();
    Origin origin = daily(3);
    origin.operated_on_day[1] = blank;
    derive_case_numbers(cases, origin);
    EXPECT_TRUE(std::isnan(cases.surgeon_case_no[0]) && std::isnan(cases.surgeon_case_no[1]));
    EXPECT_EQ(cases.surgeon_case_no[2], 1.0);

    CaseTable undated = numbered({blank, 7.0});
    EXPECT_TRUE(derive_case_numbers(undated, {}).empty());
    EXPECT_TRUE(std::isnan(undated.surgeon_case_no[0]));
}

class Io : public testing::Test {
protected:
    Io() : folder(std::filesystem::path(testing::TempDir()) / ("lobetime_io_" + std::to_string(::getpid()))) {
        std::filesystem::create_directories(folder);
    }
    ~Io() override { std::filesystem::remove_all(folder); }
    std::ptrdiff_t n_files() const {
        return std::distance(std::filesystem::directory_iterator(folder), std::filesystem::directory_iterator());
    }
    std::filesystem::path folder;
};

TEST_F(Io, WritesAndReadsWhole) {
    const auto path = folder / "a.txt";
    const std::string content(300000, 'x');
    write_whole(path, "before");
    write_whole(path, content);
    EXPECT_EQ(read_whole(path), content);
    write_whole(path, "");
    EXPECT_EQ(read_whole(path), "");
    EXPECT_EQ(n_files(), 1);
}

TEST_F(Io, KeepsALinkALink) {
    write_whole(folder / "target", "before");
    std::filesystem::create_symlink("target", folder / "link");
    write_whole(folder / "link", "after");
    EXPECT_TRUE(std::filesystem::is_symlink(folder / "link"));
    EXPECT_EQ(read_whole(folder / "target"), "after");
}

TEST_F(Io, LeavesNothingBehindWhenItFails) {
    std::filesystem::create_directory(folder / "is_folder");
    write_whole(folder / "is_folder" / "inside", "kept");
    EXPECT_THROW(write_whole(folder / "is_folder", "text"), Error);
    EXPECT_THROW(write_whole(folder / "missing" / "a.txt", "text"), Error);
    EXPECT_THROW(read_whole(folder / "missing.txt"), Error);
    EXPECT_THROW(read_whole(folder), Error);
    EXPECT_EQ(n_files(), 1);
    EXPECT_EQ(read_whole(folder / "is_folder" / "inside"), "kept");
}

}  // namespace
}  // namespace lobetime
