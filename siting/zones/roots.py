"""The root zones of a property in every scenario: what each needs, and what is left of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from siting.arrays import Floats, Ints, Singles
from siting.climate.model import SeasonCalendar
from siting.compiled import compiled_of_numbers
from siting.parts import at_hand
from siting.season.events import RootZone
from siting.season.scheduling import SOD_M, sensor_depth
from siting.water.balance import curve_number, entering_rain, sensor_layer_share, step
from siting.water.reference_et import EtoTerms
from siting.water.zones import plant_factors
from siting.zones.ground import CLASSES, Ground, Scenarios


class ZoneShares(NamedTuple):
    """What a sensor reads of each zone's root zone, and the ground gets of the rain.

    Parameters
    ----------
    sensor : ndarray, shape (Z,)
        Upper layer that a sensor reads, over the root zone; above 0, at most 1 [-].
    rain : ndarray, shape (Z,)
        Share of the rain that reaches the ground, 0..1.
    """

    sensor: Floats
    rain: Floats


@compiled_of_numbers
def _fill_demand(
    etc: Singles,
    terms: tuple[Singles, Singles, Singles],
    light: tuple[Singles, Singles, Ints],
    factor: Singles,
    scale: Singles,
) -> None:
    """Fill the demand of area classes, shape (Q, D, W) [mm/d].

    terms: constant, beam and sky of reference ET, each (D, W) [mm/d]; light: beam (Q, M, W) and sky
    (Q, W) of the classes, and each day's month (D,); factor (D,): plant factor; scale (W,): what it
    is off by.
    """
    constant, direct, diffuse = terms
    beam, sky, place = light
    classes, days, runs = etc.shape
    for q in range(classes):
        for d in range(days):
            now, steady, sun = etc[q, d], constant[d], direct[d]
            rest, lit, seen = diffuse[d], beam[q, place[d]], sky[q]
            for w in range(runs):
                eto = steady[w] + sun[w] * lit[w] + rest[w] * seen[w]
                now[w] = max(eto, np.float32(0.0)) * factor[d] * scale[w]


_P = TypeVar("_P")
_T = TypeVar("_T")


@dataclass(frozen=True)
class PropertyRoots:
    """Builds the root zone of every hydrozone for every day, season and scenario, one at a time.

    Parameters
    ----------
    ground : Ground
        Light and application of the area classes.
    terms : EtoTerms
        Daily terms of reference ET.
    seasons : SeasonCalendar
        The weather seasons, Y of D days.
    water : DataFrame
        As from `siting.water.zones.zone_water`, Z zones.
    scenarios : Scenarios
        What may be off, S of them.
    plants : tuple of str, length Z
        Plants of each zone, words of `PLANTS`.
    depletion_fraction : ndarray, shape (Z,)
        RAW over TAW, 0..1.
    shares : ZoneShares
        A sensor in zone z reads the upper ``shares.sensor[z]`` of its root zone.
    threads : int
        Zones worked on at a time; the result does not depend on it.
    plant_scale, storage_scale : float
        Every plant factor and all available water times this.
    evenness : float
        Added to every low-quarter uniformity.
    error_scale : float
        Every reading error times this.
    room : float
        Root zones are kept while all of them together take less than this [bytes]; a plan has two
        sets of them, of its first scenarios and of its sheet's.
    """

    ground: Ground
    terms: EtoTerms
    seasons: SeasonCalendar
    water: pd.DataFrame
    scenarios: Scenarios
    plants: tuple[str, ...]
    depletion_fraction: Floats
    shares: ZoneShares
    threads: int = 1
    plant_scale: float = 1.0
    storage_scale: float = 1.0
    evenness: float = 0.0
    error_scale: float = 1.0
    room: float = field(default_factory=lambda: at_hand() / 2, repr=False, compare=False)
    _built: dict[int, RootZone] = field(default_factory=dict, repr=False, compare=False)

    @property
    def count(self) -> int:
        """Number of zones."""
        return len(self.plants)

    @property
    def years(self) -> int:
        """Seasons per scenario; runs are scenario by scenario, years within."""
        return len(self.seasons.years)

    @cached_property
    def capacity(self) -> Floats:
        """Field capacity less wilting point of every zone, shape (Z,) [m³/m³]."""
        return np.asarray(self.water["field_capacity"] - self.water["wilting_point"], dtype=float)

    @cached_property
    def per_minute(self) -> Floats:
        """What each valve applies in a minute, shape (Z,) [mm]."""
        return np.asarray(self.water["precipitation_rate"], dtype=float) / 60

    @cached_property
    def _factors(self) -> Floats:
        """Plant factors of every zone in each month of the season, shape (Z, M)."""
        return plant_factors(self.water, self.ground.eto.months)

    @cached_property
    def _weather(self) -> tuple[Singles, Singles, Singles]:
        """Constant, beam and sky of reference ET on each day and run, each (D, S x Y) [mm/d]."""
        terms, rows, count = self.terms, self.seasons.rows, self.scenarios.count
        constant, beam, sky = (
            np.tile(values[rows].astype(np.float32), (1, count))
            for values in (terms.constant, terms.beam, terms.sky)
        )
        return constant, beam, sky

    @cached_property
    def _soils(self) -> dict[str, tuple[Floats, Floats]]:
        """By soil class what available water is off by (S,), and rain that enters (D, Y) [mm]."""
        return {
            soil: (self.scenarios.soils([soil])[0], entering(self.terms, self.seasons, soil))
            for soil in {str(word) for word in self.water["soil_class"]}
        }

    @cached_property
    def _plants(self) -> dict[str, Floats]:
        """By plants what their factor is off by, shape (S,)."""
        return {word: self.scenarios.plants([word])[0] for word in set(self.plants)}

    def zone(self, z: int, *, read: bool = True) -> RootZone:
        """Return one zone's root zone.

        Parameters
        ----------
        z : int
            Position of the zone.
        read : bool
            Whether a sensor is read there; where none is, its errors need not be drawn, which takes
            longer than all the rest.

        Returns
        -------
        RootZone
            With S x Y runs.
        """
        root = self._built.get(z)
        if root is None:
            root = self._build(z)
            if (len(self._built) + 1) * _size(root) < self.room:
                self._built[z] = root
        if read and root.reading_error is None:
            root = root.but(reading_error=self._errors(z))
            if z in self._built:
                self._built[z] = root
        return self._moved(root, z)

    def _build(self, z: int) -> RootZone:
        """Build one zone as described and drawn, nothing moved, every reading true."""
        count, years = self.scenarios.count, self.years
        storage, entered = self._soils[str(self.water["soil_class"].iloc[z])]
        taw = np.repeat(float(self.water["taw_mm"].iloc[z]) * storage, years)
        return RootZone(
            etc=self._demand(z),
            rain=np.tile((float(self.shares.rain[z]) * entered).astype(np.float32), (1, count)),
            taw=taw,
            raw=taw * self.depletion_fraction[z],
            application=np.repeat(self._application(z, 0.0), years, axis=1),
            sensor_share=float(self.shares.sensor[z]),
            described_mm=float(self.water["taw_mm"].iloc[z]),
        )

    def _errors(self, z: int) -> Singles:
        """Return what a sensor in a zone reads too dry, shape (D, S x Y) [-]."""
        errors: Singles = self.scenarios.reading_errors(
            [str(self.water.index[z])],
            days=len(self.seasons.month),
            years=self.years,
            capacity=self.capacity[z : z + 1],
        )[0]
        return errors

    def _moved(self, root: RootZone, z: int) -> RootZone:
        """Move a zone's inputs."""
        moves: dict[str, Any] = {}
        if self.plant_scale != 1:
            moves["etc"] = root.etc * self.plant_scale
        if self.storage_scale != 1:
            moves |= {"taw": root.taw * self.storage_scale, "raw": root.raw * self.storage_scale}
        if self.evenness != 0:
            moves["application"] = np.repeat(
                self._application(z, self.evenness), self.years, axis=1
            )
        if self.error_scale != 1 and root.reading_error is not None:
            moves["reading_error"] = root.reading_error * self.error_scale
        return root.but(**moves) if moves else root

    def _demand(self, z: int) -> Singles:
        """Return the demand of a zone's area classes, shape (Q, D, S x Y) [mm/d]."""
        seasons, ground = self.seasons, self.ground
        place = np.searchsorted(ground.eto.months, seasons.month)
        factor, scale = self._factors[z][place], self._plants[self.plants[z]]
        level = self.scenarios.obstacles
        beam = ground.between(ground.class_beam[z], level)  # (Q, S, M)
        sky = ground.between(ground.class_sky[z], level)  # (Q, S)
        lit, seen, off = (
            np.repeat(values.astype(np.float32), self.years, axis=-1)
            for values in (np.moveaxis(beam, -1, 1), sky, scale)
        )
        etc = np.empty((CLASSES, len(place), off.size), np.float32)
        _fill_demand(etc, self._weather, (lit, seen, place), factor.astype(np.float32), off)
        return etc

    def _application(self, z: int, evenness: float) -> Floats:
        """Return what a zone's area classes receive over its mean, shape (Q, S)."""
        shift = self.scenarios.uniformity + evenness
        pattern = self.ground.class_pattern[z]
        if np.isfinite(pattern).all():
            return np.asarray(self.ground.between(pattern, self.scenarios.obstacles))
        uniformity = float(self.water["distribution_uniformity"].iloc[z])
        return _even_classes(np.clip(uniformity + shift, 0.2, 1.0))


