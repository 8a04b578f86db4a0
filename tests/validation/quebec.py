"""Drive the balance with a real site's weather and hold it against four buried sensors there.

Four moisture sensors at 7.5 cm under grass, 2018 to 2021, with daily weather (Cabral 2023, doi
10.5281/zenodo.7948797, by way of the public repository Alireza-Amani/SVS_percolation, MIT). The
data are not part of this project; the script says so and ends where the folder is not there::

    python tests/validation/quebec.py FOLDER

Nothing is tuned. The grass is `cool_season_turf`, the soil the program's default (sandy loam), the
sensor's layer that of `siting.water.balance`; beside it the same with the whole root zone read, and
with field capacity and wilting point from the site's own retention curves (33 kPa, and the driest
water content reached, which is no wilting point: the curves end near 90 kPa). Only May to October
is run, from field capacity on 1 May: there is snow in the rest. The file has mean temperatures
only, so that the vapour pressure deficit is that of the mean temperature, which understates ETo.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from siting.climate.air import extraterrestrial_radiation, saturation_vapour_pressure
from siting.site.handbook import PLANT_KINDS, SOIL_CLASSES
from siting.water.balance import effective_rain, layer_step, sensor_layer_share
from siting.water.plants import adjusted_depletion, monthly_plant_factor
from siting.water.reference_et import clear_sky_radiation
from tests.et_reference import net_radiation, penman_monteith

#: The data do not say where the site lies: southern Quebec, latitude and height from memory.
LATITUDE, ELEVATION_M, SENSOR_M = 45.8, 110.0, 0.075
FEWEST_DRY, RAINLESS_MM, FIRST, LAST = 4, 0.5, 5, 10


class Soil(NamedTuple):
    """Field capacity, wilting point [m³/m³], and the part of the root zone that is read."""

    field_capacity: float
    wilting_point: float
    share: float


def weather(folder: Path) -> pd.DataFrame:
    """Return daily rain and ETo [mm/d]."""
    table = pd.read_csv(folder / "grass_cover_quebec_daily_meteo.csv", parse_dates=["d_local"])
    table = table.set_index("d_local")
    t = table["Air temperature (°C)"].to_numpy()
    rs = table["Shortwave radiation (W.m-2)"].to_numpy() * 0.0864
    ea = table["Relative humidity (%)"].to_numpy() / 100 * saturation_vapour_pressure(t)
    ra = extraterrestrial_radiation(LATITUDE, table.index.dayofyear.to_numpy())
    net = net_radiation(rs, t, t, ea, clear_sky_radiation(ra, ELEVATION_M))
    eto = penman_monteith(
        net, t, wind_2m=table["2m Wind speed (m.s-1)"].to_numpy(),
        deficit=saturation_vapour_pressure(t) - ea, elevation_m=ELEVATION_M,
    )  # fmt: skip
    rain = table["Precipitation (mm)"].to_numpy()
    return pd.DataFrame({"rain": rain, "eto": np.maximum(eto, 0.0)}, index=table.index)


def measured(folder: Path) -> pd.DataFrame:
    """Return the water content that each sensor read [m³/m³]."""
    table = pd.read_csv(folder / "grass_cover_quebec_daily.csv", parse_dates=["date"])
    table = table[table["Variable"].str.contains("Water")]
    name = table["Experimental Plot"] + " " + table["Sensor"].str.split().str[0].str.lower()
    return table.assign(name=name).pivot_table(index="date", columns="name", values="Value") / 100


def retention(folder: Path) -> tuple[float, float]:
    """Return the median water content at 33 kPa and the driest one over the site's samples."""
    table = pd.read_csv(folder / "grass_cover_quebec_soil_retention.csv")
    wet, dry = [], []
    for column in [c for c in table if c.endswith("kPa")]:
        pair = table[[column, column.replace("suction_kPa", "VWC_percent")]].dropna().to_numpy()
        wet.append(pair[np.abs(pair[:, 0] - 33.0).argmin(), 1] / 100)
        dry.append(pair[:, 1].min() / 100)
    return float(np.median(wet)), float(np.median(dry))


