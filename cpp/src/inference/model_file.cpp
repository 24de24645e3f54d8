#include <lobetime/core/errors.hpp>
#include <lobetime/inference/model_file.hpp>
#include <lobetime/version.hpp>

#include <Eigen/Eigenvalues>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <limits>
#include <set>

namespace lobetime {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kFormat = "lobetime model";

double finite(double value, const std::string& field) {
    if (!std::isfinite(value)) throw NotFinite("model file: " + field + " is not finite");
    return value;
}

[[noreturn]] void refuse(const std::string& field, const std::string& allowed) {
    throw InvalidModelFile("model file: '" + field + "' must be " + allowed);
}

const Json& field_of(const Json& object, const std::string& name, const std::string& path) {
    if (!object.is_object()) refuse(path, "an object");
    const auto it = object.find(name);
    if (it == object.end()) throw InvalidModelFile("model file: '" + path + name + "' is missing");
    return *it;
}

double number(const Json& object, const std::string& name, const std::string& path, double low, double high) {
    const Json& value = field_of(object, name, path);
    if (!value.is_number()) refuse(path + name, "a number");
    const double x = value.get<double>();
    if (!std::isfinite(x) || x < low || x > high)
        refuse(path + name, "a finite number from " + Json(low).dump() + " to " + Json(high).dump());
    return x;
}

int integer(const Json& object, const std::string& name, const std::string& path) {
    const Json& value = field_of(object, name, path);
    if (!value.is_number_integer() || value.get<double>() < 0.0 || value.get<double>() > 2e9)
        refuse(path + name, "a whole number, 0 or more");
    return value.get<int>();
}

std::string text(const Json& object, const std::string& name, const std::string& path) {
    const Json& value = field_of(object, name, path);
    if (!value.is_string()) refuse(path + name, "a text");
    return value.get<std::string>();
}

bool flag(const Json& object, const std::string& name, const std::string& path) {
    const Json& value = field_of(object, name, path);
    if (!value.is_boolean()) refuse(path + name, "true or false");
    return value.get<bool>();
}

const Json& list(const Json& object, const std::string& name, const std::string& path) {
    const Json& value = field_of(object, name, path);
    if (!value.is_array()) refuse(path + name, "a list");
    return value;
}

template <typename Enum, std::size_t N>
Enum word(const Json& object, const std::string& name, const std::string& path,
          const std::array<std::pair<const char*, Enum>, N>& words) {
    const std::string found = text(object, name, path);
    std::string allowed;
    for (const auto& [known, value] : words) {
        if (found == known) return value;
        allowed += (allowed.empty() ? "" : ", ") + std::string(known);
    }
    refuse(path + name, "one of: " + allowed);
}

constexpr std::array<std::pair<const char*, BladeMotion>, 3> kBlades = {{{"unknown", BladeMotion::unknown},
                                                                         {"reciprocating", BladeMotion::reciprocating},
                                                                         {"oscillating", BladeMotion::oscillating}}};
constexpr std::array<std::pair<const char*, Suction>, 4> kSuctions = {{{"unknown", Suction::unknown},
                                                                       {"vacuum", Suction::vacuum},
                                                                       {"peristaltic", Suction::peristaltic},
                                                                       {"wall", Suction::wall}}};

template <typename Enum, std::size_t N>
const char* word_of(Enum value, const std::array<std::pair<const char*, Enum>, N>& words) {
    for (const auto& [known, one] : words) {
        if (one == value) return known;
    }
    return "unknown";
}

Json rate_json(const std::string& name, const Rate& rate) {
    return {{"name", name}, {"events", finite(rate.events, name)}, {"cases", finite(rate.cases, name)}};
}

Rate rate_from(const Json& object, const std::string& path) {
    const Rate rate{number(object, "events", path, 0.0, 1e9), number(object, "cases", path, 1e-6, 1e9)};
    if (rate.events > rate.cases) refuse(path + "events", "at most the number of cases");
    return rate;
}

NumberOrigin origin_from(const Json& object, const std::string& path) {
    try {
        return origin_from_words(text(object, "origin", path));
    } catch (const InvalidArgument& error) {
        throw InvalidModelFile("model file: '" + path + "origin': " + error.what());
    }
}

GroupSpread group_from(const Json& root, const std::string& name) {
    const Json& one = field_of(root, name, "");
    return {number(one, "log_sd", name + ".", 1e-9, 3.0), number(one, "log_se", name + ".", 0.0, 10.0),
            integer(one, "members", name + ".")};
}

Json group_json(const std::string& name, const GroupSpread& group) {
    return {{"log_sd", finite(group.log_sd, name)}, {"log_se", finite(group.log_se, name)}, {"members", group.members}};
}

HeldOut held_out_from(const Json& one) {
    HeldOut held_out;
    const int phases = integer(one, "phases", "held_out.");
    if (phases > 15) refuse("held_out.phases", "from 0 to 15");
    held_out.phases = static_cast<std::uint8_t>(phases);
    for (const Json& place : list(one, "places", "held_out.")) {
        if (!place.is_number() || !(place.get<double>() >= 0.0 && place.get<double>() <= 1.0) ||
            (!held_out.places.empty() && place.get<double>() < held_out.places.back()))
            refuse("held_out.places", "ascending numbers from 0 to 1");
        held_out.places.push_back(place.get<double>());
    }
    if (phases == 0 && !held_out.places.empty()) refuse("held_out.phases", "above 0 where there are places");
    return held_out;
}

Json held_out_json(const HeldOut& held_out) {
    Json places = Json::array();
    for (const double place : held_out.places) places.push_back(finite(place, "held_out"));
    return {{"phases", held_out.phases}, {"places", places}};
}

/// How the noise lies at z = -3, -2.75 ... 3.
NoiseLaw law_from(const Json& channel, const std::string& path) {
    const Json& knots = list(channel, "law", path);
    NoiseLaw law;
    if (knots.size() != law.at_knot.size()) refuse(path + "law", "a list of " + std::to_string(NoiseLaw::kKnots));
    for (std::size_t k = 0; k < knots.size(); ++k) {
        if (!knots[k].is_number() || !(std::abs(knots[k].get<double>()) <= 100.0))
            refuse(path + "law", "numbers from -100 to 100");
        law.at_knot[k] = knots[k].get<double>();
        if (k > 0 && !(law.at_knot[k] > law.at_knot[k - 1])) refuse(path + "law", "increasing numbers");
    }
    return law;
}

Json law_json(const NoiseLaw& law) {
    Json knots = Json::array();
    for (const double at : law.at_knot) knots.push_back(finite(at, "law"));
    return knots;
}

/// Absent where the cases show no trend.
SpreadTrend trend_from(const Json& channel, const std::string& path) {
    if (!channel.contains("trend")) return {};
    const Json& one = channel["trend"];
    const std::string inside = path + "trend.";
    if (!one.is_object()) refuse(path + "trend", "an object");
    constexpr double most = SpreadTrend::kSteepest;
    return {number(one, "per_log_volume", inside, -most, most),  number(one, "per_inexperience", inside, -most, most),
            number(one, "per_log_volume_se", inside, 0.0, most), number(one, "per_inexperience_se", inside, 0.0, most),
            number(one, "centre_log_v80", inside, -3.0, 3.0),    number(one, "centre_inexperience", inside, 0.0, 1.0)};
}

Json trend_json(const SpreadTrend& trend) {
    return {{"per_log_volume", finite(trend.per_log_volume, "trend")},
            {"per_inexperience", finite(trend.per_inexperience, "trend")},
            {"per_log_volume_se", finite(trend.per_log_volume_se, "trend")},
            {"per_inexperience_se", finite(trend.per_inexperience_se, "trend")},
            {"centre_log_v80", finite(trend.centre_log_v80, "trend")},
            {"centre_inexperience", finite(trend.centre_inexperience, "trend")}};
}

FittedModel parse(std::string_view json_text) {
    Json root;
    try {
        root = Json::parse(json_text);
    } catch (const nlohmann::json::exception& error) {
        // The parser quotes what it found, which need not be text.
        std::string reason = error.what();
        std::replace_if(
            reason.begin(), reason.end(), [](char c) { return c < 32 || c > 126; }, '?');
        throw InvalidModelFile("model file: not JSON: " + reason);
    }
    if (!root.is_object() || !root.contains("format") || root["format"] != kFormat)
        throw InvalidModelFile("model file: this is not a lobetime model ('format' must be \"lobetime model\")");
    const int version = integer(root, "version", "");
    if (version != kModelFileVersion)
        throw InvalidModelFile("model file: version " + std::to_string(version) + " is not known; this library reads " +
                               std::to_string(kModelFileVersion));
    FittedModel model;
    model.estimator = text(root, "estimator", "");
    if (model.estimator != "m" && model.estimator != "mm" && model.estimator != "none")
        refuse("estimator", "one of: m, mm, none");
    model.loss = text(root, "loss", "");
    model.tuning = number(root, "tuning", "", 0.0, 1e6);
    model.prior = text(root, "prior", "");
    model.n_cases = integer(root, "n_cases", "");
    const Json& glands = field_of(root, "gland_ml", "");
    model.gland_min_ml = number(glands, "min", "gland_ml.", 0.0, 1e5);
    model.gland_median_ml = number(glands, "median", "gland_ml.", 0.0, 1e5);
    model.gland_max_ml = number(glands, "max", "gland_ml.", 0.0, 1e5);
    const bool ordered = model.gland_min_ml <= model.gland_median_ml && model.gland_median_ml <= model.gland_max_ml;
    if (!(model.gland_median_ml > 0.0) || (model.has_history() && !ordered))
        refuse("gland_ml", "min, median and max in this order, median above 0");

    std::vector<std::string> surgeons, devices, learners;
    for (const Json& one : list(root, "surgeons", "")) {
        SurgeonRecord record{text(one, "code", "surgeons."), std::nan(""), integer(one, "cases", "surgeons.")};
        if (!field_of(one, "last_case_no", "surgeons.").is_null())
            record.last_case_no = number(one, "last_case_no", "surgeons.", 1.0, 1e6);
        surgeons.push_back(record.code);
        if (flag(one, "learning", "surgeons.")) learners.push_back(record.code);
        model.surgeons.push_back(record);
    }
    for (const Json& one : list(root, "devices", "")) {
        if (!one.is_string()) refuse("devices", "a list of texts");
        devices.push_back(one.get<std::string>());
    }
    for (const auto* codes : {&surgeons, &devices}) {
        const std::set<std::string> distinct(codes->begin(), codes->end());
        if (distinct.size() != codes->size() || distinct.count("") > 0) refuse("surgeons, devices", "distinct codes");
    }
    model.layout = ModelLayout(surgeons, devices, learners);
    for (const Json& one : list(root, "device_classes", "")) {
        model.device_classes.push_back({word(one, "blade", "device_classes.", kBlades),
                                        word(one, "suction", "device_classes.", kSuctions),
                                        integer(one, "cases", "device_classes.")});
    }

    const Json& parameters = list(root, "parameters", "");
    const Eigen::Index p = model.layout.size();
    if (static_cast<Eigen::Index>(parameters.size()) != p)
        refuse("parameters", "a list of " + std::to_string(p) + " (core, devices, surgeons, learning)");
    model.theta.resize(p);
    for (int i = 0; i < model.layout.size(); ++i) {
        const std::string path = "parameters[" + std::to_string(i) + "].";
        const Json& one = parameters[static_cast<std::size_t>(i)];
        const std::string& name = model.layout.names()[static_cast<std::size_t>(i)];
        if (text(one, "name", path) != name) refuse(path + "name", "\"" + name + "\"");
        const Transform transform = model.layout.transform(i);
        const double margin = 1e-9;
        model.theta[i] = number(one, "working", path, to_working(transform, model.layout.lower(i)) - margin,
                                to_working(transform, model.layout.upper(i)) + margin);
        ParameterSource source;
        source.origin = origin_from(one, path);
        source.source = text(one, "source", path);
        source.share_from_cases = number(one, "share_from_cases", path, 0.0, 1.0);
        model.sources.push_back(source);
    }
    const Json& covariance = list(root, "covariance_lower", "");
    if (static_cast<Eigen::Index>(covariance.size()) != p * (p + 1) / 2)
        refuse("covariance_lower", "the lower triangle by rows, " + std::to_string(p * (p + 1) / 2) + " numbers");
    model.covariance.resize(p, p);
    std::size_t at = 0;
    for (Eigen::Index i = 0; i < p; ++i) {
        for (Eigen::Index j = 0; j <= i; ++j, ++at) {
            if (!covariance[at].is_number() || !std::isfinite(covariance[at].get<double>()))
                refuse("covariance_lower", "finite numbers");
            model.covariance(i, j) = model.covariance(j, i) = covariance[at].get<double>();
        }
    }
    const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(model.covariance, Eigen::EigenvaluesOnly);
    if (eigen.eigenvalues().minCoeff() < -1e-9 * std::max(1e-12, eigen.eigenvalues().maxCoeff()))
        refuse("covariance_lower", "a covariance matrix (no negative variance in any direction)");

    const Json& channels = list(root, "spreads", "");
    if (channels.size() != model.channels.size()) refuse("spreads", "a list of " + std::to_string(kChannels));
    for (std::size_t c = 0; c < model.channels.size(); ++c) {
        const std::string path = "spreads[" + std::to_string(c) + "].";
        const std::string name(channel_name(static_cast<Channel>(c)));
        if (text(channels[c], "name", path) != name) refuse(path + "name", "\"" + name + "\"");
        model.channels[c] = {number(channels[c], "spread", path, 1e-6, 100.0),
                             number(channels[c], "log_se", path, 0.0, 10.0), integer(channels[c], "observations", path),
                             number(channels[c], "parameters_used", path, 0.0, 1e6), law_from(channels[c], path)};
        model.channels[c].trend = trend_from(channels[c], path);
    }
    model.phase_correlation = number(root, "phase_correlation", "", -0.999, 0.999);
    model.surgeon_enucleation = group_from(root, "surgeon_enucleation");
    model.surgeon_morcellation = group_from(root, "surgeon_morcellation");
    model.surgeon_learning = group_from(root, "surgeon_learning");
    model.device = group_from(root, "device");
    for (const Json& one : list(root, "device_priors", "")) {
        const std::string path = "device_priors.";
        model.device_priors.push_back({text(one, "code", path), number(one, "log_ratio", path, -5.0, 5.0),
                                       number(one, "log_sd", path, 1e-6, 5.0), origin_from(one, path),
                                       text(one, "source", path)});
        if (model.device_priors.back().code.empty()) refuse(path + "code", "a text that is not blank");
    }
    for (const Json& one : list(root, "fault_rates", ""))
        model.fault_rates.push_back({text(one, "name", "fault_rates."), rate_from(one, "fault_rates.")});
    model.hard_nodule_rate = rate_from(field_of(root, "hard_nodule_rate", ""), "hard_nodule_rate.");
    model.hard_nodule_odds_80 = number(root, "hard_nodule_odds_80", "", 1e-15, 1e15);
    model.hard_nodule_power = number(root, "hard_nodule_power", "", -10.0, 10.0);
    model.held_out = held_out_from(field_of(root, "held_out", ""));
    model.experience_recorded = flag(root, "experience_recorded", "");
    model.faults_recorded = flag(root, "faults_recorded", "");
    model.hard_nodules_recorded = flag(root, "hard_nodules_recorded", "");
    model.canisters_recorded = flag(root, "canisters_recorded", "");
    return model;
}

}  // namespace

