"""Room sheets: one page a list, to pin up in theatre."""

from __future__ import annotations

import html
import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

from rich.cells import cell_len, set_cell_size

from ._outputs import (
    PlanLike,
    canister_words,
    cases_of,
    clock,
    count,
    day_words,
    device_words,
    is_missing,
    list_of,
    number,
    one_line,
    overrun_words,
    percent,
    rows_of,
)

_WIDTH = 80
_LINES = 60
_MOST_WARNING = 400  # characters of one warning

_ORDER = ("No", "Start", "Slot\nmin", "Then\nmin", "Out by", "Case", "Gland\nmL", "Surgeon", "Anaesth.", "Nodule")
_SUPPLIES = ("No", "Device set", "Canister", "Canisters", "Swaps", "Irrigation L", "Bags", "Fault")
_SAID_ABOVE = ("Surgeon", "Anaesth.")  # where it is the same for the whole list
_LEFT = {"Case", "Surgeon", "Anaesth.", "Device set", "Canister"}
_GIVES_WAY = ("Surgeon", "Anaesth.", "Case", "Device set")  # where a row is wider than the page
_LEAST_WIDTH = 8
_KEY = (
    "Start: planned wheels-in. Then: planned turnover. Out by: median wheels-out. * large gland. Nodule: chance of a "
    "hard nodule. Fault: chance of a device fault. Counts and litres: median (95 % need no more); bags: 95 %."
)


def room_sheet(plan: PlanLike, session_id: str) -> str:
    """One list as plain text to pin up: at most 80 columns and, up to 12 cases, 60 lines.

    Warnings are cut first where a page has no room for all of them, and the sheet says so; the caution is always whole.

    Raises
    ------
    ValueError
        If the session has no list.
    """
    row = list_of(plan, session_id)
    cases = cases_of(plan, session_id)
    day, title = day_words(row.starts_at), f"LIST {one_line(session_id)}"
    head = [_pad(title, _WIDTH - len(day) - 2) + "  " + day, "=" * _WIDTH]
    head += [line for text in _head_words(plan, row, cases) for line in _wrap(text)]
    order = _text_table(*_order(row, cases))
    supplies = _text_table(_SUPPLIES, [*map(_supply_row, cases)], _supply_total(row))
    needs = [line for text in _need_words(plan, row, cases) for line in _wrap(text, "* ")]
    blocks = [head, order, supplies, _wrap(_KEY), needs]
    caution = ["-" * _WIDTH, *_wrap(one_line(plan.caution))]
    room = _LINES - sum(map(len, blocks)) - len(caution) - 1  # the heading of the warnings
    said = _warnings(row, cases)
    blanks = len(blocks) + 1 if room >= len(blocks) + 4 or (room > len(blocks) and not said) else 0
    said = _most(said, room - blanks)
    if said:
        blocks.append(["WARNINGS AND REMARKS", *(line for text in said for line in _wrap(text, "* "))])
    lines = [line for block in blocks for line in (*block, *([""] if blanks else []))]
    return "\n".join(line.rstrip() for line in (*lines, *caution)) + "\n"


def room_sheet_html(plan: PlanLike, session_id: str | None = None) -> str:
    """One list, or all of them, as a page of HTML that prints on one A4 page a list.

    It stands alone: no scripts, no links, nothing fetched.
    """
    rows = rows_of(plan.lists) if session_id is None else [list_of(plan, session_id)]
    pages = "\n".join(_page(plan, row) for row in rows) or "<p>The plan has no list.</p>"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>Room sheets</title>\n<style>\n{_STYLE}</style>\n</head>\n<body>\n{pages}\n</body>\n</html>\n"
    )


# --- what both say ---------------------------------------------------------------------------------------------------


