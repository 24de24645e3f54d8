#include <lobetime/core/errors.hpp>
#include <lobetime/core/jet.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/evidence/conversions.hpp>
#include <lobetime/evidence/meta_regression.hpp>
#include <lobetime/evidence/pooling.hpp>
#include <lobetime/model/formulas.hpp>

#include <Eigen/Cholesky>

#include <boost/math/tools/toms748_solve.hpp>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <map>
#include <numeric>
#include <set>

namespace lobetime {
namespace {

// What is taken where a series does not say. Volumes scatter as in Eur Urol 2008, PMID 17997021 (62 +- 34 mL); the
// other SDs follow from that of volume, the elasticities of the model and the spread of like cases, which gives that
// publication's own SDs within 0.05. An efficiency scatters as in J Urol 2017, doi 10.1016/j.juro.2016.11.001.
struct Defaults {
    double n = 30.0, gland_ml = 70.0, gland_between_log_sd = 0.45;
    double gland_log_sd = 0.51, gland_log_sd_by_size = 0.20, rate_log_sd = 0.45, canister_ml = 2000.0;
    double mixed_cases = 100.0, novice_cases = 50.0, expert_cases = 400.0, surgeons = 2.0;
};
constexpr Defaults kDefaults;

/// How a quantity follows volume, and how it scatters about that.
struct Scatter {
    double elasticity, log_sd;
};
const std::map<std::string_view, Scatter> kScatter = {{"gland_ml", {1.0, 0.0}},
                                                      {"tissue_g", {1.19, 0.20}},
                                                      {"enucleation_min", {0.70, 0.30}},
                                                      {"morcellation_min", {1.07, 0.40}},
                                                      {"operative_min", {0.55, 0.25}}};

const double kNormal90 = normal_quantile(0.95);
constexpr double kVague = 10.0;           ///< SD, on the log scale, of what is not known of a level before the series
constexpr double kMedianLoses = 1.5708;   ///< variance of a normal sample's median over that of its mean, pi / 2
constexpr double kCounts = 0.01;          ///< share of a parameter's weight from which a unit counts as behind it
constexpr int kVolume = kPooledUnknowns;  ///< the volume of a series that does not report one, as one more unknown
constexpr int kEnucleationLevel = kVolume + 1, kMorcellationLevel = kVolume + 2;  ///< of a series' surgeons
constexpr int kUnknowns = kVolume + 3;
constexpr auto kLevels = kPooledLevels.size();
constexpr auto kSpreads = kLevels + 1;  ///< the last: more spread between first cases than between experienced surgeons
constexpr auto kFirstCases = kLevels;
/// The trend is believed to be some 0.1 per decade either way (assumption): it was looked for because the series
/// differ, and among several things that could have been looked for.
constexpr double kTrendLogSd = 0.1;
using SpreadArray = Eigen::Array<double, static_cast<int>(kSpreads), 1>;
using SpreadVector = Eigen::Matrix<double, static_cast<int>(kSpreads), 1>;
using SpreadMatrix = Eigen::Matrix<double, static_cast<int>(kSpreads), static_cast<int>(kSpreads)>;

using Jet = BatchedJet<kUnknowns>;

/// A series in the formulas' terms. Eight lanes: case numbers spread evenly over the surgeons'.
struct SeriesCase {
    Jet log_v80;
    Pack cases_done;
    double oscillating, vacuum = 1.0, peristaltic = 0.0, wall = 0.0;
    double trainee = 0.0, anticoagulated = 0.0, hard_nodule = 0.0, device_fault = 0.0;
};

double cases_of(const Series& row) { return std::isnan(row.n) ? kDefaults.n : row.n; }
double units_of(const Series& row) { return std::isnan(row.n_units) ? 1.0 : row.n_units; }
double surgeons_of(const Series& row) {
    return std::isnan(row.n_surgeons) ? kDefaults.surgeons * units_of(row) : row.n_surgeons;
}

double gland_log_sd(const Series& row) { return row.by_size ? kDefaults.gland_log_sd_by_size : kDefaults.gland_log_sd; }

double log_sd_of(const Series& row, std::string_view column) {
    const auto at = kScatter.find(column);
    return at == kScatter.end() ? kDefaults.rate_log_sd
                                : std::hypot(at->second.elasticity * gland_log_sd(row), at->second.log_sd);
}

/// When series were published. One that does not say counts as of their mean year; parameters are those of a unit of
/// the mean year of the newest decade, since not every unit works like the newest series.
struct Years {
    double mean = 0.0, of_parameters = 0.0;

