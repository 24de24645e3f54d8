"""lobetime devices."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
import typer.core
from rich.text import Text

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

if TYPE_CHECKING:
    from ..devices import Comparison, Decision, DeviceCost, Safety
from . import asking, screen
from .program import EPILOG, app

_WIDE = 92  # columns of a screen on which tables of device classes need no narrower names


def _each(parse: Callable[[str], Any], option: str) -> Callable[[list[str]], list[str]]:
    """Refuses what the library would, as wrong usage."""

    def check(values: list[str]) -> list[str]:
        for value in values:
            with _usage(option):
                parse(value)
        return values

    return check


@contextlib.contextmanager
def _usage(option: str | None = None) -> Iterator[None]:
    """What the library refuses here was asked for on the command line."""
    try:
        yield
    except lt.InvalidArgument as error:
        raise typer.BadParameter(str(error), param_hint=option) from None


def _canister(value: str) -> Any:
    from ..devices import Collection

    return Collection.of(value)


def _amounts(option: str, form: str, pairs: Sequence[str]) -> dict[str, Any]:
    """NAME=AMOUNT, each a number or a range "3 to 5"."""
    from ..devices.reading import amount_of

    with _usage(option):
        return {name: amount_of(text) for name, text in asking.pairs(option, form, pairs).items()}


@app.command(epilog=EPILOG)
def devices(
    history: asking.HistoryArgument,
    model: asking.ModelOption = None,
    device_class: Annotated[
        list[str],
        typer.Option(
            "--class",
            metavar="BLADE/SUCTION",
            help="A device class: oscillating/vacuum, oscillating/vacuum:X1 with the unit's own code, or one of "
            "--device-classes. Repeatable; by default those of the history and those with published evidence.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    canister: Annotated[
        list[str],
        typer.Option(
            "--canister",
            metavar="ML",
            callback=_each(_canister, "--canister"),
            help="A collection: mL of a canister, 3x2000 for a chain, or drain. Repeatable; by default the history's.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    reference: Annotated[
        str | None,
        typer.Option(
            "--reference",
            metavar="OPTION",
            help="A class, or an option as the table names it; by default what most cases had.",
            show_default=False,
        ),
    ] = None,
    cases_per_year: Annotated[
        float | None,
        typer.Option(
            "--cases-per-year",
            metavar="N",
            min=1,
            max=100_000,
            help="By default counted from the dates of the history.",
            show_default=False,
        ),
    ] = None,
    overrun_risk: Annotated[
        float,
        typer.Option(
            "--overrun-risk", metavar="CHANCE", callback=asking.chance, help="At which cases of a session are counted."
        ),
    ] = 0.2,
    injuries: Annotated[
        Path | None,
        typer.Option(
            "--injuries",
            metavar="FILE",
            help="The unit's own counts: class, event (wall_injury, malfunction), events, cases.",
            **asking.EXISTING,
        ),
    ] = None,
    costs: Annotated[
        Path | None,
        typer.Option(
            "--costs",
            metavar="FILE",
            help="The unit's own prices, a row a class: class, capital, life_years, service_per_year, "
            "disposable_price, disposable_uses, other_per_case, canister_price. A cell may be a range: 150 to 250.",
            **asking.EXISTING,
        ),
    ] = None,
    minute_cost: Annotated[
        str | None,
        typer.Option(
            "--minute-cost",
            metavar="AMOUNT",
            help="With --costs: of a minute of theatre, a number or '15 to 25'.",
            show_default=False,
        ),
    ] = None,
    currency: Annotated[
        str | None,
        typer.Option(
            "--currency", metavar="WORD", help="With --costs: the word printed beside each.", show_default=False
        ),
    ] = None,
    weights: Annotated[
        str | None,
        typer.Option(
            "--weights",
            metavar="NAME=WEIGHT,...",
            help="Ranks the options by efficiency, wall_injury, malfunction, cost and service, such as "
            "efficiency=3,wall_injury='1 to 4'. A range: unsure; not named: weight 0.",
            show_default=False,
        ),
    ] = None,
    service: Annotated[
        list[str],
        typer.Option(
            "--service",
            metavar="CLASS=SCORE",
            help="With --weights: the unit's own score, 0 to 10, or '5 to 8'. Repeatable; no score: unknown.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", metavar="PATH", help="Write the displays on a page: .png, .svg or .pdf.", show_default=False
        ),
    ] = None,
    draws: Annotated[int, typer.Option("--draws", min=100, max=100_000, help="Joint draws of every case.")] = 1000,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**32, help="The same seed gives the same numbers.")] = 1,
    column: asking.ColumnOption = [],  # noqa: B006 - typer copies it
    drop: asking.DropOption = [],  # noqa: B006 - typer copies it
    device_classes: asking.ClassesOption = None,
    csv: asking.CsvOption = None,
    json: asking.JsonOption = False,
) -> None:
    """Compare device classes and fluid collections on the unit's own case mix: the same cases, the same draws."""
    mapping = asking.columns(column)
    inputs = (history, model, injuries, costs)
    asking.check_output(csv, "--csv", *inputs, picture)
    asking.check_output(picture, "--picture", *inputs, csv)
    if picture is not None:
        screen.picture_kind(picture)
    asked = _Asked.of(costs, minute_cost, currency, weights, service)
    from .. import devices as room
    from ..devices import DeviceClass
    from ..devices.reading import read_costs, read_counts
    from ..devices.safety import with_variants

    own_classes = asking.classes(device_classes)
    named = tuple(own_classes.get("device_classes", ()))
    with _usage("--class"):
        classes = [DeviceClass.of(one, named) for one in device_class]
    with screen.busy(f"reading {history.name}"):
        cases = asking.read(lt.read_cases, history, mapping, **own_classes, drop=drop)
        own = None if injuries is None else read_counts(injuries, named)
        prices = None if costs is None else read_costs(costs, named)
    fitted, origin = asking.model_of(model, cases, own_classes)
    with screen.busy("predicting every case with every class and collection"), _usage():
        told = room.compare_devices(
            fitted,
            cases,
            classes or None,
            canister or None,
            **own_classes,
            reference=reference,
            cases_per_year=cases_per_year,
            draws=draws,
            seed=seed,
            overrun_risk=overrun_risk,
        )
    yearly = told.facts["cases_per_year"]
    safety = room.device_safety(
        cases,
        with_variants(name.partition(":")[0] for name in told.options["device_class"]),
        own=own,
        cases_per_year=yearly if math.isfinite(yearly) else None,
        model=fitted,
        seed=seed,
    )
    cost = None if prices is None else asked.cost(told, prices, seed)
    decision = asked.decision(told, safety, cost, seed)

    if picture is not None:
        screen.write_picture(lambda: room.device_page(told, safety, decision), picture)
    if csv is not None:
        screen.write_csv(csv, told.options.reset_index())
    if json:
        content = told.to_dict()
        content.pop("caution")
        content["origin"] = origin
        content["safety"] = safety.to_dict()
        if cost is not None:
            content["cost"] = cost.to_dict()
        if decision is not None:
            content["decision"] = decision.to_dict()
        content["warnings"] = screen.named(cases.warnings, history)
        screen.print_json("devices", content)
    elif csv is None and picture is None:
        _print_devices(told, history.name)
        _print_safety(safety)
        if cost is not None:
            _print_cost(cost)
        if decision is not None:
            _print_decision(decision)
        assumptions = [
            *told.assumptions,
            *(cost.assumptions if cost else []),
            *(decision.assumptions if decision else []),
        ]
        screen.new_console().print("\nTaken from elsewhere: " + screen.printable("; ".join(assumptions)) + ".")
        screen.print_warnings(screen.new_console(), cases.warnings, history.name)
        screen.print_caution(screen.new_console())


