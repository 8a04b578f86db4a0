"""Read a property file: TOML, checked whole before anything is refused."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any, Final, cast

from siting.errors import Fault
from siting.site.factorkeys import read_factors
from siting.site.findings import Findings
from siting.site.layerkeys import read_layers
from siting.site.settings import (
    Analysis,
    Control,
    Costs,
    PropertyFile,
    Season,
    Setbacks,
    Timer,
    Water,
)
from siting.site.tomltable import NumberKey, TomlFile, TomlTable, key_lines, length_spellings
from siting.site.vocabulary import BUDGET_USES, BUDGETS, CONTROL_KINDS, WEEKDAYS
from siting.site.weatherkeys import NO_WEATHER, WEATHER_KEYS, read_weather_table
from siting.units import FOOT_M, GALLON_M3, INCH_MM, UnitsName

__all__ = ["parse_property", "read_property"]

_EVERY: Final = NumberKey("every_n_days", 1, 60, whole=True)
_MINUTES: Final = NumberKey("minutes", 0, 1440)
_DEPTH: Final = NumberKey("depth_mm", 0, 200)
_COSTS: Final = (
    NumberKey("device", 0, 1e7),
    NumberKey("installation", 0, 1e7),
    NumberKey("trench_per_m", 0, 1e5, spellings={"trench_per_m": 1.0, "trench_per_ft": 1 / FOOT_M}),
    NumberKey("wire_per_m", 0, 1e5, spellings={"wire_per_m": 1.0, "wire_per_ft": 1 / FOOT_M}),
    NumberKey("life_years", 0.5, 100),
)
_PRICE: Final = NumberKey(
    "price",
    0,
    1e6,
    spellings={
        "price": 1.0,
        "price_per_m3": 1.0,
        "price_per_kgal": 1 / (1000 * GALLON_M3),
        "price_per_ccf": 1 / (100 * FOOT_M**3),
    },
)
_CONTROL: Final = (
    NumberKey("max_sensors", 1, 100, whole=True),
    NumberKey("max_stress_days", 0, 366),
)
_SETBACKS: Final = tuple(
    NumberKey(f.name, 0, 100, spellings=length_spellings(f.name))
    if f.name != "slope_percent"
    else NumberKey("slope_percent", 1, 1000)
    for f in fields(Setbacks)
)
_ANALYSIS: Final = (
    NumberKey("resolution", 0.1, 5, spellings=length_spellings("resolution")),
    NumberKey("scenarios", 1, 200, whole=True),
    NumberKey("seed", 0, 2**32 - 1, whole=True),
    NumberKey("sun_minutes", 1, 60, whole=True),
)


def read_property(path: Path | str) -> PropertyFile:
    """Read a property file and check all of it.

    Parameters
    ----------
    path : Path or str
        The property file, or the folder that holds `property.toml`.

    Returns
    -------
    PropertyFile
        Its values; every path absolute, every length in metres, money per metre and per m³.

    Raises
    ------
    InputError
        With every fault found: unknown keys (the nearest known one is named), wrong types, values
        out of range, missing files.
    """
    findings = Findings()
    settings = parse_property(path, findings)
    findings.refuse()
    return settings


def parse_property(path: Path | str, findings: Findings) -> PropertyFile:
    """Read a property file, and note its faults instead of raising them.

    Parameters
    ----------
    path : Path or str
        The property file, or the folder that holds `property.toml`.
    findings : Findings
        Where faults are noted; when there are any, the values returned are only good for finding
        more faults.

    Returns
    -------
    PropertyFile
        The sound values, defaults elsewhere.
    """
    path = Path(path)
    path = (path / "property.toml" if path.is_dir() else path).absolute()
    text = _read_text(path, findings)
    values = _parse_toml(path, text, findings)
    if values is None:
        return PropertyFile(path, path.stem, {}, NO_WEATHER)
    file = TomlFile(path.name, key_lines(text), findings, _homes())
    top = TomlTable(file, values)
    settings = PropertyFile(
        path=path,
        name=top.text("name", required=True) or path.stem,
        units=cast("UnitsName", top.choice("units", ("metric", "us")) or "metric"),
        layers=read_layers(top, path.parent),
        weather=read_weather_table(top, path.parent),
        season=_read_season(top),
        timer=_read_timer(top),
        water=_read_water(top),
        costs=_read_costs(top),
        control=_read_control(top),
        setbacks=Setbacks(**_section(top, "setbacks", _SETBACKS)),
        analysis=Analysis(**_section(top, "analysis", _ANALYSIS)),
        factors=read_factors(top),
    )
    top.finish()
    return settings


def _read_text(path: Path, findings: Findings) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError:
        found, mend = "no such file", "Check the path, or make one with `siting new`."
    except UnicodeDecodeError as error:
        found = f"a byte that is not UTF-8 at position {error.start}"
        mend = "Save the file with the encoding UTF-8."
    findings.faults.append(Fault(path.name, found, "a TOML text file in UTF-8", mend))
    return ""


def _parse_toml(path: Path, text: str, findings: Findings) -> Mapping[str, Any] | None:
    if findings.faults:
        return None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        mend = "Correct that line; texts need quotes, and every key may be given once."
        findings.faults.append(Fault(path.name, f"a TOML error: {error}", "TOML", mend))
        return None


def _homes() -> dict[str, str]:
    """Return the table in which each key belongs, for keys that live in one table only."""
    homes = dict.fromkeys(("units", "units_in", "layers", "name", "season"), "")
    tables = {
        "costs": _COSTS,
        "water": (_PRICE, *(NumberKey(k, 0, 0) for k in ("currency", "budget", "budget_use"))),
        "control": (*_CONTROL, NumberKey("kinds", 0, 0)),
        "setbacks": _SETBACKS,
        "analysis": _ANALYSIS,
        "weather": tuple(key for key in WEATHER_KEYS if key.name != "seed"),
        "timer": (_EVERY, _MINUTES, _DEPTH, NumberKey("days", 0, 0)),
    }
    for table, keys in tables.items():
        homes |= {spelling: table for key in keys for spelling in key.factors}
    return homes


def _section(top: TomlTable, name: str, keys: tuple[NumberKey, ...]) -> dict[str, Any]:
    """Return the numbers of a table that holds nothing else."""
    table = top.table(name)
    if table is None:
        return {}
    found = table.numbers(keys)
    table.finish()
    return found


def _read_season(top: TomlTable) -> Season:
    table = top.table("season")
    if table is None:
        return Season()
    season = Season(
        start=_month_day(table, "start") or Season.start, end=_month_day(table, "end") or Season.end
    )
    table.finish()
    return season


def _month_day(table: TomlTable, key: str) -> tuple[int, int] | None:
    text = table.text(key)
    if text is None:
        return None
    try:
        match = re.fullmatch(r"(\d{1,2})-(\d{1,2})", text)
        # A year without 29 February, so that every season has the same length.
        day = dt.date(2001, int(match[1]), int(match[2])) if match else None
    except ValueError:
        day = None
    if day is None:
        leap = text in ("02-29", "2-29")
        mend = "Write 02-28 or 03-01." if leap else 'Write month-day, as in "03-15".'
        table.fault(key, f'"{text}"', "a day of every year as MM-DD", mend)
        return None
    return day.month, day.day


def _read_timer(top: TomlTable) -> Timer | None:
    table = top.table("timer")
    if table is None:
        return None
    days = _read_days(table)
    every = table.number(_EVERY)
    start = _read_time(table)
    minutes = _per_valve(table, "minutes", _MINUTES, 1.0)
    depth = _per_valve(table, "depth_mm", _DEPTH, 1.0)
    inches = _per_valve(table, "depth_in", _DEPTH, INCH_MM)
    table.finish()
    _one_of(table, ("days", "every_n_days"), 'days = ["Mon", "Thu"] or every_n_days = 3')
    amounts = ("minutes", "depth_mm", "depth_in")
    _one_of(table, amounts, 'minutes = { "1" = 20 } or depth_mm = { "1" = 8 }')
    return Timer(
        days=days,
        every_n_days=None if every is None else int(every),
        start=start or Timer.start,
        minutes=minutes,
        depth_mm=depth or inches,
    )


def _one_of(table: TomlTable, names: tuple[str, ...], example: str) -> None:
    given = [name for name in names if name in table]
    if len(given) == 1:
        return
    found = f"{' and '.join(given)} together" if given else f"none of {', '.join(names)}"
    mend = "Remove all but one." if given else f"Write {example}."
    table.fault("", found, f"exactly one of {', '.join(names)}", mend)


def _read_days(table: TomlTable) -> tuple[int, ...] | None:
    value = table.take("days")
    if value is None:
        return None
    days: set[int] = set()
    if not isinstance(value, list) or not value:
        table.fault("days", str(value), "a list of weekdays", 'Write days = ["Mon", "Thu"].')
        return None
    short = {day[:3]: index for index, day in enumerate(WEEKDAYS)}
    for item in value:
        plain = item.strip().lower() if isinstance(item, str) else ""
        word = plain if plain in short else table.word("days", item, WEEKDAYS)
        days |= {short[word[:3]]} if word else set()
    return tuple(sorted(days)) or None


def _read_time(table: TomlTable) -> str | None:
    value = table.take("start")
    if isinstance(value, dt.time):
        return f"{value:%H:%M}"
    if isinstance(value, str) and re.fullmatch(r"([01]?\d|2[0-3]):[0-5]\d", value.strip()):
        return value.strip().zfill(5)
    if value is not None:
        table.fault("start", str(value), "a time of day HH:MM", 'Write start = "04:00".')
    return None


def _per_valve(
    table: TomlTable, name: str, key: NumberKey, factor: float
) -> Mapping[str, float] | None:
    inner = table.table(name)
    if inner is None:
        return None
    if not inner.values:
        inner.fault("", "an empty table", "valve = number", f'Write {name} = {{ "1" = 20 }}.')
    found = {}
    for valve, value in inner.values.items():
        spelled = NumberKey(key.name, key.low, key.high, spellings={valve: factor})
        number = inner.checked(valve, value, spelled)
        if number is not None:
            found[valve.strip()] = number
    return found


def _read_water(top: TomlTable) -> Water:
    table = top.table("water")
    if table is None:
        return Water()
    price, currency = table.number(_PRICE), table.text("currency")
    budget = table.choice("budget", BUDGETS)
    use = table.choice("budget_use", BUDGET_USES)
    table.finish()
    return Water(price, currency or Water.currency, budget, use or Water.budget_use)


def _read_costs(top: TomlTable) -> Costs:
    return Costs(**_section(top, "costs", _COSTS), given="costs" in top)


def _read_control(top: TomlTable) -> Control:
    table = top.table("control")
    if table is None:
        return Control()
    numbers = table.numbers(_CONTROL)
    value = table.take("kinds")
    kinds: list[str] = []
    if value is not None and (not isinstance(value, list) or not value):
        mend = 'Write kinds = ["bypass"].'
        table.fault("kinds", str(value), "a list of kinds of control", mend)
    elif value is not None:
        words = [table.word("kinds", item, CONTROL_KINDS) for item in value]
        kinds = [kind for kind in CONTROL_KINDS if kind in words]
    table.finish()
    return Control(kinds=tuple(kinds) or Control.kinds, **numbers)
