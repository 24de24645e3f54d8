#include <lobetime/core/errors.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/inference/model_file.hpp>

#include "eigen_matchers.hpp"
#include "simulated_unit.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <nlohmann/json.hpp>

#include <cmath>
#include <cstring>
#include <functional>
#include <limits>
#include <string>

namespace lobetime {
namespace {

using Json = nlohmann::ordered_json;
using lobetime::testing::EigenIdentical;
using ::testing::HasSubstr;
using ::testing::Not;

const CaseTable& history() {
    static const CaseTable cases = [] {
        lobetime::testing::UnitOptions options;
        options.n_cases = 60;
        options.n_surgeons = 2;
        CaseTable made = lobetime::testing::simulate_unit(options).cases;
        for (std::size_t i = 0; i < made.size(); ++i) {
            made.case_id[i] = "secretid" + std::to_string(i) + "zz";
            if (made.surgeon[i] == "B") made.surgeon_case_no[i] = std::nan("");
        }
        return made;
    }();
    return cases;
}

const FittedModel& fitted() {
    static const FittedModel model = [] {
        const PriorSet prior = published_prior();
        return model_from_fit(fit_theatre_time(history(), prior), history(), prior, {});
    }();
    return model;
}

void expect_equal(const FittedModel& a, const FittedModel& b) {
    EXPECT_EQ(a.layout.names(), b.layout.names());
    EXPECT_THAT(a.theta, EigenIdentical(b.theta));
    EXPECT_THAT(a.covariance, EigenIdentical(b.covariance));
    ASSERT_EQ(a.sources.size(), b.sources.size());
    for (std::size_t i = 0; i < a.sources.size(); ++i) {
        EXPECT_EQ(a.sources[i].origin, b.sources[i].origin);
        EXPECT_EQ(a.sources[i].source, b.sources[i].source);
        EXPECT_EQ(a.sources[i].share_from_cases, b.sources[i].share_from_cases);
    }
    for (std::size_t c = 0; c < a.channels.size(); ++c) {
        EXPECT_EQ(a.channels[c].spread, b.channels[c].spread);
        EXPECT_EQ(a.channels[c].spread_log_se, b.channels[c].spread_log_se);
        EXPECT_EQ(a.channels[c].observations, b.channels[c].observations);
        EXPECT_EQ(a.channels[c].parameters_used, b.channels[c].parameters_used);
        EXPECT_EQ(a.channels[c].law.at_knot, b.channels[c].law.at_knot);
        EXPECT_EQ(a.channels[c].trend.per_log_volume, b.channels[c].trend.per_log_volume);
        EXPECT_EQ(a.channels[c].trend.per_inexperience, b.channels[c].trend.per_inexperience);
        EXPECT_EQ(a.channels[c].trend.per_log_volume_se, b.channels[c].trend.per_log_volume_se);
        EXPECT_EQ(a.channels[c].trend.per_inexperience_se, b.channels[c].trend.per_inexperience_se);
        EXPECT_EQ(a.channels[c].trend.centre_log_v80, b.channels[c].trend.centre_log_v80);
        EXPECT_EQ(a.channels[c].trend.centre_inexperience, b.channels[c].trend.centre_inexperience);
    }
    EXPECT_EQ(a.phase_correlation, b.phase_correlation);
    for (const auto group : {&FittedModel::surgeon_enucleation, &FittedModel::surgeon_morcellation,
                             &FittedModel::surgeon_learning, &FittedModel::device}) {
        EXPECT_EQ((a.*group).log_sd, (b.*group).log_sd);
        EXPECT_EQ((a.*group).log_se, (b.*group).log_se);
        EXPECT_EQ((a.*group).members, (b.*group).members);
    }
    EXPECT_EQ(a.hard_nodule_odds_80, b.hard_nodule_odds_80);
    EXPECT_EQ(a.hard_nodule_power, b.hard_nodule_power);
    EXPECT_EQ(a.held_out.phases, b.held_out.phases);
    EXPECT_EQ(a.held_out.places, b.held_out.places);
    ASSERT_EQ(a.surgeons.size(), b.surgeons.size());
    for (std::size_t i = 0; i < a.surgeons.size(); ++i) {
        EXPECT_EQ(a.surgeons[i].code, b.surgeons[i].code);
        EXPECT_EQ(a.surgeons[i].cases, b.surgeons[i].cases);
        EXPECT_TRUE(a.surgeons[i].last_case_no == b.surgeons[i].last_case_no ||
                    (std::isnan(a.surgeons[i].last_case_no) && std::isnan(b.surgeons[i].last_case_no)));
    }
    ASSERT_EQ(a.device_classes.size(), b.device_classes.size());
    for (std::size_t i = 0; i < a.device_classes.size(); ++i) {
        EXPECT_EQ(a.device_classes[i].blade, b.device_classes[i].blade);
        EXPECT_EQ(a.device_classes[i].suction, b.device_classes[i].suction);
        EXPECT_EQ(a.device_classes[i].cases, b.device_classes[i].cases);
    }
    ASSERT_EQ(a.fault_rates.size(), b.fault_rates.size());
    for (std::size_t i = 0; i < a.fault_rates.size(); ++i) {
        EXPECT_EQ(a.fault_rates[i].first, b.fault_rates[i].first);
        EXPECT_EQ(a.fault_rates[i].second.events, b.fault_rates[i].second.events);
        EXPECT_EQ(a.fault_rates[i].second.cases, b.fault_rates[i].second.cases);
    }
    EXPECT_EQ(a.hard_nodule_rate.events, b.hard_nodule_rate.events);
    EXPECT_EQ(a.hard_nodule_rate.cases, b.hard_nodule_rate.cases);
    EXPECT_EQ(a.experience_recorded, b.experience_recorded);
    EXPECT_EQ(a.faults_recorded, b.faults_recorded);
    EXPECT_EQ(a.hard_nodules_recorded, b.hard_nodules_recorded);
    EXPECT_EQ(a.canisters_recorded, b.canisters_recorded);
    EXPECT_EQ(a.n_cases, b.n_cases);
    EXPECT_EQ(a.gland_min_ml, b.gland_min_ml);
    EXPECT_EQ(a.gland_median_ml, b.gland_median_ml);
    EXPECT_EQ(a.gland_max_ml, b.gland_max_ml);
    EXPECT_EQ(a.loss, b.loss);
    EXPECT_EQ(a.prior, b.prior);
}

/// What is said when `change` was made to a good file; "accepted" if nothing is.
std::string refusal(const std::function<void(Json&)>& change) {
    Json json = Json::parse(model_to_json(fitted()));
    change(json);
    try {
        model_from_json(json.dump());
    } catch (const InvalidModelFile& error) {
        return error.what();
    }
    return "accepted";
}

TEST(ModelFile, RoundTripKeepsEveryBit) {
    expect_equal(model_from_json(model_to_json(fitted())), fitted());
    EXPECT_EQ(model_to_json(model_from_json(model_to_json(fitted()))), model_to_json(fitted()));
}

TEST(ModelFile, PriorAloneRoundTrips) {
    const FittedModel model = model_from_prior(published_prior());
    expect_equal(model_from_json(model_to_json(model)), model);
}

TEST(ModelFile, AwkwardDoublesComeBack) {
    FittedModel model = fitted();
    model.theta[param::e_trainee] = std::nextafter(0.1, 1.0);
    model.theta[param::m_trainee] = std::numeric_limits<double>::denorm_min();
    model.theta[param::room_spinal] = -0.0;
    model.covariance(0, 0) = 1.0 / 3.0;
    expect_equal(model_from_json(model_to_json(model)), model);
}

TEST(ModelFile, HoldsNoCaseAndNoCaseId) {
    const std::string text = model_to_json(fitted());
    EXPECT_THAT(text, Not(HasSubstr("secretid")));
    for (const std::string& id : history().case_id) EXPECT_EQ(text.find(id), std::string::npos);
    // No column of rows either: every list in the file is as long as the layout, not as the history.
    const Json json = Json::parse(text);
    for (const auto& [key, value] : json.items()) {
        if (value.is_array()) {
            EXPECT_NE(value.size(), history().size()) << key;
        }
        EXPECT_THAT(key, Not(HasSubstr("case_id")));
    }
    // Only extremes and the median of a column may be there, and no recorded minutes.
    for (const double minutes : history().enucleation_min)
        EXPECT_EQ(text.find(Json(minutes).dump()), std::string::npos);
}

TEST(ModelFile, EveryFieldIsNeeded) {
    // Walks all objects of a good file and takes out one field at a time; what only people read may be missing.
    const std::vector<std::string> for_people = {"written_by", "caution", "unit", "value", "scale"};
    const auto needed = [&](const std::string& key) {
        return std::find(for_people.begin(), for_people.end(), key) == for_people.end();
    };
    const Json good = Json::parse(model_to_json(fitted()));
    std::vector<Json::json_pointer> fields;
    const std::function<void(const Json&, const Json::json_pointer&)> walk = [&](const Json& at,
                                                                                 const Json::json_pointer& path) {
        if (at.is_object()) {
            for (const auto& [key, value] : at.items()) {
                if (needed(key)) fields.push_back(path / key);
                walk(value, path / key);
            }
        } else if (at.is_array()) {
            for (std::size_t i = 0; i < std::min<std::size_t>(at.size(), 2); ++i) walk(at[i], path / i);
        }
    };
    walk(good, Json::json_pointer());
    EXPECT_GT(fields.size(), 50U);
    for (const auto& field : fields) {
        // The rate's own name repeats the key it stands under.
        if (field == Json::json_pointer("/hard_nodule_rate/name")) continue;
        const std::string message = refusal([&](Json& json) { json[field.parent_pointer()].erase(field.back()); });
        EXPECT_NE(message, "accepted") << field.to_string();
        EXPECT_THAT(message, HasSubstr(field.back())) << field.to_string();
    }
}

TEST(ModelFile, EveryFieldHasItsType) {
    const Json good = Json::parse(model_to_json(fitted()));
    for (const auto& [key, value] : good.items()) {
        if (key == "written_by" || key == "caution") continue;
        for (const Json& wrong :
             {Json(nullptr), Json("text"), Json(1.5), Json(true), Json::array({1, 2}), Json::object()}) {
            if (wrong.type() == value.type() || (wrong.is_number() && value.is_number_float())) continue;
            EXPECT_NE(refusal([&, key = key](Json& json) { json[key] = wrong; }), "accepted")
                << key << " = " << wrong.dump();
        }
    }
    for (const char* key : {"working", "share_from_cases"}) {
        EXPECT_THAT(refusal([&](Json& json) { json["parameters"][2][key] = "3"; }),
                    HasSubstr("parameters[2]." + std::string(key)));
    }
    EXPECT_THAT(refusal([](Json& json) { json["parameters"][2]["origin"] = "guess"; }),
                HasSubstr("parameters[2].origin"));
    EXPECT_NE(refusal([](Json& json) { json["surgeons"][0]["code"] = 7; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["devices"][0] = 7; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["device_classes"][0]["blade"] = "rotating"; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["n_cases"] = 1.5; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["n_cases"] = -1; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["n_cases"] = 99999999999LL; }), "accepted");
}

TEST(ModelFile, UnknownVersionsAndOtherFilesAreRefused) {
    EXPECT_THAT(refusal([](Json& json) { json["version"] = kModelFileVersion + 1; }),
                HasSubstr("version " + std::to_string(kModelFileVersion + 1)));
    EXPECT_NE(refusal([](Json& json) { json["version"] = 0; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["version"] = "2"; }), "accepted");
    EXPECT_THAT(refusal([](Json& json) { json["format"] = "something else"; }), HasSubstr("not a lobetime model"));
    for (const char* text : {"", " ", "{}", "[]", "null", "1", "\"lobetime model\"", "not json", "{\"format\": 3}"})
        EXPECT_THROW(model_from_json(text), InvalidModelFile) << text;
}

TEST(ModelFile, NumbersThatCannotBeAreRefused) {
    const std::string good = model_to_json(fitted());
    const std::string key = "\"phase_correlation\": ";
    const std::size_t at = good.find(key) + key.size();
    const std::size_t end = good.find(',', at);
    for (const char* wrong : {"NaN", "nan", "Infinity", "-Infinity", "inf", "1e999", "-1e999", "2.0", "\"0.2\"", "0x1",
                              "+1", "01", "1.", ".5", "1e", "--1", ""}) {
        std::string text = good;
        text.replace(at, end - at, wrong);
        EXPECT_THROW(model_from_json(text), InvalidModelFile) << wrong;
    }
    EXPECT_NE(refusal([](Json& json) { json["covariance_lower"][4] = nullptr; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["parameters"][param::e_80]["working"] = 50.0; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["spreads"][0]["spread"] = 0.0; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["spreads"][0]["spread"] = -0.2; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["hard_nodule_rate"]["events"] = 1e6; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["fault_rates"][0]["cases"] = 0.0; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["device"]["log_sd"] = -1.0; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["surgeons"][0]["last_case_no"] = 0.0; }), "accepted");
}

TEST(ModelFile, LawsRiseAndPlacesAscend) {
    EXPECT_THAT(refusal([](Json& json) { json["spreads"][1]["law"].erase(0); }), HasSubstr("law"));
    EXPECT_THAT(refusal([](Json& json) { json["spreads"][1]["law"][4] = 90.0; }), HasSubstr("increasing"));
    EXPECT_THAT(refusal([](Json& json) { json["held_out"]["places"] = {0.4, 0.2}; }), HasSubstr("held_out"));
    EXPECT_THAT(refusal([](Json& json) { json["held_out"]["places"] = {0.4, 1.2}; }), HasSubstr("held_out"));
    EXPECT_THAT(refusal([](Json& json) {
                    json["held_out"] = {{"phases", 0}, {"places", {0.4}}};
                }),
                HasSubstr("held_out"));
    EXPECT_THAT(refusal([](Json& json) {
                    json["held_out"] = {{"phases", 16}, {"places", Json::array()}};
                }),
                HasSubstr("held_out"));
}

TEST(ModelFile, KeepsATrendOfASpreadWhereThereIsOne) {
    ASSERT_FALSE(fitted().channels[1].trend.shown());
    EXPECT_EQ(model_to_json(fitted()).find("trend"), std::string::npos);
    FittedModel model = fitted();
    model.channels[1].trend = {1.0 / 3.0, 0.0, 0.05, 0.0, -0.1, 0.25};
    model.channels[3].trend = {0.0, -0.4, 0.0, 0.11, 0.02, 0.3};
    expect_equal(model_from_json(model_to_json(model)), model);

    const auto refused = [&](const std::function<void(Json&)>& change, const std::string& field) {
        Json json = Json::parse(model_to_json(model));
        change(json["spreads"][1]);
        EXPECT_THROW(
            try { model_from_json(json.dump()); } catch (const InvalidModelFile& error) {
                EXPECT_THAT(error.what(), HasSubstr("spreads[1].trend" + field));
                throw;
            },
            InvalidModelFile)
            << field;
    };
    for (const char* field : {"per_log_volume", "per_inexperience", "per_log_volume_se", "per_inexperience_se",
                              "centre_log_v80", "centre_inexperience"}) {
        const std::string path = "." + std::string(field);
        refused([&](Json& channel) { channel["trend"].erase(field); }, path);
        refused([&](Json& channel) { channel["trend"][field] = 3.1; }, path);
        refused([&](Json& channel) { channel["trend"][field] = "0.1"; }, path);
        refused([&](Json& channel) { channel["trend"][field] = nullptr; }, path);
    }
    refused([](Json& channel) { channel["trend"]["per_log_volume_se"] = -0.1; }, ".per_log_volume_se");
    for (const Json& wrong : {Json(nullptr), Json(0.2), Json::array(), Json("none")})
        refused([&](Json& channel) { channel["trend"] = wrong; }, "");
    model.channels[1].trend.centre_log_v80 = std::nan("");
    EXPECT_THROW(model_to_json(model), NotFinite);
}

TEST(ModelFile, KeepsHeldOutPlaces) {
    FittedModel model = fitted();
    model.held_out = {7, {0.1, 0.5, 0.5, 0.93}};
    expect_equal(model_from_json(model_to_json(model)), model);
}

TEST(ModelFile, PartsMustFitTogether) {
    EXPECT_THAT(refusal([](Json& json) { json["covariance_lower"].erase(0); }), HasSubstr("covariance_lower"));
    EXPECT_THAT(refusal([](Json& json) { json["covariance_lower"].push_back(0.0); }), HasSubstr("covariance_lower"));
    EXPECT_THAT(refusal([](Json& json) { json["covariance_lower"][1] = 50.0; }), HasSubstr("covariance_lower"));
    EXPECT_THAT(refusal([](Json& json) { json["covariance_lower"][0] = -1.0; }), HasSubstr("covariance_lower"));
    EXPECT_THAT(refusal([](Json& json) { json["parameters"].erase(0); }), HasSubstr("parameters"));
    EXPECT_THAT(refusal([](Json& json) { std::swap(json["parameters"][0], json["parameters"][1]); }),
                HasSubstr("parameters[0].name"));
    EXPECT_THAT(refusal([](Json& json) { json["surgeons"].push_back(json["surgeons"][0]); }), HasSubstr("distinct"));
    EXPECT_THAT(refusal([](Json& json) { json["surgeons"][1]["code"] = json["surgeons"][0]["code"]; }),
                HasSubstr("distinct"));
    EXPECT_THAT(refusal([](Json& json) { json["surgeons"][1]["code"] = ""; }), HasSubstr("distinct"));
    EXPECT_THAT(refusal([](Json& json) { json["devices"][1] = json["devices"][0]; }), HasSubstr("distinct"));
    EXPECT_THAT(refusal([](Json& json) { json["spreads"].erase(3); }), HasSubstr("spreads"));
    EXPECT_THAT(refusal([](Json& json) { json["spreads"][0]["name"] = "room"; }), HasSubstr("spreads[0].name"));
}

TEST(ModelFile, GlandsOfAHistoryMustBePositiveAndInOrder) {
    EXPECT_NE(refusal([](Json& json) { json["gland_ml"]["median"] = 0.0; }), "accepted");
    EXPECT_NE(refusal([](Json& json) { json["gland_ml"]["min"] = 300.0, json["gland_ml"]["max"] = 20.0; }), "accepted");
}

TEST(ModelFile, ATruncatedFileIsRefusedAtEveryByte) {
    const std::string text = model_to_json(model_from_prior(published_prior()));
    ASSERT_EQ(text.back(), '\n');
    // The last byte is the line's end; without it the model is still whole.
    for (std::size_t length = 0; length + 1 < text.size(); ++length) {
        ASSERT_THROW(model_from_json(std::string_view(text).substr(0, length)), InvalidModelFile) << length;
    }
    EXPECT_NO_THROW(model_from_json(std::string_view(text).substr(0, text.size() - 1)));
}

TEST(ModelFile, DamagedBytesNeverDoMoreThanRefuse) {
    const std::string text = model_to_json(fitted());
    int accepted = 0;
    for (std::size_t at = 0; at < text.size(); at += 97) {
        for (const char byte : {'\0', '\xff', '"', '{', '9', '-'}) {
            std::string damaged = text;
            damaged[at] = byte;
            try {
                const FittedModel model = model_from_json(damaged);
                EXPECT_TRUE(model.theta.allFinite());
                EXPECT_TRUE(model.covariance.allFinite());
                ++accepted;
            } catch (const InvalidModelFile&) {
            }
        }
    }
    EXPECT_GT(accepted, 0) << "a changed digit is still a number";
}

TEST(ModelFile, DeepNestingHugeNumbersAndWrongEncodingAreRefused) {
    EXPECT_THROW(model_from_json(std::string(200000, '[')), InvalidModelFile);
    EXPECT_THROW(model_from_json(std::string(100000, '[') + std::string(100000, ']')), InvalidModelFile);
    std::string nested;
    for (int i = 0; i < 50000; ++i) nested += "{\"a\":";
    EXPECT_THROW(model_from_json(nested), InvalidModelFile);
    EXPECT_THROW(model_from_json(std::string(1000000, '9')), InvalidModelFile);
    std::string text = model_to_json(fitted());
    EXPECT_THROW(model_from_json(text + "x"), InvalidModelFile);
    EXPECT_THROW(model_from_json(text + text), InvalidModelFile);
    text.insert(text.find("\"code\": \"") + 9, "\xc3\x28");
    EXPECT_THROW(model_from_json(text), InvalidModelFile);
}

TEST(ModelFile, CodesOfAnySpellingComeBack) {
    CaseTable cases = history();
    for (std::string& code : cases.surgeon) code = code == "A" ? "Ä \"quoted\" \\ \n 外科" : "B";
    const PriorSet prior = published_prior();
    const FittedModel model = model_from_fit(fit_theatre_time(cases, prior), cases, prior, {});
    EXPECT_EQ(model_from_json(model_to_json(model)).surgeons[0].code, model.surgeons[0].code);
    FittedModel broken = model;
    broken.surgeons[0].code = "\xff";
    EXPECT_THROW(model_to_json(broken), InvalidArgument);
}

// Of a table that nothing has checked, say.
TEST(ModelFile, AModelThatCouldNotBeReadAgainIsNotWritten) {
    const auto refused = [](const std::function<void(FittedModel&)>& change) {
        FittedModel model = fitted();
        change(model);
        EXPECT_THROW(model_to_json(model), InvalidArgument);
    };
    refused([](FittedModel& m) { m.surgeons[0].last_case_no = 1e300; });
    refused([](FittedModel& m) { m.gland_max_ml = 1e9; });
    refused([](FittedModel& m) { m.channels[0].spread = 1e6; });
    refused([](FittedModel& m) { m.estimator = "guess"; });
    refused([](FittedModel& m) { m.surgeons[0].code = "nobody"; });
    refused([](FittedModel& m) { m.covariance *= -1.0; });
}

TEST(ModelFile, AModelThatIsNotFiniteIsNotWritten) {
    const auto refused = [](const std::function<void(FittedModel&)>& change) {
        FittedModel model = fitted();
        change(model);
        EXPECT_THROW(model_to_json(model), NotFinite);
    };
    constexpr double nan = std::numeric_limits<double>::quiet_NaN(), infinite = std::numeric_limits<double>::infinity();
    refused([&](FittedModel& m) { m.theta[3] = nan; });
    refused([&](FittedModel& m) { m.covariance(5, 2) = infinite; });
    refused([&](FittedModel& m) { m.channels[1].spread = nan; });
    refused([&](FittedModel& m) { m.phase_correlation = nan; });
    refused([&](FittedModel& m) { m.gland_max_ml = infinite; });
    refused([&](FittedModel& m) { m.fault_rates[0].second.events = nan; });
    refused([&](FittedModel& m) { m.sources[0].share_from_cases = nan; });
    refused([&](FittedModel& m) { m.surgeon_enucleation.log_sd = nan; });
}

}  // namespace
}  // namespace lobetime
