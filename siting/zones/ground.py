"""The ground under the plan: sun, demand and dryness of every point in every scenario.

What nobody knows exactly is drawn as a set of scenarios that every decision has to stand. Every
uncertain thing has a name and a stream of its own ("plants:shrubs", "soils:loam", "reading:Back
lawn"): no other thing, used or not, changes it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike

from siting.arrays import Floats, Ints, Singles
from siting.climate.model import SeasonCalendar
from siting.site.model import LocalGrid, Site
from siting.site.settings import SOILS
from siting.stages import Keeper
from siting.sun.light import ShadeOptions
from siting.sun.position import CellSun, SunPositions, SunShade
from siting.sun.scene import leaf_months
from siting.sun.shade import Shading
from siting.water.reference_et import EtoTerms
from siting.water.zones import plant_factors
from siting.zones.application import ZoneApplication
from siting.zones.draws import sobol_points
from siting.zones.points import (
    ZonePixels,
    class_weights,
    pixel_demand,
    pixel_dryness,
    pixel_eto,
    zone_pixels,
)

# How far the inputs may be off. Where no source is named: judgement of this project.
#: Obstacle heights at most, as a share; crown transmissivity at most, as a factor.
_OBSTACLE_SPREAD: Final = 0.10
_CLEARER: Final = 1.3
#: Standard deviation of a turf's plant factor, as a share: between places warm-season turf was
#: found at 0.60 to 0.80 and cool-season turf at 0.80 to 0.85 (University of California, Brown et
#: al. 2001, Arizona, New Mexico State University 2005).
_TURF_SPREAD: Final = 0.08
#: The same of every other plant. Within one class of the University of California's list (WUCOLS
#: IV: 0.40 to 0.60, 0.10 to 0.30) it is 0.12 and 0.29 where all values are alike likely, and lists
#: often put one species into different classes.
PLANT_SPREAD: Final = 0.20
#: Standard deviation of available water, as a share, and of the low-quarter uniformity.
STORAGE_SPREAD: Final = 0.10
UNIFORMITY_SPREAD: Final = 0.04
#: Standard deviation of a sensor's lasting error since its threshold was set in place, each
#: sensor's its own [m3/m3]. No test of just this was found, put together from the best site
#: calibrations of capacitance sensors (residual 0.010: Dominguez-Nino et al. 2019, Sensors 19,
#: 3101, 0.007 to 0.033: Nasta et al. 2024, Sensors 24, 952) and 0.014 to 0.020 per 10 K of soil
#: temperature (Nieberding et al. 2023, Sensors 23, 6581, MethodsX 2024, 103100), all read in
#: abstract.
SENSOR_ERROR: Final = 0.014
#: Standard deviation of each day's reading, as a share of the lasting error: sources say only that
#: it is the smaller.
_SENSOR_NOISE: Final = 0.4
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

    Each name takes the middles of N = `count` - 1 equal shares of its distribution once each
    (McKay et al. 1979, Technometrics 21, 239-245). Plants, soils, obstacles and uniformity take
    them in the order of a scrambled Sobol sequence, so that pairs are even too; sensors, which have
    the user's names, in an order of their own that is uncorrelated with all of those. Of a test sum
    of 9 names the mean of 64 draws is then off by a twentieth of what plain draws are off by, and
    the mean of the worst tenth by half.

    count: number of scenarios, S; seed: seed, the same seed gives the same scenarios; sensor_error:
    standard deviation of a sensor's lasting error [m3/m3]; sensor_noise: of each day's reading, as
    a share of it; taken: which of those drawn stands at each place, length S, some more
    than once and some not at all, where what was seen since tells them apart.
    """

    count: int
    seed: int = 0
    sensor_error: float = SENSOR_ERROR
    sensor_noise: float = _SENSOR_NOISE
    taken: tuple[int, ...] | None = None

    @property
    def obstacles(self) -> Floats:
        """-1 lowest and most transparent, 0 as drawn, 1 highest and densest; shape (S,)."""
        return self._draws("obstacles") / _LIMIT

    @property
    def uniformity(self) -> Floats:
        """What to add to every low-quarter uniformity, shape (S,) [-]."""
        return UNIFORMITY_SPREAD * self._draws("uniformity")

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
        width = dict.fromkeys(_TURF, _TURF_SPREAD)
        return np.array(
            [1 + width.get(word, PLANT_SPREAD) * self._draws(f"plants:{word}") for word in words]
        )

    def soils(self, classes: Sequence[str]) -> Floats:
        """Return the storage multiplier of each zone.

        Returns multiplier of available water [-], shape (Z, S).
        """
        names = [soil if soil in SOILS else _OTHER_SOIL for soil in classes]
        return np.array([1 + STORAGE_SPREAD * self._draws(f"soils:{name}") for name in names])

    def reading_errors(
        self, zones: Sequence[str], *, days: int, years: int, capacity: ArrayLike
    ) -> Singles:
        """Return what a sensor in each zone reads too dry, each sensor with its own error.

        capacity (Z,): field capacity less wilting point of each zone, above 0 [m3/m3]. Returns
        lasting error and each day's noise over `capacity`, scenario by scenario, held to -0.5..0.5
        [-], shape (Z, D, S x Y).
        """
        shape = (len(zones), days, self.count, years)
        error = np.zeros(shape, np.float32)
        bias, noise = self.sensor_error, self.sensor_error * self.sensor_noise
        for row, zone in zip(error, zones, strict=True):
            row[:] = bias * self._draws(f"reading:{zone}")[:, None]
            if self.count > 1:
                rng = _stream(self.seed, f"noise:{zone}")
                daily = rng.standard_normal((self.count - 1, days, years))
                row[:, 1:] += noise * np.moveaxis(daily, 0, 1)
        held = np.broadcast_to(
            np.reshape(np.asarray(capacity, dtype=float), (len(zones), -1)), (shape[0], shape[2])
        )
        error /= held.astype(np.float32)[:, None, :, None]
        return np.clip(error, -_WORST_READING, _WORST_READING, out=error).reshape(
            len(zones), days, -1
        )

    def _draws(self, name: str) -> Floats:
        """Return a name's standard normal draws, shape (S,), 0 in scenario 0."""
        drawn = np.zeros(self.count)
        if self.count > 1:
            drawn[1:] = _normal_draws(self.count - 1, self.seed, name)
        return drawn if self.taken is None else drawn[list(self.taken)]


