#include <lobetime/core/errors.hpp>
#include <lobetime/model/parameters.hpp>
#include <lobetime/model/prior.hpp>

#include <array>
#include <cmath>
#include <utility>

namespace lobetime {
namespace {

constexpr double kNormal95 = 1.6448536269514722;

constexpr std::array<std::pair<NumberOrigin, std::string_view>, 5> kOrigins = {
    {{NumberOrigin::cases, "fitted from cases"},
     {NumberOrigin::published, "published"},
     {NumberOrigin::common_practice, "common practice"},
     {NumberOrigin::assumption, "assumption"},
     {NumberOrigin::held, "held by the user"}}};

}  // namespace

std::string_view origin_words(NumberOrigin origin) {
    for (const auto& [value, words] : kOrigins) {
        if (value == origin) return words;
    }
    throw InvalidArgument("unknown origin");
}

NumberOrigin origin_from_words(std::string_view words) {
    for (const auto& [value, known] : kOrigins) {
        if (known == words) return value;
    }
    throw InvalidArgument("unknown origin '" + std::string(words) + "'");
}

double ParameterPrior::working_mean() const {
    return to_working(core_parameters()[static_cast<std::size_t>(core_parameter_index(name))].transform, centre);
}

double ParameterPrior::working_sd() const {
    const Transform transform = core_parameters()[static_cast<std::size_t>(core_parameter_index(name))].transform;
    return (to_working(transform, high) - to_working(transform, low)) / (2.0 * kNormal95);
}

double SpreadPrior::log_sd() const { return std::log(high / low) / (2.0 * kNormal95); }

const ParameterPrior* PriorSet::find(std::string_view name) const {
    for (const auto& prior : parameters) {
        if (prior.name == name) return &prior;
    }
    return nullptr;
}

void DevicePrior::check() const {
    if (code.empty()) throw InvalidArgument("a device's prior needs the device's code");
    if (!std::isfinite(log_ratio) || !(log_sd > 0.0 && std::isfinite(log_sd)))
        throw InvalidArgument("the prior of device " + code + " needs a finite ratio and a positive width");
}

const DevicePrior* PriorSet::device(std::string_view code) const {
    for (const auto& prior : devices) {
        if (prior.code == code) return &prior;
    }
    return nullptr;
}

const SpreadPrior& PriorSet::spread(std::string_view name) const {
    for (const auto& prior : spreads) {
        if (prior.name == name) return prior;
    }
    throw InvalidArgument("no prior for the spread of '" + std::string(name) + "'");
}

}  // namespace lobetime