def modelled(days: pd.DataFrame, soil: Soil) -> pd.Series:
    """Return the water content of the layer that is read, day by day [m³/m³]."""
    kind = PLANT_KINDS["cool_season_turf"]
    factors = monthly_plant_factor("cool_season_turf", latitude=LATITUDE)
    taw = 1000 * (soil.field_capacity - soil.wilting_point) * kind.root_depth_m
    content = pd.Series(np.nan, index=days.index)
    whole = upper = np.float64(0.0)
    for day, (rain, eto) in zip(days.index, days[["rain", "eto"]].to_numpy(), strict=True):
        if not FIRST <= day.month <= LAST:
            whole = upper = np.float64(0.0)
            continue
        etc = factors[day.month - 1] * eto
        raw = adjusted_depletion(kind.depletion_fraction, etc) * taw
        state = layer_step(
            whole, upper, water=effective_rain(rain, eto), etc=etc, taw=taw, raw=raw,
            share=soil.share,
        )  # fmt: skip
        whole, upper = state.depletion, state.upper
        held = 1000 * kind.root_depth_m * soil.share
        content[day] = soil.field_capacity - float(upper) / held
    return content


def dry_downs(days: pd.DataFrame, read: pd.Series, model: pd.Series) -> np.ndarray:
    """Return measured and modelled slopes of every rainless spell, shape (N, 2) [% a day]."""
    known = read.notna() & model.notna() & (days["rain"] <= RAINLESS_MM)
    spell = (~known).cumsum()[known]
    slopes = []
    for at in spell.groupby(spell).groups.values():
        if len(at) >= FEWEST_DRY:
            x = np.arange(len(at))
            slopes.append([100 * np.polyfit(x, s.loc[at], 1)[0] for s in (read, model)])
    return np.array(slopes)


def main() -> None:
    """Print what agrees and what does not."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path("FOLDER")
    if not (folder / "grass_cover_quebec_daily.csv").is_file():
        print("the measured series are not here; see the docstring")
        return
    days, sensors = weather(folder), measured(folder).reindex(weather(folder).index)
    season = days.index.month.isin(range(FIRST, LAST + 1)) & (days.index >= sensors.index[365])
    mean = days[season].groupby(days.index[season].year)[["rain", "eto"]].sum()
    print(f"May to October, rain and ETo [mm]:\n{mean.round(0).to_string()}\n")
    layer = float(sensor_layer_share(SENSOR_M, PLANT_KINDS["cool_season_turf"].root_depth_m))
    loam, own = SOIL_CLASSES["sandy loam"], retention(folder)
    cases = {
        "default soil, sensor's layer": Soil(loam.field_capacity, loam.wilting_point, layer),
        "default soil, whole root zone": Soil(loam.field_capacity, loam.wilting_point, 1.0),
        "retention curves, sensor's layer": Soil(*own, layer),
    }
    head = f"{'sensor':10s}{'days':>6s}{'r':>7s}{'bias %':>8s}{'rmse %':>8s}"
    for label, soil in cases.items():
        model = modelled(days, soil)
        print(f"{label}: FC {soil.field_capacity:.3f}, WP {soil.wilting_point:.3f}, layer "
              f"{soil.share:.2f} of the root zone")  # fmt: skip
        print(f"{head}{'spells':>8s}{'slope':>8s}{'model':>8s}{'r':>7s}  [% by volume a day]")
        for name, read in sensors.items():
            both = pd.concat([read, model], axis=1).dropna().to_numpy()
            apart = 100 * (both[:, 1] - both[:, 0])
            slopes = dry_downs(days, read, model)
            r, rs = (np.corrcoef(v.T)[0, 1] for v in (both, slopes))
            one, two = np.median(slopes, axis=0)
            rmse = np.sqrt((apart**2).mean())
            print(
                f"{name:10s}{len(both):6d}{r:7.2f}{apart.mean():8.1f}{rmse:8.1f}"
                f"{len(slopes):8d}{one:8.2f}{two:8.2f}{rs:7.2f}"
            )
        print()
    between = sensors.corr().to_numpy()[np.triu_indices(len(sensors.columns), 1)]
    print(f"correlation between the sensors themselves: {between.min():.2f} to {between.max():.2f}")


if __name__ == "__main__":
    main()
