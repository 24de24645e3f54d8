#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/evidence/pooling.hpp>

#include "eigen_matchers.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cmath>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;

constexpr double kZ = 1.959963984540054;

/// Log risk ratios of the thirteen BCG trials (Colditz, JAMA 1994;271:698): treated with and without, control likewise.
Studies bcg(bool latitude) {
    constexpr std::array<std::array<double, 5>, 13> kTrials = {{{4, 119, 11, 128, 44},
                                                                {6, 300, 29, 274, 55},
                                                                {3, 228, 11, 209, 42},
                                                                {62, 13536, 248, 12619, 52},
                                                                {33, 5036, 47, 5761, 13},
                                                                {180, 1361, 372, 1079, 44},
                                                                {8, 2537, 10, 619, 19},
                                                                {505, 87886, 499, 87892, 13},
                                                                {29, 7470, 45, 7232, 27},
                                                                {17, 1699, 65, 1600, 42},
                                                                {186, 50448, 141, 27197, 18},
                                                                {5, 2493, 3, 2338, 33},
                                                                {27, 16886, 29, 17825, 33}}};
    Studies out{Eigen::VectorXd(13), Eigen::VectorXd(13), Eigen::MatrixXd::Ones(13, latitude ? 2 : 1)};
    for (Eigen::Index i = 0; i < 13; ++i) {
        const auto& t = kTrials[static_cast<std::size_t>(i)];
        const double treated = t[0] + t[1], control = t[2] + t[3];
        out.effect[i] = std::log(t[0] / treated) - std::log(t[2] / control);
        out.variance[i] = 1.0 / t[0] - 1.0 / treated + 1.0 / t[2] - 1.0 / control;
        if (latitude) out.columns(i, 1) = t[4];
    }
    return out;
}

PoolingOptions by(BetweenStudies method, bool scatter = false) { return {method, scatter, 0.95}; }

const Eigen::VectorXd kIntercept = Eigen::VectorXd::Ones(1);

// Expected values: metafor 3.8 (R); those of the common effect and of DerSimonian-Laird also in its test files, to four
// digits, against Stata.
TEST(Pool, IsTheReferencesOnTheBcgTrials) {
    struct Row {
        BetweenStudies method;
        double mean, se, tau2, i2;
    };
    for (const Row& row :
         {Row{BetweenStudies::none, -0.43028516365, 0.04049875171, 0.0, 0.0},
          Row{BetweenStudies::dersimonian_laird, -0.7141172221, 0.1787420895, 0.3087602629, 92.1173468546},
          Row{BetweenStudies::reml, -0.7145323422, 0.1797815161, 0.3132432581, 92.2213845213},
          Row{BetweenStudies::paule_mandel, -0.7149704056, 0.1808979841, 0.3180937119, 92.3309002899}}) {
        SCOPED_TRACE(between_studies_name(row.method));
        const Pooled found = pool(bcg(false), by(row.method));
        // The reference stops REML at a change of 1e-5 and finds the root of Paule and Mandel to about 1e-4.
        const double near = row.method == BetweenStudies::reml           ? 1e-6
                            : row.method == BetweenStudies::paule_mandel ? 5e-5
                                                                         : 1e-9;
        EXPECT_NEAR(found.coefficient[0], row.mean, near);
        EXPECT_NEAR(std::sqrt(found.covariance(0, 0)), row.se, near);
        EXPECT_NEAR(found.tau2, row.tau2, near);
        EXPECT_NEAR(found.i2_percent, row.i2, 100 * near);
        EXPECT_NEAR(found.q, 152.23300808237, 1e-9);
    }
}

TEST(Pool, HasTheReferencesIntervals) {
    const Pooled found = pool(bcg(false), by(BetweenStudies::reml, true));
    EXPECT_NEAR(std::sqrt(found.covariance(0, 0)), 0.1807917441, 1e-6);  // Knapp and Hartung
    EXPECT_NEAR(found.mean(kIntercept).lower, -1.1084437137, 1e-6);
    EXPECT_NEAR(found.mean(kIntercept).upper, -0.3206209706, 1e-6);
    EXPECT_NEAR(found.tau2_lower, 0.119695312817, 5e-5);  // its roots again
    EXPECT_NEAR(found.tau2_upper, 1.11148626222, 5e-5);
    // The reference's prediction interval takes the normal quantile; ours t with 11 degrees of freedom.
    const Pooled moments = pool(bcg(false), by(BetweenStudies::dersimonian_laird));
    const double half = kZ * std::sqrt(moments.tau2 + moments.covariance(0, 0));
    EXPECT_NEAR(moments.coefficient[0] - half, -1.8581537527, 1e-8);
    EXPECT_NEAR(moments.prediction(kIntercept).lower, moments.coefficient[0] - half * 2.2009851601 / kZ, 1e-8);
}

