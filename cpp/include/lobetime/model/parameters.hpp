#pragma once
#include <array>
#include <cstddef>
#include <string>
#include <string_view>

namespace lobetime {

/// Scale on which a parameter is estimated. Its prior and its interval are symmetric there.
enum class Transform { identity, log };

/// Position of a parameter in the model; the parameters of surgeons and devices follow after `Count`.
/// A new model term starts here: add a name, its row in `core_parameters()`, its formula in formulas.hpp, its
/// derivative in phase_kernel.cpp and its prior in evidence/published_prior.cpp.
namespace param {
enum Index : int {
    yield_g_80,
    yield_exponent,
    e_fixed,
    e_80,
    e_exponent,
    e_learn,
    e_half,
    e_trainee,
    h_min,
    h_anticoagulated,
    rate_50,
    rate_exponent,
    blade_oscillating,
    suction_peristaltic,
    suction_wall,
    m_learn,
    m_half,
    m_fixed,
    swap_min,
    carry_over_ml,
    flow_vacuum,
    flow_peristaltic,
    flow_wall,
    fluid_log_sd,
    m_trainee,
    m_hard_nodule,
    fault_min,
    room_min,
    room_spinal,
    Count
};
}  // namespace param

/// What a parameter is called, measured in and bounded by (natural scale; bounds may be infinite).
struct ParameterDefinition {
    std::string_view name;
    std::string_view unit;
    Transform transform;
    double lower;
    double upper;
    std::string_view meaning;
};

const std::array<ParameterDefinition, param::Count>& core_parameters();

/// Index of a core parameter by name; throws InvalidArgument naming the known ones.
int core_parameter_index(std::string_view name);

double to_working(Transform transform, double natural);
double to_natural(Transform transform, double working);

}  // namespace lobetime
