"""What the portfolio says as a whole: ranked table and totals, and its map."""

from __future__ import annotations

import base64
import csv
import hashlib
import html
import io
import itertools
import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from siting.decide.money import span
from siting.files import write_text
from siting.planning.cautions import cautions_for
from siting.portfolio.model import folder_name
from siting.portfolio.store import read_table
from siting.units import UnitsName, convert, show, unit_label

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
    today_m3, saved_m3: mean per year, of the properties with a timer [m³];
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
        pen.writerow([_report_cell(value) for value in row])
    target = Path(folder) / "ranking.csv"
    write_text(target, text.getvalue())
    return target


def _report_cell(value: Any) -> str:  # noqa: ANN401  (cells of any type)
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


#: More points than this are put together in cells of the ground first.
_MOST: Final = 20_000
_TOP: Final = 20
_NAME: Final = 120
#: Value not known; then from little to much. Light to dark, so that it reads without colour too.
_COLOURS: Final = ("#c9c9c2", "#fff3d6", "#f7cf8b", "#e89a4d", "#c55f2b", "#8a2f1b")
_SHARES: Final = (0.2, 0.4, 0.6, 0.8)
_WORDS: Final = {
    "shown": "{n} properties in view",
    "unknown": "not known",
    "properties": "Properties here",
    "id": "Id",
    "status": "Status",
    "sensors": "Sensors",
    "value": "Second sensor worth",
    "saved": "Water saved",
    "year": "/year",
    "open": "Open this property's map",
}
_PAGE: Final = """\
<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'sha256-{css_hash}'; script-src 'sha256-{js_hash}'; img-src data:; base-uri 'none'; form-action 'none'">
<title>{title}</title><style>{css}</style></head><body>
<header><h1>{title}</h1><p>{lead}</p></header>
<div id="frame"><canvas id="map" tabindex="0" role="application" aria-label="Map of the properties; arrow keys move, plus and minus zoom; the table below says the same"></canvas>
<div id="tools"><button id="in" aria-label="Zoom in">+</button><button id="out" aria-label="Zoom out">−</button><button id="all">All</button><input id="find" type="search" placeholder="Find name or id" aria-label="Find a property by name or id"></div></div>
<aside><div id="panel" aria-live="polite"><p class="small">Choose a square to see its property, a circle to zoom in.</p></div>
<p class="small" id="count"></p><h2>Second sensor worth per year</h2><ul class="key">{key}</ul>{binned}</aside>
<main><h2>Where a second sensor pays most</h2><table id="top"><thead><tr><th class="n">Rank</th><th>Property</th><th>Id</th><th class="n">Second sensor worth</th><th class="n">Sensors in the plan</th><th class="n">Water saved</th></tr></thead><tbody>{rows}</tbody></table>
<p class="small">All properties: ranking.csv, and the Parquet files in properties, sensors, zones, choices, seasons and faults.</p>
<h2>Before anyone digs</h2><ul class="small">{cautions}</ul></main>
<script type="application/json" id="data">{data}</script><script>{js}</script></body></html>
"""  # noqa: E501


def write_page(folder: Path | str, *, title: str, units: UnitsName = "metric") -> Path:
    """Write `portfolio.html`.

    Parameters
    ----------
    folder : Path or str
        The folder of results; hand-offs that lie in it are linked.
    title : str
        Shown on top.
    units : {"metric", "us"}
        How water is shown.

    Returns
    -------
    Path
        The page. Names are only ever shown as text, whatever they hold.
    """
    folder = Path(folder)
    table = ranked(folder)
    frame = table[table["lon"].notna()].reset_index(drop=True)
    values = frame["value_of_second"].dropna().to_numpy(dtype=float)
    positive = values[values > 0]
    breaks = [float(f"{v:.3g}") for v in np.quantile(positive, _SHARES)] if positive.size else []
    top = [_point(row, folder) for row in frame.head(_TOP).itertuples(index=False)]
    binned = len(frame) > _MOST
    rest = frame[_TOP:]
    others = [_point(row, folder) for row in rest.itertuples(index=False)] if not binned else []
    points = [*top, *(_cells(rest) if binned else others)]
    data = {"points": points, "breaks": breaks, "colours": _COLOURS, "words": _WORDS}
    data["volume"] = {"unit": unit_label("volume", units), "factor": convert(1.0, "volume", units)}
    css, js = _asset("portfolio.css"), _asset("portfolio.js")
    money = str(frame["currency"].iloc[0]) if len(frame) else ""
    note = "Beyond the best 20, properties are put together in cells." if binned else ""
    page = _PAGE.format(
        title=html.escape(title),
        css=css,
        js=js,
        css_hash=_hash(css),
        js_hash=_hash(js),
        lead=html.escape(lead(totals(folder), units)),
        key=_key(breaks, money),
        binned=f'<p class="small">{note}</p>' if note else "",
        rows="".join(_row(n, point, units) for n, point in enumerate(top)),
        cautions="".join(f"<li>{html.escape(text)}</li>" for text in cautions_for()),
        data=_json(data),
    )
    target = folder / "portfolio.html"
    write_text(target, page)
    return target


