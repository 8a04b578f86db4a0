"""The climate's kind, and the landscape coefficient with its microclimate from the sun."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_ground import MonthlyEto, SunVariants
from siting.climate.model import Climate
from siting.hydrozones import ZonePixels, pixel_eto
from siting.site.settings import Water
from siting.water.budget import climate_year, water_budget
from siting.water.plants import factor_class
from siting.water.reference_et import EtoTerms
from siting.water.zones import MONTH_COLUMNS, plant_factors

__all__ = ["aridity", "budget", "landscape_columns", "with_microclimate"]

_Array = NDArray[np.float64]

#: Rain over reference ET below which a climate is semi-arid or drier.
_DRY: Final = 0.5


def aridity(climate: Climate, terms: EtoTerms) -> tuple[bool, str]:
    """Tell whether the climate is dry, which decides between the published plant factors.

    Parameters
    ----------
    climate : Climate
        Daily weather.
    terms : EtoTerms
        Reference ET of the same days.

    Returns
    -------
    dry : bool
        Whether the rain of all days is less than half of their reference ET.
    note : str
        The same in plain words, with the ratio.

    References
    ----------
    UNEP (1992) World Atlas of Desertification: aridity index below 0.5 is semi-arid or drier.
    """
    rain = float(climate.daily["rain_mm"].sum())
    index = rain / max(float(terms.open_sky.sum()), 1e-9)
    dry = index < _DRY
    kind = "dry" if dry else "humid"
    words = f"plant factors for a {kind} climate: rain is {index:.2f} of reference ET"
    return dry, f"{words} (dry below {_DRY:g})"


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
        See `siting.water.budget.water_budget`.
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

    Parameters
    ----------
    water : DataFrame
        As from `siting.water.zones.zone_water`.
    sun : SunVariants
        Sun on the property.
    pixels : ZonePixels
        The zones' points.
    eto : MonthlyEto
        Monthly terms of reference ET.

    Returns
    -------
    DataFrame
        With columns kmc_computed (ETo of the zone's ground over that of open ground, mean of the
        season), kmc (the one in use) and kmc_scale (their ratio). Where kmc was given, the monthly
        plant factors are multiplied by the ratio, so that the pattern within the zone stays the
        sun's.
    """
    whole = float(eto.open_sky @ eto.days)
    computed = []
    for cells in pixels.flat:
        beam, sky = sun.at(0.0, cells)
        points = pixel_eto(eto.constant, eto.beam, eto.sky, beam_fraction=beam, sky_view=sky)
        computed.append(float(points.mean(axis=1) @ eto.days) / whole if whole > 0 else 1.0)
    table = water.copy()
    table["kmc_computed"] = computed
    table["kmc"] = table["kmc_given"].where(table["kmc_given"].notna(), table["kmc_computed"])
    scale = table["kmc"] / table["kmc_computed"].clip(lower=1e-3)
    table["kmc_scale"] = scale.where(table["kmc_given"].notna(), 1.0)
    months = list(MONTH_COLUMNS)
    table[months] = table[months].mul(table["kmc_scale"], axis=0)
    return table


def landscape_columns(water: pd.DataFrame, eto: MonthlyEto) -> pd.DataFrame:
    """Return the landscape coefficient of each zone and its parts, means of the season.

    Parameters
    ----------
    water : DataFrame
        As from `with_microclimate`.
    eto : MonthlyEto
        Months and days of the season.

    Returns
    -------
    DataFrame
        Index as `water`: ks, kd, establishment, kmc, kmc_computed, kl (their product) [-], and
        kmc_range: the published class of kmc (str).
    """
    factors = plant_factors(water, eto.months)
    mean = pd.Series(factors @ eto.days / eto.days.sum(), index=water.index) / water["kmc_scale"]
    return pd.DataFrame(
        {
            "ks": mean / (water["kd"] * water["establishment"]),
            "kd": water["kd"],
            "establishment": water["establishment"],
            "kmc": water["kmc"],
            "kmc_computed": water["kmc_computed"],
            "kmc_range": [factor_class("kmc", round(float(kmc), 2)) for kmc in water["kmc"]],
            "kl": mean * water["kmc"],
        },
        index=water.index,
    )
