#pragma once
#include <lobetime/fit/theatre_time_fit.hpp>

#include "fit/alternation.hpp"

#include <functional>
#include <vector>

namespace lobetime {

/// Where a search of the S-estimate ended.
struct Candidate {
    Eigen::VectorXd theta;
    ChannelSpreads spread{};
    double criterion = 0.0;
    int count = 1;  ///< starts that ended here
    int start = 0;  ///< the first of them
};

/// The S-step of mm. Minimises
///
///     e sum over channels n_c log(s_c) + priors and the cost of survivors and counts
///
/// with s_c the channel's M-scale (drawn to its prior as any spread is) and e the S-estimate's efficiency, so that a
/// prior weighs what its width says.
class TimeSearch {
public:
    struct Options {
        int starts = 20;
        std::uint64_t seed = 1;
        int threads = 0;
        std::function<bool()> interrupt;  ///< asked by the calling thread only
    };

    /// Keeps references. `unit`: about a standard error of each parameter, 0 for held ones: what "the same" means.
    TimeSearch(const TimeObjective& objective, const PriorSet& prior, const Eigen::VectorXd& lower,
               const Eigen::VectorXd& upper, const std::vector<int>& held, const Eigen::VectorXd& unit);

    /// Short searches from `given` and from fits to random parts of the cases (begun at `given.front()`), the best
    /// distinct ones followed to their minimum. Returns the distinct minima, the lowest first. Throws NotConverged when
    /// interrupted, NotFinite when nothing can be evaluated from any start.
    std::vector<Candidate> run(const std::vector<Eigen::VectorXd>& given, const Options& options,
                               SearchReport& report) const;

private:
    /// Rounds of the S-estimate on `objective` (whose loss it sets) from a candidate until nothing changes by more than
    /// `tolerance`, at most `max_rounds`; false when those did not do.
    bool descend(TimeObjective& objective, Candidate& candidate, double tolerance, int max_rounds,
                 const std::function<bool()>& interrupt) const;
    Eigen::VectorXd fit_to_a_part(const TimeObjective& objective, std::size_t start, std::uint64_t seed,
                                  const Eigen::VectorXd& from) const;
    double criterion_of(const TimeObjective& objective, const Candidate& candidate) const;
    /// The finite ones, lowest first, each once: those within `nearness` standard errors of a lower one count with it.
    std::vector<Candidate> distinct_of(std::vector<Candidate> all, double nearness) const;

    const TimeObjective& objective_;
    SpreadEstimator m_scales_;
    const Eigen::VectorXd& lower_;
    const Eigen::VectorXd& upper_;
    const std::vector<int>& held_;
    const Eigen::VectorXd& unit_;
};

/// Bisquare at the constant of the M-scale.
const Loss& s_loss();

}  // namespace lobetime
