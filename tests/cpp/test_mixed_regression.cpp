#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/mean_model.hpp>
#include <lobetime/fit/mixed_regression.hpp>

#include "eigen_matchers.hpp"

#include <ceres/jet.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <Eigen/LU>
#include <Eigen/QR>

#include <array>
#include <cmath>
#include <limits>
#include <numeric>

namespace lobetime {
namespace {

using lobetime::testing::EigenIdentical;
using lobetime::testing::EigenNear;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

struct Level {
    static constexpr int parameters = 1;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        return b[0] + 0.0 * x[0];
    }
};
struct Line {
    static constexpr int parameters = 2;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        return b[0] + b[1] * x[0];
    }
};
/// Linear in its first parameter, so that the marginal likelihood of a random b[0] is a normal density.
struct Growth {
    static constexpr int parameters = 3;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        using std::exp;
        return b[0] / (1.0 + exp((b[1] - x[0]) / b[2]));
    }
};
/// Bends in both parameters.
struct Saturation {
    static constexpr int parameters = 2;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        using std::exp;
        return b[0] * (1.0 - exp(-1.0 * (b[1] * x[0])));
    }
};

struct Data {
    Eigen::MatrixXd x;
    Eigen::VectorXd y;
    std::vector<int> group;
};

/// `m` groups of `each` rows, theta of a group normal about `centre` with standard deviations `sd`.
template <typename Formula>
Data simulated(const Formula& formula, int m, int each, const Eigen::VectorXd& centre, const Eigen::VectorXd& sd,
               double noise, double first_x, double step_x, std::uint64_t seed = 3) {
    Data data{Eigen::MatrixXd(m * each, 1), Eigen::VectorXd(m * each), {}};
    const CounterRandom random(seed, 1);
    for (int g = 0; g < m; ++g) {
        Eigen::VectorXd theta = centre;
        for (Eigen::Index k = 0; k < centre.size(); ++k)
            theta[k] += sd[k] * random.normals(static_cast<std::uint64_t>(1000000 + 10 * g + k))[0];
        for (int i = 0; i < each; ++i) {
            const int row = g * each + i;
            const double x = data.x(row, 0) = first_x + step_x * i;
            data.y[row] = formula(theta.data(), &x) + noise * random.normals(static_cast<std::uint64_t>(row))[0];
            data.group.push_back(g);
        }
    }
    return data;
}

template <typename Formula>
MixedFit fit(const Formula& formula, const Data& data, const std::vector<std::string>& names,
             const std::vector<int>& random, const Eigen::VectorXd& start, bool restricted) {
    MixedOptions options;
    options.restricted = restricted;
    return fit_mixed_regression(varying_mean(formula, data.x), data.y, data.group, names, random, start, options);
}

