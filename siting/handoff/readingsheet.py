"""What is filled in on the ground: the readings sheet of a plan, and the pages of a probe walk.

The readings sheet are CSV files and one workbook, ids printed; the walk has a page with map and
cells to fill, waypoints and a table.

The crew fills in what it measured and hands the file back to `siting commission`. Text that a
spreadsheet would run as a formula is preceded by an apostrophe (CSV) or stored as text (workbook).
"""

from __future__ import annotations

import csv
import html
import io
import json
import math
import re
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import gpxpy.gpx
import numpy as np
import pandas as pd
import shapely

from siting.files import write_bytes, write_text
from siting.handoff.facts import clean, elide, fixed_words, tape
from siting.handoff.gisfiles import guard_formula
from siting.language import Figure, Language, language, say, side_by_side
from siting.palette import INK
from siting.planning.cautions import DIG_CAUTION
from siting.planning.form import (
    CAN_COLUMNS,
    SENSOR_COLUMNS,
    ZONE_COLUMNS,
    SheetColumn,
    handed_out,
    header,
)
from siting.planning.model import Plan
from siting.site.model import Site
from siting.stages import kept_beside
from siting.units import FOOT_M, UnitsName

if TYPE_CHECKING:
    from siting.planning.walk import Walk

_Rows = list[dict[str, Any]]
#: Cans to print per zone where the plan asks for no number: audits ask for 24 or more, in fours.
_CANS: Final = 24
_STAMP: Final = (1980, 1, 1, 0, 0, 0)
_DATES: Final = re.compile(rb"(<dcterms:\w+[^>]*>)[^<]*(</dcterms:\w+>)")
_LONGEST: Final = 60
_TITLE: Final = say("how to fill in")
_HOW: Final = (
    say("Fill in what was measured; leave the rest empty. Printed cells stay as they are."),
    say(
        "Dates and times: 2026-05-04, or 2026-05-04 07:30; in a plan in US units 5/4/26 2pm is "
        "4 May."
    ),
    say(
        "Tapes in feet: 24 and 6 in the ft and the in column, or 24 ft 6 in, 24' 6\", 24-6 or "
        "24.5 in the ft column. Side: left or right, L or R."
    ),
    say(
        "Reading unit: % (per cent by volume, as 23.5), m3/m3 (as 0.235), kPa (tension), or "
        "device (the number that the device shows, wetter is more)."
    ),
    say("As-built point: two tapes and the side, three tapes, or GPS."),
    say(
        "Reading: soak, keep the zone off, wait the printed hours, read; read again 6 h or more "
        "later to show that the water has stopped draining."
    ),
    say(
        "Logs come as files of their own: time and a column per sensor, as S1 [%]; valve runs "
        "as start, valve, minutes; rain as date, rain_mm; the water meter as date, meter_m3."
    ),
    say(
        'A survey with a hand probe: time, point (zone/name, as "Lawn/3"; the planned point and '
        'its reserves before digging as "Lawn/S1", "Lawn/R1", "Lawn/R2"), value, unit.'
    ),
    say("Hand it back: siting commission RESULTS --readings readings.xlsx --out RESULTS"),
)


def write_readings(plan: Plan, folder: Path | str) -> tuple[Path, ...]:
    """Write readings.csv, readings-zones.csv, readings-cans.csv and readings.xlsx.

    Result: the files, in that order; the same plan gives the same bytes.
    """
    place = Path(folder)
    units, t = plan.settings.units, language(plan.settings.language)
    tables = {
        "sensors": (handed_out(SENSOR_COLUMNS, units), _sensor_rows(plan, t)),
        "zones": (ZONE_COLUMNS, _zone_rows(plan)),
        "cans": (CAN_COLUMNS, _can_rows(plan)),
    }
    grids = {
        name: [[header(c, units) for c in columns], *_grid(columns, rows)]
        for name, (columns, rows) in tables.items()
    }
    names = {"sensors": "readings.csv", "zones": "readings-zones.csv", "cans": "readings-cans.csv"}
    written = [write_text(place / names[key], _csv(grid)) for key, grid in grids.items()]
    sheets = {key: (list(tables[key][0]), grid) for key, grid in grids.items()}
    columns = [column for columns, _ in sheets.values() for column in columns]
    # What is said rests on the catalogue too, which is no source.
    said = [t(words) for words in (_TITLE, *_HOW, *(column.words for column in columns))]
    book = kept_beside("workbook", lambda: _workbook(sheets, units, t), sheets, units, said)
    return (*written, write_bytes(place / "readings.xlsx", book))


