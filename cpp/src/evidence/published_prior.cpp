#include <lobetime/evidence/published_prior.hpp>

namespace lobetime {
namespace {

constexpr auto kPublished = NumberOrigin::published;
constexpr auto kPractice = NumberOrigin::common_practice;
constexpr auto kAssumption = NumberOrigin::assumption;

}  // namespace

PriorSet published_prior() {
    PriorSet prior;
    // clang-format off
    prior.parameters = {
        // name, centre, 5 %, 95 %, origin, source
        {"yield_g_80", 55.1, 44.5, 68.0, kPublished,
         "log-log line through eight published mean pairs, 31.8-217.8 mL: Eur Urol 2008 (PMID 17997021); J Endourol "
         "2004;18:183-8; BJU Int 2006 (doi 10.1111/j.1464-410X.2006.05898.x); J Endourol 2010;24:433-7; J Endourol "
         "2004 (doi 10.1089/089277904322959851); Urology, first 125 cases. Residuals of the line are 7 % (largest 11 %); the width is widened to units"},
        {"yield_exponent", 1.19, 1.05, 1.33, kPublished, "slope of the log-log line through the same eight published mean pairs (Eur Urol 2008 to J Endourol 2010); its width is an "
         "assumption"},
        {"e_fixed", 16.0, 6.0, 26.0, kPublished,
         "operative time is close to 38.7 + 0.81 V min (J Endourol 2004;18:183-8): a large part does not grow with "
         "volume; the share of it inside enucleation is an assumption"},
        {"e_80", 34.0, 16.0, 72.0, kPublished,
         "45.4 min at 62 mL (Eur Urol 2008, PMID 17997021); 47.6 and 29.2 min at 27 and 23 g (J Endourol "
         "2005;19:555-8); 75.5 and 70.5 min at 44 and 46 g (Ther Adv Urol 2018;10:223-33). Width: units differ by "
         "0.35 on the log scale"},
        {"e_exponent", 1.0, 0.8, 1.2, kPublished,
         "operative time of three volume strata is linear in volume (J Endourol 2004;18:183-8)"},
        {"e_learn", 0.8, 0.4, 1.2, kPublished,
         "1.11 to 1.62 g/min from cases 1-10 to 31-40 (Int Braz J Urol, n = 90)"},
        {"e_half", 10.0, 7.0, 17.0, kPublished,
         "plateau at 30-40 cases (World J Urol 2021;39:2427, 17 papers), range 20-60"},
        {"e_trainee", 0.15, -0.10, 0.40, kAssumption, "no published figure for a trainee operating in part"},
        {"h_min", 12.0, 5.0, 28.0, kAssumption,
         "operative time less enucleation and morcellation; no series reports all three"},
        {"h_anticoagulated", 0.10, -0.20, 0.40, kAssumption, "no published figure"},
        {"rate_50", 5.6, 2.9, 10.8, kPublished,
         "3.95 g/min over whole morcellation, reciprocating (review, n = 5,652, Eur Urol Focus 2022;8:532-44), less the "
         "fixed minutes and swaps assumed here; width: units differ by 0.4 on the log scale"},
        {"rate_exponent", 0.15, -0.05, 0.35, kPublished,
         "efficiency rises with size (J Endourol 2005;19:555-8); the amount is an assumption"},
        {"blade_oscillating", 0.1823215567939546, -0.1053605156578263, 0.4700036292457356, kPublished,
         "5.29 against 3.95 g/min (Eur Urol Focus 2022;8:532-44); head-to-head difference 0.75 g/min, -0.46 to 1.97 (doi "
         "10.1177/08927790261457170)"},
        {"suction_peristaltic", -0.20, -0.48, 0.08, kPractice, "a bit slower than a vacuum; no source"},
        {"suction_wall", -0.30, -0.90, 0.30, kPractice, "rarely strong enough; no source"},
        {"m_learn", 0.4, 0.0, 0.8, kPublished,
         "weak or over by about 20 cases (J Urol 2017, PMID 28456634); 1.73 g/min in first cases (Korean J Urol "
         "2010;51:688)"},
        {"m_half", 7.0, 4.0, 12.0, kAssumption, "over by about 20 cases"},
        {"m_fixed", 1.5, 0.5, 4.5, kAssumption, "changing over, first and last piece"},
        {"swap_min", 2.0, 1.0, 5.0, kAssumption, "no published timing of a canister swap"},
        {"carry_over_ml", 250.0, 80.0, 800.0, kAssumption, "fluid drawn before the first bite"},
        {"flow_vacuum", 350.0, 190.0, 650.0, kAssumption,
         "whole-case irrigation runs at 370-380 mL/min (regional meeting abstract 2021, n = 95); that it holds during "
         "morcellation is an assumption"},
        {"flow_peristaltic", 300.0, 150.0, 600.0, kAssumption, "a pump takes somewhat less than a vacuum"},
        {"flow_wall", 250.0, 100.0, 600.0, kAssumption, "weaker suction takes less"},
        {"fluid_log_sd", 0.35, 0.20, 0.60, kAssumption, "spread of fluid between like cases"},
        {"m_trainee", 0.10, -0.15, 0.35, kAssumption, "no published figure"},
        {"m_hard_nodule", 0.4054651081081644, 0.0384, 0.7725, kAssumption,
         "blade time 1.5 times (1.04 to 2.2) with hard nodules"},
        {"fault_min", 10.0, 3.0, 33.0, kAssumption, "delay until a failed device runs again or is replaced"},
        {"room_min", 56.0, 37.0, 85.0, kPublished,
         "induction 19, preparation 13, emergence 12, transfer 12 min (n = 548, ISRN Surg 2014, doi "
         "10.1155/2014/431740); the width is an assumption"},
        {"room_spinal", 0.0, -0.10, 0.10, kPublished,
         "total room time equal under spinal and general anaesthetic (n = 500); the width is an assumption"},
    };
    prior.spreads = {
        // log SD of one case about its median; of sums: multiple of what the phases' spreads predict
        {"tissue", 0.20, 0.12, 0.35, kAssumption, "between like glands"},
        {"enucleation", 0.30, 0.20, 0.45, kPublished, "residual after volume and unit, derived"},
        {"haemostasis", 0.40, 0.22, 0.70, kAssumption, "residual of the rest of the operation"},
        {"morcellation", 0.40, 0.28, 0.57, kPublished, "0.45 (0.35-0.60) after volume and unit, less what tissue explains"},
        {"room", 0.30, 0.18, 0.48, kPublished,
         "SDs 9, 8, 8, 9 min of the four parts (ISRN Surg 2014), taken as independent"},
        {"operative", 1.0, 0.65, 1.5, kAssumption, "phases together scatter as their spreads say"},
        {"theatre", 1.0, 0.65, 1.5, kAssumption, "phases together scatter as their spreads say"},
    };
    prior.fault_rates = {
        {"reciprocating/vacuum", 0.8, 100.0, kPractice, "below 1 %; no source"},
        {"oscillating/vacuum", 2.2, 100.0, kPractice, "a bit over 2 %, long established; no source"},
        {"oscillating/peristaltic", 0.6, 40.0, kPractice, "fewer than with a vacuum; no source"},
        {"other", 1.0, 30.0, kAssumption, "no studies"},
    };
    prior.hard_nodule_rate = {"hard_nodule", 5.4, 50.0, kPublished,
                              "29 of 216 (Int Neurourol J 2015;19:90) and 55 of 559 (PMID 38546885), taken for 50 cases "
                              "because units differ"};
    // clang-format on
    return prior;
}

}  // namespace lobetime
