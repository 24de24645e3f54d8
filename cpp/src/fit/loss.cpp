#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/fit/loss.hpp>

#include <boost/math/quadrature/gauss_kronrod.hpp>

#include <algorithm>
#include <array>
#include <cmath>

namespace lobetime {
namespace {

using Formula = LossValue (*)(double u, double a);

struct Row {
    std::string_view name;
    double tuning;
    bool redescending;
    Formula formula;
};

LossValue squares(double u, double) { return {0.5 * u * u, u, 1.0, 1.0}; }

LossValue huber(double u, double a) {
    const double size = std::abs(u);
    if (size <= a) return squares(u, a);
    return {a * size - 0.5 * a * a, std::copysign(a, u), a / size, 0.0};
}

LossValue soft_l1(double u, double a) {
    const double s = u / a;
    const double root = std::sqrt(1.0 + s * s);
    // s^2 / (1 + root) is root - 1 without cancellation at small residuals.
    return {a * a * s * s / (1.0 + root), u / root, 1.0 / root, 1.0 / (root * root * root)};
}

LossValue cauchy(double u, double a) {
    const double s2 = u * u / (a * a);
    const double weight = 1.0 / (1.0 + s2);
    return {0.5 * a * a * std::log1p(s2), u * weight, weight, (1.0 - s2) * weight * weight};
}

LossValue bisquare(double u, double a) {
    const double s2 = u * u / (a * a);
    const double top = a * a / 6.0;
    if (s2 >= 1.0) return {top, 0.0, 0.0, 0.0};
    const double inside = 1.0 - s2;
    return {top * s2 * (3.0 - s2 * (3.0 - s2)), u * inside * inside, inside * inside, inside * (1.0 - 5.0 * s2)};
}

constexpr std::array<Row, 5> kLosses = {{{"squares", 0.0, false, squares},
                                         {"huber", 1.345, false, huber},
                                         {"soft_l1", 1.2870992242661972, false, soft_l1},
                                         {"cauchy", 2.3849471193621645, true, cauchy},
                                         {"bisquare", 4.685, true, bisquare}}};

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

bool Loss::redescending() const { return row_of(kind_).redescending; }

std::vector<std::string> Loss::names() {
    std::vector<std::string> all;
    for (const auto& row : kLosses) all.emplace_back(row.name);
    return all;
}

}  // namespace lobetime
