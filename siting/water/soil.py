"""Soil: texture class, water held, intake rate and how long it drains after a soaking."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats
from siting.errors import Fault, InputError
from siting.site.handbook import SOIL_CLASSES

_INCH_MM: Final = 25.4
_WHOLE: Final = 100.0
#: Organic matter where it is not known: that of Saxton & Rawls 2006, Table 3 [%].
ORGANIC_MATTER: Final = 2.5
#: Clay up to which the equations of Saxton & Rawls 2006 hold [%].
MOST_CLAY: Final = 60.0
#: Upper limits of the first three slope classes of the surface accumulation [%].
SLOPE_LIMITS: Final = (3.0, 6.0, 12.0)


def texture_class(sand: float, clay: float) -> str:
    """Return the USDA texture class.

    Parameters
    ----------
    sand, clay : float
        Shares of the mineral soil; the rest is silt [%].

    Returns
    -------
    str
        One of the twelve classes.

    Raises
    ------
    InputError
        When the shares are no shares.

    References
    ----------
    Soil Survey Manual; Benham, Ahrens & Nettleton 2009 (limits as quoted in public code).

    Examples
    --------
    >>> texture_class(40.0, 20.0)
    'loam'
    """
    if not (sand >= 0.0 and clay >= 0.0 and sand + clay <= _WHOLE):
        found = f"sand {sand:g} %, clay {clay:g} %"
        allowed = "0 to 100 %, together at most 100 %"
        fault = Fault("hydrozones", found, allowed, "Correct the shares.", column="sand, clay")
        raise InputError([fault])
    silt = _WHOLE - sand - clay
    return _fine(sand, silt, clay) or _coarse(sand, silt, clay) or _middle(silt, clay)


# The limits below are the definition of the classes, quoted in the docstring above.
# ruff: noqa: PLR2004
def _fine(sand: float, silt: float, clay: float) -> str | None:
    """Return the class of a soil with much clay."""
    if clay >= 40.0 and sand <= 45.0:
        return "silty clay" if silt >= 40.0 else "clay"
    if clay >= 35.0 and sand > 45.0:
        return "sandy clay"
    if 27.0 <= clay < 40.0 and sand <= 45.0:
        return "silty clay loam" if sand <= 20.0 else "clay loam"
    if 20.0 <= clay < 35.0 and silt < 28.0 and sand > 45.0:
        return "sandy clay loam"
    return None


def _coarse(sand: float, silt: float, clay: float) -> str | None:
    """Return the class of a soil with much sand."""
    if silt + 1.5 * clay < 15.0:
        return "sand"
    if silt + 2.0 * clay < 30.0:
        return "loamy sand"
    if (7.0 <= clay < 20.0 and sand > 52.0) or (clay < 7.0 and silt < 50.0):
        return "sandy loam"
    return None


def _middle(silt: float, clay: float) -> str:
    """Return the class of what is left."""
    if silt >= 80.0 and clay < 12.0:
        return "silt"
    return "silt loam" if silt >= 50.0 else "loam"


#: Grain density [Mg/m³], Saxton & Rawls 2006.
_GRAIN: Final = 2.65
#: Upper limits of the first three slope classes of the greatest rate [%].
_RATE_SLOPES: Final = (5.0, 8.0, 12.0)
#: Greatest rate by slope, under a cover and on bare soil [in/h].
_GREATEST: Final = {
    "coarse sand": ((2.0, 2.0, 1.5, 1.0), (2.0, 1.5, 1.0, 0.5)),
    "light sandy loam": ((1.75, 1.25, 1.0, 0.75), (1.0, 0.8, 0.6, 0.4)),
    "silt loam": ((1.0, 0.8, 0.6, 0.5), (0.5, 0.4, 0.3, 0.2)),
    "heavy clay": ((0.2, 0.15, 0.12, 0.1), (0.15, 0.1, 0.08, 0.06)),
}


class SoilWater(NamedTuple):
    """Hydraulic values of a soil.

    wilting_point, field_capacity, saturation: water contents [m³/m³]; conductivity, bulk_density:
    saturated conductivity [mm/h], bulk density [Mg/m³].
    """

    wilting_point: Floats
    field_capacity: Floats
    saturation: Floats
    conductivity: Floats
    bulk_density: Floats


def saxton_rawls(
    sand: ArrayLike,
    clay: ArrayLike,
    *,
    organic_matter: ArrayLike = ORGANIC_MATTER,
    density_factor: ArrayLike = 1.0,
    gravel: ArrayLike = 0.0,
) -> SoilWater:
    """Return the hydraulic values of a soil from its texture.

    sand, clay: shares of the mineral soil, clay at most 60, above which the equations fail [%];
    organic_matter: share of the soil [%]; density_factor: density over that of the soil left alone:
    0.9 loose, 1 normal, 1.1 compacted, 1.2 and 1.3 hard [-]; gravel: share of the whole soil's
    weight [%]. Result: water content at 1500 kPa, at 33 kPa and at saturation, saturated
    conductivity and bulk density, each of shape (...), of the whole soil with its gravel. Where
    compaction leaves less room than the equations put at 33 kPa, that is held 0.005 below
    saturation, and the wilting point 0.01 below that; at least 0.02 and 0.005.

    Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569-1578, Eqs 1-5, 15, 16, 18; density Eqs 6-10;
    gravel Eqs 19-22 (as found in public code). The slope of the tension curve is taken after the
    density adjustment.

    >>> [round(float(v), 4) for v in saxton_rawls(20.0, 20.0)[:3]]
    [0.1365, 0.3209, 0.4821]
    """
    s = np.asarray(sand, dtype=np.float64) / _WHOLE
    c = np.asarray(clay, dtype=np.float64) / _WHOLE
    om = np.asarray(organic_matter, dtype=np.float64)
    wilting, field, saturation = _water_contents(s, c, om)
    density = (1.0 - saturation) * _GRAIN * np.asarray(density_factor, dtype=np.float64)
    packed = 1.0 - density / _GRAIN
    # Sand without clay or humus comes out below nothing.
    field = np.clip(field - 0.2 * (saturation - packed), 0.02, packed - 0.005)
    wilting = np.clip(wilting, 0.005, field - 0.01)
    tension = (np.log(1500.0) - np.log(33.0)) / (np.log(field) - np.log(wilting))
    conductivity = 1930.0 * np.maximum(packed - field, 0.0) ** (3.0 - 1.0 / tension)
    stones = np.asarray(gravel, dtype=np.float64) / _WHOLE
    alpha = density / _GRAIN
    volume = alpha * stones / (1.0 - stones * (1.0 - alpha))
    fine = 1.0 - volume
    conductivity = conductivity * (1.0 - stones) / (1.0 - stones * (1.0 - 1.5 * alpha))
    bulk = density * fine + volume * _GRAIN
    values = (wilting * fine, field * fine, packed * fine, conductivity, bulk)
    return SoilWater(*(np.asarray(value) for value in values))


def _water_contents(s: Floats, c: Floats, om: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the water contents at 1500 and 33 kPa and at saturation, Eqs 1-5."""
    t = -0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om
    t = t + 0.068 * s * c + 0.031
    wilting = t + (0.14 * t - 0.02)
    t = -0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om
    t = t + 0.452 * s * c + 0.299
    field = t + (1.283 * t**2 - 0.374 * t - 0.015)
    t = 0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om
    t = t - 0.584 * s * c + 0.078
    saturation = field + t + (0.636 * t - 0.107) - 0.097 * s + 0.043
    return wilting, field, saturation


