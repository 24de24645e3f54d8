#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/fit/time_objective.hpp>

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
constexpr int kLevels = 3;  // enucleation level, morcellation level, device level

// Fixed, whatever the number of threads, so that sums come out the same to the last bit.
constexpr std::size_t kMaxChunks = 64;
constexpr std::size_t kParallelFrom = 16000;

struct Node {
    double offset, weight;
};
constexpr std::array<Node, 3> kGaussHermite = {
    {{0.0, 2.0 / 3.0}, {std::numbers::sqrt3, 1.0 / 6.0}, {-std::numbers::sqrt3, 1.0 / 6.0}}};

using phase_parameters::in_morcellation;
/// Positions of the parameters that act on blade time.
constexpr std::array<std::size_t, 11> kBladeParameters = {in_morcellation<param::rate_50>,
                                                          in_morcellation<param::rate_exponent>,
                                                          in_morcellation<param::blade_oscillating>,
                                                          in_morcellation<param::suction_peristaltic>,
                                                          in_morcellation<param::suction_wall>,
                                                          in_morcellation<param::m_learn>,
                                                          in_morcellation<param::m_half>,
                                                          in_morcellation<param::m_trainee>,
                                                          in_morcellation<param::m_hard_nodule>,
                                                          in_morcellation<param::yield_g_80>,
                                                          in_morcellation<param::yield_exponent>};

bool needs_tissue(const Observation& o) {
    return (o.phases & phase::morcellation) != 0 || o.kind == ObservationKind::swap_count;
}

}  // namespace

/// Alike observations of one tile: what was recorded minus predicted, with derivatives of the prediction in the
/// columns of `column` (shared) and of up to three levels (own index in each row, -1 = none).
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
    PhaseTile<phase_parameters::enucleation.size()> enucleation;
    PhaseTile<phase_parameters::haemostasis.size()> haemostasis;
    MorcellationTile morcellation;
    PhaseTile<phase_parameters::room.size()> room;
    FluidTile fluid;
    TileArray share;
};

