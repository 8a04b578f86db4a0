"""Read a property file: TOML, every key and table checked before anything is refused."""

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any, Final, cast

from siting.errors import Fault, limit
from siting.extensions import list_extensions
from siting.site.columns import COLUMNS
from siting.site.findings import Findings, brief, nearest
from siting.site.settings import (
    AIMS,
    BUDGET_USES,
    BUDGETS,
    CONTROL_KINDS,
    HARDWARE,
    HARDWARE_KINDS,
    MONTHS,
    PICTURE_LAYERS,
    RASTER_LAYERS,
    VECTOR_LAYERS,
    WEATHER_FORMATS,
    WEATHER_SOURCES,
    WEEKDAYS,
    Analysis,
    Bills,
    Control,
    Costs,
    Hardware,
    LayerSource,
    PropertyFile,
    Season,
    Setbacks,
    Tier,
    Timer,
    Water,
    WeatherSource,
)
from siting.site.toml import NumberKey, TomlFile, TomlTable, key_lines, length_spellings
from siting.units import FOOT_M, GALLON_M3, INCH_MM, LENGTH_UNITS_M, UnitsName

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

    Returns kinds, limits and local rules.
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
    """Return weekdays, Monday is 0, or None when absent or faulty."""
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

    costs: device and installation of an add-on module, where `[hardware.add_on]` does not say.
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


def read_factors(top: TomlTable) -> dict[str, dict[str, Any]]:
    """Return the factors that were asked for, with their options.

    Returns name -> options, faults are noted in the table's file.
    """
    table = top.table("factors")
    if table is None:
        return {}
    installed = list_extensions("siting.factors")
    wanted: dict[str, dict[str, Any]] = {}
    for name in table.values:
        value = table.take(name)
        if name not in installed:
            near = nearest(name, installed)
            mend = f'Did you mean "{near}"?' if near else "Install the package that brings it."
            known = ", ".join(installed) or "none is installed"
            table.fault(name, "no installed package brings it", f"a factor: {known}", mend)
        elif isinstance(value, Mapping):
            wanted[name] = dict(value)
        elif value is True:
            wanted[name] = {}
        elif value is not False:
            mend = f"Write {name} = true."
            table.fault(name, str(value), "true, false or a table of its options", mend)
    table.finish()
    return wanted


#: A path up to this long is shown whole.
_LONG_PATH = 60
_REQUIRED = ("boundary", "hydrozones")
_DEFAULT_HEIGHT = NumberKey(
    "default_height", 0.1, 300, spellings=length_spellings("default_height")
)


def find_file(table: TomlTable, key: str, written: str, folder: Path) -> Path | None:
    """Return the absolute path of a file named in a property file, or note that it is missing.

    Returns None when there is no such file.
    """
    if "://" in written or written.startswith("/vsi"):
        mend = "Nothing is fetched from a network or out of an archive: put the file here."
        table.fault(key, f'the address "{brief(written)}"', "an existing file", mend)
        return None
    path = (folder / written).absolute()
    kind = _kind(path)
    if kind == "file" or (kind == "folder" and path.suffix.lower() == ".gdb"):
        return path
    if kind:
        found = f'"{_shown(written)}", which is a {kind}'
        table.fault(key, found, "an existing file", "Name a file.")
        return None
    siblings = _names(path.parent)
    near = nearest(path.name, sorted(siblings))
    where = brief(path.parent.name or path.parent)
    mend = f'Did you mean "{near}"?' if near else f"Looked in {where}."
    table.fault(key, f'"{_shown(written)}", which does not exist', "an existing file", mend)
    return None


def _shown(written: str) -> str:
    """Return a path for a message: of a long one its end, which says most."""
    name = Path(written).name
    return brief(written if len(written) <= _LONG_PATH or not name else f".../{name}")


def _kind(path: Path) -> str:
    """Return what a path leads to: "file", "folder", "device or pipe", or "" for nothing."""
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return ""
    return "file" if S_ISREG(mode) else "folder" if S_ISDIR(mode) else "device or pipe"