    explicit Years(const std::vector<Series>& series) {
        std::vector<double> known;
        for (const Series& row : series) {
            if (!std::isnan(row.year)) known.push_back(row.year);
        }
        if (known.empty()) return;
        const double newest = *std::max_element(known.begin(), known.end());
        const auto mean_from = [&](double first) {
            double sum = 0.0, count = 0.0;
            for (const double year : known) {
                if (year < first) continue;
                sum += year;
                ++count;
            }
            return sum / count;
        };
        mean = mean_from(0.0);
        of_parameters = mean_from(newest - 10.0);
    }
    double decades_later(const Series& row) const {
        return 0.1 * ((std::isnan(row.year) ? mean : row.year) - of_parameters);
    }
};

MeanSd logs_of(const Series& row, std::string_view column, const Reported& reported) {
    const double sd = log_sd_of(row, column);
    ReportedSummary summary;
    summary.n = static_cast<int>(std::lround(cases_of(row)));
    const bool ranged = !std::isnan(reported.q1 + reported.q3) || !std::isnan(reported.lowest + reported.highest);
    if (row.statistic == Statistic::median) {
        if (!ranged) return {std::log(reported.value), sd};
        summary.median = reported.value;
        summary.q1 = reported.q1;
        summary.q3 = reported.q3;
        summary.min = reported.lowest;
        summary.max = reported.highest;
        return log_mean_and_sd(summary);
    }
    if (std::isnan(reported.sd)) return {std::log(reported.value) - 0.5 * sd * sd, sd};
    summary.mean = reported.value;
    summary.sd = reported.sd;
    return log_mean_and_sd(summary);
}

/// Mean log of unselected glands' volume between the limits of a series.
double usual_log_v80(const Series& row) {
    const double sd = kDefaults.gland_log_sd, mean = std::log(kDefaults.gland_ml / 80.0) - 0.5 * sd * sd;
    const auto standard = [&](double ml) { return (std::log(ml / 80.0) - mean) / sd; };
    double low_density = 0.0, low = 0.0, high_density = 0.0, high = 1.0;
    if (!std::isnan(row.gland_from_ml)) {
        low_density = normal_pdf(standard(row.gland_from_ml));
        low = normal_cdf(standard(row.gland_from_ml));
    }
    if (!std::isnan(row.gland_to_ml)) {
        high_density = normal_pdf(standard(row.gland_to_ml));
        high = normal_cdf(standard(row.gland_to_ml));
    }
    return mean + sd * (low_density - high_density) / (high - low);
}

Pack case_numbers_done(const Series& row) {
    double first = 1.0, last = row.experience == Experience::novice ? kDefaults.novice_cases : kDefaults.mixed_cases;
    if (row.experience == Experience::expert) {
        first = kDefaults.mixed_cases;
        last = kDefaults.expert_cases;
    }
    if (!std::isnan(row.first_case)) {
        first = row.first_case;
        last = row.last_case;
    }
    const Pack middle = (Pack::LinSpaced(0.0, kBatch - 1.0) + 0.5) / kBatch;
    return first - 1.0 + middle * (last - first);
}

struct Predicted {
    double value;
    Eigen::Matrix<double, kUnknowns, 1> slope;
};

/// Log SDs of one case about its median: enucleation, rest of the operation, morcellation (with the tissue's share).
using Spreads = std::array<double, 3>;

Spreads spreads_of(const PriorSet& assumptions) {
    const auto centre = [&](std::string_view name) { return assumptions.spread(name).centre; };
    return {centre("enucleation"), centre("haemostasis"), std::hypot(centre("morcellation"), centre("tissue"))};
}

/// Mean squares of a surgeon's levels, enucleation and morcellation.
Eigen::Vector2d surgeons_between(const PriorSet& assumptions) {
    const double lift = std::exp(2.0 * assumptions.group_log_sd_spread * assumptions.group_log_sd_spread);
    const double e = assumptions.surgeon_enucleation_log_sd, m = assumptions.surgeon_morcellation_log_sd;
    return lift * Eigen::Vector2d(e * e, m * m);
}

/// Mean log of a sum of independent log-normal minutes of which the medians are given, as if the sum were log-normal,
/// too (Fenton, IRE Trans Commun Syst 1960;8:57).
Jet log_of_sum(const std::array<Jet, 3>& medians, const Spreads& spreads) {
    Jet mean(0.0), variance(0.0);
    for (std::size_t i = 0; i < medians.size(); ++i) {
        const double squared = spreads[i] * spreads[i];
        const Jet one = medians[i] * std::exp(0.5 * squared);
        mean += one;
        variance += one * one * std::expm1(squared);
    }
    return log(mean) - 0.5 * log(1.0 + variance / (mean * mean));
}

/// Mean log of a figure of the series, with derivatives.
Predicted predict(const Eigen::VectorXd& mean, const Series& row, std::string_view column, const Spreads& spreads,
                  const Years& years) {
    std::array<Jet, kUnknowns> theta;
    for (int p = 0; p < kUnknowns; ++p)
        theta[static_cast<std::size_t>(p)] = Jet::parameter(p < kPooledUnknowns ? mean[p] : 0.0, p);
    const Jet* t = theta.data();
    SeriesCase one;
    one.cases_done = case_numbers_done(row);
    one.oscillating = row.blade.empty() ? 0.5 : (row.blade == "oscillating" ? 1.0 : 0.0);
    const auto log_of = [&](std::string_view name, const Reported& reported) {
        return logs_of(row, name, reported).mean;
    };
    Jet log_tissue;
    if (!row.gland.is_blank()) {
        one.log_v80 = Jet(log_of("gland_ml", row.gland) - std::log(80.0));
    } else if (!row.tissue.is_blank()) {
        one.log_v80 = (log_of("tissue_g", row.tissue) - t[param::yield_g_80]) / t[param::yield_exponent];
    } else {
        one.log_v80 = t[kVolume] + usual_log_v80(row);
    }
    log_tissue = formulas::log_tissue(t, one);
    const Jet tissue = log_tissue;  // as the model has it
    if (!row.tissue.is_blank()) log_tissue = Jet(log_of("tissue_g", row.tissue));

    const Jet none(0.0);
    const double decades = years.decades_later(row);
    const Jet slower = t[kEnucleationLevel] + decades * t[kEnucleationTrend];
    const auto enucleation = [&] { return formulas::enucleation_min(t, one, slower, none); };
    const auto morcellation = [&] {
        const Jet blade = formulas::blade_min(t, one, log_tissue, t[kMorcellationLevel], none);
        const Jet swaps = formulas::expected_swaps(Jet(log(formulas::fluid_ml(t, one, blade))),
                                                   std::log(kDefaults.canister_ml), Jet(exp(t[param::fluid_log_sd])));
        return formulas::morcellation_min(t, one, blade, swaps);
    };
    const auto operative = [&] {
        return log_of_sum({enucleation(), formulas::haemostasis_min(t, one), morcellation()}, spreads);
    };
    Jet out;
    if (column == "tissue_g") out = tissue;
    if (column == "enucleation_min") out = log(enucleation());
    if (column == "morcellation_min") out = log(morcellation());
    if (column == "operative_min") out = operative();
    if (column == "enucleation_g_min") out = log_tissue - log(enucleation());
    if (column == "morcellation_g_min") out = log_tissue - log(morcellation());
    if (column == "operative_g_min") out = log_tissue - operative();
    return {out.value.mean(), out.slope.colwise().mean().transpose().matrix()};
}

std::vector<SeriesFigure> figures_of(const std::vector<Series>& series) {
    std::vector<SeriesFigure> figures;
    for (std::size_t i = 0; i < series.size(); ++i) {
        const Series& row = series[i];
        const bool sized = !row.gland.is_blank() || !row.tissue.is_blank();
        for (const SeriesQuantity& quantity : series_quantities()) {
            const Reported& reported = row.*quantity.reported;
            if (reported.is_blank() || quantity.column == "gland_ml") continue;
            if (quantity.column == "tissue_g" && row.gland.is_blank()) continue;  // it stands in for the gland
            const MeanSd logs = logs_of(row, quantity.column, reported);
            const double loses = row.statistic == Statistic::median ? kMedianLoses : 1.0;
            const bool sum = quantity.stem.substr(0, 9) == "operative";
            figures.push_back({static_cast<int>(i), quantity.column, logs.mean,
                               loses * logs.sd * logs.sd / cases_of(row), sized && !sum});
        }
    }
    return figures;
}

/// Where each core parameter starts: what is assumed of the mean of units, and the assumed variance between them.
struct Start {
    Eigen::VectorXd mean, unknown, between;