def _head_words(plan: PlanLike, row: Any, cases: Sequence[Any]) -> list[str]:
    surgeons = {one_line(case.surgeon) for case in cases}
    surgeon = one_line(row.surgeon) or (surgeons.pop() if len(surgeons) == 1 else "")
    anaesthetics = {one_line(case.anaesthesia) for case in cases}
    anaesthetic = anaesthetics.pop() if len(anaesthetics) == 1 else ""
    where = ", ".join(_cut(text, 30) for text in (one_line(row.room), f"surgeon {surgeon}" if surgeon else "") if text)
    session = f"{clock(row.starts_at)} to {clock(row.starts_at, row.minutes)} ({number(row.minutes)} min)"
    large = f", {count(row.n_large, 'large gland')}" if row.n_large else ""
    return [
        f"{where + ': ' if where else ''}{session}, {count(row.n_cases, 'case')}{large}"
        f"{', anaesthesia ' + anaesthetic if anaesthetic else ''}.",
        f"Finish: median {clock(row.starts_at, row.finish_q50_min)}, 80 % by {clock(row.starts_at, row.finish_q80_min)}"
        f", 90 % by {clock(row.starts_at, row.finish_q90_min)}. Chance that the list {overrun_words(plan.facts)}: "
        f"{percent(row.overrun_risk)} (limit {percent(row.overrun_limit)}).",
    ]


def _order(row: Any, cases: Sequence[Any]) -> tuple[list[str], list[list[str]]]:
    """Headings and rows, without columns that say the same of each case."""
    rows = [_order_row(row, case) for case in cases]
    kept = [
        k
        for k, heading in enumerate(_ORDER)
        if heading not in _SAID_ABOVE
        or len({cells[k] for cells in rows}) > 1
        or (heading == "Surgeon" and any(cells[k] != one_line(row.surgeon) for cells in rows) and row.surgeon)
    ]
    return [_ORDER[k] for k in kept], [[cells[k] for k in kept] for cells in rows]


def _order_row(row: Any, case: Any) -> list[str]:
    return [
        number(case.position),
        clock(case.starts_at),
        number(case.slot_min),
        number(case.turnover_min) if case.turnover_min > 0 else "",
        clock(row.starts_at, case.finish_q50_min),
        one_line(case.case_id),
        number(case.gland_ml) + ("*" if case.large else " "),
        one_line(case.surgeon),
        one_line(case.anaesthesia),
        percent(case.hard_nodule_chance),
    ]


def _supply_row(case: Any) -> list[str]:
    return [
        number(case.position),
        device_words(case.blade, case.suction),
        canister_words(case.canister_ml),
        *_use(case),
    ]


def _supply_total(row: Any) -> list[str]:
    return ["All", count(row.device_sets, "set"), "", *_use(row)]


def _use(row: Any) -> list[str]:
    return [
        _pair(row.canisters_median, row.canisters_q95),
        _pair(row.swaps_median, row.swaps_q95),
        _pair(row.irrigation_l_median, row.irrigation_l_q95),
        number(row.irrigation_bags_q95),
        percent(row.fault_chance),
    ]


def _pair(median: float, q95: float) -> str:
    return "-" if is_missing(median) and is_missing(q95) else f"{number(median)} ({number(q95)})"


def _need_words(plan: PlanLike, row: Any, cases: Sequence[Any]) -> list[str]:
    sets = ", ".join(dict.fromkeys(device_words(case.blade, case.suction) for case in cases))
    backup_at = percent(plan.backup_at)
    if row.backup_set:
        backup = f"HAVE A BACKUP SET IN THE ROOM (rule: from {backup_at} on)"
    else:
        backup = f"below the {backup_at} from which a backup set is in the room"
    if all(math.isinf(case.canister_ml) for case in cases):
        collection = "Continuous drain: no canister to change."
    else:
        collection = (
            f"Canisters to have in the room: {number(row.canisters_q95)} (median need "
            f"{number(row.canisters_median)}). Swaps to expect: {number(row.swaps_median)}, in 95 % of lists at most "
            f"{number(row.swaps_q95)}."
        )
    return [
        f"Device sets: {row.device_sets} ({sets}). Chance of at least one device fault on this list: "
        f"{percent(row.fault_chance)}; {backup}.",
        collection,
        f"Irrigation bags to have: {number(row.irrigation_bags_q95)}, for {number(row.irrigation_l_q95)} L "
        f"(median need {number(row.irrigation_l_median)} L).",
    ]