def _names(folder: Path) -> list[str]:
    try:
        return [p.name for p in folder.iterdir()]
    except (OSError, ValueError):
        return []


def read_layers(top: TomlTable, folder: Path) -> dict[str, LayerSource]:
    """Return where each layer is read from, by layer name.

    Parameters
    ----------
    top : TomlTable
        The top of the property file.
    folder : Path
        The property file's folder.

    Returns
    -------
    dict of str to LayerSource
        Sound entries only; faults are noted in the table's file.
    """
    value = top.take("layers")
    units = _read_units(top)
    if isinstance(value, str):
        sources = _from_one_file(top, value, folder)
    elif isinstance(value, Mapping):
        sources = _from_table(TomlTable(top.file, value, "layers"), folder)
    else:
        found = "nothing" if value is None else str(value)
        allowed = "the name of one GeoPackage, or a table: layer name -> file"
        top.fault("layers", found, allowed, 'Write layers = "property.gpkg".')
        sources = {}
    unknown: tuple[str | None, dict[str, str]] = (None, {})
    return {
        name: replace(
            source,
            length_unit=units.get(name, unknown)[0] or "m",
            unit_stated=units.get(name, unknown)[0] is not None,
            column_units=units.get(name, unknown)[1],
        )
        for name, source in sources.items()
    }


def _from_one_file(top: TomlTable, written: str, folder: Path) -> dict[str, LayerSource]:
    path = find_file(top, "layers", written, folder)
    if path is None:
        return {}
    return {name: LayerSource(path, name, optional=name not in _REQUIRED) for name in VECTOR_LAYERS}


def _from_table(table: TomlTable, folder: Path) -> dict[str, LayerSource]:
    common = table.text("file")
    sources = {}
    if common:
        path = find_file(table, "file", common, folder)
        if path:
            sources = {
                name: LayerSource(path, name, optional=name not in _REQUIRED)
                for name in VECTOR_LAYERS
            }
    for name in (*VECTOR_LAYERS, *RASTER_LAYERS, *PICTURE_LAYERS):
        value = table.take(name)
        if value is not None:
            source = _read_source(table, name, value, folder, sources.get(name))
            sources.pop(name, None)
            if source:
                sources[name] = source
        elif name in _REQUIRED and not common:
            table.missing(name, "the file that holds this layer", f'Add {name} = "file:layer".')
    table.finish()
    return sources


def _read_source(
    table: TomlTable, name: str, value: object, folder: Path, common: LayerSource | None
) -> LayerSource | None:
    if isinstance(value, str):
        return _split(table, name, value, folder)
    if not isinstance(value, Mapping):
        table.fault(name, str(value), '"file", "file:layer" or a table', 'Write "file:layer".')
        return None
    inner = TomlTable(table.file, value, f"{table.prefix}.{name}")
    written = inner.text("file", required=common is None)
    source = _split(inner, "file", written, folder) if written else common
    layer = inner.text("layer")
    columns = _read_columns(inner, name)
    flag = inner.flag("text_numbers")
    height = inner.number(_DEFAULT_HEIGHT) if name == "buildings" else None
    inner.finish()
    if source is None:
        return None
    return replace(
        source,
        layer=layer or source.layer,
        columns=columns,
        text_numbers=flag,
        default_height=height,
        optional=source.optional and "layer" not in value,
    )


def _split(table: TomlTable, key: str, written: str, folder: Path) -> LayerSource | None:
    """Split "file:layer"; a colon may be part of a drive's, a file's or a layer's name."""
    colons = [at for at, letter in enumerate(written) if letter == ":" and at > 1]
    heads = [written, *(written[:at] for at in colons)]
    name = next((head for head in heads if _kind(folder / head)), None)
    if name is None:
        name = written[: colons[0]] if colons and "://" not in written else written
    path = find_file(table, key, name, folder)
    return LayerSource(path, written[len(name) + 1 :].strip() or None) if path else None