    explicit Start(const PriorSet& assumptions)
        : mean(Eigen::VectorXd::Zero(kPooledUnknowns)),
          unknown(Eigen::VectorXd::Constant(kPooledUnknowns, kTrendLogSd * kTrendLogSd)),
          between(Eigen::VectorXd::Zero(kPooledUnknowns)) {
        for (int p = 0; p < param::Count; ++p) {
            const std::string name(core_parameters()[static_cast<std::size_t>(p)].name);
            const ParameterPrior* row = assumptions.find(name);
            if (row == nullptr) throw InvalidArgument("the assumptions have no row for " + name);
            mean[p] = row->working_mean();
            unknown[p] = between[p] = 0.5 * row->working_sd() * row->working_sd();
        }
        for (const int p : kPooledLevels) {
            unknown[p] = kVague * kVague;
            between[p] = 0.0;
        }
        unknown[param::yield_exponent] = kVague * kVague;  // the pairs of gland and tissue tell it
        between[param::e_fixed] = 0.0;                     // the level's
    }
};

/// How a unit's levels move its parameters, a column a level: what makes a unit slow at enucleation makes the part of
/// it that does not grow with the gland slow, too.
Eigen::MatrixXd levels_along(const Eigen::VectorXd& mean) {
    Eigen::MatrixXd along = Eigen::MatrixXd::Zero(kPooledUnknowns, static_cast<Eigen::Index>(kLevels));
    for (std::size_t k = 0; k < kLevels; ++k) along(kPooledLevels[k], static_cast<Eigen::Index>(k)) = 1.0;
    along(param::e_fixed, 1) = mean[param::e_fixed];
    return along;
}

/// The figures linearised about a mean of units: y = X mean + unit, volume and sampling.
struct Linear {
    Eigen::VectorXd residual;  ///< of the mean that was assumed
    Eigen::MatrixXd slope;     ///< figures x core parameters
    Eigen::MatrixXd of_unit;   ///< slopes along one unit's parameters: a share of a mean over several units
    Eigen::MatrixXd sampling;  ///< of the figures, with the volumes that are not known
    Eigen::MatrixXd fixed;     ///< sampling, assumed spread between units and what is not known of the mean
    std::array<Eigen::MatrixXd, kSpreads> column;  ///< slopes of a level, a column a unit
    std::array<Eigen::MatrixXd, kSpreads> kernel;  ///< column column': what a variance of 1 of the level adds
};

class Regression {
public:
    Regression(const std::vector<Series>& series, const PriorSet& assumptions, const Years& years)
        : series_(series),
          start_(assumptions),
          spreads_(spreads_of(assumptions)),
          surgeons_(surgeons_between(assumptions)),
          years_(years),
          figures_(figures_of(series)) {
        std::map<std::string, int> units;
        for (const SeriesFigure& figure : figures_) {
            const auto [at, is_new] = units.emplace(row(figure).unit, static_cast<int>(units.size()));
            unit_.push_back(at->second);
        }
        n_units_ = static_cast<int>(units.size());
    }

