#include <lobetime/core/normal.hpp>
#include <lobetime/model/formulas.hpp>
#include <lobetime/model/phase_kernel.hpp>

#include <cmath>
#include <numbers>

namespace lobetime {
namespace {

void exp_in_place(TileArray& values, std::size_t n) {
    Eigen::Map<Eigen::ArrayXd> map(values.data(), static_cast<Eigen::Index>(n));
    map = map.exp();
}

void log_in_place(TileArray& values, std::size_t n) {
    Eigen::Map<Eigen::ArrayXd> map(values.data(), static_cast<Eigen::Index>(n));
    map = map.log();
}

/// Expected swaps with derivatives in log fluid and in log of the spread, and the variance of the count.
struct Swaps {
    double expected = 0.0, per_log_fluid = 0.0, per_log_spread = 0.0, variance = 0.0;
};

Swaps swaps_of(double log_fluid_over_canister, double spread) {
    static const auto log_j = [] {
        std::array<double, formulas::kSummedSwaps + 1> table{};
        for (int j = 1; j <= formulas::kSummedSwaps; ++j) table[static_cast<std::size_t>(j)] = std::log(j);
        return table;
    }();
    constexpr double kNegligible = 8.3;  // normal_cdf(-8.3) is below 1e-16
    Swaps s;
    double second_moment = 0.0;
    const double x = log_fluid_over_canister;
    for (int j = 1; j <= formulas::kSummedSwaps; ++j) {
        const double z = (x - log_j[static_cast<std::size_t>(j)]) / spread;
        if (z < -kNegligible) {
            s.variance = second_moment - s.expected * s.expected;
            return s;
        }
        const double p = z > kNegligible ? 1.0 : normal_cdf(z);
        s.expected += p;
        second_moment += (2.0 * j - 1.0) * p;
        if (z <= kNegligible) {
            const double density = normal_pdf(z);
            s.per_log_fluid += density / spread;
            s.per_log_spread -= density * z;
        }
    }
    const double a = formulas::kSummedSwaps + 0.5;
    const double d = (x - std::log(a)) / spread;
    const double mean = std::exp(x + 0.5 * spread * spread);
    const double beyond = mean * normal_cdf(d + spread);
    s.expected += beyond - a * normal_cdf(d);
    s.per_log_fluid += beyond;
    s.per_log_spread += spread * mean * (spread * normal_cdf(d + spread) + normal_pdf(d + spread));
    // Sum of (2j - 1) P(F > jC) beyond the summed swaps, as an integral from a.
    second_moment +=
        mean * mean * std::exp(spread * spread) * normal_cdf(d + 2.0 * spread) - beyond - (a * a - a) * normal_cdf(d);
    s.variance = second_moment - s.expected * s.expected;
    return s;
}

}  // namespace

PhaseKernel::PhaseKernel(const Eigen::VectorXd& theta, const ModelLayout& layout)
    : layout_(&layout), theta_(theta), natural_(static_cast<Eigen::Index>(param::Count)) {
    for (int i = 0; i < param::Count; ++i) natural_[i] = to_natural(layout.transform(i), theta[i]);
}

double PhaseKernel::log_yield(const CaseFeatures& f) const { return formulas::log_tissue(theta_.data(), f); }

void PhaseKernel::enucleation(std::span<const CaseFeatures> features, std::span<const int> cases,
                              PhaseTile<phase_parameters::enucleation.size()>& out) const {
    using phase_parameters::in_enucleation;
    const std::size_t n = cases.size();
    const double e_fixed = natural_[param::e_fixed], e_80 = natural_[param::e_80];
    const double e_learn = natural_[param::e_learn], decay = std::numbers::ln2 / natural_[param::e_half];
    TileArray power, left, level;
    for (std::size_t i = 0; i < n; ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        power[i] = natural_[param::e_exponent] * f.log_v80;
        left[i] = -decay * f.cases_done;
        const double surgeon = f.surgeon >= 0 ? theta_[layout_->surgeon_enucleation_index(f.surgeon)] : 0.0;
        level[i] = surgeon + natural_[param::e_trainee] * f.trainee;
    }
    exp_in_place(power, n);
    exp_in_place(left, n);
    exp_in_place(level, n);
    for (std::size_t i = 0; i < n; ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        const double grown = e_80 * power[i];
        const double base = e_fixed + grown;
        const double learning = 1.0 + e_learn * left[i];
        out.minutes[i] = base * learning * level[i];
        out.slope[in_enucleation<param::e_fixed>][i] = 1.0 / base;
        out.slope[in_enucleation<param::e_80>][i] = grown / base;
        out.slope[in_enucleation<param::e_exponent>][i] = grown * f.log_v80 / base;
        out.slope[in_enucleation<param::e_learn>][i] = left[i] / learning;
        out.slope[in_enucleation<param::e_half>][i] = e_learn * left[i] * decay * f.cases_done / learning;
        out.slope[in_enucleation<param::e_trainee>][i] = f.trainee;
    }
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
    using phase_parameters::in_morcellation;
    const std::size_t n = cases.size();
    const double log_50 = std::log(50.0);
    const double m_learn = natural_[param::m_learn], decay = std::numbers::ln2 / natural_[param::m_half];
    const double m_fixed = natural_[param::m_fixed], swap_min = natural_[param::swap_min];
    const double carry_over = natural_[param::carry_over_ml], spread = natural_[param::fluid_log_sd];
    const double fault = natural_[param::fault_min], rate_exponent = natural_[param::rate_exponent];
    TileArray left, blade, flow, log_tissue;
    for (std::size_t i = 0; i < n; ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        log_tissue[i] = std::isnan(f.log_tissue) ? log_yield(f) + tissue_offset : f.log_tissue;
        left[i] = -decay * f.cases_done;
        const double device = f.device >= 0 ? theta_[layout_->device_index(f.device)] : 0.0;
        const double surgeon = f.surgeon >= 0 ? theta_[layout_->surgeon_morcellation_index(f.surgeon)] : 0.0;
        const double log_rate = theta_[param::rate_50] + rate_exponent * (log_tissue[i] - log_50) +
                                natural_[param::blade_oscillating] * f.oscillating +
                                natural_[param::suction_peristaltic] * f.peristaltic +
                                natural_[param::suction_wall] * f.wall + device;
        blade[i] = log_tissue[i] - log_rate + surgeon + natural_[param::m_trainee] * f.trainee +
                   natural_[param::m_hard_nodule] * f.hard_nodule;
        flow[i] = theta_[param::flow_vacuum] * f.vacuum + theta_[param::flow_peristaltic] * f.peristaltic +
                  theta_[param::flow_wall] * f.wall;
    }
    exp_in_place(left, n);
    exp_in_place(blade, n);
    exp_in_place(flow, n);
    for (std::size_t i = 0; i < n; ++i) {
        blade[i] *= 1.0 + m_learn * left[i];
        fluid.log_fluid[i] = carry_over + flow[i] * blade[i];
    }
    TileArray fluid_ml = fluid.log_fluid;
    log_in_place(fluid.log_fluid, n);

    for (std::size_t i = 0; i < n; ++i) {
        const CaseFeatures& f = features[static_cast<std::size_t>(cases[i])];
        const double from_flow = flow[i] * blade[i] / fluid_ml[i];
        const double from_carry = carry_over / fluid_ml[i];
        fluid.log_fluid_per_log_blade[i] = from_flow;
        fluid.log_fluid_per_carry_over[i] = from_carry;

        Swaps swaps;
        if (!std::isnan(f.canister_swaps)) {
            swaps.expected = f.canister_swaps;
        } else if (std::isfinite(f.log_canister)) {
            swaps = swaps_of(fluid.log_fluid[i] - f.log_canister, spread);
        }
        const double minutes = m_fixed + blade[i] + swap_min * swaps.expected + fault * f.device_fault;
        const double per_log_fluid = swap_min * swaps.per_log_fluid / minutes;
        const double per_log_blade = blade[i] / minutes + per_log_fluid * from_flow;
        const double learning = 1.0 + m_learn * left[i];
        const double tissue_to_blade = 1.0 - rate_exponent;

        out.minutes[i] = minutes;
        out.swap_variance[i] = swaps.variance;
        out.blade_slope[i] = per_log_blade;
        out.tissue_slope[i] = tissue_to_blade * per_log_blade;
        out.slope[in_morcellation<param::rate_50>][i] = -per_log_blade;
        out.slope[in_morcellation<param::rate_exponent>][i] = -(log_tissue[i] - log_50) * per_log_blade;
        out.slope[in_morcellation<param::blade_oscillating>][i] = -f.oscillating * per_log_blade;
        out.slope[in_morcellation<param::suction_peristaltic>][i] = -f.peristaltic * per_log_blade;
        out.slope[in_morcellation<param::suction_wall>][i] = -f.wall * per_log_blade;
        out.slope[in_morcellation<param::m_learn>][i] = left[i] / learning * per_log_blade;
        out.slope[in_morcellation<param::m_half>][i] =
            m_learn * left[i] * decay * f.cases_done / learning * per_log_blade;
        out.slope[in_morcellation<param::m_fixed>][i] = m_fixed / minutes;
        out.slope[in_morcellation<param::swap_min>][i] = swap_min * swaps.expected / minutes;
        out.slope[in_morcellation<param::carry_over_ml>][i] = per_log_fluid * from_carry;
        out.slope[in_morcellation<param::flow_vacuum>][i] = per_log_fluid * from_flow * f.vacuum;
        out.slope[in_morcellation<param::flow_peristaltic>][i] = per_log_fluid * from_flow * f.peristaltic;
        out.slope[in_morcellation<param::flow_wall>][i] = per_log_fluid * from_flow * f.wall;
        out.slope[in_morcellation<param::fluid_log_sd>][i] = swap_min * swaps.per_log_spread / minutes;
        out.slope[in_morcellation<param::m_trainee>][i] = f.trainee * per_log_blade;
        out.slope[in_morcellation<param::m_hard_nodule>][i] = f.hard_nodule * per_log_blade;
        out.slope[in_morcellation<param::fault_min>][i] = fault * f.device_fault / minutes;
        const bool blank_tissue = std::isnan(f.log_tissue);
        out.slope[in_morcellation<param::yield_g_80>][i] = blank_tissue ? out.tissue_slope[i] : 0.0;
        out.slope[in_morcellation<param::yield_exponent>][i] = blank_tissue ? out.tissue_slope[i] * f.log_v80 : 0.0;
    }
}

}  // namespace lobetime