def is_filled(path: Path) -> bool:
    """Tell whether a crew wrote something into a readings sheet.

    Result: true too where the file cannot be read as one.
    """
    printed = {c.name for c in (*SENSOR_COLUMNS, *ZONE_COLUMNS, *CAN_COLUMNS) if c.printed}
    printed.add("reading_unit")
    try:
        grids = _grids_of(path)
    except Exception:  # noqa: BLE001 - whatever it is, it is not ours to replace
        return True
    for grid in grids:
        heads = [str(cell) for cell in grid[0]] if grid else []
        blank = [not any(h == p or h.startswith(f"{p}_") for p in printed) for h in heads]
        for row in grid[1:]:
            if any(mine and cell not in {None, ""} for mine, cell in zip(blank, row, strict=False)):
                return True
    return False


def _grids_of(path: Path) -> list[list[list[Any]]]:
    """Return the cells of a CSV file, or of the sheets of a workbook that have a table."""
    if path.suffix == ".csv":
        return [list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))]
    from openpyxl import load_workbook  # noqa: PLC0415 - only when a workbook comes

    book = load_workbook(path, read_only=True)
    return [_filled_rows(book[name]) for name in book.sheetnames[:3]]


def _filled_rows(sheet: Any) -> list[list[Any]]:  # noqa: ANN401 - openpyxl's own
    """Return the rows that hold something; a stray cell far away makes no table of its size."""
    rows = sheet.iter_rows(max_col=_LONGEST, values_only=True)
    return [list(row) for row in rows if row.count(None) < len(row)]


def _sensor_rows(plan: Plan, t: Language) -> _Rows:
    """Return what is printed for each sensor."""
    metric = plan.settings.units == "metric"
    rows = []
    for tag, sensor in plan.sensors.iterrows():
        ties = plan.ties[plan.ties["sensor_id"] == tag].sort_values("tie")
        taped = [
            say(
                "{number}: {tape} from {place}",
                number=int(n),
                tape=_with_decimals(m, plan.settings.units),
                place=fixed_words(kind),
            )
            for n, m, kind in zip(ties["tie"], ties["distance_m"], ties["from_kind"], strict=True)
        ]
        told = str(ties["side"].iloc[0]) if len(ties) > 1 else ""
        side = [_SIDES.get(told, f"on the {told}")] if len(ties) > 1 else []
        depth = float(sensor["depth_m"])
        rows.append(
            {
                "sensor_id": str(tag),
                "zone": str(sensor["zone"]),
                "valve": str(sensor["valve"]),
                "planned_depth": round(1000 * depth) if metric else round(depth / 0.0254, 1),
                "planned_ties": t(side_by_side([*taped, *side], "; ")),
                "wait_h": round(float(sensor["soak_wait_h"])),
                "reading_unit": "%",
            }
        )
    return rows


_SIDES: Final = {"left": say("on the left"), "right": say("on the right")}


def _with_decimals(metres: float, units: UnitsName) -> str:
    """Return a tape, in the US with its feet in decimals, for tapes divided into tenths."""
    told = tape(metres, units)
    if units == "metric" or not math.isfinite(metres):
        return told
    return say("{tape} ({feet} ft)", tape=told, feet=Figure(f"{metres / FOOT_M:.2f}"))


def _zone_rows(plan: Plan) -> _Rows:
    """Return what is printed for each zone."""
    metric = plan.settings.units == "metric"
    return [
        {
            "zone": str(zone),
            "planned_soil": str(row["soil"]),
            "planned_root_depth": round(1000 * row["root_depth_m"])
            if metric
            else round(row["root_depth_m"] / 0.0254, 1),
        }
        for zone, row in plan.zones.iterrows()
    ]


def _can_rows(plan: Plan) -> _Rows:
    """Return empty rows for the cans of every zone that holds a sensor."""
    asked = plan.sensors.get("test_cans", pd.Series(0, index=plan.sensors.index))
    cans = {str(zone): int(n) or _CANS for zone, n in zip(plan.sensors["zone"], asked, strict=True)}
    return [{"zone": zone, "can": n} for zone, most in cans.items() for n in range(1, most + 1)]


def _grid(columns: Sequence[SheetColumn], rows: Sequence[Mapping[str, Any]]) -> list[list[Any]]:
    """Return the cells of the rows; text printable, empty where the crew writes."""

    def cell(value: object) -> object:
        return clean(value) if isinstance(value, str) else value

    return [[cell(row.get(column.name, "")) for column in columns] for row in rows]


