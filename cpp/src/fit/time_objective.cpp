#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/fit/time_objective.hpp>

#include "core/vector_math.hpp"

#include <algorithm>
#include <cmath>
#include <memory>
#include <numbers>
#include <tuple>
#include <utility>

namespace lobetime {
namespace {

constexpr std::size_t kTileSize = static_cast<std::size_t>(kTile);
constexpr int kMaxColumns =
    static_cast<int>(phase_parameters::enucleation.size() + phase_parameters::haemostasis.size() +
                     phase_parameters::morcellation.size() + phase_parameters::room.size());
constexpr int kLevels = 4;  // of the surgeon: enucleation, learning, morcellation; of the device

// Fixed, whatever the number of threads, so that sums come out the same to the last bit.
constexpr std::size_t kMaxChunks = 64;
constexpr std::size_t kParallelFrom = 16000;
const double kUniformSd = 1.0 / std::sqrt(12.0);  // of a rounding error, in steps

struct Node {
    double offset, weight;
};
constexpr std::array<Node, 3> kGaussHermite = {
    {{0.0, 2.0 / 3.0}, {std::numbers::sqrt3, 1.0 / 6.0}, {-std::numbers::sqrt3, 1.0 / 6.0}}};

using phase_parameters::in_morcellation;

/// Bits of a group's `moving`: where the list of each phase begins.
constexpr std::size_t kFirstE = 0, kFirstH = kFirstE + phase_parameters::enucleation.size(),
                      kFirstR = kFirstH + phase_parameters::haemostasis.size(),
                      kFirstM = kFirstR + phase_parameters::room.size();
static_assert(kMaxColumns <= 32);

/// log of (recorded - offset) / predicted, one by one, and what its slope is per log of the prediction.
LOBETIME_VECTOR_CLONES void log_ratios(std::size_t n, const TileArray& recorded, const TileArray& offset,
                                       const TileArray& total, TileArray& value, TileArray& slope) {
    const double log_from = vector_math::log(kLogFrom);
    for (std::size_t i = 0; i < n; ++i) {
        const double x = (recorded[i] - offset[i]) / total[i];
        const bool tangent = (offset[i] > 0.0) & !(x >= kLogFrom);  // as in log_ratio
        const double along = x / kLogFrom, log_x = vector_math::log(x);
        value[i] = tangent ? log_from + along - 1.0 : log_x;
        slope[i] = tangent ? along : 1.0;
    }
}

/// to += factor * minutes * slope, or = where there is nothing yet.
LOBETIME_VECTOR_CLONES void add_column(std::size_t n, const TileArray& share, const TileArray& slope, bool first,
                                       TileArray& to) {
    if (first) {
        for (std::size_t i = 0; i < n; ++i) to[i] = share[i] * slope[i];
    } else {
        for (std::size_t i = 0; i < n; ++i) to[i] += share[i] * slope[i];
    }
}

/// Recorded swap counts S of a tile: P(S <= fluid / canister < S + 1), with derivatives in log fluid and in log of its
/// spread.
struct SwapChance {
    TileArray p, per_log_fluid, per_log_spread;
};

LOBETIME_VECTOR_CLONES void swap_chances(std::size_t n, const TileArray& count,
                                         const TileArray& log_fluid_over_canister, double spread, SwapChance& out) {
    for (std::size_t i = 0; i < n; ++i) {
        const bool from_0 = !(count[i] > 0.0);
        const double z_lower = (vector_math::log(count[i]) - log_fluid_over_canister[i]) / spread;
        const double z_upper = (vector_math::log(count[i] + 1.0) - log_fluid_over_canister[i]) / spread;
        const vector_math::NormalTail lower = vector_math::normal_tail(std::abs(z_lower));
        const vector_math::NormalTail upper = vector_math::normal_tail(std::abs(z_upper));
        const double below_upper = z_upper < 0.0 ? upper.beyond : 1.0 - upper.beyond;
        const double below_lower = from_0 ? 0.0 : lower.beyond;
        // The tail with fewer digits lost: both ends above the middle are taken from the other side.
        out.p[i] = z_lower > 0.0 ? lower.beyond - upper.beyond : below_upper - below_lower;
        out.per_log_fluid[i] = ((from_0 ? 0.0 : lower.density) - upper.density) / spread;
        out.per_log_spread[i] = (from_0 ? 0.0 : lower.density * z_lower) - upper.density * z_upper;
    }
}

// Rows by rows: a row holds its columns one after another, padded by zeros to whole blocks of kBlock.
constexpr std::size_t kBlock = 4;
constexpr std::size_t kRowLength = (static_cast<std::size_t>(kMaxColumns) + kBlock - 1) / kBlock * kBlock;

/// Adds sum over rows of bend x row x row' to the upper triangle of `product` (kRowLength x kRowLength, by rows, whole
/// blocks), kBlock x Blocks * kBlock entries at a time so that the sums stay in registers. Rows are summed in order.
template <std::size_t Blocks>
LOBETIME_ALWAYS_INLINE void add_block(std::size_t n, std::size_t length, const double* rows, const double* bend,
                                      std::size_t a, std::size_t b, double* product) {
    constexpr std::size_t kWidth = Blocks * kBlock;
    double sum[kBlock][kWidth] = {};
    for (std::size_t i = 0; i < n; ++i) {
        const double* row = rows + i * length;
        double left[kBlock];
        for (std::size_t k = 0; k < kBlock; ++k) left[k] = bend[i] * row[a + k];
        for (std::size_t k = 0; k < kBlock; ++k) {
            for (std::size_t m = 0; m < kWidth; ++m) sum[k][m] += left[k] * row[b + m];
        }
    }
    for (std::size_t k = 0; k < kBlock; ++k) {
        for (std::size_t m = 0; m < kWidth; ++m) product[(a + k) * kRowLength + b + m] = sum[k][m];
    }
}

LOBETIME_VECTOR_CLONES void curvature_product(std::size_t n, std::size_t length, const double* rows, const double* bend,
                                              double* product) {
    for (std::size_t a = 0; a < length; a += kBlock) {
        std::size_t b = a;
        for (; b + 2 * kBlock <= length; b += 2 * kBlock) add_block<2>(n, length, rows, bend, a, b, product);
        if (b < length) add_block<1>(n, length, rows, bend, a, b, product);
    }
}

/// to[0 .. length) += factor * row; length is a multiple of kBlock.
LOBETIME_ALWAYS_INLINE void add_row(std::size_t length, double factor, const double* row, double* to) {
    for (std::size_t b = 0; b < length; b += kBlock) {
        for (std::size_t m = 0; m < kBlock; ++m) to[b + m] += factor * row[b + m];
    }
}

LOBETIME_VECTOR_CLONES void gradient_product(std::size_t n, std::size_t length, const double* rows, const double* slope,
                                             double* product) {
    for (std::size_t i = 0; i < n; ++i) add_row(length, slope[i], rows + i * length, product);
}

/// by_level[level of the row] += bend * level_jacobian * row, rows without a level (-1) left out.
LOBETIME_VECTOR_CLONES void level_product(std::size_t n, std::size_t length, const double* rows, const double* bend,
                                          const double* level_jacobian, const int* level, int first_level,
                                          double* by_level) {
    for (std::size_t i = 0; i < n; ++i) {
        if (level[i] < 0) continue;
        add_row(length, bend[i] * level_jacobian[i], rows + i * length,
                by_level + static_cast<std::size_t>(level[i] - first_level) * kRowLength);
    }
}

/// What one thread needs to sum up a group's rows.
struct Scratch {
    TileArray standardised, cost, slope, weight, bend;
    std::array<double, kTileSize * kRowLength> rows;
    std::array<double, kRowLength> gradient;
    std::array<double, kRowLength * kRowLength> product;  ///< upper triangle by whole blocks
};

bool needs_tissue(const Observation& o) {
    return (o.phases & phase::morcellation) != 0 || o.kind == ObservationKind::swap_count;
}

}  // namespace

/// Alike observations of one tile: what was recorded minus predicted, with derivatives of the prediction in the
/// columns of `column` (shared) and of up to kLevels levels (own index in each row, -1 = none).
struct TimeObjective::Rows {
    int n_columns = 0;
    std::array<int, kMaxColumns> column{};
    std::array<TileArray, kMaxColumns> jacobian;
    std::array<std::array<int, kTile>, kLevels> level{};
    std::array<TileArray, kLevels> level_jacobian;
    int n_levels = 0;
    TileArray residual;
    TileArray cost;  ///< swap counts only
    // Pieces of the prediction, for the spreads.
    TileArray minutes;
    std::array<TileArray, 4> phase_minutes;
    TileArray extra_variance, swap_variance_min2;

