#pragma once
#include <lobetime/core/normal.hpp>
#include <lobetime/model/features.hpp>
#include <lobetime/model/parameters.hpp>

#include <cmath>

namespace lobetime {

/// The model, one formula a function, for any scalar T: double, an automatic-differentiation scalar, or an array of
/// draws. `Case` is a CaseFeatures, or has the same members, some of them arrays of draws.
///
/// `theta` is the parameter vector on the working scale. Minutes, grams and millilitres throughout; all are
/// medians. The fitting kernel (phase_kernel.hpp) holds the same formulas with hand-written derivatives, and the
/// tests hold the two against each other.
namespace formulas {

/// Swaps are summed one by one up to this many and integrated beyond (a case never gets there).
inline constexpr int kSummedSwaps = 40;

/// 1 + learn / (1 + cases_done / half): the extra share halves after `half` cases and then has a long tail. It is the
/// average of exponential curves over surgeons whose speeds of learning are exponentially distributed (how such
/// averages come to be power laws: Murre and Chessa, Psychon Bull Rev 2011;18:592, PMC3098361).
template <typename T, typename Number>
T learning_factor(const T& learn, const T& half, const Number& cases_done) {
    return 1.0 + learn / (1.0 + cases_done / half);
}

/// log grams of tissue.
template <typename T, typename Case>
T log_tissue(const T* theta, const Case& f) {
    return theta[param::yield_g_80] + theta[param::yield_exponent] * f.log_v80;
}

/// `surgeon_level`: log ratio of the surgeon's time to the unit's; `learning_level`: of the surgeon's extra time while
/// learning.
template <typename T, typename Case>
T enucleation_min(const T* theta, const Case& f, const T& surgeon_level, const T& learning_level) {
    using std::exp;
    const T base = theta[param::e_fixed] + exp(theta[param::e_80] + theta[param::e_exponent] * f.log_v80);
    const T learn = theta[param::e_learn] * exp(learning_level);
    const T learning = learning_factor<T>(learn, exp(theta[param::e_half]), f.cases_done);
    return base * learning * exp(surgeon_level + theta[param::e_trainee] * f.trainee);
}

/// Everything in the operation that is neither enucleation nor morcellation.
template <typename T, typename Case>
T haemostasis_min(const T* theta, const Case& f) {
    using std::exp;
    return exp(theta[param::h_min] + theta[param::h_anticoagulated] * f.anticoagulated);
}

/// Minutes the blade runs.
template <typename T, typename Case>
T blade_min(const T* theta, const Case& f, const T& log_tissue_g, const T& surgeon_level, const T& device_level) {
    using std::exp;
    using std::log;
    const T log_rate = theta[param::rate_50] + theta[param::rate_exponent] * (log_tissue_g - std::log(50.0)) +
                       theta[param::blade_oscillating] * f.oscillating +
                       theta[param::suction_peristaltic] * f.peristaltic + theta[param::suction_wall] * f.wall +
                       device_level;
    const T learning = learning_factor<T>(theta[param::m_learn], exp(theta[param::m_half]), f.cases_done);
    return exp(log_tissue_g - log_rate + surgeon_level + theta[param::m_trainee] * f.trainee +
               theta[param::m_hard_nodule] * f.hard_nodule) *
           learning;
}

/// Median fluid collected, mL.
template <typename T, typename Case>
T fluid_ml(const T* theta, const Case& f, const T& blade_minutes) {
    using std::exp;
    const T flow = exp(theta[param::flow_vacuum] * f.vacuum + theta[param::flow_peristaltic] * f.peristaltic +
                       theta[param::flow_wall] * f.wall);
    return exp(theta[param::carry_over_ml]) + flow * blade_minutes;
}

/// Expected number of canisters that log-normal fluid fills: sum over j of P(F > jC).
template <typename T>
T expected_swaps(const T& log_fluid, double log_canister, const T& log_sd) {
    using std::exp;
    if (std::isinf(log_canister)) return T(0.0);
    const T x = log_fluid - log_canister;
    T swaps(0.0);
    for (int j = 1; j <= kSummedSwaps; ++j) swaps += normal_cdf<T>((x - std::log(static_cast<double>(j))) / log_sd);
    const double a = kSummedSwaps + 0.5;
    const T d = (x - std::log(a)) / log_sd;
    return swaps + exp(x + 0.5 * log_sd * log_sd) * normal_cdf<T>(d + log_sd) - a * normal_cdf<T>(d);
}

/// Blade in to last piece out, stops included.
template <typename T, typename Case>
T morcellation_min(const T* theta, const Case& f, const T& blade_minutes, const T& swaps) {
    using std::exp;
    return exp(theta[param::m_fixed]) + blade_minutes + theta[param::swap_min] * swaps +
           theta[param::fault_min] * f.device_fault;
}

/// Everything between wheels-in and wheels-out that is not the operation.
template <typename T, typename Case>
T room_min(const T* theta, const Case& f) {
    using std::exp;
    return exp(theta[param::room_min] + theta[param::room_spinal] * f.spinal);
}

}  // namespace formulas
}  // namespace lobetime
