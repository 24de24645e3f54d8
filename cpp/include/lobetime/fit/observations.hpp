#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/model/features.hpp>

#include <array>
#include <cstdint>
#include <string_view>
#include <vector>

namespace lobetime {

/// What an observation tells about. Each channel has a robust spread of its own; `operative` and `theatre` are sums
/// with two or more phases not recorded, and theirs is a multiple of what the phases' spreads predict.
enum class Channel : std::uint8_t { tissue, enucleation, haemostasis, morcellation, room, operative, theatre };
inline constexpr int kChannels = 7;
std::string_view channel_name(Channel channel);
bool is_sum(Channel channel);

enum class ObservationKind : std::uint8_t {
    residual,   ///< recorded about predicted on the log scale, robust loss
    survivor,   ///< the true time is longer than the recorded one (morcellation deferred or finished otherwise)
    swap_count  ///< a recorded count of canister swaps
};

/// Phases of the operation and the room, as bits of a mask.
namespace phase {
inline constexpr std::uint8_t enucleation = 1, haemostasis = 2, morcellation = 4, room = 8;
}

/// One thing recorded about one case: what is left of it after `offset_min`, against the sum of the phases in `phases`.
///
/// A recorded sum tells about the phases of it that were not recorded: those that were enter as `offset_min`. So
/// operative - enucleation - morcellation informs the rest of the operation; see `log_ratio` for what happens when
/// rounded or mistyped minutes leave nothing.
struct Observation {
    int case_index = 0;
    ObservationKind kind = ObservationKind::residual;
    Channel channel = Channel::tissue;
    std::uint8_t phases = 0;
    double recorded = 0.0;  ///< minutes, grams, or a count of swaps
    double offset_min = 0.0;
    double rounding = 0.0;  ///< step to which `recorded` seems rounded (minutes or grams): adds step^2 / 12 of variance
};

/// Step to which a column's values seem rounded: the largest of 1, 5, 10, 15 and 30 that nine tenths of them are
/// multiples of; 0 if there is none or fewer than 8 values. NaN are skipped.
double rounding_step(const std::vector<double>& values);

/// log(x) from `kLogFrom` up and its tangent below, so that a remainder near 0, or below, is a residual like any other:
/// large, negative, and weighed accordingly.
struct LogRatio {
    double value;
    double slope;  ///< d value / d log x
};
inline constexpr double kLogFrom = 0.3;
LogRatio log_ratio(double x);

/// Everything the cases tell, in case order. Rules where columns overlap:
/// - the rest of the operation is operative - enucleation - morcellation; `haemostasis_min` stands in for it only
///   where `operative_min` is blank;
/// - with a recorded operative time, theatre time informs the room alone;
/// - after a morcellation that was not completed, recorded morcellation (or a sum that would contain it) is a lower
///   bound; a deferred case's tissue and any such case's swaps are not used.
/// - a count of swaps tells about the fluid alone: cases that are long for other reasons have more swaps, and a time
///   predicted with their count would take the swap for what made them long.
/// `features` is changed in one respect: tissue of deferred cases becomes blank.
std::vector<Observation> observations_of(const CaseTable& cases, std::vector<CaseFeatures>& features);

}  // namespace lobetime
