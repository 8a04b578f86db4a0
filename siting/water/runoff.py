"""What of rain and irrigation enters the soil: leaves, run-off, and rules of effective rain."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.water.balance import effective_rain

__all__ = [
    "CURVE_NUMBERS",
    "HYDROLOGIC_GROUPS",
    "INTERCEPTION_MM",
    "curve_number",
    "entering_rain",
    "rain_runoff",
    "tiered_rain",
]

_Array = NDArray[np.float64]
_INCH_MM: Final = 25.4

#: Lawns in good condition by hydrologic soil group: USDA TR-55 Table 2-2a, open space with grass on
#: more than 75 % (seen quoted).
CURVE_NUMBERS: Final = {"A": 39.0, "B": 61.0, "C": 74.0, "D": 80.0}

#: Group by texture: USDA TR-55 Appendix A, for disturbed soils (from memory).
HYDROLOGIC_GROUPS: Final = {
    "sand": "A", "loamy sand": "A", "sandy loam": "A", "silt loam": "B", "loam": "B", "silt": "B",
    "sandy clay loam": "C", "clay loam": "D", "silty clay loam": "D", "sandy clay": "D",
    "silty clay": "D", "clay": "D",
}  # fmt: skip

#: What leaves hold of a day's rain by default: common practice, no source.
INTERCEPTION_MM: Final = 1.0


def _floats(values: ArrayLike) -> _Array:
    return np.asarray(values, dtype=np.float64)


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
    See `CURVE_NUMBERS` and `HYDROLOGIC_GROUPS`.

    Examples
    --------
    >>> curve_number("loam")
    61.0
    """
    return CURVE_NUMBERS[HYDROLOGIC_GROUPS[soil_class]]


def rain_runoff(rain: ArrayLike, number: ArrayLike) -> _Array:
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


def tiered_rain(rain: ArrayLike) -> _Array:
    """Return effective rain by a rule of thumb in steps.

    rain: rain of the day [mm]. Result: the first 0.1 in is lost; all of the rest up to 1 in counts,
    two thirds of what falls from 1 to 2 in, nothing above [mm].

    Texas A&M rule as quoted in public text; that the first 0.1 in is taken off larger rains too is
    our reading.

    >>> (tiered_rain([2.0, 12.7, 25.4, 38.1, 100.0]) / 25.4).round(3).tolist()
    [0.0, 0.4, 0.9, 1.233, 1.567]
    """
    rain = _floats(rain) / _INCH_MM
    full = np.maximum(np.minimum(rain, 1.0) - 0.1, 0.0)
    part = 2.0 / 3.0 * np.clip(rain - 1.0, 0.0, 1.0)
    return np.asarray(_INCH_MM * (full + part))


def entering_rain(
    rain: ArrayLike,
    eto: ArrayLike,
    *,
    rule: str = "fao56",
    number: ArrayLike | None = None,
) -> _Array:
    """Return the rain that enters the soil.

    Parameters
    ----------
    rain, eto : array_like, shape (...)
        Rain [mm] and reference evapotranspiration of the day [mm/d].
    rule : {"fao56", "interception", "tiered", "all"}, default "fao56"
        Nothing below a fifth of ETo; leaves hold `INTERCEPTION_MM`; `tiered_rain`; all of it.
    number : array_like, optional
        Curve number; with it, what `rain_runoff` sheds of what the leaves let through is taken off.

    Returns
    -------
    ndarray, shape (...)
        Rain that enters [mm]. What drains below the roots is left to the balance.

    Raises
    ------
    ValueError
        When the rule is unknown.
    """
    if rule == "fao56":
        through = effective_rain(rain, eto)
    elif rule == "interception":
        through = np.maximum(_floats(rain) - INTERCEPTION_MM, 0.0)
    elif rule == "tiered":
        through = tiered_rain(rain)
    elif rule == "all":
        through = _floats(rain)
    else:
        message = f"rule {rule!r}: one of fao56, interception, tiered, all"
        raise ValueError(message)
    return through if number is None else np.asarray(through - rain_runoff(through, number))
