#include <lobetime/core/errors.hpp>
#include <lobetime/model/parameters.hpp>
#include <lobetime/model/prior.hpp>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <set>
#include <string>

namespace lobetime {
namespace {

using ::testing::HasSubstr;

TEST(Parameters, EachHasOneNameAUnitAMeaningAndRoom) {
    std::set<std::string_view> names;
    for (const ParameterDefinition& row : core_parameters()) {
        EXPECT_TRUE(names.insert(row.name).second) << row.name;
        EXPECT_FALSE(row.unit.empty()) << row.name;
        EXPECT_FALSE(row.meaning.empty()) << row.name;
        EXPECT_LT(row.lower, row.upper) << row.name;
        if (row.transform == Transform::log) {
            EXPECT_GT(row.lower, 0.0) << row.name;
        }
    }
    EXPECT_EQ(names.size(), static_cast<std::size_t>(param::Count));
}

TEST(Parameters, TableIsInTheOrderOfTheIndices) {
    EXPECT_EQ(core_parameters()[param::yield_g_80].name, "yield_g_80");
    EXPECT_EQ(core_parameters()[param::e_learn].name, "e_learn");
    EXPECT_EQ(core_parameters()[param::suction_wall].name, "suction_wall");
    EXPECT_EQ(core_parameters()[param::fluid_log_sd].name, "fluid_log_sd");
    EXPECT_EQ(core_parameters()[param::room_spinal].name, "room_spinal");
    for (int i = 0; i < param::Count; ++i)
        EXPECT_EQ(core_parameter_index(core_parameters()[static_cast<std::size_t>(i)].name), i);
}

TEST(Parameters, AnUnknownNameIsToldTheKnownOnes) {
    try {
        core_parameter_index("e_90");
        FAIL() << "accepted";
    } catch (const InvalidArgument& error) {
        EXPECT_THAT(error.what(), HasSubstr("'e_90'"));
        EXPECT_THAT(error.what(), HasSubstr("room_spinal"));
    }
}

TEST(Parameters, TransformsGoBothWays) {
    for (const double natural : {0.05, 1.0, 380.0}) {
        for (const Transform transform : {Transform::log, Transform::identity})
            EXPECT_NEAR(to_natural(transform, to_working(transform, natural)), natural, 1e-14 * natural);
    }
    EXPECT_DOUBLE_EQ(to_working(Transform::log, 10.0), std::log(10.0));
    EXPECT_EQ(to_working(Transform::identity, -0.3), -0.3);
}

TEST(Prior, WidthIsThatOfANinetyPercentRange) {
    const ParameterPrior log_scale{"e_80", 38.0, 18.0, 80.0, NumberOrigin::published, "x"};
    EXPECT_DOUBLE_EQ(log_scale.working_mean(), std::log(38.0));
    EXPECT_NEAR(log_scale.working_sd(), std::log(80.0 / 18.0) / 3.2897072539, 1e-10);
    const ParameterPrior plain{"e_trainee", 0.15, -0.1, 0.4, NumberOrigin::assumption, "x"};
    EXPECT_DOUBLE_EQ(plain.working_mean(), 0.15);
    EXPECT_NEAR(plain.working_sd(), 0.5 / 3.2897072539, 1e-10);
    const SpreadPrior spread{"tissue", 0.2, 0.1, 0.4, NumberOrigin::assumption, "x"};
    EXPECT_NEAR(spread.log_sd(), std::log(4.0) / 3.2897072539, 1e-10);
}

TEST(Prior, OriginsGoBothWays) {
    for (const auto origin :
         {NumberOrigin::cases, NumberOrigin::published, NumberOrigin::common_practice, NumberOrigin::assumption})
        EXPECT_EQ(origin_from_words(origin_words(origin)), origin);
    EXPECT_EQ(origin_words(NumberOrigin::common_practice), "common practice");
    EXPECT_THROW(origin_from_words("guess"), InvalidArgument);
}

TEST(Prior, MissingRowsAreFoundOut) {
    const PriorSet empty;
    EXPECT_EQ(empty.find("e_80"), nullptr);
    EXPECT_THROW(empty.spread("tissue"), InvalidArgument);
}

}  // namespace
}  // namespace lobetime
