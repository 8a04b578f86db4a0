"""Run temporal stability and the health tests on measured series, and hold them against pandas.

Four moisture sensors at 7.5 cm under grass, 2018 to 2021, with daily weather (Cabral 2023, doi
10.5281/zenodo.7948797, by way of the public repository Alireza-Amani/SVS_percolation, MIT). The
data are not part of this project; the script says so and ends where the folder is not there::

    python tests/validation/commissioning_real.py [FOLDER]

Nothing is tuned. Nothing is watered there and there are no valves and no thresholds, so that those
tests must say that they could not be run. Only May to October is used: there is frost in the rest.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from siting.commission.health import sensor_health
from siting.commission.signal import Expected, together
from siting.evidence.walk import relative_differences
from siting.site.handbook import SOIL_CLASSES
from tests.validation.quebec import FOLDER, measured, weather


def plain_pandas(table: pd.DataFrame) -> pd.DataFrame:
    """Return Vachaud's two numbers in the plainest way, cell by cell."""
    rows = {}
    for name in table:
        differences = []
        for _, values in table.iterrows():
            middle = sum(values) / len(values)
            differences.append((values[name] - middle) / middle)
        mean = sum(differences) / len(differences)
        squares = sum((d - mean) ** 2 for d in differences)
        rows[name] = {"mean": mean, "sd": (squares / (len(differences) - 1)) ** 0.5}
    return pd.DataFrame.from_dict(rows, orient="index")


def main() -> None:
    """Print both tables and what the health tests say."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    if not (folder / "grass_cover_quebec_daily.csv").is_file():
        print("the measured series are not here; see the docstring")
        return
    sensors = measured(folder)
    sensors = sensors[sensors.index.month.isin(range(5, 11))]
    table = together({name: sensors[name].dropna() for name in sensors})
    ours, plain = relative_differences(table), plain_pandas(table)
    print(f"{len(table)} days with all four sensors, May to October")
    print(ours.round(4).to_string(), "\n")
    apart = float((ours[["mean", "sd"]] - plain.loc[ours.index]).abs().to_numpy().max())
    print(f"greatest difference from plain pandas: {apart:.1e}\n")
    if apart > 1e-12:
        sys.exit("temporal stability differs from plain pandas")
    days = weather(folder)
    record = pd.DataFrame({"rain_mm": days["rain"], "eto_mm": days["eto"]}, index=days.index)
    soil = SOIL_CLASSES["sandy loam"]
    none = pd.DataFrame({"start": pd.to_datetime([]), "valve": [], "minutes": np.array([])})
    for name in sensors:
        for year in sorted(set(sensors.index.year)):
            content = sensors.loc[sensors.index.year == year, name]
            if content.notna().sum() < 60:
                continue
            first, last = content.dropna().index[[0, -1]]
            expected = Expected(
                name, "grass", "none", soil.field_capacity, soil.wilting_point, 0.3, 150.0, 0.4,
                10.0, 0.9, 0.3,
            )  # fmt: skip
            found = sensor_health(
                content.loc[first:last],
                expected=expected,
                events=none,
                weather=record.loc[first:last],
            )
            signal = found.signal
            ratio = (signal.dry_downs["slope"] / signal.dry_downs["modelled"]).median()
            print(
                f"{name} {year}: {content.notna().sum()} days, plateau {signal.plateau:.3f}, "
                f"{len(signal.dry_downs)} dry spells at {ratio:.2f} of the model: {found.verdict}"
            )
            for finding in found.findings:
                print(f"    {finding.words} ({finding.cause})")
    print("\nnot tested in the last one:", *found.untested, sep="\n    ")


if __name__ == "__main__":
    main()