/// -2 log of the exact marginal density of y, or of it integrated over a linear theta, in any scalar: the rows of a
/// group are normal with covariance Z Sigma Z' + sigma^2 I. Z: n x q, design: n x p, both at theta.
template <typename T>
T exact_criterion(const Data& data, const Eigen::Matrix<T, -1, 1>& residual, const Eigen::Matrix<T, -1, -1>& z,
                  const Eigen::MatrixXd& design, const Eigen::Matrix<T, -1, -1>& sigma, const T& scale,
                  bool restricted) {
    using std::log;
    using std::sqrt;
    using Matrix = Eigen::Matrix<T, -1, -1>;
    const auto factor = [](Matrix a) {  // lower Cholesky factor
        for (Eigen::Index k = 0; k < a.rows(); ++k) {
            for (Eigen::Index l = 0; l < k; ++l) {
                for (Eigen::Index i = k; i < a.rows(); ++i) a(i, k) -= a(i, l) * a(k, l);
            }
            const T root = sqrt(a(k, k));
            for (Eigen::Index i = k; i < a.rows(); ++i) a(i, k) /= root;
        }
        return a;
    };
    const auto solved = [](const Matrix& l, Matrix b) {
        for (Eigen::Index c = 0; c < b.cols(); ++c) {
            for (Eigen::Index i = 0; i < l.rows(); ++i) {
                for (Eigen::Index j = 0; j < i; ++j) b(i, c) -= l(i, j) * b(j, c);
                b(i, c) /= l(i, i);
            }
        }
        return b;
    };
    const Eigen::Index p = design.cols();
    double degrees = static_cast<double>(data.y.size());
    T sum(0.0);
    Matrix information = Matrix::Constant(p, p, T(0.0));
    const int m = 1 + *std::max_element(data.group.begin(), data.group.end());
    for (int g = 0; g < m; ++g) {
        std::vector<Eigen::Index> rows;
        for (std::size_t i = 0; i < data.group.size(); ++i) {
            if (data.group[i] == g) rows.push_back(static_cast<Eigen::Index>(i));
        }
        const auto here = static_cast<Eigen::Index>(rows.size());
        Matrix v(here, here), right(here, 1 + p);
        for (Eigen::Index i = 0; i < here; ++i) {
            const Eigen::Index a = rows[static_cast<std::size_t>(i)];
            right(i, 0) = residual[a];
            for (Eigen::Index j = 0; j < p; ++j) right(i, 1 + j) = T(design(a, j));
            for (Eigen::Index j = 0; j < here; ++j) {
                const Eigen::Index b = rows[static_cast<std::size_t>(j)];
                v(i, j) = i == j ? scale * scale : T(0.0);
                for (Eigen::Index k = 0; k < z.cols(); ++k) {
                    for (Eigen::Index l = 0; l < z.cols(); ++l) v(i, j) += z(a, k) * sigma(k, l) * z(b, l);
                }
            }
        }
        const Matrix l = factor(v);
        const Matrix white = solved(l, right);
        for (Eigen::Index i = 0; i < here; ++i) sum += 2.0 * log(l(i, i)) + white(i, 0) * white(i, 0);
        for (Eigen::Index i = 0; i < p; ++i) {
            for (Eigen::Index j = 0; j < p; ++j) {
                for (Eigen::Index r = 0; r < here; ++r) information(i, j) += white(r, 1 + i) * white(r, 1 + j);
            }
        }
    }
    if (restricted) {
        const Matrix l = factor(information);
        for (Eigen::Index i = 0; i < p; ++i) sum += 2.0 * log(l(i, i));
        degrees -= static_cast<double>(p);
    }
    return sum + degrees * std::log(2.0 * M_PI);
}

// The exact criterion and its derivatives in theta, Sigma and sigma by automatic differentiation: at the fit they are
// zero, and its value is the fit's. Derivatives are per standard deviation of each entry, in which the criterion bends
// by about the number of rows or groups; 1e-5 is the width of the differences to the fourth, with a margin.
constexpr double kFlat = 1e-5;

TEST(MixedRegression, ALineIsStationaryInItsExactLikelihood) {
    const Data data = simulated(Line(), 12, 6, Eigen::Vector2d(10.0, 2.0), Eigen::Vector2d(2.0, 0.7), 0.8, 0.0, 1.0);
    for (const bool restricted : {false, true}) {
        const MixedFit found = fit(Line(), data, {"level", "slope"}, {0, 1}, Eigen::Vector2d(0.0, 0.0), restricted);
        using T = ceres::Jet<double, 6>;
        const Eigen::MatrixXd& s = found.random_covariance;
        std::array<T, 6> v;
        const std::array<double, 6> at = {found.theta[0], found.theta[1], s(0, 0), s(1, 0), s(1, 1), found.scale};
        for (int j = 0; j < 6; ++j) v[static_cast<std::size_t>(j)] = T(at[static_cast<std::size_t>(j)], j);
        const Eigen::Index n = data.y.size();
        Eigen::MatrixXd design = Eigen::MatrixXd::Ones(n, 2);
        design.col(1) = data.x;
        Eigen::Matrix<T, -1, 1> residual(n);
        for (Eigen::Index i = 0; i < n; ++i) residual[i] = data.y[i] - v[0] - v[1] * data.x(i, 0);
        Eigen::Matrix<T, -1, -1> z = design.cast<T>(), sigma(2, 2);
        sigma << v[2], v[3], v[3], v[4];
        const T exact = exact_criterion<T>(data, residual, z, design, sigma, v[5], restricted);
        EXPECT_NEAR(found.criterion, exact.a, 1e-9 * std::abs(exact.a));
        const std::array<double, 6> unit = {found.scale, found.scale, s(0, 0), std::sqrt(s(0, 0) * s(1, 1)),
                                            s(1, 1),     found.scale};
        for (int j = 0; j < 6; ++j) EXPECT_NEAR(exact.v[j] * unit[static_cast<std::size_t>(j)], 0.0, kFlat) << j;
        EXPECT_FALSE(found.singular);
        EXPECT_THAT(found.no_variation, IsEmpty());
    }
}

