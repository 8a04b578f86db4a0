"""What nobody knows exactly, as a small set of scenarios that every decision has to stand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, qmc

from siting.site.vocabulary import PLANTS, SOILS

__all__ = ["SPREAD", "Scenarios", "Spread", "draw_scenarios"]


@dataclass(frozen=True)
class Spread:
    """How far the inputs may be off. Judgement of this project: no published source gives them.

    Parameters
    ----------
    height : float
        Obstacle heights, at most, as a share.
    transmissivity : float
        Crown transmissivity, at most, as a factor.
    plant_factor, storage : float
        Standard deviation of plant factor and of available water, as a share.
    uniformity : float
        Standard deviation of the low-quarter uniformity.
    reading_bias, reading_noise : float
        Standard deviation of a sensor's lasting error since its threshold was set in place, and of
        each day's reading, as a share of available water.
    """

    height: float = 0.10
    transmissivity: float = 1.3
    plant_factor: float = 0.08
    storage: float = 0.10
    uniformity: float = 0.04
    reading_bias: float = 0.05
    reading_noise: float = 0.02


SPREAD: Final = Spread()

#: Draws beyond this many standard deviations are pulled back.
_LIMIT: Final = 2.0


@dataclass(frozen=True)
class Scenarios:
    """Scenario 0 is the property as described.

    Parameters
    ----------
    obstacles : ndarray, shape (S,)
        -1 lowest and most transparent obstacles, 0 as drawn, 1 highest and densest.
    plant_factor : ndarray, shape (S, plants)
        Multiplier per word of `PLANTS`: what is wrong with a published factor is wrong alike
        wherever it is used.
    storage : ndarray, shape (S, soils + 1)
        Multiplier of available water per word of `SOILS`; the last for soils given as fractions.
    uniformity : ndarray, shape (S,)
        Added to every low-quarter uniformity.
    reading_bias, reading_noise : ndarray, shape (S,)
        What every sensor reads too dry, and the standard deviation of each day's reading, as a
        share of available water. One draw serves all sensors: zones that are alike stay alike.
    seed : int
        Seed of the daily noise.
    """

    obstacles: NDArray[np.float64]
    plant_factor: NDArray[np.float64]
    storage: NDArray[np.float64]
    uniformity: NDArray[np.float64]
    reading_bias: NDArray[np.float64]
    reading_noise: NDArray[np.float64]
    seed: int = 0

    @property
    def count(self) -> int:
        """Number of scenarios."""
        return len(self.obstacles)

    def reading_error(self, days: int, years: int) -> NDArray[np.float64] | None:
        """Return what a sensor reads too dry.

        Parameters
        ----------
        days : int
            Days of a season, D.
        years : int
            Seasons per scenario, Y.

        Returns
        -------
        ndarray, shape (D, S x Y), or None
            Bias and noise as a share of available water, held to -0.5..0.5; None where every
            reading is true [-].
        """
        if not (self.reading_bias.any() or self.reading_noise.any()):
            return None
        noise = np.random.default_rng([self.seed, 7]).standard_normal((days, self.count, years))
        error = self.reading_bias[:, None] + self.reading_noise[:, None] * noise
        return np.asarray(np.clip(error, -0.5, 0.5).reshape(days, -1))

    def plants(self, words: list[str]) -> NDArray[np.float64]:
        """Return the plant-factor multiplier of each zone.

        Parameters
        ----------
        words : list of str, length Z
            Plants of the zones, words of `PLANTS`.

        Returns
        -------
        ndarray, shape (Z, S)
            Multiplier [-].
        """
        return self.plant_factor[:, [PLANTS.index(word) for word in words]].T

    def soils(self, classes: list[str]) -> NDArray[np.float64]:
        """Return the storage multiplier of each zone.

        Parameters
        ----------
        classes : list of str, length Z
            Soils of the zones; what is no word of `SOILS` takes the last column of `storage`.

        Returns
        -------
        ndarray, shape (Z, S)
            Multiplier of available water [-].
        """
        places = [SOILS.index(soil) if soil in SOILS else len(SOILS) for soil in classes]
        return self.storage[:, places].T


def draw_scenarios(count: int, *, seed: int, spread: Spread = SPREAD) -> Scenarios:
    """Draw scenarios by Latin hypercube.

    Parameters
    ----------
    count : int
        Number of scenarios, the first of which is the property as described.
    seed : int
        Seed; the same seed gives the same scenarios.
    spread : Spread
        How far the inputs may be off.

    Returns
    -------
    Scenarios
        Of length `count`.

    References
    ----------
    McKay, M. D., Beckman, R. J., Conover, W. J. (1979). A comparison of three methods for selecting
    values of input variables. Technometrics 21(2), 239-245.
    """
    soils = len(SOILS) + 1
    size = 2 + len(PLANTS) + soils
    normal = np.zeros((count, size))
    if count > 1:
        unit = qmc.LatinHypercube(size, rng=np.random.default_rng(seed)).random(count - 1)
        normal[1:] = np.clip(norm.ppf(unit), -_LIMIT, _LIMIT)
    plants = normal[:, 2 : 2 + len(PLANTS)]
    bias = np.zeros(count)
    if count > 1:
        unit = qmc.LatinHypercube(1, rng=np.random.default_rng([seed, 5])).random(count - 1)
        bias[1:] = np.clip(norm.ppf(unit[:, 0]), -_LIMIT, _LIMIT)
    noise = np.where(np.arange(count) > 0, spread.reading_noise, 0.0)
    return Scenarios(
        obstacles=normal[:, 0] / _LIMIT,
        uniformity=spread.uniformity * normal[:, 1],
        plant_factor=1 + spread.plant_factor * plants,
        storage=1 + spread.storage * normal[:, 2 + len(PLANTS) :],
        reading_bias=spread.reading_bias * bias,
        reading_noise=noise,
        seed=seed,
    )
