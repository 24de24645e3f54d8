#include <lobetime/core/errors.hpp>
#include <lobetime/model/parameters.hpp>

#include <cmath>

namespace lobetime {
namespace {
constexpr auto L = Transform::log;
constexpr auto I = Transform::identity;
}  // namespace

// Bounds keep the solver inside what a theatre could ever see; a fit that ends on one says so.
const std::array<ParameterDefinition, param::Count>& core_parameters() {
    static const std::array<ParameterDefinition, param::Count> table = {{
        {"yield_g_80", "g", L, 5.0, 200.0, "tissue retrieved from an 80 mL gland, median"},
        {"yield_exponent", "1", I, 0.2, 3.0, "how tissue grows with gland volume (power)"},
        {"e_fixed", "min", I, 0.5, 120.0, "enucleation: minutes that do not depend on volume"},
        {"e_80", "min", L, 0.5, 400.0, "enucleation: minutes an 80 mL gland adds to them, at the plateau"},
        {"e_exponent", "1", I, 0.2, 3.0, "how those minutes grow with volume (power)"},
        {"e_learn", "1", I, 0.0, 6.0, "extra share of enucleation time at the first case"},
        {"e_half", "cases", L, 1.0, 400.0, "cases that halve that extra share"},
        {"e_trainee", "log ratio", I, -1.0, 2.0, "enucleation with a trainee operating in part"},
        {"h_min", "min", L, 0.5, 240.0, "rest of the operation (haemostasis, checks, catheter), median"},
        {"h_anticoagulated", "log ratio", I, -1.0, 2.0, "rest of the operation under anticoagulants"},
        {"rate_50", "g/min", L, 0.2, 50.0, "blade rate at 50 g, reciprocating blade with vacuum, at the plateau"},
        {"rate_exponent", "1", I, -0.8, 1.5, "how the blade rate grows with tissue (power)"},
        {"blade_oscillating", "log ratio", I, -2.0, 2.0, "blade rate, oscillating against reciprocating"},
        {"suction_peristaltic", "log ratio", I, -2.0, 2.0, "blade rate, peristaltic suction against vacuum"},
        {"suction_wall", "log ratio", I, -3.0, 2.0, "blade rate, wall suction against vacuum"},
        {"m_learn", "1", I, 0.0, 6.0, "extra share of blade time at the first case"},
        {"m_half", "cases", L, 1.0, 400.0, "cases that halve that extra share"},
        {"m_fixed", "min", L, 0.05, 60.0, "morcellation: minutes that do not depend on tissue"},
        {"swap_min", "min", I, 0.05, 60.0, "one stop to change a full canister"},
        {"carry_over_ml", "mL", L, 1.0, 5000.0, "fluid in the canister when morcellation starts"},
        {"flow_vacuum", "mL/min", L, 20.0, 3000.0, "fluid taken per minute of blade time, vacuum"},
        {"flow_peristaltic", "mL/min", L, 20.0, 3000.0, "fluid taken per minute of blade time, peristaltic"},
        {"flow_wall", "mL/min", L, 20.0, 3000.0, "fluid taken per minute of blade time, wall suction"},
        {"fluid_log_sd", "log SD", L, 0.05, 1.5, "spread of a case's fluid about its median"},
        {"m_trainee", "log ratio", I, -1.0, 2.0, "blade time with a trainee operating in part"},
        {"m_hard_nodule", "log ratio", I, -1.0, 3.0, "blade time with hard nodules"},
        {"fault_min", "min", I, 0.2, 240.0, "delay when the device fails"},
        {"room_min", "min", L, 2.0, 400.0, "wheels-in to wheels-out without the operation, general anaesthetic"},
        {"room_spinal", "log ratio", I, -1.0, 1.0, "that time under spinal against general anaesthetic"},
    }};
    return table;
}

int core_parameter_index(std::string_view name) {
    const auto& table = core_parameters();
    for (std::size_t i = 0; i < table.size(); ++i) {
        if (table[i].name == name) return static_cast<int>(i);
    }
    std::string known;
    for (const auto& row : table) known += (known.empty() ? "" : ", ") + std::string(row.name);
    throw InvalidArgument("no parameter is called '" + std::string(name) + "'; known are: " + known);
}

double to_working(Transform transform, double natural) {
    return transform == Transform::log ? std::log(natural) : natural;
}

double to_natural(Transform transform, double working) {
    return transform == Transform::log ? std::exp(working) : working;
}

}  // namespace lobetime
