#include <lobetime/cases/visit_columns.hpp>
#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/model/formulas.hpp>
#include <lobetime/predict/prediction.hpp>

#include "simulated_unit.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <set>
#include <stdexcept>
#include <thread>

namespace lobetime {
namespace {

using ::testing::AllOf;
using ::testing::Contains;
using ::testing::IsEmpty;
using ::testing::Not;
using ::testing::UnorderedElementsAre;

constexpr double kInfinite = std::numeric_limits<double>::infinity();

const FittedModel& fitted() {
    static const FittedModel model = [] {
        lobetime::testing::UnitOptions options;
        options.n_cases = 500;
        options.with_wall_suction = false;
        const CaseTable cases = lobetime::testing::simulate_unit(options).cases;
        const PriorSet prior = published_prior();
        return model_from_fit(fit_theatre_time(cases, prior), cases, prior, {});
    }();
    return model;
}

const FittedModel& prior_alone() {
    static const FittedModel model = model_from_prior(published_prior());
    return model;
}

/// Bookings in which everything is known to `fitted()`: nothing to flag.
CaseTable bookings(std::size_t n) {
    CaseTable cases(n);
    for (std::size_t i = 0; i < n; ++i) {
        cases.case_id[i] = "booking " + std::to_string(i);
        cases.gland_ml[i] = 50.0 + 15.0 * static_cast<double>(i % 6);
        cases.surgeon[i] = std::string(1, static_cast<char>('A' + static_cast<char>(i % 3)));
        cases.blade[i] = BladeMotion::oscillating;
        cases.suction[i] = Suction::vacuum;
        cases.device[i] = "D1";
        cases.canister_ml[i] = 2000.0;
        cases.hard_nodule[i] = 0.0;
        cases.anaesthesia[i] = Anaesthesia::general;
    }
    return cases;
}

PredictOptions with(int draws, std::uint64_t seed = 1, int threads = 0) {
    PredictOptions options;
    options.draws = draws;
    options.seed = seed;
    options.threads = threads;
    return options;
}

std::vector<double> totals(const Prediction& p, std::size_t i) {
    std::vector<double> all(p.n_draws);
    for (std::size_t d = 0; d < p.n_draws; ++d) all[d] = p.total(i, d);
    return all;
}

std::vector<double> phase(const Prediction& p, std::size_t i, std::size_t phase_index) {
    std::vector<double> all(p.n_draws);
    for (std::size_t d = 0; d < p.n_draws; ++d) all[d] = p.minutes[(i * p.n_draws + d) * kPhases + phase_index];
    return all;
}

double median(std::vector<double> values) {
    std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2), values.end());
    return values[values.size() / 2];
}

double mean(const std::vector<double>& values) {
    double sum = 0.0;
    for (const double one : values) sum += one;
    return sum / static_cast<double>(values.size());
}

double log_correlation(const std::vector<double>& a, const std::vector<double>& b) {
    double sa = 0.0, sb = 0.0, saa = 0.0, sbb = 0.0, sab = 0.0;
    for (std::size_t i = 0; i < a.size(); ++i) {
        const double x = std::log(a[i]), y = std::log(b[i]);
        sa += x, sb += y, saa += x * x, sbb += y * y, sab += x * y;
    }
    const double n = static_cast<double>(a.size());
    return (sab - sa * sb / n) / std::sqrt((saa - sa * sa / n) * (sbb - sb * sb / n));
}

std::vector<Flag> flags_of(const FittedModel& model, const std::function<void(CaseTable&)>& change) {
    CaseTable one = bookings(1);
    change(one);
    return predict(model, one, with(100)).flags[0];
}

TEST(Predict, GivesPositiveMinutesForEveryCaseDrawAndPhase) {
    for (const FittedModel* model : {&fitted(), &prior_alone()}) {
        const Prediction p = predict(*model, bookings(7), with(500));
        EXPECT_EQ(p.n_cases, 7U);
        EXPECT_EQ(p.n_draws, 500U);
        ASSERT_EQ(p.minutes.size(), 7U * 500U * kPhases);
        ASSERT_EQ(p.swaps.size(), 7U * 500U);
        EXPECT_TRUE(
            std::all_of(p.minutes.begin(), p.minutes.end(), [](double m) { return m > 0.0 && std::isfinite(m); }));
        EXPECT_TRUE(
            std::all_of(p.swaps.begin(), p.swaps.end(), [](double s) { return s >= 0.0 && s == std::floor(s); }));
    }
}