def _stream(seed: int, name: str) -> np.random.Generator:
    """Return the generator of one name."""
    digest = hashlib.sha256(name.encode()).digest()
    return np.random.default_rng([seed, int.from_bytes(digest[:16], "big")])


@lru_cache(maxsize=1024)
def _normal_draws(rows: int, seed: int, name: str) -> Floats:
    """Return a name's standard normal draws, not to be written on, shape (rows,)."""
    named = _low_discrepancy(rows, seed)
    placed = name in _PLACES
    unit = named[:, _PLACES.index(name)] if placed else _own_stream(_stream(seed, name), named)
    drawn: Floats = np.clip(scipy.special.ndtri(unit), -_LIMIT, _LIMIT)
    drawn.flags.writeable = False
    return drawn


@lru_cache(maxsize=8)
def _low_discrepancy(rows: int, seed: int) -> Floats:
    """Return points in the unit cube, shape (rows, names); each column has every share once."""
    rng = _stream(seed, "places")
    return _evened(sobol_points(rows, len(_PLACES), rng, dimensions=_DIMENSIONS))


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


Progress = Callable[[str, int, int], None]
#: Area classes of a zone: quarters of its area, the driest first.
CLASSES: Final = 4
#: Levels of the obstacles at which the ground is worked out: as drawn, and the middles of six equal
#: shares of how far they may be off (a normal draw over two standard deviations). Nothing else that
#: is uncertain changes the order of dryness within a zone.
OBSTACLES: Final = (0.0, -0.6915, -0.3372, -0.1052, 0.1052, 0.3372, 0.6915)
#: Cells of margin around the hydrozones.
_MARGIN: Final = 4
_WHOLE: Final = 1e-6  # float noise must not add a row


@dataclass(frozen=True)
class MonthlyEto:
    """Mean terms of reference ET in each month of the season; see `EtoTerms`.

    months: calendar months that have days in the season; days (M,): days of the season in each
    month [d]; constant, beam, sky (M,): what does not depend on a point's sun, what the open beam
    and the open sky add [mm/d].
    """

    months: tuple[int, ...]
    days: Floats
    constant: Floats
    beam: Floats
    sky: Floats

    @property
    def open_sky(self) -> Floats:
        """ETo of open ground, never below 0, shape (M,) [mm/d]."""
        return np.maximum(self.constant + self.beam + self.sky, 0.0)


