"""Soil: texture class, water held, intake rate and how long it drains after a soaking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.errors import Fault, InputError

__all__ = [
    "MOST_CLAY",
    "ORGANIC_MATTER",
    "SLOPE_LIMITS",
    "SOIL_CLASSES",
    "SoilClass",
    "SoilWater",
    "saxton_rawls",
    "surface_accumulation",
    "texture_class",
]

_Array = NDArray[np.float64]
_INCH_MM: Final = 25.4
_WHOLE: Final = 100.0

#: Organic matter where it is not known: that of Saxton & Rawls 2006, Table 3 [%].
ORGANIC_MATTER: Final = 2.5

#: Clay up to which the equations of Saxton & Rawls 2006 hold [%].
MOST_CLAY: Final = 60.0

#: Upper limits of the first three slope classes of the surface accumulation [%].
SLOPE_LIMITS: Final = (3.0, 6.0, 12.0)

_TABLE_19: Final = "FC, WP: within the ranges of FAO-56 Table 19. "
_SAXTON: Final = "FC, WP: Saxton & Rawls 2006, Table 3 (FAO-56 Table 19 does not have it). "
_INTAKE: Final = (
    "Basic intake and surface accumulation: the values of the irrigation scheduling standard for "
    "{} as found in public code, not the standard itself. "
)
_DRAIN: Final = "Drain time: common practice, no source."


@dataclass(frozen=True)
class SoilClass:
    """What a texture class stands for when nothing better is known.

    Parameters
    ----------
    field_capacity, wilting_point : float
        Volumetric water content [m³/m³].
    intake_rate : float
        Basic intake rate [mm/h].
    accumulation : tuple of four floats
        Water that may stand on the surface before it runs off, on slopes of up to 3, 6, 12 and
        above 12 % [mm].
    drain_hours : float
        From a soaking to field capacity [h].
    reference : str
        Where the numbers come from.
    """

    field_capacity: float
    wilting_point: float
    intake_rate: float
    accumulation: tuple[float, float, float, float]
    drain_hours: float
    reference: str


# Intake [in/h] and allowable surface accumulation by slope [in] of the seven published classes.
_SURFACE: Final = {
    "sand": (0.60, (0.40, 0.35, 0.30, 0.25)),
    "loamy sand": (0.50, (0.36, 0.30, 0.26, 0.22)),
    "sandy loam": (0.40, (0.33, 0.29, 0.24, 0.20)),
    "loam": (0.35, (0.30, 0.25, 0.21, 0.17)),
    "clay loam": (0.20, (0.26, 0.22, 0.18, 0.15)),
    "silty clay": (0.15, (0.23, 0.19, 0.16, 0.13)),
    "clay": (0.10, (0.20, 0.15, 0.10, 0.10)),
}


def _soil(fc: float, wp: float, surface: str, drain_hours: float, held: str) -> SoilClass:
    """Build a class from its hydraulic values and the published class whose surface it takes."""
    rate, standing = _SURFACE[surface]
    a, b, c, d = (round(value * _INCH_MM, 4) for value in standing)
    reference = held + _INTAKE.format(surface) + _DRAIN
    return SoilClass(fc, wp, round(rate * _INCH_MM, 4), (a, b, c, d), drain_hours, reference)


#: The USDA texture classes.
SOIL_CLASSES: Final = {
    "sand": _soil(0.12, 0.045, "sand", 24.0, _TABLE_19),
    "loamy sand": _soil(0.15, 0.06, "loamy sand", 24.0, _TABLE_19),
    "sandy loam": _soil(0.23, 0.11, "sandy loam", 48.0, _TABLE_19),
    "loam": _soil(0.26, 0.12, "loam", 48.0, _TABLE_19),
    "silt loam": _soil(0.30, 0.15, "loam", 48.0, _TABLE_19),
    "silt": _soil(0.32, 0.15, "loam", 48.0, _TABLE_19),
    "sandy clay loam": _soil(0.27, 0.17, "clay loam", 48.0, _SAXTON),
    "clay loam": _soil(0.36, 0.22, "clay loam", 72.0, _SAXTON),
    "silty clay loam": _soil(0.34, 0.20, "clay loam", 72.0, _TABLE_19),
    "sandy clay": _soil(0.36, 0.25, "silty clay", 72.0, _SAXTON),
    "silty clay": _soil(0.37, 0.22, "silty clay", 72.0, _TABLE_19),
    "clay": _soil(0.37, 0.22, "clay", 72.0, _TABLE_19),
}


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


class SoilWater(NamedTuple):
    """Water contents [m³/m³] and saturated conductivity [mm/h]."""

    wilting_point: _Array
    field_capacity: _Array
    saturation: _Array
    conductivity: _Array


def saxton_rawls(
    sand: ArrayLike, clay: ArrayLike, *, organic_matter: ArrayLike = ORGANIC_MATTER
) -> SoilWater:
    """Return the hydraulic values of a soil from its texture.

    Parameters
    ----------
    sand, clay : array_like, shape (...)
        Shares of the mineral soil; clay at most 60, above which the equations fail [%].
    organic_matter : array_like, shape (...), optional
        Share of the soil [%].

    Returns
    -------
    SoilWater
        Water content at 1500 kPa, at 33 kPa and at saturation, and the saturated conductivity,
        each of shape (...) [m³/m³, mm/h].

    References
    ----------
    Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569-1578, Eqs 1-5, 15, 16, 18.

    Examples
    --------
    >>> [round(float(v), 4) for v in saxton_rawls(20.0, 20.0)[:3]]
    [0.1365, 0.3209, 0.4821]
    """
    s = np.asarray(sand, dtype=np.float64) / _WHOLE
    c = np.asarray(clay, dtype=np.float64) / _WHOLE
    om = np.asarray(organic_matter, dtype=np.float64)
    t = -0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om
    t = t + 0.068 * s * c + 0.031
    wilting = t + (0.14 * t - 0.02)
    t = -0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om
    t = t + 0.452 * s * c + 0.299
    field = t + (1.283 * t**2 - 0.374 * t - 0.015)
    t = 0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om
    t = t - 0.584 * s * c + 0.078
    saturation = field + t + (0.636 * t - 0.107) - 0.097 * s + 0.043
    tension = (np.log(1500.0) - np.log(33.0)) / (np.log(field) - np.log(wilting))
    conductivity = 1930.0 * np.maximum(saturation - field, 0.0) ** (3.0 - 1.0 / tension)
    return SoilWater(
        np.asarray(wilting), np.asarray(field), np.asarray(saturation), np.asarray(conductivity)
    )


def surface_accumulation(soil_class: str, slope: float) -> float:
    """Return the water that may stand on the surface before it runs off.

    Parameters
    ----------
    soil_class : str
        One of `SOIL_CLASSES`.
    slope : float
        Slope of the ground [%].

    Returns
    -------
    float
        Allowable surface accumulation [mm].

    References
    ----------
    Values of the irrigation scheduling standard as found in public code.

    Examples
    --------
    >>> surface_accumulation("loam", 2.0)
    7.62
    """
    place = int(np.searchsorted(SLOPE_LIMITS, slope))
    return SOIL_CLASSES[soil_class].accumulation[place]