std::vector<double> even_places(std::size_t n) {
    std::vector<double> places(n);
    for (std::size_t i = 0; i < n; ++i) places[i] = (static_cast<double>(i) + 1.0) / static_cast<double>(n + 1);
    return places;
}

TEST(Predict, HeldOutCasesThatWereRightChangeLittle) {
    FittedModel model = fitted();
    const std::vector<double> before = totals(predict(model, bookings(1), with(2000)), 0);
    model.held_out = {15, even_places(199)};
    const Prediction corrected = predict(model, bookings(1), with(2000));
    EXPECT_EQ(corrected.held_out_cases, 199U);
    const std::vector<double> after = totals(corrected, 0);
    EXPECT_NEAR(median(after), median(before), 0.02 * median(before));
    for (std::size_t d = 0; d < after.size(); ++d) {
        // Ranks are kept: a case that was long stays long.
        for (const std::size_t e : {d / 2, d / 3}) {
            if (before[d] < before[e]) {
                EXPECT_LE(after[d], after[e] * (1.0 + 1e-12));
            }
        }
    }
}

TEST(Predict, HeldOutCasesCoverAsPromised) {
    // Outcomes that fell at the square root of where they should have: predictions were too short.
    FittedModel model = fitted();
    std::vector<double> places = even_places(199);
    for (double& one : places) one = std::sqrt(one);
    model.held_out = {15, places};
    PredictOptions off = with(4000);
    off.conformal = false;
    std::vector<double> before = totals(predict(model, bookings(1), off), 0);
    std::vector<double> after = totals(predict(model, bookings(1), with(4000)), 0);
    std::sort(before.begin(), before.end());
    std::sort(after.begin(), after.end());
    const std::size_t rank = static_cast<std::size_t>(std::sqrt(0.8) * 4000.0);
    EXPECT_NEAR(after[3199], before[rank], 0.01 * before[rank]);
}

TEST(Predict, CorrectsOnlyWhatWasHeldOut) {
    FittedModel model = fitted();
    model.held_out = {5, std::vector<double>(150, 0.9)};  // enucleation and morcellation
    PredictOptions off = with(500);
    off.conformal = false;
    const Prediction before = predict(model, bookings(1), off), after = predict(model, bookings(1), with(500));
    EXPECT_EQ(before.held_out_cases, 0U);
    EXPECT_EQ(phase(after, 0, 1), phase(before, 0, 1));
    EXPECT_EQ(phase(after, 0, 3), phase(before, 0, 3));
    EXPECT_GT(median(phase(after, 0, 0)), median(phase(before, 0, 0)));
}

TEST(Predict, FewHeldOutCasesCorrectOnlyWhenAsked) {
    FittedModel model = fitted();
    PredictOptions on = with(500);
    on.conformal = true;
    EXPECT_THROW(predict(model, bookings(1), on), InvalidArgument);
    model.held_out = {15, std::vector<double>(99, 0.9)};
    EXPECT_EQ(predict(model, bookings(1), with(500)).held_out_cases, 0U);
    EXPECT_EQ(predict(model, bookings(1), on).held_out_cases, 99U);
}

TEST(Predict, HardNodulesTravelWithBigGlands) {
    const FittedModel model = model_from_prior(published_prior());
    EXPECT_LT(model.hard_nodule_chance(40.0), model.hard_nodule_chance(80.0));
    EXPECT_LT(model.hard_nodule_chance(80.0), model.hard_nodule_chance(200.0));
    // The mean over log-normal glands about 80 mL is the published rate.
    double mean_chance = 0.0;
    for (int k = 0; k < 2000; ++k)
        mean_chance += model.hard_nodule_chance(80.0 * std::exp(0.5 * normal_quantile((k + 0.5) / 2000.0))) / 2000.0;
    EXPECT_NEAR(mean_chance, model.hard_nodule_rate.mean(), 0.002);
}

