"""Water budgets: the state ordinance's allowance and estimated use, and a programme's allowance.

Both are written in the units in which they are published: inches, square feet, US gallons.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from siting.errors import Fault, InputError
from siting.units import FOOT_M, GALLON_M3, INCH_MM

__all__ = [
    "ET_ADJUSTMENT",
    "ORDINANCE_GALLONS",
    "ClimateYear",
    "climate_year",
    "estimated_use",
    "maximum_allowance",
    "peak_month_allowance",
    "peak_month_requirement",
    "water_budget",
]

_Array = NDArray[np.float64]

#: Gallons per inch and square foot as the ordinance writes it (exactly 144/231 = 0.6234).
ORDINANCE_GALLONS: Final = 0.62
#: The same as the programme writes it.
PROGRAMME_GALLONS: Final = 0.6233
#: Share of reference ET that the programme allows.
PROGRAMME_SHARE: Final = 0.70
#: ET adjustment factor by use: California Code of Regulations, Title 23, s. 491.
ET_ADJUSTMENT: Final = {"residential": 0.55, "non_residential": 0.45}
#: Largest share of the rain that may be counted.
RAIN_SHARE: Final = 0.25

_ORDINANCE: Final = "California Code of Regulations, Title 23, ss. 490-495 (model ordinance)"
_PROGRAMME: Final = "EPA landscape water budget (allowance as published; requirement from memory)"


def maximum_allowance(
    eto_in: float,
    area_ft2: float,
    *,
    special_ft2: float = 0.0,
    et_adjustment: float = 0.55,
    effective_rain_in: float = 0.0,
) -> float:
    """Return the maximum applied water allowance of a year, MAWA.

    eto_in: reference ET of the year [in]; area_ft2: landscape area, special areas included [ft²];
    special_ft2: special landscape area: edible plants, playing fields, recycled water [ft²];
    et_adjustment: 0.55 for homes, 0.45 for others, 0.7 in the 2009 form [-]; effective_rain_in:
    rain that is counted, at most a quarter of the year's [in]. Result: allowance [gal/year].

    California Code of Regulations, Title 23, s. 492.4: MAWA = (ETo - Eppt)(0.62)[(ETAF x LA) +
    ((1 - ETAF) x SLA)].

    >>> round(maximum_allowance(51.1, 50_000, et_adjustment=0.7))
    1108870
    """
    if min(eto_in, area_ft2, special_ft2, effective_rain_in) < 0 or special_ft2 > area_ft2:
        found = f"ETo {eto_in:g} in, area {area_ft2:g}, special area {special_ft2:g} ft2"
        allowed = "nothing negative; the special area within the landscape area"
        raise InputError([Fault("water budget", found, allowed, "Correct the numbers.")])
    share = et_adjustment * area_ft2 + (1.0 - et_adjustment) * special_ft2
    return max(eto_in - effective_rain_in, 0.0) * ORDINANCE_GALLONS * share


def estimated_use(
    eto_in: float,
    plant_factor: ArrayLike,
    area_ft2: ArrayLike,
    *,
    efficiency: ArrayLike,
    effective_rain_in: float = 0.0,
) -> _Array:
    """Return the estimated total water use of each hydrozone in a year, ETWU.

    eto_in: reference ET of the year [in]; plant_factor, area_ft2, efficiency: plant factor (1 for
    special landscape areas) [-], area [ft²] and irrigation efficiency of each hydrozone: 0.75
    overhead, 0.81 drip [-]; effective_rain_in: rain that is counted [in]. Result: use; their sum is
    ETWU [gal/year].

    California Code of Regulations, Title 23, s. 492.4: ETWU = ETo x 0.62 x ETAF x area, with
    ETAF = PF / IE.

    >>> float(estimated_use(51.1, 1.0, 24_700, efficiency=0.71).round())
    1102177.0
    """
    factors = np.asarray(plant_factor, dtype=float) / np.asarray(efficiency, dtype=float)
    depth = max(eto_in - effective_rain_in, 0.0) * ORDINANCE_GALLONS
    return np.asarray(depth * factors * np.asarray(area_ft2, dtype=float))


def peak_month_allowance(eto_in: float, area_ft2: float) -> float:
    """Return the landscape water allowance of the peak month.

    eto_in: reference ET of the peak month [in]; area_ft2: landscape area [ft²]. Result: allowance
    [gal/month].

    EPA landscape water budget: 0.70 x ETo x area x 0.6233.

    >>> round(peak_month_allowance(6.0, 5000.0))
    13089
    """
    return PROGRAMME_SHARE * eto_in * area_ft2 * PROGRAMME_GALLONS


def peak_month_requirement(
    eto_in: float,
    coefficient: ArrayLike,
    area_ft2: ArrayLike,
    *,
    uniformity: ArrayLike,
    rain_in: float = 0.0,
) -> _Array:
    """Return the landscape water requirement of each hydrozone in the peak month.

    eto_in: reference ET of the peak month [in]; coefficient, area_ft2, uniformity: landscape
    coefficient [-], area [ft²] and low-quarter uniformity [-]; rain_in: rain of the month, of which
    a quarter is counted [in]. Result: requirement, at least 0 [gal/month].

    EPA landscape water budget (from memory): (ETo KL - Ra) A 0.6233 / DU.
    """
    need = eto_in * np.asarray(coefficient, dtype=float) - RAIN_SHARE * rain_in
    depth = np.maximum(need, 0.0) / np.asarray(uniformity, dtype=float)
    return np.asarray(depth * np.asarray(area_ft2, dtype=float) * PROGRAMME_GALLONS)


@dataclass(frozen=True)
class ClimateYear:
    """A mean year.

    eto_mm, rain_mm: reference ET and rain of the year [mm]; peak_month: month with most reference
    ET, 1 to 12; peak_eto_mm, peak_rain_mm: reference ET and rain of that month [mm].
    """

    eto_mm: float
    rain_mm: float
    peak_month: int
    peak_eto_mm: float
    peak_rain_mm: float


def climate_year(
    dates: pd.DatetimeIndex, eto: ArrayLike, rain: ArrayLike, *, days_a_year: float = 365.25
) -> ClimateYear:
    """Average daily weather to a mean year, gaps and part years included by their days.

    Parameters
    ----------
    dates : DatetimeIndex, length N
        The days.
    eto, rain : array_like, shape (N,)
        Reference ET [mm/d] and rain [mm].
    days_a_year : float, optional
        Length of the mean year [d].

    Returns
    -------
    ClimateYear
        Sums of the means of the twelve months; months without a day are left out.
    """
    table = pd.DataFrame({"eto": np.asarray(eto, float), "rain": np.asarray(rain, float)}, dates)
    month = dates.month
    mean = table.groupby(month).mean()
    length = pd.Series(pd.date_range("2001-01-01", "2001-12-31").month).value_counts().sort_index()
    sums = mean.mul(length.loc[mean.index] * days_a_year / 365.0, axis=0)
    peak = int(sums["eto"].to_numpy().argmax())
    return ClimateYear(
        eto_mm=float(sums["eto"].sum()),
        rain_mm=float(sums["rain"].sum()),
        peak_month=int(sums.index.to_numpy()[peak]),
        peak_eto_mm=float(sums["eto"].iloc[peak]),
        peak_rain_mm=float(sums["rain"].iloc[peak]),
    )


def water_budget(
    kind: str, zones: pd.DataFrame, *, year: ClimateYear, use: str = "residential"
) -> dict[str, Any]:
    """Return a property's water budget.

    Parameters
    ----------
    kind : {"mwelo", "epa"}
        The state ordinance's yearly budget, or the programme's budget of the peak month.
    zones : DataFrame
        Index `zone`; columns plants, area_m2, plant_factor (mean of the year) and kl (landscape
        coefficient of the peak month) [-], efficiency, distribution_uniformity [-].
    year : ClimateYear
        The mean year.
    use : {"residential", "non_residential"}
        Decides the ordinance's ET adjustment factor.

    Returns
    -------
    dict
        kind, use, reference, period, eto_mm, area_m2, special_area_m2 (zones of vegetables),
        et_adjustment (None for "epa"), allowance_m3, estimated_m3, within (bool), zones (mapping of
        zone to m³). No rain is counted in the ordinance's budget.
    """
    area = zones["area_m2"].to_numpy(dtype=float)
    special = (zones["plants"] == "vegetables").to_numpy()
    feet = area / FOOT_M**2
    if kind == "mwelo":
        adjustment: float | None = ET_ADJUSTMENT[use]
        eto = year.eto_mm / INCH_MM
        allowance = maximum_allowance(
            eto, feet.sum(), special_ft2=feet[special].sum(), et_adjustment=ET_ADJUSTMENT[use]
        )
        factor = np.where(special, 1.0, zones["plant_factor"].to_numpy(dtype=float))
        efficiency = np.where(special, 1.0, zones["efficiency"].to_numpy(dtype=float))
        parts = estimated_use(eto, factor, feet, efficiency=efficiency)
        period, depth, source = "year", year.eto_mm, _ORDINANCE
    else:
        adjustment, eto = None, year.peak_eto_mm / INCH_MM
        allowance = peak_month_allowance(eto, feet.sum())
        parts = peak_month_requirement(
            eto,
            zones["kl"].to_numpy(dtype=float),
            feet,
            uniformity=zones["distribution_uniformity"].to_numpy(dtype=float),
            rain_in=year.peak_rain_mm / INCH_MM,
        )
        period, depth, source = f"month {year.peak_month}", year.peak_eto_mm, _PROGRAMME
    return _report(
        {"kind": kind, "use": use, "reference": source, "period": period, "eto_mm": depth},
        area=float(area.sum()),
        special=float(area[special].sum()),
        adjustment=adjustment,
        allowance=allowance,
        parts=dict(zip([str(zone) for zone in zones.index], parts.tolist(), strict=True)),
    )


def _report(
    head: Mapping[str, object],
    *,
    area: float,
    special: float,
    adjustment: float | None,
    allowance: float,
    parts: Mapping[str, float],
) -> dict[str, Any]:
    """Put a budget together in cubic metres."""
    total = sum(parts.values())
    return {
        **head,
        "area_m2": area,
        "special_area_m2": special,
        "et_adjustment": adjustment,
        "allowance_m3": allowance * GALLON_M3,
        "estimated_m3": total * GALLON_M3,
        "within": bool(total <= allowance),
        "zones": {zone: gallons * GALLON_M3 for zone, gallons in parts.items()},
    }
