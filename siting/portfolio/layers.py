"""Read a city's layers, one window at a time, under a condition that executes nothing."""

from __future__ import annotations

import ast
import functools
import math
import operator
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray

from siting.arrays import Floats
from siting.errors import Fault, InputError, nearest
from siting.portfolio.model import City
from siting.site.crs import all_finite
from siting.site.settings import LayerSource
from siting.site.vector import Bounds, LayerPart

#: Features that are looked at together.
_AT_ONCE: Final = 200_000
_METRES_PER_DEGREE: Final = 111_320.0


def boundary_table(city: City) -> tuple[list[str | None], Floats]:
    """Return id and bounds of every feature of the boundary layer.

    Result: as written; None where the cell is empty; west, south, east, north in the layer's CRS;
    NaN where there is no shape, shape (N, 4).
    """
    frame = _boundary(city)
    bounds = frame.geometry.bounds.to_numpy(dtype=np.float64)
    return column_text(frame, city.id_column), bounds


def _boundary(city: City) -> gpd.GeoDataFrame:
    """Read the ids and shapes of the boundary layer."""
    source = city.layers["boundary"]
    layer = LayerPart(source, "boundary")
    frame = layer.read(columns=[city.id_column])
    if city.id_column not in frame.columns:
        names = ", ".join(layer.columns()) or "none"
        mend = "Correct id under [portfolio]."
        found = f'no column "{city.id_column}"'
        fault = Fault(source.path.name, found, f"one of {names}", mend, layer="boundary")
        raise InputError([fault])
    return frame


def boundary_shapes(city: City) -> tuple[list[str | None], NDArray[Any]]:
    """Return id and polygon of every feature of the boundary layer.

    Result: as `boundary_table` gives them; valid; None where there is no shape, or one with
    infinite coordinates, shape (N,).
    """
    frame = _boundary(city)
    return column_text(frame, city.id_column), sound_shapes(frame)


def sound_shapes(frame: gpd.GeoDataFrame) -> NDArray[Any]:
    """Return the shapes of a layer, repaired.

    Result: None where there is no shape, or one with infinite coordinates, shape (N,).
    """
    shapes = frame.geometry.to_numpy()
    return np.asarray(shapely.make_valid(np.where(all_finite(shapes), shapes, None)))


def column_text(frame: pd.DataFrame, column: str | None) -> list[str | None]:
    """Return a column as text.

    column: its column. Result: whole numbers without decimals; None where a cell is empty.
    """
    return [_text(value) for value in frame[column]]


def layer_parts(city: City, name: str) -> Iterator[gpd.GeoDataFrame]:
    """Yield a layer in parts, so that a large one never lies in memory whole.

    Result: features in their order, with the owner's column where there is one.

    Of a layer that cannot be read nothing comes.
    """
    layer = LayerPart(city.layers[name], name)
    try:
        columns = [c for c in layer.columns() if c == city.owner_column]
        if layer.parquet:
            yield layer.read()
            return
        first = 0
        while True:
            part = layer.read(columns=columns, rows=(first, _AT_ONCE))
            yield part
            first += _AT_ONCE
            if len(part) < _AT_ONCE:
                return
    except InputError:
        return


def column_values(city: City, column: str) -> set[str]:
    """Return every value of a column of the boundary layer, as text.

    Result: empty when there is no such column.
    """
    source = city.layers.get("boundary")
    layer = None if source is None else LayerPart(source, "boundary")
    if layer is None or column not in layer.columns():
        return set()
    frame = layer.read(columns=[column], geometry=False)
    return {text for value in frame[column].unique() if (text := _text(value)) is not None}


def slow_layers(city: City) -> tuple[str, ...]:
    """Tell which layers are read whole for every tile.

    Result: one note for each GeoParquet file without a bbox covering.
    """
    layers = {source.path: LayerPart(source, name) for name, source in city.layers.items()}
    return tuple(
        f"{path.name} has no bbox covering, so that it is read whole for every tile: write it "
        "with one (geopandas: write_covering_bbox=True), sorted along a Hilbert curve"
        for path, layer in sorted(layers.items())
        if layer.read_whole()
    )