def _read_columns(table: TomlTable, layer: str) -> dict[str, str]:
    columns = table.table("columns")
    if columns is None:
        return {}
    found = {}
    for column in COLUMNS.get(layer, ()):
        value = columns.take(column.name)
        if isinstance(value, str):
            found[column.name] = value
        elif value is not None:
            columns.fault(
                column.name, str(value), "the file's column name", 'Write ours = "theirs".'
            )
    columns.finish()
    return found


def _read_units(top: TomlTable) -> dict[str, tuple[str | None, dict[str, str]]]:
    """Return each layer's unit of length where it is stated, and the units of single columns."""
    value = top.take("units_in")
    names = (*VECTOR_LAYERS, *RASTER_LAYERS)
    if value is None or not isinstance(value, Mapping):
        unit = _unit(top, "units_in", value) if value is not None else None
        # Cans are read in mm or mL, whatever the lengths are in.
        return {name: (None if name == "cans" else unit, {}) for name in names}
    table = TomlTable(top.file, value, "units_in")
    found = {name: _layer_units(table, name) for name in names}
    table.finish()
    return found


def _layer_units(table: TomlTable, name: str) -> tuple[str | None, dict[str, str]]:
    value: Any = table.take(name)
    if not isinstance(value, Mapping):
        return (_unit(table, name, value) if value is not None else None), {}
    inner = TomlTable(table.file, value, f"{table.prefix}.{name}")
    lengths = [c.name for c in COLUMNS.get(name, ()) if c.kind == "length"]
    units = {column: inner.take(column) for column in lengths}
    inner.finish()
    return None, {c: _unit(inner, c, unit) for c, unit in units.items() if unit is not None}


def _unit(table: TomlTable, key: str, value: object) -> str:
    return table.word(key, value, LENGTH_UNITS_M) or "m"


_KGAL_M3: Final = 1000 * GALLON_M3
_CCF_M3: Final = 100 * FOOT_M**3
COST_KEYS: Final = (
    NumberKey("device", 0, 1e7),
    NumberKey("installation", 0, 1e7),
    NumberKey("trench_per_m", 0, 1e5, spellings={"trench_per_m": 1.0, "trench_per_ft": 1 / FOOT_M}),
    NumberKey("wire_per_m", 0, 1e5, spellings={"wire_per_m": 1.0, "wire_per_ft": 1 / FOOT_M}),
    NumberKey("life_years", 0.5, 100),
    NumberKey("discount_rate", 0, 0.5),
)
PRICE_KEY: Final = NumberKey(
    "price",
    0,
    1e6,
    spellings={
        "price": 1.0,
        "price_per_m3": 1.0,
        "price_per_kgal": 1 / _KGAL_M3,
        "price_per_ccf": 1 / _CCF_M3,
    },
)
_VOLUMES: Final = {"_m3": 1.0, "_kgal": _KGAL_M3, "_gal": GALLON_M3, "_ccf": _CCF_M3}
_OTHER: Final = NumberKey(
    "other_use_m3", 0, 1e7, spellings={f"other_use{end}": size for end, size in _VOLUMES.items()}
)
_UP_TO: Final = NumberKey(
    "up_to_m3", 0, 1e9, spellings={f"up_to{end}": size for end, size in _VOLUMES.items()}
)
#: Keys that live in `[water]` only.
WATER_KEYS: Final = (PRICE_KEY, _OTHER, NumberKey("tiers", 0, 0), NumberKey("bills", 0, 0))


def read_costs(top: TomlTable) -> Costs:
    """Return the table `[costs]`, with its defaults where absent or faulty.

    Returns costs, and whether the user gave any.
    """
    table = top.table("costs")
    if table is None:
        return Costs(given="costs" in top)
    found = table.numbers(COST_KEYS)
    table.finish()
    return Costs(**found, given=True)


