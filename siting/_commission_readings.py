"""All files that came back from the field, read together: one message for all their faults."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import pandas as pd

from siting._commission_cells import RawSheet, read_sheets
from siting._commission_logs import (
    TIME_NAMES,
    parse_events,
    parse_meter,
    parse_moisture,
    parse_weather,
)
from siting._commission_sheet import Parsed, check_ids, check_sensors, parse_sheet
from siting._plan_readings import CAN_COLUMNS, SENSOR_COLUMNS, ZONE_COLUMNS, SheetColumn
from siting.errors import Fault, InputError
from siting.planning import Plan
from siting.site.findings import some

__all__ = ["Readings", "read_readings"]


def _empty(*columns: str) -> pd.DataFrame:
    return pd.DataFrame({name: [] for name in columns})


@dataclass(frozen=True)
class Readings:
    """What came back from the field.

    sensors: index `sensor_id`, the columns of `siting._plan_readings.SENSOR_COLUMNS` that the sheet
    has; zones: index `zone`, jar_sand, jar_silt, jar_clay, intake [mm/h], root_depth [m], note;
    cans: columns zone, lat, lon, caught [mm], minutes; moisture: sensor (or survey point) -> values
    by time, as logged, sorted, without gaps filled; units: unit of each of them; events: columns
    start, valve, minutes [min], sorted, 0 minutes where a run was skipped; weather: index `date`,
    rain_mm, eto_mm [mm/d]; meter: columns start, end, used_m3 [m³]; notes: what was found and
    taken; files: name of each file -> sha256.
    """

    sensors: pd.DataFrame = field(default_factory=pd.DataFrame)
    zones: pd.DataFrame = field(default_factory=pd.DataFrame)
    cans: pd.DataFrame = field(default_factory=lambda: _empty("zone", "lat", "lon", "caught"))
    moisture: Mapping[str, pd.Series] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    events: pd.DataFrame = field(default_factory=lambda: _empty("start", "valve", "minutes"))
    weather: pd.DataFrame = field(default_factory=lambda: _empty("rain_mm", "eto_mm"))
    meter: pd.DataFrame = field(default_factory=lambda: _empty("start", "end", "used_m3"))
    notes: tuple[str, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)


def read_readings(paths: Iterable[Path | str], plan: Plan, *, also: Iterable[str] = ()) -> Readings:
    """Read every file that came back from the field.

    What a file holds is told from its header: the readings sheet (sensors, zones, cans), logged
    moisture, valve runs (start, valve, minutes), rain (date, rain_mm), the water meter (date,
    meter_m3 or used_m3).

    Parameters
    ----------
    paths : iterable of Path or str
        CSV files and workbooks.
    plan : Plan
        The plan, for its ids, zones, valves and place.
    also : iterable of str
        Further sensor ids that are no fault, as of sensors that have no work any more.

    Returns
    -------
    Readings
        Everything in them.

    Raises
    ------
    InputError
        With every fault of every file, each with its row.
    """
    reader = _Reader(plan, also)
    files: dict[str, str] = {}
    for path in [Path(p) for p in paths]:
        try:
            sheets = read_sheets(path)
        except InputError as error:
            reader.faults += error.faults
            continue
        files[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
        if not sheets:
            found = "a header and no rows"
            reader.faults.append(Fault(path.name, found, "rows", "Fill in the sheet."))
        # The sensors' sheet first: its units serve the logs.
        for sheet in sorted(sheets, key=lambda s: _kind(s) != "sensors"):
            reader.sheets.append((_kind(sheet), sheet))
    reader.read_all()
    if reader.faults:
        raise InputError(reader.faults)
    return reader.result(files)


def _kind(sheet: RawSheet) -> str:
    """Tell what a table holds from its header."""
    heads = {h.strip().lower().replace(" ", "_") for h in sheet.headers}
    timed = bool(heads & set(TIME_NAMES))

    def some_begin(*words: str) -> bool:
        return any(head.startswith(words) for head in heads)

    tests = {
        "sensors": bool(heads & {"buried_on", "reading_1", "reading_unit", "soaked_at"}),
        "events": {"start", "valve"} <= heads or {"valve", "minutes"} <= heads,
        "meter": some_begin("meter_", "used_"),
        "cans": some_begin("caught"),
        "zones": some_begin("jar_", "intake_") or ("zone" in heads and some_begin("root_depth")),
        "weather": timed and some_begin("rain_"),
        "moisture": timed,
    }
    return next((kind for kind, found in tests.items() if found), "unknown")


_KINDS: Final = (
    "the plan's readings sheet, or a log with a column time, start (with valve, minutes), "
    "rain_mm, meter_m3 or used_m3"
)


class _Reader:
    """Collects the tables and the faults of all files."""

    def __init__(self, plan: Plan, also: Iterable[str]) -> None:
        self.plan = plan
        self.month_first = plan.settings.units == "us"
        self.ids = list(dict.fromkeys([*map(str, plan.sensors.index), *also]))
        self.faults: list[Fault] = []
        self.notes: list[str] = []
        self.sheets: list[tuple[str, RawSheet]] = []
        self.tables: dict[str, list[pd.DataFrame]] = {}
        self.units: dict[str, str] = {}

    def read_all(self) -> None:
        """Read the sheets, the sensors' first."""
        order = ("sensors", "zones", "cans", "events", "weather", "meter", "moisture", "unknown")
        for wanted in order:
            for kind, sheet in self.sheets:
                if kind == wanted:
                    getattr(self, f"_{kind}")(sheet)

    def _take(self, kind: str, parsed: Parsed) -> None:
        self.faults += parsed.faults
        self.notes += parsed.notes
        self.tables.setdefault(kind, []).append(parsed.table)

    def _unknown(self, sheet: RawSheet) -> None:
        found = f"columns {some(list(sheet.headers))}"
        self.faults.append(Fault(sheet.file, found, _KINDS, "Use the sheet that the plan wrote."))

    def _sensors(self, sheet: RawSheet) -> None:
        parsed = parse_sheet(sheet, SENSOR_COLUMNS, month_first=self.month_first)
        parsed.table = check_ids(parsed, sheet.file, "sensor_id", self.ids, once=True)
        site = self.plan.site
        parsed.faults += check_sensors(
            parsed.table, sheet.file, longitude=site.longitude, latitude=site.latitude
        )
        self._take("sensors", parsed)
        if "sensor_id" in parsed.table and "reading_unit" in parsed.table:
            stated = parsed.table.dropna(subset=["reading_unit"])
            self.units |= dict(zip(stated["sensor_id"], stated["reading_unit"], strict=True))

    def _zoned(self, kind: str, sheet: RawSheet, columns: tuple[SheetColumn, ...]) -> None:
        parsed = parse_sheet(sheet, columns)
        zones = [str(zone) for zone in self.plan.zones.index]
        parsed.table = check_ids(parsed, sheet.file, "zone", zones, once=kind == "zones")
        self._take(kind, parsed)

    def _zones(self, sheet: RawSheet) -> None:
        self._zoned("zones", sheet, ZONE_COLUMNS)

    def _cans(self, sheet: RawSheet) -> None:
        self._zoned("cans", sheet, CAN_COLUMNS)

    def _events(self, sheet: RawSheet) -> None:
        valves = sorted({str(v) for v in self.plan.zones["valve"]})
        self._take("events", parse_events(sheet, valves=valves))

    def _weather(self, sheet: RawSheet) -> None:
        self._take("weather", parse_weather(sheet))

    def _meter(self, sheet: RawSheet) -> None:
        self._take("meter", parse_meter(sheet))

    def _moisture(self, sheet: RawSheet) -> None:
        parsed, units = parse_moisture(sheet, sensors=self.ids, units=self.units)
        self._take("moisture", parsed)
        self.units |= units

    def result(self, files: dict[str, str]) -> Readings:
        """Return what was read."""
        table = {kind: pd.concat(parts, ignore_index=True) for kind, parts in self.tables.items()}
        empty = Readings()
        # A later sheet fills in or replaces what an earlier one said, cell by cell.
        sensors = _latest(table.get("sensors"), "sensor_id")
        zones = _latest(table.get("zones"), "zone")
        cans = table.get("cans", empty.cans)
        if len(cans):
            cans = cans[cans["caught"].notna()].drop_duplicates(["zone", "can"], keep="last")
        events = table.get("events", empty.events).drop_duplicates(["start", "valve"])
        events = events.sort_values("start", kind="stable")
        weather = table.get("weather", _empty("date", "rain_mm", "eto_mm"))
        return Readings(
            sensors=sensors,
            zones=zones,
            cans=cans.reset_index(drop=True),
            moisture=_by_name(table.get("moisture")),
            units=self.units,
            events=events.reset_index(drop=True),
            weather=weather.groupby("date").mean(),
            meter=table.get("meter", empty.meter).drop_duplicates().reset_index(drop=True),
            notes=tuple(dict.fromkeys(self.notes)),
            files=files,
        )


def _latest(table: pd.DataFrame | None, key: str) -> pd.DataFrame:
    """Return one row per name: of each column the last cell that says something."""
    if table is None or table.empty:
        return pd.DataFrame(index=pd.Index([], name=key))
    known = table.replace({"": None})
    return known.groupby(key, sort=False).last()


def _by_name(table: pd.DataFrame | None) -> dict[str, pd.Series]:
    """Return one sorted series per name; of repeated times the mean."""
    if table is None or table.empty:
        return {}
    found = {}
    for name, part in table.groupby("name"):
        series = part.groupby("time")["value"].mean().sort_index()
        series.index = pd.DatetimeIndex(series.index, name="time")
        found[str(name)] = series
    return found
