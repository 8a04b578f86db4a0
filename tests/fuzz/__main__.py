"""Long runs outside the suite.

`python -m tests.fuzz properties 10000` draws whole properties, every 50th of them planned;
`python -m tests.fuzz files 30` mutates property and weather files for 30 minutes.
"""

from __future__ import annotations

import collections
import random
import sys
import tempfile
import time
import traceback
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from siting.climate.options import WeatherOptions
from siting.climate.readers import read_weather
from siting.errors import InputError
from siting.site.property import read_property
from siting.site.settings import WEATHER_FORMATS
from siting.site.vocabulary import PLANTS
from tests.bad_inputs.base import TOML, Draft
from tests.fuzz.runs import check_draft
from tests.fuzz.strategies import dirty_properties, sound_properties

_PARTS = (b",", b";", b"\n", b"\r", b'"', b"'", b"\0", b"\xff", b"[", b"]", b"{", b"}", b"=", b"-",
          b".", b"9" * 40, b"1e999", b"nan", b"inf", b"-9999", b"2020-02-30", b"\xef\xbb\xbf",
          "\u202e".encode(), b"[[", b'"""', b"#", b"true", b"1979-05-27T07:32:00Z", b"_",
          *(word.encode() for word in PLANTS[:2]))  # fmt: skip


def properties(count: int) -> int:
    """Draw whole properties, and report what happened."""
    seen: collections.Counter[str] = collections.Counter()
    crashes: collections.Counter[str] = collections.Counter()

    @seed(int(sys.argv[3]) if len(sys.argv) > 3 else 1)
    @settings(max_examples=count, deadline=None, database=None, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(st.one_of(dirty_properties(), dirty_properties(), sound_properties()))
    def run(draft: Draft) -> None:
        try:
            seen[check_draft(draft, planned=sum(seen.values()) % 50 == 49)] += 1
        except Exception:  # noqa: BLE001 - whatever it is, it is a crash
            crashes[traceback.format_exc()] += 1
        if sum(seen.values()) % 500 == 0:
            print(dict(seen), f"{sum(crashes.values())} crashes", flush=True)

    run()
    return _report(seen, crashes)


def _mutated(data: bytes, dice: random.Random) -> bytes:
    """Return a file with some bytes removed, doubled, swapped or replaced."""
    out = bytearray(data)
    for _ in range(dice.choice((1, 1, 2, 4, 16))):
        at = dice.randrange(len(out) + 1)
        to = min(at + dice.choice((1, 2, 8, 40, 400)), len(out))
        match dice.randrange(5):
            case 0:
                del out[at:to]
            case 1:
                out[at:at] = dice.choice(_PARTS)
            case 2:
                out[at:to] = dice.choice(_PARTS)
            case 3:
                out[at:at] = out[at:to]
            case _:
                if at < len(out):
                    out[at] = dice.randrange(256)
    return bytes(out)


def _seeds(folder: Path) -> list[tuple[str, bytes]]:
    """Return sound files to start from: the property file and each weather format."""
    import numpy as np
    import pandas as pd

    from tests import weather_files as files

    days = pd.DataFrame({"TMAX": [250.0] * 40, "TMIN": [120.0] * 40, "PRCP": [30.0] * 40},
                        pd.date_range("2019-06-01", periods=40))  # fmt: skip
    hours = pd.DataFrame(
        dict.fromkeys(("ghi", "dni", "dhi", "temp_air", "temp_dew", "wind_speed"), 5.0),
        pd.date_range("2019-01-01", periods=24 * 20, freq="h"),
    )
    made = {"ghcn": (files.ghcn_long, files.ghcn_wide), "epw": (files.epw,),
            "psm3": (files.psm3,), "tmy2": (files.tmy2,)}  # fmt: skip
    found = [("property", TOML.encode()), ("daily", "\n".join(Draft().lines()[:60]).encode())]
    assert np.isfinite(days.to_numpy()).all()
    for kind, writers in made.items():
        table = days if kind == "ghcn" else hours
        found += [(kind, write(folder / "seed", table).read_bytes()) for write in writers]
    found.append(("normals", files.normals_csv(folder / "seed").read_bytes()))
    return found


def mutations(minutes: float) -> int:
    """Mutate files until the time is over, and report what happened."""
    seen: collections.Counter[str] = collections.Counter()
    crashes: collections.Counter[str] = collections.Counter()
    dice, end = (
        random.Random(int(sys.argv[3]) if len(sys.argv) > 3 else 1),
        time.time() + 60 * minutes,
    )
    with tempfile.TemporaryDirectory(prefix="fuzz-") as scratch:
        folder = Path(scratch)
        seeds = _seeds(folder)
        for name in ("layers.gpkg", "weather.csv"):
            (folder / name).write_bytes(b"")
        while time.time() < end:
            kind, data = dice.choice([*seeds, *seeds[:2]])
            spoilt = _mutated(data, dice)
            began = time.time()
            try:
                seen[f"{kind} {_one(kind, spoilt, folder, dice)}"] += 1
            except Exception:  # noqa: BLE001 - whatever it is, it is a crash
                crashes[traceback.format_exc()] += 1
            if time.time() - began > 5:
                crashes[f"{kind}: more than 5 s for {spoilt[:300]!r}"] += 1
    return _report(seen, crashes)


def _one(kind: str, data: bytes, folder: Path, dice: random.Random) -> str:
    path = folder / "property.toml" if kind == "property" else folder / "w.csv"
    path.write_bytes(data)
    try:
        if kind == "property":
            read_property(path)
        else:
            given_kind = dice.choice((None, kind, dice.choice(WEATHER_FORMATS)))
            options = WeatherOptions(elevation_m=100.0, latitude=33.0, longitude=-83.0, years=2)
            read_weather(path, kind=given_kind, options=options)
    except InputError:
        return "refused"
    return "read"


def _report(seen: collections.Counter[str], crashes: collections.Counter[str]) -> int:
    for word, count in sorted(seen.items()):
        print(f"{count:8,} {word}")
    for text, count in crashes.most_common():
        print(f"{count} times:\n{text}")
    print(f"{sum(seen.values()):,} inputs, {sum(crashes.values())} crashes")
    return bool(crashes)


if __name__ == "__main__":
    job, amount = sys.argv[1], float(sys.argv[2])
    sys.exit(properties(int(amount)) if job == "properties" else mutations(amount))
