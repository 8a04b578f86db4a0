"""What the portfolio says as a whole: a ranked table, totals with their range, and how sure."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd

from siting.atomic import write_text
from siting.portfolio.store import read_table

__all__ = ["Totals", "ranked", "totals", "write_ranking"]

_COLUMNS: Final = (
    "rank", "property", "name", "status", "value_of_second", "currency", "sensors", "zones",
    "control", "today_m3", "water_m3", "saved_m3", "saved_m3_low", "saved_m3_high",
    "saved_per_year", "capital", "payback_years", "lon", "lat",
)  # fmt: skip
#: First characters that a spreadsheet takes for a formula.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Totals:
    """Sums over every planned property.

    planned: properties with a plan; faults: reason -> properties without a plan; sensors, zones: of
    all plans; with_timer: properties whose timer of today is known, only they count in the saving;
    today_m3, planned_m3, saved_m3: mean per year, of the properties with a timer [m³];
    saved_low_m3, saved_high_m3: the driest-saving and the best year, the same year everywhere [m³];
    years: seasons that all of those properties have; money: currency -> saving per year, its low
    and high end, and capital. The ends add up those of every property, as if all erred the same way
    at once; worth_second: properties where a second sensor pays for itself.
    """

    planned: int
    faults: Mapping[str, int]
    sensors: int
    zones: int
    with_timer: int
    today_m3: float
    planned_m3: float
    saved_m3: float
    saved_low_m3: float
    saved_high_m3: float
    years: tuple[int, ...]
    money: Mapping[str, tuple[float, float, float, float]]
    worth_second: int


def totals(folder: Path | str) -> Totals:
    """Add up a portfolio.

    Parameters
    ----------
    folder : Path or str
        The folder of results.

    Returns
    -------
    Totals
        Sums and ranges.
    """
    frame = _properties(folder)
    good = frame[frame["status"] == "planned"]
    bad = frame.loc[frame["status"] != "planned", "status"].value_counts()
    seasons = read_table(folder, "seasons").to_pandas()
    timed = seasons[seasons["baseline_m3"].notna()]
    known = timed["property"].nunique()
    by_year = timed.groupby("year").agg(
        count=("property", "size"),
        today=("baseline_m3", "sum"),
        plan=("plan_m3", "sum"),
        saved=("saved_m3", "sum"),
    )
    whole = by_year[by_year["count"] == known]
    money = {
        str(currency): tuple(
            float(part[column].sum())
            for column in ("saved_per_year", "saved_per_year_low", "saved_per_year_high", "capital")
        )
        for currency, part in good.groupby("currency", sort=True)
    }
    return Totals(
        planned=len(good),
        faults={str(reason): int(count) for reason, count in sorted(bad.items())},
        sensors=int(good["sensors"].sum()),
        zones=int(good["zones"].sum()),
        with_timer=int(known),
        today_m3=_mean(whole["today"]),
        planned_m3=_mean(whole["plan"]),
        saved_m3=_mean(whole["saved"]),
        saved_low_m3=float(whole["saved"].min()),
        saved_high_m3=float(whole["saved"].max()),
        years=tuple(int(year) for year in whole.index),
        money=money,  # type: ignore[arg-type]
        worth_second=int((good["value_of_second"] > 0).sum()),
    )


def ranked(folder: Path | str) -> pd.DataFrame:
    """Rank the properties: where a second sensor pays most comes first.

    Result: one row per property; those without a plan, or where the value is not known, come last.
    Different currencies are ranked one after the other.
    """
    frame = _properties(folder)
    frame = frame.sort_values(
        ["currency", "value_of_second", "property"],
        ascending=[True, False, True],
        na_position="last",
        kind="stable",
    ).reset_index(drop=True)
    frame.insert(0, "rank", frame.index + 1)
    return frame[list(_COLUMNS)]


def write_ranking(folder: Path | str) -> Path:
    """Write `ranking.csv`.

    Parameters
    ----------
    folder : Path or str
        The folder of results.

    Returns
    -------
    Path
        The file. Texts that a spreadsheet would run as a formula are quoted with an apostrophe.
    """
    text = io.StringIO()
    pen = csv.writer(text, lineterminator="\n")
    pen.writerow(_COLUMNS)
    for row in ranked(folder).itertuples(index=False):
        pen.writerow([_cell(value) for value in row])
    target = Path(folder) / "ranking.csv"
    write_text(target, text.getvalue())
    return target


def _cell(value: Any) -> str:  # noqa: ANN401  (cells of any type)
    if isinstance(value, str):
        plain = " ".join(value.split())
        return f"'{plain}" if value.startswith(_FORMULA) else plain
    if value is None or value != value:  # noqa: PLR0124  (NaN)
        return ""
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def _properties(folder: Path | str) -> pd.DataFrame:
    rows = read_table(folder, "properties").drop_columns(["geometry", "bbox"])
    return pd.DataFrame(rows.to_pandas())


def _mean(values: pd.Series) -> float:
    return float(values.mean()) if len(values) else float("nan")