def lead(sums: Totals, units: UnitsName = "metric") -> str:
    """Say a portfolio's totals in words.

    Parameters
    ----------
    sums : Totals
        From `siting.portfolio.page.totals`.
    units : {"metric", "us"}
        How water is shown.

    Returns
    -------
    str
        Two or three sentences.

    Examples
    --------
    >>> none = Totals(0, {"input": 2}, 0, 0, 0, 0.0, 0.0, 0.0, 0.0, (), {}, 0)
    >>> lead(none)
    '0 properties planned, 2 with faults (input 2), 0 sensors in 0 zones.'
    """
    count = sum(sums.faults.values())
    reasons = ", ".join(f"{reason} {number}" for reason, number in sums.faults.items())
    text = f"{sums.planned:,} properties planned"
    text += f", {count:,} with faults ({reasons})" if count else ""
    text += f", {sums.sensors:,} sensors in {sums.zones:,} zones."
    if sums.with_timer and sums.years:
        text += f" {_saved(sums, units)}"
        rest = sums.planned - sums.with_timer
        text += f", without {rest:,} properties whose timer is not known." if rest else "."
    text += f" A second sensor pays for itself on {sums.worth_second:,}." if sums.planned else ""
    for currency, (mean, low, high, capital) in sums.money.items():
        if mean == mean and capital > 0:  # noqa: PLR0124  (NaN)
            text += (
                f" Money: {mean:,.0f} {currency} a year ({low:,.0f} to {high:,.0f} if every "
                f"property errs the same way), for {capital:,.0f} {currency} once."
            )
    return text


def _point(row: Any, folder: Path) -> list[Any]:  # noqa: ANN401  (a named tuple of pandas)
    name = folder_name(row.property)
    there = (folder / "handoff" / name / "map.html").is_file()
    return [
        round(float(row.lon), 6),
        round(float(row.lat), 6),
        _number(row.value_of_second),
        _number(row.saved_m3),
        int(row.sensors),
        str(row.name or "")[:_NAME],
        str(row.property)[:_NAME],
        1,
        str(row.status),
        name if there else "",
        str(row.currency or ""),
    ]


def _cells(frame: pd.DataFrame) -> list[list[Any]]:
    """Put many properties together in square cells; a cell shows its best property."""
    west, south = frame["lon"].min(), frame["lat"].min()
    shrink = np.cos(np.radians(float(frame["lat"].mean())))
    wide, high = (frame["lon"].max() - west) * shrink, frame["lat"].max() - south
    side = max(wide, high, 1e-9) / np.sqrt(_MOST)
    column = ((frame["lon"] - west) * shrink // side).astype("int64")
    row = ((frame["lat"] - south) // side).astype("int64")
    cells = frame.assign(column=column, row=row).groupby(["row", "column"], sort=True)
    found = cells.agg(
        lon=("lon", "mean"),
        lat=("lat", "mean"),
        value=("value_of_second", "max"),
        saved=("saved_m3", "sum"),
        sensors=("sensors", "sum"),
        property=("property", "first"),
        members=("property", "size"),
        currency=("currency", "first"),
    )
    return [_cell(cell) for cell in found.itertuples(index=False)]


def _cell(cell: Any) -> list[Any]:  # noqa: ANN401  (a named tuple of pandas)
    """Return several properties as one point."""
    return [
        round(float(cell.lon), 6),
        round(float(cell.lat), 6),
        _number(cell.value),
        _number(cell.saved),
        int(cell.sensors),
        "",
        str(cell.property)[:_NAME],
        int(cell.members),
        "",
        "",
        str(cell.currency or ""),
    ]


def _saved(sums: Totals, units: UnitsName) -> str:
    """Say how much water is saved, or how much more is used."""
    sign: Literal[1, -1] = -1 if sums.saved_m3 < 0 else 1
    amount, today = (show(v, "volume", units) for v in (sign * sums.saved_m3, sums.today_m3))
    share = f" ({abs(sums.saved_m3) / sums.today_m3:.0%})" if sums.today_m3 else ""
    head = f"Water saved: {amount} a year of today's {today}{share}"
    if sign < 0:
        head = f"More water than today: {amount} a year beside today's {today}{share}"
    ends = sorted((sign * sums.saved_low_m3, sign * sums.saved_high_m3))
    ranged = span(ends, lambda end: show(end, "volume", units), rest="more" if sign < 0 else "less")
    return f"{head}, {ranged} over the years {sums.years[0]} to {sums.years[-1]}"


def _row(number: int, point: list[Any], units: UnitsName) -> str:
    name = html.escape(point[5] or point[6])
    worth = "not known" if point[2] is None else f"{point[2]:,.0f} {point[10]}/year"
    saved = "not known" if point[3] is None else f"{show(point[3], 'volume', units)}/year"
    return (
        f'<tr><td class="n">{number + 1}</td><td><button data-i="{number}">{name}</button></td>'
        f'<td>{html.escape(point[6])}</td><td class="n">{html.escape(worth)}</td>'
        f'<td class="n">{point[4]}</td><td class="n">{saved}</td></tr>'
    )


def _key(breaks: list[float], money: str) -> str:
    """Return the legend."""
    unit = html.escape(money)
    texts = ["not known"]
    if breaks:
        texts.append(f"up to {breaks[0]:,g} {unit}")
        texts += [f"{a:,g} to {b:,g} {unit}" for a, b in itertools.pairwise(breaks)]
        texts.append(f"more than {breaks[-1]:,g} {unit}")
    square = (
        '<svg viewBox="0 0 1 1" aria-hidden="true"><rect width="1" height="1" fill="{}"/></svg>'
    )
    return "".join(
        f"<li>{square.format(colour)}{text}</li>"
        for colour, text in zip(_COLOURS, texts, strict=False)
    )


def _number(value: Any) -> float | None:  # noqa: ANN401  (a cell)
    return None if pd.isna(value) else float(f"{value:.6g}")


def _asset(name: str) -> str:
    return (files("siting.portfolio") / "assets" / name).read_text("utf-8")


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _json(data: object) -> str:
    """Return JSON that may stand inside a script element."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    for sign in ("<", ">", "&", "\u2028", "\u2029"):
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    # Half a surrogate pair cannot be written as UTF-8.
    return text.encode("utf-8", "replace").decode()