@dataclass(frozen=True)
class SunVariants:
    """Sun under three readings of the obstacles; all the same where nothing is varied.

    Parameters
    ----------
    low : SunShade or CellSun
        Obstacles lower and more transparent; of the cells that zones take their sun from alone.
    drawn : SunShade
        Obstacles as drawn.
    high : SunShade or CellSun
        Obstacles higher and denser.
    """

    low: SunShade | CellSun
    drawn: SunShade
    high: SunShade | CellSun

    def at(self, obstacles: float, cells: Ints) -> tuple[Floats, Floats]:
        """Return the sun of some cells, straight between the variants.

        Parameters
        ----------
        obstacles : float
            -1 lowest and most transparent obstacles, 0 as drawn, 1 highest and densest.
        cells : ndarray of int, shape (P,)
            Flat index of the raster cells (row-major).

        Returns
        -------
        beam_fraction : ndarray, shape (M, P)
            Beam that arrives over that of open level ground, per month: 0..1, and more where a
            terrain tells of ground that leans to the sun; NaN under a roof.
        sky_view : ndarray, shape (P,)
            Share of the diffuse light that arrives, 0..1; NaN under a roof.
        """
        return next(self.each((obstacles,), cells))

    def each(self, levels: Iterable[float], cells: Ints) -> Iterator[tuple[Floats, Floats]]:
        """Yield the sun of some cells, as from `at`, for one level of the obstacles after another.

        Parameters
        ----------
        levels : iterable of float
            -1 lowest and most transparent obstacles, 0 as drawn, 1 highest and densest.
        cells : ndarray of int, shape (P,)
            Flat index of the raster cells (row-major).

        Yields
        ------
        tuple of ndarray
            Beam fraction (M, P) and sky view (P,).
        """
        beam, sky = _at_cells(self.drawn, cells)
        steps: dict[bool, tuple[Floats, Floats]] = {}
        for level in levels:
            if level == 0:
                yield beam, sky
                continue
            lower = level < 0
            if lower not in steps:
                other = _at_cells(self.low if lower else self.high, cells)
                steps[lower] = other[0] - beam, other[1] - sky
            share, step = abs(level), steps[lower]
            yield beam + share * step[0], sky + share * step[1]


def _at_cells(sun: SunShade | CellSun, cells: Ints) -> tuple[Floats, Floats]:
    """Return beam (M, P) and sky (P,) of some cells."""
    if isinstance(sun, CellSun):
        place = np.searchsorted(sun.cells, cells)
        return sun.beam[:, place], sun.sky[place]
    return _beam(sun).reshape(len(sun.months), -1)[:, cells], _sky(sun).ravel()[cells]


def _beam(sun: SunShade) -> Floats:
    """Return the beam over that of open level ground, on the ground's own slope where known."""
    return sun.beam_fraction if sun.slope_beam is None else sun.slope_beam


def _sky(sun: SunShade) -> Floats:
    """Return the sky's share, on the ground's own slope where known."""
    return sun.sky_view if sun.slope_sky is None else sun.slope_sky


@dataclass(frozen=True)
class Ground:
    """What every stage after it needs to know of the ground.

    Parameters
    ----------
    pixels : ZonePixels
        The points of each zone.
    eto : MonthlyEto
        Monthly terms.
    etc : DataFrame, shape (Z, M)
        Zone mean demand as described, columns month [mm/d].
    dryness : tuple of ndarray, each shape (L, P_z)
        Dryness of the points of each zone, by level of the obstacles (`OBSTACLES`, or the drawn
        ones alone) [1/d].
    samples : tuple of ndarray, each shape (L, F_z)
        Dryness of the samples in and around each zone [1/d].
    mean_beam : ndarray, shape (Z, M)
        Mean beam fraction of the zone as described.
    mean_sky : ndarray, shape (Z,)
        Its mean sky view.
    class_beam : ndarray, shape (Z, Q, L, M)
        Mean beam fraction of each area class, the driest quarter first.
    class_sky : ndarray, shape (Z, Q, L)
        Mean sky view of each area class.
    class_pattern : ndarray, shape (Z, Q, L)
        What each area class receives over the zone mean, where cans were read; else NaN [-].
    levels : tuple of float, length L
        Levels of the obstacles, as drawn first; see `SunVariants.at`.
    """

    pixels: ZonePixels
    eto: MonthlyEto
    etc: pd.DataFrame
    dryness: tuple[Floats, ...]
    samples: tuple[Floats, ...]
    mean_beam: Floats
    mean_sky: Floats
    class_beam: Floats
    class_sky: Floats
    class_pattern: Floats
    levels: tuple[float, ...] = (0.0,)

    def between(self, values: Floats, obstacles: Floats) -> Floats:
        """Return values of the levels at other obstacles, straight between and beyond them.

        Parameters
        ----------
        values : ndarray, shape (Q, L, ...)
            Of every level.
        obstacles : ndarray, shape (S,)
            -1 lowest and most transparent, 0 as drawn, 1 highest and densest.

        Returns
        -------
        ndarray, shape (Q, S, ...)
            Held to 0 and more.
        """
        if len(self.levels) == 1:
            return np.repeat(values, len(obstacles), axis=1)
        order = np.argsort(self.levels)
        level = np.asarray(self.levels)[order]
        right = np.clip(np.searchsorted(level, obstacles), 1, len(level) - 1)
        share = (obstacles - level[right - 1]) / (level[right] - level[right - 1])
        share = share.reshape(1, -1, *(1,) * (values.ndim - 2))
        low, high = values[:, order[right - 1]], values[:, order[right]]
        return np.asarray(np.maximum(low + share * (high - low), 0.0))