    // Scratch of the phases; here so that a tile allocates nothing.
    std::array<int, kTile> cases;
    EnucleationTile enucleation;
    PhaseTile<phase_parameters::haemostasis.size()> haemostasis;
    MorcellationTile morcellation;
    PhaseTile<phase_parameters::room.size()> room;
    FluidTile fluid;
    TileArray share;
};

TimeObjective::TimeObjective(const ModelLayout& layout, std::vector<CaseFeatures> features,
                             std::vector<Observation> observations, Eigen::VectorXd prior_mean,
                             Eigen::MatrixXd prior_precision, int threads)
    : layout_(&layout),
      features_(std::move(features)),
      observations_(std::move(observations)),
      prior_mean_(std::move(prior_mean)),
      prior_precision_(std::move(prior_precision)),
      threads_(threads) {
    const auto key = [this](const Observation& o) {
        const std::size_t i = static_cast<std::size_t>(o.case_index);
        const bool integrate = needs_tissue(o) && std::isnan(features_[i].log_tissue);
        return std::make_tuple(i / kTileSize, o.kind, o.channel == Channel::tissue, o.phases, integrate);
    };
    std::stable_sort(observations_.begin(), observations_.end(),
                     [&](const Observation& a, const Observation& b) { return key(a) < key(b); });
    for (std::size_t begin = 0; begin < observations_.size();) {
        std::size_t end = begin + 1;
        while (end < observations_.size() && key(observations_[end]) == key(observations_[begin])) ++end;
        const auto [tile, kind, is_tissue, phases, integrate] = key(observations_[begin]);
        if (groups_.empty() || groups_.back().tile != tile) tile_begin_.push_back(groups_.size());
        groups_.push_back({tile, begin, end, integrate, 0});
        groups_.back().moving = moving_parameters(groups_.back());
        begin = end;
    }
    tile_begin_.push_back(groups_.size());
    spread_.assign(observations_.size(), 1.0);
    shift_.assign(observations_.size(), 0.0);
    rounding_spread_.assign(observations_.size(), 0.0);
}

TimeObjective TimeObjective::resampled(std::span<const int> counts) const {
    if (counts.size() != features_.size()) throw InvalidArgument("one count is needed for each case");
    if (std::any_of(counts.begin(), counts.end(), [](int count) { return count < 0; }))
        throw InvalidArgument("a count must be 0 or more");
    TimeObjective some = *this;
    some.observations_.clear();
    some.groups_.clear();
    some.tile_begin_.clear();
    some.count_.clear();
    some.spread_.clear();
    some.shift_.clear();
    some.rounding_spread_.clear();
    // In the old order, so that nothing has to be sorted again.
    for (const Group& group : groups_) {
        const std::size_t begin = some.observations_.size();
        for (std::size_t o = group.begin; o < group.end; ++o) {
            const int count = counts[static_cast<std::size_t>(observations_[o].case_index)];
            if (count == 0) continue;
            some.observations_.push_back(observations_[o]);
            some.count_.push_back(count_.empty() ? count : count * count_[o]);
            some.spread_.push_back(spread_[o]);
            some.shift_.push_back(shift_[o]);
            some.rounding_spread_.push_back(rounding_spread_[o]);
        }
        if (some.observations_.size() == begin) continue;
        if (some.groups_.empty() || some.groups_.back().tile != group.tile)
            some.tile_begin_.push_back(some.groups_.size());
        some.groups_.push_back({group.tile, begin, some.observations_.size(), group.integrate_tissue, group.moving});
    }
    if (some.observations_.empty()) throw InvalidArgument("no case counts");
    some.tile_begin_.push_back(some.groups_.size());
    return some;
}

std::uint32_t TimeObjective::moving_parameters(const Group& group) const {
    std::uint32_t moving = ~std::uint32_t{0};
    const bool counts = observations_[group.begin].kind == ObservationKind::swap_count;
    const auto still = [&](std::size_t first, std::size_t position) { moving &= ~(1U << (first + position)); };
    const auto never = [&](const auto& predicate) {
        for (std::size_t o = group.begin; o < group.end; ++o) {
            if (predicate(features_[static_cast<std::size_t>(observations_[o].case_index)])) return false;
        }
        return true;
    };
    using phase_parameters::in_enucleation;
    if (never([](const CaseFeatures& f) { return f.trainee != 0.0; })) {
        still(kFirstE, in_enucleation<param::e_trainee>);
        still(kFirstM, in_morcellation<param::m_trainee>);
    }
    if (never([](const CaseFeatures& f) { return f.anticoagulated != 0.0; })) still(kFirstH, 1);
    if (never([](const CaseFeatures& f) { return f.spinal != 0.0; })) still(kFirstR, 1);
    if (never([](const CaseFeatures& f) { return f.oscillating != 0.0; }))
        still(kFirstM, in_morcellation<param::blade_oscillating>);
    if (never([](const CaseFeatures& f) { return f.peristaltic != 0.0; })) {
        still(kFirstM, in_morcellation<param::suction_peristaltic>);
        still(kFirstM, in_morcellation<param::flow_peristaltic>);
    }
    if (never([](const CaseFeatures& f) { return f.wall != 0.0; })) {
        still(kFirstM, in_morcellation<param::suction_wall>);
        still(kFirstM, in_morcellation<param::flow_wall>);
    }
    if (never([](const CaseFeatures& f) { return f.vacuum != 0.0; }))
        still(kFirstM, in_morcellation<param::flow_vacuum>);
    if (never([](const CaseFeatures& f) { return f.hard_nodule != 0.0; }))
        still(kFirstM, in_morcellation<param::m_hard_nodule>);
    if (counts || never([](const CaseFeatures& f) { return f.device_fault != 0.0; }))
        still(kFirstM, in_morcellation<param::fault_min>);
    if (counts) {
        still(kFirstM, in_morcellation<param::m_fixed>);
        still(kFirstM, in_morcellation<param::swap_min>);
    } else if (never([](const CaseFeatures& f) { return std::isfinite(f.log_canister); })) {
        // Without a canister fluid does not matter.
        for (const std::size_t position : {in_morcellation<param::carry_over_ml>, in_morcellation<param::flow_vacuum>,
                                           in_morcellation<param::flow_peristaltic>, in_morcellation<param::flow_wall>,
                                           in_morcellation<param::fluid_log_sd>})
            still(kFirstM, position);
    }
    if (!group.integrate_tissue) {
        still(kFirstM, in_morcellation<param::yield_g_80>);
        still(kFirstM, in_morcellation<param::yield_exponent>);
    }
    return moving;
}

std::size_t TimeObjective::chunks() const { return std::min(kMaxChunks, tile_begin_.size() - 1); }

int TimeObjective::threads_for_size() const { return features_.size() < kParallelFrom ? 1 : threads_; }

template <typename Visit>
void TimeObjective::visit_tiles(std::size_t chunk, const PhaseKernel& kernel, Visit&& visit) const {
    const std::size_t tiles = tile_begin_.size() - 1;
    const auto rows = std::make_unique<Rows>();
    for (std::size_t t = tiles * chunk / chunks(); t < tiles * (chunk + 1) / chunks(); ++t) {
        for (std::size_t g = tile_begin_[t]; g < tile_begin_[t + 1]; ++g) {
            rows_of(groups_[g], kernel, *rows);
            visit(groups_[g], *rows, g + 1 == tile_begin_[t + 1]);
        }
    }
}

void TimeObjective::rows_of(const Group& group, const PhaseKernel& kernel, Rows& out) const {
    const std::size_t n = group.end - group.begin;
    const Observation* observation = &observations_[group.begin];
    const ObservationKind kind = observation->kind;
    const std::uint8_t phases = observation->phases;
    const std::span<const CaseFeatures> features(features_);
    for (std::size_t i = 0; i < n; ++i) out.cases[i] = observation[i].case_index;
    const std::span<const int> cases(out.cases.data(), n);
    const auto feature = [&](std::size_t i) -> const CaseFeatures& {
        return features_[static_cast<std::size_t>(out.cases[i])];
    };
    out.n_columns = 0;
    out.n_levels = 0;
    /// Columns of a phase: its moving parameters, and the position of each in the phase's list.
    struct Columns {
        std::size_t first = 0, n = 0;
        std::array<std::size_t, kMaxColumns> position;
    };
    const auto add_columns = [&](const auto& list, std::size_t first_bit) {
        Columns columns;
        columns.first = static_cast<std::size_t>(out.n_columns);
        for (std::size_t c = 0; c < list.size(); ++c) {
            if ((group.moving >> (first_bit + c) & 1U) == 0) continue;
            columns.position[columns.n++] = c;
            out.column[static_cast<std::size_t>(out.n_columns++)] = list[c];
        }
        return columns;
    };

    if (kind == ObservationKind::residual && observation->channel == Channel::tissue) {
        out.n_columns = 2;
        out.column[0] = param::yield_g_80;
        out.column[1] = param::yield_exponent;
        for (std::size_t i = 0; i < n; ++i) {
            out.residual[i] = feature(i).log_tissue - kernel.log_yield(feature(i));
            out.jacobian[0][i] = 1.0;
            out.jacobian[1][i] = feature(i).log_v80;
            out.minutes[i] = 1.0;
        }
        return;
    }

    const bool in_e = (phases & phase::enucleation) != 0, in_h = (phases & phase::haemostasis) != 0;
    const bool in_m = (phases & phase::morcellation) != 0, in_r = (phases & phase::room) != 0;
    const bool counts = kind == ObservationKind::swap_count;
    if (in_e) kernel.enucleation(features, cases, out.enucleation);
    if (in_h) kernel.haemostasis(features, cases, out.haemostasis);
    if (in_r) kernel.room(features, cases, out.room);
    Columns columns_e, columns_h, columns_m, columns_r;
    if (in_e) columns_e = add_columns(phase_parameters::enucleation, kFirstE);
    if (in_h) columns_h = add_columns(phase_parameters::haemostasis, kFirstH);
    if (in_r) columns_r = add_columns(phase_parameters::room, kFirstR);
    if (in_m || counts) columns_m = add_columns(phase_parameters::morcellation, kFirstM);
    std::size_t level_e = 0, level_l = 0, level_m = 0, level_d = 0;
    const auto add_level = [&] { return static_cast<std::size_t>(out.n_levels++); };
    if (in_e) {
        level_e = add_level();
        level_l = add_level();
        for (std::size_t i = 0; i < n; ++i) {
            const int surgeon = feature(i).surgeon;
            out.level[level_e][i] = surgeon >= 0 ? layout_->surgeon_enucleation_index(surgeon) : -1;
            out.level[level_l][i] = surgeon >= 0 ? layout_->surgeon_learning_index(surgeon) : -1;
        }
    }
    if (in_m || counts) {
        level_m = add_level();
        level_d = add_level();
        for (std::size_t i = 0; i < n; ++i) {
            out.level[level_m][i] =
                feature(i).surgeon >= 0 ? layout_->surgeon_morcellation_index(feature(i).surgeon) : -1;
            out.level[level_d][i] = feature(i).device >= 0 ? layout_->device_index(feature(i).device) : -1;
        }
    }

    const std::size_t n_nodes = group.integrate_tissue ? kGaussHermite.size() : 1;
    if (counts) {
        // P(SC <= F < (S+1)C) for log-normal F, averaged over the tissue nodes; -log of it and its derivatives.
        TileArray chance, per_blade, count, x, by_blade, by_log_sd, by_carry_over, rescale;
        SwapChance swap;
        chance.fill(0.0);
        per_blade.fill(0.0);
        for (std::size_t i = 0; i < n; ++i) count[i] = observation[i].recorded;
        const double spread = kernel.natural(param::fluid_log_sd);
        for (std::size_t k = 0; k < n_nodes; ++k) {
            const double weight = group.integrate_tissue ? kGaussHermite[k].weight : 1.0;
            kernel.morcellation(features, cases, kGaussHermite[k].offset * tissue_spread_, out.morcellation, out.fluid);
            for (std::size_t i = 0; i < n; ++i) x[i] = out.fluid.log_fluid[i] - feature(i).log_canister;
            swap_chances(n, count, x, spread, swap);
            for (std::size_t i = 0; i < n; ++i) {
                const double per_fluid = weight * swap.per_log_fluid[i];
                chance[i] += weight * swap.p[i];
                by_log_sd[i] = weight * swap.per_log_spread[i];
                by_carry_over[i] = per_fluid * out.fluid.log_fluid_per_carry_over[i];
                by_blade[i] = per_fluid * out.fluid.log_fluid_per_log_blade[i];
                per_blade[i] += by_blade[i];
                rescale[i] = by_blade[i] / out.morcellation.blade_slope[i];
            }
            const auto add_flow = [&](TileArray& to, double CaseFeatures::*share) {
                for (std::size_t i = 0; i < n; ++i) to[i] += by_blade[i] * feature(i).*share;
            };
            for (std::size_t c = 0; c < columns_m.n; ++c) {
                TileArray& to = out.jacobian[columns_m.first + c];
                if (k == 0) std::fill_n(to.begin(), n, 0.0);
                const std::size_t position = columns_m.position[c];
                switch (position) {
                    case in_morcellation<param::fluid_log_sd>:
                        for (std::size_t i = 0; i < n; ++i) to[i] += by_log_sd[i];
                        break;
                    case in_morcellation<param::carry_over_ml>:
                        for (std::size_t i = 0; i < n; ++i) to[i] += by_carry_over[i];
                        break;
                    case in_morcellation<param::flow_vacuum>:
                        add_flow(to, &CaseFeatures::vacuum);
                        break;
                    case in_morcellation<param::flow_peristaltic>:
                        add_flow(to, &CaseFeatures::peristaltic);
                        break;
                    case in_morcellation<param::flow_wall>:
                        add_flow(to, &CaseFeatures::wall);
                        break;
                    default:
                        // The others act on blade time: they move log fluid as they move log blade minutes.
                        add_column(n, rescale, out.morcellation.slope[position], false, to);
                }
            }
        }
        for (std::size_t i = 0; i < n; ++i) {
            const double likelihood = (1.0 - kMisrecorded) * std::max(chance[i], 0.0) + kMisrecorded;
            out.cost[i] = -std::log(likelihood);
            const double factor = -(1.0 - kMisrecorded) / likelihood;
            out.share[i] = factor;
            out.level_jacobian[level_m][i] = factor * per_blade[i];
            out.level_jacobian[level_d][i] = -factor * per_blade[i];
            out.residual[i] = 0.0;
            out.minutes[i] = 1.0;
        }
        for (std::size_t c = 0; c < columns_m.n; ++c) {
            TileArray& column = out.jacobian[columns_m.first + c];
            for (std::size_t i = 0; i < n; ++i) column[i] *= out.share[i];
        }
        return;
    }

    out.extra_variance.fill(0.0);
    out.swap_variance_min2.fill(0.0);
    TileArray recorded, offset, value, ratio_slope;
    for (std::size_t i = 0; i < n; ++i) {
        recorded[i] = observation[i].recorded;
        offset[i] = observation[i].offset_min;
        out.residual[i] = -shift_[group.begin + i];
    }
    for (std::size_t k = 0; k < n_nodes; ++k) {
        const double weight = group.integrate_tissue ? kGaussHermite[k].weight : 1.0;
        if (in_m)
            kernel.morcellation(features, cases,
                                group.integrate_tissue ? kGaussHermite[k].offset * tissue_spread_ : 0.0,
                                out.morcellation, out.fluid);
        TileArray& total = out.share;
        for (std::size_t i = 0; i < n; ++i) {
            total[i] = (in_e ? out.enucleation.minutes[i] : 0.0) + (in_h ? out.haemostasis.minutes[i] : 0.0) +
                       (in_m ? out.morcellation.minutes[i] : 0.0) + (in_r ? out.room.minutes[i] : 0.0);
        }
        if (k == 0) {
            for (std::size_t i = 0; i < n; ++i) {
                out.minutes[i] = total[i];
                out.phase_minutes[0][i] = in_e ? out.enucleation.minutes[i] : 0.0;
                out.phase_minutes[1][i] = in_h ? out.haemostasis.minutes[i] : 0.0;
                out.phase_minutes[2][i] = in_m ? out.morcellation.minutes[i] : 0.0;
                out.phase_minutes[3][i] = in_r ? out.room.minutes[i] : 0.0;
                if (in_m) {
                    const double swap = kernel.natural(param::swap_min);
                    const double by_tissue =
                        group.integrate_tissue
                            ? out.morcellation.minutes[i] * out.morcellation.tissue_slope[i] * tissue_spread_
                            : 0.0;
                    out.swap_variance_min2[i] = swap * swap * out.morcellation.swap_variance[i];
                    out.extra_variance[i] = out.swap_variance_min2[i] + by_tissue * by_tissue;
                }
            }
        }
        log_ratios(n, recorded, offset, total, value, ratio_slope);
        for (std::size_t i = 0; i < n; ++i) {
            out.residual[i] += weight * value[i];
            total[i] = weight * ratio_slope[i] / total[i];
        }
        TileArray share;
        const auto add = [&](const Columns& columns, const auto& tile) {
            for (std::size_t i = 0; i < n; ++i) share[i] = total[i] * tile.minutes[i];
            for (std::size_t c = 0; c < columns.n; ++c)
                add_column(n, share, tile.slope[columns.position[c]], k == 0, out.jacobian[columns.first + c]);
        };
        const auto add_level_column = [&](std::size_t level, double sign, const TileArray& slope) {
            TileArray& to = out.level_jacobian[level];
            for (std::size_t i = 0; i < n; ++i) to[i] = (k == 0 ? 0.0 : to[i]) + sign * share[i] * slope[i];
        };
        if (in_m) {
            add(columns_m, out.morcellation);
            add_level_column(level_m, 1.0, out.morcellation.blade_slope);
            add_level_column(level_d, -1.0, out.morcellation.blade_slope);
        }
        // The other phases do not depend on the tissue node, but their share of the sum does.
        if (in_e) {
            add(columns_e, out.enucleation);
            for (std::size_t i = 0; i < n; ++i)
                out.level_jacobian[level_e][i] = (k == 0 ? 0.0 : out.level_jacobian[level_e][i]) + share[i];
            add_level_column(level_l, 1.0, out.enucleation.learning_slope);
        }
        if (in_h) add(columns_h, out.haemostasis);
        if (in_r) add(columns_r, out.room);
    }
}

TimeObjective::Pull TimeObjective::pull_of(const Observation& observation, double spread, const Rows& rows,
                                           std::size_t row, Curvature curvature) const {
    switch (observation.kind) {
        case ObservationKind::residual: {
            const double factor = loss_.information_factor();
            const LossValue value = loss_(rows.residual[row] / spread);
            const double bend = bend_of(value, curvature);
            return {factor * value.rho, -factor * value.psi / spread, factor * bend / (spread * spread)};
        }
        case ObservationKind::survivor: {
            const double u = rows.residual[row] / spread;
            const double likelihood = (1.0 - kMisrecorded) * normal_cdf(-u) + kMisrecorded;
            const double slope = (1.0 - kMisrecorded) * normal_pdf(u) / likelihood / spread;
            return {-std::log(likelihood), -slope, slope * slope};
        }
        case ObservationKind::swap_count:
            return {rows.cost[row], 1.0, 1.0};
    }
    return {0.0, 0.0, 0.0};
}

void TimeObjective::evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const {
    const Eigen::Index p = size();
    const PhaseKernel kernel(theta, *layout_);
    std::vector<Evaluation> parts(chunks());
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        Evaluation& part = parts[chunk];
        part.gradient.setZero(p);
        part.curvature.setZero(p, p);
        const auto scratch = std::make_unique<Scratch>();
        const std::size_t levels = static_cast<std::size_t>(p - param::Count);
        std::vector<double> by_level(levels * kRowLength, 0.0);
        std::vector<bool> touched(levels, false);
        std::vector<int> touched_levels;
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            const std::size_t n = group.end - group.begin;
            TileArray &cost = scratch->cost, &slope = scratch->slope, &bend = scratch->bend;
            if (observations_[group.begin].kind == ObservationKind::residual) {
                TileArray& u = scratch->standardised;
                for (std::size_t i = 0; i < n; ++i) u[i] = rows.residual[i] / spread_[group.begin + i];
                loss_(std::span(u).first(n), cost, slope, scratch->weight, bend);
                const double factor = loss_.information_factor();
                const bool reweighted = curvature == Curvature::reweighted, floored = curvature == Curvature::exact;
                for (std::size_t i = 0; i < n; ++i) {
                    const double per_spread = 1.0 / spread_[group.begin + i];
                    const double bent = reweighted ? scratch->weight[i] : floored ? std::max(bend[i], 0.0) : bend[i];
                    cost[i] *= factor;
                    slope[i] *= -factor * per_spread;
                    bend[i] = factor * bent * per_spread * per_spread;
                }
            } else {
                for (std::size_t i = 0; i < n; ++i) {
                    const std::size_t o = group.begin + i;
                    const Pull pull = pull_of(observations_[o], spread_[o], rows, i, curvature);
                    cost[i] = pull.cost;
                    slope[i] = pull.slope;
                    bend[i] = pull.curvature;
                }
            }
            for (std::size_t i = 0; i < n; ++i) {
                if (!std::isfinite(cost[i]) || !std::isfinite(slope[i]))
                    throw NotFinite("case " + std::to_string(rows.cases[i] + 1) + ": " +
                                    std::string(channel_name(observations_[group.begin + i].channel)) +
                                    " cannot be evaluated (not finite)");
                const double count = count_.empty() ? 1.0 : count_[group.begin + i];
                part.cost += count * cost[i];
                slope[i] *= count;
                bend[i] *= count;
            }

            const std::size_t q = static_cast<std::size_t>(rows.n_columns);
            const std::size_t length = (q + kBlock - 1) / kBlock * kBlock;
            double* row = scratch->rows.data();
            for (std::size_t c = 0; c < length; ++c) {
                for (std::size_t i = 0; i < n; ++i) row[i * length + c] = c < q ? rows.jacobian[c][i] : 0.0;
            }
            scratch->gradient.fill(0.0);
            gradient_product(n, length, row, slope.data(), scratch->gradient.data());
            curvature_product(n, length, row, bend.data(), scratch->product.data());
            for (std::size_t b = 0; b < q; ++b) {
                part.gradient[rows.column[b]] += scratch->gradient[b];
                for (std::size_t a = 0; a <= b; ++a) {
                    const double both = scratch->product[a * kRowLength + b];
                    part.curvature(rows.column[a], rows.column[b]) += both;
                    if (a != b) part.curvature(rows.column[b], rows.column[a]) += both;
                }
            }
            for (std::size_t l = 0; l < static_cast<std::size_t>(rows.n_levels); ++l) {
                level_product(n, length, row, bend.data(), rows.level_jacobian[l].data(), rows.level[l].data(),
                              param::Count, by_level.data());
                for (std::size_t i = 0; i < n; ++i) {
                    const int level = rows.level[l][i];
                    if (level < 0) continue;
                    const std::size_t position = static_cast<std::size_t>(level - param::Count);
                    if (!touched[position]) touched_levels.push_back(level);
                    touched[position] = true;
                    const double mine = rows.level_jacobian[l][i];
                    part.gradient[level] += mine * slope[i];
                    for (std::size_t k = 0; k < static_cast<std::size_t>(rows.n_levels); ++k) {
                        if (rows.level[k][i] >= 0)
                            part.curvature(rows.level[k][i], level) += mine * rows.level_jacobian[k][i] * bend[i];
                    }
                }
                for (const int level : touched_levels) {
                    const std::size_t position = static_cast<std::size_t>(level - param::Count);
                    double* from = &by_level[position * kRowLength];
                    for (std::size_t c = 0; c < q; ++c) part.curvature(rows.column[c], level) += from[c];
                    std::fill_n(from, length, 0.0);
                    touched[position] = false;
                }
                touched_levels.clear();
            }
        });
    });
    out.cost = 0.0;
    out.gradient.setZero(p);
    out.curvature.setZero(p, p);
    for (const Evaluation& part : parts) {
        out.cost += part.cost;
        out.gradient += part.gradient;
        out.curvature += part.curvature;
    }
    // Levels were added to their own columns only; the rows of levels follow by symmetry.
    out.curvature.bottomLeftCorner(p - param::Count, param::Count) =
        out.curvature.topRightCorner(param::Count, p - param::Count).transpose();
    const Eigen::VectorXd away = theta - prior_mean_;
    const Eigen::VectorXd pull = prior_precision_ * away;
    out.cost += 0.5 * away.dot(pull) - counts_used_ * theta[param::fluid_log_sd];
    out.gradient += pull;
    out.gradient[param::fluid_log_sd] -= counts_used_;
    out.curvature += prior_precision_;
}

