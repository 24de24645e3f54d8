#include <lobetime/core/normal.hpp>
#include <lobetime/evidence/meta_regression.hpp>
#include <lobetime/evidence/pooling.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/evidence/rates.hpp>

#include <algorithm>
#include <cmath>
#include <limits>
#include <sstream>

namespace lobetime {
namespace {

constexpr auto kPublished = NumberOrigin::published;
constexpr auto kPractice = NumberOrigin::common_practice;
constexpr auto kAssumption = NumberOrigin::assumption;

/// From this share of what was not known explained on, the series have moved a number at all.
constexpr double kMoved = 0.02;
constexpr double kMostly = 0.5;
constexpr double kUpper90 = 0.95;

}  // namespace

const PriorSet& assumed_prior() {
    static const PriorSet assumed = [] {
        PriorSet prior;
        // clang-format off
    prior.parameters = {
        // name, centre, 5 %, 95 %, origin, source
        {"yield_g_80", 55.0, 40.0, 75.0, kAssumption, "where the search starts: its mean and spread are the series' alone"},
        {"yield_exponent", 1.1, 0.9, 1.3, kAssumption, "the share of a gland that is retrieved rises somewhat with its size"},
        {"e_fixed", 13.5, 5.0, 22.0, kPublished,
         "operative time is close to 38.7 + 0.81 V min (J Endourol 2004;18:183-8): a large part does not grow with "
         "volume, 32 min for a unit of average speed, as that one is 1.2 times slower than the pooled series; the share "
         "of it inside enucleation is an assumption"},
        {"e_80", 34.0, 16.0, 72.0, kAssumption, "where the search starts: its mean and spread are the series' alone"},
        {"e_exponent", 1.0, 0.8, 1.2, kPublished,
         "operative time of three volume strata is linear in volume (J Endourol 2004;18:183-8)"},
        {"e_learn", 1.3, 0.6, 2.0, kPublished,
         "1.11 to 1.62 g/min from cases 1-10 to 31-40 (Int Braz J Urol, n = 90)"},
        {"e_half", 12.0, 5.0, 28.8, kPublished,
         "plateau at 30-40 cases (World J Urol 2021;39:2427, 17 papers), range 20-60, taken as where ten more cases change "
         "the time by 5 %"},
        {"e_trainee", 0.14, 0.02, 0.26, kPublished,
         "with a resident 57 against 46 min (laser on the prostate, n = 79; Urology 2013;81:629-32, doi "
         "10.1016/j.urology.2012.09.059) and 208 against 183 (n = 5,087; World J Urol 2015;33:793-9, doi "
         "10.1007/s00345-014-1356-8), five urological operations 10-21 % longer in teaching hospitals (n = 114,225; Can "
         "Urol Assoc J 2016;10:172-8, doi 10.5489/cuaj.3737): log ratios of 0.21, 0.13 and 0.10-0.19, weighted by their "
         "errors; that they hold for enucleation, and the width, an SD nearly twice that of the five operations, are "
         "assumptions"},
        {"h_min", 12.0, 5.0, 28.0, kAssumption,
         "operative time less enucleation and morcellation; no series reports all three"},
        {"h_anticoagulated", 0.10, -0.20, 0.40, kAssumption, "no published figure"},
        {"rate_50", 5.6, 2.9, 10.8, kAssumption, "where the search starts: its mean and spread are the series' alone"},
        {"rate_exponent", 0.2, -0.05, 0.45, kPublished,
         "efficiency rises with size, R2 0.56 (J Endourol 2005;19:555-8), which with log SDs of 0.45 and 0.61 is a power "
         "of 0.55, fixed minutes included; the amount is an assumption"},
        {"blade_oscillating", 0.12, -0.16, 0.40, kPublished,
         "head-to-head differences 0.75 g/min, -0.46 to 1.97, of 3.95 (a log ratio of 0.17) and 1.02 min, -1.37 to 3.41, "
         "of some 15 (0.07), doi 10.1177/08927790261457170: their mean"},
        {"suction_peristaltic", -0.20, -0.48, 0.08, kPractice, "a bit slower than a vacuum; no source"},
        {"suction_wall", -0.30, -0.90, 0.30, kPractice, "rarely strong enough; no source"},
        {"m_learn", 0.4, 0.0, 0.8, kPublished,
         "weak or over by about 20 cases (J Urol 2017, PMID 28456634); 1.73 g/min in first cases (Korean J Urol "
         "2010;51:688)"},
        {"m_half", 8.0, 3.0, 21.0, kAssumption, "over by about 20 cases"},
        {"m_fixed", 1.5, 0.5, 4.5, kAssumption, "changing over, first and last piece"},
        {"swap_min", 2.0, 0.4, 3.6, kAssumption, "no published timing of a canister swap"},
        {"carry_over_ml", 250.0, 80.0, 800.0, kAssumption, "fluid drawn before the first bite"},
        {"flow_vacuum", 350.0, 190.0, 650.0, kAssumption,
         "whole-case irrigation runs at 370-380 mL/min (regional meeting abstract 2021, n = 95); that it holds during "
         "morcellation is an assumption"},
        {"flow_peristaltic", 300.0, 150.0, 600.0, kAssumption, "a pump takes somewhat less than a vacuum"},
        {"flow_wall", 250.0, 100.0, 600.0, kAssumption, "weaker suction takes less"},
        {"fluid_log_sd", 0.35, 0.20, 0.60, kAssumption, "spread of fluid between like cases"},
        {"m_trainee", 0.07, -0.07, 0.21, kAssumption,
         "no published figure; an assumption: half of that of enucleation, as experience, which shortens that, left "
         "morcellation as it was (J Urol 2017, PMID 28456634)"},
        {"m_hard_nodule", 0.4054651081081644, 0.0384, 0.7725, kAssumption,
         "blade time 1.5 times (1.04 to 2.2) with hard nodules"},
        {"fault_min", 14.0, 2.0, 26.0, kAssumption, "delay until a failed device runs again or is replaced"},
        {"room_min", 56.0, 37.0, 85.0, kPublished,
         "induction 19, preparation 13, emergence 12, transfer 12 min (n = 548, ISRN Surg 2014, doi "
         "10.1155/2014/431740); the width is an assumption"},
        {"room_spinal", 0.0, -0.10, 0.10, kPublished,
         "total room time equal under spinal and general anaesthetic (n = 500); the width is an assumption"},
    };
    prior.spreads = {
        // log SD of one case about its median; of sums: multiple of what the phases' spreads predict
        {"tissue", 0.20, 0.12, 0.35, kAssumption, "between like glands"},
        {"enucleation", 0.265, 0.177, 0.398, kPublished,
         "0.30 (0.20-0.45) after volume and unit, less what two surgeons' levels explain, taken as the same share of it "
         "in every series (assumption)"},
        {"haemostasis", 0.40, 0.22, 0.70, kAssumption, "residual of the rest of the operation"},
        {"morcellation", 0.357, 0.278, 0.476, kPublished,
         "0.45 (0.35-0.60) after volume and unit, less what tissue, hard nodules and two surgeons' levels explain, taken "
         "as the same share of it in every series (assumption)"},
        {"room", 0.30, 0.18, 0.48, kPublished,
         "SDs 9, 8, 8, 9 min of the four parts (ISRN Surg 2014), taken as independent"},
        {"operative", 1.0, 0.65, 1.5, kAssumption, "phases together scatter as their spreads say"},
        {"theatre", 1.0, 0.65, 1.5, kAssumption, "phases together scatter as their spreads say"},
    };
    prior.fault_rates = {{"other", 1.0, 30.0, kAssumption, "no studies"}};
        // clang-format on
        return prior;
    }();
    return assumed;
}

namespace {

std::string listed(const std::vector<std::string>& words) {
    std::string out;
    for (const std::string& word : words) out += (out.empty() ? "" : ", ") + word;
    return out;
}

std::string three_digits(double value) {
    std::ostringstream out;
    out.precision(3);
    out << value;
    return out.str();
}

Body body_of(const PooledSeries& pooled, int p) {
    Body body;
    body.studies = pooled.studies[p];
    body.cases = pooled.cases[p];
    body.i2_percent = pooled.i2_percent[p];
    body.direct_share = pooled.direct_share[p];
    body.randomised_share = pooled.randomised_share[p];
    return body;
}

/// What ten years' later publication multiplies enucleation time by; the range is that of the mean, for units are not
/// assumed to differ in it.
PooledFigure enucleation_trend(const PooledSeries& pooled) {
    constexpr int p = kEnucleationTrend;
    const Body body = body_of(pooled, p);
    const Grading grading = grade_of(body);
    const double half = normal_quantile(kUpper90) * std::sqrt(pooled.covariance(p, p));
    return {"enucleation_trend",
            "ratio per decade",
            "the same meta-regression, a trend with the year of publication",
            body.studies,
            body.cases,
            std::numeric_limits<double>::quiet_NaN(),
            std::exp(pooled.mean[p]),
            std::exp(pooled.mean[p] - half),
            std::exp(pooled.mean[p] + half),
            0.0,
            body.i2_percent,
            grading.grade,
            grading.reasons,
            listed(pooled.behind[static_cast<std::size_t>(p)])};
}

/// One core parameter as the series leave it.
void take(const PooledSeries& pooled, int p, PublishedEvidence& evidence) {
    const auto at = static_cast<std::size_t>(p);
    const ParameterDefinition& definition = core_parameters()[at];
    ParameterPrior& row = evidence.prior.parameters[at];
    if (!(pooled.told[p] >= kMoved)) return;
    const double half = normal_quantile(kUpper90) * std::sqrt(pooled.new_unit_variance(p));
    const auto natural = [&](double working) { return to_natural(definition.transform, working); };
    const std::string was = three_digits(row.centre);
    row.centre = natural(pooled.mean[p]);
    row.low = natural(pooled.mean[p] - half);
    row.high = natural(pooled.mean[p] + half);
    if (pooled.told[p] < kMostly || pooled.direct_share[p] == 0.0) {
        row.source += "; the pooled series move it from " + was + " to " + three_digits(row.centre);
        return;
    }
    const Body body = body_of(pooled, p);
    const Grading grading = grade_of(body);
    const bool level = std::find(kPooledLevels.begin(), kPooledLevels.end(), p) != kPooledLevels.end();
    const std::string between = level ? "REML" : "assumed";
    row.origin = NumberOrigin::published;
    row.source = "random-effects meta-regression of the series (spread between units " + between + " " +
                 three_digits(std::sqrt(pooled.between(p, p))) + "): " + std::to_string(body.studies) + " studies, " +
                 std::to_string(static_cast<long>(body.cases)) + " cases, grade " +
                 std::string(grade_name(grading.grade)) + ": " + listed(pooled.behind[at]);
    evidence.figures.push_back({std::string(definition.name), std::string(definition.unit),
                                "nonlinear random-effects meta-regression, spread between units " + between,
                                body.studies, body.cases, std::numeric_limits<double>::quiet_NaN(), row.centre, row.low,
                                row.high, std::sqrt(pooled.between(p, p)), body.i2_percent, grading.grade,
                                grading.reasons, listed(pooled.behind[at])});
}

/// Correlations of a new unit's parameters: of what is not known of the means of units, and of how units differ.
Eigen::MatrixXd joint(const PooledSeries& pooled, const PriorSet& prior) {
    const Eigen::MatrixXd about_new_unit =
        (pooled.covariance + pooled.between_of_range).topLeftCorner<param::Count, param::Count>();
    Eigen::VectorXd sd(param::Count);
    for (int p = 0; p < param::Count; ++p) sd[p] = prior.parameters[static_cast<std::size_t>(p)].working_sd();
    const Eigen::MatrixXd scaled = sd.cwiseInverse().asDiagonal() * about_new_unit * sd.cwiseInverse().asDiagonal();
    Eigen::MatrixXd correlation = 0.5 * (scaled + scaled.transpose());
    correlation.diagonal().setOnes();
    return correlation;
}

RatePrior rate_prior(const std::string& name, const std::vector<RateCounts>& rows) {
    const PooledRate pooled = pool_rates(rows);
    const auto [events, cases] = pooled.pseudo_counts();
    bool sourced = true;
    std::string sources;
    for (const RateCounts& row : rows) {
        sourced = sourced && row.sourced;
        sources += (sources.empty() ? "" : "; ") + row.citation;
    }
    return {name, events, cases, sourced ? kPublished : kPractice, pooled.method() + " of: " + sources};
}

}  // namespace

PublishedEvidence published_evidence(const std::vector<Series>& extra) {
    std::vector<Series> series = published_series();
    series.insert(series.end(), extra.begin(), extra.end());
    const PooledSeries pooled = pool_series(series, assumed_prior());
    PublishedEvidence out;
    out.prior = assumed_prior();
    for (int p = 0; p < param::Count; ++p) take(pooled, p, out);
    out.prior.correlation = joint(pooled, out.prior);
    out.figures.push_back(enucleation_trend(pooled));
    std::vector<RatePrior> rates;
    for (const std::string device : {"reciprocating/vacuum", "oscillating/vacuum", "oscillating/peristaltic"})
        rates.push_back(rate_prior(device, published_rates("malfunction", device)));
    out.prior.fault_rates.insert(out.prior.fault_rates.begin(), rates.begin(), rates.end());
    out.prior.hard_nodule_rate = rate_prior("hard_nodule", published_rates("hard_nodule", "any"));
    if (!extra.empty()) {
        std::vector<std::string> ids;
        ids.reserve(extra.size());
        for (const Series& row : extra) ids.push_back(row.id);
        out.prior.label = "published, with own rows " + listed(ids);
    }
    return out;
}

const PriorSet& published_prior() {
    static const PriorSet prior = published_evidence().prior;
    return prior;
}

}  // namespace lobetime
