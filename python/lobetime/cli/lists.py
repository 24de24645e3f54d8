"""lobetime lists."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
import typer.core
from rich.console import Console

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from ..caution import CAUTION

if TYPE_CHECKING:
    import pandas as pd

from . import asking, screen
from .program import EPILOG, app


def _what_ifs(option: str, asked: Sequence[str]) -> dict[str, dict[str, Any]]:
    from ..lists.what_if import parse_what_if

    try:
        return {text: parse_what_if(text) for text in asked}
    except lt.InvalidArgument as error:
        raise typer.BadParameter(str(error), param_hint=option) from None


def _check_settings(settings: Mapping[str, Any]) -> None:
    """Refuses what is no setting of lists, or out of range, before anything is computed."""
    usual = {one.name: one.default for one in fields(lt.ListOptions)}
    problems = [f"{name} is no setting; known: {', '.join(usual)}" for name in settings if name not in usual]
    for name, value in settings.items():
        if isinstance(value, str) and isinstance(usual.get(name), (int, float)):
            problems.append(f"{name} needs a number, not {value!r}")
    if not problems:
        try:
            lt.ListOptions(**settings)
        except lt.InvalidArgument as error:
            problems.append(str(error))
    if problems:
        raise typer.BadParameter("; ".join(problems), param_hint="--set")


def _what_if(plan: lt.Plan, asked: Mapping[str, Mapping[str, Any]]) -> dict[str, pd.DataFrame]:
    told = {}
    for text, change in asked.items():
        with screen.busy(f"what if {text}"):
            try:
                told[text] = plan.what_if(**change).differences
            except (TypeError, lt.InvalidArgument) as error:  # a name that is no setting; a value out of range
                words = str(error).removeprefix("ListOptions.__init__() ")
                raise typer.BadParameter(f"{text}: {words}", param_hint="--what-if") from None
    return told


@app.command(epilog=EPILOG)
def lists(
    bookings: Annotated[
        Path,
        typer.Argument(metavar="BOOKINGS", help="Waiting cases: .csv, .tsv, .xlsx or .parquet.", **asking.EXISTING),
    ],
    sessions: Annotated[
        Path,
        typer.Argument(
            metavar="SESSIONS",
            help="Blocks of theatre time: session_id, starts_at, minutes or ends_at ...",
            **asking.EXISTING,
        ),
    ],
    stock: Annotated[
        Path | None,
        typer.Option(
            "--stock", metavar="STOCK", help="Device sets, canisters and irrigation a day.", **asking.EXISTING
        ),
    ] = None,
    model: asking.ModelOption = None,
    history: asking.HistoryOption = None,
    overrun_risk: Annotated[
        float,
        typer.Option(
            "--overrun-risk",
            metavar="CHANCE",
            callback=asking.chance,
            help="Accepted chance that a list overruns, 0 to 1.",
        ),
    ] = 0.2,
    turnover: Annotated[
        float | None,
        typer.Option(
            "--turnover",
            metavar="MINUTES",
            min=0,
            max=240,
            show_default=False,
            help="Median turnover between cases; by default the history's own, or the published 31 min.",
        ),
    ] = None,
    fix: Annotated[
        list[str],
        typer.Option("--fix", metavar="CASE=SESSION", help="A case that must come there. Repeatable."),
    ] = [],  # noqa: B006 - typer copies it
    order: Annotated[
        list[str],
        typer.Option("--order", metavar="SESSION=CASE,CASE", help="Your own order of a list; its price is told."),
    ] = [],  # noqa: B006
    told: Annotated[
        Path | None,
        typer.Option(
            "--told",
            metavar="PATH",
            help="An earlier plan's --csv: what patients were told. Moves as few of them as is worth it.",
            **asking.EXISTING,
        ),
    ] = None,
    move_cost: Annotated[
        float,
        typer.Option("--move-cost", min=0, help="What moving a told case costs; 1 is a routine case not placed."),
    ] = 1.0,
    what_if: Annotated[
        list[str],
        typer.Option(
            "--what-if",
            metavar="NAME=VALUE",
            help="The difference another setting makes: overrun_risk=0.15; extra_sets=1,on=Tuesday; canister_ml=3000; "
            "session_min=300. Repeatable.",
        ),
    ] = [],  # noqa: B006
    policies: Annotated[
        bool, typer.Option("--policies", help="Compare with other ways to fill the lists, on the same draws.")
    ] = False,
    today: Annotated[
        datetime | None,
        typer.Option(
            "--today",
            metavar="DATE",
            formats=["%Y-%m-%d"],
            help="First day to plan for; by default the first session's.",
            show_default=False,
        ),
    ] = None,
    setting: Annotated[
        list[str],
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="Any other setting of the library's ListOptions: limit=newsvendor, overrun=end, large_ml=120, "
            "late_start_median_min=10. Repeatable.",
        ),
    ] = [],  # noqa: B006
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**32, help="The same seed gives the same plan.")] = 1,
    verify: Annotated[
        bool, typer.Option("--verify", help="Judge every list once more, on draws that decided nothing, and say so.")
    ] = False,
    excel: Annotated[
        Path | None, typer.Option("--excel", metavar="PATH", help="Write an .xlsx workbook.", show_default=False)
    ] = None,
    calendar: Annotated[
        Path | None, typer.Option("--calendar", metavar="PATH", help="Write an iCalendar file.", show_default=False)
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="PATH", help="Write a picture: .png, .svg or .pdf.", show_default=False),
    ] = None,
    room_sheets: Annotated[
        Path | None,
        typer.Option(
            "--room-sheets", metavar="PATH", help="Write an .html page a list, to pin up.", show_default=False
        ),
    ] = None,
    fhir: Annotated[
        Path | None,
        typer.Option("--fhir", metavar="PATH", help="Write a FHIR R4 bundle; needs --timezone.", show_default=False),
    ] = None,
    timezone: Annotated[
        str | None,
        typer.Option("--timezone", metavar="NAME", help="Where the theatre is: Europe/London.", show_default=False),
    ] = None,
    drop: asking.DropOption = [],  # noqa: B006 - typer copies it
    device_classes: asking.ClassesOption = None,
    csv: asking.CsvOption = None,
    json: asking.JsonOption = False,
) -> None:
    """Choose whole lists: which cases on which session, in what order, at what risk."""
    asking.check_one_of(model, history)
    if fhir is not None and timezone is None:
        raise typer.BadParameter("FHIR's times need --timezone, such as Europe/London", param_hint="--fhir")
    inputs = (bookings, sessions, stock, model, history, told)
    outputs = {
        "--fhir": fhir,
        "--csv": csv,
        "--excel": excel,
        "--calendar": calendar,
        "--picture": picture,
        "--room-sheets": room_sheets,
    }
    for option, path in outputs.items():
        asking.check_output(path, option, *inputs, *(other for name, other in outputs.items() if name != option))
    fixed = asking.pairs("--fix", "CASE=SESSION", fix)
    orders = {
        session: [case.strip() for case in cases.split(",")]
        for session, cases in asking.pairs("--order", "SESSION=CASE,CASE", order).items()
    }
    asked = _what_ifs("--what-if", what_if)
    own = {name: value for one in _what_ifs("--set", setting).values() for name, value in one.items()}
    with screen.busy(f"reading {bookings.name}"):
        classes = asking.classes(device_classes)
        booked = asking.read(lt.read_bookings, bookings, {}, drop=drop, **classes)
        blocks = asking.read(lt.read_sessions, sessions, {}, drop=drop)
        amounts = None if stock is None else asking.read(lt.read_stock, stock, {}, drop=drop)
        cases = asking.read(lt.read_cases, history, {}, drop=drop, **classes) if history is not None else None
    from .. import lists as outputs_of

    before = None if told is None else outputs_of.read_told(told)
    settings: dict[str, Any] = {} if cases is None else lt.recorded_turnover(cases)
    if turnover is not None:
        settings = {"turnover_median_min": turnover}
    settings |= {"overrun_risk": overrun_risk, "today": None if today is None else today.date(), "seed": seed} | own
    _check_settings(settings)
    fitted, _ = asking.model_of(model, cases, classes)
    with screen.busy("choosing lists"):
        pred = fitted.predict(booked, draws=1000, seed=seed)
        plan = lt.plan_lists(
            pred,
            booked,
            blocks,
            stock=amounts,
            fixed=fixed,
            told=before,
            move_cost=move_cost,
            **settings,
        )
    if orders:
        try:
            plan = plan.reorder(orders)
        except lt.InvalidArgument as error:
            raise typer.BadParameter(str(error), param_hint="--order") from None
    checked = plan.check() if verify else None
    if checked is not None and not checked.attrs["passed"]:
        raise lt.NotConverged("a list is over its limit on fresh draws: no plan is given")
    compared = _Compared(
        _what_if(plan, asked), lt.simulate_policies(pred, blocks, plan=plan) if policies else None, plan.changes
    )

    looks_wrong = [(bookings, booked.warnings), (sessions, blocks.warnings)]
    if stock is not None and amounts is not None:
        looks_wrong.append((stock, amounts.warnings))
    if history is not None and cases is not None:
        looks_wrong.append((history, cases.warnings))

    if excel is not None:
        outputs_of.write_workbook(plan, excel)
        screen.note(f"{excel}: written. {CAUTION}")
    if calendar is not None:
        if plan.lists.empty:
            raise lt.InvalidArgument("there is no list, so there is no calendar to write")
        screen.write_whole(calendar, outputs_of.to_icalendar(plan, timezone=timezone))
    if fhir is not None and timezone is not None:
        content = outputs_of.to_fhir_bundle(plan, timezone=timezone)
        screen.write_whole(fhir, screen.json_text(content))
    if picture is not None:
        screen.write_picture(lambda: lt.lists.plan_display(plan).plot().figure_, picture)
    if room_sheets is not None:
        screen.write_whole(room_sheets, outputs_of.room_sheet_html(plan))
    if csv is not None:
        screen.write_csv(csv, outputs_of.to_csv_table(plan))
    if json:
        content = outputs_of.to_json_dict(plan)
        content.pop("caution", None)
        if checked is not None:
            content["verified"] = checked
        content |= compared.content()
        content["warnings"] = [row for path, found in looks_wrong for row in screen.named(found, path)]
        screen.print_json("lists", content)
    if not json and all(path is None for path in outputs.values()):
        _print_plan(plan, checked, bookings.name)
        compared.print(screen.new_console())
        for path, found in looks_wrong:
            screen.print_warnings(screen.new_console(), found, path.name)
        screen.print_caution(screen.new_console())
    elif not json:
        left_out = f"; not placed: {screen.count(len(plan.unplaced), 'case')}" if len(plan.unplaced) else ""
        screen.note(f"{_placed(plan, bookings.name)}{left_out}")
        if checked is not None:
            screen.note(_verified(checked))
        compared.print(screen.new_console(stderr=True))
        for path, found in looks_wrong:
            if len(found):
                screen.note(
                    f"{path.name}: {screen.count(len(found), 'warning')}; without an output file each of them is shown"
                )


@dataclass
class _Compared:
    """What a plan was compared with: other settings, other ways to fill lists, what patients were told."""

    what_if: dict[str, pd.DataFrame]
    policies: pd.DataFrame | None
    changes: pd.DataFrame

    def content(self) -> dict[str, Any]:
        """For JSON; what was not asked for is not there."""
        out: dict[str, Any] = {}
        if self.what_if:
            out["what_if"] = {text: found.reset_index() for text, found in self.what_if.items()}
        if self.policies is not None:
            out["policies"] = {"rule": self.policies.attrs["rule"], "table": self.policies}
        if len(self.changes):
            out["changes"] = self.changes[["case_id", "change", "told_session", "session_id", "starts_at"]]
        return out

    def print(self, console: Console) -> None:
        if len(self.changes):
            self._print_changes(console)
        for text, found in self.what_if.items():
            self._print_what_if(console, text, found)
        if self.policies is not None:
            self._print_policies(console, self.policies)

    def _print_changes(self, console: Console) -> None:
        counts = self.changes["change"].value_counts(sort=False)
        told = ", ".join(f"{count} {change}" for change, count in counts.items())
        console.print(f"\nAgainst what patients were told: {told}", style="bold")
        other = self.changes[self.changes["change"] != "kept"]
        table = screen.new_table("case", "change", "told", "now", "start")
        for row in other.to_dict("records"):
            start = "" if row["starts_at"] != row["starts_at"] else f"{row['starts_at']:%Y-%m-%d %H:%M}"
            table.add_row(
                screen.shown(row["case_id"]),
                row["change"],
                screen.shown(row["told_session"]),
                screen.shown(row["session_id"]),
                start,
            )
        if len(other):
            console.print(table)

    def _print_what_if(self, console: Console, text: str, found: pd.DataFrame) -> None:
        console.print(f"\nWhat if {screen.shown(text)}", style="bold")
        table = screen.new_table("", "now", "then", "difference", right=["now", "then", "difference"])
        for figure, row in found.iterrows():
            name, scale, digits = _FIGURES[str(figure)]
            table.add_row(
                name,
                f"{scale * row['now']:.{digits}f}",
                f"{scale * row['then']:.{digits}f}",
                f"{scale * row['difference']:+.{digits}f}",
            )
        console.print(table)

    def _print_policies(self, console: Console, found: pd.DataFrame) -> None:
        console.print(f"\nOther ways to fill the lists, run on the same days; {found.attrs['rule']}", style="bold")
        numbers = ["lists", "booked", "done", "overrun %", "cancelled %", "overtime min", "touch %"]
        table = screen.new_table("", *numbers, right=numbers)
        for row in found.to_dict("records"):
            table.add_row(
                row["policy"].replace("_", " "),
                str(row["lists"]),
                str(row["booked_cases"]),
                f"{row['done_cases']:.1f}",
                f"{100 * row['overrun_share']:.0f}",
                f"{100 * row['cancelled_share']:.1f}",
                f"{row['overtime_mean_min']:.0f}",
                f"{100 * row['touch_utilisation']:.0f}",
            )
        console.print(table)
        words = (f"{row['policy'].replace('_', ' ')}: {row['words']}" for row in found.to_dict("records"))
        screen.print_beneath(console, "", "; ".join(words))


_FIGURES = {
    "placed": ("cases placed", 1, 0),
    "placement_value": ("worth placed", 1, 1),
    "hours_opened": ("hours of sessions used", 1, 1),
    "overtime_mean_min": ("mean overtime, min", 1, 0),
    "idle_mean_min": ("mean idle time, min", 1, 0),
    "booked_utilisation": ("booked utilisation, %", 100, 1),
    "touch_utilisation": ("touch utilisation, %", 100, 1),
}


def _verified(checked: pd.DataFrame) -> str:
    return (
        f"Verified: {screen.count(len(checked), 'list')} on 200,000 fresh draws each, all within 0.002 of their limits."
    )


def _placed(plan: lt.Plan, name: str) -> str:
    lists = screen.count(len(plan.lists), "list")
    return f"{plan.facts['placed']} of {plan.facts['waiting']} cases of {screen.shown(name)} on {lists}"


def _print_plan(plan: lt.Plan, checked: pd.DataFrame | None, name: str) -> None:
    console, f = screen.new_console(), plan.facts
    risk = f"{100 * f['overrun_risk']:g} %"
    console.print(_placed(plan, name), style="bold")
    console.print(
        f"Chance of overrun at most {risk} a list, unless its session says otherwise. From {f['origin']}. Worth placed "
        f"{f['placement_value']:.1f}, no plan places more than {f['placement_bound']:.1f}; then overtime and idle "
        f"time, cost {f['cost']:.0f}, within {100 * f['cost_gap']:.1f} % of the least.\n"
    )
    cases = plan.cases.to_dict("records")
    for row in plan.lists.to_dict("records"):
        done = row["starts_at"] + _minutes(row["finish_q80_min"])
        console.print(
            f"{row['starts_at']:%a %Y-%m-%d %H:%M} to {row['ends_at']:%H:%M}  {screen.shown(row['session_id'])}  "
            f"surgeon {screen.shown(row['surgeon'] or '?')}  overrun {screen.percent(row['overrun_risk'])}  "
            f"80 % done by {done:%H:%M}  booked {100 * row['booked_utilisation']:.0f} %, "
            f"touch {100 * row['touch_utilisation']:.0f} %",
            style="bold",
        )
        right = ["gland mL", "slot min", "swaps", "bags"]
        table = screen.new_table("", "start", "case", *right, right=right)
        for case in cases:
            if case["session_id"] != row["session_id"]:
                continue
            table.add_row(
                str(case["position"]),
                f"{case['starts_at']:%H:%M}",
                screen.shown(case["case_id"]),
                f"{case['gland_ml']:g}" + (" large" if case["large"] else ""),
                f"{case['slot_min']:g}",
                f"{case['swaps_median']:g} to {case['swaps_q95']:g}",
                str(case["irrigation_bags_q95"]),
            )
        console.print(table)
        if row["words"]:
            screen.print_beneath(console, "help", row["words"])
    if len(plan.unplaced):
        console.print(f"\nNot placed: {len(plan.unplaced)}", style="bold")
        table = screen.new_table("case", "gland mL", "why", right=["gland mL"])
        for case in plan.unplaced.to_dict("records"):
            table.add_row(screen.shown(case["case_id"]), f"{case['gland_ml']:g}", screen.printable(case["words"]))
        console.print(table)
    for words in plan.stock_use["words"]:
        if words:
            console.print(screen.printable(words))
    scarce, worth = max(f["session_worth"].items(), key=lambda one: one[1], default=("", 0.0))
    if worth >= 0.05:
        console.print(
            f"Another session like {screen.shown(scarce)} would be worth about {worth:.1f} of an average case."
        )
    console.print(
        f"\nMean overtime {f['overtime_mean_min']:.0f} min, idle {f['idle_mean_min']:.0f} min in all; "
        f"{f['hours_given_back']:.1f} h of sessions are not used."
    )
    if checked is not None:
        console.print(_verified(checked))
    console.print("Taken from elsewhere: " + "; ".join(f["assumptions"]) + ".")


def _minutes(value: float) -> Any:
    import pandas as pd

    return pd.Timedelta(minutes=value)
