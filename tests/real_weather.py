"""Real daily weather that test packages bring along, written in siting's own CSV form."""

from __future__ import annotations

import csv
import datetime as dt
import importlib.util
from pathlib import Path

__all__ = [
    "SEATTLE",
    "STATIONS",
    "WAGENINGEN",
    "seattle_daily",
    "station_daily",
    "typical_year",
    "wageningen_daily",
]

#: Latitude, longitude [deg] and elevation [m] of the stations. Seattle's is that of its airport.
SEATTLE = (47.45, -122.31, 130.0)
WAGENINGEN = (51.97, 5.67, 7.0)
#: Four stations of 2013 and 2014 with ET0: file, latitude, longitude [deg] and elevation [m], the
#: last three as in pcse's own test of Penman-Monteith. It has Ronda at 3 m; the town lies at about
#: 740 m, and with that height its ET0 column is met four times more closely.
STATIONS = {
    "Asturias": ("8011_asturias.csv", 43.5667, -6.0442, 130.0),
    "Sweden": ("2297_sweden.csv", 64.4833, 21.5833, 37.0),
    "Munich": ("10870_munchen_flughafen.csv", 48.3667, 11.8, 453.0),
    "Ronda": ("8443_ronda.csv", 36.75, -5.1667, 740.0),
}

_NIL = -99.0
_STATUS = {1.0, 2.0, 3.0}


def _package(name: str) -> Path:
    """Return the folder of an installed package without importing it."""
    spec = importlib.util.find_spec(name)
    if spec is None or not spec.submodule_search_locations:
        message = f"the package {name} is not installed"
        raise ModuleNotFoundError(message)
    return Path(next(iter(spec.submodule_search_locations)))


def _write(path: Path, header: list[str], rows: list[list[str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)
    return path


def seattle_daily(path: Path) -> Path:
    """Write the four years of Seattle of `vega_datasets`: rain, temperatures, wind."""
    source = _package("vega_datasets") / "_data" / "seattle-weather.csv"
    with source.open(encoding="utf-8", newline="") as file:
        rows = [
            [
                row["date"].replace("/", "-"), row["temp_min"], row["temp_max"],
                row["precipitation"], row["wind"], "10",
            ]
            for row in csv.DictReader(file)
        ]  # fmt: skip
    header = ["date", "tmin_c", "tmax_c", "rain_mm", "wind_m_s", "wind_height_m"]
    return _write(path, header, rows)


def wageningen_daily(path: Path, *, status_lines: bool = False) -> Path:
    """Write the 24 years of Wageningen of `pcse`, with the hole of 1991 as it is.

    88 days have a status line before them, six codes 1 or 3 that say where each value comes from;
    the station number of such a line is -999, but in 1989 it is lost. With `status_lines` they
    stay, and make those days repeated and contradictory, as a careless conversion would.
    """
    folder = _package("pcse") / "tests" / "test_data"
    rows: list[list[str]] = []
    for source in sorted(folder.glob("NL1.9*")):
        lines = source.read_text(encoding="latin-1").splitlines()
        data = [line.split() for line in lines if line.strip() and not line.startswith("*")]
        # The first line that is no comment holds longitude, latitude, altitude and two constants.
        rows += [
            _wageningen_row(cells)
            for cells in data[1:]
            if status_lines or not {float(n) for n in cells[3:]} <= _STATUS
        ]
    header = ["date", "tmin_c", "tmax_c", "rain_mm", "rs_mj_m2", "ea_kpa", "wind_m_s"]
    return _write(path, header, rows)


def _wageningen_row(cells: list[str]) -> list[str]:
    """Turn station, year, day, kJ, tmin, tmax, kPa, wind, rain into our row."""
    _, year, day, *numbers = cells
    date = dt.date(int(year), 1, 1) + dt.timedelta(days=int(day) - 1)
    known = ["" if float(n) == _NIL else n for n in numbers]
    radiation, tmin, tmax, vapour, wind, rain = known
    radiation = f"{float(radiation) / 1000:.3f}" if radiation else ""
    return [date.isoformat(), tmin, tmax, rain, radiation, vapour, wind]


def station_daily(path: Path, name: str) -> dict[dt.date, float]:
    """Write one of the four stations of `pcse`; return the ET0 that its file states.

    The files have no rain: it is written as 0, and only good for a check of ET0. Two of them have
    stray marks at the ends of their lines.
    """
    source = _package("pcse") / "tests" / "test_data" / STATIONS[name][0]
    stated: dict[dt.date, float] = {}
    rows: list[list[str]] = []
    for line in source.read_text(encoding="utf-8").splitlines()[1:]:
        cells = line.rstrip("); ").split(",")
        if len(cells) != 10 or not all(cells):
            continue
        _, day, tmin, tmax, hectopascal, kilojoule, wind, et0, _, _ = cells
        date = dt.datetime.strptime(day, "%d-%b-%y").replace(tzinfo=dt.UTC).date()
        stated[date] = float(et0)
        rows.append(
            [
                date.isoformat(), tmin, tmax, "0", f"{float(kilojoule) / 1000:.3f}",
                f"{float(hectopascal) / 10:.3f}", wind, "10",
            ]
        )  # fmt: skip
    header = ["date", "tmin_c", "tmax_c", "rain_mm", "rs_mj_m2", "ea_kpa", "wind_m_s"]
    _write(path, [*header, "wind_height_m"], rows)
    return stated


def typical_year(name: str) -> Path:
    """Return the path of a typical year that `pvlib` bundles."""
    return _package("pvlib") / "data" / name
