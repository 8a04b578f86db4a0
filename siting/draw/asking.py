"""A dozen plain questions, what their answers mean, and the property file that says them.

The questions are put by whoever asks, or stand on the drawing page; the answers are alike.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar

from siting.errors import Fault, InputError, brief, is_plain, limit
from siting.site.settings import HARDWARE_KINDS, MONTHS, WEEKDAYS
from siting.units import FOOT_M, GALLON_M3, INCH_MM, UnitsName, convert

#: Where nobody said how high the ground lies [m]: air pressure moves evaporation little.
ELEVATION_M: Final = 100.0
#: Rain of a wet day where an almanac tells only the month's [mm]: common practice, no source.
WET_DAY_MM: Final = 7.0
_YEARS: Final = 10
_MONTHS: Final = 12
_LONGEST: Final = 200
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
        start=_start_time(timer.get("start")),
        minutes=_run_times(timer.get("minutes")),
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


def _start_time(value: object) -> str | None:
    return value.zfill(5) if isinstance(value, str) and _TIME.fullmatch(value) else None


def _run_times(value: object) -> dict[str, float]:
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
