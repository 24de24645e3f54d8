#pragma once

/// Everything public, room by room from the bottom up. Include single headers to compile less.

#include <lobetime/version.hpp>

#include <lobetime/core/errors.hpp>
#include <lobetime/core/jet.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/core/random.hpp>

#include <lobetime/cases/case_numbers.hpp>
#include <lobetime/cases/case_table.hpp>
#include <lobetime/cases/check.hpp>
#include <lobetime/cases/columns.hpp>
#include <lobetime/cases/findings.hpp>
#include <lobetime/cases/headings.hpp>
#include <lobetime/cases/io.hpp>
#include <lobetime/cases/visit_columns.hpp>
#include <lobetime/cases/words.hpp>

#include <lobetime/model/features.hpp>
#include <lobetime/model/formulas.hpp>
#include <lobetime/model/layout.hpp>
#include <lobetime/model/parameters.hpp>
#include <lobetime/model/phase_kernel.hpp>
#include <lobetime/model/prior.hpp>

#include <lobetime/fit/censored_regression.hpp>
#include <lobetime/fit/estimator.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/mean_model.hpp>
#include <lobetime/fit/minimise.hpp>
#include <lobetime/fit/mixed_regression.hpp>
#include <lobetime/fit/noise_law.hpp>
#include <lobetime/fit/objective.hpp>
#include <lobetime/fit/observations.hpp>
#include <lobetime/fit/robust_regression.hpp>
#include <lobetime/fit/scale.hpp>
#include <lobetime/fit/spread_trend.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>
#include <lobetime/fit/time_objective.hpp>

#include <lobetime/evidence/conversions.hpp>
#include <lobetime/evidence/grade.hpp>
#include <lobetime/evidence/meta_regression.hpp>
#include <lobetime/evidence/pooling.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/evidence/rates.hpp>
#include <lobetime/evidence/series.hpp>

#include <lobetime/inference/bootstrap.hpp>
#include <lobetime/inference/fitted_model.hpp>
#include <lobetime/inference/model_file.hpp>
#include <lobetime/inference/profile.hpp>
#include <lobetime/inference/quantity.hpp>
#include <lobetime/inference/regression_inference.hpp>
#include <lobetime/inference/time_intervals.hpp>
#include <lobetime/inference/time_quantities.hpp>

#include <lobetime/predict/prediction.hpp>
#include <lobetime/predict/slots.hpp>

#include <lobetime/plan/list_rule.hpp>
#include <lobetime/plan/list_times.hpp>
#include <lobetime/plan/pricing.hpp>
#include <lobetime/plan/starts.hpp>

#include <lobetime/monitor/cusum.hpp>
#include <lobetime/monitor/innovations.hpp>
#include <lobetime/monitor/run_length.hpp>
