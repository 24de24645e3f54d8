#include <lobetime/core/errors.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/model/formulas.hpp>
#include <lobetime/predict/prediction.hpp>

#include "inference/supervisor.hpp"

#include <Eigen/Eigenvalues>

#include <algorithm>
#include <cmath>
#include <functional>

namespace lobetime {
namespace {

/// Case numbers over which an unknown experience is spread (assumption).
constexpr double kUnknownExperienceUpTo = 300.0;

// Streams are named by purpose and code, so that no two things ever share numbers.
CounterRandom stream(std::uint64_t seed, const std::string& name) { return {seed, stable_hash(name)}; }

/// Square root of a covariance that may be singular.
Eigen::MatrixXd square_root(const Eigen::MatrixXd& covariance) {
    const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(covariance);
    return eigen.eigenvectors() * eigen.eigenvalues().cwiseMax(0.0).cwiseSqrt().asDiagonal();
}

/// Draws are taken so many at a time: enough for the processor's vectors, few enough for its first cache.
constexpr Eigen::Index kPack = 64;
using Pack = Eigen::Array<double, kPack, 1>;

/// Parameters and spreads of all draws, draws down, padded to whole packs.
struct ParameterDraws {
    Eigen::MatrixXd theta;
    Eigen::MatrixXd spread;  ///< of channels
    Eigen::MatrixXd groups;  ///< log SD between surgeons (enucleation, morcellation, learning) and devices
};

ParameterDraws draw_parameters(const FittedModel& model, const PredictOptions& options) {
    const Eigen::Index p = model.layout.size();
    const Eigen::Index n = (options.draws + kPack - 1) / kPack * kPack;
    const std::array<const GroupSpread*, 4> groups = {&model.surgeon_enucleation, &model.surgeon_morcellation,
                                                      &model.surgeon_learning, &model.device};
    const Eigen::Index fours = (p + kChannels + static_cast<Eigen::Index>(groups.size()) + 3) / 4;
    const CounterRandom random = stream(options.seed, "parameters");
    Eigen::MatrixXd z(n, 4 * fours);
    parallel_for(static_cast<std::size_t>(n), options.threads, [&](std::size_t d) {
        for (Eigen::Index k = 0; k < fours; ++k) {
            const auto four = random.normals(d * static_cast<std::size_t>(fours) + static_cast<std::size_t>(k));
            for (Eigen::Index j = 0; j < 4; ++j)
                z(static_cast<Eigen::Index>(d), 4 * k + j) = four[static_cast<std::size_t>(j)];
        }
    });
    ParameterDraws draws;
    draws.theta = (z.leftCols(p) * square_root(model.covariance).transpose()).rowwise() + model.theta.transpose();
    for (int i = 0; i < model.layout.size(); ++i) {
        const double lower = to_working(model.layout.transform(i), model.layout.lower(i));
        const double upper = to_working(model.layout.transform(i), model.layout.upper(i));
        draws.theta.col(i) = draws.theta.col(i).cwiseMax(lower).cwiseMin(upper);
    }
    draws.spread.resize(n, kChannels);
    for (int c = 0; c < kChannels; ++c) {
        const ChannelFit& channel = model.channels[static_cast<std::size_t>(c)];
        draws.spread.col(c) = channel.spread * (channel.spread_log_se * z.col(p + c).array()).exp();
    }
    draws.groups.resize(n, static_cast<Eigen::Index>(groups.size()));
    for (std::size_t g = 0; g < groups.size(); ++g) {
        const Eigen::Index k = static_cast<Eigen::Index>(g);
        draws.groups.col(k) = groups[g]->log_sd * (groups[g]->log_se * z.col(p + kChannels + k).array()).exp();
    }
    // A unit that records sums only: their spread says how far the phases' spreads are off.
    const auto observed = [&](Channel c) { return model.channels[static_cast<std::size_t>(c)].observations > 0; };
    const Channel sum = observed(Channel::operative) ? Channel::operative : Channel::theatre;
    if (observed(sum)) {
        for (const Channel c : {Channel::enucleation, Channel::haemostasis, Channel::morcellation, Channel::room}) {
            const bool in_sum = c != Channel::room || sum == Channel::theatre;
            if (!observed(c) && in_sum)
                draws.spread.col(static_cast<int>(c)) *= model.channels[static_cast<std::size_t>(sum)].spread;
        }
    }
    return draws;
}

/// One booked case as the draws see it.
struct BookedCase {
    CaseFeatures features;
    std::string surgeon, device;
    bool surgeon_in_noise = false;  ///< no surgeon is named, here or in the history: the cases' noise holds them
    const DevicePrior* device_prior = nullptr;  ///< of a device that the fit has not seen
    bool surgeon_known = false, device_known = false, experience_known = false;
    bool blade_known = false, suction_known = false;
    bool hard_nodule_known = false;
    double fault_rate = 0.0, nodule_chance = 0.0;
    CounterRandom noise{0, 0}, surgeon_stream{0, 0}, device_stream{0, 0};
};

/// CaseFeatures where what is not known of a booking differs from draw to draw.
struct DrawnCase {
    explicit DrawnCase(const CaseFeatures& f)
        : log_v80(f.log_v80),
          wall(f.wall),
          trainee(f.trainee),
          anticoagulated(f.anticoagulated),
          spinal(f.spinal),
          log_canister(f.log_canister),
          cases_done(Pack::Constant(f.cases_done)),
          oscillating(Pack::Constant(f.oscillating)),
          vacuum(Pack::Constant(f.vacuum)),
          peristaltic(Pack::Constant(f.peristaltic)),
          hard_nodule(Pack::Constant(f.hard_nodule)),
          device_fault(Pack::Constant(f.device_fault)) {}

