"""A plan in text: one sensor's why, plans side by side, the answer in the terminal."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd
from rich.markup import escape
from rich.table import Table

from siting.errors import Fault, InputError
from siting.handoff.facts import (
    DECODER_WORDS,
    LINK_WORDS,
    chance_cell,
    depth,
    elide,
    hazard_name,
    run,
    tape,
)
from siting.handoff.tables import choices, folded, valves
from siting.planning.model import Plan
from siting.planning.tables import SCHEMA_NAME
from siting.season.controls import CONTROLS
from siting.units import UnitsName, figure, show

_SCHEMA: Final = "siting-plan/"


@dataclass(frozen=True)
class Topic:
    """One question about a sensor, answered.

    question: such as "Why here?"; words: sentences; numbers: keys as in plan.json, whose schema
    says their units.
    """

    question: str
    words: tuple[str, ...]
    numbers: Mapping[str, Any]


def read_plan(path: Path | str) -> dict[str, Any]:
    """Read plan.json.

    Parameters
    ----------
    path : Path or str
        The file, or the folder that holds it.

    Returns
    -------
    dict
        As `siting.handoff.plan_schema` describes it.

    Raises
    ------
    InputError
        When there is no such file, or it is no plan.
    """
    path = Path(path)
    path = path / "plan.json" if path.is_dir() else path
    wanted = "plan.json, as `siting plan` writes it"
    mend = "Give the folder of the results, or plan.json in it."
    try:
        document = json.loads(path.read_bytes())
    except OSError as error:
        raise InputError([Fault(str(path), error.strerror or "nothing", wanted, mend)]) from error
    except ValueError as error:
        raise InputError([Fault(str(path), "no JSON", wanted, mend)]) from error
    named = document.get("schema") if isinstance(document, dict) else None
    if not str(named).startswith(_SCHEMA):
        found = f"the schema {named}" if named else "no schema"
        raise InputError([Fault(str(path), found, wanted, mend)])
    plan: dict[str, Any] = document
    return plan


def explain_sensor(plan: _Document, sensor_id: str) -> tuple[Topic, ...]:
    """Explain a sensor of a plan.

    Parameters
    ----------
    plan : mapping
        From `read_plan`, or `siting.handoff.document.plan_document`.
    sensor_id : str
        Such as "S1", in either case.

    Returns
    -------
    tuple of Topic
        Why this zone, why here, what gave way, why this depth, at what reading, what it runs, how
        it is reached, and why so many sensors.

    Raises
    ------
    InputError
        When the plan has no such sensor.
    """
    sensors = {str(sensor["sensor_id"]).lower(): sensor for sensor in plan["sensors"]}
    sensor = sensors.get(sensor_id.strip().lower())
    if sensor is None:
        known = ", ".join(str(s["sensor_id"]) for s in plan["sensors"]) or "none"
        raise InputError(
            [Fault("plan.json", sensor_id, f"a sensor of the plan: {known}", "Choose one of them.")]
        )
    zones = {zone["zone"]: zone for zone in plan["zones"]}
    units: UnitsName = "us" if plan["property"]["units"] == "us" else "metric"
    zone = zones[sensor["zone"]]
    return (
        _why_this_zone(sensor, zones),
        _why_here(sensor, units),
        _what_gave_way(sensor),
        _why_this_depth(sensor, zone, units),
        _threshold(sensor),
        _what_it_runs(sensor, zones, _minutes(plan)),
        _how_reached(sensor, units),
        _why_so_many(plan, units),
    )


def _numbers(record: _Document, *keys: str) -> dict[str, Any]:
    """Pick what is known of some keys."""
    return {key: record[key] for key in keys if record.get(key) is not None}


def _why_this_zone(sensor: _Document, zones: Mapping[str, _Document]) -> Topic:
    zone = zones[sensor["zone"]]
    needs = sorted((z["need_score"] for z in zones.values()), reverse=True)
    place = needs.index(zone["need_score"]) + 1
    words = [
        f"{zone['zone']} uses {zone['need_score']:.0f} % of its readily available water a day of "
        f"the peak season, number {place} of {len(zones)} zones.",
        f"It is {zone['need_words']}.",
    ]
    others = [name for name in sensor["governs"] if name != zone["zone"]]
    if others:
        words.append(
            f"It governs {', '.join(others)} too: with its sensor every one of them stays within "
            "the stress limit that held for it, at its own run time, at the least cost of all "
            "groupings."
        )
    else:
        words.append("It governs only itself: no grouping with another zone costs less.")
    keys = ("need_score", "need_ratio", "need_shares", "area_m2", "sun_hours", "taw_mm", "raw_mm")
    return Topic("Why this zone?", tuple(words), _numbers(zone, *keys))


def _why_here(sensor: _Document, units: UnitsName) -> Topic:
    words = [str(sensor["reason"])]
    if sensor.get("expected_rank") is not None:
        words.append(
            f"{100 * sensor['expected_rank']:.0f} % of the ground where a sensor may be buried is "
            "expected to be moister, with everything that is not known reckoned in."
        )
    if sensor.get("application_note"):
        words.append(
            f"{str(sensor['application_note'])[0].upper()}{sensor['application_note'][1:]}."
        )
    reserves = sensor.get("reserves") or []
    if reserves:
        listed = " and ".join(tape(spare["distance_m"], units) for spare in reserves)
        words.append(f"Should the ground there be unfit, reserve points lie {listed} away.")
    keys = (
        "x",
        "y",
        "lon",
        "lat",
        "expected_rank",
        "p_driest_quarter",
        "p_wetter_half",
        "p_driest_quarter_tested",
    )
    return Topic("Why here?", tuple(words), _numbers(sensor, *keys))


def _what_gave_way(sensor: _Document) -> Topic:
    ratio, hazard = sensor["setback_ratio"], str(sensor["binding_setback"]).replace("_", " ")
    said = str(sensor.get("setback_note") or "")
    met = f"Nothing: every setback is met; the tightest is {hazard}, {ratio:.2f} times its setback."
    keys = ("setback_ratio", "binding_setback", "setback_note")
    return Topic("What gave way?", (said or met,), _numbers(sensor, *keys))


def _why_this_depth(sensor: _Document, zone: _Document, units: UnitsName) -> Topic:
    note = str(sensor["depth_note"])
    dug, roots = depth(sensor["depth_m"], units), depth(zone["root_depth_m"], units)
    words = (f"{dug} below the surface: {note}.", f"The roots reach {roots}.")
    return Topic(
        "Why this depth?", words, _numbers(sensor, "depth_m") | _numbers(zone, "root_depth_m")
    )


def _threshold(sensor: _Document) -> Topic:
    threshold = sensor["threshold"]
    keys = ("low_mm", "low_fraction", "vwc", "soak_wait_h")
    return Topic("At what reading?", (str(threshold["note"]),), _numbers(threshold, *keys))


def _minutes(plan: _Document) -> dict[str, float]:
    """Return the whole minutes that the timer table sets, by zone."""
    return {str(row["zone"]): float(row["run_minutes"]) for row in plan.get("timer") or []}


def _what_it_runs(
    sensor: _Document, zones: Mapping[str, _Document], minutes: Mapping[str, float]
) -> Topic:
    words, numbers = [], {}
    for name in sensor["governs"]:
        zone = zones[name]
        today = zone.get("today_minutes")
        beside = "" if today is None else f" (today {today:.0f})"
        worst = zone.get("stress_days")
        stress = (
            "" if worst is None else f"; stress days in the worst season out of ten: {worst:.0f}"
        )
        ran = minutes.get(name, zone["run_minutes"])
        words.append(f"{name}: {ran:.0f} min{beside} an event{stress}.")
        keys = ("run_minutes", "today_minutes", "run_time_factor", "events", "stress_days")
        numbers[name] = _numbers(zone, *keys)
    return Topic("What does it run?", tuple(words), numbers)


def _how_reached(sensor: _Document, units: UnitsName) -> Topic:
    words = []
    named = f"controller {sensor['controller']}" if sensor["controller"] else "the controller"
    link = sensor.get("link")
    if link == "wireless":
        words.append(f"{LINK_WORDS[0].upper()}{LINK_WORDS[1:]}; to {named}.")
    elif sensor.get("wire_m") is not None:
        wire, trench = (run(sensor[key], units) for key in ("wire_m", "trench_m"))
        end = f"{DECODER_WORDS}; to {named}" if link else named
        words.append(f"{wire} of wire to {end}, {trench} of trench.")
    ties = sensor.get("ties") or []
    taped = [f"{tape(t['distance_m'], units)} from {t['from_kind']}" for t in ties]
    if taped:
        words.append(f"By tape: {'; '.join(taped)}.")
    return Topic("How is it reached?", tuple(words), _numbers(sensor, "wire_m", "trench_m", "ties"))


def _why_so_many(plan: _Document, units: UnitsName) -> Topic:
    choices: Sequence[_Document] = plan["choices"]
    currency = plan["economics"].get("currency", "")
    words = [str(plan["answer"]).split(". ")[0] + "."]
    for told, row in folded(choices):
        if row is None:
            words.append(f"{told}: no better.")
            continue
        mark = "chosen: " if row["chosen"] else ""
        if not row["feasible"]:
            words.append(f"{row['n']}: some zone would be stressed beyond its limit.")
        elif row.get("cost_per_year") is not None:
            water = show(row["water_m3"], "volume", units)
            cost = f"{row['cost_per_year']:,.0f} {currency} a year"
            words.append(f"{row['n']}: {mark}{water} of water, {cost} with the sensors' own cost.")
    numbers = {
        str(row["n"]): _numbers(row, "feasible", "water_m3", "cost_per_year", "value_of_next")
        for row in choices
    }
    return Topic("Why so many sensors?", tuple(words), numbers)


_Document = Mapping[str, Any]


def read_plans(paths: Sequence[Path | str]) -> list[tuple[str, dict[str, Any]]]:
    """Read plans, and report everything that is none at once.

    Parameters
    ----------
    paths : sequence of Path or str
        `plan.json` files, or folders that hold one.

    Returns
    -------
    list of (str, dict)
        What each is called and its document.

    Raises
    ------
    InputError
        With every path that is no plan.
    """
    found: list[tuple[str, dict[str, Any]]] = []
    faults: list[Fault] = []
    for path in paths:
        place = Path(path)
        file = place / "plan.json" if place.is_dir() else place
        try:
            document = json.loads(file.read_text("utf-8"))
        except OSError:
            faults.append(_fault(file, "no such file"))
        except ValueError:
            faults.append(_fault(file, "a file that is not JSON"))
        else:
            schema = document.get("schema") if isinstance(document, dict) else None
            if schema == SCHEMA_NAME:
                found.append((file.parent.name if place.is_dir() else str(place), document))
            else:
                faults.append(_fault(file, f"the schema {schema}"))
    if faults:
        raise InputError(faults)
    return found


def _fault(file: Path, found: str) -> Fault:
    mend = "Name the folder that `siting plan --out` wrote, or its plan.json."
    return Fault(str(file), found, f"a plan of the schema {SCHEMA_NAME}", mend)


def compare_plans(plans: Sequence[tuple[str, _Document]]) -> pd.DataFrame:
    """Put plans side by side: sensors, control, hardware, water, stress, money.

    Parameters
    ----------
    plans : sequence of (str, dict)
        As from `read_plans`; amounts are shown in the units of the first.

    Returns
    -------
    DataFrame
        One column per plan, by its name; index: what is compared; cells in words.
    """
    units: UnitsName = "us" if plans and plans[0][1]["property"]["units"] == "us" else "metric"
    cells = [[cell(document, units) for _, document in plans] for _, cell in _LINES]
    index = pd.Index([label for label, _ in _LINES])
    return pd.DataFrame(cells, index=index, columns=[name for name, _ in plans])


def _chosen(document: _Document) -> _Document:
    return next((row for row in document["choices"] if row["chosen"]), {})


def _sensors(document: _Document, _: UnitsName) -> str:
    return "\n".join(
        f"{s['sensor_id']} in {s['zone']}: {', '.join(s['governs'])}" for s in document["sensors"]
    )


def _hardware(document: _Document, _: UnitsName) -> str:
    words = {item["hardware"].replace("_", "-") for item in document["decision"]["hardware"]}
    return ", ".join(sorted(words)) or "-"


def _volume(value: float | None, units: UnitsName) -> str:
    return "-" if value is None else show(value, "volume", units)


def _money(document: _Document, value: float | None) -> str:
    return "-" if value is None else f"{value:,.0f} {document['economics']['currency']}"


def _years(document: _Document, name: str) -> str:
    money = document["economics"]
    if money[name] is None:
        return "-"
    ends = [money[f"{name}{end}"] for end in ("_low", "_high")]
    span = " to ".join("never" if end is None else f"{end:.1f}" for end in ends)
    return f"{money[name]:.1f} ({span})"


def _change(document: _Document, units: UnitsName) -> str:
    """Say what was asked for: the limits and prices that differ most often."""
    options = document["provenance"].get("options", {})
    control, water = options.get("control", {}), options.get("water", {})
    said = [f"stress limit {control.get('max_stress_days')} d"] if control else []
    if water.get("price") is not None:
        said.append(f"price {show(float(water['price']), 'volume_price', units)}")
    if control.get("allowed_days") is not None:
        said.append(f"{len(control['allowed_days'])} days a week")
    return ", ".join(said) or "-"


_Line = tuple[str, Callable[[_Document, UnitsName], str]]
_LINES: Final[tuple[_Line, ...]] = (
    ("property", lambda d, _: str(d["property"]["name"])),
    ("asked for", _change),
    ("sensors", lambda d, _: str(len(d["sensors"]))),
    ("where", _sensors),
    ("control", lambda d, _: str(_chosen(d).get("control") or "-").replace("_", "-")),
    ("hardware", _hardware),
    ("water a season", lambda d, units: _volume(_chosen(d).get("water_m3"), units)),
    ("water saved a year", lambda d, units: _volume(d["economics"]["saved_m3"], units)),
    ("stress days at worst", lambda d, _: f"{max(z['stress_days'] for z in d['zones']):.0f}"),
    ("water and sensors a year", lambda d, _: _money(d, _chosen(d).get("cost_per_year"))),
    ("saved a year", lambda d, _: _money(d, d["economics"]["saved_per_year"])),
    ("building it", lambda d, _: _money(d, d["economics"]["capital"])),
    ("payback, years", lambda d, _: _years(d, "payback_years")),
    ("discounted", lambda d, _: _years(d, "payback_discounted_years")),
    ("next sensor is worth", lambda d, _: _money(d, _chosen(d).get("value_of_next"))),
)
#: Narrower windows than this show a block per sensor.
NARROW: Final = 100
_NAMED: Final = 60
#: A sensor that runs more zones than this has the first few named; the crew sheet has them all.
_ZONES: Final = 8
_FIRST_ZONES: Final = 6
#: Of a longer curve than this, its beginning, what lies about the choice, and its end are told.
_CURVE: Final = 12
_ABOUT: Final = 2


def sensor_table(plan: Plan) -> Table:
    """Return the sensors of a plan as a table for a terminal of 100 columns and more.

    Parameters
    ----------
    plan : Plan
        The plan; numbers are shown in its property's units.

    Returns
    -------
    rich.table.Table
        One row per sensor: tag, zone and valve, depth, threshold, the minutes of what it governs,
        clearance, wire.
    """
    table = Table(header_style="bold")
    for head in ("sensor", "zone", "valve", "control", "depth", "threshold", "runs, minutes"):
        table.add_column(head, overflow="fold")
    for head in ("driest quarter", "setbacks", "wire"):
        table.add_column(head, justify="right", overflow="fold")
    for tag, row in plan.sensors.iterrows():
        table.add_row(
            escape(str(tag)),
            escape(str(row["zone"])),
            escape(str(row["valve"])),
            str(row["control"]).replace("_", "-"),
            _depth(plan, row),
            _threshold_line(row),
            escape(_runs(plan, row)),
            chance_cell(row["p_driest_quarter"]),
            _setbacks(row),
            _wire(plan, row),
        )
    return table


def sensor_lines(plan: Plan, width: int) -> list[str]:
    """Return the sensors of a plan as a block of lines each, for a narrow terminal.

    Parameters
    ----------
    plan : Plan
        The plan; numbers are shown in its property's units.
    width : int
        Of the terminal [characters].

    Returns
    -------
    list of str
        No line wider than the terminal, but for a word that is.
    """
    lines: list[str] = []
    for tag, row in plan.sensors.iterrows():
        control = str(row["control"]).replace("_", "-")
        head = f"{tag} in {row['zone']} (valve {row['valve']}), {_depth(plan, row)} deep, {control}"
        told = (
            f"threshold: {_threshold_line(row)}",
            f"runs: {_runs(plan, row)}",
            f"chance of the driest quarter: {chance_cell(row['p_driest_quarter'])}",
            f"setbacks: {_setbacks(row)}; {_wire(plan, row)} of wire",
        )
        lines += textwrap.wrap(head, width, subsequent_indent="    ", break_long_words=False)
        for one in told:
            lines += textwrap.wrap(
                one, width, initial_indent="  ", subsequent_indent="    ", break_long_words=False
            )
    return lines


def choice_lines(plan: Plan) -> list[str]:
    """Return what each number of sensors brings, those that buy nothing new in one line.

    Of a long curve the beginning, what lies about the choice, and the end.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of str
        Such as "1: 400 m³, 900 EUR a year (chosen)" and "2 to 6: no better".
    """
    units, currency = plan.settings.units, elide(str(plan.economics["currency"]), 10)
    lines = []
    for told, row in _telling(choices(plan)):
        if told == _LEFT_OUT:
            lines.append(told)
        elif row is None:
            lines.append(f"{told}: no better")
        elif not row["feasible"]:
            lines.append(f"{told}: leaves a zone too dry")
        else:
            mark = " (chosen)" if row["chosen"] else ""
            cost = f"{figure(float(row['cost_per_year']))} {currency} a year"
            lines.append(f"{told}: {show(float(row['water_m3']), 'volume', units)}, {cost}{mark}")
    return lines


_LEFT_OUT: Final = "..."
_Told = tuple[str, "Mapping[str, Any] | None"]


def _telling(curve: list[_Told]) -> list[_Told]:
    """Leave out of a long curve what says little: rows far from the choice and from both ends."""
    if len(curve) <= _CURVE:
        return curve
    at = next((k for k, (_, row) in enumerate(curve) if row is not None and row["chosen"]), 0)
    last = len(curve) - 1
    shown = [k for k in range(len(curve)) if min(k, abs(k - at), last - k) <= _ABOUT]
    told: list[_Told] = []
    for before, k in zip([-1, *shown], shown, strict=False):
        told += [(_LEFT_OUT, None)] if k > before + 1 else []
        told.append(curve[k])
    return told


def _depth(plan: Plan, row: pd.Series[Any]) -> str:
    """Return the burial depth as the sheet says it."""
    return depth(float(row["depth_m"]), plan.settings.units)


def _wire(plan: Plan, row: pd.Series[Any]) -> str:
    if row["link"] == "wireless":
        return "link"
    units = plan.settings.units
    return show(row["wire_m"], "length", units, decimals=1 if units == "metric" else 0)


def _threshold_line(row: pd.Series[Any]) -> str:
    """Return the threshold as the share of available water that is used."""
    low = f"{figure(100 * float(row['threshold_low_fraction']))} % used"
    return CONTROLS[str(row["control"])].line.format(low)


def _runs(plan: Plan, row: pd.Series[Any]) -> str:
    """Return the zones that a sensor runs, with their minutes as the timer table has them."""
    table, zones = valves(plan), list(row["governs"])
    more = 0
    if len(zones) > _ZONES:
        zones = [row["zone"], *(zone for zone in zones if zone != row["zone"])]
        zones, more = zones[:_FIRST_ZONES], len(zones) - _FIRST_ZONES
    told = [
        f"{elide(zone, _NAMED)} "
        f"{figure(table[zone].minutes if zone in table else plan.zones['run_minutes'][zone])}"
        for zone in zones
    ]
    return f"{', '.join(told)} min" + (f" and {more} zones more" if more else "")


def _setbacks(row: pd.Series[Any]) -> str:
    """Return whether every setback is kept, and the tightest."""
    share = float(row["setback_ratio"])
    kept = "kept" if share >= 1 else "not kept"
    return f"{kept}, {hazard_name(row['binding_setback'])} × {figure(share, 2)}"