void TimeObjective::set_spreads(const Eigen::VectorXd& theta, const std::array<double, kChannels>& channel_spread) {
    tissue_spread_ = channel_spread[static_cast<std::size_t>(Channel::tissue)];
    const PhaseKernel kernel(theta, *layout_);
    const auto of = [&](Channel channel) { return channel_spread[static_cast<std::size_t>(channel)]; };
    const std::array<double, 4> phase_spread = {of(Channel::enucleation), of(Channel::haemostasis),
                                                of(Channel::morcellation), of(Channel::room)};
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                const std::size_t i = o - group.begin;
                const Observation& observation = observations_[o];
                if (observation.kind == ObservationKind::swap_count) {
                    spread_[o] = 1.0;
                } else if (observation.channel == Channel::tissue) {
                    rounding_spread_[o] = kUniformSd * observation.rounding / observation.recorded;
                    spread_[o] = std::hypot(tissue_spread_, rounding_spread_[o]);
                } else {
                    // Log-normal phases about their medians: variance of the log of the sum, and (to second order) how
                    // far its mean lies from the log of the summed medians.
                    double variance = rows.extra_variance[i], bent = -rows.swap_variance_min2[i];
                    for (std::size_t j = 0; j < phase_spread.size(); ++j) {
                        const double minutes = phase_spread[j] * rows.phase_minutes[j][i];
                        variance += minutes * minutes;
                        bent += minutes * minutes * (rows.minutes[i] / std::max(rows.phase_minutes[j][i], 1e-9) - 1.0);
                    }
                    rounding_spread_[o] = kUniformSd * observation.rounding / rows.minutes[i];
                    const double factor = is_sum(observation.channel) ? of(observation.channel) : 1.0;
                    spread_[o] = std::hypot(factor * std::sqrt(variance) / rows.minutes[i], rounding_spread_[o]);
                    shift_[o] = 0.5 * bent / (rows.minutes[i] * rows.minutes[i]);
                }
            }
        });
    });
}

