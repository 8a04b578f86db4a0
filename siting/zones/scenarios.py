"""What nobody knows exactly, as a set of scenarios that every decision has to stand.

Every uncertain thing has a name and a stream of its own ("plants:shrubs", "soils:loam",
"reading:Back lawn"): no other thing, used or not, changes it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import scipy
from numpy.typing import ArrayLike

from siting.arrays import Floats
from siting.site.settings import SOILS


@dataclass(frozen=True)
class Spread:
    """How far the inputs may be off. Where no source is named: judgement of this project.

    height: obstacle heights, at most, as a share; transmissivity: crown transmissivity, at most, as
    a factor; plant_factor: standard deviation of a turf's plant factor, as a share: between places
    warm-season turf was found at 0.60 to 0.80 and cool-season turf at 0.80 to 0.85 (University of
    California, Brown et al. 2001, Arizona, New Mexico State University 2005); ornamental_factor:
    the same of every other plant. Within one class of the University of California's list (WUCOLS
    IV: 0.40 to 0.60, 0.10 to 0.30) it is 0.12 and 0.29 where all values are alike likely, and lists
    often put one species into different classes; storage: standard deviation of available water, as
    a share; uniformity: standard deviation of the low-quarter uniformity; sensor_error: standard
    deviation of a sensor's lasting error since its threshold was set in place, each sensor's its
    own [m3/m3]. No test of just this was found, put together from the best site calibrations of
    capacitance sensors (residual 0.010: Dominguez-Nino et al. 2019, Sensors 19, 3101, 0.007 to
    0.033: Nasta et al. 2024, Sensors 24, 952) and 0.014 to 0.020 per 10 K of soil temperature
    (Nieberding et al. 2023, Sensors 23, 6581, MethodsX 2024, 103100), all read in abstract;
    sensor_noise: standard deviation of each day's reading, as a share of `sensor_error`: sources
    say only that it is the smaller.
    """

    height: float = 0.10
    transmissivity: float = 1.3
    plant_factor: float = 0.08
    ornamental_factor: float = 0.20
    storage: float = 0.10
    uniformity: float = 0.04
    sensor_error: float = 0.014
    sensor_noise: float = 0.4


SPREAD: Final = Spread()
#: Draws beyond this many standard deviations are pulled back.
_LIMIT: Final = 2.0
_TURF: Final = ("cool_season_turf", "warm_season_turf")
_OTHER_SOIL: Final = "given"
#: Most a reading is off, as a share of what the layer holds.
_WORST_READING: Final = 0.5
#: Names with a dimension of the low-discrepancy sequence, each at its place for good: a new one
#: goes to the end. The lower dimensions are the better ones. Any other name has its own stream.
_PLACES: Final = (
    "obstacles",
    "uniformity",
    "plants:cool_season_turf",
    "plants:warm_season_turf",
    "plants:shrubs",
    "soils:loam",
    "soils:sandy loam",
    "plants:groundcover",
    "plants:annuals",
    "soils:clay loam",
    "soils:loamy sand",
    "soils:silt loam",
    f"soils:{_OTHER_SOIL}",
    "plants:perennials",
    "plants:trees",
    "plants:mixed",
    "plants:desert_plants",
    "plants:vegetables",
    "soils:sand",
    "soils:clay",
    "soils:silt",
    "soils:sandy clay loam",
    "soils:silty clay loam",
    "soils:sandy clay",
    "soils:silty clay",
)
#: Dimensions drawn, more than there are names: the scrambling of each depends on their number.
_DIMENSIONS: Final = 64


@dataclass(frozen=True)
class Scenarios:
    """Scenario 0 is the property as described, in which nothing is off.

    count: number of scenarios, S; seed: seed, the same seed gives the same scenarios; spread: how
    far the inputs may be off; taken: which of those drawn stands at each place, length S, some more
    than once and some not at all, where what was seen since tells them apart.
    """

    count: int
    seed: int = 0
    spread: Spread = SPREAD
    taken: tuple[int, ...] | None = None
    _named: Floats = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Draw the names that have a place."""
        object.__setattr__(self, "_named", _low_discrepancy(self.count - 1, self._rng("places")))

    @property
    def obstacles(self) -> Floats:
        """-1 lowest and most transparent, 0 as drawn, 1 highest and densest; shape (S,)."""
        return self._draws("obstacles") / _LIMIT

    @property
    def uniformity(self) -> Floats:
        """What to add to every low-quarter uniformity, shape (S,) [-]."""
        return self.spread.uniformity * self._draws("uniformity")

    def weighed(self, weights: Floats) -> Scenarios:
        """Return as many scenarios, each drawn one as often as its weight has it.

        weights (S,): sum to 1. No random number is drawn: the middles of S equal shares of the
        weights, laid end to end, take the scenario that they fall into.
        """
        ends = np.cumsum(weights)
        middles = (np.arange(self.count) + 0.5) / self.count * ends[-1]
        taken = np.searchsorted(ends, middles)
        return replace(self, taken=tuple(int(k) for k in np.minimum(taken, self.count - 1)))

    def plants(self, words: Sequence[str]) -> Floats:
        """Return the plant-factor multiplier of each zone.

        What is wrong with a published factor is wrong alike wherever it is used.

        Returns multiplier [-], shape (Z, S).
        """
        spread = self.spread
        width = dict.fromkeys(_TURF, spread.plant_factor)
        return np.array(
            [
                1 + width.get(word, spread.ornamental_factor) * self._draws(f"plants:{word}")
                for word in words
            ]
        )

    def soils(self, classes: Sequence[str]) -> Floats:
        """Return the storage multiplier of each zone.

        Returns multiplier of available water [-], shape (Z, S).
        """
        names = [soil if soil in SOILS else _OTHER_SOIL for soil in classes]
        return np.array([1 + self.spread.storage * self._draws(f"soils:{name}") for name in names])

    def reading_errors(
        self, zones: Sequence[str], *, days: int, years: int, capacity: ArrayLike
    ) -> Floats:
        """Return what a sensor in each zone reads too dry, each sensor with its own error.

        capacity (Z,): field capacity less wilting point of each zone, above 0 [m3/m3]. Returns
        lasting error and each day's noise over `capacity`, scenario by scenario, held to -0.5..0.5
        [-], shape (Z, D, S x Y).
        """
        shape = (len(zones), days, self.count, years)
        error = np.zeros(shape)
        bias, noise = self.spread.sensor_error, self.spread.sensor_error * self.spread.sensor_noise
        for row, zone in zip(error, zones, strict=True):
            row[:] = bias * self._draws(f"reading:{zone}")[:, None]
            if self.count > 1:
                daily = self._rng(f"noise:{zone}").standard_normal((self.count - 1, days, years))
                row[:, 1:] += noise * np.moveaxis(daily, 0, 1)
        held = np.broadcast_to(
            np.reshape(np.asarray(capacity, dtype=float), (len(zones), -1)), (shape[0], shape[2])
        )
        error /= held[:, None, :, None]
        return np.clip(error, -_WORST_READING, _WORST_READING, out=error).reshape(
            len(zones), days, -1
        )

    def _rng(self, name: str) -> np.random.Generator:
        """Return the generator of one name."""
        digest = hashlib.sha256(name.encode()).digest()
        return np.random.default_rng([self.seed, int.from_bytes(digest[:16], "big")])

    def _draws(self, name: str) -> Floats:
        """Return a name's standard normal draws, shape (S,), 0 in scenario 0."""
        drawn = np.zeros(self.count)
        if self.count > 1:
            unit = (
                self._named[:, _PLACES.index(name)]
                if name in _PLACES
                else _own_stream(self._rng(name), self._named)
            )
            drawn[1:] = np.clip(scipy.special.ndtri(unit), -_LIMIT, _LIMIT)
        return drawn if self.taken is None else drawn[list(self.taken)]


