"""What a person answered beside the drawing, and the short property file that says it."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

from siting.errors import Fault, InputError
from siting.site.findings import brief, is_plain
from siting.site.settings import HARDWARE_KINDS, WEEKDAYS
from siting.units import FOOT_M, GALLON_M3, UnitsName, convert

#: Where nobody said how high the ground lies [m]: air pressure moves evaporation little.
ELEVATION_M: Final = 100.0
#: Rain of a wet day where an almanac tells only the month's [mm]: common practice, no source.
WET_DAY_MM: Final = 7.0
_YEARS: Final = 10
_MONTHS: Final = 12
_LONGEST: Final = 200
_TIME: Final = re.compile(r"([01]?\d|2[0-3]):[0-5]\d")
_DAYS: Final = tuple(day[:3].title() for day in WEEKDAYS)


@dataclass(frozen=True)
class Answers:
    """What was answered; None and empty where it was not.

    elevation_m: of the ground [m]; days: as "Mon"; start: "HH:MM"; minutes: valve -> run time
    [min]; price: of water, in the shown units [currency/m³ or currency/kgal]; hardware: what may
    be bought; normals: coldest, warmest [°C] and rain [mm] of each month; first_year: of weather
    to fetch; weather: the text of a weather file; weather_file: its name.
    """

    name: str
    units: UnitsName = "metric"
    elevation_m: float | None = None
    days: tuple[str, ...] = ()
    start: str | None = None
    minutes: Mapping[str, float] = field(default_factory=dict)
    price: float | None = None
    currency: str | None = None
    hardware: tuple[str, ...] = ()
    normals: tuple[tuple[float, float, float], ...] = ()
    first_year: int | None = None
    weather: str | None = None
    weather_file: str | None = None


def answers_of(head: Mapping[str, Any], file: str) -> Answers:
    """Return what was told on the drawing page; what it cannot have written is refused."""
    told = {name: table for name, table in _table(head, "told").items() if isinstance(table, dict)}
    timer, weather, water = (told.get(name, {}) for name in ("timer", "weather", "water"))
    faults: list[Fault] = []
    way = weather.get("way")
    answers = Answers(
        name=_text(head.get("name")) or "My property",
        units="us" if head.get("units") == "us" else "metric",
        elevation_m=_number(weather.get("elevation_m"), -450, 6000),
        days=tuple(day for day in _DAYS if day in _list(timer.get("days"))),
        start=_time(timer.get("start")),
        minutes=_minutes(timer.get("minutes")),
        price=_number(water.get("price"), 0, 1e6),
        currency=_text(water.get("currency")),
        normals=_normals(weather.get("rows"), file, faults) if way == "normals" else (),
        first_year=_whole(weather.get("first_year")) if way == "fetch" else None,
        weather=weather.get("text") if way == "file" and _is_text(weather.get("text")) else None,
        weather_file=_text(weather.get("file")) if way == "file" else None,
    )
    if faults:
        raise InputError(faults)
    if answers.price is not None and answers.units == "us":
        # Of a thousand gallons, as the bill says.
        per_kgal = answers.price * 1000 * GALLON_M3
        answers = replace(answers, price=per_kgal)
    return answers


def merged(first: Answers, second: Answers) -> Answers:
    """Return the answers of both; where both answered, the first counts."""
    weather = ("normals", "first_year", "weather", "weather_file")
    told = {one.name: getattr(first, one.name) for one in fields(first)}
    by_first = any(told[name] for name in weather)
    for name, value in told.items():
        kept = name in weather and by_first
        if not kept and name not in {"name", "units"} and value in (None, (), {}):
            told[name] = getattr(second, name)
    if first.units != second.units and first.price is None and second.price is not None:
        size = 1000 * GALLON_M3
        told["price"] = second.price * size if first.units == "us" else second.price / size
    return Answers(**told)


def _table(head: Mapping[str, Any], name: str) -> dict[str, Any]:
    found = head.get(name)
    return dict(found) if isinstance(found, Mapping) else {}


def _list(value: object) -> list[Any]:
    return list(value) if isinstance(value, list) else []


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _text(value: object) -> str | None:
    if not isinstance(value, str) or not value.strip():
        return None
    return "".join(c if is_plain(c) else " " for c in value.strip())[:_LONGEST]


def _number(value: object, least: float, most: float) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) and least <= value <= most else None


def _whole(value: object) -> int | None:
    number = _number(value, 1850, 2200)
    return None if number is None else int(number)


def _time(value: object) -> str | None:
    return value.zfill(5) if isinstance(value, str) and _TIME.fullmatch(value) else None


def _minutes(value: object) -> dict[str, float]:
    table = value if isinstance(value, Mapping) else {}
    read = {_text(str(valve)): _number(told, 0, 1440) for valve, told in table.items()}
    return {valve: told for valve, told in read.items() if valve and told}


def _normals(
    value: object, file: str, faults: list[Fault]
) -> tuple[tuple[float, float, float], ...]:
    rows = []
    for month, row in enumerate(_list(value), 1):
        told = [_number(cell, -100, 3000) for cell in _list(row)]
        known = [cell for cell in told if cell is not None]
        if len(known) == len(told) == len(("coldest", "warmest", "rain")):
            rows.append((known[0], known[1], known[2]))
        else:
            found, allowed = brief(row), "coldest, warmest and rain"
            mend = "Fill in the month in the page, or choose another way to the weather."
            where = f"row {month}"
            faults.append(Fault(file, found, allowed, mend, layer="weather", feature=where))
    if len(rows) + len(faults) != _MONTHS:
        mend = "Fill in the almanac in the page, or choose another way to the weather."
        faults.append(Fault(file, f"{len(rows)} months", "12 months", mend, layer="weather"))
    return tuple(rows)


def weather_text(answers: Answers) -> str:
    """Return the weather file that goes with the answers: given, of an almanac, or still empty."""
    if answers.weather is not None:
        return answers.weather if answers.weather.endswith("\n") else answers.weather + "\n"
    if answers.normals:
        lines = ["month,tmin_c,tmax_c,rain_mm,wet_days"]
        for month, (low, high, rain) in enumerate(answers.normals, 1):
            wet = min(max(rain / WET_DAY_MM, 1.0 if rain > 0 else 0.0), 28.0)
            lines.append(f"{month},{low:.2f},{high:.2f},{rain:.1f},{wet:.1f}")
        return "\n".join(lines) + "\n"
    return "date,tmin_c,tmax_c,rain_mm,rs_mj_m2,rh_min,rh_max,wind_m_s\n"


def property_text(answers: Answers, layers: str) -> str:
    """Return a property file of only what was answered; every other key has its default."""
    lines = [
        "# A property for `siting`, of what was answered; `siting new` alone writes every key.",
        f"name = {_quoted(answers.name)}",
        f'units = "{answers.units}"',
        f"layers = {_quoted(layers)}",
        *(['units_in = "m"'] if answers.units == "metric" else []),
        "",
        *_weather_lines(answers),
        *_timer_lines(answers),
    ]
    if answers.price is not None:
        key = "price_per_kgal" if answers.units == "us" else "price"
        lines += ["", "[water]", f"{key} = {answers.price:.4g}"]
        lines += [f"currency = {_quoted(answers.currency)}"] if answers.currency else []
    if answers.hardware and answers.hardware != HARDWARE_KINDS:
        lines += ["", "[hardware]", f"kinds = {json.dumps(list(answers.hardware))}"]
    return "\n".join(lines) + "\n"


def _weather_lines(answers: Answers) -> list[str]:
    height = ELEVATION_M if answers.elevation_m is None else answers.elevation_m
    assumed = "" if answers.elevation_m is not None else "  # assumed; it moves the result little"
    us = answers.units == "us"
    key, shown = ("elevation_ft", height / FOOT_M) if us else ("elevation_m", height)
    lines = ["[weather]", 'file = "weather.csv"', f"{key} = {shown:.0f}{assumed}"]
    if not (answers.weather or answers.normals or answers.first_year is not None):
        lines[1:2] = [
            "# No weather was given: a dry climate by latitude stands in, and the plan says so.",
            '# Put days into weather.csv (a line each), and file = "weather.csv" in its place.',
            'format = "stand_in"',
        ]
    if answers.normals:
        wet = f"{convert(WET_DAY_MM, 'depth', answers.units):g} {'in' if us else 'mm'}"
        lines += [f'format = "normals"  # wet days were assumed: one for each {wet} of rain']
    if answers.first_year is not None:
        lines += [
            'fetch = "nasa_power"  # only by `siting plan --fetch-weather`, which sends the place',
            f"first_year = {answers.first_year}",
            f"years = {_YEARS}",
        ]
    return lines


def _timer_lines(answers: Answers) -> list[str]:
    """Return the timer, where both days and minutes are known; else an example."""
    if not (answers.days and answers.minutes):
        return ["", "# [timer] was not told: no savings are claimed."]
    minutes = ", ".join(f"{_quoted(valve)} = {run:g}" for valve, run in answers.minutes.items())
    start = [f'start = "{answers.start}"'] if answers.start else []
    return ["", "[timer]", f"days = {json.dumps(list(answers.days))}", *start,
            f"minutes = {{ {minutes} }}"]  # fmt: skip


def _quoted(text: str | None) -> str:
    r"""Return a text as TOML writes one.

    >>> _quoted('a "b"')
    '"a \\"b\\""'
    """
    return json.dumps(text or "", ensure_ascii=False)