std::vector<double> TimeObjective::standardised_residuals(const Eigen::VectorXd& theta) const {
    std::vector<double> out(observations_.size(), 0.0);
    const PhaseKernel kernel(theta, *layout_);
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            for (std::size_t o = group.begin; o < group.end; ++o) out[o] = rows.residual[o - group.begin] / spread_[o];
        });
    });
    return out;
}

std::vector<double> TimeObjective::fitted_medians(const Eigen::VectorXd& theta) const {
    std::vector<double> out(observations_.size(), std::nan(""));
    const PhaseKernel kernel(theta, *layout_);
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                const std::size_t i = o - group.begin;
                if (observations_[o].kind == ObservationKind::swap_count) continue;
                out[o] = observations_[o].channel == Channel::tissue
                             ? observations_[o].recorded * std::exp(-rows.residual[i])
                             : rows.minutes[i] * std::exp(shift_[o]);
            }
        });
    });
    return out;
}

namespace {
/// What a row's score is multiplied by for its leverage: a row that decides much of the fit has too small a residual.
double lifted(double leverage, double power) {
    constexpr double kMostLeverage = 0.9;
    return std::pow(1.0 - std::min(leverage, kMostLeverage), -power);
}
}  // namespace

Eigen::MatrixXd TimeObjective::case_scores(const Eigen::VectorXd& theta, const Eigen::MatrixXd* inverse_curvature,
                                           double power) const {
    Eigen::MatrixXd scores = Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(features_.size()), size());
    const PhaseKernel kernel(theta, *layout_);
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                const std::size_t i = o - group.begin;
                const Pull pull = pull_of(observations_[o], spread_[o], rows, i, Curvature::reweighted);
                double slope = pull.slope;
                if (inverse_curvature != nullptr)
                    slope *= lifted(leverage_of(rows, i, pull, *inverse_curvature), power);
                for (std::size_t c = 0; c < static_cast<std::size_t>(rows.n_columns); ++c)
                    scores(rows.cases[i], rows.column[c]) += slope * rows.jacobian[c][i];
                for (std::size_t l = 0; l < static_cast<std::size_t>(rows.n_levels); ++l) {
                    if (rows.level[l][i] >= 0)
                        scores(rows.cases[i], rows.level[l][i]) += slope * rows.level_jacobian[l][i];
                }
            }
        });
    });
    return scores;
}

