#include <lobetime/fit/observations.hpp>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <string>
#include <vector>

namespace lobetime {
namespace {

using ::testing::Contains;
using ::testing::IsEmpty;
using ::testing::Not;
using ::testing::StartsWith;
using ::testing::UnorderedElementsAreArray;

const ModelLayout kLayout({}, {});
const std::map<char, double> kMinutes = {{'e', 40.0}, {'h', 12.0}, {'m', 11.0}, {'o', 65.0}, {'t', 118.0}};

CaseTable one_case(const std::string& recorded, MorcellationOutcome outcome = MorcellationOutcome::complete) {
    CaseTable cases(1);
    cases.gland_ml = {80.0};
    cases.morcellation_outcome = {outcome};
    const auto has = [&](char letter) { return recorded.find(letter) != std::string::npos; };
    if (has('e')) cases.enucleation_min = {kMinutes.at('e')};
    if (has('h')) cases.haemostasis_min = {kMinutes.at('h')};
    if (has('m')) cases.morcellation_min = {kMinutes.at('m')};
    if (has('o')) cases.operative_min = {kMinutes.at('o')};
    if (has('t')) cases.theatre_min = {kMinutes.at('t')};
    return cases;
}

std::vector<Observation> observe(const CaseTable& cases) {
    std::vector<CaseFeatures> features = case_features(cases, kLayout);
    return observations_of(cases, features);
}

/// "channel phases recorded -offset", e.g. "operative HM o -e"; a leading ">" is a lower bound.
std::string words(const Observation& one) {
    std::string text = one.kind == ObservationKind::survivor ? ">" : one.kind == ObservationKind::swap_count ? "#" : "";
    text += std::string(channel_name(one.channel)) + " ";
    for (const auto& [bit, letter] : {std::pair{phase::enucleation, 'E'},
                                      {phase::haemostasis, 'H'},
                                      {phase::morcellation, 'M'},
                                      {phase::room, 'R'}}) {
        if ((one.phases & bit) != 0) text += letter;
    }
    for (const auto& [letter, minutes] : kMinutes) {
        if (one.recorded == minutes) text += std::string(" ") + letter;
    }
    // Offsets of the table below are told by their sum, which is unlike for every subset of e, h, m and o.
    for (const char* subset : {"e", "h", "m", "o", "eh", "em", "hm", "ehm"}) {
        double sum = 0.0;
        for (const char* c = subset; *c != '\0'; ++c) sum += kMinutes.at(*c);
        if (std::abs(one.offset_min - sum) < 1e-9) text += std::string(" -") + subset;
    }
    return text;
}

std::vector<std::string> words(const std::vector<Observation>& all) {
    std::vector<std::string> texts;
    for (const Observation& one : all) texts.push_back(words(one));
    return texts;
}

struct Rule {
    std::string recorded;
    std::vector<std::string> observations;
};

/// The whole table: every subset of the five times (e enucleation, h haemostasis, m morcellation, o operative,
/// t theatre). Capitals are the phases that the recorded time tells about.
const std::vector<Rule> kRules = {
    {"", {}},
    {"e", {"enucleation E e"}},
    {"h", {"haemostasis H h"}},
    {"m", {"morcellation M m"}},
    {"o", {"operative EHM o"}},
    {"t", {"theatre EHMR t"}},
    {"eh", {"enucleation E e", "haemostasis H h"}},
    {"em", {"enucleation E e", "morcellation M m"}},
    {"eo", {"enucleation E e", "operative HM o -e"}},
    {"et", {"enucleation E e", "theatre HMR t -e"}},
    {"hm", {"haemostasis H h", "morcellation M m"}},
    {"ho", {"operative EHM o"}},
    {"ht", {"haemostasis H h", "theatre EMR t -h"}},
    {"mo", {"morcellation M m", "operative EH o -m"}},
    {"mt", {"morcellation M m", "theatre EHR t -m"}},
    {"ot", {"operative EHM o", "room R t -o"}},
    {"ehm", {"enucleation E e", "haemostasis H h", "morcellation M m"}},
    {"eho", {"enucleation E e", "operative HM o -e"}},
    {"eht", {"enucleation E e", "haemostasis H h", "theatre MR t -eh"}},
    {"emo", {"enucleation E e", "morcellation M m", "haemostasis H o -em"}},
    {"emt", {"enucleation E e", "morcellation M m", "theatre HR t -em"}},
    {"eot", {"enucleation E e", "operative HM o -e", "room R t -o"}},
    {"hmo", {"morcellation M m", "operative EH o -m"}},
    {"hmt", {"haemostasis H h", "morcellation M m", "theatre ER t -hm"}},
    {"hot", {"operative EHM o", "room R t -o"}},
    {"mot", {"morcellation M m", "operative EH o -m", "room R t -o"}},
    {"ehmo", {"enucleation E e", "morcellation M m", "haemostasis H o -em"}},
    {"ehmt", {"enucleation E e", "haemostasis H h", "morcellation M m", "room R t -ehm"}},
    {"ehot", {"enucleation E e", "operative HM o -e", "room R t -o"}},
    {"emot", {"enucleation E e", "morcellation M m", "haemostasis H o -em", "room R t -o"}},
    {"hmot", {"morcellation M m", "operative EH o -m", "room R t -o"}},
    {"ehmot", {"enucleation E e", "morcellation M m", "haemostasis H o -em", "room R t -o"}},
};

TEST(Observations, TheTableHasEverySubsetOnce) {
    std::vector<std::string> subsets;
    for (const Rule& rule : kRules) subsets.push_back(rule.recorded);
    std::sort(subsets.begin(), subsets.end());
    EXPECT_EQ(std::unique(subsets.begin(), subsets.end()) - subsets.begin(), 32);
}

class ObservationRules : public ::testing::TestWithParam<Rule> {};

TEST_P(ObservationRules, CompleteMorcellation) {
    EXPECT_THAT(words(observe(one_case(GetParam().recorded))), UnorderedElementsAreArray(GetParam().observations));
}

TEST_P(ObservationRules, IncompleteMorcellationIsALowerBoundWhereverItIsInside) {
    std::vector<std::string> expected = GetParam().observations;
    for (std::string& one : expected) {
        const std::string phases = one.substr(one.find(' ') + 1);
        if (phases.substr(0, phases.find(' ')).find('M') != std::string::npos) one.insert(0, ">");
    }
    for (const auto outcome : {MorcellationOutcome::deferred, MorcellationOutcome::other_route})
        EXPECT_THAT(words(observe(one_case(GetParam().recorded, outcome))), UnorderedElementsAreArray(expected));
}

INSTANTIATE_TEST_SUITE_P(Subsets, ObservationRules, ::testing::ValuesIn(kRules), [](const auto& one) {
    return one.param.recorded.empty() ? std::string("nothing") : one.param.recorded;
});

TEST(Observations, TissueIsOneUnlessMorcellationWasDeferred) {
    CaseTable cases = one_case("m");
    cases.tissue_g = {50.0};
    std::vector<CaseFeatures> features = case_features(cases, kLayout);
    const auto complete = observations_of(cases, features);
    ASSERT_EQ(complete.size(), 2U);
    const auto tissue =
        std::find_if(complete.begin(), complete.end(), [](const auto& o) { return o.channel == Channel::tissue; });
    ASSERT_NE(tissue, complete.end());
    EXPECT_EQ(tissue->recorded, 50.0);
    EXPECT_EQ(tissue->kind, ObservationKind::residual);
    EXPECT_EQ(tissue->phases, 0);

    cases.morcellation_outcome = {MorcellationOutcome::deferred};
    EXPECT_THAT(words(observations_of(cases, features)), Not(Contains(StartsWith("tissue"))));
    EXPECT_TRUE(std::isnan(features[0].log_tissue)) << "a deferred case's tissue must become blank";

    // By another route all tissue is out and was weighed.
    cases.morcellation_outcome = {MorcellationOutcome::other_route};
    EXPECT_THAT(words(observe(cases)), Contains(StartsWith("tissue")));
}

TEST(Observations, SwapCountsNeedACanisterAndACompletedMorcellation) {
    CaseTable cases = one_case("m");
    cases.canister_swaps = {2.0};
    EXPECT_THAT(words(observe(cases)), Not(Contains(StartsWith("#"))));
    cases.canister_ml = {std::numeric_limits<double>::infinity()};
    EXPECT_THAT(words(observe(cases)), Not(Contains(StartsWith("#"))));
    cases.canister_ml = {2000.0};
    const auto found = observe(cases);
    ASSERT_EQ(found.size(), 2U);
    EXPECT_EQ(found[1].kind, ObservationKind::swap_count);
    EXPECT_EQ(found[1].recorded, 2.0);
    cases.morcellation_outcome = {MorcellationOutcome::other_route};
    EXPECT_THAT(words(observe(cases)), Not(Contains(StartsWith("#"))));
}

TEST(Observations, TurnoverAndBlankRowsTellNothing) {
    CaseTable cases = one_case("");
    cases.turnover_min = {25.0};
    EXPECT_THAT(observe(cases), IsEmpty());
    EXPECT_THAT(observe(CaseTable(0)), IsEmpty());
}

TEST(Observations, AreInCaseOrder) {
    CaseTable cases(3);
    cases.gland_ml = {40.0, 60.0, 80.0};
    cases.enucleation_min = {30.0, std::nan(""), 50.0};
    cases.theatre_min = {90.0, 100.0, 110.0};
    std::vector<int> order;
    for (const Observation& one : observe(cases)) order.push_back(one.case_index);
    EXPECT_THAT(order, ::testing::ElementsAre(0, 0, 1, 2, 2));
}

TEST(LogRatio, IsTheLogAboveAndItsTangentBelow) {
    for (const double x : {kLogFrom, 0.5, 1.0, 30.0}) {
        EXPECT_DOUBLE_EQ(log_ratio(x).value, std::log(x));
        EXPECT_EQ(log_ratio(x).slope, 1.0);
    }
    for (const double x : {kLogFrom * (1.0 - 1e-12), 0.1, 1e-9, 0.0, -0.4, -20.0}) {
        EXPECT_NEAR(log_ratio(x).value, std::log(kLogFrom) + (x - kLogFrom) / kLogFrom, 1e-12 * (1.0 + std::abs(x)))
            << x;
        EXPECT_NEAR(log_ratio(x).slope, x / kLogFrom, 1e-15 * (1.0 + std::abs(x))) << x;
    }
    // Rising and smooth through the joint and through 0: what is left over may be nothing or less.
    double before = log_ratio(-3.0).value;
    for (double x = -3.0 + 1e-3; x < 3.0; x += 1e-3) {
        EXPECT_GT(log_ratio(x).value, before);
        EXPECT_LT(log_ratio(x).value - before, 1.01e-3 / kLogFrom);
        before = log_ratio(x).value;
    }
}

TEST(Channels, HaveDistinctNamesAndKnowTheSums) {
    std::vector<std::string> names;
    for (int c = 0; c < kChannels; ++c) names.emplace_back(channel_name(static_cast<Channel>(c)));
    EXPECT_THAT(names, ::testing::ElementsAre("tissue", "enucleation", "haemostasis", "morcellation", "room",
                                              "operative", "theatre"));
    EXPECT_TRUE(is_sum(Channel::operative));
    EXPECT_TRUE(is_sum(Channel::theatre));
    EXPECT_FALSE(is_sum(Channel::room));
}

}  // namespace
}  // namespace lobetime
