"""Hypothesis strategies for whole properties, as a practitioner might hand them over."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from hypothesis import strategies as st
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from siting.site.settings import IRRIGATION, PLANTS, SOILS
from tests.bad_inputs.base import CRS, EAST, NORTH, TOML, Draft

__all__ = ["dirty_properties", "sound_properties"]

#: CRSs that lie around the property, and some that do not.
NEAR = ("EPSG:4326", "EPSG:32617", "EPSG:3857", "EPSG:2239", "EPSG:26917", "EPSG:32616")
FAR = (None, "EPSG:32755", "EPSG:3413", "EPSG:4978", "EPSG:27700")
_odd_number = st.sampled_from(
    [None, 0.0, -1.0, -999.0, 9999.0, float("nan"), float("inf"), 1e300, 5, True, "6,5", "30 ft",
     "", " 12 m ", "1,234", [1], "½", "٣"]
)  # fmt: skip
_odd_text = st.one_of(
    st.none(), st.text(max_size=8), st.sampled_from(["schrubs", "Trees ", "\0", "a\nb", "9" * 300])
)
_coordinate = st.floats(-50, 120, allow_nan=False)


def _place(x: float, y: float, wide: float, high: float) -> Polygon:
    return box(EAST + x, NORTH + y, EAST + x + wide, NORTH + y + high)


@st.composite
def sound_properties(draw: Any) -> Draft:
    """Draw a property without faults: zones in a row, some buildings and trees, any near CRS."""
    draft = Draft()
    count = draw(st.integers(1, 4))
    sizes = [draw(st.tuples(st.integers(3, 16), st.integers(3, 14))) for _ in range(count)]
    zones = [_place(18 * k + 1, 2, *size) for k, size in enumerate(sizes)]
    ids = [str(k + 1) for k in range(count)]
    turn, ground = draw(st.integers(0, 89)), _place(-2, -2, 18 * count + 4, 44)
    centre = (EAST + 30, NORTH + 20)
    pick = lambda words: [draw(st.sampled_from(words)) for _ in ids]  # noqa: E731
    tables: dict[str, dict[str, Any]] = {
        "boundary": {"id": [1], "geometry": [ground]},
        "hydrozones": {
            "zone": ids, "plants": pick(PLANTS), "soil": pick(SOILS), "irrigation": pick(IRRIGATION),
            "precipitation_rate": [float(draw(st.integers(5, 60))) for _ in ids], "geometry": zones,
        },
        "fixtures": {"kind": ["controller"], "geometry": [Point(EAST, NORTH)]},
    }  # fmt: skip
    if draw(st.booleans()):
        tables["buildings"] = {"height": [draw(st.floats(2.5, 9))],
                               "geometry": [_place(3, 24, 9, 8)]}  # fmt: skip
    trees = draw(st.integers(0, 3))
    if trees:
        tables["trees"] = {
            "height": [draw(st.floats(3, 15)) for _ in range(trees)],
            "geometry": [Point(EAST + 14 + 4 * k, NORTH + 25 + k) for k in range(trees)],
        }
    crs = draw(st.sampled_from(NEAR))
    for name, table in tables.items():
        table["geometry"] = [rotate(g, turn, centre) for g in table["geometry"]]
        tables[name] = table
    draft.layers = {n: gpd.GeoDataFrame(t, crs=CRS).to_crs(crs) for n, t in tables.items()}
    minutes = ", ".join(f'"{zone}" = {draw(st.integers(1, 60))}' for zone in ids)
    draft.toml = TOML.replace('"1" = 30, "2" = 30', minutes)
    draft.toml += "[analysis]\nresolution = 2.0\nscenarios = 1\nsun_minutes = 60\n"
    draft.weather = draft.weather.iloc[: 366 + draw(st.integers(0, 1)) * 365]
    return draft


@st.composite
def _odd_shapes(draw: Any) -> Any:
    points = draw(st.lists(st.tuples(_coordinate, _coordinate), min_size=3, max_size=8))
    ring = [(EAST + x, NORTH + y) for x, y in points]
    kind = draw(st.sampled_from(["none", "ring", "multi", "point", "line", "empty", "far"]))
    return {
        "none": lambda: None,
        "ring": lambda: Polygon(ring),
        "multi": lambda: MultiPolygon([Polygon(ring), _place(*points[0], 5, 5)]),
        "point": lambda: Point(ring[0]),
        "line": lambda: LineString(ring),
        "empty": Polygon,
        "far": lambda: translate(Polygon(ring), 1e6, -2e6),
    }[kind]()


def _spoil_shape(draw: Any, draft: Draft, name: str) -> None:
    frame = draft.layers[name]
    shapes = frame.geometry.tolist()
    shapes[draw(st.integers(0, len(shapes) - 1))] = draw(_odd_shapes())
    draft.layers[name] = frame.set_geometry(gpd.GeoSeries(shapes, frame.index, crs=frame.crs))


def _spoil_column(draw: Any, draft: Draft, name: str) -> None:
    frame = draft.layers[name]
    columns = [c for c in frame.columns if c != "geometry"]
    column = draw(st.sampled_from([*columns, "height", "root_depth", "levels", "valve", "slope"]))
    odd = st.one_of(_odd_number, _odd_text)
    values = [draw(odd) for _ in range(len(frame))]
    texts = [v if v is None or isinstance(v, str) else str(v) for v in values]
    plain = all(isinstance(v, float | int | None) and not isinstance(v, bool) for v in values)
    draft.layers[name] = frame.assign(**{column: values if plain else texts})


def _spoil_layer(draw: Any, draft: Draft, name: str) -> None:
    frame = draft.layers[name]
    match draw(st.sampled_from(["crs", "drop", "empty", "twice", "column"])):
        case "crs":
            crs = draw(st.sampled_from([*NEAR, *FAR]))
            draft.layers[name] = frame.set_crs(crs, allow_override=True)
        case "drop":
            del draft.layers[name]
        case "empty":
            draft.layers[name] = frame.iloc[:0]
        case "twice":
            draft.layers[name] = pd.concat([frame, frame], ignore_index=True)
        case _:
            column = draw(st.sampled_from(list(frame.columns)))
            if column != "geometry":
                draft.layers[name] = frame.drop(columns=column)


def _spoil_weather(draw: Any, draft: Draft) -> None:
    table = draft.weather.astype(object)
    column = draw(st.sampled_from(list(table.columns)))
    rows = draw(st.lists(st.integers(0, len(table) - 1), min_size=1, max_size=5))
    odd = draw(st.one_of(_odd_number, _odd_text, st.dates().map(str)))
    table.iloc[rows, table.columns.get_loc(column)] = str(odd)
    if draw(st.booleans()):
        factor = draw(st.sampled_from([1 / 25.4, 1.8, 10.0, -1.0, 0.0]))
        numbers = pd.to_numeric(draft.weather["rain_mm"], errors="coerce")
        table["rain_mm"] = np.asarray(numbers) * factor
    draft.weather = table


def _spoil_toml(draw: Any, draft: Draft) -> None:
    lines = draft.toml.splitlines()
    row = draw(st.integers(0, len(lines) - 1))
    other = st.one_of(st.text(max_size=20), st.sampled_from(
        ["price = nan", "[timer]", "x = 1", 'file = "/dev/null"', "elevation_m = 1e999", "[[a]]",
         'layers = ["a"]', "a.b.c = {}", "start = 04:00:00"]))  # fmt: skip
    lines[row] = draw(other)
    draft.toml = "\n".join(lines)


@st.composite
def dirty_properties(draw: Any) -> Draft:
    """Draw a property with one to four faults of any kind."""
    draft = draw(sound_properties())
    for _ in range(draw(st.integers(1, 4))):
        names = sorted(draft.layers)
        kind = draw(st.sampled_from(["shape", "column", "layer", "weather", "toml"]))
        if kind in {"shape", "column", "layer"} and names:
            name = draw(st.sampled_from(names))
            if len(draft.layers[name]) or kind == "layer":
                {"shape": _spoil_shape, "column": _spoil_column, "layer": _spoil_layer}[kind](
                    draw, draft, name
                )
        elif kind == "weather":
            _spoil_weather(draw, draft)
        elif kind == "toml":
            _spoil_toml(draw, draft)
    return draft