def _size(root: RootZone) -> int:
    """Return what a root zone takes [bytes]."""
    return root.etc.nbytes + 2 * root.rain.nbytes  # its sensor's errors are as large as its rain


def _even_classes(uniformity: Floats) -> Floats:
    """Return what the quarters of a zone receive over its mean, from its low-quarter uniformity.

    The driest quarter of the ground is taken to be the low quarter of the sprinklers too, the worst
    that can be; depths are spread evenly from least to most.

    uniformity (S,): low-quarter uniformity, 0..1. Returns the low quarter first, the mean is 1,
    shape (Q, S).

    The linear distribution of applied depths: Karmeli, D. (1978), Estimating sprinkler distribution
    patterns using linear regression, Transactions of the ASAE 21, 682-686 (from memory).

    >>> _even_classes(np.array([0.7])).ravel().round(2).tolist()
    [0.7, 0.9, 1.1, 1.3]
    """
    place = np.linspace(-1.0, 1.0, CLASSES)[:, None]
    return np.asarray(1.0 + place * (1.0 - uniformity))


def entering(terms: EtoTerms, seasons: SeasonCalendar, soil: str) -> Floats:
    """Return the rain that enters a soil on each season day, shape (D, Y) [mm].

    Less than a fifth of ETo is ignored; what a good lawn on the soil sheds is taken off.
    """
    eto = terms.open_sky[seasons.rows]
    return entering_rain(seasons.rain_mm, eto, number=curve_number(soil))


