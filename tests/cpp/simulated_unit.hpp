#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/model/features.hpp>
#include <lobetime/model/formulas.hpp>
#include <lobetime/model/layout.hpp>

#include <Eigen/Core>

#include <array>
#include <cmath>
#include <limits>
#include <string>
#include <vector>

namespace lobetime::testing {

/// What an invented unit is like.
struct UnitOptions {
    std::size_t n_cases = 400;
    std::uint64_t seed = 1;
    int n_surgeons = 4;
    bool with_wall_suction = true;
    bool record_swaps = true;
    double share_blank_tissue = 0.0;
    double share_outliers = 0.0;  ///< enucleation and morcellation minutes eight times too long
};

/// Cases drawn from the model itself, with the parameters that drew them.
struct SimulatedUnit {
    CaseTable cases;
    ModelLayout layout;
    Eigen::VectorXd truth;  ///< working scale, order of `layout`
};

/// log SD of one case about its median, in the order tissue, enucleation, haemostasis, morcellation, room.
inline constexpr std::array<double, 5> kTrueSpreads = {0.18, 0.22, 0.30, 0.20, 0.20};

inline double true_natural(int parameter) {
    static constexpr std::array<double, param::Count> values = {
        58.0, 1.15, 14.0, 42.0, 1.05,  0.9,   12.0,  0.2,   13.0, 0.15, 4.4,  0.12, 0.25, -0.1, -0.35,
        0.5,  8.0,  1.8,  2.4,  220.0, 380.0, 280.0, 240.0, 0.3,  0.12, 0.45, 12.0, 60.0, -0.03};
    return values[static_cast<std::size_t>(parameter)];
}

/// Working-scale vector of an invented unit for any layout: surgeons and devices alternate about 0.
inline Eigen::VectorXd true_theta(const ModelLayout& layout) {
    Eigen::VectorXd theta = Eigen::VectorXd::Zero(layout.size());
    for (int i = 0; i < param::Count; ++i) theta[i] = to_working(layout.transform(i), true_natural(i));
    for (int i = param::Count; i < layout.size(); ++i) theta[i] = i % 2 == 0 ? 0.08 : -0.08;
    return theta;
}

/// 0 where the layout has no such level (index -1).
inline double level_of(const Eigen::VectorXd& theta, int index) { return index >= 0 ? theta[index] : 0.0; }

inline SimulatedUnit simulate_unit(const UnitOptions& options = {}) {
    SimulatedUnit unit{CaseTable(options.n_cases), {}, {}};
    CaseTable& cases = unit.cases;
    const CounterRandom random(options.seed, stable_hash("simulated unit"));
    std::vector<double> done(static_cast<std::size_t>(options.n_surgeons), 0.0);
    constexpr std::array<double, 3> canisters = {2000.0, 3000.0, std::numeric_limits<double>::infinity()};
    for (std::size_t i = 0; i < options.n_cases; ++i) {
        const auto u = random.uniforms(3 * i), w = random.uniforms(3 * i + 1);
        const auto z = random.normals(3 * i + 2);
        const std::size_t s = i % done.size();
        // The last surgeon starts; the others come with experience.
        if (done[s] == 0.0) done[s] = s + 1 == done.size() ? 0.0 : 20.0 * static_cast<double>(s);
        cases.case_id[i] = "case-" + std::to_string(i);
        cases.surgeon[i] = std::string(1, static_cast<char>('A' + static_cast<char>(s)));
        cases.surgeon_case_no[i] = ++done[s];
        cases.gland_ml[i] = 75.0 * std::exp(0.45 * z[0]);
        cases.blade[i] = u[0] < 0.5 ? BladeMotion::reciprocating : BladeMotion::oscillating;
        cases.suction[i] = u[1] < 0.45                                ? Suction::vacuum
                           : u[1] < 0.8 || !options.with_wall_suction ? Suction::peristaltic
                                                                      : Suction::wall;
        cases.device[i] = u[2] < 0.5 ? "D1" : "D2";
        cases.canister_ml[i] = canisters[static_cast<std::size_t>(3.0 * u[3])];
        cases.trainee[i] = w[0] < 0.15 ? 1.0 : 0.0;
        cases.anticoagulated[i] = w[1] < 0.2 ? 1.0 : 0.0;
        cases.hard_nodule[i] = w[2] < 0.12 ? 1.0 : 0.0;
        cases.device_fault[i] = w[3] < 0.04 ? 1.0 : 0.0;
        cases.anaesthesia[i] = z[1] < 0.3 ? Anaesthesia::general : Anaesthesia::spinal;
    }
    unit.layout = ModelLayout::from_cases(cases);
    unit.truth = true_theta(unit.layout);
    const double* theta = unit.truth.data();
    const std::vector<CaseFeatures> features = case_features(cases, unit.layout);
    const CounterRandom errors(options.seed, stable_hash("errors of a simulated unit"));
    for (std::size_t i = 0; i < options.n_cases; ++i) {
        const CaseFeatures& f = features[i];
        const auto z = errors.normals(3 * i), z_more = errors.normals(3 * i + 1);
        const auto u = errors.uniforms(3 * i + 2);
        const double tissue = formulas::log_tissue(theta, f) + kTrueSpreads[0] * z[0];
        const double blade =
            formulas::blade_min(theta, f, tissue, theta[unit.layout.surgeon_morcellation_index(f.surgeon)],
                                theta[unit.layout.device_index(f.device)]);
        double swaps = 0.0;
        if (std::isfinite(f.log_canister)) {
            const double log_fluid =
                std::log(formulas::fluid_ml(theta, f, blade)) + std::exp(theta[param::fluid_log_sd]) * z[1];
            swaps = std::floor(std::exp(log_fluid - f.log_canister));
            if (options.record_swaps) cases.canister_swaps[i] = swaps;
        }
        const bool outlier = u[1] < options.share_outliers;
        cases.tissue_g[i] = u[0] < options.share_blank_tissue ? std::nan("") : std::exp(tissue);
        cases.enucleation_min[i] =
            formulas::enucleation_min(theta, f, theta[unit.layout.surgeon_enucleation_index(f.surgeon)],
                                      level_of(unit.truth, unit.layout.surgeon_learning_index(f.surgeon))) *
            std::exp(kTrueSpreads[1] * z[2]) * (outlier ? 8.0 : 1.0);
        cases.morcellation_min[i] = formulas::morcellation_min(theta, f, blade, swaps) *
                                    std::exp(kTrueSpreads[3] * (0.2 * z[2] + std::sqrt(1.0 - 0.04) * z[3])) *
                                    (outlier ? 8.0 : 1.0);
        const double rest = formulas::haemostasis_min(theta, f) * std::exp(kTrueSpreads[2] * z_more[0]);
        cases.operative_min[i] = cases.enucleation_min[i] + cases.morcellation_min[i] + rest;
        cases.theatre_min[i] =
            cases.operative_min[i] + formulas::room_min(theta, f) * std::exp(kTrueSpreads[4] * z_more[1]);
    }
    return unit;
}

}  // namespace lobetime::testing