def layer_crs(city: City) -> pyproj.CRS:
    """Return the CRS that all layers of a city share; that of the boundary layer."""
    found: dict[str, Any] = {}
    faults: list[Fault] = []
    for name, source in city.layers.items():
        try:
            crs = LayerPart(source, name).crs()
        except InputError as error:
            faults += [] if source.optional else error.faults
            continue
        if crs is None:
            mend = "Assign the CRS in which it was drawn, in the GIS."
            faults.append(Fault(source.path.name, "no CRS", "a CRS", mend, layer=name))
        else:
            found[name] = pyproj.CRS.from_user_input(crs)
    first = found.get("boundary")
    for name, crs in found.items():
        if first is not None and not crs.equals(first, ignore_axis_order=True):
            mend = "Save every layer in one CRS."
            file = city.layers[name].path.name
            faults.append(Fault(file, crs.name, f"{first.name}, as the boundary", mend, layer=name))
    if faults or first is None:
        raise InputError(faults)
    return pyproj.CRS.from_user_input(first)


def reach_in(crs: pyproj.CRS, bounds: Bounds, metres: float) -> tuple[float, float]:
    """Return a length on the ground in units of a CRS, at a place.

    metres: the length [m]. Result: east-west and north-south, never shorter than the length on the
    ground.

    >>> reach_in(pyproj.CRS(32613), (480_000, 4_390_000, 480_060, 4_390_060), 60.0)
    (60.0, 60.0)
    """
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    if crs.is_geographic:
        degrees = metres / _METRES_PER_DEGREE * 1.01
        return degrees / max(math.cos(math.radians(y)), 0.01), degrees
    mover, projection = _ruler(crs)
    factors = projection.get_factors(*mover.transform(x, y))
    unit = crs.axis_info[0].unit_conversion_factor or 1.0
    scale = max(1.0, float(factors.meridional_scale), float(factors.parallel_scale)) / unit
    length = metres * scale
    return length, length


@functools.lru_cache(maxsize=8)
def _ruler(crs: pyproj.CRS) -> tuple[pyproj.Transformer, pyproj.Proj]:
    """Return what the scale of a CRS is measured with; making it takes longer than using it."""
    geodetic = crs.geodetic_crs or pyproj.CRS(4326)
    return pyproj.Transformer.from_crs(crs, geodetic, always_xy=True), pyproj.Proj(crs)


def read_window(source: LayerSource, name: str, bounds: Bounds) -> gpd.GeoDataFrame | None:
    """Read the features of a layer that touch a window; None when an optional one is not there."""
    try:
        return LayerPart(source, name).read(bounds=bounds)
    except InputError:
        if source.optional:
            return None
        raise


def _text(value: object) -> str | None:
    """Return a cell as text; whole numbers without decimals, None where empty."""
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        value = int(value)
    return str(value).strip() or None


_LONGEST: Final = 500
_DEEPEST: Final = 20
_MOST_TERMS: Final = 100
_COMPARE: Final[Mapping[type[ast.cmpop], Callable[[Any, Any], Any]]] = {
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
}
_EXAMPLE: Final = "sensors >= 2 and value_of_second > 50"


def check_condition(text: str, columns: Mapping[str, str]) -> None:
    """Refuse a condition that cannot be evaluated.

    columns: the columns that it may name -> "number" or "text".
    """
    try:
        tree = _parse(text)
        _check(tree, columns, 0)
        kind = _kind(tree, columns)
    except _Wrong as error:
        allowed = f"comparisons with and, or, not; columns {', '.join(columns)}"
        mend = f"Write for example: {_EXAMPLE}"
        raise InputError([Fault("--handoff", str(error), allowed, mend)]) from None
    if kind != "truth":
        raise InputError([Fault("--handoff", f'"{text}"', "a condition", f"Write {_EXAMPLE}")])


