#include <lobetime/core/errors.hpp>
#include <lobetime/inference/time_quantities.hpp>
#include <lobetime/model/features.hpp>
#include <lobetime/model/formulas.hpp>

#include <ceres/jet.h>

#include <algorithm>
#include <cmath>
#include <sstream>
#include <string>
#include <utility>
#include <vector>

namespace lobetime {
namespace {

constexpr int kPartials = 8;  // derivatives carried at once
using Jet = ceres::Jet<double, kPartials>;

/// `formula(const T* theta)` returns a T, for double and for Jet.
template <typename Formula>
Quantity quantity_of(std::string name, std::string unit, Formula formula) {
    Quantity quantity{std::move(name), std::move(unit),
                      [formula](const Eigen::VectorXd& theta) { return formula(theta.data()); }};
    quantity.gradient = [formula](const Eigen::VectorXd& theta) {
        std::vector<Jet> jets(static_cast<std::size_t>(theta.size()));
        for (std::size_t i = 0; i < jets.size(); ++i) jets[i] = Jet(theta[static_cast<Eigen::Index>(i)]);
        Eigen::VectorXd gradient(theta.size());
        for (Eigen::Index from = 0; from < theta.size(); from += kPartials) {
            const Eigen::Index n = std::min<Eigen::Index>(kPartials, theta.size() - from);
            for (Eigen::Index k = 0; k < n; ++k) jets[static_cast<std::size_t>(from + k)].v[k] = 1.0;
            gradient.segment(from, n) = formula(jets.data()).v.head(n);
            for (Eigen::Index k = 0; k < n; ++k) jets[static_cast<std::size_t>(from + k)].v[k] = 0.0;
        }
        return gradient;
    };
    return quantity;
}

/// One case with the positions of its surgeon's and its device's levels (-1: the unit's average).
struct AskedCase {
    CaseFeatures features;
    int enucleation_level, learning_level, morcellation_level, device_level;
    std::string words;

    template <typename T>
    static T level(const T* theta, int at) {
        return at >= 0 ? theta[at] : T(0.0);
    }

    template <typename T>
    T enucleation(const T* theta) const {
        return formulas::enucleation_min(theta, features, level(theta, enucleation_level),
                                         level(theta, learning_level));
    }

    template <typename T>
    T log_tissue(const T* theta) const {
        return std::isnan(features.log_tissue) ? formulas::log_tissue(theta, features) : T(features.log_tissue);
    }

    template <typename T>
    T morcellation(const T* theta, const T& log_tissue_g) const {
        using std::exp;
        using std::log;
        const T blade = formulas::blade_min(theta, features, log_tissue_g, level(theta, morcellation_level),
                                            level(theta, device_level));
        const T log_fluid = log(formulas::fluid_ml(theta, features, blade)), log_sd = exp(theta[param::fluid_log_sd]);
        const T swaps = formulas::expected_swaps(log_fluid, features.log_canister, log_sd);
        return formulas::morcellation_min(theta, features, blade, swaps);
    }