    PooledSeries solve() {
        if (figures_.empty()) throw InvalidArgument("no series holds a figure that the model can be held against");
        constexpr int kRounds = 200;
        Eigen::VectorXd mean = start_.mean;
        SpreadArray tau2 = SpreadArray::Constant(0.09);
        for (int round = 0; round < kRounds; ++round) {
            const Linear linear = linearise(mean);
            tau2 = likely_spread(linear, tau2);
            const Eigen::VectorXd next = posterior_mean(linear, tau2);
            const double moved = (next - mean).cwiseAbs().maxCoeff();
            mean = next;
            if (moved < 1e-8) return result(mean, tau2);
        }
        throw NotConverged("the pooled series did not settle in " + std::to_string(kRounds) + " rounds");
    }

    const std::vector<SeriesFigure>& figures() const { return figures_; }

private:
    const Series& row(const SeriesFigure& figure) const { return series_[static_cast<std::size_t>(figure.series)]; }
    Eigen::Index size() const { return static_cast<Eigen::Index>(figures_.size()); }
    bool same_unit(Eigen::Index i, Eigen::Index j) const {
        return unit_[static_cast<std::size_t>(i)] == unit_[static_cast<std::size_t>(j)];
    }

    Linear linearise(const Eigen::VectorXd& mean) const {
        const Eigen::Index n = size();
        Linear out{Eigen::VectorXd(n),
                   Eigen::MatrixXd(n, kPooledUnknowns),
                   Eigen::MatrixXd(n, kPooledUnknowns),
                   Eigen::MatrixXd::Zero(n, n),
                   {},
                   {},
                   {}};
        Eigen::VectorXd of_volume(n);
        Eigen::MatrixXd levels(n, 2), novices(n, 2);
        for (Eigen::Index i = 0; i < n; ++i) {
            const SeriesFigure& figure = figures_[static_cast<std::size_t>(i)];
            const Predicted predicted = predict(mean, row(figure), figure.column, spreads_, years_);
            out.slope.row(i) = predicted.slope.head<kPooledUnknowns>();
            of_volume[i] = predicted.slope[kVolume];
            out.of_unit.row(i) = out.slope.row(i) / std::sqrt(units_of(row(figure)));
            levels.row(i) = predicted.slope.segment<2>(kEnucleationLevel);
            novices.row(i) = levels.row(i) * (row(figure).experience == Experience::novice ? 1.0 : 0.0);
            levels.row(i) /= std::sqrt(surgeons_of(row(figure)));
            out.residual[i] = figure.log_mean - predicted.value + out.slope.row(i).dot(mean - start_.mean);
            out.sampling(i, i) = figure.variance;
        }
        const double volume2 = kDefaults.gland_between_log_sd * kDefaults.gland_between_log_sd;
        for (Eigen::Index i = 0; i < n; ++i) {
            for (Eigen::Index j = 0; j < n; ++j) {
                if (figures_[static_cast<std::size_t>(i)].series == figures_[static_cast<std::size_t>(j)].series)
                    out.sampling(i, j) += volume2 * of_volume[i] * of_volume[j];
            }
        }
        out.fixed = out.sampling + within_units(out.of_unit, start_.between.asDiagonal()) +
                    within_units(levels, surgeons_.asDiagonal()) +
                    out.slope * start_.unknown.asDiagonal() * out.slope.transpose();
        const Eigen::MatrixXd of_levels = out.of_unit * levels_along(mean);
        for (std::size_t k = 0; k < kLevels; ++k) out.column[k] = by_unit(of_levels.col(static_cast<Eigen::Index>(k)));
        Eigen::MatrixXd first_cases(n, 2 * n_units_);
        first_cases << by_unit(novices.col(0)), by_unit(novices.col(1));
        out.column[kFirstCases] = first_cases;
        for (std::size_t k = 0; k < kSpreads; ++k) out.kernel[k] = out.column[k] * out.column[k].transpose();
        return out;
    }