TimeObjective::TimeObjective(const ModelLayout& layout, std::vector<CaseFeatures> features,
                             std::vector<Observation> observations, Eigen::VectorXd prior_mean,
                             Eigen::VectorXd prior_precision, int threads)
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
        groups_.push_back({tile, begin, end, integrate});
        begin = end;
    }
    tile_begin_.push_back(groups_.size());
    spread_.assign(observations_.size(), 1.0);
    shift_.assign(observations_.size(), 0.0);
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
        }
        if (some.observations_.size() == begin) continue;
        if (some.groups_.empty() || some.groups_.back().tile != group.tile)
            some.tile_begin_.push_back(some.groups_.size());
        some.groups_.push_back({group.tile, begin, some.observations_.size(), group.integrate_tissue});
    }
    if (some.observations_.empty()) throw InvalidArgument("no case counts");
    some.tile_begin_.push_back(some.groups_.size());
    return some;
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
    const auto add_columns = [&](const auto& list) {
        const int first = out.n_columns;
        for (const int c : list) {
            out.column[static_cast<std::size_t>(out.n_columns)] = c;
            out.jacobian[static_cast<std::size_t>(out.n_columns)].fill(0.0);
            ++out.n_columns;
        }
        return static_cast<std::size_t>(first);
    };

    if (kind == ObservationKind::residual && observation->channel == Channel::tissue) {
        const std::array<int, 2> yield = {param::yield_g_80, param::yield_exponent};
        add_columns(yield);
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
    const std::size_t first_e = in_e ? add_columns(phase_parameters::enucleation) : 0;
    const std::size_t first_h = in_h ? add_columns(phase_parameters::haemostasis) : 0;
    const std::size_t first_r = in_r ? add_columns(phase_parameters::room) : 0;
    const std::size_t first_m = in_m || counts ? add_columns(phase_parameters::morcellation) : 0;
    std::size_t level_e = 0, level_m = 0, level_d = 0;
    const auto add_level = [&] {
        out.level_jacobian[static_cast<std::size_t>(out.n_levels)].fill(0.0);
        return static_cast<std::size_t>(out.n_levels++);
    };
    if (in_e) {
        level_e = add_level();
        for (std::size_t i = 0; i < n; ++i)
            out.level[level_e][i] =
                feature(i).surgeon >= 0 ? layout_->surgeon_enucleation_index(feature(i).surgeon) : -1;
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
        out.cost.fill(0.0);
        TileArray chance, per_spread;
        chance.fill(0.0);
        per_spread.fill(0.0);
        TileArray per_blade;
        per_blade.fill(0.0);
        const auto of = [&](std::size_t position) -> TileArray& { return out.jacobian[first_m + position]; };
        for (std::size_t k = 0; k < n_nodes; ++k) {
            const double weight = group.integrate_tissue ? kGaussHermite[k].weight : 1.0;
            kernel.morcellation(features, cases, kGaussHermite[k].offset * tissue_spread_, out.morcellation, out.fluid);
            for (std::size_t i = 0; i < n; ++i) {
                const double count = observation[i].recorded;
                const double spread = kernel.natural(param::fluid_log_sd);
                const double x = out.fluid.log_fluid[i] - feature(i).log_canister;
                const double z_upper = (std::log(count + 1.0) - x) / spread;
                const double density_upper = normal_pdf(z_upper);
                double p = normal_cdf(z_upper), per_fluid = -density_upper / spread,
                       per_log_sd = -density_upper * z_upper;
                if (count > 0.0) {
                    const double z_lower = (std::log(count) - x) / spread;
                    const double density_lower = normal_pdf(z_lower);
                    // The tail with fewer digits lost: both ends above the middle are taken from the other side.
                    p = z_lower > 0.0 ? normal_cdf(-z_lower) - normal_cdf(-z_upper) : p - normal_cdf(z_lower);
                    per_fluid += density_lower / spread;
                    per_log_sd += density_lower * z_lower;
                }
                chance[i] += weight * p;
                const double by_blade = weight * per_fluid * out.fluid.log_fluid_per_log_blade[i];
                per_blade[i] += by_blade;
                of(in_morcellation<param::fluid_log_sd>)[i] += weight * per_log_sd;
                of(in_morcellation<param::carry_over_ml>)[i] +=
                    weight * per_fluid * out.fluid.log_fluid_per_carry_over[i];
                of(in_morcellation<param::flow_vacuum>)[i] += by_blade * feature(i).vacuum;
                of(in_morcellation<param::flow_peristaltic>)[i] += by_blade * feature(i).peristaltic;
                of(in_morcellation<param::flow_wall>)[i] += by_blade * feature(i).wall;
                // The blade parameters move log fluid as they move log blade minutes, node by node.
                const double rescale = by_blade / out.morcellation.blade_slope[i];
                for (const std::size_t c : kBladeParameters) of(c)[i] += rescale * out.morcellation.slope[c][i];
            }
        }
        for (std::size_t i = 0; i < n; ++i) {
            const double likelihood = (1.0 - kMisrecorded) * std::max(chance[i], 0.0) + kMisrecorded;
            out.cost[i] = -std::log(likelihood);
            const double factor = -(1.0 - kMisrecorded) / likelihood;
            for (std::size_t c = 0; c < phase_parameters::morcellation.size(); ++c)
                out.jacobian[first_m + c][i] *= factor;
            out.level_jacobian[level_m][i] = factor * per_blade[i];
            out.level_jacobian[level_d][i] = -factor * per_blade[i];
            out.residual[i] = 0.0;
            out.minutes[i] = 1.0;
        }
        return;
    }

    out.residual.fill(0.0);
    out.extra_variance.fill(0.0);
    out.swap_variance_min2.fill(0.0);
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
        for (std::size_t i = 0; i < n; ++i) {
            const Observation& one = observation[i];
            const double x = (one.recorded - one.offset_min) / total[i];
            const LogRatio ratio = one.offset_min > 0.0 ? log_ratio(x) : LogRatio{std::log(x), 1.0};
            out.residual[i] += weight * ratio.value;
            total[i] = weight * ratio.slope / total[i];
        }
        const auto add = [&](std::size_t first, const auto& tile) {
            for (std::size_t c = 0; c < tile.slope.size(); ++c) {
                for (std::size_t i = 0; i < n; ++i)
                    out.jacobian[first + c][i] += total[i] * tile.minutes[i] * tile.slope[c][i];
            }
        };
        if (in_m) {
            add(first_m, out.morcellation);
            for (std::size_t i = 0; i < n; ++i) {
                const double by_level = total[i] * out.morcellation.minutes[i] * out.morcellation.blade_slope[i];
                out.level_jacobian[level_m][i] += by_level;
                out.level_jacobian[level_d][i] -= by_level;
            }
        }
        // The other phases do not depend on the tissue node, but their share of the sum does.
        if (in_e) {
            add(first_e, out.enucleation);
            for (std::size_t i = 0; i < n; ++i) out.level_jacobian[level_e][i] += total[i] * out.enucleation.minutes[i];
        }
        if (in_h) add(first_h, out.haemostasis);
        if (in_r) add(first_r, out.room);
    }
    for (std::size_t i = 0; i < n; ++i) out.residual[i] -= shift_[group.begin + i];
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
        Eigen::Matrix<double, kTile, Eigen::Dynamic> weighted(kTile, kMaxColumns);
        Eigen::MatrixXd local;
        TileArray slope, bend;
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            const std::size_t n = group.end - group.begin;
            for (std::size_t i = 0; i < n; ++i) {
                const std::size_t o = group.begin + i;
                const Pull pull = pull_of(observations_[o], spread_[o], rows, i, curvature);
                if (!std::isfinite(pull.cost) || !std::isfinite(pull.slope))
                    throw NotFinite("case " + std::to_string(rows.cases[i] + 1) + ": " +
                                    std::string(channel_name(observations_[o].channel)) +
                                    " cannot be evaluated (not finite)");
                const double count = count_.empty() ? 1.0 : count_[o];
                part.cost += count * pull.cost;
                slope[i] = count * pull.slope;
                bend[i] = count * pull.curvature;
            }
            const Eigen::Index rows_n = static_cast<Eigen::Index>(n), q = rows.n_columns;
            const Eigen::Map<const Eigen::ArrayXd> slopes(slope.data(), rows_n), bends(bend.data(), rows_n);
            for (Eigen::Index c = 0; c < q; ++c) {
                const Eigen::Map<const Eigen::ArrayXd> column(rows.jacobian[static_cast<std::size_t>(c)].data(),
                                                              rows_n);
                part.gradient[rows.column[static_cast<std::size_t>(c)]] += (column * slopes).sum();
                weighted.col(c).head(rows_n).array() = column * bends;
            }
            // The columns lie kTile apart, one after another.
            const Eigen::Map<const Eigen::MatrixXd, 0, Eigen::OuterStride<kTile>> jacobian(rows.jacobian[0].data(),
                                                                                           rows_n, q);
            local.noalias() = jacobian.transpose() * weighted.topLeftCorner(rows_n, q);
            for (Eigen::Index a = 0; a < q; ++a) {
                for (Eigen::Index b = 0; b < q; ++b)
                    part.curvature(rows.column[static_cast<std::size_t>(a)],
                                   rows.column[static_cast<std::size_t>(b)]) += local(a, b);
            }
            for (std::size_t l = 0; l < static_cast<std::size_t>(rows.n_levels); ++l) {
                for (std::size_t i = 0; i < n; ++i) {
                    const int level = rows.level[l][i];
                    if (level < 0) continue;
                    part.gradient[level] += rows.level_jacobian[l][i] * slope[i];
                    const double mine = rows.level_jacobian[l][i];
                    auto column = part.curvature.col(level);
                    for (Eigen::Index c = 0; c < q; ++c)
                        column[rows.column[static_cast<std::size_t>(c)]] +=
                            mine * weighted(static_cast<Eigen::Index>(i), c);
                    for (std::size_t k = 0; k < static_cast<std::size_t>(rows.n_levels); ++k) {
                        if (rows.level[k][i] >= 0)
                            column[rows.level[k][i]] += mine * rows.level_jacobian[k][i] * bend[i];
                    }
                }
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
    out.cost += 0.5 * (prior_precision_.array() * away.array().square()).sum();
    out.gradient += prior_precision_.cwiseProduct(away);
    out.curvature.diagonal() += prior_precision_;
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
                    spread_[o] = tissue_spread_;
                } else {
                    // Log-normal phases about their medians: variance of the log of the sum, and (to second order) how
                    // far its mean lies from the log of the summed medians.
                    double variance = rows.extra_variance[i], bent = -rows.swap_variance_min2[i];
                    for (std::size_t j = 0; j < phase_spread.size(); ++j) {
                        const double minutes = phase_spread[j] * rows.phase_minutes[j][i];
                        variance += minutes * minutes;
                        bent += minutes * minutes * (rows.minutes[i] / std::max(rows.phase_minutes[j][i], 1e-9) - 1.0);
                    }
                    spread_[o] = std::sqrt(variance) / rows.minutes[i] *
                                 (is_sum(observation.channel) ? of(observation.channel) : 1.0);
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

Eigen::MatrixXd TimeObjective::case_scores(const Eigen::VectorXd& theta) const {
    Eigen::MatrixXd scores = Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(features_.size()), size());
    const PhaseKernel kernel(theta, *layout_);
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                const std::size_t i = o - group.begin;
                const Pull pull = pull_of(observations_[o], spread_[o], rows, i, Curvature::reweighted);
                for (std::size_t c = 0; c < static_cast<std::size_t>(rows.n_columns); ++c)
                    scores(rows.cases[i], rows.column[c]) += pull.slope * rows.jacobian[c][i];
                for (std::size_t l = 0; l < static_cast<std::size_t>(rows.n_levels); ++l) {
                    if (rows.level[l][i] >= 0)
                        scores(rows.cases[i], rows.level[l][i]) += pull.slope * rows.level_jacobian[l][i];
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

std::array<double, kChannels> TimeObjective::parameters_used(const Eigen::VectorXd& theta,
                                                             const Eigen::MatrixXd& inverse_curvature) const {
    const PhaseKernel kernel(theta, *layout_);
    std::vector<std::array<double, kChannels>> parts(chunks());
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        parts[chunk].fill(0.0);
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                if (observations_[o].kind != ObservationKind::residual) continue;
                const std::size_t i = o - group.begin;
                const Pull pull = pull_of(observations_[o], spread_[o], rows, i, Curvature::reweighted);
                parts[chunk][static_cast<std::size_t>(observations_[o].channel)] +=
                    leverage_of(rows, i, pull, inverse_curvature);
            }
        });
    });
    std::array<double, kChannels> all{};
    for (const auto& part : parts) {
        for (std::size_t c = 0; c < all.size(); ++c) all[c] += part[c];
    }
    return all;
}