TEST(MixedRegression, ACurveLinearInItsEffectIsStationaryInItsExactLikelihood) {
    const Data data = simulated(Growth(), 8, 7, Eigen::Vector3d(190.0, 700.0, 350.0), Eigen::Vector3d(30.0, 0.0, 0.0),
                                8.0, 100.0, 230.0);
    const MixedFit found =
        fit(Growth(), data, {"top", "middle", "width"}, {0}, Eigen::Vector3d(150.0, 600.0, 300.0), false);
    using T = ceres::Jet<double, 5>;
    const std::array<T, 5> v = {T(found.theta[0], 0), T(found.theta[1], 1), T(found.theta[2], 2),
                                T(found.random_covariance(0, 0), 3), T(found.scale, 4)};
    const Eigen::Index n = data.y.size();
    Eigen::Matrix<T, -1, 1> residual(n);
    Eigen::Matrix<T, -1, -1> z(n, 1), sigma(1, 1);
    for (Eigen::Index i = 0; i < n; ++i) {
        z(i, 0) = 1.0 / (1.0 + exp((v[1] - data.x(i, 0)) / v[2]));
        residual[i] = data.y[i] - v[0] * z(i, 0);
    }
    sigma(0, 0) = v[3];
    const T exact = exact_criterion<T>(data, residual, z, Eigen::MatrixXd::Zero(n, 0), sigma, v[4], false);
    EXPECT_NEAR(found.criterion, exact.a, 1e-9 * std::abs(exact.a));
    for (int j = 0; j < 3; ++j) EXPECT_NEAR(exact.v[j] * std::sqrt(found.covariance(j, j)), 0.0, kFlat) << j;
    EXPECT_NEAR(exact.v[3] * found.random_covariance(0, 0), 0.0, kFlat);
    EXPECT_NEAR(exact.v[4] * found.scale, 0.0, kFlat);
}

TEST(MixedRegression, ModesOfACurveThatBendsAreStationary) {
    const Data data =
        simulated(Saturation(), 10, 6, Eigen::Vector2d(10.0, 0.6), Eigen::Vector2d(1.5, 0.15), 0.3, 0.4, 0.9);
    for (const bool restricted : {false, true}) {
        const MixedFit found = fit(Saturation(), data, {"top", "rate"}, {0, 1}, Eigen::Vector2d(8.0, 1.0), restricted);
        using T = ceres::Jet<double, 2>;
        const Eigen::Matrix2d precision = found.random_covariance.inverse();
        for (int g = 0; g < 10; ++g) {
            T theta[2], b[2];
            for (int k = 0; k < 2; ++k) {
                b[k] = T(found.modes(g, k), k);
                theta[k] = found.theta[k] + b[k];
            }
            T sum = precision(0, 0) * b[0] * b[0] + 2.0 * precision(0, 1) * b[0] * b[1] + precision(1, 1) * b[1] * b[1];
            for (int i = 6 * g; i < 6 * g + 6; ++i) {
                const double x = data.x(i, 0);
                const T away = (data.y[i] - Saturation()(theta, &x)) / found.scale;
                sum += away * away;
            }
            for (int k = 0; k < 2; ++k) EXPECT_NEAR(sum.v[k] * found.mode_sd(g, k), 0.0, 1e-7) << g;
        }
        // From elsewhere the same.
        const MixedFit again = fit(Saturation(), data, {"top", "rate"}, {0, 1}, Eigen::Vector2d(12.0, 0.3), restricted);
        EXPECT_THAT(again.theta, EigenNear(found.theta, 0.0, 1e-7));
        EXPECT_THAT(again.random_covariance, EigenNear(found.random_covariance, 1e-6, 1e-6));
        EXPECT_NEAR(again.criterion, found.criterion, 1e-8);
    }
}

