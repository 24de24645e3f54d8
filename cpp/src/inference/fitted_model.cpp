#include <lobetime/core/errors.hpp>
#include <lobetime/inference/fitted_model.hpp>

#include <Eigen/Cholesky>

#include <boost/math/tools/toms748_solve.hpp>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <map>
#include <tuple>

namespace lobetime {
namespace {

/// From so many non-blank entries on, a 0/1 column counts as kept by the unit.
constexpr int kKeptFrom = 20;
constexpr double kCasesShare = 0.5;
constexpr double kExpectedCases = 20.0;  // see sandwich_covariance

const DevicePrior* device_prior(int parameter, const ModelLayout& layout, const PriorSet& prior) {
    if (parameter < param::Count || parameter >= layout.surgeon_enucleation_index(0)) return nullptr;
    return prior.device(layout.devices()[static_cast<std::size_t>(parameter - param::Count)]);
}

ParameterSource source_of(int parameter, const ModelLayout& layout, const PriorSet& prior, double variance,
                          double prior_variance) {
    ParameterSource source;
    if (parameter < param::Count) {
        const ParameterPrior* row = prior.find(layout.names()[static_cast<std::size_t>(parameter)]);
        source.origin = row->origin;
        source.source = row->source;
    } else if (const DevicePrior* own = device_prior(parameter, layout, prior)) {
        source.origin = own->origin;
        source.source = own->source;
    } else {
        source.origin = prior.group_origin;
        source.source = prior.group_source;
    }
    source.share_from_cases = std::clamp(1.0 - variance / prior_variance, 0.0, 1.0);
    if (source.share_from_cases >= kCasesShare) source.origin = NumberOrigin::cases;
    return source;
}

struct Counts {
    int recorded = 0, events = 0;
};

double nodule_chance(double log_odds_80, double power, double log_v80) {
    return 1.0 / (1.0 + std::exp(-(log_odds_80 + power * log_v80)));
}

/// Odds at 80 mL with which the recorded glands, and those that the prior rate is the mean of, would have had as many
/// hard nodules as there were.
double nodule_odds_80(const PriorSet& prior, const std::vector<double>& glands, double events) {
    // Gauss-Hermite with five nodes for the prior's log-normal glands.
    constexpr std::array<std::array<double, 2>, 5> kNodes = {{{-2.856970013872806, 0.011257411327720693},
                                                              {-1.355626179974266, 0.2220759220056126},
                                                              {0.0, 0.5333333333333333},
                                                              {1.355626179974266, 0.2220759220056126},
                                                              {2.856970013872806, 0.011257411327720693}}};
    const double power = prior.hard_nodule_power;
    const auto expected = [&](double log_odds) {
        double sum = 0.0;
        for (const auto& [z, weight] : kNodes)
            sum += prior.hard_nodule_rate.cases * weight *
                   nodule_chance(log_odds, power, prior.hard_nodule_gland_log_sd * z);
        for (const double gland : glands) sum += nodule_chance(log_odds, power, std::log(gland / 80.0));
        return sum;
    };
    std::uintmax_t steps = 100;
    const auto bracket = boost::math::tools::toms748_solve([&](double x) { return expected(x) - events; }, -30.0, 30.0,
                                                           boost::math::tools::eps_tolerance<double>(45), steps);
    return std::exp(0.5 * (bracket.first + bracket.second));
}

/// Glands of the cases that the fit gave weight to: a gland typed ten times too large does not widen the range in which
/// the model is at home.
std::vector<double> believed_glands(const TheatreTimeFit& fit, const CaseTable& cases) {
    constexpr double kBelieved = 0.1;
    std::vector<double> weight(cases.size(), 0.0), seen(cases.size(), 0.0);
    for (const FittedObservation& one : fit.observations) {
        // Of the phases alone, only enucleation follows the gland; morcellation follows the tissue that was weighed.
        const Channel channel = one.observation.channel;
        if (channel != Channel::tissue && channel != Channel::enucleation && !is_sum(channel)) continue;
        weight[static_cast<std::size_t>(one.observation.case_index)] += one.weight;
        seen[static_cast<std::size_t>(one.observation.case_index)] += 1.0;
    }
    std::vector<double> glands;
    for (std::size_t i = 0; i < cases.size(); ++i) {
        if (seen[i] == 0.0 || weight[i] > kBelieved * seen[i]) glands.push_back(cases.gland_ml[i]);
    }
    return glands.empty() ? cases.gland_ml : glands;
}

void count(double flag, Counts& counts) {
    if (std::isnan(flag)) return;
    ++counts.recorded;
    if (flag > 0.5) ++counts.events;
}

}  // namespace

std::string device_class_name(BladeMotion blade, Suction suction) {
    static const std::map<BladeMotion, std::string> blades = {{BladeMotion::unknown, "unknown"},
                                                              {BladeMotion::reciprocating, "reciprocating"},
                                                              {BladeMotion::oscillating, "oscillating"}};
    static const std::map<Suction, std::string> suctions = {{Suction::unknown, "unknown"},
                                                            {Suction::vacuum, "vacuum"},
                                                            {Suction::peristaltic, "peristaltic"},
                                                            {Suction::wall, "wall"}};
    return blades.at(blade) + "/" + suctions.at(suction);
}

double FittedModel::hard_nodule_chance(double gland_ml) const {
    return nodule_chance(std::log(hard_nodule_odds_80), hard_nodule_power, std::log(gland_ml / 80.0));
}

FittedModel model_from_prior(const PriorSet& prior) {
    FittedModel model;
    model.layout = ModelLayout({}, {});
    model.theta = prior.working_mean();
    model.covariance = prior.working_covariance();
    for (const std::string& name : model.layout.names()) {
        const ParameterPrior& row = *prior.find(name);
        model.sources.push_back({row.origin, row.source, 0.0});
    }
    for (std::size_t c = 0; c < model.channels.size(); ++c) {
        const SpreadPrior& spread = prior.spread(channel_name(static_cast<Channel>(c)));
        model.channels[c] = {spread.centre, spread.log_sd(), 0, 0.0, {}};
    }
    model.prior = prior.label;
    model.phase_correlation = prior.phase_correlation;
    model.surgeon_enucleation = {prior.surgeon_enucleation_log_sd, prior.group_log_sd_spread, 0};
    model.surgeon_morcellation = {prior.surgeon_morcellation_log_sd, prior.group_log_sd_spread, 0};
    model.surgeon_learning = {prior.surgeon_learning_log_sd, prior.group_log_sd_spread, 0};
    model.device = {prior.device_log_sd, prior.group_log_sd_spread, 0};
    for (const DevicePrior& own : prior.devices) own.check();
    model.device_priors = prior.devices;
    for (const RatePrior& rate : prior.fault_rates) model.fault_rates.push_back({rate.name, {rate.events, rate.cases}});
    model.hard_nodule_rate = {prior.hard_nodule_rate.events, prior.hard_nodule_rate.cases};
    model.hard_nodule_power = prior.hard_nodule_power;
    model.hard_nodule_odds_80 = nodule_odds_80(prior, {}, prior.hard_nodule_rate.events);
    return model;
}

Eigen::MatrixXd inverse_curvature(const TheatreTimeFit& fit) {
    const Eigen::MatrixXd& curvature = fit.curvature;
    if (!curvature.allFinite() || !(curvature.diagonal().minCoeff() > 0.0))
        throw NotIdentifiable("the curvature is not positive definite", {});
    // Scaled to unit diagonal first: parameters differ in size by thousands.
    const Eigen::VectorXd scale = curvature.diagonal().cwiseSqrt().cwiseInverse();
    const Eigen::LLT<Eigen::MatrixXd> cholesky(Eigen::MatrixXd(scale.asDiagonal() * curvature * scale.asDiagonal()));
    if (cholesky.info() != Eigen::Success) throw NotIdentifiable("the curvature is not positive definite", {});
    Eigen::MatrixXd inverse =
        scale.asDiagonal() * cholesky.solve(Eigen::MatrixXd::Identity(scale.size(), scale.size())) * scale.asDiagonal();
    // What is held has no variance, and nothing that others share in.
    for (const int i : fit.held) {
        inverse.row(i).setZero();
        inverse.col(i).setZero();
    }
    return inverse;
}

Eigen::MatrixXd sandwich_covariance(const TheatreTimeFit& fit) {
    const Eigen::MatrixXd inverse = inverse_curvature(fit);
    const double n = static_cast<double>(fit.n_cases);
    const Eigen::MatrixXd middle =
        (n * fit.score_product + kExpectedCases * fit.expected_product) / (n + kExpectedCases);
    const Eigen::MatrixXd covariance = inverse * (middle + prior_scatter(fit)) * inverse;
    return 0.5 * (covariance + covariance.transpose());
}

FittedModel model_from_fit(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                           const FitOptions& options) {
    FittedModel model = model_from_prior(prior);
    model.layout = fit.layout;
    model.theta = fit.theta;
    model.covariance = sandwich_covariance(fit);
    model.channels = fit.channels;
    model.phase_correlation = fit.phase_correlation;
    model.surgeon_enucleation = fit.surgeon_enucleation;
    model.surgeon_morcellation = fit.surgeon_morcellation;
    model.surgeon_learning = fit.surgeon_learning;
    model.device = fit.device;
    model.estimator = estimator_name(fit.estimator);
    model.loss = options.loss.name();
    model.tuning = options.loss.tuning();
    model.prior = options.use_prior ? prior.label : "none";
    model.n_cases = static_cast<int>(fit.n_cases);
    model.sources.clear();
    const Eigen::VectorXd core_variance = prior.working_covariance().diagonal();
    for (int i = 0; i < fit.layout.size(); ++i) {
        double before = 1.0 / fit.prior_precision(i, i);
        if (i < param::Count) before = options.use_prior ? core_variance[i] : std::numeric_limits<double>::infinity();
        model.sources.push_back(source_of(i, fit.layout, prior, model.covariance(i, i), before));
    }
    for (const int i : fit.held)
        model.sources[static_cast<std::size_t>(i)] = {NumberOrigin::held, "given at the fit", 0.0};

    std::vector<double> glands = believed_glands(fit, cases);
    std::sort(glands.begin(), glands.end());
    model.gland_min_ml = glands.front();
    model.gland_max_ml = glands.back();
    model.gland_median_ml = glands[glands.size() / 2];

    for (const std::string& code : fit.layout.surgeons()) model.surgeons.push_back({code, std::nan(""), 0});
    struct Faults {
        Counts own;
        std::string like;  ///< of a device with a prior of its own: the class whose chance it starts from
    };
    std::map<std::string, Faults> faults;
    Counts all_faults, nodules;
    std::vector<double> nodule_glands;
    for (std::size_t i = 0; i < cases.size(); ++i) {
        const int s = fit.layout.surgeon_position(cases.surgeon[i]);
        if (s >= 0) {
            SurgeonRecord& record = model.surgeons[static_cast<std::size_t>(s)];
            ++record.cases;
            if (!std::isnan(cases.surgeon_case_no[i]))
                record.last_case_no = std::fmax(record.last_case_no, cases.surgeon_case_no[i]);
        }
        const auto known = std::find_if(model.device_classes.begin(), model.device_classes.end(), [&](const auto& one) {
            return one.blade == cases.blade[i] && one.suction == cases.suction[i];
        });
        if (known == model.device_classes.end())
            model.device_classes.push_back({cases.blade[i], cases.suction[i], 1});
        else
            ++known->cases;
        const std::string named = device_class_name(cases.blade[i], cases.suction[i]);
        if (prior.device(cases.device[i]) != nullptr) {
            Faults& of_device = faults[cases.device[i]];
            count(cases.device_fault[i], of_device.own);
            of_device.like = named;
        } else {
            count(cases.device_fault[i], faults[named].own);
        }
        count(cases.device_fault[i], all_faults);
        count(cases.hard_nodule[i], nodules);
        if (!std::isnan(cases.hard_nodule[i])) nodule_glands.push_back(cases.gland_ml[i]);
        if (!std::isnan(cases.canister_ml[i])) model.canisters_recorded = true;
    }
    std::sort(model.device_classes.begin(), model.device_classes.end(), [](const auto& a, const auto& b) {
        return std::tie(b.cases, a.blade, a.suction) < std::tie(a.cases, b.blade, b.suction);
    });
    model.experience_recorded = std::any_of(cases.surgeon_case_no.begin(), cases.surgeon_case_no.end(),
                                            [](double number) { return std::isfinite(number); });
    model.faults_recorded = all_faults.recorded >= kKeptFrom;
    model.hard_nodules_recorded = nodules.recorded >= kKeptFrom;
    const std::vector<std::pair<std::string, Rate>> before = model.fault_rates;
    const auto prior_rate = [&](const std::string& wanted) {
        return std::find_if(before.begin(), before.end(), [&](const auto& row) { return row.first == wanted; });
    };
    for (const auto& [name, one] : faults) {
        const auto named = [&name = name](const auto& row) { return row.first == name; };
        auto row = std::find_if(model.fault_rates.begin(), model.fault_rates.end(), named);
        if (row == model.fault_rates.end()) {  // what the prior does not list starts from what it is like, or "other"
            auto start = prior_rate(one.like);
            if (start == before.end()) start = prior_rate("other");
            if (start == before.end()) continue;
            model.fault_rates.emplace_back(name, start->second);
            row = model.fault_rates.end() - 1;
        }
        row->second.events += one.own.events;
        row->second.cases += one.own.recorded;
    }
    model.hard_nodule_rate.events += nodules.events;
    model.hard_nodule_rate.cases += nodules.recorded;
    model.hard_nodule_odds_80 = nodule_odds_80(prior, nodule_glands, model.hard_nodule_rate.events);
    return model;
}

}  // namespace lobetime
