"""Read a property file: TOML, every key and table checked before anything is refused."""

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any, Final, cast

from siting.errors import Fault, Findings, brief, limit, nearest
from siting.extensions import list_extensions
from siting.language import ENGLISH, known_country, languages, spoken
from siting.site.columns import COLUMNS, plain_word
from siting.site.settings import (
    EVIDENCE_KINDS,
    HARDWARE,
    HARDWARE_KINDS,
    KINDS,
    MONTHS,
    PICTURE_LAYERS,
    RASTER_LAYERS,
    TABLES,
    VECTOR_LAYERS,
    VOLUMES_M3,
    WEATHER_FORMATS,
    WEATHER_SOURCES,
    WEEKDAYS,
    Analysis,
    Bills,
    Control,
    Costs,
    EvidenceSource,
    Hardware,
    LayerSource,
    Measuring,
    PropertyFile,
    Season,
    Setbacks,
    Tier,
    Timer,
    Water,
    WeatherSource,
    keys,
)
from siting.site.toml import Key, TomlFile, TomlTable, key_lines
from siting.units import LENGTH_UNITS_M, UnitsName


def read_keys(table: TomlTable, kind: type, *, but: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return the sound values of the keys that a dataclass declares, by field.

    Whatever else the table holds is a fault, but for keys that were taken before. Keys of the kind
    "own", and those named in `but`, are left to their own readers.
    """
    found = {
        one.name: _read_key(table, one)
        for one in keys(kind)
        if one.kind != "own" and one.name not in but
    }
    table.finish()
    return {name: value for name, value in found.items() if value is not None}


def _section(top: TomlTable, name: str, kind: type) -> dict[str, Any]:
    """Return the sound values of a table that only holds keys that a dataclass declares."""
    table = top.table(name)
    return {} if table is None else read_keys(table, kind)


def _words(table: TomlTable, key: Key, value: object) -> tuple[str, ...] | None:
    """Return the words of a list in our order, or None when absent or faulty."""
    if not isinstance(value, list) or not value:
        mend = f'Write {key.name} = ["{key.words[0]}"].'
        table.fault(key.name, str(value), f"a list of {key.name}: {', '.join(key.words)}", mend)
        return None
    words = [table.word(key.name, item, key.words) for item in value]
    return tuple(word for word in key.words if word in words) or None


def _names(table: TomlTable, key: Key, value: object) -> tuple[str, ...] | None:
    if not (isinstance(value, list) and value and all(isinstance(name, str) for name in value)):
        allowed = f"a list of names of {key.name}"
        table.fault(key.name, str(value), allowed, f"Write {key.example()}.")
        return None
    return tuple(name.strip() for name in value)


def _weekdays(table: TomlTable, key: Key, value: object) -> tuple[int, ...] | None:
    """Return weekdays, Monday is 0, or None when absent or faulty."""
    name = key.name
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


def _window(table: TomlTable, key: Key, value: object) -> tuple[str, str] | None:
    """Return first and last time of day, or None when absent or faulty."""
    times = [_clock(item) for item in value] if isinstance(value, list) else []
    if len(times) != 2 or None in times or times[0] == times[1]:  # noqa: PLR2004 - from, to
        allowed = "two different times of day HH:MM"
        table.fault(key.name, str(value), allowed, f"Write {key.example()}.")
        return None
    return str(times[0]), str(times[1])


def _time(table: TomlTable, key: Key, value: object) -> str | None:
    time = _clock(value)
    if time is None:
        table.fault(key.name, str(value), "a time of day HH:MM", f"Write {key.example()}.")
    return time


def _clock(item: object) -> str | None:
    if isinstance(item, dt.time):
        return f"{item:%H:%M}"
    if isinstance(item, str) and re.fullmatch(r"([01]?\d|2[0-3]):[0-5]\d", item.strip()):
        return item.strip().zfill(5)
    return None


def _month_day(table: TomlTable, key: Key) -> tuple[int, int] | None:
    text = table.text(key.name)
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
        table.fault(key.name, f'"{text}"', "a day of every year as MM-DD", mend)
        return None
    return day.month, day.day


def _valves(table: TomlTable, key: Key) -> dict[str, float] | None:
    """Return valve -> number in our unit, of the first spelling that is there."""
    return next(filter(None, [_per_valve(table, key, name) for name in key.factors]), None)


def _per_valve(table: TomlTable, key: Key, name: str) -> dict[str, float]:
    inner = table.table(name)
    if inner is None:
        return {}
    if not inner.values:
        inner.fault("", "an empty table", "valve = number", f'Write {name} = {{ "1" = 20 }}.')
    found = {}
    for valve, value in inner.values.items():
        number = inner.checked(valve, value, key, key.factors[name])
        if number is not None:
            found[valve.strip()] = number
    return found


def _tiers(table: TomlTable, key: Key, value: object) -> tuple[Tier, ...] | None:
    """Return the steps of the price; only the last may lack an upper end."""
    example = "Write [[water.tiers]] with up_to_m3 (or up_to_kgal) and price, once per tier."
    if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
        table.fault(key.name, str(value), "tables [[water.tiers]]", example)
        return None
    tiers = []
    for item in value:
        inner = TomlTable(table.file, item, "water.tiers")
        tiers.append(Tier(**read_keys(inner, Tier)))
    ends = [tier.up_to_m3 for tier in tiers]
    if ends != sorted(set(ends)):
        shown = ", ".join(f"{end:g}" for end in ends)
        table.fault(key.name, f"upper ends {shown} m³", "rising upper ends, none twice", example)
    if ends and math.isfinite(ends[-1]):
        tiers[-1] = Tier(math.inf, tiers[-1].price)
    return tuple(tiers)


def _bills(table: TomlTable, key: Key) -> Bills | None:
    """Return metered use by month; months that are not named were not metered."""
    inner = table.table(key.name)
    if inner is None:
        return None
    unit = inner.choice("unit", ("m3", "kgal", "gal", "ccf")) or "m3"
    meter = inner.choice("meter", ("irrigation", "all"))
    found: dict[int, float] = {}
    for number, name in enumerate(MONTHS, start=1):
        for spelling in (name[:3], name, str(number)):
            value = inner.number(Key(name[:3], 0, 1e7, spelled={spelling: VOLUMES_M3[f"_{unit}"]}))
            if value is not None:
                found[number] = value
    inner.finish()
    if not found:
        inner.fault("", "no month", "month = use, such as jul = 85", "Write jul = 85.")
        return None
    return Bills(found, everything=meter == "all")


#: How a key is read, by its kind: table and key -> a value, or None when absent or faulty.
_READERS: Final[dict[str, Callable[[TomlTable, Key], Any]]] = {
    "number": TomlTable.number,
    "text": lambda table, key: table.text(key.name, required=key.required),
    "flag": lambda table, key: table.flag(key.name),
    "word": lambda table, key: table.choice(key.name, key.words),
    "day": _month_day,
    "valves": _valves,
    "bills": _bills,
}
#: The same of keys of which what stands there is enough.
_TAKEN: Final[dict[str, Callable[[TomlTable, Key, Any], Any]]] = {
    "words": _words,
    "names": _names,
    "weekdays": _weekdays,
    "window": _window,
    "time": _time,
    "tiers": _tiers,
}


def _read_key(table: TomlTable, key: Key) -> Any:  # noqa: ANN401  (of any type)
    if key.kind in _READERS:
        return _READERS[key.kind](table, key)
    value = table.take(key.name)
    return None if value is None else _TAKEN[key.kind](table, key, value)


def _read_hardware(top: TomlTable, costs: Costs) -> tuple[Hardware, ...]:
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
    kinds = _read_key(table, KINDS)
    inner = {kind: table.table(kind) for kind in HARDWARE_KINDS}
    found = [
        usual[kind] if one is None else replace(usual[kind], **read_keys(one, Hardware), given=True)
        for kind, one in inner.items()
    ]
    table.finish()
    return tuple(item for item in found if not kinds or item.kind in kinds)


def _read_factors(top: TomlTable) -> dict[str, dict[str, Any]]:
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


def _find_file(table: TomlTable, key: str, written: str, folder: Path) -> Path | None:
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
    siblings = _siblings(path.parent)
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


def _siblings(folder: Path) -> list[str]:
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
    path = _find_file(top, "layers", written, folder)
    if path is None:
        return {}
    return {name: LayerSource(path, name, optional=name not in _REQUIRED) for name in VECTOR_LAYERS}


def _from_table(table: TomlTable, folder: Path) -> dict[str, LayerSource]:
    common = table.text("file")
    sources = {}
    if common:
        path = _find_file(table, "file", common, folder)
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
    columns, values = _read_columns(inner, name), _read_values(inner, name)
    found = read_keys(inner, LayerSource, but=() if name == "buildings" else ("default_height",))
    if source is None:
        return None
    optional = source.optional and "layer" not in value
    return replace(source, columns=columns, vocabulary=values, optional=optional, **found)


def _split(table: TomlTable, key: str, written: str, folder: Path) -> LayerSource | None:
    """Split "file:layer"; a colon may be part of a drive's, a file's or a layer's name."""
    colons = [at for at, letter in enumerate(written) if letter == ":" and at > 1]
    heads = [written, *(written[:at] for at in colons)]
    name = next((head for head in heads if _kind(folder / head)), None)
    if name is None:
        name = written[: colons[0]] if colons and "://" not in written else written
    path = _find_file(table, key, name, folder)
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


def _read_values(table: TomlTable, layer: str) -> dict[str, dict[str, str]]:
    """Return the file's words of each column -> ours, both checked."""
    values = table.table("values")
    if values is None:
        return {}
    found: dict[str, dict[str, str]] = {}
    for column in COLUMNS.get(layer, ()):
        inner = values.table(column.name) if column.words else None
        if inner is None:
            continue
        ours = {theirs: inner.word(theirs, told, column.words) for theirs in inner.values
                if (told := inner.take(theirs)) is not None}  # fmt: skip
        found[column.name] = {plain_word(theirs): word for theirs, word in ours.items() if word}
    values.finish()
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
    units = {}
    for column in COLUMNS.get(name, ()):
        known = [end.removeprefix("_") for end in column.endings if end]
        told = inner.take(column.name) if len(known) > 1 else None
        if told is not None:
            told = told.replace("/", "_") if isinstance(told, str) else told
            units[column.name] = inner.word(column.name, told, known) or known[0]
    inner.finish()
    return None, units


def _unit(table: TomlTable, key: str, value: object) -> str:
    return table.word(key, value, LENGTH_UNITS_M) or "m"


def _read_water(top: TomlTable) -> Water:
    water = Water(**_section(top, "water", Water))
    if water.price is not None and water.tiers:
        top.fault("water.tiers", "a price and tiers together", "one of them", "Remove one.")
    return water


_ELEVATION: Final = next(key for key in keys(WeatherSource) if key.name == "elevation_m")
#: Formats whose files say how high the station lies; of the others the user must.
_SAY_HEIGHT: Final = frozenset({"ghcn", "tmy2", "tmy3", "epw", "psm3", "pvgis", "stand_in"})
#: Weather by latitude alone: of no file.
_STAND_IN: Final = "stand_in"
_GENERATED: Final = ("years", "first_year")


def _read_weather_table(top: TomlTable, folder: Path) -> WeatherSource:
    """Return where the weather comes from.

    Returns the sound values, defaults elsewhere, faults are noted in the table's file.
    """
    table = top.table("weather")
    if table is None:
        if "weather" not in top:
            mend = 'Add a table [weather]; for a first plan, format = "stand_in" in it is enough.'
            top.missing("weather", "a table with file and elevation_m", mend)
        return PropertyFile.weather
    kind = table.choice("format", (*WEATHER_FORMATS, *list_extensions("siting.readers")))
    written = table.text("file", required=kind != _STAND_IN)
    if kind == _STAND_IN and written is not None:
        mend = 'Remove format = "stand_in" once the file holds weather, or else remove file.'
        table.fault("file", f'"{brief(written)}" and format = "stand_in"', "one of them", mend)
    fetch = table.choice("fetch", WEATHER_SOURCES)
    path = _weather_file(table, written, folder, fetched=fetch is not None)
    rain = table.text("rain_file")
    rain_file = _find_file(table, "rain_file", rain, folder) if rain else None
    elevation = table.number(replace(_ELEVATION, required=kind not in _SAY_HEIGHT))
    for key in _GENERATED:
        if fetch is not None and key not in table:
            table.missing(key, "the years to fetch", f"Add {key}, as in first_year = 2010.")
    rest = read_keys(table, WeatherSource)
    return WeatherSource(
        path or Path(),
        elevation_m=elevation,
        format=kind,
        fetch=fetch,
        rain_file=rain_file,
        **rest,
    )


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
    return _find_file(table, "file", written, folder)


def _read_evidence_tables(top: TomlTable, folder: Path) -> tuple[EvidenceSource, ...]:
    """Return what `[[evidence]]` names; faults are noted in the table's file."""
    value = top.take("evidence")
    if value is None:
        return ()
    if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
        mend = "Write [[evidence]] with file and kind, once per file."
        top.fault("evidence", brief(value), "tables [[evidence]]", mend)
        return ()
    found = []
    for item in value:
        table = TomlTable(top.file, item, "evidence")
        written = table.text("file", required=True)
        path = _find_file(table, "file", written, folder) if written else None
        date = _date(table, "date")
        rest = read_keys(table, EvidenceSource)
        if path is None or "kind" not in rest:
            continue
        usual = EVIDENCE_KINDS[rest["kind"]]
        whole: dict[str, Any] = {"high": usual.high, "trust": usual.trust} | rest
        found.append(EvidenceSource(path, date=date, **whole))
    return tuple(found)


def _date(table: TomlTable, key: str) -> str:
    """Return a day as YYYY-MM-DD, "" when absent or faulty."""
    value = table.take(key)
    try:
        day = value if isinstance(value, dt.date) else dt.date.fromisoformat(str(value).strip())
    except ValueError:
        if value is not None:
            table.fault(key, brief(value), "a day as YYYY-MM-DD", f'Write {key} = "2026-07-02".')
        return ""
    return f"{day:%Y-%m-%d}"


_MB: Final = 1_000_000


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
        Dotted key -> value; other spellings of the key, and what may not stand beside it, go.

    Returns
    -------
    dict of str to object
        The tables.

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
    known = [key for one in TABLES if one.name == table for key in one.keys]
    groups = {key.either for key in known if name in key.factors and key.either}
    alike = [key for key in known if name in key.factors or key.either in groups]
    return {spelling for key in alike for spelling in key.factors} - {name}


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
        return PropertyFile(path, path.stem, {})
    values = with_changes(values, changes or {})
    file = TomlFile(path.name, key_lines(text), findings, _homes())
    return replace(_from_values(path, values, file), changes=dict(changes or {}))


def _from_values(path: Path, values: Mapping[str, Any], file: TomlFile) -> PropertyFile:
    """Check the tables of a property file."""
    top = TomlTable(file, values)
    costs = Costs(**_section(top, "costs", Costs), given="costs" in top)
    settings = PropertyFile(
        path=path,
        name=top.text("name", required=True) or path.stem,
        units=cast("UnitsName", top.choice("units", ("metric", "us")) or "metric"),
        language=_read_language(top),
        country=_read_country(top),
        layers=read_layers(top, path.parent),
        weather=_read_weather_table(top, path.parent),
        season=_read_season(top),
        timer=_read_timer(top),
        water=_read_water(top),
        costs=costs,
        control=Control(**_section(top, "control", Control)),
        hardware=_read_hardware(top, costs),
        setbacks=Setbacks(**_section(top, "setbacks", Setbacks)),
        analysis=Analysis(**_section(top, "analysis", Analysis)),
        measuring=Measuring(**_section(top, "measuring", Measuring)),
        evidence=_read_evidence_tables(top, path.parent),
        factors=_read_factors(top),
        values=values,
    )
    top.finish()
    return settings


def _read_language(top: TomlTable) -> str:
    """Return the language of the crew, as it is spelled."""
    asked = top.text("language")
    if asked is None:
        return ENGLISH.code
    code = spoken(asked)
    if code is None:
        known = f"{', '.join(languages())}; or with a country, as es-MX"
        top.fault("language", f'"{brief(asked)}"', known, "Write one of these.")
    return code or ENGLISH.code


def _read_country(top: TomlTable) -> str:
    """Return the country of the property by its code, "" where it is not named."""
    asked = top.text("country")
    if asked is None:
        return ""
    if not (code := known_country(asked)):
        known = "two letters of a country, as US, AU or MX"
        top.fault("country", f'"{brief(asked)}"', known, "Write such a code, or leave it out.")
    return code


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


def _homes() -> dict[str, tuple[str, ...]]:
    """Return the tables to which each key belongs."""
    homes: dict[str, tuple[str, ...]] = {"season": ("",)}
    for table in TABLES:
        for spelling in (spelling for key in table.keys for spelling in key.factors):
            homes[spelling] = (*homes.get(spelling, ()), table.name)
    return homes


def _read_season(top: TomlTable) -> Season:
    season = Season(**_section(top, "season", Season))
    if season.start == season.end:
        mend = "A season over the whole year ends on the day before it starts."
        top.fault("season.end", "the day on which the season starts", "more than one day", mend)
    return season


def _read_timer(top: TomlTable) -> Timer | None:
    table = top.table("timer")
    if table is None:
        return None
    timer = Timer(**read_keys(table, Timer))
    for group in ("days", "amount"):
        alike = [key for key in keys(Timer) if key.either == group]
        names = [spelling for key in alike for spelling in key.factors]
        given = [name for name in names if name in table]
        if len(given) != 1:
            found = f"{' and '.join(given)} together" if given else f"none of {', '.join(names)}"
            example = " or ".join(key.example() for key in alike)
            mend = "Remove all but one." if given else f"Write {example}."
            table.fault("", found, f"exactly one of {', '.join(names)}", mend)
    return timer