TEST(MixedRegression, OneWayHasItsClosedForm) {
    const Data data =
        simulated(Level(), 9, 4, Eigen::VectorXd::Constant(1, 5.0), Eigen::VectorXd::Constant(1, 2.0), 1.0, 0.0, 1.0);
    double within = 0.0;
    Eigen::VectorXd means(9);
    for (int g = 0; g < 9; ++g) {
        const auto rows = data.y.segment(4 * g, 4);
        means[g] = rows.mean();
        within += (rows.array() - rows.mean()).square().sum();
    }
    within /= 27.0;
    const double between = (means.array() - means.mean()).square().sum();
    for (const bool restricted : {false, true}) {
        const MixedFit found = fit(Level(), data, {"level"}, {0}, Eigen::VectorXd::Zero(1), restricted);
        const double variance = between / (restricted ? 8.0 : 9.0) - within / 4.0;
        ASSERT_GT(variance, 0.0);
        EXPECT_NEAR(found.theta[0], data.y.mean(), 1e-10);
        EXPECT_NEAR(found.scale * found.scale, within, 1e-7 * within);
        EXPECT_NEAR(found.random_covariance(0, 0), variance, 1e-7 * variance);
        const double share = variance / (variance + within / 4.0);
        EXPECT_NEAR(found.reliability(3, 0), share, 1e-7);
        EXPECT_NEAR(found.modes(3, 0), share * (means[3] - means.mean()), 1e-6);
    }
}

TEST(MixedRegression, AVarianceOfZeroIsFoundAndIsLeastSquares) {
    Data data = simulated(Line(), 8, 5, Eigen::Vector2d(3.0, 1.0), Eigen::Vector2d(0.0, 0.0), 1.0, 0.0, 1.0);
    for (int g = 0; g < 8; ++g) data.y.segment(5 * g, 5).array() -= data.y.segment(5 * g, 5).mean() - 5.0;
    Eigen::MatrixXd design = Eigen::MatrixXd::Ones(40, 2);
    design.col(1) = data.x;
    const Eigen::VectorXd least = design.colPivHouseholderQr().solve(data.y);
    for (const bool restricted : {false, true}) {
        const MixedFit found = fit(Line(), data, {"level", "slope"}, {0}, Eigen::Vector2d(0.0, 0.0), restricted);
        EXPECT_TRUE(found.singular);
        EXPECT_THAT(found.no_variation, ElementsAre("level"));
        EXPECT_EQ(found.random_covariance(0, 0), 0.0);
        EXPECT_THAT(found.modes, EigenIdentical(Eigen::MatrixXd(Eigen::MatrixXd::Zero(8, 1))));
        EXPECT_THAT(found.reliability, EigenIdentical(Eigen::MatrixXd(Eigen::MatrixXd::Zero(8, 1))));
        EXPECT_THAT(found.theta, EigenNear(least, 0.0, 1e-10));
        EXPECT_NEAR(found.scale, (data.y - design * least).norm() / std::sqrt(restricted ? 38.0 : 40.0), 1e-10);
    }
}

/// Levels and slopes of the groups as given, residuals orthogonal to both.
Data lines(const Eigen::VectorXd& level, const Eigen::VectorXd& slope) {
    Data data{Eigen::MatrixXd(5 * level.size(), 1), Eigen::VectorXd(5 * level.size()), {}};
    const std::array<double, 5> wave = {1.0, -2.0, 0.0, 2.0, -1.0};
    for (Eigen::Index g = 0; g < level.size(); ++g) {
        for (int i = 0; i < 5; ++i) {
            data.x(5 * g + i, 0) = i - 2.0;
            data.y[5 * g + i] = level[g] + slope[g] * (i - 2.0) + 0.3 * wave[static_cast<std::size_t>(i)];
            data.group.push_back(static_cast<int>(g));
        }
    }
    return data;
}

TEST(MixedRegression, OneParameterWithoutVariation) {
    const Eigen::VectorXd level = Eigen::VectorXd::LinSpaced(7, -3.0, 3.0);
    const Data data = lines(level, Eigen::VectorXd::Constant(7, 2.0));
    const MixedFit both = fit(Line(), data, {"level", "slope"}, {0, 1}, Eigen::Vector2d(0.0, 0.0), true);
    EXPECT_TRUE(both.singular);
    EXPECT_THAT(both.no_variation, ElementsAre("slope"));
    const MixedFit one = fit(Line(), data, {"level", "slope"}, {0}, Eigen::Vector2d(0.0, 0.0), true);
    EXPECT_FALSE(one.singular);
    EXPECT_NEAR(both.criterion, one.criterion, 1e-8);
    EXPECT_NEAR(both.random_covariance(0, 0), one.random_covariance(0, 0), 1e-6 * one.random_covariance(0, 0));
    // The same with the order of the random parameters turned, where zero comes first.
    const MixedFit turned = fit(Line(), data, {"level", "slope"}, {1, 0}, Eigen::Vector2d(0.0, 0.0), true);
    EXPECT_THAT(turned.no_variation, ElementsAre("slope"));
    EXPECT_NEAR(turned.criterion, one.criterion, 1e-8);
}