Eigen::VectorXd TimeObjective::case_leverage(const Eigen::VectorXd& theta,
                                             const Eigen::MatrixXd& inverse_curvature) const {
    Eigen::VectorXd leverage = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(features_.size()));
    const PhaseKernel kernel(theta, *layout_);
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                const std::size_t i = o - group.begin;
                const Pull pull = pull_of(observations_[o], spread_[o], rows, i, Curvature::reweighted);
                leverage[rows.cases[i]] += leverage_of(rows, i, pull, inverse_curvature);
            }
        });
    });
    return leverage;
}

double TimeObjective::leverage_of(const Rows& rows, std::size_t row, const Pull& pull,
                                  const Eigen::MatrixXd& inverse_curvature) const {
    std::array<std::pair<int, double>, kMaxColumns + kLevels> entries;
    std::size_t n = 0;
    for (std::size_t c = 0; c < static_cast<std::size_t>(rows.n_columns); ++c)
        entries[n++] = {rows.column[c], rows.jacobian[c][row]};
    for (std::size_t l = 0; l < static_cast<std::size_t>(rows.n_levels); ++l) {
        if (rows.level[l][row] >= 0) entries[n++] = {rows.level[l][row], rows.level_jacobian[l][row]};
    }
    double quadratic = 0.0;
    for (std::size_t a = 0; a < n; ++a) {
        const auto column = inverse_curvature.col(entries[a].first);
        double across = 0.5 * entries[a].second * column[entries[a].first];
        for (std::size_t b = 0; b < a; ++b) across += entries[b].second * column[entries[b].first];
        quadratic += 2.0 * entries[a].second * across;
    }
    return quadratic * pull.curvature;
}