    template <typename T>
    T morcellation(const T* theta) const {
        return morcellation(theta, log_tissue(theta));
    }
};

int known_position(const std::string& code, int position, const std::vector<std::string>& known, const char* what) {
    if (code.empty() || position >= 0) return position;
    std::string all;
    for (const std::string& one : known) all += (all.empty() ? "" : ", ") + one;
    throw InvalidArgument(std::string("no ") + what + " '" + code +
                          "' is in the model; known: " + (all.empty() ? "none" : all));
}

AskedCase asked_case(const ModelLayout& layout, const CaseTable& one) {
    if (one.size() != 1) throw InvalidArgument("a quantity is asked for one case, not " + std::to_string(one.size()));
    if (!(one.gland_ml[0] > 0.0 && std::isfinite(one.gland_ml[0])))
        throw InvalidArgument("gland_ml must be a positive number");
    if (one.surgeon_case_no[0] < 1.0) throw InvalidArgument("surgeon_case_no must be 1 or more");
    if (one.canister_ml[0] <= 0.0) throw InvalidArgument("canister_ml must be positive, or blank for one never full");
    const int surgeon =
        known_position(one.surgeon[0], layout.surgeon_position(one.surgeon[0]), layout.surgeons(), "surgeon");
    const int device = known_position(one.device[0], layout.device_position(one.device[0]), layout.devices(), "device");
    std::ostringstream words;
    words << one.gland_ml[0] << " mL";
    return {case_features(one, layout)[0],
            surgeon >= 0 ? layout.surgeon_enucleation_index(surgeon) : -1,
            surgeon >= 0 ? layout.surgeon_learning_index(surgeon) : -1,
            surgeon >= 0 ? layout.surgeon_morcellation_index(surgeon) : -1,
            device >= 0 ? layout.device_index(device) : -1,
            words.str()};
}

/// Average of f over a standard normal: the trapezoidal rule, whose error at this step is below rounding for what is
/// as smooth as minutes are in the log of tissue.
template <typename T, typename Function>
T normal_average(Function f) {
    constexpr double kStep = 0.5, kReach = 8.0;
    T sum(0.0);
    for (double z = -kReach; z <= kReach; z += kStep) sum += (kStep * normal_pdf(z)) * f(z);
    return sum;
}

}  // namespace

Quantity parameter_quantity(const ModelLayout& layout, int parameter) {
    if (parameter < 0 || parameter >= layout.size()) throw InvalidArgument("the layout has no such parameter");
    const Transform transform = layout.transform(parameter);
    Quantity quantity{
        layout.names()[static_cast<std::size_t>(parameter)], layout.unit(parameter),
        [transform, parameter](const Eigen::VectorXd& theta) { return to_natural(transform, theta[parameter]); }};
    quantity.parameter = parameter;
    quantity.scale = transform;
    quantity.gradient = [transform, parameter](const Eigen::VectorXd& theta) {
        Eigen::VectorXd gradient = Eigen::VectorXd::Zero(theta.size());
        gradient[parameter] = transform == Transform::log ? std::exp(theta[parameter]) : 1.0;
        return gradient;
    };
    return quantity;
}

std::vector<Quantity> parameter_quantities(const ModelLayout& layout) {
    std::vector<Quantity> all;
    all.reserve(static_cast<std::size_t>(layout.size()));
    for (int i = 0; i < layout.size(); ++i) all.push_back(parameter_quantity(layout, i));
    return all;
}

Quantity enucleation_min_quantity(const ModelLayout& layout, const CaseTable& one) {
    const AskedCase asked = asked_case(layout, one);
    Quantity quantity = quantity_of("enucleation_min, " + asked.words, "min",
                                    [asked](const auto* theta) { return asked.enucleation(theta); });
    quantity.scale = Transform::log;
    return quantity;
}

Quantity morcellation_min_quantity(const ModelLayout& layout, const CaseTable& one) {
    const AskedCase asked = asked_case(layout, one);
    Quantity quantity = quantity_of("morcellation_min, " + asked.words, "min",
                                    [asked](const auto* theta) { return asked.morcellation(theta); });
    quantity.scale = Transform::log;
    return quantity;
}

Quantity morcellation_difference_min_quantity(const ModelLayout& layout, const CaseTable& first,
                                              const CaseTable& second) {
    const AskedCase one = asked_case(layout, first), other = asked_case(layout, second);
    const std::string words = one.words == other.words ? one.words : one.words + " less " + other.words;
    return quantity_of("morcellation_min difference, " + words, "min",
                       [one, other](const auto* theta) { return one.morcellation(theta) - other.morcellation(theta); });
}

EfficiencyMean efficiency_mean_from_name(std::string_view name) {
    if (name == "ratio_of_means") return EfficiencyMean::ratio_of_means;
    if (name == "mean_of_ratios") return EfficiencyMean::mean_of_ratios;
    throw InvalidArgument("mean must be 'ratio_of_means' or 'mean_of_ratios', not '" + std::string(name) + "'");
}

Quantity morcellation_efficiency_quantity(const ModelLayout& layout, const CaseTable& one, EfficiencyMean mean,
                                          const CaseSpreads& spreads) {
    if (!(spreads.tissue >= 0.0 && std::isfinite(spreads.tissue) && spreads.morcellation >= 0.0 &&
          std::isfinite(spreads.morcellation)))
        throw InvalidArgument("spreads must be 0 or more");
    const AskedCase asked = asked_case(layout, one);
    const double tissue_sd = std::isnan(asked.features.log_tissue) ? spreads.tissue : 0.0;
    // The mean of a log-normal, and of its inverse, is its median's times this.
    const double lift = std::exp(0.5 * spreads.morcellation * spreads.morcellation);
    const bool of_ratios = mean == EfficiencyMean::mean_of_ratios;
    Quantity quantity = quantity_of(
        "morcellation_efficiency, " + asked.words + (of_ratios ? ", mean of ratios" : ", ratio of means"), "g/min",
        [asked, tissue_sd, lift, of_ratios](const auto* theta) {
            using std::exp;
            using T = std::decay_t<decltype(*theta)>;
            const T centre = asked.log_tissue(theta);
            const auto grams = [&](double z) { return T(exp(centre + tissue_sd * z)); };
            const auto minutes = [&](double z) { return asked.morcellation(theta, T(centre + tissue_sd * z)); };
            if (of_ratios) return T(lift * normal_average<T>([&](double z) { return T(grams(z) / minutes(z)); }));
            return T(normal_average<T>(grams) / (lift * normal_average<T>(minutes)));
        });
    quantity.scale = Transform::log;
    return quantity;
}

LearningPhase learning_phase_from_name(std::string_view name) {
    if (name == "enucleation") return LearningPhase::enucleation;
    if (name == "morcellation") return LearningPhase::morcellation;
    throw InvalidArgument("phase must be 'enucleation' or 'morcellation', not '" + std::string(name) + "'");
}

Quantity cases_to_plateau_quantity(LearningPhase phase, double share) {
    if (!(share > 0.0 && std::isfinite(share))) throw InvalidArgument("share must be positive, such as 0.1 for 10 %");
    const bool enucleation = phase == LearningPhase::enucleation;
    const int learn = enucleation ? int{param::e_learn} : int{param::m_learn};
    const int half = enucleation ? int{param::e_half} : int{param::m_half};
    std::ostringstream name;
    name << "cases_to_plateau, " << (enucleation ? "enucleation" : "morcellation") << ", within " << 100.0 * share
         << " %";
    Quantity quantity = quantity_of(name.str(), "cases", [learn, half, share](const auto* theta) {
        using std::exp;
        return 1.0 + exp(theta[half]) * (theta[learn] / share - 1.0);
    });
    quantity.least = 1.0;
    return quantity;
}

}  // namespace lobetime