def _csv(grid: Sequence[Sequence[object]]) -> str:
    """Return a table as CSV with a byte-order mark, so that spreadsheets read UTF-8."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerows([guard_formula(cell) for cell in row] for row in grid)
    return "\ufeff" + out.getvalue()


def _workbook(
    tables: Mapping[str, tuple[Sequence[SheetColumn], list[list[Any]]]],
    units: UnitsName,
    t: Language,
) -> bytes:
    """Return the workbook, without dates of its own."""
    from openpyxl import Workbook  # noqa: PLC0415 - not where the workbook is kept
    from openpyxl.styles import Font, PatternFill  # noqa: PLC0415 - as above
    from openpyxl.utils import get_column_letter  # noqa: PLC0415 - as above

    bold, ground = Font(bold=True), PatternFill("solid", fgColor=INK["ground"].lstrip("#"))
    book = Workbook()
    book.remove(book.active)
    for name, (columns, grid) in tables.items():
        sheet = book.create_sheet(name)
        for row, cells in enumerate(grid, start=1):
            for place, value in enumerate(cells, start=1):
                cell = sheet.cell(row=row, column=place)
                _put(cell, value)
                if row == 1:
                    cell.font = bold
                if columns[place - 1].printed or row == 1:
                    cell.fill = ground
        for place, column in enumerate(columns, start=1):
            longest = max((len(str(cells[place - 1])) for cells in grid), default=0)
            width = min(max(longest, len(column.name), 8), _LONGEST) + 2
            sheet.column_dimensions[get_column_letter(place)].width = width
        _guide(sheet, columns, t, rows=len(grid))
        sheet.freeze_panes = "B2"
    how = book.create_sheet(t(_TITLE))
    for row, said in enumerate(_HOW, start=1):
        how.cell(row=row, column=1, value=t(said))
    for row, (name, column) in enumerate(
        [(name, c) for name, (columns, _) in tables.items() for c in columns], start=len(_HOW) + 2
    ):
        for place, text in enumerate((name, header(column, units), t(column.words)), start=1):
            how.cell(row=row, column=place, value=text)
    out = io.BytesIO()
    book.save(out)
    return _undated(out.getvalue())


def _guide(sheet: Any, columns: Sequence[SheetColumn], t: Language, *, rows: int) -> None:  # noqa: ANN401
    """Let the workbook say what a cell takes, and doubt what it does not; nothing is locked."""
    from openpyxl.worksheet.datavalidation import DataValidation  # noqa: PLC0415 - as above

    for place, column in enumerate(columns, start=1):
        words = list(column.allowed) or (["yes", "no"] if column.kind == "flag" else [])
        if column.printed and not words:
            continue
        if words:
            rule = DataValidation(type="list", formula1=f'"{",".join(words)}"')
        elif column.kind == "number" and math.isfinite(column.low + column.high):
            rule = DataValidation(
                type="decimal", operator="between",
                formula1=f"{column.low:g}", formula2=f"{column.high:g}",
            )  # fmt: skip
        else:
            rule = DataValidation()
        rule.allow_blank = True
        said = t(column.words)[:200]
        rule.errorStyle, rule.error = "warning", said
        rule.prompt, rule.showInputMessage, rule.showErrorMessage = said, True, True
        letter = sheet.cell(row=1, column=place).column_letter
        rule.add(f"{letter}2:{letter}{max(rows, 2)}")
        sheet.add_data_validation(rule)


def _put(cell: Any, value: Any) -> None:  # noqa: ANN401
    """Write one cell; text stays text, whatever it begins with."""
    if value != "":
        cell.value = value
    if isinstance(value, str) and value:
        cell.data_type = "s"


def _undated(content: bytes) -> bytes:
    """Return a workbook whose parts carry one fixed date."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in sorted(old.namelist()):
            part = old.read(name)
            if name == "docProps/core.xml":
                part = _DATES.sub(rb"\g<1>2000-01-01T00:00:00Z\2", part)
            entry = zipfile.ZipInfo(name, _STAMP)
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, part)
    return out.getvalue()


