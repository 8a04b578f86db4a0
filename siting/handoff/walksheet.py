"""What one takes along on a probe walk: a page with map and cells to fill, waypoints, a table."""

from __future__ import annotations

import csv
import html
import io
import json
from pathlib import Path
from typing import Final

import gpxpy.gpx
import numpy as np
import shapely

from siting.files import write_text
from siting.handoff.gisfiles import guard_formula
from siting.handoff.text import clean, elide
from siting.planning.cautions import DIG_CAUTION
from siting.planning.walk import Walk
from siting.site.model import Site

#: Columns of the table that comes back; `siting.site.evidence` reads them.
COLUMNS: Final = ("place", "zone", "spot", "lon", "lat", "date", "reading 1", "reading 2")
WALK_FILES: Final = ("walk.html", "walk.gpx", "walk.csv")
_WIDE: Final = 900.0  # of the map, in its own units
_HOW: Final = (
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
        name=name, map=_map(walk), how=_HOW, again=_AGAIN, push=_PUSH, dig=DIG_CAUTION,
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
