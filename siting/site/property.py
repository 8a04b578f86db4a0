"""Read a property file: TOML, checked whole before anything is refused."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, Final, cast

from siting.errors import Fault
from siting.site.controlkeys import CONTROL_KEYS, read_control, read_days, read_hardware
from siting.site.factorkeys import read_factors
from siting.site.findings import Findings
from siting.site.layerkeys import read_layers
from siting.site.moneykeys import COST_KEYS, WATER_KEYS, read_costs, read_water
from siting.site.settings import (
    Analysis,
    PropertyFile,
    Season,
    Setbacks,
    Timer,
)
from siting.site.tomltable import NumberKey, TomlFile, TomlTable, key_lines, length_spellings
from siting.site.weatherkeys import NO_WEATHER, WEATHER_KEYS, read_weather_table
from siting.units import INCH_MM, UnitsName

__all__ = ["changed_property", "parse_property", "read_property", "with_changes"]

_RULES: Final = tuple(NumberKey(n, 0, 0) for n in ("allowed_days", "allowed_window"))
_EVERY: Final = NumberKey("every_n_days", 1, 60, whole=True)
_MINUTES: Final = NumberKey("minutes", 0, 1440)
_DEPTH: Final = NumberKey("depth_mm", 0, 200)
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


def read_property(path: Path | str, *, changes: Mapping[str, Any] | None = None) -> PropertyFile:
    """Read a property file and check all of it.

    Parameters
    ----------
    path : Path or str
        The property file, or the folder that holds `property.toml`.
    changes : mapping of str to object, optional
        Dotted key -> value that takes the place of the file's, as in {"water.price": 3.0}.

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
    settings = parse_property(path, findings, changes=changes)
    findings.refuse()
    return settings


def changed_property(settings: PropertyFile, changes: Mapping[str, Any]) -> PropertyFile:
    """Return a property file with some of its values changed, checked like the file.

    Parameters
    ----------
    settings : PropertyFile
        As it was read; its file need not be there any more, but the layers it names.
    changes : mapping of str to object
        Dotted key -> value.

    Returns
    -------
    PropertyFile
        With the changes.

    Raises
    ------
    InputError
        With every fault of the changes.
    """
    findings = Findings()
    values = with_changes(settings.values, changes)
    file = TomlFile("change", {}, findings, _homes())
    changed = _from_values(settings.path, values, file)
    findings.refuse()
    return replace(changed, changes={**settings.changes, **changes})


def with_changes(values: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return nested tables with some values changed; the input is left as it was.

    Parameters
    ----------
    values : mapping
        Tables of a property file.
    changes : mapping of str to object
        Dotted key -> value. A key with a unit takes the place of its other spellings.

    Returns
    -------
    dict
        The changed tables.

    Examples
    --------
    >>> with_changes({"water": {"price": 2.0}}, {"water.price_per_kgal": 8.0})
    {'water': {'price_per_kgal': 8.0}}
    """
    changed: dict[str, Any] = dict(values)
    for dotted, value in changes.items():
        *path, name = str(dotted).split(".")
        table = changed
        for part in path:
            inner = table.get(part)
            table[part] = dict(inner) if isinstance(inner, Mapping) else {}
            table = table[part]
        for rival in _rivals(".".join(path), name):
            table.pop(rival, None)
        table[name] = value
    return changed


def _rivals(table: str, name: str) -> set[str]:
    """Return the other spellings of a key, and keys that may not stand beside it."""
    number_keys = {
        "costs": COST_KEYS,
        "water": WATER_KEYS,
        "control": CONTROL_KEYS,
        "setbacks": _SETBACKS,
        "analysis": _ANALYSIS,
        "weather": WEATHER_KEYS,
    }.get(table, ())
    alike = {s for key in number_keys if name in key.factors for s in key.factors}
    for group in (("days", "every_n_days"), ("minutes", "depth_mm", "depth_in")):
        alike |= set(group) if table == "timer" and name in group else set()
    if table == "water" and (name == "tiers" or name.startswith("price")):
        alike |= {"tiers", *(s for s in WATER_KEYS[0].factors)}
    return alike - {name}


def parse_property(
    path: Path | str, findings: Findings, *, changes: Mapping[str, Any] | None = None
) -> PropertyFile:
    """Read a property file, and note its faults instead of raising them.

    Parameters
    ----------
    path : Path or str
        The property file, or the folder that holds `property.toml`.
    findings : Findings
        Where faults are noted; when there are any, the values returned are only good for finding
        more faults.
    changes : mapping of str to object, optional
        Dotted key -> value that takes the place of the file's.

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
    values = with_changes(values, changes or {})
    file = TomlFile(path.name, key_lines(text), findings, _homes())
    return replace(_from_values(path, values, file), changes=dict(changes or {}))


def _from_values(path: Path, values: Mapping[str, Any], file: TomlFile) -> PropertyFile:
    """Check the tables of a property file."""
    top = TomlTable(file, values)
    costs = read_costs(top)
    settings = PropertyFile(
        path=path,
        name=top.text("name", required=True) or path.stem,
        units=cast("UnitsName", top.choice("units", ("metric", "us")) or "metric"),
        layers=read_layers(top, path.parent),
        weather=read_weather_table(top, path.parent),
        season=_read_season(top),
        timer=_read_timer(top),
        water=read_water(top),
        costs=costs,
        control=read_control(top),
        hardware=read_hardware(top, costs),
        setbacks=Setbacks(**_section(top, "setbacks", _SETBACKS)),
        analysis=Analysis(**_section(top, "analysis", _ANALYSIS)),
        factors=read_factors(top),
        values=values,
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
        "costs": COST_KEYS,
        "water": (*WATER_KEYS, *(NumberKey(k, 0, 0) for k in ("currency", "budget", "budget_use"))),
        "control": (*CONTROL_KEYS, *_RULES),
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
    days = read_days(table, "days")
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
