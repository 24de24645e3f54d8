#include <lobetime/core/errors.hpp>
#include <lobetime/evidence/series.hpp>

#include <cmath>
#include <set>
#include <sstream>

namespace lobetime {
namespace {

constexpr std::array<std::string_view, 3> kExperience = {"expert", "mixed", "novice"};
constexpr std::array<std::string_view, 2> kStatistic = {"mean", "median"};

/// Collects what is wrong, so that a user mends a table once.
class Problems {
public:
    void add(const Series& row, std::string_view column, double value, const std::string& allowed) {
        std::ostringstream out;
        out << "row " << row.id << ", column " << column << ": " << value << "; allowed: " << allowed;
        lines_.push_back(out.str());
    }
    void add(const std::string& line) { lines_.push_back(line); }
    void raise() const {
        if (lines_.empty()) return;
        std::string all = "evidence that cannot be used:";
        for (const std::string& line : lines_) all += "\n  " + line;
        throw InvalidArgument(all);
    }

private:
    std::vector<std::string> lines_;
};

std::string range_words(double low, double high, std::string_view unit) {
    std::ostringstream out;
    out << low << " to " << high << " " << unit;
    return out.str();
}

void check_reported(const Series& row, const SeriesQuantity& quantity, Problems& problems) {
    const Reported& reported = row.*quantity.reported;
    const std::string stem(quantity.stem);
    if (reported.is_blank()) {
        for (const auto& [suffix, value] : {std::pair{"_sd", reported.sd},
                                            {"_q1", reported.q1},
                                            {"_q3", reported.q3},
                                            {"_lowest", reported.lowest},
                                            {"_highest", reported.highest}}) {
            if (!std::isnan(value))
                problems.add(row, stem + suffix, value, "blank where " + std::string(quantity.column) + " is blank");
        }
        return;
    }
    const std::string allowed = range_words(quantity.lowest, quantity.highest, quantity.unit);
    if (!(reported.value >= quantity.lowest && reported.value <= quantity.highest))
        problems.add(row, quantity.column, reported.value, allowed);
    if (!std::isnan(reported.sd) && !(reported.sd > 0.0 && reported.sd <= quantity.highest))
        problems.add(row, stem + "_sd", reported.sd, "above 0, up to " + allowed.substr(allowed.find("to ") + 3));
    double last = 0.0;
    for (const auto& [suffix, value] : {std::pair{"_lowest", reported.lowest},
                                        {"_q1", reported.q1},
                                        {"", row.statistic == Statistic::median ? reported.value : Reported::kBlank},
                                        {"_q3", reported.q3},
                                        {"_highest", reported.highest}}) {
        if (std::isnan(value)) continue;
        if (!(value > 0.0 && value >= last))
            problems.add(row, stem + suffix, value, "positive, in the order lowest, q1, median, q3, highest");
        last = value;
    }
}

}  // namespace

const std::array<SeriesQuantity, 8>& series_quantities() {
    static const std::array<SeriesQuantity, 8> all = {{
        {"gland_ml", "gland", "mL", &Series::gland, 5.0, 600.0},
        {"tissue_g", "tissue", "g", &Series::tissue, 1.0, 500.0},
        {"enucleation_min", "enucleation", "min", &Series::enucleation, 1.0, 600.0},
        {"morcellation_min", "morcellation", "min", &Series::morcellation, 0.5, 300.0},
        {"operative_min", "operative", "min", &Series::operative, 5.0, 900.0},
        {"enucleation_g_min", "enucleation_rate", "g/min", &Series::enucleation_rate, 0.02, 20.0},
        {"morcellation_g_min", "morcellation_rate", "g/min", &Series::morcellation_rate, 0.1, 50.0},
        {"operative_g_min", "operative_rate", "g/min", &Series::operative_rate, 0.02, 20.0},
    }};
    return all;
}

std::string_view experience_name(Experience experience) { return kExperience[static_cast<std::size_t>(experience)]; }

Experience experience_from_name(std::string_view name) {
    for (std::size_t i = 0; i < kExperience.size(); ++i) {
        if (kExperience[i] == name) return static_cast<Experience>(i);
    }
    throw InvalidArgument("'" + std::string(name) + "'; allowed: expert, mixed, novice");
}

std::string_view statistic_name(Statistic statistic) { return kStatistic[static_cast<std::size_t>(statistic)]; }

Statistic statistic_from_name(std::string_view name) {
    if (name == kStatistic[0]) return Statistic::mean;
    if (name == kStatistic[1]) return Statistic::median;
    throw InvalidArgument("'" + std::string(name) + "'; allowed: mean, median");
}

void check_series(std::span<const Series> series) {
    Problems problems;
    std::set<std::string> ids;
    for (const Series& row : series) {
        if (row.id.empty()) problems.add("a row without an id; allowed: a text that no other row has");
        if (!row.id.empty() && !ids.insert(row.id).second)
            problems.add("row " + row.id + ", column id: '" + row.id +
                         "' again; allowed: a text that no other row has");
        if (row.citation.empty()) problems.add("row " + row.id + ", column citation: blank; allowed: where it is from");
        if (!std::isnan(row.n) && !(row.n >= 2.0 && row.n <= 1e6))
            problems.add(row, "n", row.n, "2 to 1000000, or blank");
        if (!std::isnan(row.year) && !(row.year >= 1990.0 && row.year <= 2100.0))
            problems.add(row, "year", row.year, "1990 to 2100, or blank");
        if (!std::isnan(row.n_units) && !(row.n_units >= 1.0 && row.n_units <= 10000.0))
            problems.add(row, "n_units", row.n_units, "1 to 10000, or blank");
        if (!std::isnan(row.n_surgeons) && !(row.n_surgeons >= 1.0 && row.n_surgeons <= 10000.0))
            problems.add(row, "n_surgeons", row.n_surgeons, "1 to 10000, or blank");
        if (!(row.blade.empty() || row.blade == "reciprocating" || row.blade == "oscillating"))
            problems.add("row " + row.id + ", column blade: '" + row.blade +
                         "'; allowed: reciprocating, oscillating, or blank");
        bool any = false;
        for (const SeriesQuantity& quantity : series_quantities()) {
            check_reported(row, quantity, problems);
            any = any || !(row.*quantity.reported).is_blank();
        }
        if (row.own && !any)
            problems.add("row " + row.id + ": no figure; allowed: at least one of gland_ml to operative_g_min");
        if (!row.tissue.is_blank() && !row.gland.is_blank() && row.tissue.value > row.gland.value)
            problems.add(row, "tissue_g", row.tissue.value, "at most gland_ml, as a gram takes about a millilitre");
        if (std::isnan(row.first_case) != std::isnan(row.last_case) ||
            (!std::isnan(row.first_case) && !(row.first_case >= 1.0 && row.last_case >= row.first_case)))
            problems.add(row, "last_case", row.last_case, "first_case or more, first_case 1 or more; or both blank");
        if (!std::isnan(row.gland_from_ml) && !std::isnan(row.gland_to_ml) && !(row.gland_from_ml < row.gland_to_ml))
            problems.add(row, "gland_to_ml", row.gland_to_ml, "above gland_from_ml");
    }
    problems.raise();
}

namespace {
/// A median with its quartiles.
Reported ranged(double median, double q1, double q3) { return {.value = median, .q1 = q1, .q3 = q3}; }
}  // namespace

const std::vector<Series>& published_series() {
    constexpr auto kMedian = Statistic::median;
    constexpr auto kMixed = Experience::mixed, kNovice = Experience::novice;
    const auto two_centres = "J Endourol 2005;19:555-8",
               matched = "Ther Adv Urol 2018;10:223-33, doi 10.1177/1756287218779784",
               strata = "J Endourol 2004;18:183-8, doi 10.1089/089277904322959842",
               by_volume = "prospective series by volume, < 100 and >= 100 mL (abstract listing)",
               multicentre = "World J Urol 2021, PMID 32997262",
               blocks = "Int Braz J Urol, blocks of ten cases, n = 90",
               review = "systematic review, n = 5,652 in three arms, Eur Urol Focus 2022;8:532-44",
               standardised = "Prog Urol 2016;26:492-9",
               two_lobe = "Urol Res Pract 2024;50:47-52, doi 10.5152/tud.2024.23177",
               large = "Prostate Cancer Prostatic Dis, glands >= 150 mL of a randomised trial";
    // clang-format off
    static const std::vector<Series> rows = {
        {.id = "E01", .study = "E01", .unit = "E01", .citation = "Eur Urol 2008, PMID 17997021", .design = "prospective single centre", .year = 2008, .n = 330,
         .gland = {62, 34}, .tissue = {40, 27.5}, .enucleation = {45.4, 22.9}, .morcellation = {17.3, 14}, .blade = "reciprocating", .experience = kMixed},
        {.id = "E02a", .study = "E02", .unit = "E02", .citation = strata, .design = "prospective by size", .year = 2004, .n = 111, .by_size = true,
         .gland = {31.8}, .tissue = {19.5}, .operative = {64.3}, .note = "<40 g stratum; strata cut-offs partly inferred"},
        {.id = "E02b", .study = "E02", .unit = "E02", .citation = strata, .design = "prospective by size", .year = 2004, .by_size = true,
         .gland = {56}, .tissue = {34.4}, .operative = {84.2}, .note = "40-79 g stratum"},
        {.id = "E02c", .study = "E02", .unit = "E02", .citation = strata, .design = "prospective by size", .year = 2004, .by_size = true,
         .gland = {98.7}, .tissue = {70.1}, .operative = {118.4}, .note = ">=80 g stratum; 384 in all three"},
        {.id = "E04a", .study = "E04", .unit = "E04a", .citation = two_centres, .design = "two centres matched on tissue", .year = 2005, .n = 40,
         .tissue = {27.1}, .enucleation = {47.6}, .morcellation = {9.9}, .blade = "reciprocating",
         .note = "efficiency 0.58 and 3.4 g/min are means of ratios of the same cases: not used beside the minutes"},
        {.id = "E04b", .study = "E04", .unit = "E04b", .citation = two_centres, .design = "two centres matched on tissue", .year = 2005, .n = 40,
         .tissue = {22.9}, .enucleation = {29.2}, .morcellation = {7.7}, .blade = "reciprocating",
         .note = "0.71 and 4.3 g/min, means of ratios; efficiency rises with size, R2 0.56"},
        {.id = "E05a", .study = "E05", .unit = "E05", .citation = matched, .design = "matched pair", .year = 2018, .n = 117, .statistic = kMedian,
         .tissue = {44}, .enucleation = {75.5}, .morcellation = {11.5}, .experience = kMixed},
        {.id = "E05b", .study = "E05", .unit = "E05", .citation = matched, .design = "matched pair", .year = 2018, .n = 117, .statistic = kMedian,
         .tissue = {45.6}, .enucleation = {70.5}, .morcellation = {12}, .experience = kMixed},
        {.id = "E07", .study = "E07", .unit = "E07", .citation = "BJU Int 2006, doi 10.1111/j.1464-410X.2006.05898.x", .design = "retrospective >125 mL", .year = 2006, .n = 86,
         .by_size = true, .gland_from_ml = 125, .gland = {170.2}, .tissue = {140.2}, .operative = {128.1}},
        {.id = "E08", .study = "E07", .unit = "E07", .citation = "J Endourol 2010;24:433-7, doi 10.1089/end.2009.0147", .design = "retrospective >175 mL", .year = 2010, .n = 57,
         .by_size = true, .gland_from_ml = 175, .gland = {217.8}, .tissue = {176.4}, .note = "same centre as E07"},
        {.id = "E10", .study = "E10", .unit = "E10", .citation = "J Endourol 2004, doi 10.1089/089277904322959851", .design = "randomised >100 g", .year = 2004, .by_size = true,
         .gland = {115}, .tissue = {94}, .operative = {136}, .note = "interim report"},
        {.id = "E14a", .study = "E14", .unit = "E14", .citation = by_volume, .design = "prospective by size", .n = 206, .by_size = true, .gland_to_ml = 100,
         .operative = {67.1, 26.7}},
        {.id = "E14b", .study = "E14", .unit = "E14", .citation = by_volume, .design = "prospective by size", .n = 46, .by_size = true, .gland_from_ml = 100,
         .operative = {98.1, 24.2}},
        {.id = "E15", .study = "E15", .unit = "E15", .citation = "Urology, self-taught first 125", .design = "first cases", .n = 125,
         .gland = {75.8}, .tissue = {46.7}, .operative = {109.8}, .experience = kNovice, .first_case = 1, .last_case = 125, .note = "improves over blocks of 25"},
        {.id = "E16a", .study = "E16", .unit = "E16", .citation = multicentre, .design = "multicentre randomised", .year = 2021, .n = 115, .tissue = {48.84}, .operative = {63.69}, .n_units = 3, .note = "how many centres was not seen: at least three assumed"},
        {.id = "E16b", .study = "E16", .unit = "E16", .citation = multicentre, .design = "multicentre randomised", .year = 2021, .n = 121, .tissue = {51.13}, .operative = {71.66}, .n_units = 3},
        {.id = "E21", .study = "E21", .unit = "E21", .citation = "Soc Int Urol J, multiple surgeons in training", .design = "retrospective", .year = 2020, .n = 1259,
         .gland = {82.3}, .operative = {79.7}, .experience = kMixed, .first_case = 1, .last_case = 41, .n_surgeons = 31, .note = "31 operators: about 41 cases each"},
        {.id = "E26", .study = "E26", .unit = "E26", .citation = "Eur Urol 2006;50:569-73, PMID 16704894", .design = "randomised 40-200 g", .year = 2006, .n = 30,
         .gland = {77.8}, .note = "times were not seen in a text: not used"},
        {.id = "E31", .study = "E31", .unit = "E31", .citation = "PMC11156458, non-laser learning series", .design = "learning", .year = 2022, .n = 494, .statistic = kMedian,
         .gland = ranged(63, 46, 90.6), .enucleation_rate = ranged(0.50, 0.35, 0.72), .operative_rate = ranged(0.33, 0.22, 0.46), .experience = kNovice, .first_case = 1, .last_case = 494, .n_surgeons = 1, .note = "plateau about 70 cases"},
        {.id = "E32", .study = "E32", .unit = "E32", .citation = "Korean J Urol 2010;51:688, doi 10.4111/kju.2010.51.10.688", .design = "first cases of two surgeons", .year = 2010, .n = 161,
         .enucleation = {61.3}, .morcellation = {12.3}, .enucleation_rate = {0.32}, .morcellation_rate = {1.73}, .experience = kNovice, .first_case = 1, .last_case = 80, .n_surgeons = 2,
         .note = "plateaus 30 and 20 cases; mucosal injury 13 %"},
        {.id = "E33", .study = "E33", .unit = "E33", .citation = "J Urol 2007;177:1468", .design = "first cases", .year = 2007, .n = 162,
         .enucleation_rate = {0.49}, .morcellation_rate = {2.75}, .experience = kNovice, .first_case = 1, .last_case = 162, .note = "plateau 50 cases"},
        {.id = "E34", .study = "E34", .unit = "E34", .citation = "J Urol 2017, doi 10.1016/j.juro.2016.11.001", .design = "three surgeons", .year = 2017, .n = 313,
         .enucleation_rate = {1.2, 0.6}, .operative_rate = {0.76, 0.36}, .experience = kMixed, .first_case = 1, .last_case = 104, .n_surgeons = 3,
         .note = "plateau 40; volume and case number are the independent predictors"},
        {.id = "E41a", .study = "E41", .unit = "E41", .citation = blocks, .design = "learning", .n = 22,
         .enucleation_rate = {1.11, 0.28}, .operative_rate = {0.49}, .experience = kNovice, .first_case = 1, .last_case = 10, .note = "non-laser; n: a quarter of 90"},
        {.id = "E41b", .study = "E41", .unit = "E41", .citation = blocks, .design = "learning", .n = 22,
         .enucleation_rate = {1.62, 0.36}, .operative_rate = {0.63}, .experience = kNovice, .first_case = 31, .last_case = 40, .note = "non-laser; n: a quarter of 90"},
        {.id = "E42a", .study = "E42", .unit = "E42a", .citation = review, .design = "systematic review", .year = 2022,
         .morcellation_rate = {3.95}, .blade = "reciprocating", .note = "n of the arm not seen"},
        {.id = "E42b", .study = "E42", .unit = "E42b", .citation = review, .design = "systematic review", .year = 2022,
         .morcellation_rate = {5.29}, .blade = "oscillating", .note = "n of the arm not seen"},
        {.id = "E42c", .study = "E42", .unit = "E42c", .citation = review, .design = "systematic review", .year = 2022,
         .morcellation_rate = {5.3}, .blade = "oscillating", .note = "shaver-type; n of the arm not seen"},
        // From a search for learning curves and series of enucleation: every article in a journal, or abstract that one
        // printed, whose text was seen and which has a size and a time or g/min. What is not said of experience is "mixed".
        {.id = "E43a", .study = "E43", .unit = "E43", .citation = standardised, .design = "first cases", .year = 2016, .n = 40,
         .gland = {43.5}, .enucleation_rate = {0.56}, .morcellation_rate = {3.37}, .experience = kNovice, .first_case = 1, .last_case = 40, .n_surgeons = 1, .note = "mentored again after 40 cases"},
        {.id = "E43b", .study = "E43", .unit = "E43", .citation = standardised, .design = "first cases", .year = 2016, .n = 42,
         .gland = {68.1}, .enucleation_rate = {0.87}, .morcellation_rate = {4.2}, .experience = kNovice, .first_case = 41, .last_case = 82, .n_surgeons = 1},
        {.id = "E45", .study = "E45", .unit = "E45", .citation = "BJU Int 2002, doi 10.1046/j.1464-410x.2002.03071.x", .design = "first cases, supervised", .year = 2002, .n = 27,
         .gland = {54.8}, .enucleation = {68}, .operative = {98}, .experience = kNovice, .first_case = 1, .last_case = 27, .n_surgeons = 1},
        {.id = "E46", .study = "E46", .unit = "E46", .citation = "J Endourol 2025;39:849-55, doi 10.1177/08927790251360022", .design = "retrospective", .year = 2025, .n = 1724,
         .gland = {93.43}, .operative = {80.68}, .experience = kMixed, .first_case = 1, .last_case = 287, .n_surgeons = 6, .note = "six surgeons: about 287 cases each; plateau about 350"},
        {.id = "E48", .study = "E48", .unit = "E48", .citation = "J Endourol, 12 October 2020, 1,816 consecutive cases", .design = "retrospective single centre", .year = 2020, .n = 1816, .statistic = kMedian,
         .gland = ranged(80, 58, 105), .enucleation = ranged(43, 31, 60), .morcellation = ranged(10, 6, 18), .experience = kMixed, .first_case = 1, .last_case = 300, .n_surgeons = 6, .note = "surgeons not said: six assumed, as of E46"},
        {.id = "E49", .study = "E49", .unit = "E49", .citation = "J Urol 2006, under anticoagulants", .design = "retrospective", .year = 2006, .n = 83,
         .gland = {82.4}, .enucleation = {86.5}, .morcellation = {20.1}},
        {.id = "E50a", .study = "E50", .unit = "E50", .citation = two_lobe, .design = "prospective", .year = 2024, .n = 30,
         .gland = {79.43}, .enucleation = {54.2}, .operative = {72.36}, .experience = kMixed},
        {.id = "E50b", .study = "E50", .unit = "E50", .citation = two_lobe, .design = "prospective", .year = 2024, .n = 34,
         .gland = {79.88}, .enucleation = {61.67}, .operative = {80.50}, .experience = kMixed},
        {.id = "E51a", .study = "E51", .unit = "E51", .citation = large, .design = "randomised, part of it", .n = 17, .by_size = true, .gland_from_ml = 150,
         .enucleation = {71.4, 30.4}, .operative = {92, 36.7}, .experience = kMixed},
        {.id = "E51b", .study = "E51", .unit = "E51", .citation = large, .design = "randomised, part of it", .n = 18, .by_size = true, .gland_from_ml = 150,
         .enucleation = {84.3, 21.4}, .operative = {113.5, 31}, .experience = kMixed},
        {.id = "E55", .study = "E55", .unit = "E55", .citation = "BJUI Compass, doi 10.1002/bco2.469", .design = "retrospective >200 mL", .year = 2023, .n = 89, .statistic = kMedian, .by_size = true, .gland_from_ml = 200,
         .gland = {245}, .operative = {218.5}, .experience = kMixed, .note = "trainees took part; 164.2 mL enucleated is not a weight"},
        {.id = "E56", .study = "E56", .unit = "E56", .citation = "PLoS One 2025;20:e0331142, doi 10.1371/journal.pone.0331142", .design = "retrospective", .year = 2025, .n = 118, .statistic = kMedian, .by_size = true, .gland_from_ml = 80,
         .operative = ranged(60, 50, 70), .operative_rate = ranged(1.25, 1.01, 1.44), .experience = kMixed},
        {.id = "E57", .study = "E57", .unit = "E57", .citation = "Transl Androl Urol, article 57853", .design = "retrospective", .n = 704,
         .tissue = {53.4, 17.6}, .operative = {69.3, 14.8}, .experience = kMixed},
        {.id = "E58", .study = "E58", .unit = "E58", .citation = "Eur Urol 2006;50:563-8, PMID 16713070", .design = "randomised >70 g", .year = 2006, .n = 41, .by_size = true, .gland_from_ml = 70,
         .operative = {72.09, 21.22}},
    };
    // clang-format on
    return rows;
}

}  // namespace lobetime