TEST(Predict, SameSeedGivesTheSameNumbersAtAnyThreadCount) {
    const CaseTable cases = bookings(9);
    const Prediction one = predict(fitted(), cases, with(300, 5, 1));
    for (const int threads : {0, 2, 4, 16}) {
        const Prediction other = predict(fitted(), cases, with(300, 5, threads));
        EXPECT_EQ(other.minutes, one.minutes) << threads;
        EXPECT_EQ(other.swaps, one.swaps) << threads;
    }
    EXPECT_NE(predict(fitted(), cases, with(300, 6)).minutes, one.minutes);
}

TEST(Predict, ACaseKeepsItsDrawsInAnyOrderAndCompany) {
    CaseTable cases = bookings(8);
    cases.surgeon[2] = "new";
    cases.blade[3] = BladeMotion::unknown;
    cases.device[4] = "new device";
    cases.surgeon[5] = "";
    for (const FittedModel* model : {&fitted(), &prior_alone()}) {
        const Prediction all = predict(*model, cases, with(200));
        const std::vector<std::size_t> order = {6, 2, 5, 3, 4};
        const Prediction some = predict(*model, take(cases, order), with(200));
        for (std::size_t k = 0; k < order.size(); ++k) {
            EXPECT_EQ(totals(some, k), totals(all, order[k])) << order[k];
            EXPECT_EQ(some.flags[k], all.flags[order[k]]);
            EXPECT_EQ(some.explanations[k].volume_min, all.explanations[order[k]].volume_min);
        }
    }
}

TEST(Predict, MoreDrawsBeginWithTheSameOnes) {
    const Prediction few = predict(fitted(), bookings(2), with(150)), many = predict(fitted(), bookings(2), with(600));
    for (std::size_t i = 0; i < 2; ++i) {
        for (std::size_t d = 0; d < 150; ++d) {
            // The parameter draws go through one matrix product, whose rounding may depend on its size.
            EXPECT_NEAR(few.total(i, d), many.total(i, d), 1e-9 * many.total(i, d));
        }
    }
}

TEST(Predict, BlankIdsAreToldApartByPosition) {
    CaseTable cases = bookings(2);
    cases.case_id = {"", ""};
    cases.gland_ml = {80.0, 80.0};
    cases.surgeon = {"A", "A"};
    const Prediction p = predict(fitted(), cases, with(200));
    EXPECT_NE(totals(p, 0), totals(p, 1));
}

TEST(Predict, ABeginnerWhomNobodyKnowsLearnsAsSurgeonsDiffer) {
    // Without any other noise the minutes of a draw tell the surgeon's level of learning, the same at each case number.
    FittedModel model = fitted();
    model.covariance.setZero();
    for (ChannelFit& one : model.channels) {
        one.spread = 1e-9;
        one.spread_log_se = 0.0;
    }
    model.surgeon_learning = {0.5, 0.0, 2};
    CaseTable cases = bookings(3);
    cases.surgeon.assign(3, "new");
    cases.surgeon_case_no = {1.0, 21.0, 1e12};
    cases.gland_ml.assign(3, 80.0);
    const Prediction p = predict(model, cases, with(20000));
    const std::vector<double> first = phase(p, 0, 0), later = phase(p, 1, 0), plateau = phase(p, 2, 0);
    const double e_learn = model.theta[param::e_learn],
                 left = 1.0 / (1.0 + 20.0 / std::exp(model.theta[param::e_half]));
    double sum = 0.0, squares = 0.0;
    for (std::size_t d = 0; d < first.size(); ++d) {
        const double extra = first[d] / plateau[d] - 1.0;
        EXPECT_NEAR(later[d] / plateau[d] - 1.0, extra * left, 1e-6 * extra);
        sum += std::log(extra / e_learn);
        squares += std::pow(std::log(extra / e_learn), 2);
    }
    const double n = static_cast<double>(first.size());
    EXPECT_NEAR(sum / n, 0.0, 4.0 * 0.5 / std::sqrt(n));
    EXPECT_NEAR(std::sqrt(squares / n), 0.5, 4.0 * 0.5 / std::sqrt(2.0 * n));
}