@dataclass
class _Asked:
    """What was asked of cost and ranks."""

    minute_cost: Any
    currency: str
    weights: dict[str, Any]
    service: dict[str, Any]

    @classmethod
    def of(
        cls,
        costs: Path | None,
        minute_cost: str | None,
        currency: str | None,
        weights: str | None,
        service: Sequence[str],
    ) -> _Asked:
        for option, value in (("--minute-cost", minute_cost), ("--currency", currency)):
            if (value is None) != (costs is None):
                raise typer.BadParameter("goes with --costs, and --costs with it", param_hint=option)
        if service and weights is None:
            raise typer.BadParameter("goes with --weights", param_hint="--service")
        weighed = _amounts("--weights", "NAME=WEIGHT", [] if weights is None else weights.split(","))
        if weights is not None and bool(service) != ("service" in weighed):
            raise typer.BadParameter("a weight of service and --service go together", param_hint="--weights")
        if "cost" in weighed and costs is None:
            raise typer.BadParameter("a weight of cost needs --costs", param_hint="--weights")
        minute = _amounts("--minute-cost", "AMOUNT", [f"minute={minute_cost}"])["minute"] if minute_cost else None
        return cls(minute, currency or "", weighed, _amounts("--service", "CLASS=SCORE", service))

    def cost(self, told: Comparison, prices: Mapping[str, Any], seed: int) -> DeviceCost:
        known = {*map(str, told.options.index), *told.options["device_class"]}
        if others := [name for name in prices if name not in known]:
            screen.note(f"prices of classes that are not compared: {', '.join(others)}")
        return lt.device_cost(
            told,
            {name: one for name, one in prices.items() if name in known},
            theatre_minute_cost=self.minute_cost,
            currency=self.currency,
            seed=seed,
        )

    def decision(self, told: Comparison, safety: Safety, cost: DeviceCost | None, seed: int) -> Decision | None:
        if not self.weights:
            return None
        from ..devices import Criteria

        with _usage("--service"):
            criteria = Criteria.of(told, safety=safety, cost=cost, service=self.service or None, seed=seed)
        with _usage("--weights"):
            return lt.decision_table(criteria, dict.fromkeys(criteria.draws, 0.0) | self.weights, seed=seed)


