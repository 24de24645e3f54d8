#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/fit/noise_law.hpp>
#include <lobetime/fit/spread_trend.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>
#include <lobetime/inference/fitted_model.hpp>
#include <lobetime/predict/prediction.hpp>

#include "simulated_unit.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <span>
#include <vector>

namespace lobetime {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

struct Truth {
    double per_log_volume = 0.0, per_inexperience = 0.0;
    double level = 0.9;        ///< the spread that the fit took is not quite right
    double rounding = 0.0;     ///< of 5 minutes, in units of the phase's spread, at 80 mL
    bool heavy_tails = false;  ///< t with 5 degrees of freedom
};

std::vector<ScatteredTime> drawn(std::size_t n, std::uint64_t seed, const Truth& truth) {
    const CounterRandom random(seed, stable_hash("scattered times"));
    std::vector<ScatteredTime> times;
    double own = 0.0, centre = 0.0;
    for (std::size_t i = 0; i < n; ++i) {
        const double log_v80 = 0.45 * random.normals(2 * i)[0];
        const double case_no = std::pow(300.0, random.uniforms(2 * i)[0]);
        // Shorter operations are rounded more coarsely.
        times.push_back({0.0, 1.0 / std::hypot(1.0, truth.rounding * std::exp(-log_v80)), log_v80,
                         1.0 / (1.0 + std::floor(case_no) / 12.0)});
        own += times[i].own * times[i].own;
        centre += times[i].own * times[i].own * log_v80;
    }
    centre /= own;
    for (std::size_t i = 0; i < n; ++i) {
        const auto z = random.normals(2 * i), w = random.normals(2 * i + 1);
        ScatteredTime& one = times[i];
        const double factor =
            std::exp(truth.per_log_volume * (one.log_v80 - centre) + truth.per_inexperience * (one.left - 0.4));
        const double tail = w[0] * w[0] + w[1] * w[1] + w[2] * w[2] + w[3] * w[3] + z[3] * z[3];
        const double noise = truth.heavy_tails ? z[1] * std::sqrt(3.0 / tail) : z[1];
        one.standardised = truth.level * (one.own * factor * noise + std::sqrt(1.0 - one.own * one.own) * z[2]);
    }
    return times;
}

struct Mean {
    double sum = 0.0, squares = 0.0, n = 0.0;
    void add(double x) { sum += x, squares += x * x, ++n; }
    double value() const { return sum / n; }
    double sd() const { return std::sqrt((squares - sum * sum / n) / (n - 1.0)); }
    double se() const { return sd() / std::sqrt(n); }
};

/// What is left of a slope that the prior, of this SD and centred on 0, draws towards 0.
double kept(double standard_error, double prior_sd) { return 1.0 - std::pow(standard_error / prior_sd, 2.0); }

TEST(SpreadTrend, FindsTheSlopesThatDrewTheTimes) {
    for (const double rounding : {0.0, 0.6}) {
        Mean volume, inexperience, volume_se, inexperience_se;
        for (std::uint64_t seed = 0; seed < 60; ++seed) {
            const SpreadTrend found = spread_trend(drawn(4000, seed, {0.3, 0.5, 0.9, rounding, false}));
            volume.add(found.per_log_volume);
            inexperience.add(found.per_inexperience);
            volume_se.add(found.per_log_volume_se);
            inexperience_se.add(found.per_inexperience_se);
        }
        EXPECT_NEAR(volume.value(), 0.3 * kept(volume_se.value(), 0.15), 4.0 * volume.se()) << rounding;
        EXPECT_NEAR(inexperience.value(), 0.5 * kept(inexperience_se.value(), 0.3), 4.0 * inexperience.se())
            << rounding;
        // Of 60 samples a standard deviation is known to a tenth.
        EXPECT_NEAR(volume_se.value(), volume.sd(), 0.35 * volume.sd()) << rounding;
        EXPECT_NEAR(inexperience_se.value(), inexperience.sd(), 0.35 * inexperience.sd()) << rounding;
    }
}

TEST(SpreadTrend, IsThatOfThePhasesOwnPart) {
    // Small glands' times are rounded the most coarsely; taken for the phase's own, that hides a third of the trend.
    Mean found, found_se, blind;
    for (std::uint64_t seed = 0; seed < 30; ++seed) {
        std::vector<ScatteredTime> times = drawn(4000, seed, {0.4, 0.0, 1.0, 0.8, false});
        const SpreadTrend trend = spread_trend(times);
        found.add(trend.per_log_volume);
        found_se.add(trend.per_log_volume_se);
        for (ScatteredTime& one : times) one.own = 1.0;
        blind.add(spread_trend(times).per_log_volume);
    }
    const double expected = 0.4 * kept(found_se.value(), 0.15);
    EXPECT_NEAR(found.value(), expected, 4.0 * found.se());
    EXPECT_LT(blind.value(), 0.75 * expected);
}

TEST(SpreadTrend, IsNoneInNineteenOfTwentyUnitsThatHaveNone) {
    constexpr int kUnits = 300;
    const auto four_sd = [](double n) { return 4.0 * std::sqrt(0.05 * 0.95 / n); };
    int all = 0;
    for (const auto& [n, heavy_tails] : {std::pair{60U, false}, {400U, false}, {400U, true}}) {
        int volume = 0, inexperience = 0;
        for (std::uint64_t unit = 0; unit < kUnits; ++unit) {
            const SpreadTrend found = spread_trend(drawn(n, 100 + unit, {0.0, 0.0, 0.9, 0.3, heavy_tails}));
            volume += found.per_log_volume != 0.0 ? 1 : 0;
            inexperience += found.per_inexperience != 0.0 ? 1 : 0;
            if (!found.shown()) {
                EXPECT_EQ(found.factor(0.7, 1.0), 1.0);
            }
        }
        EXPECT_NEAR(volume, 0.05 * kUnits, four_sd(kUnits) * kUnits) << n;
        EXPECT_NEAR(inexperience, 0.05 * kUnits, four_sd(kUnits) * kUnits) << n;
        all += volume + inexperience;
    }
    EXPECT_NEAR(all / (6.0 * kUnits), 0.05, four_sd(6.0 * kUnits));
}

TEST(SpreadTrend, OneGrossOutlierMakesNone) {
    constexpr int kUnits = 200;
    const auto grown = [](double size) {
        int shown = 0;
        for (std::uint64_t unit = 0; unit < kUnits; ++unit) {
            std::vector<ScatteredTime> times = drawn(60, unit, {0.0, 0.0, 1.0, 0.0, false});
            const auto by_gland = [](const auto& a, const auto& b) { return a.log_v80 < b.log_v80; };
            if (size > 0.0) std::max_element(times.begin(), times.end(), by_gland)->standardised = size;
            shown += spread_trend(times).per_log_volume > 0.0 ? 1 : 0;
        }
        return shown;
    };
    // Of the largest of 60 glands, the worst that there is. Squared as they are, 5.9 spreads would show in nearly all.
    const int without = grown(0.0);
    EXPECT_LE(grown(5.9), without + kUnits / 10);
    EXPECT_EQ(grown(5.9), grown(3.0)) << "counts as one at two spreads";
    for (const double slip : {6.1, 1e9, kInfinity}) EXPECT_LE(std::abs(grown(slip) - without), kUnits / 50) << slip;
}

TEST(SpreadTrend, NeedsTimesGlandsAndExperienceToTellOneFrom) {
    const std::vector<ScatteredTime> times = drawn(400, 5, {0.8, 0.8, 1.0, 0.0, false});
    const SpreadTrend both = spread_trend(times);
    EXPECT_GT(both.per_log_volume, 0.3);
    EXPECT_GT(both.per_inexperience, 0.2);

    EXPECT_FALSE(spread_trend({}).shown());
    EXPECT_EQ(spread_trend({}).centre_log_v80, 0.0);
    EXPECT_FALSE(spread_trend(std::span(times).first(19)).shown());

    const auto changed = [&](const std::function<void(ScatteredTime&)>& change) {
        std::vector<ScatteredTime> other = times;
        for (ScatteredTime& one : other) change(one);
        return spread_trend(other);
    };
    const SpreadTrend alike = changed([](ScatteredTime& one) { one.log_v80 *= 0.02; });
    EXPECT_EQ(alike.per_log_volume, 0.0);
    EXPECT_EQ(alike.per_log_volume_se, 0.0);
    EXPECT_GT(alike.per_inexperience, 0.2);
    const SpreadTrend experienced = changed([](ScatteredTime& one) { one.left = 1e-14; });
    EXPECT_GT(experienced.per_log_volume, 0.3);
    EXPECT_EQ(experienced.per_inexperience, 0.0);
    EXPECT_FALSE(changed([](ScatteredTime& one) { one.standardised = 0.0; }).shown());
    EXPECT_FALSE(changed([](ScatteredTime& one) { one.own = 0.0; }).shown());
}

TEST(SpreadTrend, RefusesWhatIsNotANumber) {
    const std::vector<ScatteredTime> good = drawn(50, 1, {});
    EXPECT_NO_THROW(spread_trend(good));
    for (double ScatteredTime::*field :
         {&ScatteredTime::standardised, &ScatteredTime::own, &ScatteredTime::log_v80, &ScatteredTime::left}) {
        std::vector<ScatteredTime> bad = good;
        bad[7].*field = std::nan("");
        EXPECT_THROW(spread_trend(bad), NotFinite);
    }
    for (double ScatteredTime::*field : {&ScatteredTime::log_v80, &ScatteredTime::left}) {
        std::vector<ScatteredTime> bad = good;
        bad[7].*field = -kInfinity;
        EXPECT_THROW(spread_trend(bad), NotFinite);
    }
    for (const double own : {-0.1, 1.1}) {
        std::vector<ScatteredTime> bad = good;
        bad[7].own = own;
        EXPECT_THROW(spread_trend(bad), NotFinite);
    }
}

TEST(SpreadTrend, MovesTheOwnPartOfARowAlone) {
    SpreadTrend trend;
    trend.per_log_volume = 0.5;
    trend.centre_log_v80 = 0.2;
    EXPECT_DOUBLE_EQ(trend.factor(0.2, 0.0), 1.0);
    EXPECT_DOUBLE_EQ(trend.factor(1.2, 0.0), std::exp(0.5));
    const auto relative = [&](double own) { return ScatteredTime{1.0, own, 1.2, 0.0}.relative_spread(trend); };
    EXPECT_DOUBLE_EQ(relative(1.0), std::exp(0.5));
    EXPECT_DOUBLE_EQ(relative(0.0), 1.0);
    EXPECT_DOUBLE_EQ(relative(0.6), std::sqrt(0.64 + 0.36 * std::exp(1.0)));
}

/// A unit whose enucleation times scatter the more the larger the gland: twice the slope as wide at e times the volume.
CaseTable growing_unit(double per_log_volume, std::size_t n_cases) {
    testing::UnitOptions options;
    options.n_cases = n_cases;
    testing::SimulatedUnit unit = testing::simulate_unit(options);
    const std::vector<CaseFeatures> features = case_features(unit.cases, unit.layout);
    for (std::size_t i = 0; i < n_cases; ++i) {
        const CaseFeatures& f = features[i];
        const double* theta = unit.truth.data();
        const double median =
            formulas::enucleation_min(theta, f, theta[unit.layout.surgeon_enucleation_index(f.surgeon)],
                                      testing::level_of(unit.truth, unit.layout.surgeon_learning_index(f.surgeon)));
        const double before = unit.cases.enucleation_min[i];
        const double after = median * std::pow(before / median, std::exp(per_log_volume * f.log_v80));
        unit.cases.enucleation_min[i] = after;
        unit.cases.operative_min[i] += after - before;
        unit.cases.theatre_min[i] += after - before;
    }
    return unit.cases;
}

TEST(SpreadTrend, OfAFitIsThatOfThePhaseThatHasOne) {
    const TheatreTimeFit fit = fit_theatre_time(growing_unit(0.6, 1500), published_prior());
    const auto channel = [&](Channel c) { return fit.channels[static_cast<std::size_t>(c)]; };
    const SpreadTrend& found = channel(Channel::enucleation).trend;
    EXPECT_NEAR(found.per_log_volume, 0.6 * kept(found.per_log_volume_se, 0.15), 4.0 * found.per_log_volume_se);
    EXPECT_EQ(found.per_inexperience, 0.0);
    EXPECT_NEAR(found.centre_log_v80, std::log(75.0 / 80.0), 0.05);
    for (const Channel c : {Channel::tissue, Channel::haemostasis, Channel::morcellation, Channel::room,
                            Channel::operative, Channel::theatre})
        EXPECT_FALSE(channel(c).trend.shown()) << channel_name(c);
    // In spreads of its own, each case's noise is the normal that it was drawn from; quantiles at 2 have errors of
    // 0.07.
    for (const double z : {-2.0, -1.0, 0.0, 1.0, 2.0}) EXPECT_NEAR(channel(Channel::enucleation).law(z), z, 0.25) << z;
}

TEST(SpreadTrend, OfSumsOrWithoutAHistoryIsNone) {
    CaseTable cases = growing_unit(0.6, 400);
    for (auto* column : {&cases.enucleation_min, &cases.morcellation_min, &cases.operative_min})
        std::fill(column->begin(), column->end(), std::nan(""));
    for (const ChannelFit& channel : fit_theatre_time(cases, published_prior()).channels)
        EXPECT_FALSE(channel.trend.shown());
    for (const ChannelFit& channel : model_from_prior(published_prior()).channels) EXPECT_FALSE(channel.trend.shown());
}

/// Minutes of enucleation, case by case and draw by draw.
std::vector<double> enucleation(const FittedModel& model, const CaseTable& bookings, int threads = 1) {
    PredictOptions options;
    options.draws = 200;
    options.threads = threads;
    const Prediction prediction = predict(model, bookings, options);
    std::vector<double> minutes(prediction.n_cases * prediction.n_draws);
    for (std::size_t k = 0; k < minutes.size(); ++k) minutes[k] = prediction.minutes[k * kPhases];
    return minutes;
}

TEST(SpreadTrend, WidensAPredictionByTheCasesOwnFactor) {
    CaseTable bookings(4);
    bookings.gland_ml = {80.0, 160.0, 80.0, 80.0};
    bookings.surgeon_case_no = {1.0, 1e9, 7.0, std::nan("")};  // the last is drawn
    FittedModel with = model_from_prior(published_prior());
    with.covariance.setZero();
    with.surgeon_learning.log_sd = 1e-9;  // so that a median tells the experience
    ChannelFit& channel = with.channels[static_cast<std::size_t>(Channel::enucleation)];
    channel.spread_log_se = 0.0;
    FittedModel medians = with, without = with;
    medians.channels[static_cast<std::size_t>(Channel::enucleation)].spread = 1e-9;
    channel.trend.per_log_volume = 0.4;
    channel.trend.per_inexperience = 0.5;
    channel.trend.centre_log_v80 = 0.1;

    const std::vector<double> wide = enucleation(with, bookings), even = enucleation(without, bookings),
                              middle = enucleation(medians, bookings);
    const double e_learn = with.theta[param::e_learn], half = std::exp(with.theta[param::e_half]);
    const double plateau = with.theta[param::e_fixed] + std::exp(with.theta[param::e_80]);
    double least = 2.0, most = 0.0;
    for (std::size_t d = 0; d < 200; ++d) {
        const auto factor = [&](std::size_t i) {
            const std::size_t k = i * 200 + d;
            return std::log(wide[k] / middle[k]) / std::log(even[k] / middle[k]);
        };
        EXPECT_NEAR(factor(0), std::exp(0.5 - 0.04), 1e-4);
        EXPECT_NEAR(factor(1), std::exp(0.4 * (std::log(2.0) - 0.1)), 1e-4);
        EXPECT_NEAR(factor(2), std::exp(0.5 / (1.0 + 6.0 / half) - 0.04), 1e-4);
        // Experience that is not known is that of the draw, which its median tells, the surgeon's level taken out.
        const double level = middle[d] / (plateau * (1.0 + e_learn));
        const double left = (middle[3 * 200 + d] / (plateau * level) - 1.0) / e_learn;
        EXPECT_NEAR(factor(3), std::exp(0.5 * left - 0.04), 1e-3);
        least = std::min(least, left);
        most = std::max(most, left);
    }
    EXPECT_LT(least, 0.1);
    EXPECT_GT(most, 0.9);
    EXPECT_EQ(enucleation(with, bookings, 3), wide);
}

}  // namespace
}  // namespace lobetime
