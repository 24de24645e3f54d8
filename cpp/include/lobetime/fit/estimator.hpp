#pragma once
#include <Eigen/Core>

#include <string_view>
#include <vector>

namespace lobetime {

/// How the parameters are found.
///
///     m   M-estimate: loss and scale settle together, from the start (redescending losses: from a Huber fit there)
///     s   S-estimate: the parameters with the least M-scale, from many starts; breakdown 50 %, efficiency 29 %
///     mm  S-estimate, then the loss with the scale held: breakdown 50 % and the loss's efficiency (95 %)
///
/// Sources: Huber, Ann Math Stat 1964;35:73; Rousseeuw and Yohai 1984, doi 10.1007/978-1-4615-7821-5_15; Yohai, Ann
/// Stat 1987;15:642; many short searches, the best polished: Salibian-Barrera and Yohai, J Comput Graph Stat
/// 2006;15:414.
enum class Estimator { m, s, mm };

Estimator estimator_from_name(std::string_view name);  ///< "m", "s", "mm"; throws InvalidArgument
std::string_view estimator_name(Estimator estimator);

/// A minimum that the search met, and how many of the polished candidates ended in it.
struct FoundMinimum {
    Eigen::VectorXd theta;
    double scale = 0.0;  ///< M-scale of the residuals (root mean square for squares): what the search compares
    int count = 0;
    int first_start = 0;  ///< the start that led there first: 0 the given one
};

struct SearchReport {
    int starts = 1;
    int polished = 1;                  ///< candidates followed to a minimum
    int failed = 0;                    ///< starts from which nothing could be evaluated
    std::vector<FoundMinimum> minima;  ///< distinct, the best (taken) first
};

}  // namespace lobetime