def draw_scenarios(count: int, *, seed: int, spread: Spread = SPREAD) -> Scenarios:
    """Draw scenarios.

    Each name takes the middles of N = `count` - 1 equal shares of its distribution once each
    (McKay et al. 1979, Technometrics 21, 239-245). Plants, soils, obstacles and uniformity take
    them in the order of a scrambled Sobol sequence, so that pairs are even too; sensors, which have
    the user's names, in an order of their own that is uncorrelated with all of those. Of a test sum
    of 9 names the mean of 64 draws is then off by a twentieth of what plain draws are off by, and
    the mean of the worst tenth by half.
    """
    return Scenarios(count, seed, spread)


def _low_discrepancy(rows: int, rng: np.random.Generator) -> Floats:
    """Return points in the unit cube, shape (rows, names); each column has every share once."""
    from scipy.stats import qmc  # noqa: PLC0415 - takes half a second, and a plan needs no other of it

    points = qmc.Sobol(_DIMENSIONS, rng=rng).random_base2(max(rows, 1).bit_length())
    return _evened(points[1 : rows + 1, : len(_PLACES)])


def _evened(points: Floats) -> Floats:
    """Return the middles of as many equal shares as there are rows, in the order of each column."""
    order = np.argsort(np.argsort(points, axis=0, kind="stable"), axis=0, kind="stable")
    return np.asarray((order + 0.5) / max(len(points), 1))


def _own_stream(rng: np.random.Generator, named: Floats) -> Floats:
    """Return every share once in an order of its own, shape (rows,).

    Where there are rows enough the order is that of normal draws less their regression on the
    names that have a place.
    """
    rows, columns = named.shape
    drawn: Floats = rng.standard_normal((rows,))
    if rows > 2 * columns:
        terms = np.column_stack([np.ones(rows), scipy.special.ndtri(named)])
        drawn = drawn - terms @ np.linalg.lstsq(terms, drawn, rcond=None)[0]
    return _evened(drawn)
