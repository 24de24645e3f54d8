#include <lobetime/core/errors.hpp>
#include <lobetime/inference/model_file.hpp>
#include <lobetime/predict/prediction.hpp>

#include "source.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <iterator>
#include <random>

namespace lobetime::fuzz {
namespace {

void predicts(const FittedModel& model) {
    CaseTable bookings(2);
    bookings.case_id = {"1", "2"};
    bookings.gland_ml = {40.0, 180.0};
    bookings.canister_ml = {2000.0, std::numeric_limits<double>::infinity()};
    if (!model.surgeons.empty()) bookings.surgeon[1] = model.surgeons.front().code;
    if (!model.layout.devices().empty()) bookings.device[1] = model.layout.devices().front();
    PredictOptions options;
    options.draws = 100;
    options.threads = 1;
    try {
        const Prediction prediction = predict(model, bookings, options);
        for (const double minutes : prediction.minutes)
            require(std::isfinite(minutes) && minutes >= 0.0, "predicted minutes are finite and not negative");
        for (const double swaps : prediction.swaps) require(std::isfinite(swaps), "predicted swaps are finite");
    } catch (const Error&) {
        // Numbers that a file may hold one by one need not make a prediction together; saying so is enough.
    }
}

}  // namespace

bool model_file(Input input) {
    const std::string text(input.begin(), input.end());
    FittedModel model;
    try {
        model = model_from_json(text);
    } catch (const InvalidModelFile&) {
        return false;
    }
    const std::string written = model_to_json(model);
    require(model_to_json(model_from_json(written)) == written, "a model that was read writes and reads back the same");
    predicts(model);
    return true;
}

}  // namespace lobetime::fuzz

#ifdef LOBETIME_FUZZ_TARGET
namespace {

using Json = nlohmann::ordered_json;

std::size_t nodes(const Json& json) {
    std::size_t n = 1;
    for (const Json& child : json) n += json.is_structured() ? nodes(child) : 0;
    return n;
}

Json* node(Json& json, std::size_t& at) {
    if (at-- == 0) return &json;
    if (!json.is_structured()) return nullptr;
    for (Json& child : json) {
        if (Json* const found = node(child, at)) return found;
    }
    return nullptr;
}

Json value(std::minstd_rand& random) {
    static const Json values = {0,
                                1,
                                -1,
                                2,
                                0.5,
                                1e-300,
                                1e-9,
                                1e9,
                                1e15,
                                1e300,
                                -1e300,
                                1.5e-310,
                                2.5,
                                true,
                                false,
                                "",
                                "m",
                                "B",
                                "published",
                                {},
                                nullptr,
                                Json::array(),
                                1000,
                                2000000000,
                                -0.0,
                                "\xc3\xa4",
                                "oscillating",
                                "wall"};
    return values[random() % values.size()];
}

}  // namespace

extern "C" std::size_t LLVMFuzzerMutate(std::uint8_t* data, std::size_t size, std::size_t most);
extern "C" std::size_t LLVMFuzzerCustomMutator(std::uint8_t* data, std::size_t size, std::size_t most, unsigned seed);

// Changed byte by byte a model nearly always stops being JSON. So most changes are made to one value of it.
extern "C" std::size_t LLVMFuzzerCustomMutator(std::uint8_t* data, std::size_t size, std::size_t most, unsigned seed) {
    std::minstd_rand random(seed);
    Json json = random() % 8 == 0 ? Json(Json::value_t::discarded) : Json::parse(data, data + size, nullptr, false);
    if (json.is_discarded()) return LLVMFuzzerMutate(data, size, most);
    std::size_t at = random() % nodes(json);
    Json& one = *node(json, at);
    switch (random() % 6) {
        case 0:
            if (one.is_structured() && !one.empty())
                one.erase(std::next(one.begin(), static_cast<int>(random() % one.size())));
            break;
        case 1:
            if (one.is_array() && !one.empty()) one.push_back(one[random() % one.size()]);
            break;
        case 2:
            if (one.is_array() && one.size() > 1) std::swap(one[random() % one.size()], one[random() % one.size()]);
            break;
        case 3:
            if (one.is_number()) one = one.get<double>() * (random() % 2 == 0 ? -1.5 : 10.0);
            break;
        case 4:
            if (one.is_number_integer()) one = one.get<int>() + 1;
            break;
        default:
            if (!one.is_structured() || random() % 8 == 0) one = value(random);
    }
    const std::string text = json.dump(-1, ' ', false, Json::error_handler_t::replace);
    if (text.size() > most) return LLVMFuzzerMutate(data, size, most);
    std::copy(text.begin(), text.end(), data);
    return text.size();
}
#endif