    double log_v80, wall, trainee, anticoagulated, spinal, log_canister;
    Pack cases_done, oscillating, vacuum, peristaltic, hard_nodule, device_fault;
};

/// See `predict`.
void correct(const HeldOut& held_out, Prediction& out, int threads) {
    const std::size_t n = held_out.places.size(), m = out.n_draws;
    parallel_for(out.n_cases, threads, [&](std::size_t i) {
        double* minutes = &out.minutes[i * m * kPhases];
        std::vector<std::pair<double, std::size_t>> order(m);
        for (std::size_t d = 0; d < m; ++d) {
            double sum = 0.0;
            for (int j = 0; j < kPhases; ++j) sum += (held_out.phases >> j & 1) != 0 ? minutes[d * kPhases + j] : 0.0;
            order[d] = {sum, d};
        }
        std::sort(order.begin(), order.end());
        for (std::size_t rank = 0; rank < m; ++rank) {
            const double p = (static_cast<double>(rank) + 0.5) / static_cast<double>(m);
            const double k = std::ceil(static_cast<double>(n + 1) * p);
            const double place = k <= static_cast<double>(n) ? held_out.places[static_cast<std::size_t>(k) - 1]
                                                             : std::max(held_out.places.back(), p);
            const double at = std::ceil(place * static_cast<double>(m)) - 1.0;
            const std::size_t taken = static_cast<std::size_t>(std::clamp(at, 0.0, static_cast<double>(m - 1)));
            const double factor = order[taken].first / order[rank].first;
            for (int j = 0; j < kPhases; ++j) {
                if ((held_out.phases >> j & 1) != 0) minutes[order[rank].second * kPhases + j] *= factor;
            }
        }
    });
}

/// Of the device where it has counts of its own, else of its class, else of other classes.
double fault_rate_of(const FittedModel& model, const std::string& device, BladeMotion blade, Suction suction) {
    for (const std::string& name : {device, device_class_name(blade, suction), std::string("other")}) {
        for (const auto& [known, one] : model.fault_rates) {
            if (known == name) return one.mean();
        }
    }
    return 0.0;
}

/// Log ratios of a case's surgeon and device to the unit.
struct Levels {
    double enucleation = 0.0, learning = 0.0, blade = 0.0, device = 0.0;
};

double median_theatre_min(const double* theta, const CaseFeatures& f, const Levels& levels, bool with_swaps,
                          double* swaps_out = nullptr) {
    const double tissue = formulas::log_tissue(theta, f);
    const double blade = formulas::blade_min(theta, f, tissue, levels.blade, levels.device);
    const double swaps = with_swaps ? formulas::expected_swaps(std::log(formulas::fluid_ml(theta, f, blade)),
                                                               f.log_canister, std::exp(theta[param::fluid_log_sd]))
                                    : 0.0;
    if (swaps_out != nullptr) *swaps_out = swaps;
    return formulas::enucleation_min(theta, f, levels.enucleation, levels.learning) +
           formulas::haemostasis_min(theta, f) + formulas::morcellation_min(theta, f, blade, swaps) +
           formulas::room_min(theta, f);
}

Explanation explain(const FittedModel& model, const BookedCase& booked) {
    const double* theta = model.theta.data();
    const CaseFeatures& f = booked.features;
    const auto level = [&](int at) { return at >= 0 ? theta[at] : 0.0; };
    Levels levels;
    if (f.surgeon >= 0) {
        levels.enucleation = level(model.layout.surgeon_enucleation_index(f.surgeon));
        levels.learning = level(model.layout.surgeon_learning_index(f.surgeon));
        levels.blade = level(model.layout.surgeon_morcellation_index(f.surgeon));
    }
    const double believed = booked.device_prior != nullptr ? booked.device_prior->log_ratio : 0.0;
    levels.device = f.device >= 0 ? theta[model.layout.device_index(f.device)] : believed;
    Levels usual_surgeon, usual_device = levels;
    usual_surgeon.device = levels.device;
    usual_device.device = 0.0;
    Explanation e;
    e.reference_gland_ml = model.gland_median_ml;
    const bool counted = booked.experience_known && f.cases_done < kPlateau;
    e.case_no = counted ? f.cases_done + 1.0 : std::nan("");
    const double actual = median_theatre_min(theta, f, levels, true, &e.expected_swaps);
    const auto gone_without = [&](const std::function<void(CaseFeatures&)>& change) {
        CaseFeatures usual = f;
        change(usual);
        return actual - median_theatre_min(theta, usual, levels, true);
    };
    e.volume_min = gone_without([&](CaseFeatures& c) { c.log_v80 = std::log(model.gland_median_ml / 80.0); });
    e.swaps_min = actual - median_theatre_min(theta, f, levels, false);
    if (counted) e.learning_min = gone_without([](CaseFeatures& c) { c.cases_done = kPlateau; });
    e.surgeon_min = actual - median_theatre_min(theta, f, usual_surgeon, true);
    if (!model.device_classes.empty()) {
        const DeviceClassRecord& usual = model.device_classes.front();
        CaseFeatures other = f;
        if (usual.blade != BladeMotion::unknown)
            other.oscillating = usual.blade == BladeMotion::oscillating ? 1.0 : 0.0;
        if (usual.suction != Suction::unknown) {
            other.vacuum = usual.suction == Suction::vacuum ? 1.0 : 0.0;
            other.peristaltic = usual.suction == Suction::peristaltic ? 1.0 : 0.0;
            other.wall = usual.suction == Suction::wall ? 1.0 : 0.0;
        }
        e.device_min = actual - median_theatre_min(theta, other, usual_device, true);
    }
    e.covariates_min =
        gone_without([](CaseFeatures& c) { c.trainee = c.anticoagulated = c.hard_nodule = c.spinal = 0.0; });
    return e;
}

}  // namespace

const std::array<std::string_view, kPhases>& phase_names() {
    static const std::array<std::string_view, kPhases> names = {"enucleation", "haemostasis", "morcellation", "room"};
    return names;
}

std::string_view flag_name(Flag flag) {
    switch (flag) {
        case Flag::no_history:
            return "no_history";
        case Flag::gland_beyond_range:
            return "gland_beyond_range";
        case Flag::surgeon_unseen:
            return "surgeon_unseen";
        case Flag::experience_unknown:
            return "experience_unknown";
        case Flag::device_class_unseen:
            return "device_class_unseen";
        case Flag::device_class_unknown:
            return "device_class_unknown";
        case Flag::device_unseen:
            return "device_unseen";
        case Flag::collection_unknown:
            return "collection_unknown";
        case Flag::haemostasis_from_prior:
            return "haemostasis_from_prior";
        case Flag::room_from_prior:
            return "room_from_prior";
    }
    return "unknown";
}

void PredictOptions::check() const {
    if (draws < 100 || draws > 10'000'000) throw InvalidArgument("draws must lie between 100 and 10,000,000");
    if (threads < 0) throw InvalidArgument("threads must be 0 (all) or more");
}

double Prediction::total(std::size_t case_index, std::size_t draw) const {
    const double* m = &minutes[(case_index * n_draws + draw) * kPhases];
    return m[0] + m[1] + m[2] + m[3];
}

Prediction predict(const FittedModel& model, const CaseTable& bookings, const PredictOptions& options) {
    options.check();
    if (options.conformal.value_or(false) && model.held_out.places.empty())
        throw InvalidArgument("conformal: the model has no held-out cases; calibrate it first");
    const std::vector<CaseFeatures> features = case_features(bookings, model.layout);
    Prediction out;
    out.n_cases = bookings.size();
    out.n_draws = static_cast<std::size_t>(options.draws);
    out.flags.resize(out.n_cases);
    std::vector<BookedCase> booked(out.n_cases);

    const auto informed = [&](Channel c) { return model.channels[static_cast<std::size_t>(c)].observations > 0; };
    for (std::size_t i = 0; i < out.n_cases; ++i) {
        if (!(bookings.gland_ml[i] > 0.0) || !std::isfinite(bookings.gland_ml[i]))
            throw InvalidArgument("booking " + std::to_string(i + 1) + ": gland_ml must be a positive number");
        BookedCase& one = booked[i];
        std::vector<Flag>& flags = out.flags[i];
        one.features = features[i];
        one.features.device_fault = 0.0;
        one.features.log_tissue = std::nan("");
        one.surgeon = bookings.surgeon[i];
        one.device = bookings.device[i];
        const std::string& id = bookings.case_id[i];
        one.noise = stream(options.seed, id.empty() ? "position " + std::to_string(i) : "case " + id);
        one.surgeon_stream = stream(options.seed, "surgeon " + one.surgeon);
        one.device_stream = stream(options.seed, "device " + one.device);
        for (const DevicePrior& own : model.device_priors) {
            if (own.code == one.device) one.device_prior = &own;
        }
        one.surgeon_known = one.features.surgeon >= 0;
        one.surgeon_in_noise = model.has_history() && model.surgeons.empty() && one.surgeon.empty();
        one.device_known = one.features.device >= 0 || one.device.empty();
        one.blade_known = bookings.blade[i] != BladeMotion::unknown;
        one.suction_known = bookings.suction[i] != Suction::unknown;
        one.hard_nodule_known = !std::isnan(bookings.hard_nodule[i]);
        one.experience_known = !std::isnan(bookings.surgeon_case_no[i]);
        if (!one.experience_known && one.surgeon_known) {
            // The fit took a surgeon without any case number as experienced; so does the prediction.
            const double last = model.surgeons[static_cast<std::size_t>(one.features.surgeon)].last_case_no;
            one.features.cases_done = std::isnan(last) ? kPlateau : last;
            one.experience_known = true;
        }
        if (!one.experience_known && !model.experience_recorded) {
            // As the fit took every case; its level holds whatever experience the unit has.
            one.features.cases_done = kPlateau;
            one.experience_known = true;
        }
        one.fault_rate = model.faults_recorded || !model.has_history()
                             ? fault_rate_of(model, one.device, bookings.blade[i], bookings.suction[i])
                             : 0.0;
        if (model.hard_nodules_recorded || !model.has_history())
            one.nodule_chance = model.hard_nodule_chance(bookings.gland_ml[i]);
        if (!model.has_history()) flags.push_back(Flag::no_history);
        if (model.has_history() &&
            (bookings.gland_ml[i] < model.gland_min_ml || bookings.gland_ml[i] > model.gland_max_ml))
            flags.push_back(Flag::gland_beyond_range);
        if (!one.surgeon_known && !one.surgeon_in_noise && model.has_history()) flags.push_back(Flag::surgeon_unseen);
        if (!one.experience_known) flags.push_back(Flag::experience_unknown);
        if (!one.blade_known || !one.suction_known) {
            flags.push_back(Flag::device_class_unknown);
        } else if (model.has_history()) {
            const bool seen = std::any_of(model.device_classes.begin(), model.device_classes.end(), [&](const auto& c) {
                return c.blade == bookings.blade[i] && c.suction == bookings.suction[i];
            });
            if (!seen) flags.push_back(Flag::device_class_unseen);
        }
        if (!one.device_known) flags.push_back(Flag::device_unseen);
        if (std::isnan(bookings.canister_ml[i])) flags.push_back(Flag::collection_unknown);
        if (model.has_history() && !informed(Channel::haemostasis) && !informed(Channel::operative) &&
            !informed(Channel::theatre))
            flags.push_back(Flag::haemostasis_from_prior);
        if (model.has_history() && !informed(Channel::room) && !informed(Channel::theatre))
            flags.push_back(Flag::room_from_prior);
    }

    const ParameterDraws parameters = draw_parameters(model, options);
    out.minutes.resize(out.n_cases * out.n_draws * kPhases);
    out.swaps.resize(out.n_cases * out.n_draws);
    out.explanations.resize(out.n_cases);
    const double rho = model.phase_correlation, rest = std::sqrt(1.0 - rho * rho);

    for (std::size_t i = 0; i < out.n_cases; ++i) out.explanations[i] = explain(model, booked[i]);

    const std::size_t packs = static_cast<std::size_t>(parameters.theta.rows() / kPack);
    Supervisor supervisor(options.progress, static_cast<int>(packs));
    parallel_for(packs, options.threads, [&](std::size_t pack) {
        if (supervisor.stopped()) return;
        const std::size_t first = pack * static_cast<std::size_t>(kPack);
        const Eigen::Index row = static_cast<Eigen::Index>(first);
        std::vector<Pack> theta(static_cast<std::size_t>(model.layout.size()));
        for (std::size_t k = 0; k < theta.size(); ++k)
            theta[k] = parameters.theta.col(static_cast<Eigen::Index>(k)).segment<kPack>(row).array();
        std::array<Pack, kChannels> spreads;
        for (int c = 0; c < kChannels; ++c)
            spreads[static_cast<std::size_t>(c)] = parameters.spread.col(c).segment<kPack>(row).array();
        const auto spread = [&](Channel c) -> const Pack& { return spreads[static_cast<std::size_t>(c)]; };
        const auto level = [&](int parameter) -> const Pack& { return theta[static_cast<std::size_t>(parameter)]; };
        const Pack fluid_spread = theta[param::fluid_log_sd].exp();
        const std::size_t wanted = std::min(static_cast<std::size_t>(kPack), out.n_draws - first);
        std::array<Pack, 8> z;
        std::array<Pack, 4> chance;
        for (std::size_t i = 0; i < out.n_cases; ++i) {
            const BookedCase& one = booked[i];
            for (Eigen::Index k = 0; k < kPack; ++k) {
                const std::uint64_t d = first + static_cast<std::uint64_t>(k);
                const auto four = one.noise.normals(2 * d), more = one.noise.normals(2 * d + 1);
                const auto uniform = one.noise.uniforms(d);
                for (std::size_t j = 0; j < 4; ++j) {
                    z[j][k] = four[j];
                    z[4 + j][k] = more[j];
                    chance[j][k] = uniform[j];
                }
            }
            DrawnCase f(one.features);
            Pack u = Pack::Zero(), v = Pack::Zero(), learning = Pack::Zero(), device_level = Pack::Zero();
            if (one.surgeon_known) {
                u = level(model.layout.surgeon_enucleation_index(one.features.surgeon));
                v = level(model.layout.surgeon_morcellation_index(one.features.surgeon));
            } else if (!one.surgeon_in_noise) {
                for (Eigen::Index k = 0; k < kPack; ++k) {
                    const auto unseen = one.surgeon_stream.normals(first + static_cast<std::uint64_t>(k));
                    u[k] = parameters.groups(row + k, 0) * unseen[0];
                    v[k] = parameters.groups(row + k, 1) * unseen[1];
                }
            }
            const int own_learning = one.surgeon_known ? model.layout.surgeon_learning_index(one.features.surgeon) : -1;
            if (own_learning >= 0) {
                learning = level(own_learning);
            } else if (!one.surgeon_in_noise) {
                for (Eigen::Index k = 0; k < kPack; ++k)
                    learning[k] = parameters.groups(row + k, 2) *
                                  one.surgeon_stream.normals(first + static_cast<std::uint64_t>(k))[2];
            }
            if (one.features.device >= 0) {
                device_level = level(model.layout.device_index(one.features.device));
            } else if (!one.device_known) {
                for (Eigen::Index k = 0; k < kPack; ++k) {
                    const double unseen = one.device_stream.normals(first + static_cast<std::uint64_t>(k))[0];
                    device_level[k] = one.device_prior != nullptr
                                          ? one.device_prior->log_ratio + one.device_prior->log_sd * unseen
                                          : parameters.groups(row + k, 3) * unseen;
                }
            }
            if (!one.experience_known) {
                for (Eigen::Index k = 0; k < kPack; ++k) {
                    const double even = one.surgeon_stream.uniforms(first + static_cast<std::uint64_t>(k))[0];
                    f.cases_done[k] = std::pow(kUnknownExperienceUpTo, even) - 1.0;
                }
            }
            if (!one.blade_known) f.oscillating = (chance[0] < 0.5).cast<double>();
            if (!one.suction_known) {
                f.vacuum = (chance[1] < 0.5).cast<double>();
                f.peristaltic = 1.0 - f.vacuum;
            }
            if (!one.hard_nodule_known) f.hard_nodule = (chance[2] < one.nodule_chance).cast<double>();
            f.device_fault = (chance[3] < one.fault_rate).cast<double>();

            const Pack* t = theta.data();
            const Pack tissue = formulas::log_tissue<Pack>(t, f) + spread(Channel::tissue) * z[4];
            const Pack blade = formulas::blade_min<Pack>(t, f, tissue, v, device_level);
            Pack swaps = Pack::Zero();
            if (std::isfinite(f.log_canister)) {
                const Pack fluid = formulas::fluid_ml<Pack>(t, f, blade) * (fluid_spread * z[5]).exp();
                swaps = (fluid * std::exp(-f.log_canister)).floor();
            }
            const auto noise = [&](Channel channel, const Pack& z_of) -> Pack {
                const ChannelFit& fitted = model.channels[static_cast<std::size_t>(channel)];
                Pack own = spread(channel);
                if (fitted.trend.shown())
                    own *=
                        fitted.trend.factor<Pack>(f.log_v80, learning_left<Pack>(channel, model.theta, f.cases_done));
                return (own * z_of.unaryExpr([&](double x) { return fitted.law(x); })).exp();
            };
            const std::array<Pack, kPhases> minutes = {
                formulas::enucleation_min<Pack>(t, f, u, learning) * noise(Channel::enucleation, z[0]),
                formulas::haemostasis_min<Pack>(t, f) * noise(Channel::haemostasis, z[1]),
                formulas::morcellation_min<Pack>(t, f, blade, swaps) *
                    noise(Channel::morcellation, rho * z[0] + rest * z[2]),
                formulas::room_min<Pack>(t, f) * noise(Channel::room, z[3])};
            for (std::size_t k = 0; k < wanted; ++k) {
                const Eigen::Index at = static_cast<Eigen::Index>(k);
                double* m = &out.minutes[(i * out.n_draws + first + k) * kPhases];
                for (std::size_t j = 0; j < kPhases; ++j) m[j] = minutes[j][at];
                out.swaps[i * out.n_draws + first + k] = swaps[at];
            }
        }
        ++supervisor.done;
    });
    supervisor.finish();
    if (supervisor.stopped()) throw NotConverged("the prediction was stopped");
    if (options.conformal.value_or(model.held_out.enough())) {
        correct(model.held_out, out, options.threads);
        out.held_out_cases = model.held_out.places.size();
    }
    return out;
}

}  // namespace lobetime
