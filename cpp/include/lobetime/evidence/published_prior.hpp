#pragma once
#include <lobetime/model/prior.hpp>

namespace lobetime {

/// What a unit without a history starts from: published series, common practice, and assumptions, each row with its
/// origin and source.
///
/// Ranges are meant to hold 90 % of units, so a prior describes a new unit and its spread is the spread between
/// units. Published means were turned into medians where the spread was published with them. The table of series
/// that the figures come from is `python/lobetime/data/evidence.csv`; tests/external recomputes from it what can be
/// recomputed, and holds the prior's predictions against the series.
PriorSet published_prior();

}  // namespace lobetime
