"""What makes a zone thirsty, in shares and in plain words, and what is reported of it.

The *thirst* of a zone is its water-need score where the water falls short: ETc of the peak month
over the readily available water, over what reaches the low quarter, over the share of a refill that
soaks in when it is run in one go. It is compared with that of an undemanding zone (`EASY_ZONE`),
and the logarithm of the ratio is divided among the six causes by Shapley's rule: each cause gets
its mean effect over all orders in which the easy values could be replaced by the zone's own. So the
shares add up exactly and do not depend on an order, although the causes are not independent (the
allowed depletion follows the demand, run-off follows soil, slope and rate at once).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations
from math import factorial
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from siting.arrays import Floats, Ints
from siting.climate.model import Climate, SeasonCalendar
from siting.language import Figure, say, side_by_side, vocabulary
from siting.site.handbook import SOIL_CLASSES
from siting.site.settings import Water
from siting.sun.position import SunShade, shaded_radiation
from siting.water.plants import adjusted_depletion, factor_class
from siting.water.reference_et import EtoTerms
from siting.water.zones import MONTH_COLUMNS, climate_year, plant_factors, water_budget
from siting.zones.ground import Ground, MonthlyEto, SunVariants
from siting.zones.points import ZonePixels, need_scores, pixel_eto, zone_mean

#: The causes, in the order of the columns.
CAUSES: Final = ("sun", "plants", "soil", "roots", "slope", "application")
#: Below this the ratio to the easy zone tells nothing, and there are no shares.
_LEAST_RATIO: Final = 1.05
#: Reference ET below this is taken as this: a ratio needs a number above 0 [mm/d].
_LEAST_ETO: Final = 0.01


#: An undemanding zone, which all are compared with: deep shade, frugal plants, the best soil, deep
#: roots, flat and even. Each value is the friendly end of the tables that the program uses, so that
#: every cause of an ordinary zone counts up from it. The choice is the project's; the shares depend
#: on it.
EASY_ZONE: Final = {
    "kmc": 0.5,  # ETo over that of open ground: the low end of the published microclimate factor
    "plant_factor": 0.3,  # of desert plants, at ETc 5 mm/d, as the next
    "depletion_fraction": 0.5,
    "available_water": 0.17,  # field capacity less wilting point, of silt [m³/m³]
    "intake_rate": 15.24,  # of sand on the flat [mm/h], and what may stand there [mm]
    "accumulation": 10.16,
    "root_depth_m": 0.6,  # of trees
    "standing": 1.0,  # water that may stand, over that of the same soil on the flat
    "uniformity": 1.0,  # perfectly even, at the rate of drip [mm/h]
    "precipitation_rate": 10.922,
}
#: Which values each cause brings.
_BRINGS: Final = {
    "sun": ("eto",),
    "plants": ("plant_factor", "depletion_fraction"),
    "soil": ("available_water", "intake_rate", "accumulation"),
    "roots": ("root_depth_m",),
    "slope": ("standing",),
    "application": ("uniformity", "precipitation_rate"),
}


def thirst(
    eto: ArrayLike,
    *,
    plant_factor: ArrayLike,
    depletion_fraction: ArrayLike,
    store: tuple[ArrayLike, ArrayLike],
    surface: tuple[ArrayLike, ArrayLike],
    uniformity: ArrayLike,
    precipitation_rate: ArrayLike,
) -> Floats:
    """Return how fast the low quarter of a zone uses what it can store of what it gets.

    eto: reference ET of the peak month with the zone's own sun [mm/d]; plant_factor: of that month
    [-]; depletion_fraction: at ETc 5 mm/d, adjusted here for the demand [-]; store: available water
    [m³/m³] and root depth [m]; surface: basic intake rate [mm/h] and the water that may stand
    before it runs off [mm]; uniformity: low-quarter distribution uniformity [-];
    precipitation_rate: of the irrigation [mm/h]. Result: 100 ETc / (RAW u s) [%/d], with s the
    share of a refill of RAW that soaks in when it is run in one go: intake over rate, plus what may
    stand over RAW, at most 1.

    On even ground without run-off it is the need score: 5 mm/d from 20 mm.

    >>> float(thirst(10.0, plant_factor=0.5, depletion_fraction=0.5, store=(0.1, 0.4),
    ...              surface=(20.0, 5.0), uniformity=1.0, precipitation_rate=10.0))
    25.0
    """
    etc = np.asarray(plant_factor, dtype=float) * np.maximum(np.asarray(eto, float), _LEAST_ETO)
    held = 1000.0 * np.asarray(store[0], dtype=float) * np.asarray(store[1], dtype=float)
    raw = adjusted_depletion(depletion_fraction, etc) * held
    rate = np.asarray(precipitation_rate, dtype=float)
    soaks = np.asarray(surface[0], dtype=float) / rate + np.asarray(surface[1], dtype=float) / raw
    reaches = np.asarray(uniformity, dtype=float) * np.minimum(soaks, 1.0)
    return np.asarray(100.0 * etc / (raw * reaches))


#: Every set of causes, the small ones first: whether a cause is in it, shape (sets, causes).
_SETS: Final = np.array(
    [
        [cause in chosen for cause in CAUSES]
        for size in range(len(CAUSES) + 1)
        for chosen in combinations(CAUSES, size)
    ]
)


def _shapley() -> tuple[Ints, Ints, Floats]:
    """Return the sets without each cause, the same with it, and their weights, (sets / 2, causes).

    A cause's mean effect over all orders of the causes is the weighted sum of what it adds to the
    sets without it.
    """
    place = {row.tobytes(): at for at, row in enumerate(_SETS)}
    count = len(CAUSES)
    without = np.column_stack([np.flatnonzero(~_SETS[:, cause]) for cause in range(count)])
    joined = [_SETS[column] | one for column, one in zip(without.T, np.eye(count) > 0, strict=True)]
    beside = np.array([[place[row.tobytes()] for row in rows] for rows in joined]).T
    sizes = range(count)
    each = [factorial(size) * factorial(count - size - 1) / factorial(count) for size in sizes]
    return without, beside, np.array(each)[_SETS[without].sum(axis=2)]


_WITHOUT, _WITH, _WEIGHTS = _shapley()


def need_shares(zones: Mapping[str, ArrayLike], *, open_eto: ArrayLike) -> dict[str, Floats]:
    """Say how much each cause adds to a zone's thirst.

    zones (Z,): eto (peak month, the zone's own sun) [mm/d], plant_factor (of that month),
    depletion_fraction (at ETc 5 mm/d), available_water [m³/m³], intake_rate [mm/h], accumulation
    (what may stand on the flat) [mm], root_depth_m [m], standing (what may stand on the zone's
    slope, over the flat), uniformity, precipitation_rate [mm/h]; open_eto (Z,): reference ET of
    open ground in the zone's peak month [mm/d]. Result (Z,): for each cause its share of log(thirst
    / easy thirst), all of them sum to 1; a cause that makes the zone easier than the easy zone has
    a negative share. NaN where the zone is not at least 5 % thirstier than the easy zone. And
    `ratio`: thirst over the easy zone's.

    Shapley, L. S. (1953). A value for n-person games. Contributions to the Theory of Games II.
    """
    easy = EASY_ZONE | {"eto": EASY_ZONE["kmc"] * np.asarray(open_eto, dtype=float)}
    logs = _log_thirst(
        {
            name: np.where(_SETS[:, [at]], np.asarray(zones[name], dtype=float), easy[name])
            for at, cause in enumerate(CAUSES)
            for name in _BRINGS[cause]
        }
    )
    # One after the other, so that a sum does not depend on the number of zones.
    parts = np.cumsum(_WEIGHTS[..., None] * (logs[_WITH] - logs[_WITHOUT]), axis=0)[-1]
    total = logs[-1] - logs[0]
    told = total >= np.log(_LEAST_RATIO)
    shares = np.full(parts.shape, np.nan)
    shares[:, told] = parts[:, told] / total[told]
    return dict(zip(CAUSES, shares, strict=True)) | {"ratio": np.exp(total)}


def whole_percents(shares: Mapping[str, float]) -> dict[str, int]:
    """Round shares that add up to 1 to whole percents that add up to 100.

    Result: largest remainders are rounded up.

    >>> whole_percents({"a": 1 / 3, "b": 1 / 3, "c": 1 / 3})
    {'a': 34, 'b': 33, 'c': 33}
    """
    exact = {name: 100.0 * share for name, share in shares.items()}
    whole = {name: int(np.floor(value)) for name, value in exact.items()}
    short = 100 - sum(whole.values())
    order = sorted(exact, key=lambda name: (-round(exact[name] - whole[name], 9), name))
    for name in order[: max(short, 0)]:
        whole[name] += 1
    return whole


def _log_thirst(at: Mapping[str, Floats]) -> Floats:
    """Return the logarithm of thirst, shape (sets, zones)."""
    value = thirst(
        at["eto"],
        plant_factor=at["plant_factor"],
        depletion_fraction=at["depletion_fraction"],
        store=(at["available_water"], at["root_depth_m"]),
        surface=(at["intake_rate"], at["accumulation"] * at["standing"]),
        uniformity=at["uniformity"],
        precipitation_rate=at["precipitation_rate"],
    )
    return np.asarray(np.log(value))


#: Hours of direct sun a day from which on it is called so: Penn State Extension, "Planting in Sun
#: or Shade".
_EXPOSURE_H: Final = ((6.0, "full sun"), (4.0, "part sun"), (2.0, "part shade"))
#: Ground that gets this share of the open sky's beam has all the sun that a short day gives;
#: judgement of this project, no source.
_OPEN: Final = 0.95
#: Roots above this depth are called shallow [m].
_SHALLOW_M: Final = 0.4


def exposure_words(sun_hours: float, *, beam_share: float = 0.0) -> str:
    """Name the exposure to the sun as gardeners do.

    sun_hours: direct sun, mean of the season [h/d]; beam_share: share of the open sky's direct sun
    that arrives, 0..1, ground that nothing shades is in full sun however short the days are.
    Returns "full sun" from 6 h, "part sun" from 4 h, "part shade" from 2 h, "shade" below.

    Penn State Extension, "Planting in Sun or Shade".

    >>> exposure_words(8.6), exposure_words(5.0), exposure_words(5.0, beam_share=1.0)
    ('full sun', 'part sun', 'full sun')
    """
    if beam_share >= _OPEN:
        return "full sun"
    # Rounded as tables show the hours, so that 5.96, shown as 6.0, is full sun.
    shown = round(sun_hours, 1)
    return next((name for least, name in _EXPOSURE_H if shown >= least), "shade")


def _need_columns(
    hydrozones: gpd.GeoDataFrame,
    ground: Ground,
    *,
    sun: tuple[Floats, Floats],
    peak_month: Ints,
    water: pd.DataFrame,
) -> dict[str, ArrayLike]:
    """Put into shares and words what makes each zone thirsty.

    hydrozones: column plants, and slope [%] where known; sun (Z,): hours [h/d] and the beam over
    the open sky's, 0..1; peak_month (Z,). Returns (Z,) need_share_sun ... need_share_application
    (see `siting.zones.need`), need_ratio (thirst over that of the undemanding zone), need_words
    (str).
    """
    months = list(ground.eto.months)
    place = np.array([months.index(month) for month in peak_month.tolist()])
    rows = np.arange(len(place))
    own = {name: _numbers(water, name) for name in _OF_WATER}
    scale, factors = _numbers(water, "kmc_scale"), plant_factors(water, months)[rows, place]
    soils = water["soil_class"].tolist()
    flat = np.array([SOIL_CLASSES[str(word)].accumulation[0] for word in soils])
    shares = need_shares(
        own
        | {
            "eto": ground.etc.to_numpy(dtype=float)[rows, place] / factors * scale,
            "plant_factor": factors / scale,
            "available_water": own["taw_mm"] / own["root_depth_m"] / 1000.0,
            "accumulation": flat,
            "standing": own["surface_accumulation"] / flat,
            "uniformity": own["distribution_uniformity"],
        },
        open_eto=ground.eto.open_sky[place],
    )
    lean = _numbers(hydrozones, "slope") if "slope" in hydrozones else np.full(len(place), np.nan)
    told = []
    for z, plants in enumerate(hydrozones["plants"].tolist()):
        names = _names(
            exposure_words(float(sun[0][z]), beam_share=float(sun[1][z])),
            (plants, soils[z]),
            slope=float(lean[z]),
            root_depth_m=float(own["root_depth_m"][z]),
            evenness=float(own["distribution_uniformity"][z]),
        )
        told.append(_words({name: float(values[z]) for name, values in shares.items()}, names))
    ratio = shares.pop("ratio")
    columns = {f"need_share_{cause}": values for cause, values in shares.items()}
    return {**columns, "need_ratio": ratio, "need_words": told}


#: What a zone's thirst takes from the table of its water.
_OF_WATER: Final = (
    "depletion_fraction", "taw_mm", "root_depth_m", "intake_rate", "surface_accumulation",
    "distribution_uniformity", "precipitation_rate",
)  # fmt: skip


def _numbers(table: pd.DataFrame, name: str) -> Floats:
    """Return a column of numbers, shape (Z,)."""
    values: Floats = table[name].to_numpy(dtype=float)
    return values


def _names(
    exposure: str,
    kinds: tuple[str, str],
    *,
    slope: float,
    root_depth_m: float,
    evenness: float,
) -> dict[str, str]:
    """Name each cause as it is in a zone of these plants and this soil."""
    # Words without units: a plan's tables are the same in metric and in US units.
    return {
        "sun": say("sun ({exposure})", exposure=vocabulary(exposure)),
        "plants": say("plants ({kind})", kind=vocabulary(kinds[0])),
        "soil": say("soil ({kind})", kind=vocabulary(kinds[1])),
        "roots": say("roots (shallow)") if root_depth_m < _SHALLOW_M else say("roots (deep)"),
        "slope": say("slope ({rise} in 100)", rise=f"{slope:.0f}")
        if math.isfinite(slope)
        else say("slope"),
        "application": say("watering (evenness {evenness})", evenness=Figure(f"{evenness:.2f}")),
    }


def _words(shares: Mapping[str, float], names: Mapping[str, str]) -> str:
    """Say which causes make the zone thirsty, the strongest first."""
    parts = {cause: shares[cause] for cause in CAUSES}
    if not all(math.isfinite(share) for share in parts.values()):
        times = Figure(f"{shares['ratio']:.2f}")
        return say("no thirstier than an undemanding zone ({times} times)", times=times)
    percents = whole_percents(parts)
    ordered = sorted(CAUSES, key=lambda cause: (-percents[cause], CAUSES.index(cause)))
    listed = [
        say("{share} % {cause}", share=percents[cause], cause=names[cause])
        for cause in ordered
        if percents[cause]
    ]
    return say(
        "{times} times as thirsty as an undemanding zone: {causes}",
        times=f"{shares['ratio']:.0f}",
        causes=side_by_side(listed, ", "),
    )


#: Rain over reference ET below which a climate is semi-arid or drier.
_DRY: Final = 0.5


def aridity(climate: Climate, terms: EtoTerms) -> tuple[bool, str]:
    """Tell whether the climate is dry, which decides between the published plant factors.

    Returns whether the rain of all days is less than half of their reference ET; the same in plain
    words, with the ratio.

    UNEP (1992) World Atlas of Desertification: aridity index below 0.5 is semi-arid or drier.
    """
    rain = float(climate.daily["rain_mm"].sum())
    index = rain / max(float(terms.open_sky.sum()), 1e-9)
    dry = index < _DRY
    told = {"rain": Figure(f"{index:.2f}"), "least": Figure(f"{_DRY:g}")}
    if dry:
        return dry, say(
            "plant factors for a dry climate: rain is {rain} of reference ET (dry below {least})",
            **told,
        )
    return dry, say(
        "plant factors for a humid climate: rain is {rain} of reference ET (dry below {least})",
        **told,
    )


def budget(
    water: Water, climate: Climate, terms: EtoTerms, *, zones: pd.DataFrame, table: pd.DataFrame
) -> dict[str, Any] | None:
    """Return the water budget that the user asked for, or None.

    Parameters
    ----------
    water : Water
        Which budget, for which use.
    climate : Climate
        Daily weather.
    terms : EtoTerms
        Reference ET of the same days.
    zones : DataFrame
        Columns plants, area_m2, kmc, distribution_uniformity.
    table : DataFrame
        As from `with_microclimate`.

    Returns
    -------
    dict or None
        See `siting.water.zones.water_budget`.
    """
    if water.budget is None:
        return None
    days = climate.daily
    year = climate_year(
        pd.DatetimeIndex(days.index), terms.open_sky, days["rain_mm"].to_numpy(dtype=float)
    )
    months = list(MONTH_COLUMNS)
    peak = table[f"plant_factor_{year.peak_month}"] / table["kmc_scale"]
    beside = zones[["plants", "area_m2", "distribution_uniformity"]].assign(
        plant_factor=table[months].mean(axis=1) / table["kmc_scale"],
        kl=peak * zones["kmc"],
        efficiency=table["application_efficiency"],
    )
    return water_budget(water.budget, beside, year=year, use=water.budget_use)


def with_microclimate(
    water: pd.DataFrame, sun: SunVariants, pixels: ZonePixels, eto: MonthlyEto
) -> pd.DataFrame:
    """Add the microclimate factor that the sun gives each zone, and heed one that was given.

    Returns with columns kmc_computed (ETo of the zone's ground over that of open ground, mean of
    the season), kmc (the one in use) and kmc_scale (their ratio). Where kmc was given, the monthly
    plant factors are multiplied by the ratio, so that the pattern within the zone stays the sun's.
    """
    whole = float(eto.open_sky @ eto.days)
    computed = []
    for cells in pixels.flat:
        beam, sky = sun.at(0.0, cells)
        points = pixel_eto(eto.constant, eto.beam, eto.sky, beam_fraction=beam, sky_view=sky)
        computed.append(float(points.mean(axis=1) @ eto.days) / whole if whole > 0 else 1.0)
    columns = {str(name): water[name].to_numpy() for name in water}
    given, own = columns["kmc_given"], np.array(computed)
    known = ~np.isnan(given)
    kmc = np.where(known, given, own)
    scale = np.where(known, kmc / np.maximum(own, 1e-3), 1.0)
    columns |= {"kmc_computed": own, "kmc": kmc, "kmc_scale": scale}
    columns |= {month: columns[month] * scale for month in MONTH_COLUMNS}
    return pd.DataFrame(columns, index=water.index)


def _landscape_columns(water: pd.DataFrame, eto: MonthlyEto) -> dict[str, ArrayLike]:
    """Return the landscape coefficient of each zone and its parts, means of the season.

    Returns (Z,) plant_factor, ks, kd, establishment, kmc, kmc_computed, kl (their product) [-], and
    kmc_range: the published class of kmc (str).
    """
    names = ("kd", "establishment", "kmc", "kmc_computed")
    kd, establishment, kmc, computed = (_numbers(water, name) for name in names)
    mean = plant_factors(water, eto.months) @ eto.days / eto.days.sum()
    mean = mean / _numbers(water, "kmc_scale")
    return {
        "plant_factor": mean,
        "ks": mean / (kd * establishment),
        "kd": kd,
        "establishment": establishment,
        "kmc": kmc,
        "kmc_computed": computed,
        "kmc_range": [factor_class("kmc", round(value, 2)) for value in kmc.tolist()],
        "kl": mean * kmc,
    }


def zone_measures(
    hydrozones: gpd.GeoDataFrame,
    sun: SunVariants,
    ground: Ground,
    *,
    terms: EtoTerms,
    seasons: SeasonCalendar,
    water: pd.DataFrame,
) -> pd.DataFrame:
    """Measure every zone.

    Returns index `zone`: area_m2, sun_hours [h/d], insolation [MJ m⁻² d⁻¹], sky_view, plant_factor,
    ks, kd, establishment, kmc, kmc_computed, kmc_range, kl (see `_landscape_columns`),
    etc_peak_mm_d, depletion_fraction, taw_mm, raw_mm, need_score [%/d], need_share_sun ...
    need_share_application, need_ratio, need_words (see `siting.zones.need`).
    """
    days = ground.eto.days
    drawn, own = _on_points(sun.drawn, ground.pixels)
    scores = need_scores(ground.etc, water=water)
    radiation = shaded_radiation(drawn, *_monthly_radiation(terms, seasons))
    hours = zone_mean(_season_mean(drawn.sun_hours, days), own)
    beam = zone_mean(_season_mean(drawn.beam_fraction, days), own)
    columns = {
        "area_m2": shapely.area(hydrozones.geometry.to_numpy()),
        "sun_hours": hours,
        "insolation": zone_mean(_season_mean(radiation, days), own),
        "sky_view": zone_mean(drawn.sky_view, own),
        **_landscape_columns(water, ground.eto),
        **{name: scores[name] for name in _SCORES},
        **_need_columns(
            hydrozones, ground, sun=(hours, beam), peak_month=scores["peak_month"], water=water
        ),
    }
    return pd.DataFrame(columns, index=hydrozones.index)


#: What is shown of `need_scores`.
_SCORES: Final = ("etc_peak_mm_d", "depletion_fraction", "taw_mm", "raw_mm", "need_score")


def dryness_raster(sun: SunVariants, ground: Ground) -> Floats:
    """Draw dryness as described, relative to the mean of all zones.

    Parameters
    ----------
    sun : SunVariants
        Sun on the property; gives the raster.
    ground : Ground
        Dryness of the points, of which scenario 0 is drawn.

    Returns
    -------
    ndarray, shape (rows, columns)
        1 is the mean; NaN outside the zones [-].
    """
    raster = np.full(sun.drawn.sky_view.size, np.nan)
    for cells, rows in zip(ground.pixels.flat, ground.dryness, strict=True):
        raster[cells] = rows[0]
    relative: Floats = raster / np.nanmean(raster)
    return relative.reshape(sun.drawn.sky_view.shape)


def _on_points(sun: SunShade, pixels: ZonePixels) -> tuple[SunShade, ZonePixels]:
    """Return the sun of the zones' points alone, as a raster of one row, and where each lies."""
    cells = np.unique(np.concatenate(pixels.flat))
    months = len(sun.months)

    def of(values: Floats) -> Floats:
        return values.reshape(months, -1)[:, cells].reshape(months, 1, -1)

    row = SunShade(
        sun.grid, sun.months, of(sun.sun_hours), of(sun.beam_fraction),
        sun.sky_view.ravel()[cells][None],
    )  # fmt: skip
    return row, replace(pixels, flat=tuple(np.searchsorted(cells, own) for own in pixels.flat))


def _season_mean(monthly: Floats, days: Floats) -> Floats:
    """Average monthly rasters, shape (M, rows, columns), over the season's days."""
    mean: Floats = np.tensordot(days, monthly, axes=1) / days.sum()
    return mean


def _monthly_radiation(terms: EtoTerms, seasons: SeasonCalendar) -> tuple[Floats, Floats]:
    """Return beam and diffuse radiation per calendar month, shape (12,) each [MJ m⁻² d⁻¹]."""
    rs, fraction = terms.rs[seasons.rows], terms.diffuse_fraction[seasons.rows]
    beam, diffuse = np.zeros(12), np.zeros(12)
    for month in np.unique(seasons.month):
        inside = seasons.month == month
        diffuse[month - 1] = (rs * fraction)[inside].mean()
        beam[month - 1] = rs[inside].mean() - diffuse[month - 1]
    return beam, diffuse
