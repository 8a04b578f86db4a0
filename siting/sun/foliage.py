"""What is assumed of trees that the layer does not tell, and when they are in leaf."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from siting.errors import Fault

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

__all__ = [
    "TREE_DEFAULTS",
    "TreeDefaults",
    "bare_transmissivity",
    "column",
    "drawn_crowns",
    "fill_tree_defaults",
    "leaf_months",
    "log_transmissivity",
    "range_faults",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class TreeDefaults:
    """What is assumed of a tree that the layer does not tell.

    height: where neither height nor crown is known, common practice, no source [m]; spread: crown
    diameter over height, common practice, no source; base: height of the crown's underside over the
    tree's height, common practice, no source (the SOLWEIG model takes 0.25: Lindberg and Grimmond
    2011, Theor. Appl. Climatol. 105, 311-323, from memory); transmissivity: share of direct light
    that passes a crown in leaf. Between the 0.01-0.05 that Konarska et al. (2014, Theor. Appl.
    Climatol. 117, 363-376) measured and the 0.1-0.3 of Heisler (1986, Urban Ecology 9, 337-359),
    both from memory; bare: the same of a deciduous crown out of leaf: 0.40 to 0.52 measured by
    Konarska et al. (2014), from memory.
    """

    height: float = 8.0
    spread: float = 0.6
    base: float = 0.3
    transmissivity: float = 0.15
    bare: float = 0.45


TREE_DEFAULTS: Final = TreeDefaults()

#: Least latitude [deg] -> first and last month in leaf, north of the equator. Common practice, no
#: source; the middle band is near the days 97 to 300 that the SOLWEIG model takes (from memory).
_LEAF: Final = ((55.0, 5, 9), (35.0, 4, 10), (23.5, 3, 11), (0.0, 1, 12))
_HALF_YEAR: Final = 6
_OPAQUE: Final = 1e-12


def leaf_months(latitude: float) -> tuple[int, ...]:
    """Months in which deciduous trees are in leaf.

    April to October from 35 to 55 degrees, March to November nearer the tropics, May to September
    nearer the pole, the whole year within the tropics; six months later in the south.

    Parameters
    ----------
    latitude : float
        North positive [deg].

    Returns
    -------
    tuple of int
        Months 1..12, rising.

    Examples
    --------
    >>> leaf_months(51.0)
    (4, 5, 6, 7, 8, 9, 10)
    >>> leaf_months(-34.0)
    (1, 2, 3, 4, 5, 9, 10, 11, 12)
    """
    first, last = next((a, b) for least, a, b in _LEAF if abs(latitude) >= least)
    shift = _HALF_YEAR if latitude < 0 else 0
    return tuple(sorted((month - 1 + shift) % 12 + 1 for month in range(first, last + 1)))


def fill_tree_defaults(
    trees: gpd.GeoDataFrame,
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Fill what the trees layer does not tell, and say so.

    trees: columns height, crown_diameter, crown_base [m], transmissivity (0..1), crown (Polygon or
    None). Result: a copy without NaN in the first four columns; what was assumed, one sentence per
    column.

    >>> import geopandas as gpd
    >>> from shapely import Point
    >>> frame = gpd.GeoDataFrame({"height": [10.0]}, geometry=[Point(0, 0)])
    >>> filled, notes = fill_tree_defaults(frame)
    >>> float(filled["crown_diameter"].iloc[0]), len(notes)
    (6.0, 2)
    """
    rule = TREE_DEFAULTS
    height, spread = column(trees, "height"), column(trees, "crown_diameter")
    tau, base = column(trees, "transmissivity"), column(trees, "crown_base")
    drawn = drawn_crowns(trees)
    outlined = np.array([crown is not None for crown in drawn], dtype=bool)
    spread[outlined] = 2 * np.sqrt(shapely.area(drawn[outlined]) / np.pi)
    no_spread = np.isnan(spread)
    no_height = np.isnan(height)
    new_height = np.where(no_spread, rule.height, spread / rule.spread)
    height = np.where(no_height, new_height, height)
    filled = trees.copy()
    filled["height"] = height
    filled["crown_diameter"] = np.where(no_spread, rule.spread * height, spread)
    filled["crown_base"] = np.where(np.isnan(base), rule.base * height, base)
    filled["transmissivity"] = np.where(np.isnan(tau), rule.transmissivity, tau)
    notes = [
        (no_height, f"height: crown diameter / {rule.spread}, or {rule.height} m without a crown"),
        (no_spread, f"crown diameter: {rule.spread} x height"),
        (np.isnan(tau), f"transmissivity: {rule.transmissivity}"),
    ]
    said = tuple(f"{int(miss.sum())} trees without {text}." for miss, text in notes if miss.any())
    return filled, said


