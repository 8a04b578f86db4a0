"""What the fuzzers share: sound files to start from, how to spoil one, and who reads it."""

from __future__ import annotations

import csv
import functools
import io
import random
from pathlib import Path

import pandas as pd

from siting.climate.model import WeatherOptions
from siting.climate.readers import read_weather
from siting.commission.readings import read_readings
from siting.errors import InputError
from siting.handoff.readingsheet import write_readings
from siting.planning.model import Plan
from siting.site.property import read_property
from siting.site.settings import PLANTS
from tests import weather_files as files
from tests.bad_inputs.base import TOML, Draft
from tests.plan_factory import make_plan

__all__ = ["TROUBLE", "mutated", "read_one", "seeds"]

TROUBLE = (b",", b";", b"\n", b"\r", b'"', b"'", b"\0", b"\xff", b"[", b"]", b"{", b"}", b"=", b"-",
          b".", b"9" * 40, b"1e999", b"nan", b"inf", b"-9999", b"2020-02-30", b"\xef\xbb\xbf",
          "\u202e".encode(), b"[[", b'"""', b"#", b"true", b"1979-05-27T07:32:00Z", b"_",
          *(word.encode() for word in PLANTS[:2]))  # fmt: skip


def mutated(data: bytes, dice: random.Random) -> bytes:
    """Return a file with some bytes removed, doubled, swapped or replaced."""
    out = bytearray(data)
    for _ in range(dice.choice((1, 1, 2, 4, 16))):
        at = dice.randrange(len(out) + 1)
        to = min(at + dice.choice((1, 2, 8, 40, 400)), len(out))
        match dice.randrange(5):
            case 0:
                del out[at:to]
            case 1:
                out[at:at] = dice.choice(TROUBLE)
            case 2:
                out[at:to] = dice.choice(TROUBLE)
            case 3:
                out[at:at] = out[at:to]
            case _:
                if at < len(out):
                    out[at] = dice.randrange(256)
    return bytes(out)


def seeds(folder: Path) -> list[tuple[str, bytes]]:
    """Return sound files to start from: property file, each weather format, each log.

    The folder gets what the property file names, empty.
    """
    for name in ("layers.gpkg", "weather.csv"):
        (folder / name).write_bytes(b"")
    days = pd.DataFrame({"TMAX": [250.0] * 40, "TMIN": [120.0] * 40, "PRCP": [30.0] * 40},
                        pd.date_range("2019-06-01", periods=40))  # fmt: skip
    hours = pd.DataFrame(
        dict.fromkeys(("ghi", "dni", "dhi", "temp_air", "temp_dew", "wind_speed"), 5.0),
        pd.date_range("2019-01-01", periods=24 * 20, freq="h"),
    )
    made = {"ghcn": (files.ghcn_long, files.ghcn_wide), "epw": (files.epw,),
            "psm3": (files.psm3,), "tmy2": (files.tmy2,)}  # fmt: skip
    found = [("property", TOML.encode()), ("daily", "\n".join(Draft().lines()[:60]).encode())]
    for kind, writers in made.items():
        table = days if kind == "ghcn" else hours
        found += [(kind, write(folder / "seed", table).read_bytes()) for write in writers]
    found.append(("normals", files.normals_csv(folder / "seed").read_bytes()))
    return found + [("readings", data) for data in _from_the_field(folder / "field")]


def _from_the_field(folder: Path) -> list[bytes]:
    """Return what comes back from the field: sheets as they went out, filled in, and logs."""
    made = _plan_of_readings()
    sheets = [path.read_bytes() for path in write_readings(made, folder)]
    sensor, valve = made.sensors.index[0], made.zones["valve"].iloc[0]
    rows = list(csv.DictReader(io.StringIO(sheets[0].decode("utf-8-sig"))))
    rows[0] |= {"buried_on": "2026-05-01", "soaked_at": "2026-05-02 07:00",
                "reading_1_at": "2026-05-04 07:00", "reading_1": "23.5", "depth_mm": "150",
                "lat": f"{made.site.latitude:.6f}",
                "lon": f"{made.site.longitude:.6f}"}  # fmt: skip
    filled = io.StringIO()
    writer = csv.DictWriter(filled, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    logs = (
        f"time,{sensor} [%]\n2026-05-01 07:00,23.4\n2026-05-01 08:00,23.3\n",
        f"time;{sensor} [kPa]\n13/05/2026 07:00;12,5\n14/05/2026 07:00;13,5\n",
        f"start,valve,minutes\n2026-05-01 05:00,{valve},12\n2026-05-02 05:00,{valve},12\n",
        "date,rain_mm,eto_mm\n2026-05-01,0,5.1\n2026-05-02,12.7,3.9\n",
        "date,meter_m3\n2026-05-01,100.5\n2026-05-08,112.25\n",
        "date,used_m3\n2026-05-01,0\n2026-05-08,11.75\n",
    )
    return [*sheets, filled.getvalue().encode(), *(log.encode() for log in logs)]


@functools.cache
def _plan_of_readings() -> Plan:
    """Return the plan that readings are read against."""
    return make_plan()


def read_one(kind: str, data: bytes, folder: Path, weather: str | None) -> str:
    """Give a file to the reader of its kind; return in a word what that made of it."""
    suffix = {"property": "property.toml", "readings": "r.xlsx" if data[:2] == b"PK" else "r.csv"}
    path = folder / suffix.get(kind, "w.csv")
    path.write_bytes(data)
    try:
        if kind == "property":
            read_property(path)
        elif kind == "readings":
            read_readings([path], _plan_of_readings())
        else:
            options = WeatherOptions(elevation_m=100.0, latitude=33.0, longitude=-83.0, years=2)
            read_weather(path, kind=weather, options=options)
    except InputError as error:
        for fault in error.faults:
            assert all((fault.file, fault.found, fault.allowed, fault.mend)), fault
        return "refused"
    return "read"
