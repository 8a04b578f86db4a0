"""A dozen plain questions, and what their answers mean; whoever asks brings the way to ask."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar

from siting.draw.answers import Answers
from siting.errors import limit
from siting.site.findings import brief, is_plain
from siting.site.settings import HARDWARE_KINDS, MONTHS, WEEKDAYS
from siting.units import FOOT_M, INCH_MM, UnitsName

T = TypeVar("T")
#: Puts a question and returns what was typed; "" is the usual answer.
Ask = Callable[[str], str]
_MB: Final = 1_000_000
_SOON: Final = 2100
#: First year of the public source by coordinates.
_EARLIEST: Final = 1984
_TIME: Final = re.compile(r"([01]?\d|2[0-3]):[0-5]\d")
_BUY: Final = {
    "1": ("add_on",),
    "2": ("replacement",),
    "3": HARDWARE_KINDS,
}


class Asked(NamedTuple):
    """What was answered, and in which CRS the layers are best drawn."""

    answers: Answers
    crs: str


def ask_all(ask: Ask, say: Callable[[str], None], *, name: str) -> Asked:
    """Ask for everything that has no default the trade would accept; again where it is unclear.

    ask: puts a question; say: tells something; name: of the folder, the usual name.
    """

    def put(question: str, read: Callable[[str], T], usual: T) -> T:
        while True:
            typed = ask(question).strip()
            if not typed:
                return usual
            try:
                return read(typed)
            except ValueError as wrong:
                say(f"{wrong} Type it again, or press Enter to leave it.")

    say("Press Enter where you do not know: what is then assumed stands in the plan.")
    no_days: tuple[str, ...] = ()
    no_minutes: dict[str, float] = {}
    told = Answers(name=put(f"Name of the property [{name}]", _name, name))
    units: UnitsName = put("Feet and inches, or metres? us or metric [us]", _units, "us")
    place = put("Where is it? latitude, longitude, as 40.02, -105.27", _place, None)
    high = put(f"Height above the sea in {_unit(units)} [assumed]", _height(units), None)
    days = put("On which days does the timer run? as Mon Wed Fri [not known]", _days, no_days)
    start = put("When does it start? as 04:30 [not known]", _time, None) if days else None
    minutes = put("Minutes of each valve? as 1=20, 2=15", _minutes, no_minutes) if days else {}
    volume = "1,000 gallons" if units == "us" else "a cubic metre"
    price = put(f"Price of {volume} of water [no money is reckoned]", _amount("price"), None)
    currency = put("Currency [USD]", _name, None) if price is not None else None
    buy = "What may be bought? 1 a module beside the timer, 2 a new timer, 3 either [3]"
    told = replace(
        told, units=units, elevation_m=high, days=days, start=start, minutes=minutes, price=price,
        currency=currency, hardware=put(buy, _bought, HARDWARE_KINDS),
    )  # fmt: skip
    return Asked(_weather(put, say, told, place), _crs(place))


def _weather(
    put: Callable[..., Any],
    say: Callable[[str], None],
    told: Answers,
    place: tuple[float, float] | None,
) -> Answers:
    """Ask for the weather, from the surest source to the least sure."""
    say(
        "Weather: 1 a file of daily weather that you have (most sure); 2 days of a public source "
        "by coordinates (of a cell of tens of km, rain least sure); 3 twelve months from an "
        "almanac (for a first plan); 4 later (until then a dry climate by latitude stands in, and "
        "the headline says so)."
    )
    way = put("Which? [4]", _one_of("1", "2", "3", "4"), "4")
    if way == "1":
        text, file = put("The file", _file, (None, None))
        return replace(told, weather=text, weather_file=file)
    if way == "2":
        where = f"{place[0]:.4f}, {place[1]:.4f}" if place else "the middle of the boundary"
        say(
            f"Nothing is sent now. `siting plan --fetch-weather` will ask NASA POWER for {where}, "
            "hour by hour, of ten years; it then knows the place."
        )
        year = put("First of the ten years [2014]", _year, 2014)
        return replace(told, first_year=year)
    if way == "3":
        unit = "°F and inches" if told.units == "us" else "°C and mm"
        say(f"Of each month the coldest and warmest of a day, and the rain, in {unit}.")
        read = _month(told.units)
        rows = []
        for month in MONTHS:
            row = put(f"{month.title()}, as {'28 54 1.2' if told.units == 'us' else '-2 12 30'}",
                      read, None)  # fmt: skip
            if row is None:
                say(
                    "Without all twelve months there is no almanac: the weather is left for later, "
                    "and a dry climate by latitude stands in."
                )
                return told
            rows.append(row)
        return replace(told, normals=tuple(rows))
    return told


def _unit(units: UnitsName) -> str:
    return "feet" if units == "us" else "metres"


def _name(typed: str) -> str:
    if not is_plain(typed) or len(typed) > limit("text"):
        msg = "That is no plain name."
        raise ValueError(msg)
    return typed


def _one_of(*words: str) -> Callable[[str], str]:
    def read(typed: str) -> str:
        if typed.lower() not in words:
            msg = f'"{brief(typed)}" is none of {", ".join(words)}.'
            raise ValueError(msg)
        return typed.lower()

    return read


def _units(typed: str) -> UnitsName:
    return "us" if _one_of("us", "metric")(typed) == "us" else "metric"


def _numbers(typed: str) -> list[float]:
    words = re.split(r"[\s,;]+", typed.strip(" ,;"))
    try:
        numbers = [float(word) for word in words]
    except ValueError:
        numbers = [math.nan]
    if not all(math.isfinite(number) for number in numbers):
        msg = f'"{brief(typed)}" is not of numbers.'
        raise ValueError(msg)
    return numbers


def _place(typed: str) -> tuple[float, float]:
    numbers = _numbers(typed)
    if len(numbers) != 2 or abs(numbers[0]) > 75 or abs(numbers[1]) > 180:  # noqa: PLR2004
        msg = "That is no latitude and longitude: two numbers, north and east, west is minus."
        raise ValueError(msg)
    return numbers[0], numbers[1]


def _crs(place: tuple[float, float] | None) -> str:
    """Return the UTM zone of a place, in which a GIS draws true metres."""
    if place is None:
        return "EPSG:4326"
    zone = min(int((place[1] + 180) // 6) + 1, 60)
    return f"EPSG:{(32600 if place[0] >= 0 else 32700) + zone}"


def _amount(what: str, least: float = 0.0, most: float = 1e6) -> Callable[[str], float]:
    def read(typed: str) -> float:
        numbers = _numbers(typed)
        if len(numbers) != 1 or not least <= numbers[0] <= most:
            msg = f"That is no {what}: one number from {least:g} to {most:g}."
            raise ValueError(msg)
        return numbers[0]

    return read


def _height(units: UnitsName) -> Callable[[str], float]:
    size = FOOT_M if units == "us" else 1.0
    return lambda typed: size * _amount("height", -450 / size, 6000 / size)(typed)


def _days(typed: str) -> tuple[str, ...]:
    short = [word[:3].lower() for word in re.split(r"[\s,;]+", typed.strip(" ,;"))]
    known = [day[:3] for day in WEEKDAYS]
    wrong = [word for word in short if word not in known]
    if wrong:
        msg = f'"{brief(wrong[0])}" is no day of the week.'
        raise ValueError(msg)
    return tuple(day.title() for day in known if day in short)


def _time(typed: str) -> str:
    if not _TIME.fullmatch(typed):
        msg = f'"{brief(typed)}" is no time of day as 04:30.'
        raise ValueError(msg)
    return typed.zfill(5)


def _minutes(typed: str) -> dict[str, float]:
    found = {}
    for pair in re.split(r"[,;]", typed.strip(" ,;")):
        valve, equals, run = pair.rpartition("=")
        if not (equals and valve.strip()):
            msg = f'"{brief(pair)}" is not valve=minutes.'
            raise ValueError(msg)
        found[_name(valve.strip())] = _amount("run time", 0, 1440)(run)
    return found


def _bought(typed: str) -> tuple[str, ...]:
    return _BUY[_one_of(*_BUY)(typed)]


def _year(typed: str) -> int:
    return int(_amount("year", _EARLIEST, _SOON)(typed))


def _month(units: UnitsName) -> Callable[[str], tuple[float, float, float]]:
    def read(typed: str) -> tuple[float, float, float]:
        numbers = _numbers(typed)
        if len(numbers) != 3 or numbers[0] >= numbers[1] or numbers[2] < 0:  # noqa: PLR2004
            msg = "Three numbers: the coldest, a warmer one, and the rain."
            raise ValueError(msg)
        low, high, rain = numbers
        if units == "us":
            return (low - 32) * 5 / 9, (high - 32) * 5 / 9, rain * INCH_MM
        return low, high, rain

    return read


def _file(typed: str) -> tuple[str, str]:
    path = Path(typed).expanduser()
    try:
        if path.stat().st_size > limit("weather_mb") * _MB:
            msg = f"{path.name} is too large for a weather file."
            raise ValueError(msg)
        return path.read_text(encoding="utf-8"), path.name
    except (OSError, UnicodeDecodeError):
        msg = f'There is no file "{brief(typed)}" that can be read as text.'
        raise ValueError(msg) from None