def property_grid(site: Site, resolution: float) -> LocalGrid:
    """Lay a raster over the hydrozones, centred on them, with some cells of margin.

    Centred, so that it moves and turns with the property.

    resolution: side of a cell [m]. Returns at least four cells wider than the hydrozones on each
    side.
    """
    west, south, east, north = site.hydrozones.total_bounds
    columns = int(np.ceil((east - west) / resolution - _WHOLE)) + 2 * _MARGIN
    rows = int(np.ceil((north - south) / resolution - _WHOLE)) + 2 * _MARGIN
    left = (west + east - columns * resolution) / 2
    top = (south + north + rows * resolution) / 2
    return LocalGrid(float(left), float(top), resolution, rows, columns)


def sun_variants(
    site: Site,
    grid: LocalGrid,
    positions: SunPositions,
    *,
    months: tuple[int, ...],
    threads: int,
    spread: bool,
    progress: Progress | None,
    keep: Keeper | None = None,
) -> tuple[SunVariants, ZonePixels]:
    """Compute the sun on the property, and with obstacles lower and higher where scenarios ask.

    The whole raster is only worked out with obstacles as drawn, which is what is shown; of the
    others the cells of the zones will do.

    Returns three times the same where nothing is to be varied; and the points of the zones.
    """
    leaves = leaf_months(site.latitude)

    def named(name: str, options: ShadeOptions) -> ShadeOptions:
        def count(done: int, total: int) -> None:
            if progress is not None:
                progress(name, done, total)

        return replace(options, threads=threads, progress=count, leaf_months=leaves)

    shading = Shading.of(
        grid,
        positions,
        (site.buildings, site.trees, site.walls),
        surface=site.surface,
        terrain=site.terrain,
        months=months,
    )
    drawn = shading.raster(named("Sun and shade", ShadeOptions()), keep)
    pixels = zone_pixels(grid, site.hydrozones, roof=np.isnan(drawn.sky_view))
    no_walls = site.walls is None or site.walls.empty
    bare = site.buildings.empty and site.trees.empty and no_walls and site.surface is None
    if bare or not spread:
        return SunVariants(drawn, drawn, drawn), pixels
    cells = np.unique(np.concatenate([*pixels.flat, *pixels.sample_flat]))
    height, clear = _OBSTACLE_SPREAD, _CLEARER
    low = ShadeOptions(height_scale=1 - height, transmissivity_scale=clear)
    high = ShadeOptions(height_scale=1 + height, transmissivity_scale=1 / clear)
    varied = named("Sun, obstacles lower", low), named("Sun, obstacles higher", high)
    lower, higher = shading.at_cells(varied, cells, keep)
    return SunVariants(lower, drawn, higher), pixels


def monthly_eto(terms: EtoTerms, seasons: SeasonCalendar) -> MonthlyEto:
    """Average the daily terms of reference ET over the season's days of each month.

    Returns means over the seasons.
    """
    months = tuple(int(m) for m in np.unique(seasons.month))
    inside = [seasons.month == month for month in months]

    def mean(values: Floats) -> Floats:
        daily = values[seasons.rows].mean(axis=1)
        return np.array([daily[days].mean() for days in inside])

    return MonthlyEto(
        months=months,
        days=np.array([float(days.sum()) for days in inside]),
        constant=mean(terms.constant),
        beam=mean(terms.beam),
        sky=mean(terms.sky),
    )


