"""A plan as tables: what a notebook shows of it."""

from __future__ import annotations

from ..markup import Table, paragraph
from ._outputs import PlanLike, cases_of, clock, count, day_words, number, one_line, percent, rows_of


def plan_html(plan: PlanLike) -> str:
    """Lists in order, with their cases; who is left out and why; the caution."""
    facts = plan.facts
    lists = []
    for row in rows_of(plan.lists):
        cases = "; ".join(
            f"{case.position}. {clock(row.starts_at, case.start_min)} {one_line(case.case_id)} "
            f"({number(case.gland_ml)} mL{' *' if case.large else ''}, slot {number(case.slot_min)} min)"
            for case in cases_of(plan, row.session_id)
        )
        who = ", ".join(one_line(part) for part in (row.room, row.surgeon) if part)
        ends = f"{clock(row.starts_at)} to {clock(row.starts_at, row.minutes)}"
        finish = " / ".join(clock(row.starts_at, minutes) for minutes in (row.finish_q50_min, row.finish_q80_min))
        risk = f"{percent(row.overrun_risk)} ({percent(row.overrun_limit)})"
        lists.append((one_line(row.session_id), day_words(row.starts_at), ends, who, cases, finish, risk,
                      percent(row.touch_utilisation)))  # fmt: skip
    headings = ["list", "day", "session", "room, surgeon", "cases in order (planned start, gland, slot)",
                "finish: half / 4 in 5 by", "chance of overrun (limit)", "used"]  # fmt: skip
    head = (
        f"Plan: {facts['placed']} of {count(facts['waiting'], 'case')} on {len(plan.lists)} of "
        f"{count(len(plan.sessions), 'session')}"
    )
    pieces = [Table(head, headings, lists, right=[7]).to_html()]
    if len(plan.unplaced):
        rows = [
            (one_line(row.case_id), number(row.gland_ml), one_line(row.surgeon), one_line(row.words))
            for row in rows_of(plan.unplaced)
        ]
        pieces.append(Table("Left out", ["case", "gland mL", "surgeon", "why"], rows, right=[1]).to_html())
    pieces.append(paragraph("* large gland. Plan.facts tells how far from the best plan it is, and what was assumed."))
    return "\n".join([*pieces, paragraph(plan.caution, small=True)])