def bare_transmissivity(trees: pd.DataFrame) -> Floats:
    """Share of the direct light that passes each tree out of leaf.

    An evergreen, and a tree of which the layer tells neither whether it is evergreen nor how much
    passes it bare, keeps its leaves all year.

    Parameters
    ----------
    trees : DataFrame
        Columns transmissivity, and where known transmissivity_bare (0..1) and evergreen (True,
        False or None).

    Returns
    -------
    ndarray, shape (T,)
        0..1.
    """
    leaf, bare = column(trees, "transmissivity"), column(trees, "transmissivity_bare")
    known = trees["evergreen"] if "evergreen" in trees.columns else [None] * len(trees)
    evergreen = np.array([flag in (True, 1) for flag in known], dtype=bool)
    deciduous = np.array([flag in (False, 0) for flag in known], dtype=bool)
    assumed = np.where(deciduous, np.maximum(leaf, TREE_DEFAULTS.bare), leaf)
    return np.where(evergreen, leaf, np.where(np.isnan(bare), assumed, bare))


def log_transmissivity(tau: Floats, scale: float) -> Floats:
    """Natural logarithm of scaled transmissivities, which stay within 0..1; -inf is opaque.

    tau (T,): 0..1. Result: 0 or less, shape (T,).
    """
    share = np.clip(tau * scale, 0.0, 1.0)
    with np.errstate(divide="ignore"):
        return np.where(share > _OPAQUE, np.log(share), -np.inf)


def column(frame: pd.DataFrame, name: str) -> Floats:
    """Return a column as a fresh float array; NaN where the frame does not have it.

    name: the column. Result: a copy, shape (N,).
    """
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return frame[name].to_numpy(dtype=np.float64, na_value=np.nan, copy=True)


def drawn_crowns(trees: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Return the crown drawn for each tree, as a polygon or None.

    trees: column crown, or polygons for geometry. Result: a trees layer of polygons is a layer of
    crowns, shape (T,).
    """
    geometry = np.asarray(trees.geometry.array, dtype=object)
    crowns = trees["crown"] if "crown" in trees.columns else [None] * len(trees)
    drawn = np.full(len(trees), None, dtype=object)
    for i, (crown, shape) in enumerate(zip(crowns, geometry, strict=True)):
        for found in (crown, shape):
            if drawn[i] is None and isinstance(found, shapely.Geometry) and shapely.area(found) > 0:
                drawn[i] = found
    return drawn


def range_faults(
    frame: pd.DataFrame, layer: str, limits: tuple[tuple[str, float], ...]
) -> list[Fault]:
    """Return a fault for each number that cannot be.

    frame: the features, their ids in column `feature`, or the index; limits: column and greatest
    value, the least is 0. Result: in the order of `limits`.
    """
    faults = []
    names = list(frame["feature"] if "feature" in frame.columns else frame.index)
    for name, most in limits:
        values = column(frame, name)
        for i in np.flatnonzero(~np.isfinite(values) | (values < 0) | (values > most)):
            allowed = "0 to 1" if most == 1.0 else "0 m or more"
            found, mend = f"{name} {values[i]:g}", "Correct it."
            faults.append(Fault(layer, found, allowed, mend, feature=str(names[i]), column=name))
    return faults
