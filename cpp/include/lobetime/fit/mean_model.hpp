#pragma once
#include <lobetime/core/jet.hpp>

#include <Eigen/Core>

#include <algorithm>
#include <array>
#include <functional>
#include <memory>
#include <span>
#include <vector>

namespace lobetime {

/// Mean of every row and its derivatives: fills `fitted` (n) and `jacobian` (n x p) at `theta` (p).
using MeanFunction =
    std::function<void(const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian)>;

/// A mean over given rows.
struct MeanModel {
    Eigen::Index rows = 0;
    int parameters = 0;
    MeanFunction evaluate;
    /// The same over some of the rows, in the order given. Left empty, all rows are evaluated and those wanted taken.
    std::function<MeanModel(std::span<const int> rows)> subset;
    bool parallel = true;  ///< `evaluate` may be called by several threads at once
};

/// A mean from a formula for one row, differentiated automatically, kBatch rows at a time.
///
/// Formula: `static constexpr int parameters` and a const call operator `T(const T* theta, const X* x)` for T a double
/// or BatchedJet and X a double or Pack; functions (exp, log, pow, ...) are called unqualified, so that both are found.
/// `x`: n x (number of predictors).
template <typename Formula>
MeanModel mean_model(const Formula& formula, const Eigen::MatrixXd& x) {
    constexpr int P = Formula::parameters;
    MeanModel mean;
    mean.rows = x.rows();
    mean.parameters = P;
    const auto predictors = std::make_shared<const Eigen::MatrixXd>(x);
    mean.evaluate = [formula, predictors](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted,
                                          Eigen::MatrixXd& jacobian) {
        const Eigen::MatrixXd& rows = *predictors;
        const Eigen::Index n = rows.rows();
        fitted.resize(n);
        jacobian.resize(n, P);
        std::array<BatchedJet<P>, static_cast<std::size_t>(P)> parameters;
        for (int j = 0; j < P; ++j) parameters[static_cast<std::size_t>(j)] = BatchedJet<P>::parameter(theta[j], j);
        std::vector<Pack> packs(static_cast<std::size_t>(rows.cols()));
        for (Eigen::Index begin = 0; begin < n; begin += kBatch) {
            const Eigen::Index here = std::min<Eigen::Index>(kBatch, n - begin);
            for (Eigen::Index c = 0; c < rows.cols(); ++c) {
                Pack& pack = packs[static_cast<std::size_t>(c)];
                // The last row fills the batch up: it can be evaluated for sure, and is not taken twice.
                pack.setConstant(rows(begin + here - 1, c));
                pack.head(here) = rows.col(c).segment(begin, here).array();
            }
            const BatchedJet<P> value = formula(parameters.data(), packs.data());
            fitted.segment(begin, here) = value.value.head(here).matrix();
            jacobian.middleRows(begin, here) = value.slope.topRows(here).matrix();
        }
    };
    mean.subset = [formula, predictors](std::span<const int> chosen) {
        Eigen::MatrixXd some(static_cast<Eigen::Index>(chosen.size()), predictors->cols());
        for (std::size_t i = 0; i < chosen.size(); ++i)
            some.row(static_cast<Eigen::Index>(i)) = predictors->row(chosen[i]);
        return mean_model(formula, some);
    };
    return mean;
}

}  // namespace lobetime
