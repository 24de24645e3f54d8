#include <lobetime/core/errors.hpp>
#include <lobetime/model/parameters.hpp>
#include <lobetime/model/prior.hpp>

#include <Eigen/Cholesky>

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

Eigen::VectorXd PriorSet::working_mean() const {
    Eigen::VectorXd mean(param::Count);
    for (int i = 0; i < param::Count; ++i) mean[i] = parameters[row_of(i)].working_mean();
    return mean;
}

Eigen::MatrixXd PriorSet::working_covariance() const {
    const auto rows = static_cast<Eigen::Index>(parameters.size());
    if (correlation.size() > 0 && (correlation.rows() != rows || correlation.cols() != rows))
        throw InvalidArgument("the prior's correlations must have a row and a column for each of its parameters");
    Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(param::Count, param::Count);
    for (int i = 0; i < param::Count; ++i) {
        for (int j = 0; j < param::Count; ++j) {
            const auto at = row_of(i), other = row_of(j);
            const double joint = i == j ? 1.0
                                 : correlation.size() == 0
                                     ? 0.0
                                     : correlation(static_cast<Eigen::Index>(at), static_cast<Eigen::Index>(other));
            covariance(i, j) = joint * (parameters[at].working_sd() * parameters[other].working_sd());
        }
    }
    if (covariance.llt().info() != Eigen::Success)
        throw InvalidArgument("the prior's ranges and correlations must make a positive definite covariance");
    return covariance;
}

std::size_t PriorSet::row_of(int parameter) const {
    const std::string_view name = core_parameters()[static_cast<std::size_t>(parameter)].name;
    const ParameterPrior* row = find(name);
    if (row == nullptr) throw InvalidArgument("the prior has no row for " + std::string(name));
    return static_cast<std::size_t>(row - parameters.data());
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
