"""Files of a plan for every GIS and GPS: GeoPackage, GeoTIFF, GeoJSON, GPX, KML and CSV.

All are written whole or not at all, and the same plan gives the same bytes. `plan.gpkg` and the
rasters are in the property's own CRS; the others carry WGS 84 degrees (`sensors.csv` both). The CSV
starts with a byte-order mark, because common spreadsheet programs otherwise misread UTF-8; pandas
and GDAL skip it. Text in it that a spreadsheet would run as a formula is preceded by an apostrophe.
"""

from __future__ import annotations

import csv
import html
import io
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree as ET

import gpxpy.gpx

from siting.atomic import write_text
from siting.cautions import DIG_CAUTION
from siting.handoff._gis_package import write_package
from siting.handoff._gis_rasters import write_dryness, write_rank, write_sun_hours
from siting.handoff._gis_records import describe, flat
from siting.handoff._sheet_text import clean, elide, tape
from siting.handoff.planjson import plan_document
from siting.palette import MARKS
from siting.planning import Plan

__all__ = ["guard_formula", "write_gis"]

_KML: Final = "http://www.opengis.net/kml/2.2"
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def write_gis(plan: Plan, folder: Path | str) -> tuple[Path, ...]:
    """Write plan.gpkg, sensors.geojson, .gpx, .kml and .csv, and dryness, rank and sun-hours.tif.

    Result: the files, in that order.

    OGC 12-128r15 (GeoPackage 1.2); RFC 7946 (GeoJSON); GPX 1.1; OGC 12-007r2 (KML); RFC 4180
    (CSV); OGC 21-026 (Cloud Optimized GeoTIFF).
    """
    place = Path(folder)
    document = plan_document(plan)
    return (
        write_package(plan, place / "plan.gpkg"),
        write_text(place / "sensors.geojson", _encodable(_geojson(document))),
        write_text(place / "sensors.gpx", _encodable(_gpx(document))),
        write_text(place / "sensors.kml", _encodable(_kml(document))),
        write_text(place / "sensors.csv", _encodable(_csv(document))),
        write_dryness(plan, place / "dryness.tif"),
        write_rank(plan, place / "rank.tif"),
        write_sun_hours(plan, place / "sun-hours.tif"),
    )


def guard_formula(value: object) -> object:
    """Return a cell that no spreadsheet will run: text with a formula's start gets an apostrophe.

    OWASP, "CSV Injection".

    >>> guard_formula("=1+1"), guard_formula("turf"), guard_formula(-81.2)
    ("'=1+1", 'turf', -81.2)
    """
    if isinstance(value, str) and value.lstrip(" ").startswith(_FORMULA_STARTS):
        return "'" + value
    return value


def _encodable(text: str) -> str:
    """Replace lone surrogates, which UTF-8 cannot hold."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _geojson(document: Mapping[str, Any]) -> str:
    """Return a FeatureCollection by RFC 7946: WGS 84, longitude first, no crs member."""
    features = []
    for sensor in document["sensors"]:
        record = flat(sensor)
        point = {"type": "Point", "coordinates": [record.pop("lon"), record.pop("lat")]}
        features.append(
            {"type": "Feature", "id": record["sensor_id"], "geometry": point, "properties": record}
        )
    collection = {"type": "FeatureCollection", "features": features}
    return json.dumps(collection, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _gpx(document: Mapping[str, Any]) -> str:
    """Return waypoints by GPX 1.1; names are the tags, short enough for any handheld."""
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "siting"
    gpx.name = elide(clean(document["property"]["name"]), 80)
    gpx.description = DIG_CAUTION
    for sensor in document["sensors"]:
        text = describe(sensor, document["property"]["units"])
        gpx.waypoints.append(
            gpxpy.gpx.GPXWaypoint(
                latitude=sensor["lat"],
                longitude=sensor["lon"],
                name=clean(sensor["sensor_id"]),
                description=text,
                comment=text,
            )
        )
    for sensor in document["sensors"]:
        for tie in sensor["ties"]:
            if tie["from_kind"] == "stake":
                apart = tape(tie["distance_m"], document["property"]["units"])
                gpx.waypoints.append(
                    gpxpy.gpx.GPXWaypoint(
                        latitude=tie["from_lat"],
                        longitude=tie["from_lon"],
                        name=f"{clean(sensor['sensor_id'])} stake {tie['tie']}",
                        description=f"Stake {tie['tie']} of {clean(sensor['sensor_id'])}, {apart} "
                        "from it.",
                    )
                )
    return str(gpx.to_xml(version="1.1")) + "\n"


def _kml(document: Mapping[str, Any]) -> str:
    """Return placemarks by KML 2.2; nothing is fetched to draw them."""
    root = ET.Element("kml", {"xmlns": _KML})
    body = ET.SubElement(root, "Document")
    ET.SubElement(body, "name").text = elide(clean(document["property"]["name"]), 80)
    ET.SubElement(body, "description").text = DIG_CAUTION
    style = ET.SubElement(body, "Style", {"id": "sensor"})
    colour = MARKS["sensor"].lstrip("#")
    icon = ET.SubElement(style, "IconStyle")
    ET.SubElement(icon, "color").text = "ff" + colour[4:6] + colour[2:4] + colour[0:2]
    ET.SubElement(icon, "scale").text = "1.2"
    for sensor in document["sensors"]:
        _placemark(body, sensor, describe(sensor, document["property"]["units"]))
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _placemark(body: ET.Element, sensor: Mapping[str, Any], text: str) -> None:
    """Add one sensor to a KML document."""
    mark = ET.SubElement(body, "Placemark")
    ET.SubElement(mark, "name").text = clean(sensor["sensor_id"])
    # Globe viewers read a description as HTML: escaped once more it is shown as the text it is.
    ET.SubElement(mark, "description").text = html.escape(text, quote=False)
    ET.SubElement(mark, "styleUrl").text = "#sensor"
    extra = ET.SubElement(mark, "ExtendedData")
    for key, value in flat(sensor).items():
        data = ET.SubElement(extra, "Data", {"name": key})
        ET.SubElement(data, "value").text = clean(value)
    point = ET.SubElement(mark, "Point")
    place = f"{sensor['lon']:.8f},{sensor['lat']:.8f}"
    ET.SubElement(point, "coordinates").text = place


def _csv(document: Mapping[str, Any]) -> str:
    """Return the sensors as CSV; lengths in metres, both coordinate systems."""
    records = [flat(sensor) for sensor in document["sensors"]]
    crs = document["property"]["crs"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*(records[0] if records else ["sensor_id"]), "crs"])
    for record in records:
        writer.writerow([_cell(value) for value in (*record.values(), crs)])
    return "\ufeff" + out.getvalue()


def _cell(value: object) -> object:
    """Return a cell: unknown is empty, text is guarded, degrees and metres in full."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return guard_formula(value)
