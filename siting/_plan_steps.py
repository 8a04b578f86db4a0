"""Single steps of a plan, for those who want no more: sun and shade, and the water-need score."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from numpy.typing import NDArray

from siting._plan_ground import Progress
from siting._plan_measures import dryness_raster
from siting._plan_survey import survey_site
from siting._plan_threads import one_blas_thread
from siting.climate.calendar import season_calendar
from siting.planning import read_inputs
from siting.site.model import Site
from siting.site.settings import PropertyFile
from siting.sun.model import SunShade
from siting.water.reference_et import eto_terms

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy as np

__all__ = ["Survey", "survey_property"]


@dataclass(frozen=True)
class Survey:
    """What is known of a property before anything is decided.

    Parameters
    ----------
    site : Site
        The checked property.
    settings : PropertyFile
        What the user asked for.
    zones : GeoDataFrame
        Index `zone`; the hydrozones with their measures, columns as in ``Plan.zones``: area_m2,
        sun_hours, insolation, sky_view, plant_factor, kmc, kl, need_score, need_share_sun ...,
        need_ratio, need_words, net_irrigation_mm, etc_peak_mm_d, taw_mm, raw_mm.
    sun : SunShade
        Monthly sun.
    dryness : ndarray, shape (rows, columns)
        Dryness relative to the property's mean, NaN outside the zones.
    warnings : tuple of str
        What was repaired or assumed.
    """

    site: Site
    settings: PropertyFile
    zones: gpd.GeoDataFrame
    sun: SunShade
    dryness: NDArray[np.float64]
    warnings: tuple[str, ...]


@one_blas_thread
def survey_property(
    path: Path | str, *, threads: int = 1, progress: Progress | None = None
) -> Survey:
    """Read a property, and work out its sun and the water need of its hydrozones.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.
    threads : int
        Threads for the sun computation; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    Survey
        The same numbers as in a plan of the property, in a fraction of its time: only the base
        scenario is computed.

    Raises
    ------
    InputError
        With every fault of the property file, its layers or its weather.
    PlanError
        When the weather holds no whole season.
    """
    settings, site, climate = read_inputs(path)
    settings = replace(settings, analysis=replace(settings.analysis, scenarios=1))
    seasons = season_calendar(climate, start=settings.season.start, end=settings.season.end)
    terms = eto_terms(climate.daily, latitude=site.latitude, elevation_m=climate.elevation_m)
    known = survey_site(
        site, climate, settings, (seasons, terms), threads=threads, progress=progress
    )
    measured = known.measures.drop(columns=list(site.hydrozones.columns), errors="ignore")
    return Survey(
        site=site,
        settings=settings,
        zones=site.hydrozones.join(measured),
        sun=known.sun.drawn,
        dryness=dryness_raster(known.sun, known.ground),
        warnings=tuple(dict.fromkeys((*site.warnings, *climate.warnings, *known.warnings))),
    )
