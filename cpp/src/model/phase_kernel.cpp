#include <lobetime/model/formulas.hpp>
#include <lobetime/model/phase_kernel.hpp>

#include "core/vector_math.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numeric>

namespace lobetime {
namespace {

/// Swaps of a tile: expected of the fluid with derivatives in its log and in log of its spread; and the
/// second moment of the count.
struct SwapTile {
    TileArray expected, per_log_fluid, per_log_spread, second_moment;
};

struct SwapLogs {
    std::array<double, formulas::kSummedSwaps + 1> log_j{};
    double log_a = std::log(formulas::kSummedSwaps + 0.5);
    SwapLogs() {
        for (int j = 1; j <= formulas::kSummedSwaps; ++j) log_j[static_cast<std::size_t>(j)] = std::log(j);
    }
};
const SwapLogs kSwapLogs;

constexpr double kNegligible = 8.3;  // normal_cdf(-8.3) is below 1e-16

/// Standard normal distribution function and density.
LOBETIME_ALWAYS_INLINE vector_math::NormalTail below(double z) {
    const vector_math::NormalTail tail = vector_math::normal_tail(std::abs(z));
    return {tail.density, z < 0.0 ? tail.beyond : 1.0 - tail.beyond};
}

/// Adds what the j-th swap adds.
LOBETIME_VECTOR_CLONES void add_swap(std::size_t n, const TileArray& x, double j, double log_j, double spread,
                                     SwapTile& out) {
    for (std::size_t i = 0; i < n; ++i) {
        const double z = (x[i] - log_j) / spread;
        const vector_math::NormalTail normal = below(z);
        double p = z > kNegligible ? 1.0 : normal.beyond;
        p = z < -kNegligible ? 0.0 : p;
        const double density = std::abs(z) > kNegligible ? 0.0 : normal.density;
        out.expected[i] += p;
        out.second_moment[i] += (2.0 * j - 1.0) * p;
        out.per_log_fluid[i] += density / spread;
        out.per_log_spread[i] -= density * z;
    }
}

/// Adds the swaps beyond those that are summed, as an integral, to fluids that get there.
LOBETIME_VECTOR_CLONES void add_integrated_swaps(std::size_t n, const TileArray& x, double spread, SwapTile& out) {
    const double a = formulas::kSummedSwaps + 0.5, log_a = kSwapLogs.log_a;
    const double log_last = kSwapLogs.log_j[formulas::kSummedSwaps], variance = vector_math::exp(spread * spread);
    for (std::size_t i = 0; i < n; ++i) {
        const bool there = (x[i] - log_last) / spread >= -kNegligible;
        const double d = (x[i] - log_a) / spread;
        const double mean = vector_math::exp(x[i] + 0.5 * spread * spread);
        const vector_math::NormalTail shifted = below(d + spread);
        const double beyond = mean * shifted.beyond, at_d = below(d).beyond;
        out.expected[i] += there ? beyond - a * at_d : 0.0;
        out.per_log_fluid[i] += there ? beyond : 0.0;
        out.per_log_spread[i] += there ? spread * mean * (spread * shifted.beyond + shifted.density) : 0.0;
        // Sum of (2j - 1) P(F > jC) beyond the summed swaps, as an integral from a.
        out.second_moment[i] +=
            there ? mean * mean * variance * below(d + 2.0 * spread).beyond - beyond - (a * a - a) * at_d : 0.0;
    }
}

/// Expected swaps of n fluids, `x` the log of each over its canister.
void expect_swaps(std::size_t n, const TileArray& x, double spread, SwapTile& out) {
    // Most fluid first: a few cases with many swaps then do not keep the others waiting for swaps that they never get
    // to.
    std::array<std::uint32_t, kTile> order;
    std::iota(order.begin(), order.begin() + static_cast<std::ptrdiff_t>(n), 0U);
    std::sort(order.begin(), order.begin() + static_cast<std::ptrdiff_t>(n),
              [&](std::uint32_t a, std::uint32_t b) { return x[a] > x[b]; });
    TileArray sorted;
    for (std::size_t i = 0; i < n; ++i) sorted[i] = x[order[i]];
    SwapTile sums;
    for (TileArray* sum : {&sums.expected, &sums.per_log_fluid, &sums.per_log_spread, &sums.second_moment})
        std::fill_n(sum->begin(), n, 0.0);
    std::size_t left = n;
    for (int j = 1; j <= formulas::kSummedSwaps; ++j) {
        const double log_j = kSwapLogs.log_j[static_cast<std::size_t>(j)];
        while (left > 0 && (sorted[left - 1] - log_j) / spread < -kNegligible) --left;
        if (left == 0) break;
        add_swap(left, sorted, j, log_j, spread, sums);
    }
    if (left > 0) add_integrated_swaps(left, sorted, spread, sums);
    for (std::size_t i = 0; i < n; ++i) {
        out.expected[order[i]] = sums.expected[i];
        out.per_log_fluid[order[i]] = sums.per_log_fluid[i];
        out.per_log_spread[order[i]] = sums.per_log_spread[i];
        out.second_moment[order[i]] = sums.second_moment[i];
    }
}

/// Share of the first case's extra time that is left after so many cases. Its slope along log half is left (1 - left).
LOBETIME_ALWAYS_INLINE double left_of(double half, double cases_done) { return half / (half + cases_done); }

/// One array for each feature a phase asks for, so that loops over a tile are vectorised.
struct EnucleationInput {
    TileArray log_v80, cases_done, trainee, level;
    TileArray gain;  ///< what e_learn is multiplied by for the surgeon
};

struct EnucleationValues {
    double e_fixed, e_80, e_exponent, e_learn, e_trainee, half;
};

LOBETIME_VECTOR_CLONES void enucleation_tile(std::size_t n, const EnucleationInput& in, const EnucleationValues& v,
                                             EnucleationTile& out) {
    using phase_parameters::in_enucleation;
    for (std::size_t i = 0; i < n; ++i) {
        const double left = left_of(v.half, in.cases_done[i]);
        const double grown = v.e_80 * vector_math::exp(v.e_exponent * in.log_v80[i]);
        const double base = v.e_fixed + grown;
        const double learn = v.e_learn * in.gain[i], learning = 1.0 + learn * left;
        out.minutes[i] = base * learning * vector_math::exp(in.level[i] + v.e_trainee * in.trainee[i]);
        const double share = 1.0 / base, per_learning = left / learning;
        out.slope[in_enucleation<param::e_fixed>][i] = share;
        out.slope[in_enucleation<param::e_80>][i] = grown * share;
        out.slope[in_enucleation<param::e_exponent>][i] = grown * in.log_v80[i] * share;
        out.slope[in_enucleation<param::e_learn>][i] = in.gain[i] * per_learning;
        out.slope[in_enucleation<param::e_half>][i] = learn * (1.0 - left) * per_learning;
        out.slope[in_enucleation<param::e_trainee>][i] = in.trainee[i];
        out.learning_slope[i] = learn * per_learning;
    }
}

struct MorcellationInput {
    TileArray cases_done, oscillating, vacuum, peristaltic, wall, trainee, hard_nodule, device_fault;
    TileArray log_v80, log_tissue, blank_tissue, level;  ///< level: of the surgeon less that of the device
};

struct MorcellationValues {
    double rate_50, rate_exponent, blade_oscillating, suction_peristaltic, suction_wall, m_learn, half, m_fixed,
        swap_min, carry_over, flow_vacuum, flow_peristaltic, flow_wall, m_trainee, m_hard_nodule, fault;
};

const double kLog50 = std::log(50.0);

LOBETIME_VECTOR_CLONES void fluid_tile(std::size_t n, const MorcellationInput& in, const MorcellationValues& v,
                                       TileArray& left, TileArray& blade, FluidTile& out) {
    const double log_50 = kLog50;
    for (std::size_t i = 0; i < n; ++i) {
        left[i] = left_of(v.half, in.cases_done[i]);
        const double log_rate = v.rate_50 + v.rate_exponent * (in.log_tissue[i] - log_50) +
                                v.blade_oscillating * in.oscillating[i] + v.suction_peristaltic * in.peristaltic[i] +
                                v.suction_wall * in.wall[i];
        const double log_blade = in.log_tissue[i] - log_rate + in.level[i] + v.m_trainee * in.trainee[i] +
                                 v.m_hard_nodule * in.hard_nodule[i];
        blade[i] = vector_math::exp(log_blade) * (1.0 + v.m_learn * left[i]);
    }
    for (std::size_t i = 0; i < n; ++i) {
        const double flow = vector_math::exp(v.flow_vacuum * in.vacuum[i] + v.flow_peristaltic * in.peristaltic[i] +
                                             v.flow_wall * in.wall[i]);
        const double from_flow = flow * blade[i];
        const double fluid_ml = v.carry_over + from_flow;
        const double share = 1.0 / fluid_ml;
        out.log_fluid[i] = vector_math::log(fluid_ml);
        out.log_fluid_per_log_blade[i] = from_flow * share;
        out.log_fluid_per_carry_over[i] = v.carry_over * share;
    }
}

LOBETIME_VECTOR_CLONES void morcellation_tile(std::size_t n, const MorcellationInput& in, const MorcellationValues& v,
                                              const TileArray& left, const TileArray& blade, const FluidTile& fluid,
                                              const SwapTile& swaps, MorcellationTile& out) {
    using phase_parameters::in_morcellation;
    const double log_50 = kLog50, tissue_to_blade = 1.0 - v.rate_exponent;
    TileArray share, per_log_fluid;
    for (std::size_t i = 0; i < n; ++i) {
        const double minutes = v.m_fixed + blade[i] + v.swap_min * swaps.expected[i] + v.fault * in.device_fault[i];
        share[i] = 1.0 / minutes;
        per_log_fluid[i] = v.swap_min * swaps.per_log_fluid[i] * share[i];
        const double per_log_blade = blade[i] * share[i] + per_log_fluid[i] * fluid.log_fluid_per_log_blade[i];
        out.minutes[i] = minutes;
        out.blade_slope[i] = per_log_blade;
        out.tissue_slope[i] = tissue_to_blade * per_log_blade;
        out.slope[in_morcellation<param::m_fixed>][i] = v.m_fixed * share[i];
        out.slope[in_morcellation<param::swap_min>][i] = swaps.expected[i] * share[i];
        out.slope[in_morcellation<param::fluid_log_sd>][i] = v.swap_min * swaps.per_log_spread[i] * share[i];
        out.slope[in_morcellation<param::fault_min>][i] = in.device_fault[i] * share[i];
    }
    for (std::size_t i = 0; i < n; ++i) {
        const double per_log_blade = out.blade_slope[i];
        const double learning = left[i] / (1.0 + v.m_learn * left[i]) * per_log_blade;
        out.slope[in_morcellation<param::rate_50>][i] = -per_log_blade;
        out.slope[in_morcellation<param::rate_exponent>][i] = -(in.log_tissue[i] - log_50) * per_log_blade;
        out.slope[in_morcellation<param::blade_oscillating>][i] = -in.oscillating[i] * per_log_blade;
        out.slope[in_morcellation<param::suction_peristaltic>][i] = -in.peristaltic[i] * per_log_blade;
        out.slope[in_morcellation<param::suction_wall>][i] = -in.wall[i] * per_log_blade;
        out.slope[in_morcellation<param::m_learn>][i] = learning;
        out.slope[in_morcellation<param::m_half>][i] = v.m_learn * (1.0 - left[i]) * learning;
        out.slope[in_morcellation<param::m_trainee>][i] = in.trainee[i] * per_log_blade;
        out.slope[in_morcellation<param::m_hard_nodule>][i] = in.hard_nodule[i] * per_log_blade;
    }
    for (std::size_t i = 0; i < n; ++i) {
        const double per_flow = per_log_fluid[i] * fluid.log_fluid_per_log_blade[i];
        const double per_yield = in.blank_tissue[i] * out.tissue_slope[i];
        out.slope[in_morcellation<param::carry_over_ml>][i] = per_log_fluid[i] * fluid.log_fluid_per_carry_over[i];
        out.slope[in_morcellation<param::flow_vacuum>][i] = per_flow * in.vacuum[i];
        out.slope[in_morcellation<param::flow_peristaltic>][i] = per_flow * in.peristaltic[i];
        out.slope[in_morcellation<param::flow_wall>][i] = per_flow * in.wall[i];
        out.slope[in_morcellation<param::yield_g_80>][i] = per_yield;
        out.slope[in_morcellation<param::yield_exponent>][i] = per_yield * in.log_v80[i];
    }
}

}  // namespace

PhaseKernel::PhaseKernel(const Eigen::VectorXd& theta, const ModelLayout& layout)
    : layout_(&layout), theta_(theta), natural_(static_cast<Eigen::Index>(param::Count)) {
    for (int i = 0; i < param::Count; ++i) natural_[i] = to_natural(layout.transform(i), theta[i]);
}

double PhaseKernel::log_yield(const CaseFeatures& f) const { return formulas::log_tissue(theta_.data(), f); }

void PhaseKernel::enucleation(std::span<const CaseFeatures> features, std::span<const int> cases,
                              EnucleationTile& out) const {
    EnucleationInput in;
    for (std::size_t i = 0; i < cases.size(); ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        in.log_v80[i] = f.log_v80;
        in.cases_done[i] = f.cases_done;
        in.trainee[i] = f.trainee;
        in.level[i] = f.surgeon >= 0 ? theta_[layout_->surgeon_enucleation_index(f.surgeon)] : 0.0;
        const int learning = f.surgeon >= 0 ? layout_->surgeon_learning_index(f.surgeon) : -1;
        in.gain[i] = learning >= 0 ? std::exp(theta_[learning]) : 1.0;
    }
    enucleation_tile(cases.size(), in,
                     {natural_[param::e_fixed], natural_[param::e_80], natural_[param::e_exponent],
                      natural_[param::e_learn], natural_[param::e_trainee], natural_[param::e_half]},
                     out);
}

void PhaseKernel::haemostasis(std::span<const CaseFeatures> features, std::span<const int> cases,
                              PhaseTile<phase_parameters::haemostasis.size()>& out) const {
    const double anticoagulated = natural_[param::h_min] * std::exp(natural_[param::h_anticoagulated]);
    for (std::size_t i = 0; i < cases.size(); ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        out.minutes[i] = f.anticoagulated > 0.0 ? anticoagulated : natural_[param::h_min];
        out.slope[0][i] = 1.0;
        out.slope[1][i] = f.anticoagulated;
    }
}

void PhaseKernel::room(std::span<const CaseFeatures> features, std::span<const int> cases,
                       PhaseTile<phase_parameters::room.size()>& out) const {
    const double spinal = natural_[param::room_min] * std::exp(natural_[param::room_spinal]);
    for (std::size_t i = 0; i < cases.size(); ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        out.minutes[i] = f.spinal > 0.0 ? spinal : natural_[param::room_min];
        out.slope[0][i] = 1.0;
        out.slope[1][i] = f.spinal;
    }
}

void PhaseKernel::morcellation(std::span<const CaseFeatures> features, std::span<const int> cases, double tissue_offset,
                               MorcellationTile& out, FluidTile& fluid) const {
    const std::size_t n = cases.size();
    const double spread = natural_[param::fluid_log_sd];
    MorcellationInput in;
    for (std::size_t i = 0; i < n; ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        const bool blank = std::isnan(f.log_tissue);
        in.log_tissue[i] = blank ? log_yield(f) + tissue_offset : f.log_tissue;
        in.blank_tissue[i] = blank ? 1.0 : 0.0;
        in.log_v80[i] = f.log_v80;
        in.cases_done[i] = f.cases_done;
        in.oscillating[i] = f.oscillating;
        in.vacuum[i] = f.vacuum;
        in.peristaltic[i] = f.peristaltic;
        in.wall[i] = f.wall;
        in.trainee[i] = f.trainee;
        in.hard_nodule[i] = f.hard_nodule;
        in.device_fault[i] = f.device_fault;
        in.level[i] = (f.surgeon >= 0 ? theta_[layout_->surgeon_morcellation_index(f.surgeon)] : 0.0) -
                      (f.device >= 0 ? theta_[layout_->device_index(f.device)] : 0.0);
    }
    const MorcellationValues values = {
        .rate_50 = theta_[param::rate_50],
        .rate_exponent = natural_[param::rate_exponent],
        .blade_oscillating = natural_[param::blade_oscillating],
        .suction_peristaltic = natural_[param::suction_peristaltic],
        .suction_wall = natural_[param::suction_wall],
        .m_learn = natural_[param::m_learn],
        .half = natural_[param::m_half],
        .m_fixed = natural_[param::m_fixed],
        .swap_min = natural_[param::swap_min],
        .carry_over = natural_[param::carry_over_ml],
        .flow_vacuum = theta_[param::flow_vacuum],
        .flow_peristaltic = theta_[param::flow_peristaltic],
        .flow_wall = theta_[param::flow_wall],
        .m_trainee = natural_[param::m_trainee],
        .m_hard_nodule = natural_[param::m_hard_nodule],
        .fault = natural_[param::fault_min],
    };
    TileArray left, blade;
    fluid_tile(n, in, values, left, blade, fluid);
    SwapTile tile, expected;
    TileArray x;
    std::array<std::size_t, kTile> with_canister;
    std::size_t m = 0;
    for (std::size_t i = 0; i < n; ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        tile.expected[i] = tile.per_log_fluid[i] = tile.per_log_spread[i] = out.swap_variance[i] = 0.0;
        if (!std::isfinite(f.log_canister)) continue;
        x[m] = fluid.log_fluid[i] - f.log_canister;
        with_canister[m++] = i;
    }
    if (m > 0) expect_swaps(m, x, spread, expected);
    for (std::size_t k = 0; k < m; ++k) {
        const std::size_t i = with_canister[k];
        tile.expected[i] = expected.expected[k];
        tile.per_log_fluid[i] = expected.per_log_fluid[k];
        tile.per_log_spread[i] = expected.per_log_spread[k];
        out.swap_variance[i] = expected.second_moment[k] - expected.expected[k] * expected.expected[k];
    }
    morcellation_tile(n, in, values, left, blade, fluid, tile, out);
}

}  // namespace lobetime
