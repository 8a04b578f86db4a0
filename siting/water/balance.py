"""The root zone by the day: what enters, what is held, and the layer that a sensor reads.

The root zone is the bucket of `siting.water.balance`; the layer is a second state inside it, so
that the whole keeps its balance to the last digit however the layer is cut. Water fills the layer
first and the rest of the root zone with what is left; roots draw from both by their share and by
how much each still holds, so that uptake moves down as the layer dries.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats
from siting.site.handbook import SOIL_CLASSES

#: Share of ETo below which a day's rain is ignored, FAO-56 chapter 8.
_IGNORED_RAIN: Final = 0.2


def _floats(values: ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)


class DayBalance(NamedTuple):
    """The balance of one day, each of shape (...).

    depletion: at the end of the day [mm]; et_actual, drainage: what plants and soil gave off, what
    ran through [mm/d].
    """

    depletion: Floats
    et_actual: Floats
    drainage: Floats


def total_available_water(
    field_capacity: ArrayLike, wilting_point: ArrayLike, root_depth_m: ArrayLike
) -> Floats:
    """Return the water that the root zone can hold for plants, TAW.

    field_capacity, wilting_point: volumetric water content [m³/m³]; root_depth_m: depth of the root
    zone [m]. Result: TAW [mm].

    FAO-56 Eq. 82.

    FAO-56 Example 36, tomato on silt.

    >>> round(float(total_available_water(0.32, 0.15, 0.8)))
    136
    """
    held = _floats(field_capacity) - _floats(wilting_point)
    return np.asarray(1000.0 * held * _floats(root_depth_m))


def stress_coefficient(depletion: ArrayLike, *, taw: ArrayLike, raw: ArrayLike) -> Floats:
    """Return the share of ETc that plants can take up, Ks.

    depletion: root-zone depletion [mm]; taw, raw: total and readily available water, raw < taw
    [mm]. Result: Ks, 0..1 [-].

    FAO-56 Eq. 84.

    >>> float(stress_coefficient(67.5, taw=100.0, raw=35.0))
    0.5
    """
    taw, raw = _floats(taw), _floats(raw)
    share = (taw - _floats(depletion)) / (taw - raw)
    return np.asarray(np.minimum(np.maximum(share, 0.0), 1.0))


def effective_rain(rain: ArrayLike, eto: ArrayLike) -> Floats:
    """Return the rain that counts: less than a fifth of ETo wets the leaves only.

    Parameters
    ----------
    rain : array_like, shape (...)
        Rain of the day [mm].
    eto : array_like, shape (...)
        Reference evapotranspiration of the day [mm/d].

    Returns
    -------
    ndarray, shape (...)
        Rain, or 0 [mm].

    References
    ----------
    FAO-56 chapter 8, on precipitation in the daily water balance.

    Examples
    --------
    >>> effective_rain([0.9, 1.0, 12.0], 5.0).tolist()
    [0.0, 1.0, 12.0]
    """
    rain = _floats(rain)
    return np.where(rain < _IGNORED_RAIN * _floats(eto), 0.0, rain)


def step(
    depletion: ArrayLike,
    *,
    rain: ArrayLike,
    irrigation: ArrayLike,
    etc: ArrayLike,
    taw: ArrayLike,
    raw: ArrayLike,
) -> DayBalance:
    """Carry the root-zone depletion through one day.

    Water above field capacity drains on the same day. The stress coefficient is that of the start
    of the day. Rain + irrigation - et_actual - drainage = depletion before - depletion after.

    Parameters
    ----------
    depletion : array_like, shape (...)
        At the start of the day, 0..taw [mm].
    rain, irrigation : array_like, shape (...)
        Water that enters the soil [mm].
    etc : array_like, shape (...)
        Evapotranspiration without stress [mm/d].
    taw, raw : array_like, shape (...)
        Total and readily available water; raw < taw [mm].

    Returns
    -------
    DayBalance
        depletion, et_actual, drainage, each of shape (...).

    References
    ----------
    FAO-56 Eqs 84, 85; the stress coefficient as in Example 37.
    """
    before = _floats(depletion)
    water = _floats(rain) + _floats(irrigation)
    wanted = stress_coefficient(before, taw=taw, raw=raw) * _floats(etc)
    # The root zone cannot be emptied below the wilting point, however coarse the day's step.
    actual = np.minimum(wanted, np.maximum(_floats(taw) - before + water, 0.0))
    after = before + actual - water
    drainage = np.maximum(-after, 0.0)
    return DayBalance(np.maximum(after, 0.0), actual, drainage)


#: Lawns in good condition by hydrologic soil group: USDA TR-55 Table 2-2a, open space with grass on
#: more than 75 % (seen quoted).
CURVE_NUMBERS: Final = {"A": 39.0, "B": 61.0, "C": 74.0, "D": 80.0}


def curve_number(soil_class: str) -> float:
    """Return the run-off curve number of a good lawn on a soil.

    Parameters
    ----------
    soil_class : str
        USDA texture class.

    Returns
    -------
    float
        Curve number, 0..100.

    References
    ----------
    See `CURVE_NUMBERS`, and the groups of `siting.site.handbook.SOIL_CLASSES`.

    Examples
    --------
    >>> curve_number("loam")
    61.0
    """
    return CURVE_NUMBERS[SOIL_CLASSES[soil_class].group]


def rain_runoff(rain: ArrayLike, number: ArrayLike) -> Floats:
    """Return the part of a day's rain that runs off.

    rain: rain of the day [mm]; number: curve number, above 0, at most 100. Result: run-off [mm].

    USDA Soil Conservation Service 1986, TR-55, Eqs 2-3, 2-4: S = 25400/CN - 254 mm, nothing below
    0.2 S. The curve number is that of average wetness; it does not follow the balance.

    TR-55's curve number 80, 4 in of rain: 2.04 in.

    >>> round(float(rain_runoff(4 * 25.4, 80.0)) / 25.4, 2)
    2.04
    """
    rain = _floats(rain)
    keeps = 25_400.0 / _floats(number) - 254.0
    over = np.maximum(rain - 0.2 * keeps, 0.0)
    below = rain + 0.8 * keeps
    runs = np.divide(over**2, below, out=np.zeros(np.shape(below)), where=below > 0)
    return np.asarray(runs)


def entering_rain(rain: ArrayLike, eto: ArrayLike, *, number: ArrayLike) -> Floats:
    """Return the rain that enters the soil.

    Parameters
    ----------
    rain, eto : array_like, shape (...)
        Rain [mm] and reference evapotranspiration of the day [mm/d].
    number : array_like
        Curve number: what `rain_runoff` sheds of the `effective_rain` is taken off.

    Returns
    -------
    ndarray, shape (...)
        Rain that enters [mm]. What drains below the roots is left to the balance.
    """
    through = effective_rain(rain, eto)
    return np.asarray(through - rain_runoff(through, number))


#: Share of the uptake from each quarter of the root depth, from the top: 40, 30, 20, 10 %. A rule
#: of irrigation handbooks (National Engineering Handbook 15, chapter 1; from memory).
ROOT_PATTERN: Final = (0.4, 0.3, 0.2, 0.1)
#: A buried sensor reads the soil round it: the layer reaches as far below it as above. Judgement of
#: this project, no source.
_SPAN: Final = 2.0


class LayerDay(NamedTuple):
    """One day of the root zone and its upper layer, each of shape (...).

    depletion, upper: of the root zone and of its upper layer, at the end of the day [mm];
    et_actual, drainage: of the root zone [mm/d].
    """

    depletion: Floats
    upper: Floats
    et_actual: Floats
    drainage: Floats


def root_share(depth_share: ArrayLike) -> Floats:
    """Return the share of the uptake from the upper part of the root zone.

    Parameters
    ----------
    depth_share : array_like, shape (...)
        Depth of the part over that of the root zone, 0..1 [-].

    Returns
    -------
    ndarray, shape (...)
        Share of the uptake while the whole root zone is wet [-].

    References
    ----------
    See `ROOT_PATTERN`; straight between the quarters.

    Examples
    --------
    >>> root_share([0.25, 0.5, 1.0]).round(3).tolist()
    [0.4, 0.7, 1.0]
    """
    ends = np.concatenate([[0.0], np.cumsum(ROOT_PATTERN)])
    return np.asarray(np.interp(np.asarray(depth_share, float), np.linspace(0, 1, len(ends)), ends))


def sensor_layer_share(sensor_depth_m: ArrayLike, root_depth_m: ArrayLike) -> Floats:
    """Return how much of the root zone a sensor's reading stands for.

    Parameters
    ----------
    sensor_depth_m, root_depth_m : array_like, shape (...)
        Depths below the surface [m].

    Returns
    -------
    ndarray, shape (...)
        Layer down to twice the sensor's depth over the root zone, at most 1 [-].

    Examples
    --------
    A sensor at 3 in in a root zone of 12 in reads its upper half.

    >>> float(sensor_layer_share(0.0762, 0.3048))
    0.5
    """
    share = _SPAN * np.asarray(sensor_depth_m, dtype=float) / np.asarray(root_depth_m, dtype=float)
    return np.asarray(np.minimum(share, 1.0))


def layer_step(
    depletion: ArrayLike,
    upper: ArrayLike,
    *,
    water: ArrayLike,
    etc: ArrayLike,
    taw: ArrayLike,
    raw: ArrayLike,
    share: ArrayLike,
) -> LayerDay:
    """Carry the root zone and its upper layer through one day.

    Parameters
    ----------
    depletion, upper : array_like, shape (...)
        Of the root zone and of its upper layer, at the start of the day [mm].
    water : array_like, shape (...)
        Rain and irrigation that enter the soil [mm].
    etc : array_like, shape (...)
        Evapotranspiration without stress [mm/d].
    taw, raw : array_like, shape (...)
        Of the whole root zone; raw < taw [mm].
    share : array_like, shape (...)
        Upper layer over root zone, above 0, at most 1; with 1 the layer is the root zone [-].

    Returns
    -------
    LayerDay
        The root zone's values are exactly those of `siting.water.balance.step`.

    Examples
    --------
    A light shower fills the layer and leaves the rest dry.

    >>> day = layer_step(30.0, 15.0, water=15.0, etc=0.0, taw=40.0, raw=20.0, share=0.5)
    >>> float(day.depletion), float(day.upper)
    (15.0, 0.0)
    """
    before, layer = np.asarray(depletion, dtype=float), np.asarray(upper, dtype=float)
    taw, share = np.asarray(taw, dtype=float), np.asarray(share, dtype=float)
    day = step(before, rain=water, irrigation=0.0, etc=etc, taw=taw, raw=raw)
    held, below = share * taw, (1.0 - share) * taw
    reach = root_share(share)
    wet = reach * (1.0 - layer / held)
    rest = np.divide(before - layer, below, out=np.zeros(np.shape(wet + below)), where=below > 0)
    wet_below = (1.0 - reach) * (1.0 - rest)
    total = wet + wet_below
    drawn = np.divide(wet, total, out=np.ones(np.shape(total)), where=total > 0)
    after = layer + drawn * day.et_actual - np.asarray(water, dtype=float)
    low = np.maximum(day.depletion - below, 0.0)
    after = np.clip(after, low, np.maximum(np.minimum(held, day.depletion), low))
    return LayerDay(day.depletion, np.asarray(after), day.et_actual, day.drainage)
