#include <lobetime/core/errors.hpp>
#include <lobetime/model/features.hpp>
#include <lobetime/model/layout.hpp>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <set>

namespace lobetime {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

TEST(ModelLayout, NamesFollowTheIndices) {
    const ModelLayout layout({"B", "A"}, {"X1", "X2", "X3"});
    EXPECT_EQ(layout.size(), param::Count + 3 + 4);
    const auto name = [&](int i) { return layout.names()[static_cast<std::size_t>(i)]; };
    EXPECT_EQ(name(param::e_80), "e_80");
    EXPECT_EQ(name(layout.device_index(2)), "device[X3]");
    EXPECT_EQ(name(layout.surgeon_enucleation_index(0)), "surgeon_enucleation[B]");
    EXPECT_EQ(name(layout.surgeon_enucleation_index(1)), "surgeon_enucleation[A]");
    EXPECT_EQ(name(layout.surgeon_morcellation_index(0)), "surgeon_morcellation[B]");
    EXPECT_EQ(layout.surgeon_morcellation_index(1), layout.size() - 1);
    EXPECT_EQ(std::set<std::string>(layout.names().begin(), layout.names().end()).size(),
              static_cast<std::size_t>(layout.size()));
}

TEST(ModelLayout, LevelsOfLearningAreThoseOfTheLearners) {
    const ModelLayout layout({"B", "A", "C"}, {"X1"}, {"B", "C"});
    EXPECT_EQ(layout.size(), param::Count + 1 + 6 + 2);
    EXPECT_EQ(layout.first_learning_index(), layout.size() - 2);
    EXPECT_EQ(layout.surgeon_learning_index(0), layout.size() - 2);
    EXPECT_EQ(layout.surgeon_learning_index(1), -1);
    EXPECT_EQ(layout.names()[static_cast<std::size_t>(layout.surgeon_learning_index(2))], "surgeon_learning[C]");
    EXPECT_EQ(layout.meaning(layout.surgeon_learning_index(2)),
              "extra enucleation time while learning, of this surgeon against the unit");
    EXPECT_THROW(ModelLayout({"A"}, {}, {"B"}), InvalidArgument);
}

TEST(ModelLayout, WhoIsSeenBeforeThePlateauIsALearner) {
    CaseTable cases(6);
    cases.surgeon = {"late", "early", "late", "blank", "", "early"};
    cases.surgeon_case_no = {61.0, 200.0, 62.0, std::nan(""), 3.0, 60.0};
    EXPECT_THAT(ModelLayout::from_cases(cases).learners(), ElementsAre("early"));
}

TEST(ModelLayout, PositionsAreMinusOneForBlankOrUnknown) {
    const ModelLayout layout({"B", "A"}, {"X1"});
    EXPECT_EQ(layout.surgeon_position("A"), 1);
    EXPECT_EQ(layout.surgeon_position(""), -1);
    EXPECT_EQ(layout.surgeon_position("C"), -1);
    EXPECT_EQ(layout.device_position("X1"), 0);
    EXPECT_EQ(layout.device_position("X2"), -1);
}

TEST(ModelLayout, TakesCodesInOrderOfTheirFirstCaseWithoutBlanks) {
    CaseTable cases(5);
    cases.surgeon = {"", "Z", "A", "Z", "B"};
    cases.device = {"", "", "", "", ""};
    const ModelLayout layout = ModelLayout::from_cases(cases);
    EXPECT_THAT(layout.surgeons(), ElementsAre("Z", "A", "B"));
    EXPECT_THAT(layout.devices(), IsEmpty());
    EXPECT_EQ(ModelLayout::from_cases(CaseTable(0)).size(), param::Count);
}

TEST(ModelLayout, DescribesEveryParameter) {
    const ModelLayout layout({"A"}, {"X"});
    for (int i = 0; i < layout.size(); ++i) {
        EXPECT_FALSE(layout.unit(i).empty()) << i;
        EXPECT_FALSE(layout.meaning(i).empty()) << i;
        EXPECT_LT(layout.lower(i), layout.upper(i)) << i;
    }
    EXPECT_EQ(layout.transform(param::e_80), Transform::log);
    EXPECT_EQ(layout.transform(layout.device_index(0)), Transform::identity);
    EXPECT_EQ(layout.meaning(layout.surgeon_enucleation_index(0)), "enucleation time of this surgeon against the unit");
    EXPECT_EQ(layout.meaning(layout.surgeon_morcellation_index(0)), "blade time of this surgeon against the unit");
    EXPECT_EQ(layout.meaning(layout.device_index(0)), "blade rate of this device against its class");
}

TEST(CaseFeatures, BlanksAreWhatTheHeaderSays) {
    CaseTable cases(1);
    cases.gland_ml = {80.0};
    const CaseFeatures f = case_features(cases, ModelLayout({"A"}, {"X"}))[0];
    EXPECT_EQ(f.log_v80, 0.0);
    EXPECT_EQ(f.cases_done, kPlateau);
    EXPECT_EQ(f.oscillating, 0.5);
    EXPECT_EQ(f.vacuum, 0.5);
    EXPECT_EQ(f.peristaltic, 0.5);
    EXPECT_EQ(f.wall, 0.0);
    EXPECT_EQ(f.trainee + f.anticoagulated + f.hard_nodule + f.device_fault + f.spinal, 0.0);
    EXPECT_EQ(f.log_canister, std::numeric_limits<double>::infinity());
    EXPECT_TRUE(std::isnan(f.log_tissue));
    EXPECT_EQ(f.surgeon, -1);
    EXPECT_EQ(f.device, -1);
}

TEST(CaseFeatures, RecordedValuesComeThrough) {
    CaseTable cases(1);
    cases.gland_ml = {160.0};
    cases.tissue_g = {90.0};
    cases.surgeon = {"A"};
    cases.surgeon_case_no = {1.0};
    cases.blade = {BladeMotion::oscillating};
    cases.suction = {Suction::wall};
    cases.device = {"X"};
    cases.canister_ml = {2000.0};
    cases.trainee = cases.anticoagulated = cases.hard_nodule = cases.device_fault = {1.0};
    cases.anaesthesia = {Anaesthesia::spinal};
    const CaseFeatures f = case_features(cases, ModelLayout({"B", "A"}, {"X"}))[0];
    EXPECT_DOUBLE_EQ(f.log_v80, std::log(2.0));
    EXPECT_EQ(f.cases_done, 0.0);
    EXPECT_EQ(f.oscillating, 1.0);
    EXPECT_EQ(f.vacuum, 0.0);
    EXPECT_EQ(f.peristaltic, 0.0);
    EXPECT_EQ(f.wall, 1.0);
    EXPECT_EQ(f.trainee + f.anticoagulated + f.hard_nodule + f.device_fault + f.spinal, 5.0);
    EXPECT_DOUBLE_EQ(f.log_canister, std::log(2000.0));
    EXPECT_DOUBLE_EQ(f.log_tissue, std::log(90.0));
    EXPECT_EQ(f.surgeon, 1);
    EXPECT_EQ(f.device, 0);
}

TEST(CaseFeatures, ContinuousDrainNeverFills) {
    CaseTable cases(1);
    cases.gland_ml = {80.0};
    cases.canister_ml = {std::numeric_limits<double>::infinity()};
    EXPECT_EQ(case_features(cases, ModelLayout({}, {}))[0].log_canister, std::numeric_limits<double>::infinity());
}

}  // namespace
}  // namespace lobetime
