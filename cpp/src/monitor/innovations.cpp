#include <lobetime/core/errors.hpp>
#include <lobetime/monitor/innovations.hpp>

#include <Eigen/Core>

#include <algorithm>
#include <cmath>

namespace lobetime {

Innovations innovations(const std::vector<double>& values, const std::vector<int>& group, SharedVariance shared) {
    if (values.size() != group.size()) throw InvalidArgument("values and group must have one entry a case");
    if (!(shared.all >= 0.0 && shared.group >= 0.0 && shared.all + shared.group < 1.0))
        throw InvalidArgument("shared variances must be 0 or more and their sum less than 1");
    int groups = 0;
    for (const int one : group) {
        if (one < 0) throw InvalidArgument("group must count from 0");
        groups = std::max(groups, one + 1);
    }
    const double own = 1.0 - shared.all - shared.group;

    // Offsets a, b[0], b[1], ... given the values so far.
    Eigen::VectorXd mean = Eigen::VectorXd::Zero(groups + 1);
    Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(groups + 1, groups + 1);
    covariance.diagonal().setConstant(shared.group);
    covariance(0, 0) = shared.all;

    Innovations out;
    for (std::size_t i = 0; i < values.size(); ++i) {
        const Eigen::Index g = group[i] + 1;
        const double expected = mean[0] + mean[g];
        const Eigen::VectorXd with = covariance.col(0) + covariance.col(g);
        const double variance = own + with[0] + with[g];
        const double error = values[i] - expected;
        out.expected.push_back(expected);
        out.sd.push_back(std::sqrt(variance));
        out.z.push_back(error / std::sqrt(variance));
        if (std::isnan(values[i])) continue;
        mean += with * (error / variance);
        covariance -= with * with.transpose() / variance;
    }
    return out;
}

}  // namespace lobetime
