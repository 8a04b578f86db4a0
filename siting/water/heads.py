"""How irrigation puts water on the ground: rate, efficiency, and how evenly.

Local application is always a share of the zone's mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats
from siting.errors import Fault, InputError

_INCH_MM: Final = 25.4
_QUARTER: Final = 4


@dataclass(frozen=True)
class IrrigationKind:
    """What a kind of irrigation does when nothing was measured.

    precipitation_rate: water over ground and time [mm/h]; distribution_uniformity: of the low
    quarter [-]; efficiency: share of the applied water that reaches the roots [-]; reference: where
    the numbers come from.
    """

    precipitation_rate: float
    distribution_uniformity: float
    efficiency: float
    reference: str


_EFFICIENCY: Final = "Efficiency: California Code of Regulations, Title 23, s. 492.7."
_PRACTICE: Final = "Rate and uniformity: common practice, no source. "
_SEEN: Final = "Rate and uniformity: typical values in an extension text. "
#: Every irrigation word. The rates are 1.7 and 0.5 in/h where a text was seen.
IRRIGATION_KINDS: Final = {
    "spray": IrrigationKind(1.7 * _INCH_MM, 0.60, 0.75, _SEEN + _EFFICIENCY),
    "rotor": IrrigationKind(0.5 * _INCH_MM, 0.70, 0.75, _PRACTICE + _EFFICIENCY),
    "rotary_nozzle": IrrigationKind(0.45 * _INCH_MM, 0.70, 0.75, _PRACTICE + _EFFICIENCY),
    "impact": IrrigationKind(0.5 * _INCH_MM, 0.70, 0.75, _SEEN + _EFFICIENCY),
    "bubbler": IrrigationKind(1.5 * _INCH_MM, 0.80, 0.75, _PRACTICE + _EFFICIENCY),
    "drip": IrrigationKind(0.43 * _INCH_MM, 0.85, 0.81, _PRACTICE + _EFFICIENCY),
}


def low_quarter_uniformity(depths: ArrayLike) -> float:
    """Return the distribution uniformity of the low quarter, DUlq.

    Parameters
    ----------
    depths : array_like, shape (N,)
        Catch-can readings in any one unit; 24 or more, in fours, is good practice. Where N is not a
        multiple of four, the last can of the low quarter counts in part.

    Returns
    -------
    float
        Mean of the lowest quarter over the mean of all [-].

    Raises
    ------
    InputError
        When there are fewer than four readings, negative ones, or only zeros.

    References
    ----------
    Definition as used in irrigation audits (ASABE S626, title from memory).

    Examples
    --------
    >>> low_quarter_uniformity([4.0, 5.0, 5.0, 6.0])
    0.8
    """
    values = np.sort(np.asarray(depths, dtype=np.float64).ravel())
    if values.size < _QUARTER or not (values >= 0.0).all() or values.sum() <= 0.0:
        found = f"{values.size} readings"
        allowed = "four or more, none negative, not all 0"
        raise InputError([Fault("cans", found, allowed, "Repeat the can test.", layer="cans")])
    share = values.size / _QUARTER
    weights = np.clip(share - np.arange(values.size), 0.0, 1.0)
    return float((values * weights).sum() / share / values.mean())


#: How far heads of each kind stand apart, and throw, where nothing is drawn [m]: 15, 35, 24 and
#: 40 ft for sprays, rotors, rotary nozzles and impact heads; typical catalogue values from memory.
#: Emitters of drip and bubblers wet spots that far apart; common practice, no source.
HEAD_SPACING_M: Final = {
    "spray": 4.6, "rotor": 10.7, "rotary_nozzle": 7.3, "impact": 12.2, "bubbler": 1.5, "drip": 0.5,
}  # fmt: skip
#: Error of one can reading, as a share of it; judgement, no source.
CAN_ERROR: Final = 0.05
_THROW: Final = (0.5, 1.5)  # a head throws within these factors of what is usual for its kind
_MEASURE_STEPS: Final = 24  # rings and directions over which a head's water is summed


@dataclass(frozen=True)
class CanTest:
    """What a can test says.

    uniformity: distribution uniformity of the low quarter, 0..1; rate_mm_h: precipitation rate, NaN
    where no minutes were noted [mm/h]; places (N, 2): cans [m]; share (N,): their readings over the
    mean; spacing: typical distance between cans [m].
    """

    uniformity: float
    rate_mm_h: float
    places: Floats
    share: Floats
    spacing: float


def can_depth_mm(volume_ml: Floats, mouth_diameter_m: Floats) -> Floats:
    """Return the depth of water in cans from its volume and the width of their mouths.

    Parameters
    ----------
    volume_ml : ndarray, shape (N,)
        Volumes [mL].
    mouth_diameter_m : ndarray, shape (N,)
        Diameters of the round mouths [m].

    Returns
    -------
    ndarray, shape (N,)
        Depths [mm].

    Examples
    --------
    >>> can_depth_mm(np.array([78.54]), np.array([0.10])).round(3).tolist()
    [10.0]
    """
    depth: Floats = 1e-3 * volume_ml / (np.pi / 4 * mouth_diameter_m**2)
    return depth


def can_test(places: Floats, depth: Floats, *, minutes: Floats | None = None) -> CanTest:
    """Evaluate catch-can readings.

    Readings at one place are averaged. What lies between cans: `siting.evidence.field`.

    Parameters
    ----------
    places : ndarray, shape (N, 2)
        Cans [m].
    depth : ndarray, shape (N,)
        Readings [mm], or any one unit when the rate does not matter.
    minutes : ndarray, shape (N,), optional
        Run time of each reading; NaN where it was not noted [min].

    Returns
    -------
    CanTest
        The evaluation.

    Raises
    ------
    InputError
        When there are fewer than four readings, or none above 0.

    References
    ----------
    Uniformity as in `siting.water.heads.low_quarter_uniformity`.
    """
    timed = minutes is not None and bool(np.isfinite(minutes).all())
    value = depth / minutes * 60 if timed and minutes is not None else depth
    spots, which = np.unique(np.round(places, 2), axis=0, return_inverse=True)
    count = np.bincount(which.ravel())
    value = np.bincount(which.ravel(), weights=value) / count
    uniformity = low_quarter_uniformity(value)
    mean = float(value.mean())
    share = value / mean
    hull = shapely.convex_hull(shapely.MultiPoint(spots)).area
    spacing = max(float(np.sqrt(hull / len(spots))), 0.3)
    rate = mean if timed else float("nan")
    return CanTest(uniformity, rate, spots, share, spacing)


def head_radii(places: Floats, radius: Floats, irrigation: str) -> Floats:
    """Return how far each head throws: as drawn, else to the next head.

    Parameters
    ----------
    places : ndarray, shape (H, 2)
        Heads of one valve [m].
    radius : ndarray, shape (H,)
        Wetted radius as drawn, NaN where unknown [m].
    irrigation : str
        One of `HEAD_SPACING_M`.

    Returns
    -------
    ndarray, shape (H,)
        Radii; unknown ones are the median distance to the nearest head (head-to-head coverage is
        the rule of design), held to 0.5..1.5 of what is usual for the kind [m].
    """
    usual = HEAD_SPACING_M[irrigation]
    unknown = usual
    drawn = np.isfinite(radius)
    if len(places) > 1 and not drawn.all():
        gap = [np.partition(np.hypot(*(places - place).T), 1)[1] for place in places]
        unknown = float(np.clip(np.median(gap), _THROW[0] * usual, _THROW[1] * usual))
    return np.where(drawn, radius, unknown)


def head_pattern(
    x: Floats,
    y: Floats,
    *,
    places: Floats,
    radius: Floats,
    flow: Floats | None = None,
    zone: BaseGeometry,
    drift: tuple[float, float] = (0.0, 0.0),
) -> Floats:
    """Model local application from where the heads stand.

    The water of a head falls off evenly from the head to nothing at its wetted radius, the profile
    that overlaps to an even layer at head-to-head spacing. Heads are taken to throw into their own
    zone only (part circles at its edge) and, where their flow is not known, to be matched: the same
    depth beside every head.

    Parameters
    ----------
    x, y : ndarray, shape (N,)
        Points [m].
    places : ndarray, shape (H, 2)
        Heads of the zone's valve [m].
    radius : ndarray, shape (H,)
        Wetted radii [m].
    flow : ndarray, shape (H,), optional
        Flow of each nozzle, in any one unit; used when all are known.
    zone : shapely geometry
        What they water.
    drift : tuple of float
        How far wind carries the pattern, east and north [m].

    Returns
    -------
    ndarray, shape (N,)
        Application in any unit; divide by its mean over the zone.

    References
    ----------
    Triangular profile: Christiansen, J. E. (1942), Irrigation by Sprinkling, Univ. of California
    Bulletin 670 (from memory).
    """
    known = flow is not None and bool(np.isfinite(flow).all() and (flow > 0).all())
    depth = np.zeros(x.size)
    shapely.prepare(zone)
    for h, (place, reach) in enumerate(zip(places, radius.tolist(), strict=True)):
        east, north = place[0] + drift[0], place[1] + drift[1]
        layer = np.maximum(1 - np.hypot(x - east, y - north) / reach, 0.0)
        weight = 1.0
        if known and flow is not None:
            weight = float(np.asarray(flow)[h]) / _caught(place, reach, zone)
        depth += weight * layer
    return depth


def _caught(place: Floats, reach: float, zone: BaseGeometry) -> float:
    """Return the volume under a head's cone that falls on its zone."""
    radius = reach * (np.arange(_MEASURE_STEPS) + 0.5) / _MEASURE_STEPS
    turn = 2 * np.pi * (np.arange(_MEASURE_STEPS) + 0.5) / _MEASURE_STEPS
    r, a = np.meshgrid(radius, turn)
    inside = shapely.contains_xy(zone, place[0] + r * np.sin(a), place[1] + r * np.cos(a))
    ring = 2 * np.pi * reach / _MEASURE_STEPS**2
    return max(float((inside * (1 - r / reach) * r * ring).sum()), 1e-3 * reach**2)


