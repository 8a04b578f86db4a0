"""Trees: trunk points, crowns, and the sizes that nobody measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siting.site.findings import Findings
from siting.site.repair import drop_copies, reading_order
from siting.site.values import Layer, maybe_flags, numbers

__all__ = ["TREE_RULES", "TreeRules", "trees_frame"]


@dataclass(frozen=True)
class TreeRules:
    """How unknown sizes of a tree are filled.

    Parameters
    ----------
    height : float
        Of a tree of which nothing is known [m].
    crown_per_height : float
        Crown diameter over tree height.
    crown_per_trunk : float
        Crown diameter over trunk diameter.
    transmissivity : float
        Share of the sun that passes a crown in leaf.
    source : str
        Where the numbers come from.
    """

    height: float
    crown_per_height: float
    crown_per_trunk: float
    transmissivity: float
    source: str


TREE_RULES: Final = TreeRules(
    height=6.0,
    crown_per_height=0.6,
    crown_per_trunk=24.0,
    transmissivity=0.2,
    source=(
        "Sizes: common practice for open-grown trees, no published source (crown 24 trunk "
        "diameters: the rule of 1 ft of radius to 1 in of trunk). Transmissivity in leaf, from "
        "memory: 0.1 to 0.3 for most open-grown trees (Heisler 1986, Energy and Buildings 9), "
        "as low as 0.01 to 0.05 for dense single crowns (Konarska et al. 2014, Theoretical and "
        "Applied Climatology 117)."
    ),
)


def trees_frame(
    layer: Layer, findings: Findings, *, rules: TreeRules = TREE_RULES
) -> gpd.GeoDataFrame:
    """Return the trees with every size known.

    Parameters
    ----------
    layer : Layer
        In the working CRS, shapes clean: points at the trunk, or drawn crowns.
    findings : Findings
        Where filled sizes are noted as warnings.
    rules : TreeRules
        How unknown sizes are filled.

    Returns
    -------
    GeoDataFrame
        Columns height, crown_diameter, trunk_diameter [m], transmissivity, crown_base [m],
        transmissivity_bare (NaN where not told), evergreen (True, False or None), feature, geometry
        (point), crown (polygon or None).
    """
    shapes = layer.frame.geometry.to_numpy()
    drawn = np.isin(shapely.get_type_id(shapes), (3, 6))
    crown = numbers(layer, "crown_diameter", findings)
    crown = np.where(drawn & np.isnan(crown), 2 * np.sqrt(shapely.area(shapes) / np.pi), crown)
    sizes = _fill_sizes(
        layer,
        numbers(layer, "height", findings),
        crown,
        numbers(layer, "trunk_diameter", findings),
        findings,
        rules,
    )
    passed = numbers(layer, "transmissivity", findings)
    unknown = np.isnan(passed)
    _note(layer, unknown, "transmissivity", f"{rules.transmissivity:g} in leaf", findings)
    frame = gpd.GeoDataFrame(
        {
            **sizes,
            "transmissivity": np.where(unknown, rules.transmissivity, passed),
            "crown_base": _crown_bases(layer, sizes["height"], findings),
            "transmissivity_bare": numbers(layer, "transmissivity_bare", findings),
            "evergreen": pd.Series(
                maybe_flags(layer, "evergreen", findings), layer.frame.index, dtype=object
            ),
            "feature": pd.Series(layer.frame.index, layer.frame.index, dtype=object),
            "crown": pd.Series(np.where(drawn, shapes, None), layer.frame.index, dtype=object),
        },
        index=layer.frame.index,
        geometry=_trunks(shapes, drawn),
        crs=layer.frame.crs,
    )
    frame = frame[
        [
            "height",
            "crown_diameter",
            "trunk_diameter",
            "transmissivity",
            "crown_base",
            "transmissivity_bare",
            "evergreen",
            "feature",
            "geometry",
            "crown",
        ]
    ]
    kept = drop_copies(layer, frame, findings, ignore=("feature",))
    return kept.iloc[reading_order(kept)].reset_index(drop=True)


def _trunks(shapes: NDArray[np.object_], drawn: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Return the middle of a drawn crown, or a point within it where the middle lies outside."""
    middle = shapely.centroid(shapes)
    inside = shapely.covers(shapes, middle)
    within = np.where(inside, middle, shapely.point_on_surface(shapes))
    trunks: NDArray[np.object_] = np.where(drawn, within, shapes)
    return trunks


def _crown_bases(
    layer: Layer, height: NDArray[np.float64], findings: Findings
) -> NDArray[np.float64]:
    """Return how high crowns begin [m], NaN where not told; a crown begins below its top."""
    base = numbers(layer, "crown_base", findings)
    high = base >= height
    if high.any():
        layer.fault(
            findings,
            "crown_base at or above the tree's height",
            "a crown that begins below the top",
            "Correct one of them.",
            features=layer.frame.index[high].tolist(),
            column="crown_base",
        )
    return base


def _fill_sizes(
    layer: Layer,
    height: NDArray[np.float64],
    crown: NDArray[np.float64],
    trunk: NDArray[np.float64],
    findings: Findings,
    rules: TreeRules,
) -> dict[str, NDArray[np.float64]]:
    """Fill each unknown size from the sizes that are known."""
    by_trunk = np.isnan(crown) & np.isnan(height)
    no_crown, no_trunk = np.isnan(crown), np.isnan(trunk)
    crown = np.where(by_trunk, trunk * rules.crown_per_trunk, crown)
    nothing = np.isnan(crown) & np.isnan(height)
    no_height = np.isnan(height) & ~nothing
    height = np.where(no_height, crown / rules.crown_per_height, height)
    height = np.where(nothing, rules.height, height)
    crown = np.where(np.isnan(crown), height * rules.crown_per_height, crown)
    trunk = np.where(no_trunk, crown / rules.crown_per_trunk, trunk)
    _note(layer, nothing, "height", findings.tell(rules.height, "length", decimals=0), findings)
    _note(layer, no_height, "height", f"crown diameter / {rules.crown_per_height:g}", findings)
    known = no_crown & ~by_trunk | nothing
    _note(layer, known, "crown_diameter", f"{rules.crown_per_height:g} of the height", findings)
    from_trunk = by_trunk & ~nothing
    per_trunk = f"{rules.crown_per_trunk:g} trunk diameters"
    _note(layer, from_trunk, "crown_diameter", per_trunk, findings)
    share = f"crown diameter / {rules.crown_per_trunk:g}"
    _note(layer, no_trunk, "trunk_diameter", share, findings)
    return {"height": height, "crown_diameter": crown, "trunk_diameter": trunk}


def _note(
    layer: Layer, rows: NDArray[np.bool_], column: str, taken: str, findings: Findings
) -> None:
    if rows.any():
        findings.warn(
            f"{layer.file}, {layer.name}: {column} of {rows.sum()} trees was unknown and taken as "
            f"{taken}."
        )
