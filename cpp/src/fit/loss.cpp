#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/fit/loss.hpp>

#include "core/vector_math.hpp"

#include <boost/math/quadrature/gauss_kronrod.hpp>

#include <algorithm>
#include <array>
#include <cmath>
#include <iterator>

namespace lobetime {
namespace {

using Formula = LossValue (*)(double u, double a);

struct Many;
using Loop = void (*)(std::size_t n, double a, const Many& many);

struct Row {
    std::string_view name;
    double tuning;
    bool redescending;
    Formula formula;
    Loop loop;
};

// Without branches (but for the logarithm of cauchy), so that a loop over them is vectorised. A residual that is not a
// number makes values that are not.
LOBETIME_ALWAYS_INLINE LossValue squares(double u, double) { return {0.5 * u * u, u, 1.0, 1.0}; }

LOBETIME_ALWAYS_INLINE LossValue huber(double u, double a) {
    const double size = std::abs(u);
    const bool inside = size <= a;
    return {inside ? 0.5 * u * u : a * size - 0.5 * a * a, inside ? u : std::copysign(a, u), inside ? 1.0 : a / size,
            inside ? 1.0 : 0.0};
}

LOBETIME_ALWAYS_INLINE LossValue soft_l1(double u, double a) {
    const double s = u / a;
    const double root = std::sqrt(1.0 + s * s);
    // s^2 / (1 + root) is root - 1 without cancellation at small residuals.
    return {a * a * s * s / (1.0 + root), u / root, 1.0 / root, 1.0 / (root * root * root)};
}

LOBETIME_ALWAYS_INLINE LossValue cauchy(double u, double a) {
    const double s2 = u * u / (a * a);
    const double weight = 1.0 / (1.0 + s2);
    return {0.5 * a * a * std::log1p(s2), u * weight, weight, (1.0 - s2) * weight * weight};
}

LOBETIME_ALWAYS_INLINE LossValue bisquare(double u, double a) {
    const double s2 = u * u / (a * a);
    const double top = a * a / 6.0;
    const bool outside = s2 >= 1.0;
    const double inside = 1.0 - s2;
    return {outside ? top : top * s2 * (3.0 - s2 * (3.0 - s2)), outside ? 0.0 : u * inside * inside,
            outside ? 0.0 : inside * inside, outside ? 0.0 : inside * (1.0 - 5.0 * s2)};
}

struct Many {
    const double* u;
    double *rho, *psi, *weight, *slope;
};

LOBETIME_ALWAYS_INLINE void each(LossValue (*formula)(double, double), std::size_t n, double a, const Many& many) {
    for (std::size_t i = 0; i < n; ++i) {
        const LossValue value = formula(many.u[i], a);
        many.rho[i] = value.rho;
        many.psi[i] = value.psi;
        many.weight[i] = value.weight;
        many.slope[i] = value.slope;
    }
}

// The formula is a constant in each, so that it is inlined into the loop.
LOBETIME_VECTOR_CLONES void each_squares(std::size_t n, double a, const Many& many) { each(squares, n, a, many); }
LOBETIME_VECTOR_CLONES void each_huber(std::size_t n, double a, const Many& many) { each(huber, n, a, many); }
LOBETIME_VECTOR_CLONES void each_soft_l1(std::size_t n, double a, const Many& many) { each(soft_l1, n, a, many); }
LOBETIME_VECTOR_CLONES void each_cauchy(std::size_t n, double a, const Many& many) { each(cauchy, n, a, many); }
LOBETIME_VECTOR_CLONES void each_bisquare(std::size_t n, double a, const Many& many) { each(bisquare, n, a, many); }

const std::array<Row, 5> kLosses = {{{"squares", 0.0, false, squares, each_squares},
                                     {"huber", 1.345, false, huber, each_huber},
                                     {"soft_l1", 1.2870992242661972, false, soft_l1, each_soft_l1},
                                     {"cauchy", 2.3849471193621645, true, cauchy, each_cauchy},
                                     {"bisquare", 4.685, true, bisquare, each_bisquare}}};

const Row& row_of(int kind) { return kLosses[static_cast<std::size_t>(kind)]; }

double normal_information_factor(const Row& row, double tuning) {
    // Both integrands are even and smooth but for the corner at the tuning constant.
    constexpr double kEnd = 12.0;
    const double corner = tuning > 0.0 ? std::min(tuning, kEnd) : 0.5 * kEnd;
    const auto integral = [&](const auto& f) {
        using Rule = boost::math::quadrature::gauss_kronrod<double, 61>;
        return Rule::integrate(f, 0.0, corner, 8, 1e-14) + Rule::integrate(f, corner, kEnd, 8, 1e-14);
    };
    const double slope = integral([&](double u) { return row.formula(u, tuning).slope * normal_pdf(u); });
    const double square = integral([&](double u) {
        const double psi = row.formula(u, tuning).psi;
        return psi * psi * normal_pdf(u);
    });
    return slope / square;
}

}  // namespace

Loss::Loss(std::string_view name, double tuning) : name_(name), kind_(-1) {
    for (std::size_t i = 0; i < kLosses.size(); ++i) {
        if (kLosses[i].name == name) kind_ = static_cast<int>(i);
    }
    if (kind_ < 0) {
        std::string known;
        for (const auto& one : names()) known += (known.empty() ? "" : ", ") + one;
        throw InvalidArgument("loss '" + name_ + "' is not known; allowed: " + known);
    }
    if (!std::isfinite(tuning)) throw InvalidArgument("loss: the tuning constant must be finite");
    tuning_ = tuning > 0.0 ? tuning : row_of(kind_).tuning;
    information_factor_ = normal_information_factor(row_of(kind_), tuning_);
}

LossValue Loss::operator()(double standardised_residual) const {
    return row_of(kind_).formula(standardised_residual, tuning_);
}

void Loss::operator()(std::span<const double> standardised_residuals, std::span<double> rho, std::span<double> psi,
                      std::span<double> weight, std::span<double> slope) const {
    row_of(kind_).loop(standardised_residuals.size(), tuning_,
                       {standardised_residuals.data(), rho.data(), psi.data(), weight.data(), slope.data()});
}

LossValue bisquare_loss(double standardised_residual, double tuning) { return bisquare(standardised_residual, tuning); }

bool Loss::redescending() const { return row_of(kind_).redescending; }

std::vector<std::string> Loss::names() {
    std::vector<std::string> all;
    all.reserve(std::size(kLosses));
    for (const auto& row : kLosses) all.emplace_back(row.name);
    return all;
}

}  // namespace lobetime