    /// X diag(variance) X' where two figures are of one unit, else 0.
    Eigen::MatrixXd within_units(const Eigen::MatrixXd& slope, const Eigen::MatrixXd& covariance) const {
        Eigen::MatrixXd out = slope * covariance * slope.transpose();
        for (Eigen::Index i = 0; i < size(); ++i) {
            for (Eigen::Index j = 0; j < size(); ++j) {
                if (!same_unit(i, j)) out(i, j) = 0.0;
            }
        }
        return out;
    }

    /// Of a unit's parameters about the mean of units.
    Eigen::MatrixXd between_units(const Eigen::VectorXd& mean, const Eigen::VectorXd& tau2) const {
        const Eigen::MatrixXd along = levels_along(mean);
        return Eigen::MatrixXd(start_.between.asDiagonal()) + along * tau2.asDiagonal() * along.transpose();
    }

    /// Slopes of one level, a column a unit.
    Eigen::MatrixXd by_unit(const Eigen::VectorXd& slope) const {
        Eigen::MatrixXd out = Eigen::MatrixXd::Zero(size(), n_units_);
        for (Eigen::Index i = 0; i < size(); ++i) out(i, unit_[static_cast<std::size_t>(i)]) = slope[i];
        return out;
    }

    Eigen::LLT<Eigen::MatrixXd> factor(const Linear& linear, const SpreadArray& tau2) const {
        Eigen::MatrixXd covariance = linear.fixed;
        for (std::size_t k = 0; k < kSpreads; ++k) covariance += tau2[static_cast<Eigen::Index>(k)] * linear.kernel[k];
        return Eigen::LLT<Eigen::MatrixXd>(covariance);
    }