def read_water(top: TomlTable) -> Water:
    """Return the table `[water]`, with its defaults where absent or faulty.

    Returns price or tiers, other use, bills and budget.
    """
    table = top.table("water")
    if table is None:
        return Water()
    price, currency = table.number(PRICE_KEY), table.text("currency")
    other = table.number(_OTHER)
    tiers, bills = _tiers(table), _bills(table)
    budget, use = table.choice("budget", BUDGETS), table.choice("budget_use", BUDGET_USES)
    table.finish()
    if price is not None and tiers:
        table.fault("tiers", "a price and tiers together", "one of them", "Remove one.")
    return Water(
        price=price,
        currency=currency or Water.currency,
        tiers=tiers,
        other_use_m3=other or 0.0,
        bills=bills,
        budget=budget,
        budget_use=use or Water.budget_use,
    )


def _tiers(table: TomlTable) -> tuple[Tier, ...]:
    """Return the steps of the price; only the last may lack an upper end."""
    value = table.take("tiers")
    if value is None:
        return ()
    example = "Write [[water.tiers]] with up_to_m3 (or up_to_kgal) and price, once per tier."
    if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
        table.fault("tiers", str(value), "tables [[water.tiers]]", example)
        return ()
    tiers = []
    for item in value:
        inner = TomlTable(table.file, item, "water.tiers")
        end, price = inner.number(_UP_TO), inner.number(PRICE_KEY, required=True)
        inner.finish()
        tiers.append(Tier(math.inf if end is None else end, price or 0.0))
    ends = [tier.up_to_m3 for tier in tiers]
    if ends != sorted(set(ends)):
        shown = ", ".join(f"{end:g}" for end in ends)
        table.fault("tiers", f"upper ends {shown} m³", "rising upper ends, none twice", example)
    if ends and math.isfinite(ends[-1]):
        tiers[-1] = Tier(math.inf, tiers[-1].price)
    return tuple(tiers)


def _bills(table: TomlTable) -> Bills | None:
    """Return metered use by month; months that are not named were not metered."""
    inner = table.table("bills")
    if inner is None:
        return None
    unit = inner.choice("unit", ("m3", "kgal", "gal", "ccf")) or "m3"
    meter = inner.choice("meter", ("irrigation", "all"))
    found: dict[int, float] = {}
    for number, name in enumerate(MONTHS, start=1):
        for spelling in (name[:3], name, str(number)):
            key = NumberKey(name[:3], 0, 1e7, spellings={spelling: _VOLUMES[f"_{unit}"]})
            value = inner.number(key)
            if value is not None:
                found[number] = value
    inner.finish()
    if not found:
        inner.fault("", "no month", "month = use, such as jul = 85", "Write jul = 85.")
        return None
    return Bills(found, everything=meter == "all")


#: What stands for the weather of a property file that is faulty.
NO_WEATHER: Final = WeatherSource(Path())
_ELEVATION: Final = NumberKey(
    "elevation_m",
    -450,
    6000,
    spellings={"elevation_m": 1.0, "elevation_ft": FOOT_M, "elevation": 1.0},
)
_OTHERS: Final = (
    NumberKey(
        "wind_height_m", 0.5, 200, spellings={"wind_height_m": 1.0, "wind_height_ft": FOOT_M}
    ),
    NumberKey("years", 1, 200, whole=True),
    NumberKey("first_year", 1850, 2200, whole=True),
    NumberKey("seed", 0, 2**32 - 1, whole=True),
    NumberKey("wet_day_mm", 0, 5, spellings={"wet_day_mm": 1.0, "wet_day_in": INCH_MM}),
)
#: Every number of the table.
WEATHER_KEYS: Final = (_ELEVATION, *_OTHERS)
#: Formats whose files say how high the station lies; of the others the user must.
_SAY_HEIGHT: Final = frozenset({"ghcn", "tmy2", "tmy3", "epw", "psm3"})
_GENERATED: Final = ("years", "first_year")


