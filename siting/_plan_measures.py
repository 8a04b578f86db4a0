"""What is reported of every zone before anything is decided: area, sun, need."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_ground import Ground, SunVariants
from siting._plan_need import need_columns
from siting._plan_water import landscape_columns
from siting.climate.model import SeasonCalendar
from siting.hydrozones import need_scores, zone_mean
from siting.sun.irradiance import shaded_radiation
from siting.water.reference_et import EtoTerms
from siting.water.zones import plant_factors

__all__ = ["dryness_raster", "zone_measures"]

_Array = NDArray[np.float64]


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

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Index `zone`.
    sun : SunVariants
        Sun on the property.
    ground : Ground
        Points, demand and dryness.
    terms : EtoTerms
        Daily terms of reference ET.
    seasons : SeasonCalendar
        The weather seasons.
    water : DataFrame
        As from `siting.water.zones.zone_water`.

    Returns
    -------
    DataFrame
        Index `zone`: area_m2, sun_hours [h/d], insolation [MJ m⁻² d⁻¹], sky_view, plant_factor,
        ks, kd, establishment, kmc, kmc_computed, kmc_range, kl (see
        `landscape_columns`), etc_peak_mm_d, depletion_fraction, taw_mm, raw_mm, need_score [%/d],
        need_share_sun ...
        need_share_application, need_ratio, need_words (see `siting.water.need`).
    """
    days, months = ground.eto.days, ground.eto.months
    drawn = sun.drawn
    scores = need_scores(ground.etc, water=water)
    factors = plant_factors(water, months)
    radiation = shaded_radiation(drawn, *_monthly_radiation(terms, seasons))
    table = pd.DataFrame(
        {
            "area_m2": hydrozones.geometry.area,
            "sun_hours": zone_mean(_season_mean(drawn.sun_hours, days), ground.pixels),
            "insolation": zone_mean(_season_mean(radiation, days), ground.pixels),
            "sky_view": zone_mean(drawn.sky_view, ground.pixels),
            "plant_factor": pd.Series(factors @ days / days.sum(), index=water.index)
            / water["kmc_scale"],
        },
        index=hydrozones.index,
    )
    columns = ["etc_peak_mm_d", "depletion_fraction", "taw_mm", "raw_mm", "need_score"]
    beam = zone_mean(_season_mean(drawn.beam_fraction, days), ground.pixels)
    exposed = table[["sun_hours"]].assign(beam_share=beam)
    why = need_columns(hydrozones, ground, sun=exposed, scores=scores, water=water)
    parts = landscape_columns(water, ground.eto)
    return table.join(parts).join(scores[columns]).join(why)


def dryness_raster(sun: SunVariants, ground: Ground) -> _Array:
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
    relative: _Array = raster / np.nanmean(raster)
    return relative.reshape(sun.drawn.sky_view.shape)


def _season_mean(monthly: _Array, days: _Array) -> _Array:
    """Average monthly rasters, shape (M, rows, columns), over the season's days."""
    mean: _Array = np.tensordot(days, monthly, axes=1) / days.sum()
    return mean


def _monthly_radiation(terms: EtoTerms, seasons: SeasonCalendar) -> tuple[_Array, _Array]:
    """Return beam and diffuse radiation per calendar month, shape (12,) each [MJ m⁻² d⁻¹]."""
    rs, fraction = terms.rs[seasons.rows], terms.diffuse_fraction[seasons.rows]
    beam, diffuse = np.zeros(12), np.zeros(12)
    for month in np.unique(seasons.month):
        inside = seasons.month == month
        diffuse[month - 1] = (rs * fraction)[inside].mean()
        beam[month - 1] = rs[inside].mean() - diffuse[month - 1]
    return beam, diffuse