def _option_cells(name: str, reference: str) -> str:
    """A class above its collection; the reference is marked."""
    one, _, collection = name.partition(", ")
    return f"{_class_cell(one)}\n{collection}" + (" *" if name == reference else "")


def _class_cell(name: str) -> str:
    """Over two lines where a screen is too narrow for more."""
    return name if screen.new_console().width >= _WIDE else name.replace("/", "/\n")


def _below(words: str) -> str:
    """The interval of a figure below it."""
    return words.replace(" (", "\n").removesuffix(")")


def _print_rows(rows: Iterable[Mapping[Any, Any]], first: str) -> None:
    """A table of dicts; texts of the first column to the left, figures to the right."""
    rows = list(rows)
    headings = list(rows[0])
    table = screen.new_table(first, *headings[1:], right=headings[1:])
    table.columns[0].no_wrap = True  # names stay whole; figures give way
    for row in rows:
        table.add_row(*(Text(_printable_lines(row[heading])) for heading in headings))
    screen.new_console().print(table)


def _printable_lines(text: str) -> str:
    return "\n".join(map(screen.printable, text.split("\n")))


def _print_devices(told: Comparison, name: str) -> None:
    console, f = screen.new_console(), told.facts
    console.print(
        f"{screen.count(len(told.options), 'option')} on the same {screen.count(f['cases'], 'case')} "
        f"of {screen.shown(name)}",
        style="bold",
    )
    console.print(
        f"Minutes a case; less: those of the reference *, {screen.shown(told.reference)}. Below each figure: the 90 % "
        "interval of the mean.\n"
    )
    rows = told.options.reset_index().to_dict("records")

    def cells(row: Mapping[Any, Any], **columns: tuple[str, str]) -> dict[str, str]:
        first = {"": _option_cells(row["option"], told.reference)}
        return first | {
            heading.replace("_", " "): "" if "difference" in stem and row["option"] == told.reference
            else _below(with_interval(row, stem, form))
            for heading, (stem, form) in columns.items()
        }  # fmt: skip

    from ..devices._saying import percent, with_interval

    minutes = {"morcellation": ("morcellation_min", ".1f"), "less_*": ("difference_min", "+.1f")}
    minutes |= {"theatre": ("theatre_min", ".0f"), "swaps": ("swaps", ".1f")}
    _print_rows(
        (cells(row, **minutes) | {"fastest": percent(row["p_fastest"])} for row in rows), "class and collection"
    )
    for words in told.origins():
        console.print(f"  {screen.printable(words)}")
    cases = ", ".join(f"{row.cases:,}" for row in told.by_gland.drop_duplicates("gland").itertuples())
    console.print(f"\nMinutes of morcellation less those of the reference, by gland (cases: {cases})", style="bold")
    by_gland = told.gland_table().map(_below)
    _print_rows(
        ({"": _option_cells(str(row.pop("option")), "")} | row for row in by_gland.reset_index().to_dict("records")),
        "class and collection",
    )
    console.print()
    for words in told.words():
        console.print(screen.printable(words))
    console.print("\nGrams a minute", style="bold")
    console.print("all / all: all grams over all minutes; each: the mean of each case's own grams over its minutes.\n")
    figures = {"all / all": ("g_min_ratio_of_means", ".1f"), "each": ("g_min_mean_of_ratios", ".1f")}
    _print_rows((cells(row, **figures) for row in rows), "class and collection")
    if math.isfinite(f["cases_per_year"]):
        console.print(f"\nHours in a year of {f['cases_per_year']:g} cases", style="bold")
        hours = {"morcellation": ("morcellation_h_year", ".0f"), "theatre": ("theatre_h_year", ".0f")}
        hours |= {"theatre less_*": ("difference_h_year", "+.0f")}
        _print_rows((cells(row, **hours) for row in rows), "class and collection")


