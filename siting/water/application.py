"""How irrigation puts water on the ground: rate, uniformity, efficiency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from siting.errors import Fault, InputError

__all__ = [
    "IRRIGATION_KINDS",
    "IrrigationKind",
    "low_quarter_uniformity",
]

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