template <std::size_t N, typename Place>
std::array<double, N> TimeObjective::leverages(const Eigen::VectorXd& theta, const Eigen::MatrixXd& inverse_curvature,
                                               Place&& place) const {
    const PhaseKernel kernel(theta, *layout_);
    std::vector<std::array<double, N>> parts(chunks());
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        parts[chunk].fill(0.0);
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                const int at = place(observations_[o]);
                if (at < 0) continue;
                const std::size_t i = o - group.begin;
                const Pull pull = pull_of(observations_[o], spread_[o], rows, i, Curvature::reweighted);
                parts[chunk][static_cast<std::size_t>(at)] += leverage_of(rows, i, pull, inverse_curvature);
            }
        });
    });
    std::array<double, N> all{};
    for (const auto& part : parts) {
        for (std::size_t k = 0; k < N; ++k) all[k] += part[k];
    }
    return all;
}

std::array<double, kChannels> TimeObjective::parameters_used(const Eigen::VectorXd& theta,
                                                             const Eigen::MatrixXd& inverse_curvature) const {
    return leverages<kChannels>(theta, inverse_curvature, [](const Observation& one) {
        return one.kind == ObservationKind::residual ? static_cast<int>(one.channel) : -1;
    });
}

double TimeObjective::parameters_used_by_counts(const Eigen::VectorXd& theta,
                                                const Eigen::MatrixXd& inverse_curvature) const {
    const auto spread = inverse_curvature.col(param::fluid_log_sd);
    const double own = spread[param::fluid_log_sd];
    if (!(own > 0.0)) return 0.0;
    // The inverse with fluid_log_sd held, by the inverse of a partitioned matrix.
    const Eigen::MatrixXd others = inverse_curvature - spread * spread.transpose() / own;
    return leverages<1>(theta, others,
                        [](const Observation& one) { return one.kind == ObservationKind::swap_count ? 0 : -1; })[0];
}