TEST(Predict, MediansAreThoseOfTheFormulas) {
    // A model without uncertainty and without spread of its parameters: medians of draws are the formulas.
    FittedModel model = fitted();
    model.covariance.setZero();
    for (ChannelFit& one : model.channels) one.spread_log_se = 0.0;
    CaseTable cases = bookings(4);
    cases.surgeon_case_no = {1.0, 12.0, 50.0, 300.0};
    cases.canister_ml.assign(4, kInfinite);
    const Prediction p = predict(model, cases, with(40000));
    const auto features = case_features(cases, model.layout);
    for (std::size_t i = 0; i < 4; ++i) {
        const CaseFeatures& f = features[i];
        const double* theta = model.theta.data();
        const double blade = formulas::blade_min(theta, f, formulas::log_tissue(theta, f),
                                                 theta[model.layout.surgeon_morcellation_index(f.surgeon)],
                                                 theta[model.layout.device_index(f.device)]);
        const int learning = model.layout.surgeon_learning_index(f.surgeon);
        const double expected[] = {
            formulas::enucleation_min(theta, f, theta[model.layout.surgeon_enucleation_index(f.surgeon)],
                                      learning >= 0 ? theta[learning] : 0.0),
            formulas::haemostasis_min(theta, f), formulas::morcellation_min(theta, f, blade, 0.0),
            formulas::room_min(theta, f)};
        for (std::size_t k = 0; k < kPhases; ++k) {
            // Median of 40,000 draws with log SD up to 0.35: standard error 0.0022; morcellation's median is moved a
            // little by tissue and by a fault in some 3 % of cases.
            EXPECT_NEAR(median(phase(p, i, k)) / expected[k], 1.0, k == 2 ? 0.03 : 0.01) << i << " " << k;
        }
    }
}

TEST(Predict, SpreadsOfTheDrawsAreTheModels) {
    FittedModel model = fitted();
    model.covariance.setZero();
    for (ChannelFit& one : model.channels) one.spread_log_se = 0.0, one.law = NoiseLaw{}, one.trend = SpreadTrend{};
    model.phase_correlation = 0.6;
    const Prediction p = predict(model, bookings(1), with(40000));
    const auto log_sd = [](const std::vector<double>& values) {
        double sum = 0.0, square = 0.0;
        for (const double one : values) sum += std::log(one), square += std::log(one) * std::log(one);
        const double n = static_cast<double>(values.size());
        return std::sqrt(square / n - sum * sum / n / n);
    };
    const auto spread = [&](Channel c) { return model.channels[static_cast<std::size_t>(c)].spread; };
    EXPECT_NEAR(log_sd(phase(p, 0, 0)), spread(Channel::enucleation), 0.005);
    EXPECT_NEAR(log_sd(phase(p, 0, 1)), spread(Channel::haemostasis), 0.007);
    EXPECT_NEAR(log_sd(phase(p, 0, 3)), spread(Channel::room), 0.005);
    EXPECT_GT(log_sd(phase(p, 0, 2)), spread(Channel::morcellation)) << "tissue, swaps and faults come on top";
    EXPECT_NEAR(log_correlation(phase(p, 0, 0), phase(p, 0, 1)), 0.0, 0.025);
    EXPECT_GT(log_correlation(phase(p, 0, 0), phase(p, 0, 2)), 0.2);
}

TEST(Predict, CasesOfOneSurgeonShareThatSurgeonsDraws) {
    // An unseen surgeon: the level is drawn, once a draw for all of their cases.
    FittedModel model = prior_alone();
    for (ChannelFit& one : model.channels) one.spread = 1e-3, one.spread_log_se = 0.0;
    model.covariance.setZero();
    CaseTable cases = bookings(3);
    cases.surgeon = {"new", "new", "other"};
    const Prediction p = predict(model, cases, with(4000));
    EXPECT_GT(log_correlation(phase(p, 0, 0), phase(p, 1, 0)), 0.99);
    EXPECT_LT(std::abs(log_correlation(phase(p, 0, 0), phase(p, 2, 0))), 0.08);
}

TEST(Predict, CasesShareParameterDraws) {
    FittedModel model = prior_alone();
    for (ChannelFit& one : model.channels) one.spread = 1e-3, one.spread_log_se = 0.0;
    CaseTable cases = bookings(2);
    cases.surgeon = {"one", "other"};
    const Prediction p = predict(model, cases, with(2000));
    EXPECT_GT(log_correlation(phase(p, 0, 3), phase(p, 1, 3)), 0.99) << "room time has no surgeon in it";
    EXPECT_GT(log_correlation(phase(p, 0, 0), phase(p, 1, 0)), 0.2);
}

