#include <lobetime/core/errors.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>
#include <lobetime/inference/fitted_model.hpp>
#include <lobetime/inference/model_file.hpp>
#include <lobetime/predict/prediction.hpp>

#include "source.hpp"

#include <array>

namespace lobetime::fuzz {
namespace {

constexpr std::size_t kMostCases = 8;
constexpr double kBlank = std::numeric_limits<double>::quiet_NaN();

/// Blank, a usual number, or any finite one: nothing has checked the table.
double cell(Source& from, double low, double high) { return from.below(4) == 0 ? kBlank : from.number(low, high); }

double mark(Source& from) { return from.below(8) == 7 ? from.any() : std::array{kBlank, 0.0, 1.0}[from.below(3)]; }

CaseTable table(Source& from) {
    CaseTable cases(1 + from.below(kMostCases));
    const std::size_t plain = from.byte();  // bits: groups of columns that stay blank, so that few bytes make a table
    for (std::size_t i = 0; i < cases.size(); ++i) {
        cases.gland_ml[i] = from.number(20.0, 250.0);
        cases.operative_min[i] = cell(from, 20.0, 200.0);
        cases.theatre_min[i] = cell(from, 30.0, 260.0);
        if ((plain & 1U) == 0) {
            cases.enucleation_min[i] = cell(from, 10.0, 120.0);
            cases.haemostasis_min[i] = cell(from, 1.0, 30.0);
            cases.morcellation_min[i] = cell(from, 2.0, 60.0);
            cases.morcellation_outcome[i] = static_cast<MorcellationOutcome>(from.below(3));
        }
        if ((plain & 2U) == 0) {
            cases.surgeon[i] = std::array{"", "A", "B"}[from.below(3)];
            cases.surgeon_case_no[i] = cell(from, 1.0, 300.0);
            cases.device[i] = std::array{"", "a", "b"}[from.below(3)];
        }
        if ((plain & 4U) == 0) {
            cases.blade[i] = static_cast<BladeMotion>(from.below(3));
            cases.suction[i] = static_cast<Suction>(from.below(4));
            cases.canister_ml[i] =
                from.below(3) == 0 ? std::numeric_limits<double>::infinity() : cell(from, 500.0, 5000.0);
            cases.canister_swaps[i] = from.below(3) == 0 ? from.number(0.0, 5.0) : kBlank;
            cases.tissue_g[i] = cell(from, 5.0, 150.0);
        }
        if ((plain & 8U) == 0) {
            cases.device_fault[i] = mark(from);
            cases.hard_nodule[i] = mark(from);
            cases.trainee[i] = mark(from);
            cases.anticoagulated[i] = mark(from);
            cases.anaesthesia[i] = static_cast<Anaesthesia>(from.below(3));
        }
    }
    return cases;
}

/// Bounded work: one thread, few rounds, few starts.
FitOptions options_of(Source& from) {
    FitOptions options;
    const std::vector<std::string> losses = Loss::names();
    options.loss = Loss(losses[from.below(losses.size())]);
    constexpr std::array methods = {ScaleMethod::reweighted, ScaleMethod::sd, ScaleMethod::mad, ScaleMethod::m_scale,
                                    ScaleMethod::proposal2};
    options.scale_method = methods[from.below(methods.size())];
    options.estimator = from.below(4) == 0 ? Estimator::mm : Estimator::m;
    options.starts = 2;
    options.use_prior = from.below(4) != 0;
    options.max_rounds = 6;
    options.round_tolerance = 1e-4;
    options.threads = 1;
    options.solver.max_iterations = 20;
    options.solver.polish_steps = 5;
    if (from.below(3) == 0) {
        options.held_spreads.emplace();
        for (double& spread : *options.held_spreads) spread = from.number(0.05, 0.6);
    }
    if (from.below(3) == 0) options.held_groups = {from.number(0.05, 0.6), from.number(0.05, 0.6), 0.2};
    if (from.below(6) == 0) options.fixed["e_80"] = from.number(10.0, 90.0);
    return options;
}

}  // namespace

bool fit(Input input) {
    Source from(input);
    try {
        const FitOptions options = options_of(from);
        const CaseTable cases = table(from);
        const PriorSet& prior = published_prior();
        const TheatreTimeFit found = fit_theatre_time(cases, prior, options);
        require(found.theta.allFinite() && std::isfinite(found.minimum.cost), "estimates and cost are finite");
        require(found.curvature.allFinite() && found.score_product.allFinite(), "curvature and scores are finite");
        require((found.theta.array() >= found.lower.array() - 1e-9).all() &&
                    (found.theta.array() <= found.upper.array() + 1e-9).all(),
                "estimates lie within their bounds");
        for (const ChannelFit& channel : found.channels)
            require(std::isfinite(channel.spread) && channel.spread >= 0.0 && std::isfinite(channel.spread_log_se),
                    "spreads are finite");
        for (const FittedObservation& one : found.observations)
            require(std::isfinite(one.standardised) && std::isfinite(one.weight), "residuals and weights are finite");

        const FittedModel model = model_from_fit(found, cases, prior, options);
        require(model.covariance.allFinite(), "the covariance is finite");
        const std::string written = model_to_json(model);
        require(model_to_json(model_from_json(written)) == written, "a fitted model can be saved and read");
        CaseTable booking(1);
        booking.gland_ml = {90.0};
        PredictOptions draws;
        draws.draws = 100;
        draws.threads = 1;
        for (const double minutes : predict(model, booking, draws).minutes)
            require(std::isfinite(minutes) && minutes >= 0.0, "predicted minutes are finite and not negative");
        return true;
    } catch (const InvalidModelFile& error) {
        throw Violation(std::string("a fitted model can be read again: ") + error.what());
    } catch (const Error&) {
        return false;  // InvalidArgument, NotFinite, NotIdentifiable, NotConverged: said, not silent
    }
}

}  // namespace lobetime::fuzz
