"""Write the four demo properties: ``python data/build_demo.py``.

Everything is invented: the drawings in demo_campus.py, demo_yard.py, demo_fields.py and
demo_court.py, and the weather, which
`siting.climate.readers` makes from the monthly normals below. The same versions of the libraries
write the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
from demo_campus import campus
from demo_court import court
from demo_drawing import Drawing
from demo_fields import fields
from demo_yard import yard

from siting.climate.readers import daily_from_normals

__all__ = [
    "CAMPUS_WEATHER",
    "COURT_WEATHER",
    "FIELDS_WEATHER",
    "YARD_WEATHER",
    "InventedWeather",
    "build",
    "weather",
]

HERE = Path(__file__).resolve().parent
#: GeoPackages carry a date of change; a fixed one keeps them the same from run to run.
FIXED_DATE = "2024-01-01T00:00:00.000Z"
_MONTHS = range(1, 13)


@dataclass(frozen=True)
class InventedWeather:
    """Monthly normals (January first) and what the generator needs beside them.

    Parameters
    ----------
    normals : mapping
        rain_mm, wet_days, tmin_c, tmax_c [°C], rs_mj_m2 [MJ m⁻² d⁻¹], rh_mean [%], wind_m_s at 2 m.
    years, first_year, seed : int
        How many calendar years, from which, and the random seed.
    latitude : float
        North positive [deg].
    """

    normals: dict[str, tuple[float, ...]]
    years: int
    first_year: int
    seed: int
    latitude: float


#: Plausible for a humid subtropical place inland at 34° N; invented, no station's normals.
CAMPUS_WEATHER = InventedWeather(
    normals={
        "rain_mm": (108, 104, 112, 86, 84, 102, 110, 98, 92, 80, 92, 104),
        "wet_days": (10, 9, 10, 8, 8, 10, 11, 9, 7, 6, 8, 10),
        "tmin_c": (0.5, 2.0, 5.5, 9.5, 14.5, 19.0, 21.0, 20.5, 17.0, 10.5, 5.0, 1.5),
        "tmax_c": (11.5, 14.0, 18.5, 23.5, 27.5, 31.0, 32.5, 32.0, 28.5, 23.0, 17.5, 12.5),
        "rs_mj_m2": (9.5, 12.0, 16.0, 20.0, 21.8, 22.6, 21.8, 20.0, 17.2, 14.2, 10.6, 8.8),
        "rh_mean": (68, 65, 63, 62, 68, 70, 73, 74, 73, 70, 69, 70),
        "wind_m_s": (2.1, 2.2, 2.3, 2.1, 1.8, 1.6, 1.5, 1.4, 1.5, 1.6, 1.8, 1.9),
    },
    years=8,
    first_year=2016,
    seed=1609,
    latitude=33.9,
)
#: Plausible for a temperate inland place at 35° S; invented, no station's normals.
YARD_WEATHER = InventedWeather(
    normals={
        "rain_mm": (52, 54, 50, 42, 44, 50, 48, 52, 56, 62, 66, 54),
        "wet_days": (6, 6, 6, 6, 7, 9, 10, 10, 9, 9, 9, 7),
        "tmin_c": (13.5, 13.2, 10.8, 6.6, 3.0, 1.0, 0.0, 1.0, 3.4, 6.2, 9.0, 11.5),
        "tmax_c": (29.0, 28.0, 25.0, 20.5, 15.8, 12.4, 11.6, 13.4, 16.6, 19.8, 23.4, 26.6),
        "rs_mj_m2": (25.8, 22.4, 18.4, 13.8, 9.8, 7.8, 8.8, 12.0, 16.0, 20.4, 23.8, 26.2),
        "rh_mean": (54, 58, 60, 65, 72, 77, 76, 70, 65, 60, 57, 53),
        "wind_m_s": (2.2, 2.0, 1.8, 1.7, 1.6, 1.8, 1.8, 2.1, 2.3, 2.4, 2.3, 2.3),
    },
    years=6,
    first_year=2017,
    seed=3407,
    latitude=-34.9,
)
#: Plausible for a cool, moist upland at 50.5° N; invented, no station's normals.
FIELDS_WEATHER = InventedWeather(
    normals={
        "rain_mm": (58, 48, 52, 44, 62, 64, 74, 70, 56, 52, 58, 66),
        "wet_days": (12, 10, 11, 9, 10, 10, 10, 10, 9, 10, 12, 13),
        "tmin_c": (-2.6, -2.4, 0.4, 3.2, 7.4, 10.6, 12.6, 12.2, 9.0, 5.4, 1.6, -1.4),
        "tmax_c": (2.6, 4.2, 8.8, 14.2, 18.6, 21.8, 24.0, 23.8, 19.0, 13.0, 6.8, 3.2),
        "rs_mj_m2": (3.0, 5.4, 9.4, 14.8, 18.2, 19.6, 19.0, 16.4, 11.6, 6.8, 3.4, 2.4),
        "rh_mean": (85, 81, 76, 70, 70, 71, 70, 71, 77, 82, 86, 87),
        "wind_m_s": (3.4, 3.3, 3.2, 2.9, 2.6, 2.4, 2.3, 2.2, 2.4, 2.8, 3.1, 3.3),
    },
    years=6,
    first_year=2018,
    seed=5050,
    latitude=50.5,
)
#: Plausible for a dry-summer valley at 38.6° N; invented, no station's normals.
COURT_WEATHER = InventedWeather(
    normals={
        "rain_mm": (92, 88, 66, 28, 14, 5, 1, 1, 6, 24, 52, 86),
        "wet_days": (10, 9, 9, 5, 3, 1.5, 0.5, 0.5, 1.5, 4, 7, 10),
        "tmin_c": (3.8, 5.4, 6.8, 8.4, 11.4, 14.0, 15.6, 15.4, 14.0, 10.8, 6.6, 3.8),
        "tmax_c": (12.4, 16.0, 19.0, 22.6, 27.0, 31.2, 33.8, 33.4, 31.2, 25.6, 17.8, 12.6),
        "rs_mj_m2": (7.6, 11.2, 16.4, 21.6, 25.8, 28.4, 28.0, 24.8, 20.0, 14.0, 9.0, 6.8),
        "rh_mean": (80, 75, 70, 63, 57, 52, 51, 53, 53, 60, 72, 80),
        "wind_m_s": (2.2, 2.4, 2.6, 2.8, 2.9, 3.0, 2.8, 2.6, 2.3, 2.1, 2.0, 2.1),
    },
    years=6,
    first_year=2018,
    seed=3860,
    latitude=38.6,
)
#: Drawing and weather of every property.
_PROPERTIES = (
    (campus, CAMPUS_WEATHER),
    (yard, YARD_WEATHER),
    (fields, FIELDS_WEATHER),
    (court, COURT_WEATHER),
)


def weather(invented: InventedWeather) -> pd.DataFrame:
    """Return the daily weather, rounded as a file carries it.

    Parameters
    ----------
    invented : InventedWeather
        Normals and seed.

    Returns
    -------
    DataFrame
        Columns date, tmin_c, tmax_c [°C], rain_mm [mm], rs_mj_m2 [MJ m⁻² d⁻¹], ea_kpa [kPa],
        wind_m_s [m/s], wind_height_m [m].
    """
    normals = pd.DataFrame(invented.normals, index=list(_MONTHS), dtype="float64")
    daily = daily_from_normals(
        normals,
        years=invented.years,
        first_year=invented.first_year,
        seed=invented.seed,
        latitude=invented.latitude,
        # The invented years stay as they were first drawn, alike from month to month.
        month_scale=0.0,
    )
    # A tenth of a kilopascal would be too coarse for the vapour pressure; floored, so that
    # rounding never lifts it above saturation.
    daily["ea_kpa"] = (daily["ea_kpa"] * 100).floordiv(1) / 100
    daily["wind_height_m"] = 2
    return daily.round(dict.fromkeys(("tmin_c", "tmax_c", "rain_mm", "rs_mj_m2", "wind_m_s"), 1))


def _write_layers(drawing: Drawing, path: Path) -> None:
    """Write every layer of a drawing to one GeoPackage."""
    path.unlink(missing_ok=True)
    for layer, rows in drawing.layers.items():
        frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=drawing.crs)
        points = frame.geom_type.eq("Point").all()
        pyogrio.write_dataframe(
            frame,
            path,
            layer=layer,
            driver="GPKG",
            append=path.exists(),
            promote_to_multi=not points,
            layer_options={"SPATIAL_INDEX": "NO"},  # so few features need none, and it is large
        )


def build(folder: Path) -> None:
    """Write every property, each into its own folder.

    Parameters
    ----------
    folder : Path
        Where the folders campus, yard, fields and court are made, or their files replaced.
    """
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FIXED_DATE})
    for draw, invented in _PROPERTIES:
        drawing = draw()
        home = folder / drawing.folder
        home.mkdir(parents=True, exist_ok=True)
        _write_layers(drawing, home / f"{drawing.folder}.gpkg")
        (home / "property.toml").write_text(drawing.settings, encoding="utf-8", newline="\n")
        weather(invented).to_csv(
            home / "weather.csv", index=False, date_format="%Y-%m-%d", lineterminator="\n"
        )


if __name__ == "__main__":
    build(HERE)
    print(f"written: {len(_PROPERTIES)} properties in {HERE}")
