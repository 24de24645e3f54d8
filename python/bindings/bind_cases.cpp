#include <lobetime/cases/case_numbers.hpp>
#include <lobetime/cases/case_table.hpp>
#include <lobetime/cases/check.hpp>
#include <lobetime/cases/columns.hpp>
#include <lobetime/cases/headings.hpp>
#include <lobetime/cases/io.hpp>
#include <lobetime/cases/visit_columns.hpp>
#include <lobetime/cases/words.hpp>

#include <pybind11/numpy.h>
#include <pybind11/pybind11.h>
#include <pybind11/stl.h>
#include <pybind11/stl/filesystem.h>

#include <limits>
#include <map>
#include <string>
#include <type_traits>
#include <vector>

namespace py = pybind11;

namespace {

using namespace lobetime;
using Doubles = py::array_t<double, py::array::c_style | py::array::forcecast>;
using Longs = py::array_t<long, py::array::c_style | py::array::forcecast>;

template <class Value, int flags>
std::vector<Value> to_vector(const py::array_t<Value, flags>& values, const std::string& name) {
    if (values.ndim() != 1) throw py::value_error(name + ": one dimension is needed");
    return {values.data(), values.data() + values.size()};
}

TableKind table_kind(const std::string& table) {
    if (table == "history") return TableKind::history;
    if (table == "bookings") return TableKind::bookings;
    throw py::value_error("table: \"" + table + "\" is not allowed; allowed: history or bookings");
}

const Column& column_named(const std::string& name) {
    if (const Column* column = find_column(name)) return *column;
    throw py::value_error("\"" + name + "\" is not a column");
}

CaseTable make_table(const py::kwargs& columns) {
    std::size_t n_cases = 0;
    for (const auto& [name, values] : columns) n_cases = py::len(values);
    CaseTable cases(n_cases);
    std::size_t n_known = 0;
    visit_columns(cases, [&](std::string_view view, auto& column) {
        using Value = typename std::decay_t<decltype(column)>::value_type;
        const std::string name(view);
        if (!columns.contains(name)) return;
        ++n_known;
        const py::object values = columns[name.c_str()];
        if constexpr (std::is_same_v<Value, double>) {
            column = to_vector(values.cast<Doubles>(), name);
        } else if constexpr (std::is_same_v<Value, std::string>) {
            column = values.cast<std::vector<std::string>>();
        } else {
            const auto words = values.cast<std::vector<std::string>>();
            column.resize(words.size());
            for (std::size_t i = 0; i < words.size(); ++i) {
                from_word(words[i], column[i]);
            }
        }
        if (column.size() != n_cases) throw py::value_error(name + ": all columns must have the same length");
    });
    if (n_known == columns.size()) return cases;
    for (const auto& given : columns) {
        const auto wanted = given.first.cast<std::string>();
        bool known = false;
        visit_columns(cases, [&](std::string_view name, const auto&) { known = known || name == wanted; });
        if (!known) throw py::type_error("CaseTable has no column " + wanted);
    }
    return cases;
}

template <class Value>
py::object to_numpy(const std::vector<Value>& column) {
    if constexpr (std::is_same_v<Value, double>) {
        return Doubles(static_cast<py::ssize_t>(column.size()), column.data());
    } else {
        py::list texts(column.size());
        for (std::size_t i = 0; i < column.size(); ++i) {
            if constexpr (std::is_same_v<Value, std::string>) {
                texts[i] = py::str(column[i]);
            } else {
                texts[i] = py::str(std::string(to_word(column[i])));
            }
        }
        return py::module_::import("numpy").attr("array")(texts, py::arg("dtype") = py::dtype("O"));
    }
}

CaseTable take_positions(const CaseTable& cases, const Longs& positions) {
    const auto wanted = to_vector(positions, "indices");
    std::vector<std::size_t> unsigned_positions(wanted.size());
    for (std::size_t i = 0; i < wanted.size(); ++i) {
        if (wanted[i] < 0 || static_cast<std::size_t>(wanted[i]) >= cases.size()) {
            throw py::index_error("indices: " + std::to_string(wanted[i]) + " is outside a table of " +
                                  std::to_string(cases.size()) + " cases");
        }
        unsigned_positions[i] = static_cast<std::size_t>(wanted[i]);
    }
    return take(cases, unsigned_positions);
}

// Findings reach Python by column, ready for a data frame.
py::dict to_python(const std::vector<Problem>& problems) {
    py::list row, column, value, allowed;
    for (const Problem& problem : problems) {
        row.append(problem.row);
        column.append(problem.column);
        value.append(problem.value);
        allowed.append(problem.allowed);
    }
    return py::dict(py::arg("row") = row, py::arg("column") = column, py::arg("value") = value,
                    py::arg("allowed") = allowed);
}

py::dict to_python(const std::vector<Warning>& warnings) {
    py::list row, column, value, kind, message;
    for (const Warning& warning : warnings) {
        row.append(warning.row);
        column.append(warning.column);
        value.append(warning.value);
        kind.append(warning.kind);
        message.append(warning.message);
    }
    return py::dict(py::arg("row") = row, py::arg("column") = column, py::arg("value") = value, py::arg("kind") = kind,
                    py::arg("message") = message);
}

py::tuple to_python(const Findings& findings) {
    return py::make_tuple(to_python(findings.problems), to_python(findings.warnings));
}

py::dict to_python(const Column& column) {
    static constexpr const char* kinds[] = {"text", "number", "count", "flag", "word", "date"};
    static constexpr const char* needs[] = {"required", "optional", "unused"};
    py::dict need;
    need["history"] = needs[static_cast<int>(column.in_history)];
    need["bookings"] = needs[static_cast<int>(column.in_bookings)];
    return py::dict(py::arg("name") = column.name, py::arg("kind") = kinds[static_cast<int>(column.kind)],
                    py::arg("unit") = column.unit, py::arg("minimum") = column.minimum,
                    py::arg("maximum") = column.maximum, py::arg("minimum_included") = column.minimum_included,
                    py::arg("need") = need, py::arg("words") = column.words, py::arg("meaning") = column.meaning,
                    py::arg("is_case_time") = column.is_case_time());
}

Origin make_origin(long heading_row, const py::object& rows, const py::object& operated_on_day, double today_day) {
    Origin origin;
    origin.heading_row = heading_row;
    if (!rows.is_none()) origin.rows = to_vector(rows.cast<Longs>(), "rows");
    if (!operated_on_day.is_none())
        origin.operated_on_day = to_vector(operated_on_day.cast<Doubles>(), "operated_on_day");
    origin.today_day = today_day;
    return origin;
}

void require_length(const Origin& origin, std::size_t n_cases) {
    if ((!origin.rows.empty() && origin.rows.size() != n_cases) ||
        (!origin.operated_on_day.empty() && origin.operated_on_day.size() != n_cases)) {
        throw py::value_error("origin: rows and operated_on_day must have one entry a case");
    }
}

}  // namespace

