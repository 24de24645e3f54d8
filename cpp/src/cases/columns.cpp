#include <lobetime/cases/columns.hpp>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <limits>

namespace lobetime {
namespace {

constexpr double any = std::numeric_limits<double>::infinity();
constexpr double longest_min = 24.0 * 60.0;
constexpr double day_1990_01_01 = 7305.0;
constexpr double day_9999_12_31 = 2932896.0;

Column text(std::string_view name, Need in_history, Need in_bookings, std::string_view meaning) {
    return {name, ColumnKind::text, "", -any, any, true, in_history, in_bookings, {}, meaning};
}

Column positive(std::string_view name, std::string_view unit, double maximum, Need in_history, Need in_bookings,
                std::string_view meaning) {
    return {name, ColumnKind::number, unit, 0.0, maximum, false, in_history, in_bookings, {}, meaning};
}

Column time(std::string_view name, std::string_view meaning) {
    return positive(name, "min", longest_min, Need::optional, Need::unused, meaning);
}

Column count(std::string_view name, std::string_view unit, double minimum, double maximum, Need in_history,
             Need in_bookings, std::string_view meaning) {
    return {name, ColumnKind::count, unit, minimum, maximum, true, in_history, in_bookings, {}, meaning};
}

Column flag(std::string_view name, Need in_bookings, std::string_view meaning) {
    return {name, ColumnKind::flag, "", 0.0, 1.0, true, Need::optional, in_bookings, {}, meaning};
}

Column word(std::string_view name, std::vector<std::string_view> words, Need in_bookings, std::string_view meaning) {
    return {name, ColumnKind::word, "", -any, any, true, Need::optional, in_bookings, std::move(words), meaning};
}

Column date(std::string_view name, Need in_history, Need in_bookings, std::string_view meaning) {
    return {name, ColumnKind::date, "", day_1990_01_01, day_9999_12_31, true, in_history, in_bookings, {}, meaning};
}

std::string joined(const std::vector<std::string_view>& words) {
    std::string text;
    for (std::size_t i = 0; i < words.size(); ++i) {
        if (i > 0) text += i + 1 == words.size() ? " or " : ", ";
        text += words[i];
    }
    return text;
}

}  // namespace

const std::vector<Column>& columns() {
    constexpr auto required = Need::required;
    constexpr auto optional = Need::optional;
    constexpr auto unused = Need::unused;
    static const std::vector<Column> all = {
        text("case_id", optional, optional, "the unit's own opaque reference; never a patient's name or number"),
        date("operated_on", optional, unused, "day of the operation; orders a surgeon's cases"),
        text("surgeon", optional, optional, "code of the surgeon"),
        count("surgeon_case_no", "", 1.0, 100000.0, optional, optional,
              "the surgeon's running count of independent enucleations, cases before the file included"),
        positive("gland_ml", "mL", 1000.0, required, required, "gland volume by ultrasound or MRI"),
        positive("tissue_g", "g", 1000.0, optional, unused, "tissue retrieved and weighed"),
        word("blade", {"reciprocating", "oscillating"}, optional, "motion of the morcellator's blade"),
        word("suction", {"vacuum", "peristaltic", "wall"}, optional, "what draws the fluid off"),
        text("device", optional, optional, "the unit's own code for a device"),
        {"canister_ml",
         ColumnKind::number,
         "mL",
         100.0,
         100000.0,
         true,
         optional,
         optional,
         {},
         "capacity of the fluid canister; blank or inf means a continuous drain"},
        count("canister_swaps", "", 0.0, 100.0, optional, unused, "stops to change a full canister"),
        time("enucleation_min", "enucleation"),
        time("haemostasis_min", "haemostasis after enucleation"),
        time("morcellation_min", "blade in to last piece out, stops included"),
        time("operative_min", "whole operation"),
        time("theatre_min", "wheels in to wheels out"),
        time("turnover_min", "wheels out to the next wheels in"),
        word("morcellation_outcome", {"complete", "deferred", "other_route"}, unused,
             "not complete means the morcellation time was cut short; blank means complete"),
        flag("device_fault", unused, "the device failed during the case"),
        flag("hard_nodule", optional, "nodules too hard for the blade"),
        flag("trainee", optional, "a trainee did part of the case"),
        flag("anticoagulated", optional, "operated on under anticoagulation"),
        word("anaesthesia", {"general", "spinal"}, optional, "kind of anaesthesia"),
        {"days_waiting", ColumnKind::number, "d", 0.0, 36500.0, true, unused, optional, {}, "days on the waiting list"},
        text("priority", unused, optional, "the unit's own priority"),
        date("due_by", unused, optional, "latest day for the operation"),
    };
    return all;
}

const Column* find_column(std::string_view name) {
    const auto& all = columns();
    const auto found = std::find_if(all.begin(), all.end(), [&](const Column& column) { return column.name == name; });
    return found == all.end() ? nullptr : &*found;
}

std::string allowed_values(const Column& column, TableKind kind) {
    std::string text;
    switch (column.kind) {
        case ColumnKind::text:
            text = "text";
            break;
        case ColumnKind::flag:
            text = "0, 1, yes, no, true or false";
            break;
        case ColumnKind::word:
            text = joined(column.words);
            break;
        case ColumnKind::date:
            text = "a date written YYYY-MM-DD, not before " + written(column.minimum, column);
            break;
        case ColumnKind::number:
        case ColumnKind::count:
            text = column.kind == ColumnKind::count ? "a whole number " : "a number ";
            text +=
                column.minimum_included
                    ? "from " + written(column.minimum, column) + " to " + written(column.maximum, column)
                    : "above " + written(column.minimum, column) + " and at most " + written(column.maximum, column);
            if (!column.unit.empty()) text += " " + std::string(column.unit);
            break;
    }
    if (column.name == "canister_ml") return text + "; inf or blank for a continuous drain";
    return column.need(kind) == Need::required ? text : text + ", or blank";
}

std::string written(double value, const Column& column) {
    char text[40];
    if (column.kind == ColumnKind::date && std::isfinite(value) && std::abs(value) < 1e7) {
        const std::chrono::sys_days day{std::chrono::days{static_cast<int>(std::floor(value))}};
        const std::chrono::year_month_day date{day};
        std::snprintf(text, sizeof text, "%04d-%02u-%02u", static_cast<int>(date.year()),
                      static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()));
    } else {
        std::snprintf(text, sizeof text, "%.15g", value);
    }
    return text;
}

}  // namespace lobetime
