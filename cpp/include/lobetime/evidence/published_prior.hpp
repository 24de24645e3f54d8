#pragma once
#include <lobetime/evidence/grade.hpp>
#include <lobetime/evidence/series.hpp>
#include <lobetime/model/prior.hpp>

#include <string>
#include <vector>

namespace lobetime {

/// A number pooled from studies, with what it rests on.
struct PooledFigure {
    std::string name, unit, method;
    int studies;
    double cases, events;           ///< events of a rate, else NaN
    double estimate, lower, upper;  ///< natural scale; 90 % prediction interval: where a new unit's own lies
    double between_sd;              ///< between units, working scale (logit of a rate)
    double i2_percent;              ///< NaN where the spread between units was not estimated
    Grade grade;
    std::vector<std::string> reasons;  ///< why not a higher grade
    std::string sources;
};

/// What the prior is, and every pooled number in it.
struct PublishedEvidence {
    PriorSet prior;
    std::vector<PooledFigure> figures;
};

/// What is believed without the series: common practice and assumptions, and published numbers that are no series. The
/// levels in kPooledLevels only start here.
const PriorSet& assumed_prior();

/// The prior of a new unit, computed: `published_series()` and the `extra` rows pooled by `pool_series`, rates by
/// `pool_rates`. A parameter's centre is the mean of units; its 90 % range adds the spread between units to what is not
/// known of that mean (over all that is not known of that spread where it was estimated), and parameters are correlated
/// as that leaves them. It is the prior of a unit of the newest decade's mean year: the trend is among the figures.
/// What the series do not inform keeps its assumption to the digit. Throws InvalidArgument naming row, column, value
/// and what is allowed.
PublishedEvidence published_evidence(const std::vector<Series>& extra = {});

/// The prior from the published series alone, computed once.
const PriorSet& published_prior();

}  // namespace lobetime
