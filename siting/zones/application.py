"""How evenly each zone is watered: by cans, else by its heads, else by its uniformity."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats
from siting.evidence.field import Learned, learn_cans
from siting.language import Figure, say, side_by_side
from siting.units import UnitsName, show
from siting.water.heads import (
    HEAD_SPACING_M,
    can_depth_mm,
    can_test,
    cv_after_test,
    head_pattern,
    head_radii,
    low_quarter_uniformity,
)
from siting.zones.points import ZonePixels


@dataclass(frozen=True)
class Unevenness:
    """An application pattern that is not known.

    Parameters
    ----------
    cv : float
        Coefficient of variation of local application about what is assumed of it.
    reach : float
        Distance over which deviations are alike: their correlation at distance d is
        exp(-(d / reach)² / 2). 0 says that every point deviates by itself [m].
    cv_tested : float or None
        The coefficient of variation that a can test would leave; None where none is to be gained.
    learned : Learned or None
        What cans and readings of the ground leave of it, place by place; then `cv` is the mean of
        that.
    """

    cv: float = 0.0
    reach: float = 0.0
    cv_tested: float | None = None
    learned: Learned | None = field(default=None, compare=False)


def application_cv(distribution_uniformity: float) -> float:
    """Coefficient of variation of application from the lower-quarter distribution uniformity.

    distribution_uniformity: DUlq, 0..1. Returns (1 - DUlq) / 1.271: the mean of a normal
    distribution's lowest quarter lies 1.271 standard deviations below its mean.

    >>> round(application_cv(0.6), 3)
    0.315
    """
    return max(0.0, 1.0 - distribution_uniformity) / 1.2711


#: With fewer cans the reading says nothing of the pattern. (24 make a full audit.)
FEWEST_CANS: Final = 8
#: With fewer heads there is no layout to model.
FEWEST_HEADS: Final = 3
_CANS: Final = (24, 48)  # cans of a test: two per head spacing each way, but within these
_REACH: Final = 0.4  # deviations are alike over this share of the head spacing; judgement
_LEFT_BY_HEADS: Final = 0.7  # share of the unevenness that a head layout leaves open; judgement
_LOWEST, _HIGHEST = 0.3, 2.0
_MOST_WIDER: Final = 4.0  # a pattern as good as flat is no order of places
_WORTH_TESTING: Final = 0.05  # least gain of chance for which a can test is spoken of
_RATES_DIFFER: Final = 0.25


@dataclass(frozen=True)
class ZoneApplication:
    """Local application over the zone mean.

    Parameters
    ----------
    uniformity : float
        Low-quarter uniformity, 0..1.
    at_points : ndarray, shape (P,)
        Application at the zone's points over the zone mean; ones where it is unknown.
    at_samples : ndarray, shape (F,)
        The same at its samples, in and around the zone.
    source : {"cans", "heads", "prior"}
        What it is known from.
    unknown : Unevenness
        What is not known of it.
    rate_mm_h : float
        Precipitation rate by the cans; NaN where they do not say.
    cans : int
        Cans that were read, or that a test would take.
    told : str
        What else was read of the ground, in words.
    """

    uniformity: float
    at_points: Floats
    at_samples: Floats = field(default_factory=lambda: np.empty(0))
    source: str = "prior"
    unknown: Unevenness = field(default_factory=Unevenness)
    rate_mm_h: float = float("nan")
    cans: int = 0
    told: str = ""

    @property
    def measured(self) -> bool:
        """Whether cans were read."""
        return self.source == "cans"

    @property
    def received(self) -> Floats:
        """Application at the points, as uneven as the cans were, shape (P,).

        What is expected between cans is more even than the ground: its low quarter is put where
        that of the cans is, so that the driest ground is not taken to get more than it does.
        """
        short = 1.0 - low_quarter_uniformity(self.at_points)
        wider = np.clip((1.0 - self.uniformity) / max(short, 1e-6), 1.0, _MOST_WIDER)
        return np.asarray(np.clip(1 + wider * (self.at_points - 1), _LOWEST, _HIGHEST))

    def words(self, now: float, tested: float) -> str:
        """Say what a point's chances rest on, and what a can test would make of them.

        Parameters
        ----------
        now : float
            Chance that it lies in the driest quarter as things stand, 0..1.
        tested : float
            The same after a can test; NaN where nothing is to be gained.

        Returns
        -------
        str
            Plain words, without a full stop.
        """
        if self.source == "cans":
            measured = say("application measured with {cans} cans", cans=self.cans)
            return side_by_side([measured, self.told], "; ")
        basis = say("application not known, assumed")
        if self.source == "heads":
            basis = say("application modelled from the heads")
        if not tested >= now + _WORTH_TESTING:
            return side_by_side([basis, self.told], "; ")
        better = say(
            "a can test ({cans} cans) would let a point be chosen with about {tested} in 100 for "
            "the driest quarter instead of {now}",
            cans=self.cans,
            tested=Figure(f"{100 * tested:.0f}"),
            now=Figure(f"{100 * now:.0f}"),
        )
        return side_by_side([basis, self.told, better], "; ")


@dataclass(frozen=True)
class _Zone:
    """One zone and where its application is asked for."""

    name: str
    shape: BaseGeometry
    irrigation: str
    uniformity: float
    points: tuple[Floats, Floats]
    samples: tuple[Floats, Floats]


def zone_application(
    pixels: ZonePixels,
    hydrozones: gpd.GeoDataFrame,
    *,
    cans: gpd.GeoDataFrame,
    water: pd.DataFrame,
    fixtures: gpd.GeoDataFrame | None = None,
    units: UnitsName = "metric",
) -> tuple[dict[str, ZoneApplication], tuple[str, ...]]:
    """Find each zone's application pattern.

    hydrozones: index `zone`, columns valve, irrigation; cans: columns depth or volume, and Point
    geometry, as in `Site.cans`; water: index `zone`, columns distribution_uniformity,
    precipitation_rate; units {"metric", "us"}: how the warnings show rates. Returns can readings
    that could not be used, or that contradict what was given.
    """
    patterns: dict[str, ZoneApplication] = {}
    warnings: list[str] = []
    shapes, valves = hydrozones.geometry.to_numpy(), hydrozones["valve"].tolist()
    words = hydrozones["irrigation"].tolist() if "irrigation" in hydrozones else [""] * len(valves)
    kinds = [word if isinstance(word, str) and word else "spray" for word in words]
    uniformity = water["distribution_uniformity"].to_numpy(dtype=float).tolist()
    drawn = _Heads.of(fixtures)
    for z, name in enumerate(pixels.zones):
        zone = _Zone(
            name=name,
            shape=shapes[z],
            irrigation=kinds[z],
            uniformity=uniformity[z],
            points=(pixels.x[z], pixels.y[z]),
            samples=(pixels.sample_x[z], pixels.sample_y[z]) if pixels.sample_x else _NOWHERE,
        )
        caught = _readings(cans, zone.shape)
        heads = drawn.of_zone(valves[z], zone.shape)
        if 0 < len(caught) < FEWEST_CANS:
            warnings.append(
                f"zone {name}: {len(caught)} can readings are too few to tell how evenly it is "
                f"watered; at least {FEWEST_CANS} are used, and 24 make a full test"
            )
        if len(caught) >= FEWEST_CANS:
            patterns[name] = _measured(zone, caught, _gap(zone, heads))
            warnings += _contradictions(name, patterns[name], hydrozones, units)
        else:
            patterns[name] = _modelled(zone, heads)
    return patterns, tuple(warnings)


_NOWHERE: Final = (np.empty(0), np.empty(0))


def _readings(cans: gpd.GeoDataFrame, polygon: BaseGeometry) -> Floats:
    """Return x, y, reading and minutes of the cans inside a zone, shape (N, 4), in a fixed order.

    Readings are depths where every can has one or tells its mouth; else volumes, which tell the
    pattern but no rate (all cans of a test then have one mouth).
    """
    if cans.empty:
        return np.empty((0, 4))
    inside = cans[cans.geometry.intersects(polygon)]

    def column(name: str) -> Floats:
        if name not in inside:
            return np.full(len(inside), np.nan)
        values: Floats = inside[name].to_numpy(dtype=float)
        return values

    depth, volume, minutes = column("depth"), column("volume"), column("minutes")
    depth = np.where(np.isnan(depth), can_depth_mm(volume, column("mouth_diameter")), depth)
    value = depth if np.isfinite(depth).any() else volume
    if value is volume:
        minutes = np.full(len(inside), np.nan)
    table = np.column_stack([inside.geometry.x, inside.geometry.y, value, minutes])
    table = table[np.isfinite(table[:, 2])]
    ordered: Floats = table[np.lexsort(table.T)]
    return ordered


class _Heads(NamedTuple):
    """Heads as drawn (N,): valve or None, shape, and what is known of radius and flow, else NaN."""

    valve: NDArray[np.object_]
    shape: NDArray[np.object_]
    radius: Floats
    flow: Floats

    @classmethod
    def of(cls, fixtures: gpd.GeoDataFrame | None) -> _Heads:
        """Return the heads among the fixtures."""
        if fixtures is None or fixtures.empty:
            return cls(*(np.empty(0, dtype=object),) * 2, *(np.empty(0),) * 2)
        heads = fixtures["kind"].to_numpy() == "head"
        valve = fixtures["valve"].to_numpy(dtype=object)[heads]
        valve[pd.isna(valve)] = None
        radius, flow = (_column(fixtures, name)[heads] for name in ("wetted_radius", "nozzle_flow"))
        return cls(valve, fixtures.geometry.to_numpy()[heads], radius, flow)

    def of_zone(self, own_valve: object, shape: BaseGeometry) -> _Heads:
        """Return the heads of a zone: by valve, else those that stand in it without one."""
        own = self.valve == own_valve
        lost = np.array([valve is None for valve in self.valve], dtype=bool)
        lost[lost] = shapely.dwithin(self.shape[lost], shape, 0.5)
        mine = own | lost
        return _Heads(*(part[mine] for part in self))

    @property
    def places(self) -> Floats:
        """Where they stand, shape (N, 2)."""
        return shapely.get_coordinates(self.shape)


def _gap(zone: _Zone, heads: _Heads) -> float:
    """Return how far heads stand apart: as drawn, else as is usual [m]."""
    if len(heads.shape) < FEWEST_HEADS:
        return HEAD_SPACING_M[zone.irrigation]
    return float(np.median(head_radii(heads.places, heads.radius, zone.irrigation)))


def _column(heads: gpd.GeoDataFrame, name: str) -> Floats:
    """Return a column of numbers, NaN where it is not there."""
    if name not in heads:
        return np.full(len(heads), np.nan)
    return np.asarray(heads[name].to_numpy(dtype=float))


def _measured(zone: _Zone, caught: Floats, gap: float) -> ZoneApplication:
    """Evaluate a can test; deviations are alike over as far as heads or cans can tell."""
    test = can_test(caught[:, :2], caught[:, 2], minutes=caught[:, 3])
    found = learn_cans(test.places, test.share, reach=max(_REACH * gap, test.spacing / 2))

    def application(x: Floats, y: Floats) -> Floats:
        return np.asarray(np.clip(np.exp(-found.mean(x, y)[0]), _LOWEST, _HIGHEST))

    points = application(*zone.points)
    mean = float(points.mean())
    left = float((found.deviation(*zone.points) ** 2).mean())
    # The map has what the cans say of the pattern in it, so dryness is not moved once more.
    known = replace(found, weights=np.zeros_like(found.weights))
    return ZoneApplication(
        uniformity=test.uniformity,
        at_points=points / mean,
        at_samples=application(*zone.samples) / mean,
        source="cans",
        unknown=Unevenness(float(np.sqrt(np.expm1(left))), found.reach, None, known),
        rate_mm_h=test.rate_mm_h,
        cans=len(test.places),
    )


def _contradictions(
    name: str, pattern: ZoneApplication, hydrozones: gpd.GeoDataFrame, units: UnitsName
) -> list[str]:
    """Say where the cans disagree with the rate that the drawing gives."""
    if "precipitation_rate" not in hydrozones:
        return []
    given, found = float(hydrozones["precipitation_rate"].loc[name]), pattern.rate_mm_h
    if not (np.isfinite(given) and np.isfinite(found)):
        return []
    if abs(found / given - 1) <= _RATES_DIFFER:
        return []
    return [
        f"zone {name}: the cans say {show(found, 'rate', units)}, the drawing "
        f"{show(given, 'rate', units)}; the cans are used, check their run minutes and mouths"
    ]


def _modelled(zone: _Zone, heads: _Heads) -> ZoneApplication:
    """Model the pattern from the heads, where there are enough."""
    if len(heads.shape) < FEWEST_HEADS or zone.irrigation in {"drip", "bubbler"}:
        return _prior(zone)
    places = heads.places
    options: dict[str, Any] = {
        "places": places,
        "radius": head_radii(places, heads.radius, zone.irrigation),
        "flow": heads.flow,
        "zone": zone.shape,
    }
    x, y = (np.concatenate(both) for both in zip(zone.points, zone.samples, strict=True))
    points, samples = np.split(head_pattern(x, y, **options), [zone.points[0].size])
    raw = float(points.mean())
    if raw <= 0:
        return _prior(zone)
    points, samples = (np.clip(one / raw, _LOWEST, _HIGHEST) for one in (points, samples))
    mean = float(points.mean())
    gap = float(np.median(options["radius"]))
    known = _LEFT_BY_HEADS * application_cv(zone.uniformity)
    unknown, cans = _unknown(zone, known, gap)
    return ZoneApplication(
        zone.uniformity, points / mean, samples / mean, "heads", unknown, cans=cans
    )


def _prior(zone: _Zone) -> ZoneApplication:
    """Assume a pattern of the stated uniformity, even on average everywhere."""
    gap = HEAD_SPACING_M[zone.irrigation]
    unknown, cans = _unknown(zone, application_cv(zone.uniformity), gap)
    points, samples = np.ones(zone.points[0].size), np.ones(zone.samples[0].size)
    return ZoneApplication(zone.uniformity, points, samples, "prior", unknown, cans=cans)


def _unknown(zone: _Zone, cv: float, gap: float) -> tuple[Unevenness, int]:
    """Return what is not known at a head spacing, now and after a can test, and its cans."""
    area = float(zone.shape.area)
    cans = int(np.clip(round(area / (gap / 2) ** 2), *_CANS))
    reach = _REACH * gap
    left = cv_after_test(cv, reach=reach, spacing=float(np.sqrt(area / cans)))
    return Unevenness(cv, reach, left), cans