def survey(
    sun: SunVariants,
    pixels: ZonePixels,
    *,
    eto: MonthlyEto,
    water: pd.DataFrame,
    application: Mapping[str, ZoneApplication],
    levels: Sequence[float] = OBSTACLES,
) -> Ground:
    """Work out demand and dryness of every point of every zone at every level of the obstacles.

    Returns in the order of the zones.
    """
    factors = plant_factors(water, eto.months)
    storage = water["taw_mm"].to_numpy(dtype=float)
    zones = [
        _zone_ground(
            sun, pixels, z, (eto, factors[z], float(storage[z])), application[zone], levels
        )
        for z, zone in enumerate(pixels.zones)
    ]
    index = pd.Index(pixels.zones, name="zone")
    return Ground(
        pixels=pixels,
        eto=eto,
        etc=pd.DataFrame([zone.etc for zone in zones], index=index, columns=list(eto.months)),
        dryness=tuple(zone.dryness for zone in zones),
        samples=tuple(zone.samples for zone in zones),
        mean_beam=np.array([zone.mean_beam for zone in zones]),
        mean_sky=np.array([zone.mean_sky for zone in zones]),
        class_beam=np.array([zone.class_beam for zone in zones]),
        class_sky=np.array([zone.class_sky for zone in zones]),
        class_pattern=np.array([zone.pattern for zone in zones]),
        levels=tuple(levels),
    )


class _ZoneGround(NamedTuple):
    """The ground of one zone: demand and light of its mean; by level its area classes."""

    etc: Floats
    mean_beam: Floats
    mean_sky: float
    dryness: Floats
    samples: Floats
    class_beam: Floats
    class_sky: Floats
    pattern: Floats


def _zone_ground(
    sun: SunVariants,
    pixels: ZonePixels,
    z: int,
    need: tuple[MonthlyEto, Floats, float],
    pattern: ZoneApplication,
    levels: Sequence[float],
) -> _ZoneGround:
    """Work out one zone; `need` is monthly ETo, the zone's plant factors and its TAW."""
    eto, factor, storage = need
    own, beyond = pixels.flat[z], pixels.sample_flat[z]
    cells, where = np.unique(np.concatenate([own, beyond]), return_inverse=True)
    inner, outer = np.split(where, [own.size])
    count = len(levels)
    rows, around = np.empty((count, inner.size)), np.empty((count, outer.size))
    beam = np.empty((CLASSES, count, len(eto.months)))
    sky, received = np.empty((CLASSES, count)), np.full((CLASSES, count), np.nan)
    learned = _learned(pixels, z, pattern)
    for at, broad in enumerate(sun.each(levels, cells)):
        light = broad[0][:, inner], broad[1][inner]
        everywhere, monthly = _demand(broad, eto, factor)
        if at == 0:
            etc = factor * monthly[:, inner].mean(axis=1)
            mean = light[0].mean(axis=1), float(light[1].mean())
        rows[at] = pixel_dryness(everywhere[inner], taw=storage, application=pattern.at_points)
        around[at] = pixel_dryness(everywhere[outer], taw=storage, application=pattern.at_samples)
        if learned is not None:
            rows[at] *= learned[0][at]
            around[at] *= learned[1][at]
        weights = class_weights(rows[at], classes=CLASSES)
        beam[:, at], sky[:, at] = weights @ light[0].T, weights @ light[1]
        if pattern.measured:
            received[:, at] = weights @ pattern.received
    return _ZoneGround(etc, *mean, rows, around, beam, sky, received)


def _learned(pixels: ZonePixels, z: int, pattern: ZoneApplication) -> tuple[Floats, Floats] | None:
    """Return what readings multiply the dryness by: of points (L, P_z) and of samples (L, F_z)."""
    learned = pattern.unknown.learned
    if learned is None or not learned.moves:
        return None
    points = learned.mean(pixels.x[z], pixels.y[z])
    return np.exp(points), np.exp(learned.mean(pixels.sample_x[z], pixels.sample_y[z]))


def _demand(light: tuple[Floats, Floats], eto: MonthlyEto, factor: Floats) -> tuple[Floats, Floats]:
    """Return season-mean demand per point (P,) and reference ET per month (M, P) [mm/d]."""
    points = pixel_eto(eto.constant, eto.beam, eto.sky, beam_fraction=light[0], sky_view=light[1])
    return (
        pixel_demand(points, plant_factor=factor, days=eto.days),
        points,
    )
