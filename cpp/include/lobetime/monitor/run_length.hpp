#pragma once
#include <limits>
#include <vector>

namespace lobetime {

/// Law of the scores of a one-sided tabular CUSUM: clip(Z, -winsor, winsor) - reference, Z normal.
struct NormalScores {
    double mean = 0.0;  ///< of Z
    double sd = 1.0;    ///< of Z
    double reference = 0.5;
    double winsor = std::numeric_limits<double>::infinity();
};

/// Law of the scores of a risk-adjusted CUSUM over a case mix.
struct EventScores {
    std::vector<double> chances;   ///< of the cases; each is as likely to come next
    double odds_ratio = 2.0;       ///< that the chart is tuned to
    double true_odds_ratio = 1.0;  ///< odds of an event over those of the case's own chance: 1 is in control
};

/// Average run length of a one-sided CUSUM: expected number of values until it signals, from `head_start`.
///
/// Markov chain of the sum on a lattice (Brook and Evans, Biometrika 1972;59:539, doi 10.1093/biomet/59.3.539), of
/// normal scores extrapolated from two lattices; single values that carry a chance of their own (events, winsorised
/// ends) are shared between the lattice's points beside them. Good to four digits for normal scores and to a few
/// thousandths for event scores, whose run length moves in small steps with the limit. Throws InvalidArgument.
double average_run_length(const NormalScores& scores, double limit, double head_start = 0.0);
double average_run_length(const EventScores& scores, double limit, double head_start = 0.0);

/// Limit at which the average run length is the one asked for (10 to 1e6).
///
/// Two one-sided charts that start anew on their own signal together once in 1 / (1 / ARL up + 1 / ARL down) values
/// (Kemp, J R Stat Soc B 1961;23:149): for a two-sided chart ask each side for twice its run length.
/// The limit of event scores is never so low that one event alone would signal; their run length is then longer than
/// asked for, and average_run_length tells it. Throws InvalidArgument, and NotConverged if no limit up to 1000 is
/// enough.
double limit_for_run_length(const NormalScores& scores, double run_length);
double limit_for_run_length(const EventScores& scores, double run_length);

}  // namespace lobetime