def _print_safety(safety: Safety) -> None:
    console = screen.new_console()
    yearly = safety.cases_per_year is not None
    shown = safety.table.assign(
        thousand=safety.ranges("per_1000"),
        year=safety.ranges("per_year") if yearly else "",
        own=safety.own_words(),
        behind=safety.studies_words(),
    )
    for event, rows in shown.groupby("event", sort=False):
        console.print(
            f"\n{str(event).replace('_', ' ').capitalize()}: expected events, 90 % interval below", style="bold"
        )
        _print_rows(
            (
                {"": _class_cell(row["class"]), "per 1,000": _below(row["thousand"])}
                | ({"a year": _below(row["year"])} if yearly else {})
                | {"own cases": row["own"], "studies": row["behind"].replace(" (", "\n("), "grade": row["grade"]}
                for row in rows.to_dict("records")
            ),
            "class",
        )
    console.print(
        "studies: with a source, and how many there are said to be by common practice, which names none and is taken "
        "for 200, 40 or 30 cases (assumption). unknown: no study, no case of one's own; it may be anything."
    )
    console.print(f"\nMinutes lost to malfunctions, chance times delay; {safety.delay_words()}", style="bold")
    lost = safety.minutes_lost_words().reset_index()
    _print_rows(lost.rename(columns={"class": ""}).to_dict("records"), "class")
    for row in safety.context.to_dict("records"):
        console.print(f"Of no class in particular: {screen.printable(row['sources'])}.")
    for words in safety.notes:
        console.print(f"Note: {screen.printable(words)}.")


def _print_cost(cost: DeviceCost) -> None:
    console = screen.new_console()
    console.print(f"\nCost of a case, {screen.shown(cost.currency)}; less: that of the reference *", style="bold")
    from ..devices._saying import percent, with_interval

    _print_rows(
        (
            {
                "": _option_cells(row["option"], cost.reference),
                "a case": _below(with_interval(row, "cost_per_case", ",.0f")),
                "device": f"{row['device_per_case']:,.0f}",
                "theatre": f"{row['theatre_per_case']:,.0f}",
                "less *": "" if row["option"] == cost.reference else _below(with_interval(row, "difference", "+,.0f")),
                "cheapest": percent(row["p_cheapest"]),
            }
            for row in cost.table.reset_index().to_dict("records")
        ),
        "class and collection",
    )
    for words in cost.words():
        console.print(screen.printable(words))


def _more_cell(row: Mapping[Any, Any]) -> str:
    gain = f"{row['gain']:.4f}" if row["gain"] >= 0.00005 else "<0.0001"
    return f"{gain}\n{row['sd_now_min']:.2f}, {row['sd_then_min']:.2f}"


def _print_decision(decision: Decision) -> None:
    console = screen.new_console()
    console.print(f"\nRanked; {screen.shown(decision.weight_words)}", style="bold")
    from ..devices._saying import percent, with_interval

    ranks = decision.acceptability
    more = decision.more_cases()
    _print_rows(
        (
            {
                "": _option_cells(row["option"], ""),
                "score": _below(with_interval(row, "score", ".2f")),
                "first": percent(row["p_first"]),
                "first 2": percent(min(float(ranks.loc[row["option"], :2].sum()), 1.0)),
                "last": percent(float(ranks.loc[row["option"]].iloc[-1])),
                "10 more tell": _more_cell(more.loc[row["option"]].to_dict()),
                "unknown": row["unknown"].replace(", ", "\n") or "-",
            }
            for row in decision.table.reset_index().to_dict("records")
        ),
        "class and collection",
    )
    console.print(
        "10 more tell: gain in expected score from ten more cases with the option before choosing; below, the SD of "
        "its mean minutes now, and then."
    )
    for words in decision.words():
        console.print(screen.printable(words))
    gains = ", ".join(f"{name} {row['gain']:.4f}" for name, row in decision.information.iterrows())
    console.print(f"Gain in expected score, were it known before choosing: {gains}.")