def _warnings(row: Any, cases: Iterable[Any]) -> list[str]:
    """Each warning once, with the cases that it is about."""
    about: dict[str, list[str]] = {}
    for case in cases:
        for text in one_line(case.warnings).split("; "):
            if text:
                about.setdefault(text, []).append(str(case.position))
    said = [f"{'Case' if len(places) == 1 else 'Cases'} {', '.join(places)}: {text}" for text, places in about.items()]
    return [textwrap.shorten(text, _MOST_WARNING, placeholder=" …") for text in (*said, one_line(row.words)) if text]


# --- text ------------------------------------------------------------------------------------------------------------


def _cut(text: str, width: int) -> str:
    return text if cell_len(text) <= width else set_cell_size(text, width - 1).rstrip() + "…"


def _pad(text: str, width: int) -> str:
    return set_cell_size(_cut(text, width), width)


def _tell_apart(names: Sequence[str], width: int) -> list[str]:
    """Names in so much width, cut where they are alike, so that nobody takes one case for another."""
    if all(cell_len(name) <= width for name in names):
        return list(names)
    first, last = min(names), max(names)
    alike = next((k for k, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), 0)
    cuts = (
        [_cut(name, width) for name in names],
        [_cut(name[::-1], width)[::-1] for name in names],
        [_cut("…" + name[alike:], width) for name in names],
    )
    return next((cut for cut in cuts if len(set(cut)) == len(names)), cuts[0])


def _wrap(text: str, start: str = "") -> list[str]:
    """Lines of the sheet's width as a screen counts it; a word longer than a line is cut."""
    lines, line, indent = [], start, " " * len(start)
    # A figure stays with its unit.
    for word in re.sub(r"(\d) (?=%|min\b|mL\b|L\b)", "\\1\N{NO-BREAK SPACE}", text).split(" "):
        if cell_len(line + word) > _WIDTH and line.strip() and line != start:
            lines.append(line)
            line = indent
        line += _pad(word, min(cell_len(word), _WIDTH - len(indent))) + " "
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in (*lines, line)]


def _most(texts: Sequence[str], room: int) -> list[str]:
    """The texts that so many lines hold, the last saying how many are not there."""
    lines = [len(_wrap(text, "* ")) for text in texts]
    if sum(lines) <= room:
        return list(texts)
    shown = 0
    while sum(lines[: shown + 1]) < room:
        shown += 1
    return [
        *texts[:shown],
        f"{count(len(texts) - shown, 'more warning or remark', 'more warnings and remarks')}: see the plan",
    ]


def _text_table(
    headings: Sequence[str], rows: Sequence[Sequence[str]], total: Sequence[str] | None = None
) -> list[str]:
    high = max(heading.count("\n") for heading in headings)
    above = [[*([""] * (high - heading.count("\n"))), *heading.split("\n")] for heading in headings]
    everything = [*zip(*above, strict=True), *rows, *([total] if total else [])]
    widths = [max(cell_len(row[k]) for row in everything) for k in range(len(headings))]
    for name in _GIVES_WAY:
        over = sum(widths) + len(widths) - 1 - _WIDTH
        if name in headings and over > 0:
            k = headings.index(name)
            widths[k] = max(widths[k] - over, min(widths[k], _LEAST_WIDTH))
    if "Case" in headings:
        k = headings.index("Case")
        names = _tell_apart([row[k] for row in rows], widths[k])
        rows = [[*row[:k], name, *row[k + 1 :]] for row, name in zip(rows, names, strict=True)]

    def line(row: Sequence[str]) -> str:
        cells = (
            _pad(cell, width) if name in _LEFT else " " * (width - cell_len(cell)) + cell
            for name, cell, width in zip(headings, row, widths, strict=True)
        )
        return " ".join(cells)

    rule = "-" * _WIDTH
    return [*map(line, zip(*above, strict=True)), rule, *map(line, rows), *([rule, line(total)] if total else [])]