class Adjustment(NamedTuple):
    """Factors on the values of a soil class.

    field_capacity, wilting_point, intake: on field capacity, wilting point and intake rate [-].
    """

    field_capacity: float
    wilting_point: float
    intake: float


def soil_adjustment(
    soil_class: str,
    *,
    organic_matter: float = ORGANIC_MATTER,
    density_factor: float = 1.0,
    gravel: float = 0.0,
) -> Adjustment:
    """Return what organic matter, compaction and gravel do to a soil known by its class only.

    organic_matter, gravel: shares of the soil's weight [%]; density_factor: as in `saxton_rawls`
    [-]. Result: adjusted over normal, both by `saxton_rawls` at a texture typical of the class; the
    intake follows the saturated conductivity, held to 0.05-1.5.

    Saxton & Rawls 2006, Table 3 (typical textures).
    """
    sand, clay = SOIL_CLASSES[soil_class].texture
    normal = saxton_rawls(sand, clay)
    found = saxton_rawls(
        sand, clay, organic_matter=organic_matter, density_factor=density_factor, gravel=gravel
    )
    ratio = float(found.conductivity / normal.conductivity)
    return Adjustment(
        float(found.field_capacity / normal.field_capacity),
        float(found.wilting_point / normal.wilting_point),
        float(np.clip(ratio, 0.05, 1.5)),
    )