TEST(MixedRegression, ACorrelationOfOneIsOnTheBoundary) {
    const Eigen::VectorXd level = Eigen::VectorXd::LinSpaced(7, -3.0, 3.0);
    const Data data = lines(level, 2.0 + 0.8 * level.array());
    for (const std::vector<int>& random : {std::vector<int>{0, 1}, std::vector<int>{1, 0}}) {
        const MixedFit found = fit(Line(), data, {"level", "slope"}, random, Eigen::Vector2d(0.0, 0.0), true);
        EXPECT_TRUE(found.singular);
        EXPECT_THAT(found.no_variation, IsEmpty());
        const Eigen::MatrixXd& s = found.random_covariance;
        EXPECT_NEAR(s(0, 1) / std::sqrt(s(0, 0) * s(1, 1)), 1.0, 1e-12);
    }
}

TEST(MixedRegression, UnitsDoNotMatter) {
    const Data data = simulated(Line(), 10, 4, Eigen::Vector2d(10.0, 2.0), Eigen::Vector2d(2.0, 0.7), 0.8, 0.0, 1.0);
    Data other = data;
    other.y *= 1e-4;
    other.x *= 1e5;
    const MixedFit a = fit(Line(), data, {"level", "slope"}, {0, 1}, Eigen::Vector2d(0.0, 0.0), true);
    const MixedFit b = fit(Line(), other, {"level", "slope"}, {0, 1}, Eigen::Vector2d(0.0, 0.0), true);
    const Eigen::Vector2d unit(1e-4, 1e-9);
    EXPECT_THAT(b.theta, EigenNear(Eigen::VectorXd(unit.asDiagonal() * a.theta), 0.0, 1e-8));
    EXPECT_NEAR(b.scale, 1e-4 * a.scale, 1e-7 * b.scale);
    EXPECT_THAT(b.random_covariance,
                EigenNear(Eigen::MatrixXd(unit.asDiagonal() * a.random_covariance * unit.asDiagonal()), 0.0, 1e-5));
}

TEST(MixedRegression, ThousandsOfGroups) {
    const int m = 3000;
    const Data data = simulated(Line(), m, 4, Eigen::Vector2d(10.0, 2.0), Eigen::Vector2d(2.0, 0.5), 1.0, 0.0, 1.0);
    const MixedFit found = fit(Line(), data, {"level", "slope"}, {0, 1}, Eigen::Vector2d(0.0, 0.0), true);
    // Four standard errors; a variance has a relative one of about sqrt(2 / m), and more where rows are few.
    for (int j = 0; j < 2; ++j)
        EXPECT_NEAR(found.theta[j], j == 0 ? 10.0 : 2.0, 4.0 * std::sqrt(found.covariance(j, j)));
    EXPECT_NEAR(found.random_covariance(0, 0), 4.0, 0.16 * 4.0);
    EXPECT_NEAR(found.random_covariance(1, 1), 0.25, 0.3 * 0.25);
    EXPECT_NEAR(found.scale, 1.0, 4.0 / std::sqrt(4.0 * m));
}

