#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/fit/time_objective.hpp>
#include <lobetime/model/formulas.hpp>

#include "eigen_matchers.hpp"
#include "simulated_unit.hpp"

#include <ceres/jet.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numeric>
#include <string>
#include <vector>

namespace lobetime {
namespace {

using lobetime::testing::EigenIdentical;
using lobetime::testing::EigenNear;
using lobetime::testing::simulate_unit;

const ModelLayout kLayout({"A", "B", "C"}, {"D1", "D2"}, {"A", "C"});
constexpr int kSize = param::Count + 2 + 2 * 3 + 2;
using Jet = ceres::Jet<double, kSize>;
using Row = Eigen::Matrix<double, kSize, 1>;
constexpr std::array<double, kChannels> kSpreads = {0.2, 0.3, 0.4, 0.35, 0.25, 1.1, 0.9};

/// Cases in which each kind of observation comes up, with every blank: which times are there goes round with i.
CaseTable mixed_cases(std::size_t n) {
    lobetime::testing::UnitOptions options;
    options.n_cases = n;
    options.n_surgeons = 3;
    CaseTable cases = simulate_unit(options).cases;
    for (std::size_t i = 0; i < n; ++i) {
        const double rest = cases.operative_min[i] - cases.enucleation_min[i] - cases.morcellation_min[i];
        if (i % 3 == 1) cases.tissue_g[i] = std::nan("");
        if (i % 5 == 2) cases.enucleation_min[i] = std::nan("");
        if (i % 7 < 3) cases.morcellation_min[i] = std::nan("");
        if (i % 4 == 1) cases.operative_min[i] = std::nan("");
        if (i % 8 == 5) cases.haemostasis_min[i] = rest;
        if (i % 3 == 2) cases.theatre_min[i] = std::nan("");
        if (i % 2 == 1) cases.canister_swaps[i] = std::nan("");
        if (i % 11 == 4) cases.morcellation_outcome[i] = MorcellationOutcome::deferred;
        if (i % 11 == 8) cases.morcellation_outcome[i] = MorcellationOutcome::other_route;
        if (i % 13 == 0) cases.surgeon[i] = "";
        if (i % 13 == 1) cases.device[i] = "";
        if (i % 13 == 2) cases.surgeon_case_no[i] = std::nan("");
        if (i % 13 == 3) cases.blade[i] = BladeMotion::unknown;
        if (i % 13 == 4) cases.suction[i] = Suction::unknown;
        if (i % 17 == 5) cases.canister_swaps[i] = 9.0;  // far more than fluid can explain
        if (i % 19 == 6) cases.enucleation_min[i] *= 20.0;
        // What is left of a rounded or mistyped sum may be next to nothing, nothing, or less.
        if (i % 23 < 3)
            cases.operative_min[i] =
                cases.enucleation_min[i] + cases.morcellation_min[i] + 1.0 - static_cast<double>(i % 23);
    }
    return cases;
}

struct Parts {
    std::vector<CaseFeatures> features;
    std::vector<Observation> observations;
    Eigen::VectorXd prior_mean;
    Eigen::MatrixXd prior_precision;
};

Parts parts_of(const CaseTable& cases, const ModelLayout& layout) {
    Parts parts;
    parts.features = case_features(cases, layout);
    parts.observations = observations_of(cases, parts.features);
    parts.prior_mean = lobetime::testing::true_theta(layout).array() + 0.05;
    // The first has no prior; neighbours among the others are believed together.
    const int n = layout.size();
    parts.prior_precision = Eigen::VectorXd::LinSpaced(n, 0.0, 20.0).asDiagonal();
    for (int i = 1; i + 1 < n; ++i) {
        const double joint = 0.3 * std::sqrt(parts.prior_precision(i, i) * parts.prior_precision(i + 1, i + 1));
        parts.prior_precision(i, i + 1) = parts.prior_precision(i + 1, i) = joint;
    }
    return parts;
}

Eigen::VectorXd somewhere(const ModelLayout& layout) {
    Eigen::VectorXd theta = lobetime::testing::true_theta(layout);
    const CounterRandom random(31, 1);
    for (int i = 0; i < layout.size(); ++i) theta[i] += 0.1 * random.normals(static_cast<std::uint64_t>(i))[0];
    return theta;
}

TimeObjective objective_of(const Parts& parts, const ModelLayout& layout, const Loss& loss, int threads = 1) {
    TimeObjective objective(layout, parts.features, parts.observations, parts.prior_mean, parts.prior_precision,
                            threads);
    objective.set_loss(loss);
    objective.set_spreads(somewhere(layout), kSpreads);
    return objective;
}

struct Node {
    double offset, weight;
};

/// Three-point Gauss-Hermite for blank tissue, one point for recorded tissue.
std::vector<Node> nodes(const CaseFeatures& f) {
    if (!std::isnan(f.log_tissue)) return {{0.0, 1.0}};
    const double root3 = std::sqrt(3.0);
    return {{0.0, 2.0 / 3.0}, {root3, 1.0 / 6.0}, {-root3, 1.0 / 6.0}};
}

/// Minutes of the four phases and log fluid of one case, straight from the formulas.
template <typename T>
struct Phases {
    T enucleation, haemostasis, morcellation, room, log_fluid;
};

template <typename T>
Phases<T> phases_of(const T* theta, const CaseFeatures& f, double tissue_offset) {
    using std::exp;
    using std::log;
    const auto level = [&](bool known, int index) { return known ? theta[index] : T(0.0); };
    const T u = level(f.surgeon >= 0, kLayout.surgeon_enucleation_index(f.surgeon));
    const int learning = f.surgeon >= 0 ? kLayout.surgeon_learning_index(f.surgeon) : -1;
    const T w = level(learning >= 0, learning);
    const T v = level(f.surgeon >= 0, kLayout.surgeon_morcellation_index(f.surgeon));
    const T d = level(f.device >= 0, kLayout.device_index(f.device));
    const T tissue = std::isnan(f.log_tissue) ? formulas::log_tissue<T>(theta, f) + tissue_offset : T(f.log_tissue);
    const T blade = formulas::blade_min<T>(theta, f, tissue, v, d);
    const T log_fluid = log(formulas::fluid_ml<T>(theta, f, blade));
    const T swaps = formulas::expected_swaps<T>(log_fluid, f.log_canister, exp(theta[param::fluid_log_sd]));
    return {formulas::enucleation_min<T>(theta, f, u, w), formulas::haemostasis_min<T>(theta, f),
            formulas::morcellation_min<T>(theta, f, blade, swaps), formulas::room_min<T>(theta, f), log_fluid};
}

template <typename T>
T sum_of(const Phases<T>& p, const Observation& o) {
    T sum(0.0);
    if (o.phases & phase::enucleation) sum += p.enucleation;
    if (o.phases & phase::haemostasis) sum += p.haemostasis;
    if (o.phases & phase::morcellation) sum += p.morcellation;
    if (o.phases & phase::room) sum += p.room;
    return sum;
}

/// Cost, gradient and curvature of one observation, re-computed row by row with automatic derivatives.
struct Pull {
    double cost = 0.0;
    Row gradient = Row::Zero();
    double weight = 0.0;          ///< of `direction` in the curvature
    Row direction = Row::Zero();  ///< derivative of the prediction (or of the cost, for counts)
    double residual = 0.0;
};

double bend(const LossValue& value, Curvature curvature) {
    if (curvature == Curvature::reweighted) return value.weight;
    return curvature == Curvature::exact ? std::max(0.0, value.slope) : value.slope;
}

Pull recompute(const Eigen::VectorXd& theta, const CaseFeatures& f, const Observation& o, double spread, double shift,
               const Loss& loss, Curvature curvature) {
    std::array<Jet, kSize> jets;
    for (int i = 0; i < kSize; ++i) jets[static_cast<std::size_t>(i)] = Jet(theta[i], i);
    Pull pull;
    if (o.kind == ObservationKind::swap_count) {
        Jet chance(0.0);
        for (const Node& node : nodes(f)) {
            const Phases<Jet> p = phases_of(jets.data(), f, node.offset * kSpreads[0]);
            const Jet sd = exp(jets[param::fluid_log_sd]);
            const Jet x = p.log_fluid - f.log_canister;
            // P(S C <= F < (S+1) C), from the side that keeps the digits.
            const auto beyond = [&](double count) {
                return count > 0.0 ? normal_cdf<Jet>((x - std::log(count)) / sd) : Jet(1.0);
            };
            const auto below = [&](double count) {
                return count > 0.0 ? normal_cdf<Jet>((std::log(count) - x) / sd) : Jet(0.0);
            };
            const double s = o.recorded;
            const Jet upper = beyond(s), lower = below(s + 1.0);
            chance += node.weight * (upper.a < lower.a ? upper - beyond(s + 1.0) : lower - below(s));
        }
        const Jet cost = -log((1.0 - kMisrecorded) * chance + kMisrecorded);
        pull.cost = cost.a;
        pull.gradient = pull.direction = cost.v;
        pull.weight = 1.0;
        return pull;
    }
    // log of what is left over what is predicted, from kLogFrom down along its tangent.
    const auto log_of_share = [&](const Jet& predicted) {
        const Jet share = (o.recorded - o.offset_min) / predicted;
        return o.offset_min > 0.0 && share.a < kLogFrom ? Jet(std::log(kLogFrom) - 1.0) + share / kLogFrom : log(share);
    };
    Jet ratio(0.0);
    if (o.channel == Channel::tissue) {
        ratio = std::log(o.recorded) - formulas::log_tissue<Jet>(jets.data(), f);
    } else if ((o.phases & phase::morcellation) != 0) {
        for (const Node& node : nodes(f))
            ratio += node.weight * log_of_share(sum_of(phases_of(jets.data(), f, node.offset * kSpreads[0]), o));
    } else {
        ratio = log_of_share(sum_of(phases_of(jets.data(), f, 0.0), o));
    }
    const Jet u = (ratio - shift) / spread;
    pull.residual = u.a;
    pull.direction = -ratio.v;
    if (o.kind == ObservationKind::survivor) {
        const Jet cost = -log((1.0 - kMisrecorded) * normal_cdf<Jet>(-u) + kMisrecorded);
        pull.cost = cost.a;
        pull.gradient = pull.direction = cost.v;
        pull.weight = 1.0;
        return pull;
    }
    const LossValue value = loss(u.a);
    pull.cost = loss.information_factor() * value.rho;
    pull.gradient = loss.information_factor() * value.psi * u.v;
    pull.weight = loss.information_factor() * bend(value, curvature) / (spread * spread);
    return pull;
}

class EveryLossObjective : public ::testing::TestWithParam<std::string> {};

TEST_P(EveryLossObjective, EqualsARowByRowRecomputation) {
    const Loss loss(GetParam());
    const Parts parts = parts_of(mixed_cases(300), kLayout);
    const TimeObjective objective = objective_of(parts, kLayout, loss);
    const Eigen::VectorXd theta = somewhere(kLayout);
    for (const Curvature curvature : {Curvature::reweighted, Curvature::exact, Curvature::signed_exact}) {
        Evaluation found;
        objective.evaluate(theta, curvature, found);
        double cost = 0.0;
        Eigen::VectorXd gradient = Eigen::VectorXd::Zero(kSize);
        Eigen::MatrixXd expected = Eigen::MatrixXd::Zero(kSize, kSize);
        for (std::size_t o = 0; o < objective.observations().size(); ++o) {
            const Observation& one = objective.observations()[o];
            const Pull pull = recompute(theta, parts.features[static_cast<std::size_t>(one.case_index)], one,
                                        objective.spreads()[o], objective.shifts()[o], loss, curvature);
            cost += pull.cost;
            gradient += pull.gradient;
            expected += pull.weight * pull.direction * pull.direction.transpose();
        }
        const Eigen::VectorXd away = theta - parts.prior_mean;
        const Eigen::VectorXd prior_pull = parts.prior_precision * away;
        cost += 0.5 * away.dot(prior_pull);
        gradient += prior_pull;
        expected += parts.prior_precision;
        // Some 1,000 rows are added in another order: 1e-12 of the sizes that are added.
        EXPECT_NEAR(found.cost, cost, 1e-12 * cost);
        const double g_size = gradient.cwiseAbs().maxCoeff(), c_size = expected.diagonal().maxCoeff();
        EXPECT_THAT(found.gradient, EigenNear(gradient, 1e-12 * g_size + 1e-10, 1e-11));
        EXPECT_THAT(found.curvature, EigenNear(expected, 1e-13 * c_size, 1e-10));
    }
}

INSTANTIATE_TEST_SUITE_P(Losses, EveryLossObjective, ::testing::ValuesIn(Loss::names()),
                         [](const auto& one) { return one.param; });

/// One kind of observation at a time, so that a mistake in a rare one cannot hide in the sum.
TEST(TimeObjective, GradientHoldsForEachKindOfObservationAlone) {
    const Parts all = parts_of(mixed_cases(400), kLayout);
    const Eigen::VectorXd theta = somewhere(kLayout);
    const Loss loss("huber");
    std::map<std::string, std::vector<Observation>> kinds;
    for (const Observation& o : all.observations) {
        const CaseFeatures& f = all.features[static_cast<std::size_t>(o.case_index)];
        const bool uses_tissue = (o.phases & phase::morcellation) != 0 || o.kind == ObservationKind::swap_count;
        kinds[std::to_string(static_cast<int>(o.kind)) + " " + std::string(channel_name(o.channel)) + " phases " +
              std::to_string(o.phases) + (o.offset_min > 0.0 ? " offset" : "") +
              (uses_tissue && std::isnan(f.log_tissue) ? " blank tissue" : "") +
              (uses_tissue && std::isfinite(f.log_canister) ? " canister" : "")]
            .push_back(o);
    }
    EXPECT_GE(kinds.size(), 30U) << "the invented cases must bring up the rare kinds";
    for (auto& [name, observations] : kinds) {
        Parts parts = all;
        parts.observations = observations;
        parts.prior_precision.setZero();
        const TimeObjective objective = objective_of(parts, kLayout, loss);
        Evaluation found;
        objective.evaluate(theta, Curvature::reweighted, found);
        Eigen::VectorXd gradient = Eigen::VectorXd::Zero(kSize);
        double cost = 0.0;
        const std::vector<double> residuals = objective.standardised_residuals(theta);
        for (std::size_t o = 0; o < residuals.size(); ++o) {
            const Observation& one = objective.observations()[o];
            const Pull pull = recompute(theta, parts.features[static_cast<std::size_t>(one.case_index)], one,
                                        objective.spreads()[o], objective.shifts()[o], loss, Curvature::reweighted);
            cost += pull.cost;
            gradient += pull.gradient;
            EXPECT_NEAR(residuals[o], pull.residual, 1e-11) << name;
        }
        EXPECT_NEAR(found.cost, cost, 1e-12 * cost) << name;
        EXPECT_THAT(found.gradient, EigenNear(gradient, 1e-11 * gradient.cwiseAbs().maxCoeff(), 1e-10)) << name;
    }
}

TEST(TimeObjective, CountsPayForWhatTheyTellOfBesidesTheSpreadOfFluid) {
    Parts parts = parts_of(mixed_cases(300), kLayout);
    const Eigen::VectorXd theta = somewhere(kLayout);
    const Loss loss("huber");
    const int k = param::fluid_log_sd;
    parts.prior_precision(0, 0) = 1.0;
    const TimeObjective objective = objective_of(parts, kLayout, loss);
    Evaluation whole, counts;
    objective.evaluate(theta, Curvature::reweighted, whole);
    Parts few = parts;
    std::erase_if(few.observations, [](const Observation& o) { return o.kind != ObservationKind::swap_count; });
    few.prior_precision.setZero();
    objective_of(few, kLayout, loss).evaluate(theta, Curvature::reweighted, counts);
    std::vector<int> others(static_cast<std::size_t>(kSize));
    std::iota(others.begin(), others.end(), 0);
    std::erase(others, k);
    const Eigen::MatrixXd held = whole.curvature(others, others), theirs = counts.curvature(others, others);
    const double expected = held.ldlt().solve(theirs).trace();
    EXPECT_GT(expected, 1.0);
    Eigen::MatrixXd inverse = whole.curvature.inverse();
    EXPECT_NEAR(objective.parameters_used_by_counts(theta, inverse), expected, 1e-9 * expected);
    inverse.row(k).setZero();
    inverse.col(k).setZero();
    EXPECT_EQ(objective.parameters_used_by_counts(theta, inverse), 0.0) << "held";
}

TEST(TimeObjective, WhatCountsPayForPullsAtTheSpreadOfFluid) {
    const Parts parts = parts_of(mixed_cases(60), kLayout);
    const Eigen::VectorXd theta = somewhere(kLayout);
    TimeObjective objective = objective_of(parts, kLayout, Loss("huber"));
    Evaluation without, with;
    objective.evaluate(theta, Curvature::exact, without);
    objective.set_counts_used(3.0);
    objective.evaluate(theta, Curvature::exact, with);
    const int k = param::fluid_log_sd;
    EXPECT_NEAR(with.cost - without.cost, -3.0 * theta[k], 1e-12 * with.cost);
    EXPECT_THAT(Eigen::VectorXd(with.gradient - without.gradient),
                EigenNear(Eigen::VectorXd(-3.0 * Eigen::VectorXd::Unit(kSize, k)), 1e-9, 0.0));
    EXPECT_EQ(with.curvature, without.curvature);
}

TEST(TimeObjective, GradientIsTheSlopeOfTheCost) {
    const Parts parts = parts_of(mixed_cases(200), kLayout);
    const Eigen::VectorXd theta = somewhere(kLayout);
    for (const char* loss : {"squares", "bisquare"}) {
        const TimeObjective objective = objective_of(parts, kLayout, Loss(loss));
        Evaluation at, up, down;
        objective.evaluate(theta, Curvature::reweighted, at);
        for (int i = 0; i < kSize; ++i) {
            Eigen::VectorXd moved = theta;
            const double h = 1e-5;
            moved[i] = theta[i] + h;
            objective.evaluate(moved, Curvature::reweighted, up);
            moved[i] = theta[i] - h;
            objective.evaluate(moved, Curvature::reweighted, down);
            // Rounding of costs near 1e3 over 2e-5 is 1e-8; third derivatives times h^2 are of the same size.
            EXPECT_NEAR(at.gradient[i], (up.cost - down.cost) / (2.0 * h), 2e-6 * (10.0 + std::abs(at.gradient[i])))
                << loss << " " << kLayout.names()[static_cast<std::size_t>(i)];
        }
    }
}

TEST(TimeObjective, CurvatureIsSymmetricAndNeverNegative) {
    const Parts parts = parts_of(mixed_cases(300), kLayout);
    const TimeObjective objective = objective_of(parts, kLayout, Loss("bisquare"));
    for (const Curvature curvature : {Curvature::reweighted, Curvature::exact}) {
        Evaluation at;
        objective.evaluate(somewhere(kLayout), curvature, at);
        EXPECT_THAT(at.curvature,
                    EigenNear(Eigen::MatrixXd(at.curvature.transpose()), 1e-12 * at.curvature.maxCoeff(), 0.0));
        const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(at.curvature);
        EXPECT_GT(eigen.eigenvalues().minCoeff(), -1e-9 * eigen.eigenvalues().maxCoeff());
    }
}

TEST(TimeObjective, RowSpreadsCombineThePhasesInMinutes) {
    const Parts parts = parts_of(mixed_cases(300), kLayout);
    const TimeObjective objective = objective_of(parts, kLayout, Loss("huber"));
    const Eigen::VectorXd theta = somewhere(kLayout);
    for (std::size_t o = 0; o < objective.observations().size(); ++o) {
        const Observation& one = objective.observations()[o];
        const CaseFeatures& f = parts.features[static_cast<std::size_t>(one.case_index)];
        double expected = 1.0;
        if (one.channel == Channel::tissue) {
            expected = kSpreads[0];
        } else if (one.kind != ObservationKind::swap_count) {
            const Phases<double> p = phases_of(theta.data(), f, 0.0);
            double variance = 0.0;
            const auto add = [&](std::uint8_t bit, double minutes, Channel channel) {
                if (one.phases & bit) variance += std::pow(kSpreads[static_cast<std::size_t>(channel)] * minutes, 2);
            };
            add(phase::enucleation, p.enucleation, Channel::enucleation);
            add(phase::haemostasis, p.haemostasis, Channel::haemostasis);
            add(phase::morcellation, p.morcellation, Channel::morcellation);
            add(phase::room, p.room, Channel::room);
            if ((one.phases & phase::morcellation) != 0) {
                if (std::isfinite(f.log_canister)) {
                    double mean = 0.0, square = 0.0;
                    for (int j = 1; j < 500; ++j) {
                        const double chance = normal_cdf((p.log_fluid - f.log_canister - std::log(j)) /
                                                         std::exp(theta[param::fluid_log_sd]));
                        mean += chance;
                        square += (2.0 * j - 1.0) * chance;
                    }
                    variance += theta[param::swap_min] * theta[param::swap_min] * (square - mean * mean);
                }
                if (std::isnan(f.log_tissue)) {
                    constexpr double h = 1e-5;
                    const double slope =
                        (phases_of(theta.data(), f, h).morcellation - phases_of(theta.data(), f, -h).morcellation) /
                        (2.0 * h);
                    variance += std::pow(slope * kSpreads[0], 2);
                }
            }
            expected = std::sqrt(variance) / sum_of(p, one);
            if (is_sum(one.channel)) expected *= kSpreads[static_cast<std::size_t>(one.channel)];
        }
        // The tissue slope above is a difference, and counts beyond 40 canisters may be taken as an integral.
        EXPECT_NEAR(objective.spreads()[o], expected, 1e-7 * expected) << channel_name(one.channel);
    }
}

TEST(TimeObjective, ShiftsAreTheMeanLogOfASumOfLogNormals) {
    // Without swaps or blank tissue: E[log(sum)] by two-point-symmetric quadrature over each phase (Gauss-Hermite, 3
    // points each) against the second-order shift. Small spreads, so the next order is below 1e-5.
    CaseTable cases(1);
    cases.gland_ml = {80.0};
    cases.tissue_g = {50.0};
    cases.operative_min = {70.0};
    cases.theatre_min = {130.0};
    Parts parts = parts_of(cases, kLayout);
    parts.observations.push_back({0, ObservationKind::residual, Channel::theatre, 15, 130.0, 0.0});
    TimeObjective objective(kLayout, parts.features, parts.observations, parts.prior_mean, parts.prior_precision, 1);
    const std::array<double, kChannels> small = {0.05, 0.06, 0.08, 0.07, 0.05, 1.0, 1.0};
    const Eigen::VectorXd theta = somewhere(kLayout);
    objective.set_spreads(theta, small);
    const Phases<double> p = phases_of(theta.data(), parts.features[0], 0.0);
    const std::array<double, 4> minutes = {p.enucleation, p.haemostasis, p.morcellation, p.room};
    const std::array<Node, 3> z = {{{0.0, 2.0 / 3.0}, {std::sqrt(3.0), 1.0 / 6.0}, {-std::sqrt(3.0), 1.0 / 6.0}}};
    for (std::size_t o = 0; o < objective.observations().size(); ++o) {
        const Observation& one = objective.observations()[o];
        if (one.channel == Channel::tissue) {
            EXPECT_EQ(objective.shifts()[o], 0.0);
            continue;
        }
        double mean = 0.0;
        for (int k = 0; k < 81; ++k) {
            double weight = 1.0, sum = 0.0;
            int index = k;
            for (std::size_t j = 0; j < 4; ++j, index /= 3) {
                const Node& node = z[static_cast<std::size_t>(index % 3)];
                weight *= node.weight;
                if ((one.phases & (1 << j)) != 0) sum += minutes[j] * std::exp(small[j + 1] * node.offset);
            }
            mean += weight * std::log(sum);
        }
        EXPECT_NEAR(objective.shifts()[o], mean - std::log(sum_of(p, one)), 2e-5) << channel_name(one.channel);
        if (one.phases != phase::room) {
            EXPECT_GT(std::abs(objective.shifts()[o]), 1e-4);
        } else {
            EXPECT_EQ(objective.shifts()[o], 0.0) << "a phase alone";
        }
    }
}

TEST(TimeObjective, ScoreProductAddsUpScoresCaseByCase) {
    const Loss loss("bisquare");
    const Parts parts = parts_of(mixed_cases(260), kLayout);
    const TimeObjective objective = objective_of(parts, kLayout, loss);
    const Eigen::VectorXd theta = somewhere(kLayout);
    Evaluation at;
    objective.evaluate(theta, Curvature::reweighted, at);
    at.curvature.diagonal().array() += 1e-3;
    const Eigen::MatrixXd inverse = at.curvature.ldlt().solve(Eigen::MatrixXd::Identity(kSize, kSize));
    const Eigen::MatrixXd found = objective.score_product(theta, inverse);
    const std::array<double, kChannels> parameters_used = objective.parameters_used(theta, inverse);

    std::vector<Row> score(parts.features.size(), Row::Zero());
    std::array<double, kChannels> used{};
    for (std::size_t o = 0; o < objective.observations().size(); ++o) {
        const Observation& one = objective.observations()[o];
        const auto i = static_cast<std::size_t>(one.case_index);
        const Pull pull = recompute(theta, parts.features[i], one, objective.spreads()[o], objective.shifts()[o], loss,
                                    Curvature::reweighted);
        const double mine = pull.weight * pull.direction.dot(inverse * pull.direction);
        score[i] += pull.gradient / std::sqrt(1.0 - std::min(mine, 0.9));
        if (one.kind == ObservationKind::residual) used[static_cast<std::size_t>(one.channel)] += mine;
    }
    Eigen::MatrixXd expected = Eigen::MatrixXd::Zero(kSize, kSize);
    for (const Row& one : score) expected += one * one.transpose();
    EXPECT_THAT(found, EigenNear(expected, 1e-11 * expected.diagonal().maxCoeff(), 1e-8));
    for (std::size_t c = 0; c < used.size(); ++c) EXPECT_NEAR(parameters_used[c], used[c], 1e-8 * (1.0 + used[c])) << c;
}

TEST(TimeObjective, IsBitIdenticalAtAnyThreadCount) {
    const Parts parts = parts_of(mixed_cases(17000), kLayout);
    const Eigen::VectorXd theta = somewhere(kLayout);
    Evaluation one;
    const TimeObjective single = objective_of(parts, kLayout, Loss("bisquare"), 1);
    single.evaluate(theta, Curvature::exact, one);
    const std::vector<double> residuals = single.standardised_residuals(theta);
    for (const int threads : {2, 4, 0}) {
        const TimeObjective many = objective_of(parts, kLayout, Loss("bisquare"), threads);
        EXPECT_EQ(many.spreads(), single.spreads());
        EXPECT_EQ(many.shifts(), single.shifts());

        Evaluation other;
        many.evaluate(theta, Curvature::exact, other);
        EXPECT_EQ(one.cost, other.cost);
        EXPECT_THAT(other.gradient, EigenIdentical(one.gradient)) << threads;
        EXPECT_THAT(other.curvature, EigenIdentical(one.curvature)) << threads;
        EXPECT_EQ(many.standardised_residuals(theta), residuals);
        const Eigen::MatrixXd inverse = Eigen::MatrixXd::Identity(kSize, kSize) * 1e-4;
        EXPECT_THAT(many.score_product(theta, inverse), EigenIdentical(single.score_product(theta, inverse)));
    }
}

TEST(TimeObjective, NamesTheCaseThatIsNotFinite) {
    for (const int threads : {1, 4}) {
        Parts parts = parts_of(mixed_cases(threads == 1 ? 300 : 17000), kLayout);
        parts.features[217].log_v80 = std::nan("");
        TimeObjective objective(kLayout, parts.features, parts.observations, parts.prior_mean, parts.prior_precision,
                                threads);
        Evaluation out;
        try {
            objective.evaluate(somewhere(kLayout), Curvature::exact, out);
            FAIL() << "accepted";
        } catch (const NotFinite& error) {
            EXPECT_THAT(error.what(), ::testing::HasSubstr("case 218"));
        }
    }
}

TEST(TimeObjective, WithoutObservationsIsThePriorAlone) {
    Parts parts = parts_of(CaseTable(0), kLayout);
    const TimeObjective objective = objective_of(parts, kLayout, Loss("huber"));
    const Eigen::VectorXd theta = somewhere(kLayout);
    Evaluation out;
    objective.evaluate(theta, Curvature::exact, out);
    EXPECT_THAT(out.gradient,
                EigenNear(Eigen::VectorXd(parts.prior_precision * (theta - parts.prior_mean)), 1e-14, 1e-14));
    EXPECT_THAT(out.curvature, EigenNear(parts.prior_precision, 0.0, 0.0));
}

TEST(TimeObjective, AMisrecordedCountOrBoundPullsOnlySoMuch) {
    // One case with an absurd swap count: its cost is at most -log(kMisrecorded).
    CaseTable cases(1);
    cases.gland_ml = {60.0};
    cases.tissue_g = {30.0};
    cases.canister_ml = {3000.0};
    cases.canister_swaps = {400.0};
    Parts parts = parts_of(cases, kLayout);
    parts.prior_precision.setZero();
    parts.observations = {{0, ObservationKind::swap_count, Channel::morcellation, 0, 400.0, 0.0},
                          {0, ObservationKind::survivor, Channel::enucleation, phase::enucleation, 1e7, 0.0}};
    const TimeObjective objective = objective_of(parts, kLayout, Loss("huber"));
    Evaluation out;
    objective.evaluate(somewhere(kLayout), Curvature::exact, out);
    EXPECT_NEAR(out.cost, -2.0 * std::log(kMisrecorded), 1e-6);
    EXPECT_LT(out.gradient.cwiseAbs().maxCoeff(), 1e-6);
}

}  // namespace
}  // namespace lobetime
