#pragma once
#include <lobetime/fit/loss.hpp>

#include <Eigen/Core>

#include <string>
#include <vector>

namespace lobetime {

/// Which curvature an objective reports.
enum class Curvature {
    reweighted,   ///< psi(u)/u: never negative, the safe one far from the minimum
    exact,        ///< psi'(u), floored at 0: near the minimum it needs about half the steps
    signed_exact  ///< psi'(u) as it is, for covariances; may be indefinite
};

/// What a row's loss adds to the curvature asked for, in units of 1 / spread^2.
inline double bend_of(const LossValue& value, Curvature curvature) {
    switch (curvature) {
        case Curvature::reweighted:
            return value.weight;
        case Curvature::exact:
            return value.slope > 0.0 ? value.slope : 0.0;
        case Curvature::signed_exact:
            return value.slope;
    }
    return value.weight;
}

struct Evaluation {
    double cost = 0.0;          ///< never negative
    Eigen::VectorXd gradient;   ///< p
    Eigen::MatrixXd curvature;  ///< p x p, positive semi-definite
    /// Asked for by the minimiser: an objective that has the rows at hand may give R (upper, p x p) with R'R the
    /// curvature, from a QR of the rows. It keeps twice the digits where columns are nearly dependent. Empty if not
    /// given.
    bool want_root = false;
    Eigen::MatrixXd root;
};

/// A sum of losses over rows plus priors, seen whole: cost, gradient and curvature in one pass over the rows.
class Objective {
public:
    virtual ~Objective() = default;
    virtual const std::vector<std::string>& parameter_names() const = 0;
    int size() const { return static_cast<int>(parameter_names().size()); }

    /// Throws NotFinite naming the row when a residual or derivative is not finite.
    virtual void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const = 0;
};

}  // namespace lobetime