std::string model_to_json(const FittedModel& model) {
    Json root;
    root["format"] = kFormat;
    root["version"] = kModelFileVersion;
    root["written_by"] = std::string("lobetime ") + version();
    root["caution"] = "For planning theatre time only; not clinical advice.";
    root["estimator"] = model.estimator;
    root["loss"] = model.loss;
    root["tuning"] = finite(model.tuning, "tuning");
    root["prior"] = model.prior;
    root["n_cases"] = model.n_cases;
    root["gland_ml"] = {{"min", finite(model.gland_min_ml, "gland_ml.min")},
                        {"median", finite(model.gland_median_ml, "gland_ml.median")},
                        {"max", finite(model.gland_max_ml, "gland_ml.max")}};
    root["surgeons"] = Json::array();
    const std::vector<std::string>& learners = model.layout.learners();
    for (const SurgeonRecord& one : model.surgeons)
        root["surgeons"].push_back(
            {{"code", one.code},
             {"last_case_no", std::isnan(one.last_case_no) ? Json(nullptr) : Json(one.last_case_no)},
             {"cases", one.cases},
             {"learning", std::find(learners.begin(), learners.end(), one.code) != learners.end()}});
    root["devices"] = model.layout.devices();
    root["device_classes"] = Json::array();
    for (const DeviceClassRecord& one : model.device_classes)
        root["device_classes"].push_back({{"blade", word_of(one.blade, kBlades)},
                                          {"suction", word_of(one.suction, kSuctions)},
                                          {"cases", one.cases}});
    root["parameters"] = Json::array();
    for (int i = 0; i < model.layout.size(); ++i) {
        const std::string& name = model.layout.names()[static_cast<std::size_t>(i)];
        const ParameterSource& source = model.sources[static_cast<std::size_t>(i)];
        root["parameters"].push_back({{"name", name},
                                      {"unit", model.layout.unit(i)},
                                      {"value", finite(to_natural(model.layout.transform(i), model.theta[i]), name)},
                                      {"scale", model.layout.transform(i) == Transform::log ? "log" : "identity"},
                                      {"working", finite(model.theta[i], name)},
                                      {"origin", origin_words(source.origin)},
                                      {"share_from_cases", finite(source.share_from_cases, name)},
                                      {"source", source.source}});
    }
    root["covariance_lower"] = Json::array();
    for (Eigen::Index i = 0; i < model.covariance.rows(); ++i) {
        for (Eigen::Index j = 0; j <= i; ++j)
            root["covariance_lower"].push_back(finite(model.covariance(i, j), "covariance"));
    }
    root["spreads"] = Json::array();
    for (std::size_t c = 0; c < model.channels.size(); ++c) {
        const ChannelFit& channel = model.channels[c];
        root["spreads"].push_back({{"name", channel_name(static_cast<Channel>(c))},
                                   {"spread", finite(channel.spread, "spread")},
                                   {"log_se", finite(channel.spread_log_se, "spread")},
                                   {"observations", channel.observations},
                                   {"parameters_used", finite(channel.parameters_used, "spread")},
                                   {"law", law_json(channel.law)}});
        if (channel.trend.shown()) root["spreads"].back()["trend"] = trend_json(channel.trend);
    }
    root["phase_correlation"] = finite(model.phase_correlation, "phase_correlation");
    root["surgeon_enucleation"] = group_json("surgeon_enucleation", model.surgeon_enucleation);
    root["surgeon_morcellation"] = group_json("surgeon_morcellation", model.surgeon_morcellation);
    root["surgeon_learning"] = group_json("surgeon_learning", model.surgeon_learning);
    root["device"] = group_json("device", model.device);
    root["device_priors"] = Json::array();
    for (const DevicePrior& own : model.device_priors)
        root["device_priors"].push_back({{"code", own.code},
                                         {"log_ratio", finite(own.log_ratio, "device_priors")},
                                         {"log_sd", finite(own.log_sd, "device_priors")},
                                         {"origin", origin_words(own.origin)},
                                         {"source", own.source}});
    root["fault_rates"] = Json::array();
    for (const auto& [name, rate] : model.fault_rates) root["fault_rates"].push_back(rate_json(name, rate));
    root["hard_nodule_rate"] = rate_json("hard_nodule", model.hard_nodule_rate);
    root["hard_nodule_odds_80"] = finite(model.hard_nodule_odds_80, "hard_nodule_odds_80");
    root["hard_nodule_power"] = finite(model.hard_nodule_power, "hard_nodule_power");
    root["held_out"] = held_out_json(model.held_out);
    root["experience_recorded"] = model.experience_recorded;
    root["faults_recorded"] = model.faults_recorded;
    root["hard_nodules_recorded"] = model.hard_nodules_recorded;
    root["canisters_recorded"] = model.canisters_recorded;
    try {
        std::string written = root.dump(1) + "\n";
        parse(written);  // a file that nobody can read would be noticed when it is too late
        return written;
    } catch (const nlohmann::json::exception& error) {
        throw InvalidArgument(std::string("a surgeon's or device's code is not valid UTF-8: ") + error.what());
    } catch (const InvalidModelFile& error) {
        throw InvalidArgument(std::string("this model could not be read again, so it is not written: ") + error.what());
    }
}

FittedModel model_from_json(std::string_view json_text) {
    try {
        return parse(json_text);
    } catch (const nlohmann::json::exception& error) {
        throw InvalidModelFile(std::string("model file: ") + error.what());
    }
}

}  // namespace lobetime