TEST(Predict, TakesTheSurgeonsNextCaseNumber) {
    CaseTable cases = bookings(1);
    cases.surgeon = {"D"};  // the beginner of the invented unit
    const double last = fitted().surgeons[3].last_case_no;
    EXPECT_DOUBLE_EQ(predict(fitted(), cases, with(100)).explanations[0].case_no, last + 1.0);
    cases.surgeon_case_no = {3.0};
    EXPECT_DOUBLE_EQ(predict(fitted(), cases, with(100)).explanations[0].case_no, 3.0);
    CaseTable blank_number = cases;
    blank_number.surgeon_case_no = {last + 1.0};
    CaseTable implied = cases;
    implied.surgeon_case_no = {std::nan("")};
    EXPECT_EQ(predict(fitted(), blank_number, with(100)).minutes, predict(fitted(), implied, with(100)).minutes);
}

TEST(Predict, AKnownSurgeonWithoutAnyNumberHasNoCaseNumber) {
    FittedModel model = fitted();
    model.surgeons[0].last_case_no = std::nan("");
    const Explanation e = predict(model, bookings(1), with(100)).explanations[0];
    EXPECT_TRUE(std::isnan(e.case_no)) << "told as case " << e.case_no;
    EXPECT_EQ(e.learning_min, 0.0);
}

// Whether a unit keeps case numbers and surgeons or not, its like cases take as long as they did.
TEST(Predict, AUnitThatNamesNobodyIsPredictedAsItWasFitted) {
    FittedModel model = fitted();
    CaseTable blank = bookings(1);
    blank.surgeon = {""};
    blank.surgeon_case_no = {std::nan("")};
    EXPECT_THAT(predict(model, blank, with(100)).flags[0], ::testing::Contains(Flag::experience_unknown));
    model.experience_recorded = false;
    CaseTable experienced = blank;
    experienced.surgeon_case_no = {1e15 + 1.0};
    const Prediction unknown = predict(model, blank, with(100));
    EXPECT_THAT(unknown.flags[0], ::testing::Not(::testing::Contains(Flag::experience_unknown)));
    EXPECT_EQ(unknown.minutes, predict(model, experienced, with(100)).minutes);
}

TEST(Predict, FlagsNothingWhereNothingIsGuessed) {
    EXPECT_THAT(flags_of(fitted(), [](CaseTable&) {}), IsEmpty());
}

TEST(Predict, FlagsWhereItGuesses) {
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.gland_ml = {900.0}; }),
                UnorderedElementsAre(Flag::gland_beyond_range));
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.gland_ml = {5.0}; }),
                UnorderedElementsAre(Flag::gland_beyond_range));
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.surgeon = {"Z"}; }),
                UnorderedElementsAre(Flag::surgeon_unseen, Flag::experience_unknown));
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.surgeon = {"Z"}, c.surgeon_case_no = {4.0}; }),
                UnorderedElementsAre(Flag::surgeon_unseen));
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.suction = {Suction::wall}; }),
                UnorderedElementsAre(Flag::device_class_unseen));
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.blade = {BladeMotion::unknown}; }),
                UnorderedElementsAre(Flag::device_class_unknown));
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.device = {"X9"}; }), UnorderedElementsAre(Flag::device_unseen));
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.device = {""}; }), IsEmpty());
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.canister_ml = {std::nan("")}; }),
                UnorderedElementsAre(Flag::collection_unknown));
    EXPECT_THAT(flags_of(fitted(), [](CaseTable& c) { c.canister_ml = {kInfinite}; }), IsEmpty());
    EXPECT_THAT(flags_of(prior_alone(), [](CaseTable&) {}),
                AllOf(Contains(Flag::no_history), Contains(Flag::experience_unknown),
                      Not(Contains(Flag::gland_beyond_range)), Not(Contains(Flag::surgeon_unseen))));
}

