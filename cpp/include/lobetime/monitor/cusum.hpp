#pragma once
#include <cstddef>
#include <vector>

namespace lobetime {

/// Where a chart signalled, as positions in its series.
struct CusumSignal {
    std::size_t at = 0;     ///< the sum passed the limit here
    std::size_t since = 0;  ///< first value after the sum last was 0: Page's estimate of when the change began
};

struct CusumPath {
    std::vector<double> sums;  ///< after each value; at a signal what it had reached
    std::vector<CusumSignal> signals;
};

/// One-sided cumulative sum S_t = max(0, S_{t-1} + score_t), a signal where S_t > limit (Page, Biometrika 1954;41:100,
/// doi 10.1093/biomet/41.1-2.100).
///
/// It starts from `head_start` (Lucas and Crosier, Technometrics 1982;24:199), 0 <= head_start < limit, and again
/// after each signal, so that signals that follow one another are the same experiment repeated.
/// Throws InvalidArgument, NotFinite (a score).
CusumPath cusum(const std::vector<double>& scores, double limit, double head_start = 0.0);

enum class Direction { up, down };

/// Scores of the tabular CUSUM: value - target - reference (up) or target - reference - value (down).
std::vector<double> tabular_scores(const std::vector<double>& values, double target, double reference,
                                   Direction direction);

/// Score of one case of the risk-adjusted CUSUM (Steiner et al., Biostatistics 2000;1:441,
/// doi 10.1093/biostatistics/1.4.441): the log likelihood ratio of odds that are `odds_ratio` times those of the case's
/// own `chance` against these.
///
///     event: log(r / (1 - chance + r chance))      no event: log(1 / (1 - chance + r chance))
///
/// Throws InvalidArgument unless 0 < chance < 1 and 0 < odds_ratio != 1.
double risk_adjusted_score(double chance, bool event, double odds_ratio);
std::vector<double> risk_adjusted_scores(const std::vector<double>& chances, const std::vector<bool>& events,
                                         double odds_ratio);

/// Scores of the learning-curve CUSUM (Biau and Porcher, Stat Med 2010;29:1959, doi 10.1002/sim.3947), whose signal
/// says that a process that began out of control has become adequate: inadequate / 2 - z.
///
/// z are times in standard deviations of one case, 0 the adequate mean, `inadequate` > 0 the least that is too slow.
/// The published test also asks that the process not be too fast; a short time is no lack of adequacy, so here it does
/// not.
std::vector<double> learning_curve_scores(const std::vector<double>& z, double inadequate);

}  // namespace lobetime
