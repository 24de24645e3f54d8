#pragma once
#include <Eigen/Core>

#include <cmath>

namespace lobetime {

/// Rows that are differentiated together.
inline constexpr int kBatch = 8;

/// One number for each of kBatch rows.
using Pack = Eigen::Array<double, kBatch, 1>;

/// A number for each of kBatch rows with its derivatives in P parameters (forward mode, exact to rounding).
///
/// A formula written for any scalar T runs on it unchanged:
///
///     template <typename T, typename X>
///     T operator()(const T* b, const X* x) const { return b[0] * (1.0 - exp(-b[1] * x[0])); }
///
/// so that one pass over the rows gives the mean and its Jacobian, eight rows at a time.
template <int P>
struct BatchedJet {
    using Slopes = Eigen::Array<double, kBatch, P>;
    Pack value;
    Slopes slope;

    BatchedJet() = default;
    BatchedJet(double constant) : value(Pack::Constant(constant)), slope(Slopes::Zero()) {}
    BatchedJet(const Pack& constants) : value(constants), slope(Slopes::Zero()) {}
    BatchedJet(const Pack& v, const Slopes& s) : value(v), slope(s) {}

    /// The parameter itself, equal in all rows.
    static BatchedJet parameter(double value, int position) {
        BatchedJet jet(value);
        jet.slope.col(position).setOnes();
        return jet;
    }

    BatchedJet operator-() const { return {-value, -slope}; }
    BatchedJet& operator+=(const BatchedJet& b) { return *this = *this + b; }
    BatchedJet& operator-=(const BatchedJet& b) { return *this = *this - b; }
    BatchedJet& operator*=(const BatchedJet& b) { return *this = *this * b; }
    BatchedJet& operator/=(const BatchedJet& b) { return *this = *this / b; }

    // Friends, so that a double or a Pack on either side converts.
    friend BatchedJet operator+(const BatchedJet& a, const BatchedJet& b) {
        return {a.value + b.value, a.slope + b.slope};
    }
    friend BatchedJet operator-(const BatchedJet& a, const BatchedJet& b) {
        return {a.value - b.value, a.slope - b.slope};
    }
    friend BatchedJet operator*(const BatchedJet& a, const BatchedJet& b) {
        return {a.value * b.value, a.slope.colwise() * b.value + b.slope.colwise() * a.value};
    }
    friend BatchedJet operator/(const BatchedJet& a, const BatchedJet& b) {
        const Pack quotient = a.value / b.value;
        return {quotient, (a.slope - b.slope.colwise() * quotient).colwise() / b.value};
    }
    friend BatchedJet operator+(const BatchedJet& a, double b) { return {a.value + b, a.slope}; }
    friend BatchedJet operator+(double a, const BatchedJet& b) { return b + a; }
    friend BatchedJet operator-(const BatchedJet& a, double b) { return {a.value - b, a.slope}; }
    friend BatchedJet operator-(double a, const BatchedJet& b) { return {a - b.value, -b.slope}; }
    friend BatchedJet operator*(const BatchedJet& a, double b) { return {a.value * b, a.slope * b}; }
    friend BatchedJet operator*(double a, const BatchedJet& b) { return b * a; }
    friend BatchedJet operator/(const BatchedJet& a, double b) { return {a.value / b, a.slope / b}; }
    friend BatchedJet operator/(double a, const BatchedJet& b) {
        const Pack quotient = a / b.value;
        return {quotient, b.slope.colwise() * (-quotient / b.value)};
    }
    friend BatchedJet operator+(const BatchedJet& a, const Pack& b) { return {a.value + b, a.slope}; }
    friend BatchedJet operator+(const Pack& a, const BatchedJet& b) { return b + a; }
    friend BatchedJet operator-(const BatchedJet& a, const Pack& b) { return {a.value - b, a.slope}; }
    friend BatchedJet operator-(const Pack& a, const BatchedJet& b) { return {a - b.value, -b.slope}; }
    friend BatchedJet operator*(const BatchedJet& a, const Pack& b) { return {a.value * b, a.slope.colwise() * b}; }
    friend BatchedJet operator*(const Pack& a, const BatchedJet& b) { return b * a; }
    friend BatchedJet operator/(const BatchedJet& a, const Pack& b) { return {a.value / b, a.slope.colwise() / b}; }
    friend BatchedJet operator/(const Pack& a, const BatchedJet& b) {
        const Pack quotient = a / b.value;
        return {quotient, b.slope.colwise() * (-quotient / b.value)};
    }
};

namespace jet {
/// f(a) with f'(a) given.
template <int P>
BatchedJet<P> chain(const BatchedJet<P>& a, const Pack& value, const Pack& derivative) {
    return {value, a.slope.colwise() * derivative};
}
}  // namespace jet

template <int P>
BatchedJet<P> exp(const BatchedJet<P>& a) {
    const Pack value = a.value.exp();
    return jet::chain(a, value, value);
}
template <int P>
BatchedJet<P> log(const BatchedJet<P>& a) {
    return jet::chain(a, Pack(a.value.log()), Pack(a.value.inverse()));
}
template <int P>
BatchedJet<P> sqrt(const BatchedJet<P>& a) {
    const Pack value = a.value.sqrt();
    return jet::chain(a, value, Pack(0.5 / value));
}
template <int P>
BatchedJet<P> sin(const BatchedJet<P>& a) {
    return jet::chain(a, Pack(a.value.sin()), Pack(a.value.cos()));
}
template <int P>
BatchedJet<P> cos(const BatchedJet<P>& a) {
    return jet::chain(a, Pack(a.value.cos()), Pack(-a.value.sin()));
}
template <int P>
BatchedJet<P> atan(const BatchedJet<P>& a) {
    return jet::chain(a, Pack(a.value.atan()), Pack((1.0 + a.value.square()).inverse()));
}
template <int P>
BatchedJet<P> tanh(const BatchedJet<P>& a) {
    const Pack value = a.value.tanh();
    return jet::chain(a, value, Pack(1.0 - value.square()));
}
template <int P>
BatchedJet<P> erfc(const BatchedJet<P>& a) {
    constexpr double kTwoOverRootPi = 1.1283791670955126;
    return jet::chain(a, Pack(a.value.unaryExpr([](double x) { return std::erfc(x); })),
                      Pack(-kTwoOverRootPi * (-a.value.square()).exp()));
}
template <int P>
BatchedJet<P> atan2(const BatchedJet<P>& y, const BatchedJet<P>& x) {
    const Pack length2 = x.value.square() + y.value.square();
    const Pack angle = y.value.binaryExpr(x.value, [](double b, double a) { return std::atan2(b, a); });
    return {angle, y.slope.colwise() * Pack(x.value / length2) - x.slope.colwise() * Pack(y.value / length2)};
}
template <int P>
BatchedJet<P> pow(const BatchedJet<P>& a, double exponent) {
    return jet::chain(a, Pack(a.value.pow(exponent)), Pack(exponent * a.value.pow(exponent - 1.0)));
}
/// Base a > 0.
template <int P>
BatchedJet<P> pow(const BatchedJet<P>& a, const BatchedJet<P>& exponent) {
    const Pack value = a.value.pow(exponent.value);
    return {value, a.slope.colwise() * Pack(value * exponent.value / a.value) +
                       exponent.slope.colwise() * Pack(value * a.value.log())};
}
/// Base a > 0.
template <int P>
BatchedJet<P> pow(const Pack& a, const BatchedJet<P>& exponent) {
    const Pack value = a.pow(exponent.value);
    return jet::chain(exponent, value, Pack(value * a.log()));
}

}  // namespace lobetime