def read_weather_table(top: TomlTable, folder: Path) -> WeatherSource:
    """Return where the weather comes from.

    Returns the sound values, defaults elsewhere, faults are noted in the table's file.
    """
    table = top.table("weather")
    if table is None:
        if "weather" not in top:
            top.missing("weather", "a table with file and elevation_m", "Add a table [weather].")
        return NO_WEATHER
    written = table.text("file", required=True)
    kind = table.choice("format", (*WEATHER_FORMATS, *list_extensions("siting.readers")))
    fetch = table.choice("fetch", WEATHER_SOURCES)
    path = _weather_file(table, written, folder, fetched=fetch is not None)
    rain = table.text("rain_file")
    source = WeatherSource(
        path or Path(),
        elevation_m=table.number(_ELEVATION, required=kind not in _SAY_HEIGHT),
        format=kind,
        rain_file=find_file(table, "rain_file", rain, folder) if rain else None,
        station=table.text("station"),
        trust_units=table.flag("trust_units"),
        fetch=fetch,
        **table.numbers(_OTHERS),
    )
    for key in _GENERATED:
        if fetch is not None and key not in table:
            table.missing(key, "the years to fetch", f"Add {key}, as in first_year = 2010.")
    table.finish()
    return source


def _weather_file(
    table: TomlTable, written: str | None, folder: Path, *, fetched: bool
) -> Path | None:
    """Return the path of the file; one that is to be fetched need not be there yet."""
    if written is None:
        return None
    path = (folder / written).absolute()
    address = "://" in written or written.startswith("/vsi")
    if fetched and not address and path.parent.is_dir() and not path.exists():
        return path
    return find_file(table, "file", written, folder)


_MB: Final = 1_000_000
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
    path = (path / "property.toml" if _is_folder(path) else path).absolute()
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


def _is_folder(path: Path) -> bool:
    """Return whether a path is a folder; one that no file can have is none."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def _read_text(path: Path, findings: Findings) -> str:
    allowed = "a TOML text file in UTF-8"
    try:
        size = path.stat().st_size
        if size > limit("property_mb") * _MB:
            found = f"a file of {size / _MB:,.1f} MB"
            allowed = f"{allowed} of at most {limit('property_mb'):g} MB"
            mend = "Name the property file; layers and weather are files of their own."
        elif path.is_file():
            return path.read_bytes().decode("utf-8-sig")
        else:
            found, mend = "a folder, or no plain file", "Name the property file."
    except UnicodeDecodeError as error:
        found = f"a byte that is not UTF-8 at position {error.start}"
        mend = "Save the file with the encoding UTF-8."
    except FileNotFoundError:
        found, mend = "no such file", "Check the path, or make one with `siting new`."
    except (OSError, ValueError) as error:
        found = f"a file that cannot be read ({getattr(error, 'strerror', None) or 'its name'})"
        mend = "Check its name and its permissions."
    findings.faults.append(Fault(brief(path.name), found, allowed, mend))
    return ""


def _parse_toml(path: Path, text: str, findings: Findings) -> Mapping[str, Any] | None:
    if findings.faults:
        return None
    most = int(limit("depth"))
    mend = "Correct that line; texts need quotes, and every key may be given once."
    try:
        # Long dotted keys would take a parser for hours.
        dotted = any(line.partition("=")[0].count(".") > most for line in text.splitlines())
        values = {} if dotted else tomllib.loads(text)
        if not dotted and _depth(values, most) <= most:
            return values
        found = f"tables or lists nested more than {most} deep"
    except RecursionError:
        found = f"lists nested more than {most} deep"
    except tomllib.TOMLDecodeError as error:
        found = f"a TOML error: {brief(error, most=200)}"
    except ValueError:
        found = "a number of too many digits, or a date that does not exist"
    findings.faults.append(Fault(path.name, found, "TOML", mend))
    return None


def _depth(value: object, most: int) -> int:
    """Return how deep tables and lists nest, as far as `most` and one more."""
    level: list[object] = [value]
    for depth in range(most + 1):
        inner = [v for v in level if isinstance(v, Mapping | list)]
        if not inner:
            return depth
        level = [v for one in inner for v in (one.values() if isinstance(one, Mapping) else one)]
    return most + 1


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
    if season.start == season.end:
        mend = "A season over the whole year ends on the day before it starts."
        table.fault("end", "the day on which the season starts", "more than one day", mend)
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
