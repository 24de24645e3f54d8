#pragma once
#include <Eigen/Core>

#include <string_view>
#include <vector>

namespace lobetime {

/// How the variance between studies is estimated.
enum class BetweenStudies {
    none,                        ///< it is zero: one common effect
    dersimonian_laird,           ///< moments of Cochran's Q (Control Clin Trials 1986;7:177)
    paule_mandel,                ///< where Q meets its expectation (J Res Natl Bur Stand 1982;87:377)
    reml,                        ///< restricted maximum likelihood
    ml,                          ///< maximum likelihood; too small with few studies
    hedges,                      ///< moments of the unweighted sum of squares (Hedges and Olkin 1985; Cochran 1954)
    sidik_jonkman,               ///< two steps, never zero (J R Stat Soc C 2005;54:367)
    hunter_schmidt,              ///< (Q - k) / sum of the weights; too small with few studies
    two_step_dersimonian_laird,  ///< moments with the weights that the first step gives (DerSimonian and Kacker,
    two_step_hedges              ///< Contemp Clin Trials 2007;28:105)
};
BetweenStudies between_studies_from_name(std::string_view name);  ///< throws InvalidArgument
std::string_view between_studies_name(BetweenStudies method);

/// What studies say: k effects with their variances, and k x p columns that explain them, the intercept included.
struct Studies {
    Eigen::VectorXd effect, variance;
    Eigen::MatrixXd columns;
    void check() const;  ///< throws InvalidArgument: sizes, values that are not finite, a variance that is not positive
};

struct PoolingOptions {
    BetweenStudies method = BetweenStudies::reml;
    /// Standard errors from the studies' own scatter, with t instead of the normal (Knapp and Hartung, Stat Med
    /// 2003;22:2693): k is small here, and the variance between studies is not known.
    bool scatter = true;
    double level = 0.95;
    void check() const;
};

/// Effects pooled by weights 1 / (variance + tau2).
struct Pooled {
    PoolingOptions options;
    Eigen::VectorXd coefficient;  ///< p
    Eigen::MatrixXd covariance;   ///< p x p
    double tau2 = 0.0;            ///< variance between studies
    /// Values of tau2 at which Q is not surprising (Q-profile; Viechtbauer, Stat Med 2007;26:37). Upper may be
    /// infinite.
    double tau2_lower = 0.0, tau2_upper = 0.0;
    double q = 0.0;           ///< Cochran's Q about the common-effect fit, k - p degrees of freedom
    double i2_percent = 0.0;  ///< share of tau2 in the variance of a typical study (Higgins, Stat Med 2002;21:1539)
    int studies = 0;

    struct Range {
        double estimate, lower, upper;
    };
    /// The mean effect at `columns` (p), and its confidence interval.
    Range mean(const Eigen::VectorXd& columns) const;
    /// Where the effect of a new study lies: t with k - p - 1 degrees of freedom (Higgins, J R Stat Soc A
    /// 2009;172:137). `variance`: of the new study's own estimate, 0 for the effect itself. Infinite when k <= p + 1.
    Range prediction(const Eigen::VectorXd& columns, double variance = 0.0) const;
};

/// Throws InvalidArgument (also when k <= p), NotIdentifiable when the columns are dependent, NotConverged.
Pooled pool(const Studies& studies, const PoolingOptions& options = {});

/// Between studies, by columns: the share of the variance that they explain, 1 - tau2 / tau2 without them, in per cent
/// and not below 0 (Raudenbush 1994). NaN where there is nothing to explain.
double explained_percent(const Pooled& with_columns, const Pooled& without);

/// Quantile of Student's t; the normal's where `degrees` is infinite.
double student_quantile(double p, double degrees);

/// Each study's effect drawn to what the others make likely: columns x coefficient + tau2 / (tau2 + v) x residual.
Eigen::VectorXd shrunken_effects(const Studies& studies, const Pooled& pooled);

/// What the other studies predict for each, its own variance included.
std::vector<Pooled::Range> leave_one_out(const Studies& studies, const PoolingOptions& options = {});

}  // namespace lobetime