    /// Variances between units of most restricted likelihood: Fisher's scoring, halved until the likelihood rises, at
    /// the bound where it pulls below zero. What is not known of the mean is in the covariance, so the mean is
    /// integrated over.
    SpreadArray likely_spread(const Linear& linear, SpreadArray tau2) const {
        constexpr int kSteps = 200;
        Eigen::LLT<Eigen::MatrixXd> cholesky = factor(linear, tau2);
        double here = log_likelihood(linear, cholesky);
        for (int step = 0; step < kSteps; ++step) {
            const Eigen::VectorXd pull = cholesky.solve(linear.residual);
            std::array<Eigen::MatrixXd, kSpreads> rooted;
            for (std::size_t k = 0; k < kSpreads; ++k) rooted[k] = cholesky.matrixL().solve(linear.column[k]);
            SpreadVector score;
            SpreadMatrix information;
            for (std::size_t k = 0; k < kSpreads; ++k) {
                const auto at = static_cast<Eigen::Index>(k);
                score[at] = 0.5 * ((linear.column[k].transpose() * pull).squaredNorm() - rooted[k].squaredNorm());
                for (std::size_t l = 0; l <= k; ++l) {
                    const auto other = static_cast<Eigen::Index>(l);
                    information(at, other) = information(other, at) =
                        0.5 * (rooted[k].transpose() * rooted[l]).squaredNorm();
                }
            }
            for (Eigen::Index k = 0; k < score.size(); ++k) {
                if ((tau2[k] > 0.0 || score[k] > 0.0) && information(k, k) > 0.0) continue;
                information.row(k).setZero();
                information.col(k).setZero();
                information(k, k) = 1.0;
                score[k] = 0.0;
            }
            const SpreadArray full = information.ldlt().solve(score).array();
            bool moved = false;
            for (double share = 1.0; share > 1e-8; share *= 0.5) {
                const SpreadArray next = (tau2 + share * full).max(0.0);
                if ((next - tau2).abs().maxCoeff() < 1e-10) break;
                const auto there = factor(linear, next);
                const double likelihood = log_likelihood(linear, there);
                if (likelihood <= here) continue;
                moved = true;
                tau2 = next;
                cholesky = there;
                here = likelihood;
                break;
            }
            if (!moved) return tau2;
        }
        throw NotConverged("the variances between units did not settle in " + std::to_string(kSteps) + " steps");
    }

    static double log_likelihood(const Linear& linear, const Eigen::LLT<Eigen::MatrixXd>& cholesky) {
        const double log_root = Eigen::VectorXd(cholesky.matrixLLT().diagonal()).array().log().sum();
        return -log_root - 0.5 * linear.residual.dot(cholesky.solve(linear.residual));
    }

    /// Variance of the normal that has the 90 % range of a level of a new unit: a normal about the mean, of which
    /// `of_mean` is the variance, with a spread between units that is known as far as the restricted likelihood tells
    /// it, the other variances held, since few units can look alike by chance. Beforehand the spread is half-normal
    /// with a scale of 0.5 (a weakly informative prior of logs of ratios: Röver et al., Res Synth Methods 2021;12:448),
    /// of tissue 0.2 (assumption): a gland cannot yield more than it weighs, which is less than twice what is usual.
    double range_variance(const Linear& linear, SpreadArray tau2, Eigen::Index level, double of_mean) const {
        constexpr double kMostBetween = 2.0;
        const double scale = kPooledLevels[static_cast<std::size_t>(level)] == param::yield_g_80 ? 0.2 : 0.5;
        constexpr int kSteps = 200;
        // Not the constant above: a prior may be asked for before this file's constants have their values.
        const double normal_90 = normal_quantile(0.95);
        std::vector<double> log_weight, sd_of_unit;
        for (int step = 0; step < kSteps; ++step) {
            const double sd = (step + 0.5) * kMostBetween / kSteps;
            tau2[level] = sd * sd;
            sd_of_unit.push_back(std::sqrt(of_mean + sd * sd));
            log_weight.push_back(log_likelihood(linear, factor(linear, tau2)) - 0.5 * std::pow(sd / scale, 2));
        }
        const double largest = *std::max_element(log_weight.begin(), log_weight.end());
        double total = 0.0;
        for (double& weight : log_weight) total += weight = std::exp(weight - largest);
        const auto above_5_percent = [&](double end) {
            double below = 0.0;
            for (std::size_t i = 0; i < sd_of_unit.size(); ++i)
                below += log_weight[i] * normal_cdf(end / sd_of_unit[i]);
            return below / total - 0.95;
        };
        std::uintmax_t steps = 100;
        const auto end = boost::math::tools::toms748_solve(above_5_percent, 0.0, 10.0 * (kMostBetween + normal_90),
                                                           boost::math::tools::eps_tolerance<double>(40), steps);
        return std::pow(0.5 * (end.first + end.second) / normal_90, 2);
    }

