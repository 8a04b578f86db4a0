"""Why each zone is thirsty, in shares and in plain words."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_ground import Ground
from siting.water.need import CAUSES, need_shares, whole_percents
from siting.water.soil import SOIL_CLASSES
from siting.water.zones import plant_factors

__all__ = ["exposure_words", "need_columns"]

_Array = NDArray[np.float64]

#: Hours of direct sun a day from which on it is called so: Penn State Extension, "Planting in Sun
#: or Shade".
_EXPOSURE_H: Final = ((6.0, "full sun"), (4.0, "part sun"), (2.0, "part shade"))
#: Ground that gets this share of the open sky's beam has all the sun that a short day gives;
#: judgement of this project, no source.
_OPEN: Final = 0.95
#: Roots above this depth are called shallow [m].
_SHALLOW_M: Final = 0.4


def _zone_eto(ground: Ground, water: pd.DataFrame) -> _Array:
    """Return each zone's mean reference ET with its own sun, shape (Z, M) [mm/d]."""
    factors = plant_factors(water, ground.eto.months)
    eto: _Array = ground.etc.to_numpy(dtype=float) / factors * _scale(water)
    return eto


def _scale(water: pd.DataFrame) -> _Array:
    """Return what a given microclimate factor puts on the computed one, shape (Z, 1)."""
    scale: _Array = water["kmc_scale"].to_numpy(dtype=float)[:, None]
    return scale


def exposure_words(sun_hours: float, *, beam_share: float = 0.0) -> str:
    """Name the exposure to the sun as gardeners do.

    Parameters
    ----------
    sun_hours : float
        Direct sun, mean of the season [h/d].
    beam_share : float
        Share of the open sky's direct sun that arrives, 0..1; ground that nothing shades is in full
        sun however short the days are.

    Returns
    -------
    str
        "full sun" from 6 h, "part sun" from 4 h, "part shade" from 2 h, "shade" below.

    References
    ----------
    Penn State Extension, "Planting in Sun or Shade".

    Examples
    --------
    >>> exposure_words(8.6), exposure_words(5.0), exposure_words(5.0, beam_share=1.0)
    ('full sun', 'part sun', 'full sun')
    """
    if beam_share >= _OPEN:
        return "full sun"
    # Rounded as tables show the hours, so that 5.96, shown as 6.0, is full sun.
    shown = round(sun_hours, 1)
    return next((name for least, name in _EXPOSURE_H if shown >= least), "shade")


def need_columns(
    hydrozones: gpd.GeoDataFrame,
    ground: Ground,
    *,
    sun: pd.DataFrame,
    scores: pd.DataFrame,
    water: pd.DataFrame,
) -> pd.DataFrame:
    """Put into shares and words what makes each zone thirsty.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Index `zone`; column plants, and slope [%] where known.
    ground : Ground
        Points and demand.
    sun : DataFrame
        Index `zone`; sun_hours [h/d] and beam_share (of the open sky's, 0..1).
    scores : DataFrame
        As from `siting.hydrozones.need_scores`.
    water : DataFrame
        As from `siting.water.zones.zone_water`.

    Returns
    -------
    DataFrame
        Index `zone`; need_share_sun ... need_share_application (see `siting.water.need`),
        need_ratio (thirst over that of the undemanding zone), need_words (str).
    """
    months = list(ground.eto.months)
    place = np.array([months.index(int(month)) for month in scores["peak_month"]])
    rows = np.arange(len(place))
    factors = plant_factors(water, months)
    flat = np.array([SOIL_CLASSES[str(word)].accumulation[0] for word in water["soil_class"]])
    table = pd.DataFrame(
        {
            "eto": _zone_eto(ground, water)[rows, place],
            "plant_factor": (factors / _scale(water))[rows, place],
            "depletion_fraction": water["depletion_fraction"],
            "available_water": water["taw_mm"] / water["root_depth_m"] / 1000.0,
            "intake_rate": water["intake_rate"],
            "accumulation": flat,
            "root_depth_m": water["root_depth_m"],
            "standing": water["surface_accumulation"] / flat,
            "uniformity": water["distribution_uniformity"],
            "precipitation_rate": water["precipitation_rate"],
        },
        index=water.index,
    )
    bare = ground.eto.open_sky[place]
    shares = need_shares(table, open_eto=bare)
    exposed = [
        exposure_words(float(hours), beam_share=float(share))
        for hours, share in zip(sun["sun_hours"], sun["beam_share"], strict=True)
    ]
    told = [
        _words(row, _names(zone, beside, light))
        for row, (_, zone), (_, beside), light in zip(
            shares.to_dict(orient="records"),
            hydrozones.iterrows(),
            water.iterrows(),
            exposed,
            strict=True,
        )
    ]
    columns = shares.rename(columns={cause: f"need_share_{cause}" for cause in CAUSES})
    return columns.rename(columns={"ratio": "need_ratio"}).assign(need_words=told)


def _names(zone: pd.Series[Any], water: pd.Series[Any], exposure: str) -> dict[str, str]:
    """Name each cause as it is in this zone."""
    slope = zone.get("slope")
    slope = math.nan if slope is None else float(slope)
    # Words without units: a plan's tables are the same in metric and in US units.
    roots = "shallow" if float(water["root_depth_m"]) < _SHALLOW_M else "deep"
    evenness = float(water["distribution_uniformity"])
    return {
        "sun": f"sun ({exposure})",
        "plants": f"plants ({str(zone['plants']).replace('_', ' ')})",
        "soil": f"soil ({water['soil_class']})",
        "roots": f"roots ({roots})",
        "slope": f"slope ({slope:.0f} in 100)" if math.isfinite(slope) else "slope",
        "application": f"watering (evenness {evenness:.2f})",
    }


def _words(shares: Mapping[Hashable, Any], names: Mapping[str, str]) -> str:
    """Say which causes make the zone thirsty, the strongest first."""
    times = f"{shares['ratio']:.0f} times as thirsty as an undemanding zone"
    parts = {cause: float(shares[cause]) for cause in CAUSES}
    if not all(math.isfinite(share) for share in parts.values()):
        return f"no thirstier than an undemanding zone ({shares['ratio']:.2f} times)"
    percents = whole_percents(parts)
    ordered = sorted(CAUSES, key=lambda cause: (-percents[cause], CAUSES.index(cause)))
    listed = [f"{percents[cause]} % {names[cause]}" for cause in ordered if percents[cause]]
    return f"{times}: {', '.join(listed)}"