void bind_cases(py::module_& m) {
    py::class_<CaseTable> table(m, "CaseTable", R"(Cases by column, as the engine reads them.

Made from keyword columns of equal length, each named with its unit (gland_ml in mL, tissue_g in g, *_min in
minutes): numbers as arrays with NaN for a blank, texts and words as lists of str with "" for a blank. Columns left
out are blank throughout. canister_ml is inf for a continuous drain and NaN where not recorded; a blank
morcellation_outcome means complete. Limits are not checked here; check_history and check_bookings do that.

Every column is an attribute, a new numpy array at each access.)");
    table.def(py::init(&make_table))
        .def("__len__", &CaseTable::size)
        .def("__repr__",
             [](const CaseTable& cases) { return "<CaseTable of " + std::to_string(cases.size()) + " cases>"; })
        .def("take", &take_positions, py::arg("indices"),
             "The cases at these positions (from 0), in this order, as a new table. A position may come more than "
             "once.");
    CaseTable example;
    visit_columns(example, [&table](std::string_view view, auto& unused) {
        using Values = std::decay_t<decltype(unused)>;
        const std::string name(view);
        const Column& column = column_named(name);
        const std::string doc =
            std::string(column.meaning) + (column.unit.empty() ? "" : " (" + std::string(column.unit) + ")");
        table.def_property_readonly(
            name.c_str(),
            [name](const CaseTable& cases) {
                py::object result;
                visit_columns(cases, [&](std::string_view other, const auto& values) {
                    if constexpr (std::is_same_v<std::decay_t<decltype(values)>, Values>) {
                        if (other == name) result = to_numpy(values);
                    }
                });
                return result;
            },
            doc.c_str());
    });

    py::class_<Origin>(m, "Origin", R"(Where cases stood in their file.

heading_row: row of the heading, counted from 1. rows: row of each case; None for straight below the heading.
operated_on_day: days since 1970-01-01, NaN blank; None without dates. today_day: dates after it are warned about.)")
        .def(py::init(&make_origin), py::kw_only(), py::arg("heading_row") = 1, py::arg("rows") = py::none(),
             py::arg("operated_on_day") = py::none(), py::arg("today_day") = std::numeric_limits<double>::infinity());

    m.def(
        "columns",
        [] {
            py::list all;
            for (const Column& column : columns()) all.append(to_python(column));
            return all;
        },
        "Every column a file may hold, with its unit, limits, words and meaning.");
    m.def(
        "allowed_values",
        [](const std::string& column, const std::string& table_name) {
            return allowed_values(column_named(column), table_kind(table_name));
        },
        py::arg("column"), py::arg("table"), "What a cell of the column may hold, in words.");
    m.def(
        "match_headings",
        [](const std::vector<std::string>& headings, const std::string& table_name,
           const std::map<std::string, std::string>& mapping, long heading_row) {
            const auto matched = match_headings(headings, table_kind(table_name), mapping, heading_row);
            return py::make_tuple(matched.columns, to_python(matched.findings.problems),
                                  to_python(matched.findings.warnings));
        },
        py::arg("headings"), py::arg("table"), py::arg("mapping") = py::dict(), py::arg("heading_row") = 1,
        "The column of each heading (\"\" when kept out), the problems and the warnings.");
    m.def(
        "check_cases",
        [](const CaseTable& cases, const std::string& table_name, const Origin& origin) {
            require_length(origin, cases.size());
            const TableKind kind = table_kind(table_name);
            return to_python(kind == TableKind::history ? check_history(cases, origin) : check_bookings(cases, origin));
        },
        py::arg("cases"), py::arg("table"), py::arg("origin"), "The problems and the warnings of a table.");
    m.def(
        "check_limits",
        [](const std::string& column, const Doubles& values, const std::string& table_name, const Origin& origin) {
            const auto numbers = to_vector(values, column);
            require_length(origin, numbers.size());
            return to_python(check_limits_of(column_named(column), numbers, table_kind(table_name), origin));
        },
        py::arg("column"), py::arg("values"), py::arg("table"), py::arg("origin"),
        "The problems of one numeric or date column that is no part of a CaseTable.");
    m.def(
        "derive_case_numbers",
        [](CaseTable& cases, const Origin& origin) {
            require_length(origin, cases.size());
            return to_python(derive_case_numbers(cases, origin));
        },
        py::arg("cases"), py::arg("origin"),
        "Fills the blank surgeon_case_no of the table itself by order of date and returns the warnings.");
    m.def("write_whole", &write_whole, py::arg("path"), py::arg("content"),
          "Writes a text file whole (UTF-8) or leaves what was there.");
}