Eigen::MatrixXd TimeObjective::score_product(const Eigen::VectorXd& theta,
                                             const Eigen::MatrixXd& inverse_curvature) const {
    const Eigen::Index p = size();
    const PhaseKernel kernel(theta, *layout_);
    std::vector<Eigen::MatrixXd> parts(chunks());
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        parts[chunk].setZero(p, p);
        Eigen::MatrixXd score = Eigen::MatrixXd::Zero(p, kTile);
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool last_of_tile) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                const std::size_t i = o - group.begin;
                const Eigen::Index in_tile = rows.cases[i] % kTile;
                const Pull pull = pull_of(observations_[o], spread_[o], rows, i, Curvature::reweighted);
                const double slope = pull.slope * lifted(leverage_of(rows, i, pull, inverse_curvature), 0.5);
                for (std::size_t c = 0; c < static_cast<std::size_t>(rows.n_columns); ++c)
                    score(rows.column[c], in_tile) += slope * rows.jacobian[c][i];
                for (std::size_t l = 0; l < static_cast<std::size_t>(rows.n_levels); ++l) {
                    if (rows.level[l][i] >= 0) score(rows.level[l][i], in_tile) += slope * rows.level_jacobian[l][i];
                }
            }
            if (last_of_tile) {
                parts[chunk].noalias() += score * score.transpose();
                score.setZero();
            }
        });
    });
    Eigen::MatrixXd all = Eigen::MatrixXd::Zero(p, p);
    for (const Eigen::MatrixXd& part : parts) all += part;
    return all;
}

}  // namespace lobetime