def matches(text: str, row: Mapping[str, Any]) -> bool:
    """Tell whether a row meets a condition.

    row: the row, a comparison with an unknown value (None) is false.

    >>> matches("sensors >= 2 and not name == 'Depot'", {"sensors": 3, "name": "Yard"})
    True
    >>> matches("value_of_second > 50", {"value_of_second": None})
    False
    """
    if text in {"none", "all"}:
        return text == "all"
    return bool(_value(_parse(text), row))


class _Wrong(Exception):  # noqa: N818  (never leaves this module)
    """What is wrong with a condition."""


def _parse(text: str) -> ast.expr:
    if len(text) > _LONGEST:
        msg = f"a condition of {len(text)} characters"
        raise _Wrong(msg)
    try:
        return ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        msg = f'"{text}", which cannot be read'
        raise _Wrong(msg) from None


def _check(node: ast.expr, columns: Mapping[str, str], depth: int) -> None:
    """Walk a condition and refuse every part that is not of this small grammar."""
    if depth > _DEEPEST:
        msg = "a condition nested too deeply"
        raise _Wrong(msg)
    for inner in _parts(node):
        _check(inner, columns, depth + 1)
    if isinstance(node, ast.Name) and node.id not in columns:
        near = nearest(node.id, columns)
        msg = f'no column "{node.id}"' + (f'; did you mean "{near}"?' if near else "")
        raise _Wrong(msg)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        kind = _kind(node.operand, columns)
        if kind != "number":
            msg = f"a minus before a {kind}"
            raise _Wrong(msg)
    if isinstance(node, ast.Compare):
        kinds = [_kind(part, columns) for part in (node.left, *node.comparators)]
        if len(set(kinds)) > 1 or kinds[0] == "truth":
            msg = f"a comparison of {' with '.join(kinds)}"
            raise _Wrong(msg)


def _parts(node: ast.expr) -> list[ast.expr]:
    """Return the parts of a node, or refuse it."""
    if isinstance(node, ast.BoolOp) and len(node.values) <= _MOST_TERMS:
        return node.values  # noqa: PD011 - of the syntax tree
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        return [node.operand]
    if isinstance(node, ast.Compare) and all(type(op) in _COMPARE for op in node.ops):
        return [node.left, *node.comparators]
    if isinstance(node, ast.Name):
        return []
    if isinstance(node, ast.Constant) and isinstance(node.value, (int, float, str)):
        return []
    msg = f'"{ast.unparse(node)}"'
    raise _Wrong(msg)


def _kind(node: ast.expr, columns: Mapping[str, str]) -> str:
    """Return what a part is: "number", "text" or "truth"."""
    if isinstance(node, ast.Name):
        return columns.get(node.id, "number")
    if isinstance(node, ast.Constant):
        return "text" if isinstance(node.value, str) else "number"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return "number"
    return "truth"


def _value(node: ast.expr, row: Mapping[str, Any]) -> Any:  # noqa: ANN401, PLR0911
    """Return the value of a part; the tree itself is walked, nothing is executed."""
    if isinstance(node, ast.Constant):
        return node.value
    if isinstance(node, ast.Name):
        return row.get(node.id)
    if isinstance(node, ast.BoolOp):
        each = (bool(_value(part, row)) for part in node.values)  # noqa: PD011
        return all(each) if isinstance(node.op, ast.And) else any(each)
    if isinstance(node, ast.UnaryOp):
        inner = _value(node.operand, row)
        if isinstance(node.op, ast.Not):
            return not inner
        return None if inner is None else -inner
    if isinstance(node, ast.Compare):
        values = [_value(part, row) for part in (node.left, *node.comparators)]
        if any(value is None for value in values):
            return False
        pairs = zip(node.ops, values, values[1:], strict=False)
        return all(_COMPARE[type(op)](a, b) for op, a, b in pairs)
    msg = "not a condition"
    raise _Wrong(msg)
