"""How readings of the ground enter a zone: what is unknown of it is learned, where it is drier."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
import scipy
import shapely

from siting.arrays import Floats
from siting.evidence.field import (
    FEWEST_PLACES,
    Learned,
    Readings,
    learn,
    place_numbers,
    reliability,
)
from siting.evidence.walk import relative_differences
from siting.site.model import BESIDE_M, Evidence
from siting.zones.application import Unevenness, ZoneApplication
from siting.zones.ground import Ground, SunVariants


def with_evidence(
    patterns: Mapping[str, ZoneApplication],
    ground: Ground,
    hydrozones: gpd.GeoDataFrame,
    evidence: Sequence[Evidence],
) -> tuple[dict[str, ZoneApplication], tuple[str, ...]]:
    """Update what is unknown of each zone by what was read in it.

    Cans, heads or an assumed uniformity say how dryness deviates from the map; the readings are
    conditioned upon that, all kinds at once. Returns all zones' patterns, those without readings as
    they were; what was used, and what could not be.
    """
    found, told = dict(patterns), []
    for z, name in enumerate(ground.pixels.zones):
        shape = hydrozones.geometry.loc[name]
        readings = zone_readings(evidence, shape)
        if not readings:
            continue
        learned = learn_zone(ground, z, readings, patterns[name].unknown)
        counts = ", ".join(_counted(one) for one in readings)
        if learned is None:
            told.append(
                f"zone {name}: {counts} say nothing of where it is dry; at least {FEWEST_PLACES} "
                "places that differ are needed"
            )
            continue
        left = learned.deviation(ground.pixels.x[z], ground.pixels.y[z])
        before = float(np.sqrt(np.log1p(patterns[name].unknown.cv ** 2)))
        after = float(np.sqrt((left**2).mean()))
        unknown = Unevenness(float(np.sqrt(np.expm1(after**2))), learned.reach, None, learned)
        found[name] = replace(patterns[name], unknown=unknown, told=counts)
        trusts = ", ".join(f"{one.kind} {reliability(one)[0]:.2f}" for one in readings)
        told.append(
            f"zone {name}: {counts} were used (correlation of a reading with the true dryness "
            f"{trusts}); dryness is known within {100 * after:.0f} % of itself instead of "
            f"{100 * before:.0f} %{''.join(_stability(one) for one in readings)}"
            f"; {_disagreement(learned, ground, z, hydrozones)}"
        )
    return found, tuple(told)


def zone_readings(evidence: Sequence[Evidence], shape: shapely.Geometry) -> list[Readings]:
    """Return the readings within a zone, one per kind, the days of a kind numbered."""
    kinds: dict[str, list[Evidence]] = {}
    near = shapely.buffer(shape, BESIDE_M)
    shapely.prepare(near)
    for one in evidence:
        inside = shapely.contains_xy(near, one.x, one.y)
        if inside.any():
            part = replace(one, x=one.x[inside], y=one.y[inside], value=one.value[inside])
            kinds.setdefault(one.kind, []).append(part)
    return [_joined(parts) for parts in kinds.values()]


def _joined(parts: list[Evidence]) -> Readings:
    """Put the days of one kind together, in the order of their dates."""
    parts = sorted(parts, key=lambda one: one.date)
    return Readings(
        kind=parts[0].kind,
        places=np.column_stack(
            [np.concatenate([one.x for one in parts]), np.concatenate([one.y for one in parts])]
        ),
        value=np.concatenate([one.value for one in parts]),
        day=np.repeat(np.arange(len(parts)), [len(one.x) for one in parts]),
        trust=float(np.mean([one.trust for one in parts])),
        alike=parts[0].alike,
        days=tuple(one.date for one in parts),
    )


def learn_zone(
    ground: Ground, z: int, readings: Sequence[Readings], unknown: Unevenness
) -> Learned | None:
    """Update one zone; None where the readings teach nothing."""
    tree = scipy.spatial.cKDTree(
        np.column_stack([ground.pixels.sample_x[z], ground.pixels.sample_y[z]])
    )

    def dryness(x: Floats, y: Floats) -> Floats:
        _, nearest = tree.query(np.column_stack([x, y]))
        return np.asarray(np.maximum(ground.samples[z][:, nearest], 1e-9))

    variance = float(np.log1p(unknown.cv**2))
    return learn(readings, dryness, variance=variance, reach=unknown.reach, known=unknown.learned)


def moved_raster(
    sun: SunVariants, ground: Ground, patterns: Mapping[str, ZoneApplication]
) -> Floats:
    """Draw by what readings made the ground drier than the map had it, over the map.

    Parameters
    ----------
    sun : SunVariants
        Sun on the property; gives the raster.
    ground : Ground
        The points of the zones.
    patterns : mapping of str to ZoneApplication
        What is known of each zone.

    Returns
    -------
    ndarray, shape (rows, columns)
        1 is as the map had it; NaN where nothing was read; empty without readings [-].
    """
    raster = np.full(sun.drawn.sky_view.size, np.nan)
    for z, name in enumerate(ground.pixels.zones):
        learned = patterns[name].unknown.learned
        if learned is not None and learned.moves:
            moved = learned.mean(ground.pixels.x[z], ground.pixels.y[z])
            raster[ground.pixels.flat[z]] = np.exp(moved[0])
    if not np.isfinite(raster).any():
        return np.empty((0, 0))
    return np.asarray(raster.reshape(sun.drawn.sky_view.shape))


def _counted(readings: Readings) -> str:
    """Say how many readings of what, and of which days."""
    days = [day for day in readings.days if day]
    when = f" of {', '.join(days[:3])}" if days else ""
    more = f" and {len(days) - 3} more days" if len(days) > 3 else ""  # noqa: PLR2004
    return f"{len(readings.value)} readings of the {readings.kind}{when}{more}"


def _stability(readings: Readings) -> str:
    """Say how far places keep their order from day to day, where walks were repeated."""
    days, places = np.unique(readings.day), place_numbers(readings.places)
    table = np.full((len(days), int(places.max()) + 1), np.nan)
    table[np.searchsorted(days, readings.day), places] = np.abs(readings.value)
    spread = relative_differences(table).spread
    if readings.alike or not np.isfinite(spread).any() or not (readings.value < 0).all():
        return ""
    return (
        f"; from day to day a place's difference from the mean of the {readings.kind} moved by "
        f"{100 * float(np.nanmean(spread)):.0f} % of that mean"
    )


def _disagreement(learned: Learned, ground: Ground, z: int, zones: gpd.GeoDataFrame) -> str:
    """Say where readings and map disagree most, each way."""
    x, y = ground.pixels.x[z], ground.pixels.y[z]
    moved = np.expm1(learned.mean(x, y).mean(axis=0))
    ends = [int(np.argmax(moved)), int(np.argmin(moved))]
    at = gpd.GeoSeries(gpd.points_from_xy(x[ends], y[ends]), crs=zones.crs).to_crs(4326)
    drier, wetter = (f"{100 * abs(moved[k]):.0f} %" for k in ends)
    where = [f"{point.y:.6f}, {point.x:.6f}" for point in at]
    return (
        f"they disagree with the map most at {where[0]} ({drier} drier than it had it) and at "
        f"{where[1]} ({wetter} less dry)"
    )