# --- HTML ------------------------------------------------------------------------------------------------------------

_STYLE = """\
@page { size: A4 portrait; margin: 12mm; }
* { box-sizing: border-box; }
body { margin: 0; font: 10pt/1.3 sans-serif; color: #000; background: #fff; }
article { max-width: 186mm; margin: 0 auto; break-after: page; break-inside: avoid; }
article:last-of-type { break-after: auto; }
h1 { font-size: 15pt; margin: 0 0 1mm; overflow-wrap: anywhere; }
h2 { font-size: 11pt; margin: 3mm 0 1mm; }
p { margin: 1mm 0; }
table { width: 100%; border-collapse: collapse; font-size: 9pt; }
th, td { padding: 0.6mm 1mm; border-bottom: 0.2mm solid #888; text-align: right; vertical-align: top; }
th { border-bottom: 0.5mm solid #000; font-weight: bold; }
td.text, th.text { text-align: left; }
td.text { overflow-wrap: anywhere; }
tr.large td { font-weight: bold; }
tfoot td { border-top: 0.5mm solid #000; font-weight: bold; }
ul { margin: 1mm 0; padding-left: 5mm; overflow-wrap: anywhere; }
.backup { font-weight: bold; border: 0.6mm solid #000; padding: 1mm 2mm; }
.tight { font-size: 8.5pt; line-height: 1.2; }
.tight table { font-size: 8pt; }
.tight th, .tight td { padding: 0.2mm 1mm; }
.tight h2 { margin: 2mm 0 0.5mm; }
.small { font-size: 8pt; }
.caution { border-top: 0.5mm solid #000; padding-top: 1mm; margin-top: 3mm; font-size: 8.5pt; }
"""


def _page(plan: PlanLike, row: Any) -> str:
    cases = cases_of(plan, row.session_id)
    needs = _need_words(plan, row, cases)
    is_tight = len(cases) > 5
    said = _most(_warnings(row, cases), 14 if is_tight else 25 - 2 * len(cases))
    parts = [
        f'<article class="{"tight" if is_tight else "roomy"}">',
        f"<h1>List {_safe(row.session_id)}</h1>",
        f"<p><strong>{_safe(day_words(row.starts_at))}</strong></p>",
        *(f"<p>{_safe(text)}</p>" for text in _head_words(plan, row, cases)),
        "<h2>Order</h2>",
        _html_table(*_order(row, cases), [bool(case.large) for case in cases]),
        "<h2>Equipment</h2>",
        _html_table(_SUPPLIES, [*map(_supply_row, cases)], [False] * len(cases), _supply_total(row)),
        f'<p class="small">{_safe(_KEY)}</p>',
        f'<p class="{"backup" if row.backup_set else "needs"}">{_safe(needs[0])}</p>',
        *(f"<p>{_safe(text)}</p>" for text in needs[1:]),
    ]
    if said:
        parts += ["<h2>Warnings and remarks</h2>", "<ul>", *(f"<li>{_safe(text)}</li>" for text in said), "</ul>"]
    parts += [f'<p class="caution">{_safe(plan.caution)}</p>', "</article>"]
    return "\n".join(parts)


def _html_table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    large: Sequence[bool],
    total: Sequence[str] | None = None,
) -> str:
    kinds = [' class="text"' if name in _LEFT else "" for name in headings]

    def line(tag: str, row: Sequence[str]) -> str:
        return "".join(f"<{tag}{kind}>{_safe(cell)}</{tag}>" for kind, cell in zip(kinds, row, strict=True))

    head = line("th", headings)
    body = "\n".join(
        f'<tr class="{"large" if is_large else "usual"}">{line("td", row)}</tr>'
        for row, is_large in zip(rows, large, strict=True)
    )
    foot = f"<tfoot><tr>{line('td', total)}</tr></tfoot>\n" if total else ""
    return f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n{foot}</table>"


def _safe(text: object) -> str:
    return html.escape(one_line(text))
