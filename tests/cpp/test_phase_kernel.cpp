#include <lobetime/core/random.hpp>
#include <lobetime/model/formulas.hpp>
#include <lobetime/model/phase_kernel.hpp>

#include "simulated_unit.hpp"

#include <ceres/jet.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <string>
#include <vector>

namespace lobetime {
namespace {

const ModelLayout kLayout({"A", "B", "C"}, {"D1", "D2"}, {"A", "C"});
constexpr int kSize = param::Count + 2 + 2 * 3 + 2;
using Jet = ceres::Jet<double, kSize>;

/// Every kind of case: blanks, swaps recorded or not, drains, first and plateau case numbers, tiny and huge glands.
std::vector<CaseFeatures> every_kind_of_case(std::size_t n) {
    const CounterRandom random(17, stable_hash("every kind of case"));
    CaseTable cases(n);
    const auto pick = [](double u, int choices) { return static_cast<int>(u * choices); };
    for (std::size_t i = 0; i < n; ++i) {
        const auto a = random.uniforms(4 * i), b = random.uniforms(4 * i + 1), c = random.uniforms(4 * i + 2);
        const auto d = random.uniforms(4 * i + 3);
        cases.gland_ml[i] = 15.0 * std::exp(3.2 * a[0]);
        if (a[1] < 0.6) cases.tissue_g[i] = 0.7 * cases.gland_ml[i] * std::exp(a[2] - 0.5);
        constexpr std::array<const char*, 5> surgeons = {"A", "B", "C", "", "unknown"};
        cases.surgeon[i] = surgeons[static_cast<std::size_t>(pick(a[3], 5))];
        constexpr std::array<const char*, 4> devices = {"D1", "D2", "", "unknown"};
        cases.device[i] = devices[static_cast<std::size_t>(pick(b[0], 4))];
        if (b[1] < 0.8) cases.surgeon_case_no[i] = b[1] < 0.2 ? 1.0 : std::floor(1.0 + 200.0 * b[1] * b[1]);
        cases.blade[i] = static_cast<BladeMotion>(pick(b[2], 3));
        cases.suction[i] = static_cast<Suction>(pick(b[3], 4));
        constexpr std::array<double, 5> canisters = {500.0, 2000.0, 10000.0, std::numeric_limits<double>::infinity(),
                                                     std::numeric_limits<double>::quiet_NaN()};
        cases.canister_ml[i] = canisters[static_cast<std::size_t>(pick(c[0], 5))];
        cases.trainee[i] = c[2] < 0.3 ? 1.0 : 0.0;
        cases.anticoagulated[i] = c[3] < 0.3 ? 1.0 : std::nan("");
        cases.hard_nodule[i] = d[0] < 0.3 ? 1.0 : 0.0;
        cases.device_fault[i] = d[1] < 0.2 ? 1.0 : 0.0;
        cases.anaesthesia[i] = static_cast<Anaesthesia>(pick(d[2], 3));
    }
    return case_features(cases, kLayout);
}

std::array<Jet, kSize> seeded(const Eigen::VectorXd& theta) {
    std::array<Jet, kSize> jets;
    for (int i = 0; i < kSize; ++i) jets[static_cast<std::size_t>(i)] = Jet(theta[i], i);
    return jets;
}

/// The kernel sums the same terms in another order and stops swaps beyond 8.3 SD (1e-16 of a swap): a relative
/// difference of some hundred roundings is allowed, and of a slope that cancels to near 0 an absolute 1e-13.
void expect_same(double found, double expected, const std::string& what) {
    EXPECT_NEAR(found, expected, 5e-13 * std::abs(expected) + 1e-13) << what;
}

std::vector<int> all_of(std::size_t n) {
    std::vector<int> cases(n);
    std::iota(cases.begin(), cases.end(), 0);
    return cases;
}

Jet level(const std::array<Jet, kSize>& theta, int index) {
    return index >= 0 ? theta[static_cast<std::size_t>(index)] : Jet(0.0);
}

class PhaseKernelTest : public ::testing::TestWithParam<double> {
protected:
    /// The invented unit and two walks away from it, so that no derivative is right by accident of the values.
    Eigen::VectorXd theta() const {
        Eigen::VectorXd t = lobetime::testing::true_theta(kLayout);
        const CounterRandom random(23, 1);
        for (int i = 0; i < kSize; ++i) t[i] += GetParam() * random.normals(static_cast<std::uint64_t>(i))[0];
        t[param::e_learn] = std::abs(t[param::e_learn]);
        t[param::m_learn] = std::abs(t[param::m_learn]);
        return t;
    }
    std::vector<CaseFeatures> features = every_kind_of_case(600);