TEST(Pool, ExplainsEffectsByColumns) {
    const Pooled found = pool(bcg(true), by(BetweenStudies::dersimonian_laird));
    EXPECT_THAT(found.coefficient, EigenNear(Eigen::VectorXd(Eigen::Vector2d(0.2595437124, -0.0292287388)), 0.0, 1e-8));
    EXPECT_NEAR(found.tau2, 0.0633005024, 1e-9);
}

TEST(ShrunkenEffects, AreTheReferences) {
    const Studies studies = bcg(false);
    const Eigen::VectorXd found = shrunken_effects(studies, pool(studies, by(BetweenStudies::reml)));
    EXPECT_NEAR(found[0], -0.80023356197, 1e-6);
    EXPECT_NEAR(found[7], 0.00287924790, 1e-6);
}

TEST(Pool, AZeroSpreadBetweenStudiesIsAnAnswer) {
    Studies studies{Eigen::Vector4d(1.0, 1.01, 0.99, 1.0), Eigen::Vector4d::Ones(), Eigen::MatrixXd::Ones(4, 1)};
    for (const BetweenStudies method :
         {BetweenStudies::dersimonian_laird, BetweenStudies::paule_mandel, BetweenStudies::reml}) {
        const Pooled found = pool(studies, by(method));
        EXPECT_EQ(found.tau2, 0.0);
        EXPECT_EQ(found.tau2_lower, 0.0);
        EXPECT_NEAR(found.coefficient[0], 1.0, 1e-12);
    }
}

TEST(LeaveOneOut, CoversEachStudyAboutAsOftenAsItSays) {
    int covered = 0, looked_at = 0;
    for (std::uint64_t unit = 0; unit < 60; ++unit) {
        const CounterRandom random(7, unit);
        Studies studies{Eigen::VectorXd(10), Eigen::VectorXd(10), Eigen::MatrixXd::Ones(10, 1)};
        for (Eigen::Index i = 0; i < 10; ++i) {
            const auto z = random.normals(static_cast<std::uint64_t>(i));
            studies.variance[i] = 0.02 + 0.02 * static_cast<double>(i);
            studies.effect[i] = 2.0 + 0.4 * z[0] + std::sqrt(studies.variance[i]) * z[1];
        }
        const auto predicted = leave_one_out(studies);
        for (Eigen::Index i = 0; i < 10; ++i) {
            const auto& range = predicted[static_cast<std::size_t>(i)];
            covered += range.lower <= studies.effect[i] && studies.effect[i] <= range.upper ? 1 : 0;
            ++looked_at;
        }
    }
    // 600 of a true 95 % lie in 0.927 to 0.973 in 99 of 100 runs; those of one unit are not independent.
    EXPECT_NEAR(static_cast<double>(covered) / looked_at, 0.95, 0.03);
}

TEST(Pool, RefusesWhatCannotBePooled) {
    Studies studies = bcg(false);
    EXPECT_THROW(pool({studies.effect.head(1), studies.variance.head(1), studies.columns.topRows(1)}), InvalidArgument);
    EXPECT_THROW(pool({studies.effect, studies.variance.head(12), studies.columns}), InvalidArgument);
    studies.variance[3] = 0.0;
    EXPECT_THROW(pool(studies), InvalidArgument);
    studies = bcg(true);
    studies.columns.col(1).setOnes();
    EXPECT_THROW(pool(studies), NotIdentifiable);
    EXPECT_THROW(between_studies_from_name("guess"), InvalidArgument);
    const Pooled two = pool({Eigen::Vector2d(1.0, 2.0), Eigen::Vector2d::Ones(), Eigen::MatrixXd::Ones(2, 1)});
    EXPECT_TRUE(std::isinf(two.prediction(kIntercept).upper)) << "two studies do not tell where a third lies";
}

}  // namespace
}  // namespace lobetime
