"""What the setbacks are at a point, and how placement says it in words."""

from __future__ import annotations

from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siting._clearance import Region, cells_of, clearance, highest
from siting._setbacks import HAZARD_WORDS
from siting._unevenness import Chances
from siting.units import UnitsName, show

__all__ = [
    "Equals",
    "GroundWords",
    "PlaceWords",
    "Tightest",
    "chance_words",
    "note_of",
    "reason_of",
    "tightest_setback",
    "words_of",
]

_EQUAL: Final = 1e-9  # ratios closer than this are equal
_LIKELY, _SURE = 0.5, 0.9
_WORTH: Final = 0.015  # a share of the ground below this is not worth a word
_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")


class PlaceWords(NamedTuple):
    """What is said of a place, in one system of units.

    Parameters
    ----------
    note : str
        What gave way, or "".
    reason : str
        Why here.
    """

    note: str
    reason: str


class Equals(NamedTuple):
    """Where else a sensor could lie as well, as far as the map can tell.

    Parameters
    ----------
    reserves : tuple of int
        Numbers of the reserve points that are as good.
    share : float
        Share of the ground where it may lie that is as good, 0..1.
    """

    reserves: tuple[int, ...]
    share: float


class GroundWords(NamedTuple):
    """What the words of a place rest on.

    Parameters
    ----------
    chances : Chances
        What is expected of its rank.
    reserves : int
        Reserve points beside it.
    equals : Equals
        Where else it could lie as well.
    even, level : bool
        Whether all of the ground, or its drier half, dries alike within the map's own error.
    """

    chances: Chances
    reserves: int
    equals: Equals
    even: bool
    level: bool


class Tightest(NamedTuple):
    """The setback that binds at a point, and the others that are not met.

    Parameters
    ----------
    ratio : float
        Its distance over its setback; inf where there is no setback [-].
    hazard : str
        What binds; "" where there is no setback.
    distance, setback : float
        How far the hazard is and how far it should be; NaN where there is no setback [m].
    missed : tuple of str
        The others that are not met, in words, the tightest first.
    """

    ratio: float
    hazard: str
    distance: float
    setback: float
    missed: tuple[str, ...]


def words_of(
    point: tuple[float, float],
    ground: GroundWords,
    zone: BaseGeometry,
    hazards: gpd.GeoDataFrame,
) -> dict[UnitsName, PlaceWords]:
    """Say what gave way and why here, in each system of units.

    Parameters
    ----------
    point : tuple of float
        x and y [m].
    ground : GroundWords
        What is known of how the ground there dries.
    zone : shapely geometry
        The zone.
    hazards : GeoDataFrame
        Its hazards.

    Returns
    -------
    dict
        By units.
    """
    told: dict[UnitsName, PlaceWords] = {}
    for units in _SYSTEMS:
        tightest = tightest_setback(point, hazards, units)
        told[units] = PlaceWords(
            note_of(tightest, zone, hazards, units),
            reason_of(ground, tightest, units=units),
        )
    return told


def tightest_setback(
    point: tuple[float, float], hazards: gpd.GeoDataFrame, units: UnitsName
) -> Tightest:
    """Measure every setback at a point on the hazards themselves.

    Parameters
    ----------
    point : tuple of float
        x and y [m].
    hazards : GeoDataFrame
        hazard, setback [m], geometry.
    units : {"metric", "us"}
        Units of the lengths in words.

    Returns
    -------
    Tightest
        The setback that binds, and the others that are not met.
    """
    setbacks = hazards["setback"].to_numpy(dtype=float)
    distance = shapely.distance(hazards.geometry.to_numpy(), shapely.Point(*point))
    counts = setbacks > 0
    if not counts.any():
        return Tightest(float("inf"), "", float("nan"), float("nan"), ())
    names = hazards["hazard"].to_numpy(dtype=str)[counts]
    distance, setbacks = distance[counts], setbacks[counts]
    ratio = distance / setbacks
    order = np.lexsort((names, np.round(ratio, 6)))
    first = int(order[0])
    missed: dict[str, str] = {}
    for i in order[ratio[order] < 1.0 - _EQUAL]:
        words = f"{show(distance[i], 'length', units)} of {show(setbacks[i], 'length', units)}"
        missed.setdefault(names[i], f"{_word(names[i])} {words}")
    missed.pop(names[first], None)
    return Tightest(
        float(ratio[first]),
        str(names[first]),
        float(distance[first]),
        float(setbacks[first]),
        tuple(missed.values()),
    )