TEST(Predict, FlagsPhasesThatTheHistorySaysNothingOf) {
    FittedModel model = fitted();
    for (const Channel c : {Channel::haemostasis, Channel::room, Channel::operative, Channel::theatre})
        model.channels[static_cast<std::size_t>(c)].observations = 0;
    EXPECT_THAT(flags_of(model, [](CaseTable&) {}),
                UnorderedElementsAre(Flag::haemostasis_from_prior, Flag::room_from_prior));
    model.channels[static_cast<std::size_t>(Channel::theatre)].observations = 10;
    EXPECT_THAT(flags_of(model, [](CaseTable&) {}), IsEmpty());
}

TEST(Predict, EveryFlagHasItsName) {
    for (int k = 0; k <= static_cast<int>(Flag::room_from_prior); ++k)
        EXPECT_NE(flag_name(static_cast<Flag>(k)), "unknown") << k;
    EXPECT_THAT(phase_names(), ::testing::ElementsAre("enucleation", "haemostasis", "morcellation", "room"));
}

TEST(Predict, ExplanationsAreDifferencesOfMedians) {
    CaseTable usual = bookings(1);
    usual.gland_ml = {fitted().gland_median_ml};
    usual.surgeon_case_no = {1e12};
    usual.canister_ml = {kInfinite};
    const Explanation none = predict(fitted(), usual, with(100)).explanations[0];
    EXPECT_EQ(none.volume_min, 0.0);
    EXPECT_EQ(none.swaps_min, 0.0);
    EXPECT_EQ(none.expected_swaps, 0.0);
    EXPECT_NEAR(none.learning_min, 0.0, 1e-9);
    EXPECT_EQ(none.covariates_min, 0.0);
    EXPECT_EQ(none.reference_gland_ml, fitted().gland_median_ml);

    const auto explain = [&](const std::function<void(CaseTable&)>& change) {
        CaseTable one = usual;
        change(one);
        return predict(fitted(), one, with(100)).explanations[0];
    };
    EXPECT_GT(explain([](CaseTable& c) { c.gland_ml = {180.0}; }).volume_min, 10.0);
    EXPECT_LT(explain([](CaseTable& c) { c.gland_ml = {30.0}; }).volume_min, -5.0);
    EXPECT_GT(explain([](CaseTable& c) { c.surgeon_case_no = {1.0}; }).learning_min, 10.0);
    EXPECT_GT(explain([](CaseTable& c) { c.trainee = {1.0}; }).covariates_min, 2.0);
    EXPECT_GT(explain([](CaseTable& c) { c.hard_nodule = {1.0}; }).covariates_min, 1.0);
    const Explanation swaps = explain([](CaseTable& c) { c.canister_ml = {1000.0}, c.gland_ml = {180.0}; });
    EXPECT_GT(swaps.expected_swaps, 1.0);
    EXPECT_NEAR(swaps.swaps_min, swaps.expected_swaps * fitted().theta[param::swap_min], 1e-9);
}

TEST(Predict, ExplanationsOfOneChangeAddUpToTheMedians) {
    // Only volume differs from the usual case: volume_min is then the whole difference of the medians.
    FittedModel model = fitted();
    model.covariance.setZero();
    for (ChannelFit& one : model.channels) one.spread_log_se = 0.0, one.spread = 1e-6;
    CaseTable cases = bookings(2);
    cases.gland_ml = {model.gland_median_ml, 170.0};
    cases.surgeon = {"A", "A"};
    cases.canister_ml.assign(2, kInfinite);
    model.fault_rates.clear();
    const Prediction p = predict(model, cases, with(200));
    EXPECT_NEAR(median(totals(p, 1)) - median(totals(p, 0)), p.explanations[1].volume_min, 0.02);
}

TEST(Predict, LargerGlandsAndBeginnersTakeLonger) {
    CaseTable cases = bookings(3);
    cases.surgeon = {"A", "A", "A"};
    cases.gland_ml = {40.0, 140.0, 140.0};
    cases.surgeon_case_no = {200.0, 200.0, 2.0};
    const Prediction p = predict(fitted(), cases, with(2000));
    EXPECT_LT(median(totals(p, 0)), median(totals(p, 1)));
    EXPECT_LT(median(totals(p, 1)), median(totals(p, 2)));
}

TEST(Predict, UncertaintyOfAnUnseenSurgeonWidensTheDraws) {
    const auto width = [](const CaseTable& cases) {
        std::vector<double> all = totals(predict(fitted(), cases, with(4000)), 0);
        std::sort(all.begin(), all.end());
        return std::log(all[3600] / all[400]);
    };
    CaseTable seen = bookings(1), unseen = bookings(1);
    seen.surgeon_case_no = unseen.surgeon_case_no = {100.0};
    unseen.surgeon = {"Z"};
    EXPECT_GT(width(unseen), width(seen));
}