#: Columns of the table that comes back; `siting.site.evidence` reads them.
COLUMNS: Final = ("place", "zone", "spot", "lon", "lat", "date", "reading 1", "reading 2")
WALK_FILES: Final = ("walk.html", "walk.gpx", "walk.csv")
_WIDE: Final = 900.0  # of the map, in its own units
_HOW_TO_WALK: Final = (
    "Two days after a watering, and on a day without rain, push the probe to the depth of the "
    "sensor at each place in turn. Read it twice, a hand apart, in any one unit. Where stones or "
    "roots stop the probe, move a step and write down what it says. Leave out what you cannot read."
)
_AGAIN: Final = "Once more on another day tells what lasts: copy the rows and write the other date."
_PUSH: Final = (
    "A probe meets what lies shallow: irrigation pipe, low-voltage cable, cable of lights. Push "
    "by hand and stop at resistance."
)


def write_walk(walk: Walk, folder: Path) -> tuple[Path, ...]:
    """Write walk.html, walk.gpx and walk.csv.

    Parameters
    ----------
    walk : Walk
        Where to probe.
    folder : Path
        Made if need be.

    Returns
    -------
    tuple of Path
        The files.
    """
    folder.mkdir(parents=True, exist_ok=True)
    texts = (_page(walk), _gpx(walk), _table(walk))
    return tuple(
        write_text(folder / name, text) for name, text in zip(WALK_FILES, texts, strict=True)
    )


def _rows(walk: Walk) -> list[dict[str, str]]:
    """Return the rows of the table, readings still empty."""
    return [
        {
            "place": row.place,
            "zone": str(row.zone),
            "spot": "yes" if row.spot else "",
            "lon": f"{row.lon:.8f}",
            "lat": f"{row.lat:.8f}",
            "date": "",
            "reading 1": "",
            "reading 2": "",
        }
        for row in walk.places.itertuples()
    ]


def _table(walk: Walk) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows({k: guard_formula(v) for k, v in row.items()} for row in _rows(walk))
    return text.getvalue()


def _gpx(walk: Walk) -> str:
    """Return waypoints and a route in walking order, by GPX 1.1."""
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "siting"
    gpx.name = elide(clean(f"{walk.site.name}, probe walk"), 80)
    gpx.description = f"{_PUSH} {DIG_CAUTION}"
    route = gpxpy.gpx.GPXRoute(name="probe walk")
    for row in walk.places.itertuples():
        told = f"{clean(str(row.zone))}{', candidate spot' if row.spot else ''}"
        at = {"latitude": row.lat, "longitude": row.lon, "name": row.place}
        gpx.waypoints.append(gpxpy.gpx.GPXWaypoint(**at, description=told))
        route.points.append(gpxpy.gpx.GPXRoutePoint(**at))
    gpx.routes.append(route)
    return str(gpx.to_xml(version="1.1")) + "\n"


def _page(walk: Walk) -> str:
    """Return one page without a network: map, how to, a table to fill, and a button to save it."""
    name = html.escape(clean(walk.site.name))
    cells = "".join(
        f"<tr><th scope=row>{row['place']}</th><td>{html.escape(clean(row['zone']))}</td>"
        f"<td>{'candidate' if row['spot'] else ''}</td>"
        + "".join(
            f'<td><input inputmode=decimal data-row={k} data-column="{column}" '
            f'aria-label="{row["place"]} {column}"></td>'
            for column in ("reading 1", "reading 2")
        )
        + "</tr>"
        for k, row in enumerate(_rows(walk))
    )
    left = (
        f"<p>Not probed: {html.escape(', '.join(map(clean, walk.left_out)))}.</p>"
        if walk.left_out
        else ""
    )
    data = json.dumps([list(COLUMNS), [list(row.values()) for row in _rows(walk)]])
    data = data.replace("<", "\\u003c")
    return _HTML.format(
        name=name, map=_map(walk), how=_HOW_TO_WALK, again=_AGAIN, push=_PUSH, dig=DIG_CAUTION,
        rows=cells, left=left, data=data,
    )  # fmt: skip


