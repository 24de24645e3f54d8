#include <lobetime/core/errors.hpp>
#include <lobetime/plan/list_times.hpp>

#include <algorithm>
#include <cmath>

namespace lobetime {
namespace {

constexpr Eigen::Index kBlock = 4096;

using Rows = Eigen::Matrix<float, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

bool all_minutes(const std::vector<float>& values) {
    return std::all_of(values.begin(), values.end(),
                       [](float v) { return v >= 0.0F && v <= static_cast<float>(kMostMinutes); });
}

}  // namespace

ListTimes::ListTimes(std::size_t cases, std::size_t draws, std::vector<float> minutes, std::vector<float> between,
                     std::size_t screening)
    : cases_(cases),
      draws_(draws),
      screening_(screening == 0 ? draws : std::min(screening, draws)),
      most_cases_(0),
      minutes_(std::move(minutes)),
      between_(std::move(between)) {
    if (draws == 0) throw InvalidArgument("list times: at least one draw is needed");
    if (minutes_.size() != cases * draws) throw InvalidArgument("list times: minutes must be cases x draws");
    if (between_.empty() || between_.size() % draws != 0)
        throw InvalidArgument("list times: between must be (1 + gaps) x draws");
    if (!all_minutes(minutes_) || !all_minutes(between_))
        throw InvalidArgument("list times: minutes must lie between 0 and 1e7");
    most_cases_ = between_.size() / draws;

    const Eigen::Index n = static_cast<Eigen::Index>(cases), d = static_cast<Eigen::Index>(draws);
    const auto moments = [&](const std::vector<float>& values, Eigen::Index rows, Eigen::VectorXd& mean,
                             Eigen::MatrixXd& covariance) {
        const Eigen::Map<const Rows> all(values.data(), rows, d);
        mean = Eigen::VectorXd::Zero(rows);
        for (Eigen::Index at = 0; at < d; at += kBlock)
            mean += all.middleCols(at, std::min(kBlock, d - at)).cast<double>().rowwise().sum();
        mean /= static_cast<double>(draws);
        covariance = Eigen::MatrixXd::Zero(rows, rows);
        for (Eigen::Index at = 0; at < d; at += kBlock) {
            const Eigen::MatrixXd block = all.middleCols(at, std::min(kBlock, d - at)).cast<double>().colwise() - mean;
            covariance.selfadjointView<Eigen::Lower>().rankUpdate(block);
        }
        covariance = Eigen::MatrixXd(covariance.selfadjointView<Eigen::Lower>()) / static_cast<double>(draws);
    };
    moments(minutes_, n, mean_, covariance_);
    Eigen::VectorXd gaps;
    Eigen::MatrixXd gap_covariance;
    moments(between_, static_cast<Eigen::Index>(most_cases_), gaps, gap_covariance);
    for (Eigen::Index g = 0; g < gaps.size(); ++g) {
        between_mean_.push_back(gaps[g]);
        between_variance_.push_back(gap_covariance(g, g));
    }
}

std::vector<float> ListTimes::finish(std::span<const int> list, std::size_t draws) const {
    if (list.size() > most_cases_) throw InvalidArgument("list times: no turnovers for so many cases");
    draws = std::min(draws, draws_);
    std::vector<float> sum(between(0), between(0) + draws);
    for (std::size_t k = 0; k < list.size(); ++k) {
        if (list[k] < 0 || static_cast<std::size_t>(list[k]) >= cases_)
            throw InvalidArgument("list times: no such case");
        const float* minutes = row(static_cast<std::size_t>(list[k]));
        const float* gap = between(k);
        for (std::size_t d = 0; d < draws; ++d) sum[d] += minutes[d] + (k == 0 ? 0.0F : gap[d]);
    }
    return sum;
}

}  // namespace lobetime
