#pragma once
#include <Eigen/Core>

#include <cstddef>
#include <span>
#include <vector>

namespace lobetime {

/// Longest that a time of a list or a session may be, min: beyond it single precision could not hold a sum of them.
inline constexpr double kMostMinutes = 1e7;

/// Joint draws of what each case would take in one kind of session (one surgeon, one device class, one collection),
/// with what lies between the cases of a list. Draw d of every row is the same possible world, so that a list's risk
/// carries what its cases share.
///
/// Kept in single precision: a list is summed millions of times, and 1e-4 min is of no matter to it.
class ListTimes {
public:
    /// minutes: cases x draws, row-major. between: (1 + gaps) x draws, row 0 the late start of the list, row g the
    /// turnover before its case g + 1; a list has at most 1 + gaps cases. The first `screening` draws (all if 0) tell
    /// which lists are clearly within or clearly beyond a limit; the others decide the rest.
    /// Throws InvalidArgument: sizes that do not fit, minutes negative or above kMostMinutes, no draw.
    ListTimes(std::size_t cases, std::size_t draws, std::vector<float> minutes, std::vector<float> between,
              std::size_t screening = 0);

    std::size_t cases() const { return cases_; }
    std::size_t draws() const { return draws_; }
    std::size_t screening() const { return screening_; }
    std::size_t most_cases() const { return most_cases_; }
    const float* row(std::size_t case_index) const { return &minutes_[case_index * draws_]; }
    /// Late start (0) or the turnover before case g + 1 (g = 1, 2, ...).
    const float* between(std::size_t g) const { return &between_[g * draws_]; }

    const Eigen::VectorXd& mean() const { return mean_; }
    const Eigen::MatrixXd& covariance() const { return covariance_; }
    double between_mean(std::size_t g) const { return between_mean_[g]; }
    double between_variance(std::size_t g) const { return between_variance_[g]; }

    /// Minutes from the session's start to the end of the list, of the first `draws` draws.
    std::vector<float> finish(std::span<const int> list, std::size_t draws) const;

private:
    std::size_t cases_, draws_, screening_, most_cases_;
    std::vector<float> minutes_, between_;
    Eigen::VectorXd mean_;
    Eigen::MatrixXd covariance_;
    std::vector<double> between_mean_, between_variance_;
};

}  // namespace lobetime