Eigen::MatrixXd TimeObjective::score_product(const Eigen::VectorXd& theta,
                                             const Eigen::MatrixXd& inverse_curvature) const {
    constexpr double kMostLeverage = 0.9;
    const Eigen::Index p = size();
    const PhaseKernel kernel(theta, *layout_);
    std::vector<Eigen::MatrixXd> parts(chunks());
    parallel_for(chunks(), threads_for_size(), [&](std::size_t chunk) {
        parts[chunk].setZero(p, p);
        Eigen::MatrixXd score = Eigen::MatrixXd::Zero(p, kTile);
        Eigen::ArrayXd leverage = Eigen::ArrayXd::Zero(kTile);
        visit_tiles(chunk, kernel, [&](const Group& group, const Rows& rows, bool last_of_tile) {
            for (std::size_t o = group.begin; o < group.end; ++o) {
                const std::size_t i = o - group.begin;
                const Eigen::Index in_tile = rows.cases[i] % kTile;
                const Pull pull = pull_of(observations_[o], spread_[o], rows, i, Curvature::reweighted);
                for (std::size_t c = 0; c < static_cast<std::size_t>(rows.n_columns); ++c)
                    score(rows.column[c], in_tile) += pull.slope * rows.jacobian[c][i];
                for (std::size_t l = 0; l < static_cast<std::size_t>(rows.n_levels); ++l) {
                    if (rows.level[l][i] >= 0)
                        score(rows.level[l][i], in_tile) += pull.slope * rows.level_jacobian[l][i];
                }
                leverage[in_tile] += leverage_of(rows, i, pull, inverse_curvature);
            }
            if (last_of_tile) {
                score.array().rowwise() *= (1.0 - leverage.min(kMostLeverage)).rsqrt().transpose();
                parts[chunk].noalias() += score * score.transpose();
                score.setZero();
                leverage.setZero();
            }
        });
    });
    Eigen::MatrixXd all = Eigen::MatrixXd::Zero(p, p);
    for (const Eigen::MatrixXd& part : parts) all += part;
    return all;
}

}  // namespace lobetime