    Eigen::VectorXd posterior_mean(const Linear& linear, const SpreadArray& tau2) const {
        const Eigen::VectorXd pull = factor(linear, tau2).solve(linear.residual);
        return start_.mean + start_.unknown.asDiagonal() * (linear.slope.transpose() * pull);
    }

    PooledSeries result(const Eigen::VectorXd& mean, const SpreadArray& tau2) const {
        constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
        const Linear linear = linearise(mean);
        const Eigen::MatrixXd reach = linear.slope * start_.unknown.asDiagonal();
        PooledSeries out;
        out.figures = figures_;
        out.mean = mean;
        out.covariance =
            Eigen::MatrixXd(start_.unknown.asDiagonal()) - reach.transpose() * factor(linear, tau2).solve(reach);
        const auto levels = static_cast<Eigen::Index>(kLevels);
        out.between = between_units(mean, tau2.head(levels));
        out.first_cases = tau2[kFirstCases];
        out.told = 1.0 - out.covariance.diagonal().array() / start_.unknown.array();
        Eigen::VectorXd of_range(levels);
        for (Eigen::Index k = 0; k < levels; ++k) {
            const int p = kPooledLevels[static_cast<std::size_t>(k)];
            of_range[k] = range_variance(linear, tau2, k, out.covariance(p, p)) - out.covariance(p, p);
        }
        out.between_of_range = between_units(mean, of_range);
        out.i2_percent = Eigen::VectorXd::Constant(kPooledUnknowns, kNone);
        out.studies = out.cases = Eigen::VectorXi::Zero(kPooledUnknowns);
        out.direct_share = out.randomised_share = Eigen::VectorXd::Zero(kPooledUnknowns);
        out.behind.resize(kPooledUnknowns);
        const Eigen::MatrixXd in_units = linear.sampling + within_units(linear.of_unit, out.between);
        for (int p = 0; p < kPooledUnknowns; ++p) describe(linear, in_units, p, out);
        return out;
    }

    /// Weight of each unit for one parameter, if the rest of it were as in the mean.
    Eigen::VectorXd weights(const Linear& linear, const Eigen::MatrixXd& covariance, int parameter) const {
        Eigen::VectorXd out = Eigen::VectorXd::Zero(n_units_);
        for (int u = 0; u < n_units_; ++u) {
            std::vector<Eigen::Index> of_unit;
            for (Eigen::Index i = 0; i < size(); ++i) {
                if (unit_[static_cast<std::size_t>(i)] == u) of_unit.push_back(i);
            }
            const Eigen::VectorXd slope = linear.slope(of_unit, parameter);
            const Eigen::MatrixXd within = covariance(of_unit, of_unit);
            out[u] = slope.dot(within.ldlt().solve(slope));
        }
        return out;
    }

