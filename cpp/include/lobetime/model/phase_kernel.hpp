#pragma once
#include <lobetime/model/features.hpp>
#include <lobetime/model/parameters.hpp>

#include <Eigen/Core>

#include <array>
#include <span>

namespace lobetime {

/// The formulas of formulas.hpp for a tile of cases at once, with derivatives written by hand.
///
/// A tile is small enough that all its arrays stay in the first-level cache. Slopes are d log(minutes) / d theta
/// on the working scale, one row of `slope` for each entry of the phase's column list.
inline constexpr int kTile = 128;

namespace phase_parameters {
inline constexpr std::array<int, 6> enucleation = {param::e_fixed, param::e_80,   param::e_exponent,
                                                   param::e_learn, param::e_half, param::e_trainee};
inline constexpr std::array<int, 2> haemostasis = {param::h_min, param::h_anticoagulated};
inline constexpr std::array<int, 19> morcellation = {param::rate_50,
                                                     param::rate_exponent,
                                                     param::blade_oscillating,
                                                     param::suction_peristaltic,
                                                     param::suction_wall,
                                                     param::m_learn,
                                                     param::m_half,
                                                     param::m_fixed,
                                                     param::swap_min,
                                                     param::carry_over_ml,
                                                     param::flow_vacuum,
                                                     param::flow_peristaltic,
                                                     param::flow_wall,
                                                     param::fluid_log_sd,
                                                     param::m_trainee,
                                                     param::m_hard_nodule,
                                                     param::fault_min,
                                                     param::yield_g_80,
                                                     param::yield_exponent};
inline constexpr std::array<int, 2> room = {param::room_min, param::room_spinal};

/// Where a parameter stands in the list of a phase; in a constant it does not compile for one that is not in it.
/// constexpr, as clang 14 does not take consteval in a variable template.
template <std::size_t N>
constexpr std::size_t position(const std::array<int, N>& list, int parameter) {
    std::size_t at = 0;
    while (list.at(at) != parameter) ++at;
    return at;
}
template <int Parameter>
inline constexpr std::size_t in_enucleation = position(enucleation, Parameter);
template <int Parameter>
inline constexpr std::size_t in_morcellation = position(morcellation, Parameter);
}  // namespace phase_parameters

using TileArray = std::array<double, kTile>;

template <std::size_t N>
struct PhaseTile {
    TileArray minutes;
    std::array<TileArray, N> slope;
};

struct EnucleationTile : PhaseTile<phase_parameters::enucleation.size()> {
    TileArray learning_slope;  ///< d log(minutes) / d the surgeon's level of learning
};

struct MorcellationTile : PhaseTile<phase_parameters::morcellation.size()> {
    TileArray blade_slope;    ///< d log(minutes) / d log(blade minutes): surgeon level +, device level -
    TileArray tissue_slope;   ///< d log(minutes) / d log(tissue)
    TileArray swap_variance;  ///< of the count
};

/// Fluid of a tile against the canister: log(F) with its slopes, for recorded swap counts.
struct FluidTile {
    TileArray log_fluid;
    TileArray log_fluid_per_log_blade;
    TileArray log_fluid_per_carry_over;
};

/// Evaluates tiles at one parameter vector (natural values computed once).
class PhaseKernel {
public:
    /// `theta`: all parameters of the layout, working scale.
    PhaseKernel(const Eigen::VectorXd& theta, const ModelLayout& layout);

    /// `cases`: positions into `features`, at most kTile of them.
    void enucleation(std::span<const CaseFeatures> features, std::span<const int> cases, EnucleationTile& out) const;
    void haemostasis(std::span<const CaseFeatures> features, std::span<const int> cases,
                     PhaseTile<phase_parameters::haemostasis.size()>& out) const;
    void room(std::span<const CaseFeatures> features, std::span<const int> cases,
              PhaseTile<phase_parameters::room.size()>& out) const;

    /// Morcellation where tissue lies `tissue_offset` log-units from the yield line (blank tissue), or at its
    /// recorded weight. Slopes in the yield parameters are filled for blank tissue and zero otherwise.
    void morcellation(std::span<const CaseFeatures> features, std::span<const int> cases, double tissue_offset,
                      MorcellationTile& out, FluidTile& fluid) const;

    /// log grams on the yield line.
    double log_yield(const CaseFeatures& f) const;

    double natural(int parameter) const { return natural_[parameter]; }

private:
    const ModelLayout* layout_;
    Eigen::VectorXd theta_;
    Eigen::VectorXd natural_;  ///< core parameters on the natural scale
};

}  // namespace lobetime