def over_zones(
    roots: PropertyRoots, work: Callable[[int, RootZone], _T], *, read: bool
) -> list[_T]:
    """Do something with every zone's root zone, some zones at a time.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    work : callable
        (position, root zone) -> anything.
    read : bool
        Whether it reads a sensor.

    Returns
    -------
    list
        In the order of the zones, whatever the number of threads.
    """

    def one(z: int) -> _T:
        return work(z, roots.zone(z, read=read))

    return at_a_time(roots, one, range(roots.count))


def at_a_time(roots: PropertyRoots, work: Callable[[_P], _T], items: Iterable[_P]) -> list[_T]:
    """Do something with every item, as many at a time as zones are worked on.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    work : callable
        What is done; it spends its time in compiled loops, and leaves alone what the others use.
    items : iterable
        What it is called with.

    Returns
    -------
    list
        In the order of the items, whatever the number of threads.
    """
    if roots.threads == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(roots.threads) as pool:
        return list(pool.map(work, items))


def net_requirement(
    ground: Ground,
    terms: EtoTerms,
    seasons: SeasonCalendar,
    *,
    water: pd.DataFrame,
    depletion_fraction: Floats,
    rain_share: Floats,
) -> Floats:
    """Return what plants need beyond rain, by the daily balance of each zone's mean ground.

    The root zone is refilled whenever RAW is used up, with perfectly even water: the least that a
    perfect system would apply.

    depletion_fraction (Z,): RAW over TAW, 0..1; rain_share (Z,): share of the rain that reaches the
    ground, 0..1. Returns net irrigation requirement, mean over the seasons [mm], shape (Z,).
    """
    place = np.searchsorted(ground.eto.months, seasons.month)
    factors = plant_factors(water, ground.eto.months)[:, place]
    taw = water["taw_mm"].to_numpy(dtype=float)[:, None]
    raw = taw * depletion_fraction[:, None]
    soils = water["soil_class"].tolist()
    enters = {soil: entering(terms, seasons, soil) for soil in set(soils)}
    constant, beam, sky = (v[seasons.rows] for v in (terms.constant, terms.beam, terms.sky))
    dry = np.zeros((len(water), len(seasons.years)))
    total = np.zeros_like(dry)
    lit, seen = ground.mean_beam[:, place], ground.mean_sky[:, None, None]
    eto = constant + beam * lit[..., None] + sky * seen  # (Z, D, Y)
    etc = np.maximum(eto, 0.0) * factors[..., None]
    rain = np.stack([enters[soil] for soil in soils]) * rain_share[:, None, None]
    for day in range(len(place)):
        given = np.where(dry >= raw, dry, 0.0)
        total += given
        today = step(dry, rain=rain[:, day], irrigation=given, etc=etc[:, day], taw=taw, raw=raw)
        dry = today.depletion
    return np.asarray(total.mean(axis=1))


def sensor_shares(hydrozones: gpd.GeoDataFrame, water: pd.DataFrame) -> Floats:
    """Return how much of each zone's root zone a sensor there would read.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Columns plants, new_sod.
    water : DataFrame
        As from `siting.water.zones.zone_water`.

    Returns
    -------
    ndarray, shape (Z,)
        Above 0, at most 1 [-].
    """
    depths = [
        sensor_depth(str(plants), root_depth_m=float(roots), new_sod=bool(sod))[0]
        + (SOD_M if sod and str(plants).endswith("turf") else 0.0)
        for plants, roots, sod in zip(
            hydrozones["plants"], water["root_depth_m"], hydrozones["new_sod"], strict=True
        )
    ]
    return sensor_layer_share(depths, water["root_depth_m"].to_numpy(dtype=float))