    void describe(const Linear& linear, const Eigen::MatrixXd& in_units, int p, PooledSeries& out) const {
        const Eigen::VectorXd weight = weights(linear, in_units, p);
        std::map<std::string, double> study_weight;
        std::map<int, bool> direct;  // by row
        int units = 0;
        for (int u = 0; u < n_units_; ++u) units += weight[u] >= kCounts * weight.sum() && weight[u] > 0.0 ? 1 : 0;
        for (Eigen::Index i = 0; i < size(); ++i) {
            const SeriesFigure& figure = figures_[static_cast<std::size_t>(i)];
            const int u = unit_[static_cast<std::size_t>(i)];
            if (!(weight[u] >= kCounts * weight.sum()) || linear.slope(i, p) == 0.0) continue;
            study_weight[row(figure).study] += weight[u];
            direct[figure.series] = direct[figure.series] || figure.direct;
        }
        double cases = 0.0;
        for (const auto& [series, is_direct] : direct) {
            const Series& one = series_[static_cast<std::size_t>(series)];
            cases += cases_of(one);
            out.direct_share[p] += is_direct ? cases_of(one) : 0.0;
            if (one.design.find("randomised") != std::string::npos) out.randomised_share[p] += cases_of(one);
        }
        if (cases > 0.0) {
            out.direct_share[p] /= cases;
            out.randomised_share[p] /= cases;
        }
        out.cases[p] = static_cast<int>(std::lround(cases));
        out.studies[p] = static_cast<int>(study_weight.size());
        auto& behind = out.behind[static_cast<std::size_t>(p)];
        for (const auto& [study, of_study] : study_weight) behind.push_back(study);
        if (std::find(kPooledLevels.begin(), kPooledLevels.end(), p) == kPooledLevels.end()) return;
        const Eigen::VectorXd precise = weights(linear, linear.sampling, p);
        const double sum = precise.sum(), squares = precise.squaredNorm();
        if (units > 1 && sum * sum > squares) {
            const double typical = (units - 1.0) * sum / (sum * sum - squares);
            out.i2_percent[p] = 100.0 * out.between(p, p) / (out.between(p, p) + typical);
        }
    }

    const std::vector<Series>& series_;
    Start start_;
    Spreads spreads_;
    Eigen::Vector2d surgeons_;  ///< variances of one surgeon's levels
    Years years_;
    std::vector<SeriesFigure> figures_;
    std::vector<int> unit_;
    int n_units_ = 0;
};

}  // namespace

PooledSeries pool_series(const std::vector<Series>& series, const PriorSet& assumptions) {
    check_series(series);
    return Regression(series, assumptions, Years(series)).solve();
}

std::vector<LeftOut> leave_one_study_out(const std::vector<Series>& series, const PriorSet& assumptions) {
    check_series(series);
    const double volume2 = kDefaults.gland_between_log_sd * kDefaults.gland_between_log_sd;
    const Years years(series);
    std::vector<std::string> studies;
    for (const Series& row : series) {
        if (std::find(studies.begin(), studies.end(), row.study) == studies.end()) studies.push_back(row.study);
    }
    std::vector<LeftOut> out;
    for (const std::string& study : studies) {
        std::vector<Series> others, left;
        for (const Series& row : series) (row.study == study ? left : others).push_back(row);
        const std::vector<SeriesFigure> figures = figures_of(left);
        if (figures.empty()) continue;
        const PooledSeries pooled = Regression(others, assumptions, years).solve();
        for (const SeriesFigure& figure : figures) {
            const Series& row = left[static_cast<std::size_t>(figure.series)];
            const Predicted predicted = predict(pooled.mean, row, figure.column, spreads_of(assumptions), years);
            const Eigen::VectorXd slope = predicted.slope.head<kPooledUnknowns>();
            const double of_volume = predicted.slope[kVolume] * predicted.slope[kVolume] * volume2;
            const Eigen::Array2d levels = predicted.slope.segment<2>(kEnucleationLevel).array().square();
            const Eigen::Array2d of_surgeons = surgeons_between(assumptions).array() / surgeons_of(row) +
                                               (row.experience == Experience::novice ? pooled.first_cases : 0.0);
            const double of_units = slope.dot(pooled.between_of_range * slope) / units_of(row);
            const double variance = slope.dot(pooled.covariance * slope) + of_units + of_volume +
                                    (levels * of_surgeons).sum() + figure.variance;
            const double half = kNormal90 * std::sqrt(variance);
            out.push_back({row.id, row.study, std::string(figure.column), std::exp(figure.log_mean),
                           std::exp(predicted.value - half), std::exp(predicted.value),
                           std::exp(predicted.value + half)});
        }
    }
    return out;
}

}  // namespace lobetime