TEST(MixedRegression, VaryingMeanAgreesWithOneMean) {
    const Data data =
        simulated(Growth(), 2, 10, Eigen::Vector3d(190.0, 700.0, 350.0), Eigen::Vector3d::Zero(), 1.0, 100.0, 90.0);
    const Eigen::VectorXd theta = Eigen::Vector3d(180.0, 650.0, 300.0);
    Eigen::VectorXd one, varying;
    Eigen::MatrixXd slopes, varying_slopes;
    mean_model(Growth(), data.x).evaluate(theta, one, slopes);
    const VaryingMean mean = varying_mean(Growth(), data.x);
    Eigen::MatrixXd everywhere = theta.transpose().replicate(20, 1);
    mean.evaluate(everywhere, varying, varying_slopes);
    EXPECT_THAT(varying, EigenIdentical(one));
    EXPECT_THAT(varying_slopes, EigenIdentical(slopes));
    everywhere.row(13) << 100.0, 500.0, 200.0;
    mean.evaluate(everywhere, varying, varying_slopes);
    using T = ceres::Jet<double, 3>;
    const std::array<T, 3> own = {T(100.0, 0), T(500.0, 1), T(200.0, 2)};
    const double x = data.x(13, 0);
    const T exact = Growth()(own.data(), &x);
    EXPECT_NEAR(varying[13], exact.a, 1e-12 * exact.a);
    EXPECT_THAT(Eigen::VectorXd(varying_slopes.row(13).transpose()), EigenNear(Eigen::VectorXd(exact.v), 0.0, 1e-12));
    varying[13] = one[13];
    EXPECT_THAT(varying, EigenIdentical(one));
}

template <typename Thrown, typename Work>
std::string message_of(const Work& work) {
    try {
        work();
    } catch (const Thrown& error) {
        return error.what();
    }
    return "nothing was thrown";
}

TEST(MixedRegression, RefusesByName) {
    const Data data = simulated(Line(), 6, 4, Eigen::Vector2d(3.0, 1.0), Eigen::Vector2d(1.0, 0.3), 1.0, 0.0, 1.0);
    const Eigen::VectorXd start = Eigen::Vector2d(0.0, 0.0);
    const std::vector<std::string> names = {"level", "slope"};
    const auto run = [&](const Data& some, const std::vector<int>& random) {
        return [&names, &start, some, random] { fit(Line(), some, names, random, start, true); };
    };
    EXPECT_THAT(message_of<InvalidArgument>(run(data, {})), HasSubstr("at least one parameter"));
    EXPECT_THAT(message_of<InvalidArgument>(run(data, {0, 0})), HasSubstr("different"));
    EXPECT_THAT(message_of<InvalidArgument>(run(data, {2})), HasSubstr("among the 2"));
    Data changed = data;
    changed.group.pop_back();
    EXPECT_THAT(message_of<InvalidArgument>(run(changed, {0})), HasSubstr("23 groups"));
    changed.group.push_back(7);
    EXPECT_THAT(message_of<InvalidArgument>(run(changed, {0})), HasSubstr("without gaps"));
    changed = data;
    for (int& g : changed.group) g = g < 3 ? 0 : 1;
    EXPECT_THAT(message_of<InvalidArgument>(run(changed, {0, 1})), HasSubstr("too few groups: 2"));
    changed = data;
    changed.y[5] = std::numeric_limits<double>::quiet_NaN();
    EXPECT_THAT(message_of<NotFinite>(run(changed, {0})), HasSubstr("row 6: y"));
    changed = data;
    changed.x(2, 0) = std::numeric_limits<double>::infinity();
    EXPECT_THAT(message_of<NotFinite>(run(changed, {0})), HasSubstr("row 3: the mean"));
    changed = data;
    changed.x.setConstant(2.0);
    EXPECT_THAT(message_of<NotIdentifiable>(run(changed, {0})), HasSubstr("level, slope"));
    changed = data;  // one row a group: variances within and between cannot be told apart
    std::iota(changed.group.begin(), changed.group.end(), 0);
    EXPECT_THAT(message_of<NotIdentifiable>(run(changed, {0})), HasSubstr("variance of level, variance within groups"));
    changed = data;  // x is constant within groups: a random slope is a random level
    for (Eigen::Index i = 0; i < 24; ++i) changed.x(i, 0) = i < 12 ? 1.0 : 2.0;
    EXPECT_THAT(message_of<NotIdentifiable>(run(changed, {0, 1})), HasSubstr("variance of slope"));
    MixedOptions options;
    options.max_iterations = 0;
    EXPECT_THROW(options.check(), InvalidArgument);
    options.max_iterations = 200;
    options.interrupt = [] { return true; };
    EXPECT_THROW(fit_mixed_regression(varying_mean(Line(), data.x), data.y, data.group, names, {0}, start, options),
                 NotConverged);
}

}  // namespace
}  // namespace lobetime
