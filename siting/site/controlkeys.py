"""Read `[control]` and `[hardware]`: kinds of control, local rules, what hardware costs."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from typing import Final

from siting.site.settings import HARDWARE, Control, Costs, Hardware
from siting.site.tomltable import NumberKey, TomlTable
from siting.site.vocabulary import AIMS, CONTROL_KINDS, HARDWARE_KINDS, WEEKDAYS
from siting.units import INCH_MM

__all__ = ["CONTROL_KEYS", "HARDWARE_KEYS", "read_control", "read_days", "read_hardware"]

CONTROL_KEYS: Final = (
    NumberKey("max_sensors", 1, 100, whole=True),
    NumberKey("max_stress_days", 0, 366),
    NumberKey("sensor_error", 0.001, 0.10, spellings={"sensor_error_percent": 0.01}),
    NumberKey(
        "rain_shutoff_mm", 0.5, 100, spellings={"rain_shutoff_mm": 1.0, "rain_shutoff_in": INCH_MM}
    ),
    NumberKey("rain_shutoff_days", 1, 14, whole=True),
)
HARDWARE_KEYS: Final = (
    NumberKey("sensors", 1, 100, whole=True),
    NumberKey("timer", 0, 1e7),
    NumberKey("timer_installation", 0, 1e7),
    NumberKey("device", 0, 1e7),
    NumberKey("installation", 0, 1e7),
)


def read_control(top: TomlTable) -> Control:
    """Return the table `[control]`, with its defaults where absent or faulty.

    Parameters
    ----------
    top : TomlTable
        The property file.

    Returns
    -------
    Control
        Kinds, limits and local rules.
    """
    table = top.table("control")
    if table is None:
        return Control()
    numbers = table.numbers(CONTROL_KEYS)
    kinds = _words(table, "kinds", CONTROL_KINDS)
    said = table.take("aim")
    aim = table.word("aim", said, AIMS) if said is not None else None
    days = read_days(table, "allowed_days")
    window = _window(table)
    table.finish()
    return Control(
        aim=aim or Control.aim,
        kinds=kinds or Control.kinds,
        allowed_days=days,
        allowed_window=window,
        **numbers,
    )


def read_days(table: TomlTable, name: str) -> tuple[int, ...] | None:
    """Return weekdays, Monday is 0, or None when absent or faulty.

    Parameters
    ----------
    table : TomlTable
        The table.
    name : str
        The key.

    Returns
    -------
    tuple of int or None
        Rising.
    """
    value = table.take(name)
    if value is None:
        return None
    days: set[int] = set()
    if not isinstance(value, list) or not value:
        table.fault(name, str(value), "a list of weekdays", f'Write {name} = ["Mon", "Thu"].')
        return None
    short = {day[:3]: index for index, day in enumerate(WEEKDAYS)}
    for item in value:
        plain = item.strip().lower() if isinstance(item, str) else ""
        word = plain if plain in short else table.word(name, item, WEEKDAYS)
        days |= {short[word[:3]]} if word else set()
    return tuple(sorted(days)) or None


def _window(table: TomlTable) -> tuple[str, str] | None:
    """Return first and last time of day, or None when absent or faulty."""
    value = table.take("allowed_window")
    if value is None:
        return None
    times = [_time(item) for item in value] if isinstance(value, list) else []
    if len(times) != 2 or None in times or times[0] == times[1]:  # noqa: PLR2004 - from, to
        mend = 'Write allowed_window = ["20:00", "08:00"].'
        table.fault("allowed_window", str(value), "two different times of day HH:MM", mend)
        return None
    return str(times[0]), str(times[1])


def _time(item: object) -> str | None:
    if isinstance(item, dt.time):
        return f"{item:%H:%M}"
    if isinstance(item, str) and re.fullmatch(r"([01]?\d|2[0-3]):[0-5]\d", item.strip()):
        return item.strip().zfill(5)
    return None


def _words(table: TomlTable, name: str, allowed: tuple[str, ...]) -> tuple[str, ...]:
    """Return the words of a list in our order; empty when absent or faulty."""
    value = table.take(name)
    if value is None:
        return ()
    if not isinstance(value, list) or not value:
        mend = f'Write {name} = ["{allowed[0]}"].'
        table.fault(name, str(value), f"a list of {name}: {', '.join(allowed)}", mend)
        return ()
    words = [table.word(name, item, allowed) for item in value]
    return tuple(word for word in allowed if word in words)


def read_hardware(top: TomlTable, costs: Costs) -> tuple[Hardware, ...]:
    """Return the hardware to consider: `[hardware]`, with the trade's usual figures elsewhere.

    Parameters
    ----------
    top : TomlTable
        The property file.
    costs : Costs
        Device and installation of an add-on module, where `[hardware.add_on]` does not say.

    Returns
    -------
    tuple of Hardware
        One per kind.
    """
    usual = {item.kind: item for item in HARDWARE}
    usual["add_on"] = replace(
        usual["add_on"], device=costs.device, installation=costs.installation, given=costs.given
    )
    table = top.table("hardware")
    if table is None:
        return tuple(usual.values())
    kinds = _words(table, "kinds", HARDWARE_KINDS)
    found = [_one(table, usual[kind]) for kind in HARDWARE_KINDS]
    table.finish()
    return tuple(item for item in found if not kinds or item.kind in kinds)


def _one(table: TomlTable, usual: Hardware) -> Hardware:
    """Return one kind of hardware."""
    inner = table.table(usual.kind)
    if inner is None:
        return usual
    numbers = inner.numbers(HARDWARE_KEYS)
    numbers |= {"sensors": int(numbers["sensors"])} if "sensors" in numbers else {}
    control = _words(inner, "control", CONTROL_KINDS)
    names = inner.take("controllers")
    if names is not None and not (
        isinstance(names, list) and names and all(isinstance(name, str) for name in names)
    ):
        mend = 'Write controllers = ["C1"].'
        inner.fault("controllers", str(names), "a list of names of controllers", mend)
        names = None
    inner.finish()
    return replace(
        usual,
        **numbers,
        control=control or usual.control,
        controllers=None if names is None else tuple(name.strip() for name in names),
        given=True,
    )