TEST(Predict, FaultsAndNodulesComeByTheirChance) {
    FittedModel model = fitted();
    for (auto& [name, rate] : model.fault_rates) rate = {0.0, 1.0};
    model.hard_nodule_odds_80 = 1e-15;
    CaseTable cases = bookings(1);
    cases.hard_nodule = {std::nan("")};
    const double without = mean(phase(predict(model, cases, with(20000)), 0, 2));
    for (auto& [name, rate] : model.fault_rates) rate = {0.3, 1.0};
    const double with_faults = mean(phase(predict(model, cases, with(20000)), 0, 2));
    // A fault adds its minutes, times the mean of the log-normal residual, in three cases of ten.
    const double fault = model.theta[param::fault_min];
    EXPECT_NEAR(with_faults - without, 0.3 * fault, 0.06 * fault);
    model.hard_nodule_odds_80 = 1e15;
    CaseTable known = cases;
    known.hard_nodule = {1.0};
    EXPECT_EQ(predict(model, cases, with(500)).minutes, predict(model, known, with(500)).minutes);
}

TEST(Predict, ABookingsTimesAndTissueAreNotLookedAt) {
    CaseTable cases = bookings(1), filled = cases;
    filled.tissue_g = {300.0};
    filled.canister_swaps = {9.0};
    filled.device_fault = {1.0};
    filled.enucleation_min = {500.0};
    EXPECT_EQ(predict(fitted(), cases, with(200)).minutes, predict(fitted(), filled, with(200)).minutes);
}

TEST(Predict, NoBookingsGiveNoDraws) {
    const Prediction p = predict(fitted(), CaseTable(0), with(100));
    EXPECT_EQ(p.n_cases, 0U);
    EXPECT_THAT(p.minutes, IsEmpty());
}

TEST(Predict, StopsWhenAskedTo) {
    for (const int threads : {1, 3}) {
        PredictOptions options = with(1000, 1, threads);
        options.progress = [](int, int) { return false; };
        EXPECT_THROW(predict(fitted(), bookings(2), options), NotConverged);
        options.progress = [](int, int) -> bool { throw std::domain_error("from the keyboard"); };
        EXPECT_THROW(predict(fitted(), bookings(2), options), std::domain_error);
    }
}

TEST(Predict, TellsItsProgressFromTheCallingThread) {
    for (const int threads : {1, 3}) {
        PredictOptions options = with(20'000, 1, threads);
        std::set<std::thread::id> askers;
        std::vector<int> seen;
        int expected = 0;
        options.progress = [&](int done, int total) {
            askers.insert(std::this_thread::get_id());
            seen.push_back(done);
            expected = total;
            return true;
        };
        EXPECT_EQ(predict(fitted(), bookings(20), options).minutes,
                  predict(fitted(), bookings(20), with(20'000)).minutes);
        EXPECT_EQ(askers, std::set<std::thread::id>{std::this_thread::get_id()});
        EXPECT_TRUE(std::is_sorted(seen.begin(), seen.end()));
        EXPECT_GT(expected, 0);
        EXPECT_EQ(seen.back(), expected);
    }
}

TEST(Predict, ChecksItsOptionsAndGlands) {
    EXPECT_THROW(predict(fitted(), bookings(1), with(99)), InvalidArgument);
    EXPECT_THROW(predict(fitted(), bookings(1), with(10'000'001)), InvalidArgument);
    EXPECT_THROW(predict(fitted(), bookings(1), with(100, 1, -1)), InvalidArgument);
    for (const double gland : {0.0, -3.0, std::nan(""), kInfinite}) {
        CaseTable cases = bookings(3);
        cases.gland_ml[1] = gland;
        try {
            predict(fitted(), cases, with(100));
            FAIL() << gland;
        } catch (const InvalidArgument& error) {
            EXPECT_THAT(error.what(), AllOf(::testing::HasSubstr("booking 2"), ::testing::HasSubstr("gland_ml")));
        }
    }
}

}  // namespace
}  // namespace lobetime
