"""Weather files for tests, written in the layouts of others from invented or given values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

__all__ = ["NORMALS", "epw", "ghcn_long", "ghcn_wide", "normals_csv", "psm3", "tmy2"]

#: Invented: a humid subtropical place with a dry spring.
NORMALS = pd.DataFrame(
    {
        "month": range(1, 13),
        "rain_mm": [60, 65, 85, 60, 80, 190, 180, 185, 150, 80, 50, 60],
        "wet_days": [7, 7, 8, 6, 8, 14, 16, 16, 13, 8, 6, 7],
        "tmin_c": [8, 9, 12, 15, 19, 22, 23, 23, 22, 18, 13, 9],
        "tmax_c": [21, 23, 26, 29, 32, 33, 33, 33, 32, 29, 25, 22],
        "rs_mj_m2": [11.5, 14.5, 18.5, 22, 23.5, 21.5, 21, 19.5, 17.5, 15.5, 12.5, 10.5],
        "rh_mean": [74, 72, 70, 67, 68, 75, 77, 78, 78, 75, 75, 75],
        "wind_m_s": [2.2, 2.4, 2.5, 2.4, 2.2, 1.8, 1.6, 1.5, 1.7, 2.0, 2.0, 2.1],
    }
)


def normals_csv(path: Path, **changes: object) -> Path:
    """Write the normals, with columns replaced or added."""
    NORMALS.assign(**changes).to_csv(path, index=False)
    return path


def ghcn_long(path: Path, days: pd.DataFrame, *, station: str = "USW00099999") -> Path:
    """Write a by-station file: a line per value, tenths, three flags, time of observation.

    `days` has a DatetimeIndex and elements as columns, in whole tenths; NaN cells are left out.
    """
    lines = [
        f"{station},{day:%Y%m%d},{element},{int(value)},,,W,2400"
        for day, row in days.iterrows()
        for element, value in row.items()
        if not np.isnan(value)
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def ghcn_wide(path: Path, days: pd.DataFrame, *, elevation: str = "112.2") -> Path:
    """Write an access file: a line per day, cells quoted and padded, attributes beside each."""
    elements = list(days.columns)
    head = ["STATION", "DATE", "LATITUDE", "LONGITUDE", "ELEVATION", "NAME"]
    head += [name for element in elements for name in (element, f"{element}_ATTRIBUTES")]
    lines = [",".join(f'"{name}"' for name in head)]
    for day, row in days.iterrows():
        cells = [
            "USW00099999",
            f"{day:%Y-%m-%d}",
            "47.44",
            "-122.31",
            elevation,
            "SOMEWHERE, WA US",
        ]
        for element in elements:
            missing = np.isnan(row[element])
            cells += ["", ""] if missing else [f"{int(row[element]):5d}", ",,W,2400"]
        lines.append(",".join(f'"{cell}"' for cell in cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def epw(path: Path, hours: pd.DataFrame) -> Path:
    """Write an EPW file of hours that begin at their stamp, in pvlib's names."""
    lines = ["LOCATION,Somewhere,NC,USA,TMY3,723170,36.1,-79.95,-5.0,273.0"]
    lines += ["DESIGN CONDITIONS,0", "TYPICAL/EXTREME PERIODS,0", "GROUND TEMPERATURES,0"]
    lines += ["HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0", "COMMENTS 1,", "COMMENTS 2,"]
    lines += ["DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31"]
    for stamp, row in hours.iterrows():
        cells = [stamp.year, stamp.month, stamp.day, stamp.hour + 1, 0, "?"]
        cells += [row["temp_air"], row["temp_dew"], 77, 99300, 0, 0, 350]
        cells += [row["ghi"], row["dni"], row["dhi"], 0, 0, 0, 0, 200, row["wind_speed"]]
        cells += [5, 5, 16, 1370, 9, 999999999, 15, 0.1, 0, 88, 0.2, 0, 0]
        lines.append(",".join(str(cell) for cell in cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def psm3(path: Path, hours: pd.DataFrame) -> Path:
    """Write an NSRDB file of hours stamped in their middle."""
    lines = [
        "Source,Location ID,City,State,Country,Latitude,Longitude,Time Zone,Elevation,"
        "Local Time Zone,Dew Point Units",
        "NSRDB,1,-,-,-,36.1,-79.95,-5,273,-5,c",
        "Year,Month,Day,Hour,Minute,GHI,DHI,DNI,Temperature,Dew Point,Wind Speed",
    ]
    for stamp, row in hours.iterrows():
        cells = [stamp.year, stamp.month, stamp.day, stamp.hour, 30]
        cells += [row[n] for n in ("ghi", "dhi", "dni", "temp_air", "temp_dew", "wind_speed")]
        lines.append(",".join(str(cell) for cell in cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def tmy2(path: Path, hours: pd.DataFrame) -> Path:
    """Write a TMY2 file of hours that begin at their stamp; all years are the first one's."""
    lines = [" 13723 SOMEWHERE              NC  -5 N 36  6 W  79 57   273"]
    for stamp, row in hours.iterrows():
        sun = "".join(f"{int(row[name]):4d}A7" for name in ("ghi", "dni", "dhi"))
        lines.append(
            f" 88{stamp.month:2d}{stamp.day:2d}{stamp.hour + 1:2d}{0:4d}{0:4d}{sun}"
            + f"{0:4d}A7" * 4 + "10A710A7"
            + f"{round(row['temp_air'] * 10):4d}A7{round(row['temp_dew'] * 10):4d}A7"
            + " 77A7 993A7200A7" + f"{round(row['wind_speed'] * 10):3d}A7"
            + " 161A7 1370A7" + "9" * 10 + " 15E8  0F8  0F8 0F8"
        )  # fmt: skip
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
