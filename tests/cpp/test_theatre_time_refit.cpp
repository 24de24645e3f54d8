#include <lobetime/cases/visit_columns.hpp>
#include <lobetime/core/errors.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>
#include <lobetime/fit/time_objective.hpp>
#include <lobetime/inference/bootstrap.hpp>
#include <lobetime/inference/fitted_model.hpp>

#include "eigen_matchers.hpp"
#include "simulated_unit.hpp"

#include <Eigen/Cholesky>
#include <Eigen/LU>

#include <gtest/gtest.h>

namespace lobetime {
namespace {

using testing::EigenIdentical;
using testing::EigenNear;
using testing::simulate_unit;
using testing::SimulatedUnit;

struct Fitted {
    SimulatedUnit unit;
    FitOptions options;
    TheatreTimeFit fit;
};

const Fitted& fitted() {
    static const Fitted one = [] {
        Fitted f{simulate_unit({.n_cases = 300, .seed = 4, .share_blank_tissue = 0.2, .share_outliers = 0.05}), {}, {}};
        f.fit = fit_theatre_time(f.unit.cases, published_prior(), f.options);
        return f;
    }();
    return one;
}

TEST(TimeObjectiveResampled, CountsAreCasesRepeated) {
    const Fitted& f = fitted();
    TimeObjective whole = objective_of(f.fit, f.unit.cases, f.options.loss, 1);
    whole.set_counts_used(0.0);  // as the prior, a term of the whole
    const std::vector<int> counts = resample_counts(f.unit.cases.size(), 1, 7);
    const TimeObjective some = whole.resampled(counts);
    // Every case's own part is what is left of the objective when only it counts, without the prior.
    const auto part = [&](const std::vector<int>& only, Evaluation& out) {
        TimeObjective one = whole.resampled(only);
        one.evaluate(f.fit.theta, Curvature::signed_exact, out);
        const Eigen::VectorXd away = f.fit.theta - f.fit.prior_mean;
        const Eigen::VectorXd pull = f.fit.prior_precision * away;
        out.cost -= 0.5 * away.dot(pull);
        out.gradient -= pull;
    };
    double cost = 0.0;
    Eigen::VectorXd gradient = Eigen::VectorXd::Zero(whole.size());
    for (std::size_t i = 0; i < counts.size(); ++i) {
        if (counts[i] == 0) continue;
        std::vector<int> only(counts.size(), 0);
        only[i] = 1;
        Evaluation out;
        try {
            part(only, out);
        } catch (const InvalidArgument&) {
            continue;  // a case without a recorded time
        }
        cost += counts[i] * out.cost;
        gradient += counts[i] * out.gradient;
    }
    Evaluation all;
    part(counts, all);
    EXPECT_NEAR(all.cost, cost, 1e-10 * cost);
    EXPECT_THAT(all.gradient, EigenNear(gradient, 1e-7, 1e-9));
    EXPECT_LT(some.observations().size(), whole.observations().size());
}

TEST(TimeObjectiveResampled, RefusesCountsThatDoNotFit) {
    const Fitted& f = fitted();
    const TimeObjective whole = objective_of(f.fit, f.unit.cases, f.options.loss, 1);
    EXPECT_THROW(whole.resampled(std::vector<int>(3, 1)), InvalidArgument);
    EXPECT_THROW(whole.resampled(std::vector<int>(f.unit.cases.size(), 0)), InvalidArgument);
    EXPECT_THROW(whole.resampled(std::vector<int>(f.unit.cases.size(), -1)), InvalidArgument);
}

TEST(TheatreTimeRefit, OfEveryCaseOnceAveragesToTheFit) {
    const Fitted& f = fitted();
    const TheatreTimeRefit refit(f.fit, f.unit.cases, published_prior(), f.options);
    const std::vector<int> once(f.unit.cases.size(), 1);
    const Eigen::VectorXd sd = sandwich_covariance(f.fit).diagonal().cwiseSqrt();
    // The means of the prior are drawn again: the average of many replicates is the fit, to their noise.
    Eigen::VectorXd sum = Eigen::VectorXd::Zero(sd.size());
    constexpr int kReplicates = 64;
    for (std::uint64_t r = 0; r < kReplicates; ++r) sum += (refit(once, 1, r) - f.fit.theta).cwiseQuotient(sd);
    // A parameter that the prior alone settles varies by one standard error: five standard errors of the mean.
    EXPECT_LT((sum / kReplicates).cwiseAbs().maxCoeff(), 5.0 / 8.0);
}

/// Cases without codes of surgeons and devices, so that every prior is one of a core parameter.
CaseTable without_codes(std::size_t n, std::uint64_t seed) {
    CaseTable cases = simulate_unit({.n_cases = n, .seed = seed, .share_outliers = 0.05}).cases;
    cases.surgeon.assign(n, "");
    cases.device.assign(n, "");
    return cases;
}

TEST(TheatreTimeRefit, IsTheFitToTheCasesRepeatedAndThePriorDrawn) {
    const CaseTable cases = without_codes(400, 6);
    const PriorSet prior = published_prior();
    for (const Estimator estimator : {Estimator::m, Estimator::mm}) {
        FitOptions options;
        options.estimator = estimator;
        const TheatreTimeFit fit = fit_theatre_time(cases, prior, options);
        const Eigen::VectorXd sd = sandwich_covariance(fit).diagonal().cwiseSqrt();
        const TheatreTimeRefit refit(fit, cases, prior, options);
        for (std::uint64_t replicate = 0; replicate < 3; ++replicate) {
            const std::vector<int> counts = resample_counts(cases.size(), 5, replicate);
            std::vector<std::size_t> rows;
            for (std::size_t i = 0; i < counts.size(); ++i)
                rows.insert(rows.end(), static_cast<std::size_t>(counts[i]), i);
            PriorSet drawn = prior;
            const CounterRandom stream(5, replicate ^ stable_hash("means of the prior"));
            Eigen::VectorXd normals(param::Count);
            for (int j = 0; j < param::Count; ++j) normals[j] = stream.normals(static_cast<std::uint64_t>(j))[0];
            // L' x = z has the covariance (L L')^-1.
            const Eigen::MatrixXd precision = prior.working_covariance().inverse();
            const Eigen::VectorXd shifts = precision.llt().matrixU().solve(normals);
            for (ParameterPrior& one : drawn.parameters) {
                const int j = core_parameter_index(one.name);
                const double shift = shifts[j];
                for (double* x : {&one.centre, &one.low, &one.high}) {
                    const Transform transform = fit.layout.transform(j);
                    *x = to_natural(transform, to_working(transform, *x) + shift);
                }
            }
            const Eigen::VectorXd again = fit_theatre_time(take(cases, rows), drawn, options).theta;
            // The parameters' shares in the channels are held in a replicate: a few parts in a thousand of the spreads.
            EXPECT_LT((refit(counts, 5, replicate) - again).cwiseQuotient(sd).cwiseAbs().maxCoeff(), 0.02)
                << estimator_name(estimator) << " " << replicate;
        }
    }
}

TEST(TheatreTimeRefit, LeavesHeldParametersAlone) {
    const CaseTable cases = without_codes(200, 7);
    FitOptions options;
    options.fixed = {{"e_learn", 0.5}};
    const TheatreTimeFit fit = fit_theatre_time(cases, published_prior(), options);
    const TheatreTimeRefit refit(fit, cases, published_prior(), options);
    const Eigen::VectorXd again = refit(resample_counts(cases.size(), 1, 1), 1, 1);
    EXPECT_EQ(again[param::e_learn], 0.5);
    EXPECT_NE(again[param::e_80], fit.theta[param::e_80]);
}

TEST(TheatreTimeRefit, IsTheSameOnAnyThread) {
    for (const Estimator estimator : {Estimator::m, Estimator::mm}) {
        const CaseTable cases = without_codes(200, 8);
        FitOptions options;
        options.estimator = estimator;
        const TheatreTimeFit fit = fit_theatre_time(cases, published_prior(), options);
        const TheatreTimeRefit refit(fit, cases, published_prior(), options);
        std::vector<Eigen::VectorXd> one(8), four(8);
        const auto run = [&](std::vector<Eigen::VectorXd>& out, int threads) {
            parallel_for(out.size(), threads,
                         [&](std::size_t r) { out[r] = refit(resample_counts(cases.size(), 3, r), 3, r); });
        };
        run(one, 1);
        run(four, 4);
        for (std::size_t r = 0; r < one.size(); ++r) EXPECT_THAT(four[r], EigenIdentical(one[r])) << r;
    }
}

TEST(TheatreTimeRefit, StopsWhenAsked) {
    const Fitted& f = fitted();
    const TheatreTimeRefit refit(f.fit, f.unit.cases, published_prior(), f.options);
    EXPECT_THROW(refit(resample_counts(f.unit.cases.size(), 3, 1), 3, 1, [] { return true; }), NotConverged);
}

}  // namespace
}  // namespace lobetime