def cv_after_test(cv: float, *, reach: float, spacing: float) -> float:
    """Return what a can test would leave of an unknown pattern.

    Simple kriging from a square grid of cans: the share of variance left, averaged over the cell
    between four of them, with correlation exp(-(d / reach)² / 2) and the error of a can.

    Parameters
    ----------
    cv : float
        Coefficient of variation of the pattern.
    reach : float
        Distance over which deviations are alike [m].
    spacing : float
        Between cans [m].

    Returns
    -------
    float
        Coefficient of variation left, below `cv`.
    """
    if cv <= 0 or reach <= 0:
        return cv
    steps = spacing * (np.arange(6) - 2.5)
    cans = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    offsets = spacing * (np.arange(4) + 0.5) / 4 - spacing / 2
    asked = np.stack(np.meshgrid(offsets, offsets), axis=-1).reshape(-1, 2)

    def alike(a: Floats, b: Floats) -> Floats:
        apart = ((a[:, None] - b[None]) ** 2).sum(axis=2)
        return np.asarray(np.exp(-apart / (2 * reach**2)))

    noise = (CAN_ERROR / cv) ** 2
    among, between = alike(cans, cans) + noise * np.eye(len(cans)), alike(asked, cans)
    left = 1 - np.einsum("ij,ij->i", between, np.linalg.solve(among, between.T).T)
    return cv * float(np.sqrt(np.clip(left.mean(), 0.0, 1.0)))