def _word(hazard: str) -> str:
    return HAZARD_WORDS.get(hazard, hazard.replace("_", " "))


def note_of(
    tightest: Tightest, zone: BaseGeometry, hazards: gpd.GeoDataFrame, units: UnitsName
) -> str:
    """Say what gave way.

    Parameters
    ----------
    tightest : Tightest
        As from `tightest_setback`.
    zone : shapely geometry
        The zone.
    hazards : GeoDataFrame
        Its hazards.
    units : {"metric", "us"}
        Units of the lengths.

    Returns
    -------
    str
        Plain words, or "" where every setback is met.
    """
    if tightest.ratio >= 1.0 - _EQUAL:
        return ""
    shapely.prepare(zone)
    depth = clearance(zone, hazards.iloc[:0]).slack
    width = 2 * highest(Region(zone, depth, 1.0), cells_of(zone))[0]
    text = (
        f"no ground meets every setback (the zone is {show(width, 'length', units)} wide at its "
        f"widest): the {_word(tightest.hazard)} setback of "
        f"{show(tightest.setback, 'length', units)} gave way to "
        f"{show(tightest.distance, 'length', units)}"
    )
    return f"{text}; also {', '.join(tightest.missed)}" if tightest.missed else text


def chance_words(chances: Chances) -> str:
    """Say how likely a place is to lie in the driest quarter and in the wetter half, in hundreds.

    Examples
    --------
    >>> chance_words(Chances(0.79, 0.66, 0.06))
    '66 in 100 for the driest quarter, 6 in 100 for the wetter half'
    """
    quarter, half = (round(100 * part) for part in (chances.driest_quarter, chances.wetter_half))
    return f"{quarter} in 100 for the driest quarter, {half} in 100 for the wetter half"


def reason_of(ground: GroundWords, tightest: Tightest, *, units: UnitsName) -> str:
    """Say why here.

    Parameters
    ----------
    ground : GroundWords
        What is known of how the ground there dries.
    tightest : Tightest
        As from `tightest_setback`.
    units : {"metric", "us"}
        Units of the lengths.

    Returns
    -------
    str
        One or two sentences.
    """
    lead, more = _lead(ground)
    if not tightest.hazard:
        return f"{lead}.{more}"
    away = show(tightest.distance, "length", units)
    return f"{lead}, {away} from the nearest hazard ({_word(tightest.hazard)}).{more}"


def _lead(ground: GroundWords) -> tuple[str, str]:
    """Return why here, and what to do about what is not known, or ""."""
    chance = f"chances: {chance_words(ground.chances)}"
    if ground.even:
        return "The zone dries evenly: the middle of its open ground", ""
    likely = ground.chances.driest_quarter
    if likely >= _LIKELY:
        sure = "In" if likely >= _SURE else "Probably in"
        lead = f"{sure} the driest quarter of the ground where a sensor may lie ({chance})"
        return lead, _equal_words(ground.equals)
    lead = f"Any place here is about as good ({chance})"
    if ground.level:
        lead = (
            "The drier half of the ground dries alike, no place in it is the driest: the middle of "
            f"it ({chance})"
        )
    return lead, walk_words(ground.reserves)


def _equal_words(equals: Equals) -> str:
    """Name the other places where it could lie as well, with a blank before; "" without any.

    Examples
    --------
    >>> _equal_words(Equals((1, 2), 0.06))[:62]
    ' It could lie as well at R1 or R2 (6 % of that ground is as go'
    """
    if not equals.reserves:
        return ""
    others = " or ".join(f"R{number}" for number in equals.reserves)
    share = f"{100 * equals.share:.0f} % of that ground" if equals.share >= _WORTH else ""
    more = f" ({share} is as good)" if share else ""
    return f" It could lie as well at {others}{more}: the map's own error cannot tell them apart."


def walk_words(reserves: int) -> str:
    """Ask for a walk with a probe, with a blank before it; "" without a reserve to compare with."""
    if reserves == 0:
        return ""
    others = "reserve R1" if reserves == 1 else "reserves R1 and R2"
    return (
        f" Walk it and {others} with a probe two days after a watering, and dig where it reads "
        "driest."
    )
