#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>

#include <gtest/gtest.h>
#include <boost/math/distributions/normal.hpp>

#include <cmath>
#include <limits>

namespace lobetime {
namespace {

const boost::math::normal_distribution<double> kStandard(0.0, 1.0);

TEST(Normal, DensityAndDistributionAgreeWithBoost) {
    for (double z = -12.0; z <= 12.0; z += 0.37) {
        EXPECT_NEAR(normal_pdf(z), boost::math::pdf(kStandard, z), 1e-14 * boost::math::pdf(kStandard, z));
        // Relative, so the far lower tail keeps its digits; erfc loses a few ulp there.
        EXPECT_NEAR(normal_cdf(z), boost::math::cdf(kStandard, z), 1e-13 * boost::math::cdf(kStandard, z)) << z;
    }
}

TEST(Normal, QuantileInvertsTheDistribution) {
    for (const double p : {1e-300, 1e-12, 0.001, 0.05, 0.5, 0.8, 0.975, 1.0 - 1e-12})
        EXPECT_NEAR(normal_cdf(normal_quantile(p)), p, 1e-11 * p) << p;
    EXPECT_DOUBLE_EQ(normal_quantile(0.5), 0.0);
    EXPECT_NEAR(normal_quantile(0.95), 1.6448536269514722, 1e-14);
}

TEST(Normal, QuantileRefusesWhatIsNoProbability) {
    for (const double p : {0.0, 1.0, -0.1, 1.1, std::numeric_limits<double>::quiet_NaN()})
        EXPECT_THROW(normal_quantile(p), InvalidArgument) << p;
}

}  // namespace
}  // namespace lobetime