    template <typename Tile, std::size_t N, typename Kernel, typename Formula>
    void compare(const std::array<int, N>& columns, const Kernel& kernel, const Formula& formula) {
        const auto jets = seeded(theta());
        const std::vector<int> order = all_of(features.size());
        for (std::size_t begin = 0; begin < order.size(); begin += kTile) {
            const std::size_t n = std::min<std::size_t>(kTile, order.size() - begin);
            Tile tile;
            kernel(std::span<const CaseFeatures>(features), std::span<const int>(order).subspan(begin, n), tile);
            for (std::size_t i = 0; i < n; ++i) {
                const Jet minutes = formula(jets.data(), features[begin + i]);
                const std::string where = "case " + std::to_string(begin + i) + " ";
                expect_same(tile.minutes[i] / minutes.a, 1.0, where + "minutes");
                for (std::size_t c = 0; c < N; ++c)
                    expect_same(tile.slope[c][i], minutes.v[columns[c]] / minutes.a,
                                where + kLayout.names()[static_cast<std::size_t>(columns[c])]);
                for (int j = 0; j < param::Count; ++j) {
                    if (std::find(columns.begin(), columns.end(), j) == columns.end()) {
                        EXPECT_EQ(minutes.v[j], 0.0)
                            << where << "moves with " << kLayout.names()[static_cast<std::size_t>(j)];
                    }
                }
            }
        }
    }
};

TEST_P(PhaseKernelTest, EnucleationMatchesAutomaticDerivatives) {
    const PhaseKernel kernel(theta(), kLayout);
    const auto jets = seeded(theta());
    compare<EnucleationTile>(
        phase_parameters::enucleation, [&](auto f, auto cases, auto& tile) { kernel.enucleation(f, cases, tile); },
        [&](const Jet* t, const CaseFeatures& f) {
            return formulas::enucleation_min<Jet>(
                t, f, level(jets, f.surgeon >= 0 ? kLayout.surgeon_enucleation_index(f.surgeon) : -1),
                level(jets, f.surgeon >= 0 ? kLayout.surgeon_learning_index(f.surgeon) : -1));
        });
}

TEST_P(PhaseKernelTest, LearningSlopeIsThatOfTheSurgeonsOwnLearning) {
    const auto jets = seeded(theta());
    EnucleationTile tile;
    PhaseKernel(theta(), kLayout).enucleation(features, all_of(kTile), tile);
    int learners = 0;
    for (std::size_t i = 0; i < kTile; ++i) {
        const CaseFeatures& f = features[i];
        const int learning = f.surgeon >= 0 ? kLayout.surgeon_learning_index(f.surgeon) : -1;
        if (learning < 0) continue;
        const Jet minutes = formulas::enucleation_min<Jet>(
            jets.data(), f, level(jets, kLayout.surgeon_enucleation_index(f.surgeon)), level(jets, learning));
        expect_same(tile.learning_slope[i], minutes.v[learning] / minutes.a, "case " + std::to_string(i));
        learners += f.cases_done < 100.0 ? 1 : 0;
    }
    EXPECT_GT(learners, 10);
}

TEST_P(PhaseKernelTest, HaemostasisMatchesAutomaticDerivatives) {
    const PhaseKernel kernel(theta(), kLayout);
    compare<PhaseTile<phase_parameters::haemostasis.size()>>(
        phase_parameters::haemostasis, [&](auto f, auto cases, auto& tile) { kernel.haemostasis(f, cases, tile); },
        [](const Jet* t, const CaseFeatures& f) { return formulas::haemostasis_min<Jet>(t, f); });
}

TEST_P(PhaseKernelTest, RoomMatchesAutomaticDerivatives) {
    const PhaseKernel kernel(theta(), kLayout);
    compare<PhaseTile<phase_parameters::room.size()>>(
        phase_parameters::room, [&](auto f, auto cases, auto& tile) { kernel.room(f, cases, tile); },
        [](const Jet* t, const CaseFeatures& f) { return formulas::room_min<Jet>(t, f); });
}

TEST_P(PhaseKernelTest, MorcellationMatchesAutomaticDerivatives) {
    const Eigen::VectorXd at = theta();
    const PhaseKernel kernel(at, kLayout);
    const auto jets = seeded(at);
    const std::vector<int> order = all_of(features.size());
    for (const double offset : {0.0, 0.3, -0.35}) {
        for (std::size_t begin = 0; begin < order.size(); begin += kTile) {
            const std::size_t n = std::min<std::size_t>(kTile, order.size() - begin);
            MorcellationTile tile;
            FluidTile fluid;
            kernel.morcellation(features, std::span<const int>(order).subspan(begin, n), offset, tile, fluid);
            for (std::size_t i = 0; i < n; ++i) {
                const CaseFeatures& f = features[begin + i];
                const std::string where = "case " + std::to_string(begin + i) + " ";
                const int surgeon = f.surgeon >= 0 ? kLayout.surgeon_morcellation_index(f.surgeon) : -1;
                const int device = f.device >= 0 ? kLayout.device_index(f.device) : -1;
                const bool blank = std::isnan(f.log_tissue);
                const Jet tissue = blank ? formulas::log_tissue(jets.data(), f) + offset : Jet(f.log_tissue);
                const Jet blade =
                    formulas::blade_min<Jet>(jets.data(), f, tissue, level(jets, surgeon), level(jets, device));
                const Jet log_fluid = log(formulas::fluid_ml<Jet>(jets.data(), f, blade));
                const Jet swaps =
                    formulas::expected_swaps<Jet>(log_fluid, f.log_canister, exp(jets[param::fluid_log_sd]));
                const Jet minutes = formulas::morcellation_min<Jet>(jets.data(), f, blade, swaps);
                expect_same(tile.minutes[i] / minutes.a, 1.0, where + "minutes");
                expect_same(fluid.log_fluid[i], log_fluid.a, where + "log fluid");
                expect_same(fluid.log_fluid_per_carry_over[i], log_fluid.v[param::carry_over_ml],
                            where + "fluid, carry-over");
                expect_same(-fluid.log_fluid_per_log_blade[i], log_fluid.v[param::rate_50], where + "fluid, blade");
                std::array<bool, kSize> listed{};
                for (std::size_t c = 0; c < phase_parameters::morcellation.size(); ++c) {
                    const int j = phase_parameters::morcellation[c];
                    listed[static_cast<std::size_t>(j)] = true;
                    expect_same(tile.slope[c][i], minutes.v[j] / minutes.a,
                                where + kLayout.names()[static_cast<std::size_t>(j)]);
                }
                for (int j = 0; j < kSize; ++j) {
                    const double expected = minutes.v[j] / minutes.a;
                    if (j == surgeon) {
                        expect_same(tile.blade_slope[i], expected, where + "surgeon level");
                    } else if (j == device) {
                        expect_same(-tile.blade_slope[i], expected, where + "device level");
                    } else if (!listed[static_cast<std::size_t>(j)]) {
                        EXPECT_EQ(expected, 0.0) << where << kLayout.names()[static_cast<std::size_t>(j)];
                    }
                }
                // Tissue itself, by shifting it: slope in the yield parameter where that is what moves it.
                if (blank) {
                    expect_same(tile.tissue_slope[i], minutes.v[param::yield_g_80] / minutes.a, where + "tissue");
                }
            }
        }
    }
}

TEST_P(PhaseKernelTest, TissueSlopeHoldsForRecordedTissueToo) {
    const Eigen::VectorXd at = theta();
    const PhaseKernel kernel(at, kLayout);
    using One = ceres::Jet<double, 1>;
    std::vector<One> constants;
    for (int i = 0; i < kSize; ++i) constants.emplace_back(at[i]);
    MorcellationTile tile;
    FluidTile fluid;
    const std::vector<int> order = all_of(kTile);
    kernel.morcellation(features, order, 0.0, tile, fluid);
    for (std::size_t i = 0; i < kTile; ++i) {
        const CaseFeatures& f = features[i];
        if (std::isnan(f.log_tissue)) continue;
        const One tissue(f.log_tissue, 0);
        const One v(f.surgeon >= 0 ? at[kLayout.surgeon_morcellation_index(f.surgeon)] : 0.0);
        const One d(f.device >= 0 ? at[kLayout.device_index(f.device)] : 0.0);
        const One blade = formulas::blade_min<One>(constants.data(), f, tissue, v, d);
        const One swaps = formulas::expected_swaps<One>(log(formulas::fluid_ml<One>(constants.data(), f, blade)),
                                                        f.log_canister, exp(constants[param::fluid_log_sd]));
        const One minutes = formulas::morcellation_min<One>(constants.data(), f, blade, swaps);
        expect_same(tile.tissue_slope[i], minutes.v[0] / minutes.a, "case " + std::to_string(i));
    }
}

INSTANTIATE_TEST_SUITE_P(Walks, PhaseKernelTest, ::testing::Values(0.0, 0.15, 0.4));

TEST(PhaseKernelTile, SwapVarianceIsThatOfTheCount) {
    // Var(floor(F / C)) by summing (2j - 1) P(F > jC), for counts far below and around one canister and above.
    const Eigen::VectorXd theta = lobetime::testing::true_theta(kLayout);
    const PhaseKernel kernel(theta, kLayout);
    const double spread = std::exp(theta[param::fluid_log_sd]);
    CaseTable cases(4);
    cases.gland_ml = {30.0, 80.0, 150.0, 150.0};
    cases.canister_ml = {2000.0, 2000.0, 1000.0, std::numeric_limits<double>::infinity()};
    const auto features = case_features(cases, kLayout);
    MorcellationTile tile;
    FluidTile fluid;
    kernel.morcellation(features, all_of(4), 0.0, tile, fluid);
    for (std::size_t i = 0; i < 3; ++i) {
        double mean = 0.0, square = 0.0;
        for (int j = 1; j < 3000; ++j) {
            const double p = normal_cdf((fluid.log_fluid[i] - features[i].log_canister - std::log(j)) / spread);
            mean += p;
            square += (2.0 * j - 1.0) * p;
        }
        // Counts beyond 40 canisters are taken as an integral.
        EXPECT_NEAR(tile.swap_variance[i], square - mean * mean, 1e-7) << i;
    }
    EXPECT_EQ(tile.swap_variance[3], 0.0) << "nothing is full of a continuous drain";
}

TEST(PhaseKernelTile, SwapsJoinSmoothlyWhereSummingTurnsIntoIntegrating) {
    // Walking fluid through 40 canisters, value and slope must not jump (the solver would stall on a step).
    const Eigen::VectorXd theta = lobetime::testing::true_theta(kLayout);
    const PhaseKernel kernel(theta, kLayout);
    MorcellationTile tile;
    FluidTile fluid;
    double before = 0.0, slope_before = 0.0;
    bool first = true;
    for (double log_canister = std::log(2000.0); log_canister > std::log(30.0); log_canister -= 1e-3) {
        CaseTable cases(1);
        cases.gland_ml = {120.0};
        auto features = case_features(cases, kLayout);
        features[0].log_canister = log_canister;
        kernel.morcellation(features, all_of(1), 0.0, tile, fluid);
        if (!first) {
            EXPECT_NEAR(tile.minutes[0] / before, 1.0, 2e-3) << log_canister;
            EXPECT_NEAR(tile.slope[9][0], slope_before, 2e-3 * std::max(1e-3, std::abs(slope_before)) + 1e-5)
                << log_canister;
        }
        before = tile.minutes[0];
        slope_before = tile.slope[9][0];
        first = false;
    }
}

TEST(PhaseKernelTile, ResultsDoNotDependOnPlaceOrSizeOfTheTile) {
    const PhaseKernel kernel(lobetime::testing::true_theta(kLayout), kLayout);
    const auto features = every_kind_of_case(50);
    MorcellationTile whole, part;
    FluidTile fluid;
    kernel.morcellation(features, all_of(50), 0.0, whole, fluid);
    for (int i = 0; i < 50; ++i) {
        const std::vector<int> alone = {i};
        kernel.morcellation(features, alone, 0.0, part, fluid);
        // Packet and scalar exponentials may differ in the last place.
        EXPECT_NEAR(part.minutes[0], whole.minutes[static_cast<std::size_t>(i)], 1e-13 * part.minutes[0]) << i;
    }
}

}  // namespace
}  // namespace lobetime