def _map(walk: Walk) -> str:
    """Return the drawing as SVG: zones, buildings, the way and its places."""
    site = walk.site
    west, south, east, north = site.boundary.bounds
    scale = _WIDE / max(east - west, north - south)

    def at(x: float, y: float) -> str:
        return f"{(x - west) * scale:.1f},{(north - y) * scale:.1f}"

    def shape(geometry: shapely.Geometry, kind: str) -> str:
        parts = []
        for polygon in shapely.get_parts(geometry):
            for ring in (polygon.exterior, *polygon.interiors):
                points = " ".join(at(x, y) for x, y in shapely.get_coordinates(ring))
                parts.append(f"M{points}Z")
        return f'<path class={kind} d="{"".join(parts)}"/>'

    drawn = [shape(site.boundary, "ground")]
    drawn += [shape(one, "zone") for one in site.hydrozones.geometry]
    drawn += [shape(one, "house") for one in _buildings(site)]
    points = shapely.get_coordinates(walk.places.geometry.to_numpy())
    way = " ".join(at(x, y) for x, y in points)
    drawn.append(f'<polyline class=way points="{way}"/>')
    for row, (x, y) in zip(walk.places.itertuples(), points, strict=True):
        left, top = at(x, y).split(",")
        kind = "spot" if row.spot else "place"
        drawn.append(f'<circle class={kind} cx="{left}" cy="{top}" r="11"/>')
        drawn.append(f'<text x="{left}" y="{top}" dy="4">{row.place[1:]}</text>')
    wide, tall = (east - west) * scale, (north - south) * scale
    return (
        f'<svg viewBox="-12 -12 {wide + 24:.0f} {tall + 24:.0f}" role="img" '
        f'aria-label="Map of the places, north up">{"".join(drawn)}</svg>'
    )


def _buildings(site: Site) -> list[shapely.Geometry]:
    """Return the buildings on the property."""
    shapes = site.buildings.geometry.to_numpy()
    inside = shapely.intersection(shapes, site.boundary) if len(shapes) else np.array([])
    return [one for one in inside if shapely.get_dimensions(one) == 2 and not one.is_empty]  # noqa: PLR2004


_HTML: Final = """<!doctype html>
<html lang=en><head><meta charset=utf-8>
<meta name=viewport content="width=device-width,initial-scale=1">
<title>{name}: probe walk</title>
<style>
body{{font:16px/1.4 system-ui,sans-serif;margin:0 auto;max-width:60rem;padding:1rem;color:#1b1b1b}}
svg{{width:100%;max-height:80vh;background:#fff}}
.ground{{fill:#f4f1ea;stroke:#8a8478}}.zone{{fill:#d5e6c8;stroke:#5d7a45}}
.house{{fill:#b9b4ab;stroke:#5a564f}}.way{{fill:none;stroke:#444;stroke-dasharray:4 4}}
.place{{fill:#fff;stroke:#1b1b1b;stroke-width:2}}.spot{{fill:#ffd75e;stroke:#1b1b1b;stroke-width:3}}
text{{font-size:12px;text-anchor:middle}}
table{{border-collapse:collapse;width:100%}}td,th{{border:1px solid #777;padding:.25rem .5rem}}
input{{font:inherit;width:100%;box-sizing:border-box;min-height:2rem;border:0}}
.care{{border-left:4px solid #9c1c1c;padding-left:.75rem}}
button{{font:inherit;padding:.6rem 1rem}}
@media print{{button,.screen{{display:none}}svg{{max-height:11cm}}}}
</style></head><body>
<h1>{name}: probe walk</h1>
<p>{how} Yellow places are candidates for the sensor.</p><p>{again}</p>{left}
<p class=care>{push}<br>{dig}</p>
{map}
<p><label>Date <input type=date id=day style="width:auto;border:1px solid #777"></label></p>
<table><thead><tr><th scope=col>Place<th scope=col>Zone<th scope=col>Spot<th scope=col>Reading 1
<th scope=col>Reading 2</tr></thead><tbody>{rows}</tbody></table>
<p class=screen><button type=button id=save>Save walk.csv</button> Then name it in the property
file: <code>[[evidence]]</code>, <code>file = "walk.csv"</code>, <code>kind = "probe"</code>.</p>
<script>
const [columns, rows] = {data};
document.getElementById("save").onclick = () => {{
  const day = document.getElementById("day").value;
  const filled = rows.map(row => [...row]);
  for (const row of filled) row[columns.indexOf("date")] = day;
  for (const cell of document.querySelectorAll("input[data-row]"))
    filled[cell.dataset.row][columns.indexOf(cell.dataset.column)] = cell.value.trim();
  const quoted = text => /[",\\n;]/.test(text) ? `"${{text.replaceAll('"', '""')}}"` : text;
  const lines = [columns, ...filled].map(row => row.map(quoted).join(","));
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([lines.join("\\n") + "\\n"], {{type: "text/csv"}}));
  link.download = "walk.csv";
  link.click();
}};
</script></body></html>
"""