def jar_test(sand_mm: float, silt_mm: float, clay_mm: float) -> tuple[float, float, float]:
    """Return the shares of sand, silt and clay from the layers of a jar test.

    Parameters
    ----------
    sand_mm, silt_mm, clay_mm : float
        Thickness of each layer, in any one unit: what settled in the first minute or two, in the
        next hours, and in the days after.

    Returns
    -------
    tuple of float
        Sand, silt and clay [%]. Settled clay is looser than sand, so that the test overstates
        clay somewhat; a laboratory's figures are better.

    Raises
    ------
    InputError
        When a layer is negative or there is nothing in the jar.

    References
    ----------
    Common practice in extension guides, no single source.

    Examples
    --------
    >>> jar_test(20.0, 20.0, 10.0)
    (40.0, 40.0, 20.0)
    """
    layers = np.array([sand_mm, silt_mm, clay_mm], dtype=np.float64)
    if not (layers >= 0.0).all() or layers.sum() <= 0.0:
        found = f"{sand_mm:g}, {silt_mm:g}, {clay_mm:g}"
        allowed = "three thicknesses, none negative, not all 0"
        raise InputError([Fault("jar test", found, allowed, "Measure again.")])
    sand, silt, clay = (float(value) for value in _WHOLE * layers / layers.sum())
    return sand, silt, clay


def layered(values: ArrayLike, thickness_m: ArrayLike, *, root_depth_m: float) -> float:
    """Return the mean of a water content over the layers that roots reach.

    values (L,): field capacity or wilting point of each layer, from the top [m³/m³]; thickness_m
    (L,): thickness of each layer, the last reaches down as far as roots do [m]; root_depth_m: depth
    of the root zone [m]. Result: the depth-weighted mean, so that TAW is the sum over the layers
    [m³/m³].

    >>> round(layered([0.26, 0.12], [0.1, 1.0], root_depth_m=0.4), 3)
    0.155
    """
    contents = np.asarray(values, dtype=np.float64)
    bottom = np.cumsum(np.asarray(thickness_m, dtype=np.float64))
    bottom[-1] = np.inf
    ends = np.minimum(bottom, root_depth_m)
    reach = np.diff(ends, prepend=0.0)
    return float(contents @ reach / root_depth_m)


def greatest_rate(soil_class: str, slope: float, *, bare: bool = False) -> float:
    """Return the greatest precipitation rate that a slope takes without run-off.

    slope: slope of the ground [%]. Result: rate for sprinklers that run long [mm/h].

    USDA maximum precipitation rates by texture and slope, as quoted in public text; those above
    12 % are from memory. The four published groups are matched to the twelve classes here.

    >>> greatest_rate("clay loam", 9.0), greatest_rate("sand", 0.0)
    (3.048, 50.8)
    """
    place = int(np.searchsorted(_RATE_SLOPES, slope, side="left"))
    covered, open_ground = _GREATEST[SOIL_CLASSES[soil_class].rate_group]
    return round((open_ground if bare else covered)[place] * _INCH_MM, 4)


def surface_accumulation(soil_class: str, slope: float) -> float:
    """Return the water that may stand on the surface before it runs off.

    slope: slope of the ground [%]. Result: allowable surface accumulation [mm].

    Values of the irrigation scheduling standard as found in public code.

    >>> surface_accumulation("loam", 2.0)
    7.62
    """
    place = int(np.searchsorted(SLOPE_LIMITS, slope))
    return SOIL_CLASSES[soil_class].accumulation[place]
