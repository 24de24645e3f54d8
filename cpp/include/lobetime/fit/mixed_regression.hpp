#pragma once
#include <lobetime/core/jet.hpp>

#include <Eigen/Core>

#include <algorithm>
#include <array>
#include <functional>
#include <memory>
#include <string>
#include <vector>

namespace lobetime {

/// Mean of every row at parameters of its own: fills `fitted` (n) and `jacobian` (n x p, of each row in its own
/// parameters) at `theta` (n x p).
using VaryingMeanFunction =
    std::function<void(const Eigen::MatrixXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian)>;

/// A mean whose parameters may differ from row to row.
struct VaryingMean {
    Eigen::Index rows = 0;
    int parameters = 0;
    VaryingMeanFunction evaluate;
};

/// The same formulas as `mean_model` takes; x: n x (number of predictors).
template <typename Formula>
VaryingMean varying_mean(const Formula& formula, const Eigen::MatrixXd& x) {
    constexpr int P = Formula::parameters;
    VaryingMean mean;
    mean.rows = x.rows();
    mean.parameters = P;
    const auto predictors = std::make_shared<const Eigen::MatrixXd>(x);
    mean.evaluate = [formula, predictors](const Eigen::MatrixXd& theta, Eigen::VectorXd& fitted,
                                          Eigen::MatrixXd& jacobian) {
        const Eigen::MatrixXd& rows = *predictors;
        const Eigen::Index n = rows.rows();
        fitted.resize(n);
        jacobian.resize(n, P);
        std::array<BatchedJet<P>, static_cast<std::size_t>(P)> parameters;
        std::vector<Pack> packs(static_cast<std::size_t>(rows.cols()));
        for (Eigen::Index begin = 0; begin < n; begin += kBatch) {
            const Eigen::Index here = std::min<Eigen::Index>(kBatch, n - begin);
            // The last row fills the batch up: it can be evaluated for sure, and is not taken twice.
            const auto pack_of = [&](const Eigen::MatrixXd& from, Eigen::Index column) {
                Pack pack = Pack::Constant(from(begin + here - 1, column));
                pack.head(here) = from.col(column).segment(begin, here).array();
                return pack;
            };
            for (Eigen::Index c = 0; c < rows.cols(); ++c) packs[static_cast<std::size_t>(c)] = pack_of(rows, c);
            for (int j = 0; j < P; ++j) {
                BatchedJet<P>& parameter = parameters[static_cast<std::size_t>(j)];
                parameter = BatchedJet<P>::parameter(0.0, j);
                parameter.value = pack_of(theta, j);
            }
            const BatchedJet<P> value = formula(parameters.data(), packs.data());
            fitted.segment(begin, here) = value.value.head(here).matrix();
            jacobian.middleRows(begin, here) = value.slope.topRows(here).matrix();
        }
    };
    return mean;
}

struct MixedOptions {
    bool restricted = true;           ///< REML, else maximum likelihood
    int max_iterations = 200;         ///< of the outer search, >= 1
    std::function<bool()> interrupt;  ///< asked after each step; true stops
    void check() const;               ///< throws InvalidArgument naming the field
};

struct MixedFit {
    std::vector<std::string> names;         ///< p
    std::vector<std::string> random_names;  ///< q, those of the parameters that vary between groups
    Eigen::VectorXd theta;                  ///< p, of the typical group (effects zero)
    Eigen::MatrixXd covariance;             ///< p x p, of theta at the estimated spreads
    Eigen::MatrixXd random_covariance;      ///< q x q, of the effects between groups
    double scale = 0.0;                     ///< standard deviation within groups
    /// -2 log likelihood, or the REML criterion (-2 log of the likelihood integrated over theta).
    double criterion = 0.0;
    Eigen::MatrixXd modes;                  ///< m x q, effects of the groups: where their density given y is highest
    Eigen::MatrixXd mode_sd;                ///< m x q, their standard deviations given y and theta
    Eigen::MatrixXd reliability;            ///< m x q, 1 - mode_sd^2 / variance: the share of a group's own evidence
    Eigen::VectorXd fitted, residuals;      ///< n, at the modes
    std::vector<std::string> no_variation;  ///< random parameters whose variance is zero
    bool singular = false;                  ///< the covariance between groups has not full rank: it is on its boundary
    int iterations = 0;
    std::string message;
};

/// Nonlinear mixed-effects regression with one grouping of the rows:
///
///     y = mean(theta + b_g) + e,  b_g ~ N(0, Sigma) in q of the p parameters,  e ~ N(0, sigma^2).
///
/// With Sigma = sigma^2 Lambda Lambda', Lambda lower triangular and b = Lambda u, the penalised sum of squares is
/// W = |y - mean|^2 + |u|^2, and Laplace's approximation of the marginal likelihood, sigma profiled out, is
///
///     ML    -2 log L = log |L|^2 + n (1 + log(2 pi W / n)),                  W least over u
///     REML  -2 log L = log |L|^2 + log |R|^2 + (n - p) (1 + log(2 pi W / (n - p))),  W least over u and theta
///
/// where L and R are the factors of the Gauss-Newton curvature of W in u, and in theta after u. For a mean linear in
/// its random parameters and theta (ML: in its random ones) both are exact. It is not the linearisation of Lindstrom
/// and Bates, whose estimates differ where the mean bends.
///
/// Curvatures are held as QR factors a group, so work grows with the rows, and not with the square of the groups.
/// A variance of zero, or a covariance without full rank, is a legal answer: it is found, set and reported.
///
/// Source: Pinheiro and Bates, J Comput Graph Stat 1995;4:12-35, doi 10.1080/10618600.1995.10474663; Bates, Maechler,
/// Bolker and Walker, J Stat Softw 2015;67(1), doi 10.18637/jss.v067.i01 (the parametrisation).
///
/// group: n numbers 0 ... m-1; random: positions of the random parameters; start: p. Throws InvalidArgument (sizes, too
/// few groups or rows), NotFinite (row named), NotIdentifiable (parameters or variances named), NotConverged.
MixedFit fit_mixed_regression(const VaryingMean& mean, const Eigen::VectorXd& y, const std::vector<int>& group,
                              const std::vector<std::string>& names, const std::vector<int>& random,
                              const Eigen::VectorXd& start, const MixedOptions& options = {});

}  // namespace lobetime
