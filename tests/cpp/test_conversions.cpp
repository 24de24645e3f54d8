#include <lobetime/core/errors.hpp>
#include <lobetime/evidence/conversions.hpp>

#include <gtest/gtest.h>

#include <cmath>

namespace lobetime {
namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

ReportedSummary of(int n, double min, double q1, double median, double q3, double max) {
    return {n, kNone, kNone, min, q1, median, q3, max};
}

void expect(const MeanSd& found, double mean, double sd, double near = 1e-9) {
    EXPECT_NEAR(found.mean, mean, near);
    EXPECT_NEAR(found.sd, sd, near);
}

// From the formulas; those of n = 20 are also printed in the reference page of metafor's conv.fivenum, to six digits.
TEST(MeanAndSd, FromQuantilesIsThePublishedOne) {
    expect(mean_and_sd(of(20, 2, kNone, 6, kNone, 14)), 6.5944677601, 3.2115759674);
    expect(mean_and_sd(of(20, kNone, 4, 6, 10, kNone)), 6.7195, 4.7870760434);
    expect(mean_and_sd(of(20, 2, 4, 6, 10, 14)), 6.9388412499, 3.6794350446);
    expect(mean_and_sd(of(50, kNone, 40, 60, 95, kNone)), 65.3085, 41.9817519453);
    expect(mean_and_sd(of(50, 15, kNone, 60, kNone, 240)), 71.8405392659, 50.1486905768);
    expect(mean_and_sd(of(50, 15, 40, 60, 95, 240)), 71.6924124180, 46.6972169063);
}

TEST(MeanAndSd, ThatAreGivenAreTaken) { expect(mean_and_sd({30, 61.3, 25.0}), 61.3, 25.0, 0.0); }

TEST(LogMeanAndSd, FromQuantilesIsThePublishedOne) {
    expect(log_mean_and_sd(of(20, 2, 4, 6, 14, 20)), 1.9257236021, 0.7189297387);
}

TEST(LogMeanAndSd, FromMeanAndSdIsThatOfALogNormal) {
    expect(log_mean_and_sd({30, 60.0, 30.0}), 3.98277278656, 0.472380727077);
    expect(log_mean_and_sd({30, 61.3, 25.0}), 4.03885070083, 0.392247733226);
    expect(log_mean_and_sd({30, 12.3, 9.0}), 2.29520522922, 0.654819109610);
    expect(from_logs(log_mean_and_sd({30, 12.3, 9.0})), 12.3, 9.0, 1e-12);
}

TEST(ReportedSummary, RefusesWhatCannotBe) {
    EXPECT_THROW(mean_and_sd(of(1, 2, 4, 6, 10, 14)), InvalidArgument);
    EXPECT_THROW(mean_and_sd(of(20, 2, 7, 6, 10, 14)), InvalidArgument);
    EXPECT_THROW(mean_and_sd({20, 5.0, -1.0}), InvalidArgument);
    EXPECT_THROW(mean_and_sd({20, 5.0}), InvalidArgument);
    EXPECT_THROW(mean_and_sd(of(20, 2, kNone, kNone, kNone, 14)), InvalidArgument);
    EXPECT_THROW(log_mean_and_sd(of(20, 0, kNone, 6, kNone, 14)), InvalidArgument);
}

}  // namespace
}  // namespace lobetime
