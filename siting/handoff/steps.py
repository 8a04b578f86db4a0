"""Files of a single step: the hydrozones by sun or by water need, and the rasters beside them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pyogrio

from siting._plan_steps import Survey
from siting.atomic import atomic_path
from siting.errors import SitingError
from siting.handoff._gis_package import fixed_date, pick
from siting.handoff._gis_rasters import Bands, sun_bands, write_bands
from siting.handoff._gis_styles import add_styles, graduated
from siting.handoff.results import new_results, results_lock
from siting.palette import NEED, SUN
from siting.planning import input_files

__all__ = ["write_score", "write_sun"]

_HEAD: Final = {"zone": "zone", "valve": "valve", "plants": "plants", "area_m2": "area_m2"}
_SUN: Final[Mapping[str, str]] = _HEAD | {
    "sun_hours": "sun_h_d",
    "insolation": "sun_mj_m2_d",
    "sky_view": "sky_view",
}
_NEED: Final[Mapping[str, str]] = _HEAD | {
    "soil": "soil", "irrigation": "irrigation", "need_score": "need_pct_d",
    "need_ratio": "need_ratio", "need_words": "need_words", "sun_hours": "sun_h_d",
    "plant_factor": "plant_fac", "kmc": "kmc", "kl": "kl", "net_irrigation_mm": "net_irr_mm",
    "etc_peak_mm_d": "etc_mm_d", "taw_mm": "taw_mm", "raw_mm": "raw_mm",
}  # fmt: skip


def write_sun(survey: Survey, folder: Path | str) -> tuple[Path, ...]:
    """Write sun.gpkg, sun-hours.tif and sky-view.tif.

    Parameters
    ----------
    survey : Survey
        From `siting.survey_property`; not changed.
    folder : Path or str
        Where to; made when it is missing.

    Returns
    -------
    tuple of Path
        The files, in that order.

    Raises
    ------
    SitingError
        When the folder cannot be written.
    """
    place = Path(folder)
    style = graduated(
        "sun_h_d",
        survey.zones["sun_hours"].to_numpy(dtype=float),
        label="zone",
        ramp=SUN,
        words="hours of direct sun a day",
    )
    sky = [("Sky view, 1 where nothing hides the sky [1]", "1", survey.sun.sky_view)]
    with _results(survey, place) as scratch:
        _write_zones(survey, scratch / "sun.gpkg", _SUN, style)
        _write_raster(survey, scratch / "sun-hours.tif", sun_bands(survey.sun))
        _write_raster(survey, scratch / "sky-view.tif", sky)
    return tuple(place / name for name in ("sun.gpkg", "sun-hours.tif", "sky-view.tif"))


def write_score(survey: Survey, folder: Path | str) -> tuple[Path, ...]:
    """Write need.gpkg and dryness.tif.

    Parameters
    ----------
    survey : Survey
        From `siting.survey_property`; not changed.
    folder : Path or str
        Where to; made when it is missing.

    Returns
    -------
    tuple of Path
        The files, in that order.

    Raises
    ------
    SitingError
        When the folder cannot be written.
    """
    place = Path(folder)
    style = graduated(
        "need_pct_d",
        survey.zones["need_score"].to_numpy(dtype=float),
        label="zone",
        ramp=NEED,
        words="% of readily available water a day",
    )
    dry = [("Dryness relative to the property's mean [1]", "1", survey.dryness)]
    with _results(survey, place) as scratch:
        _write_zones(survey, scratch / "need.gpkg", _NEED, style)
        _write_raster(survey, scratch / "dryness.tif", dry)
    return place / "need.gpkg", place / "dryness.tif"


@contextmanager
def _results(survey: Survey, place: Path) -> Iterator[Path]:
    """Yield where to write, and turn what the disk refuses into words."""
    try:
        with (
            results_lock(place),
            new_results(place, inputs=input_files(survey.settings, survey.site)) as scratch,
        ):
            yield scratch
    except OSError as error:
        raise SitingError(_cannot(place, error)) from error


def _write_raster(survey: Survey, path: Path, bands: Bands) -> Path:
    """Write bands on the survey's grid in the property's own CRS."""
    site = survey.site
    return write_bands(bands, survey.sun.grid, site.crs, site.source_crs, path)


def _write_zones(survey: Survey, path: Path, columns: Mapping[str, str], style: str) -> Path:
    """Write the hydrozones with some columns and their style, whole or not at all."""
    frame = pick(survey.zones.reset_index(), columns).to_crs(survey.site.source_crs)
    with atomic_path(path) as part, fixed_date():
        pyogrio.write_dataframe(
            frame,
            part,
            layer="hydrozones",
            driver="GPKG",
            geometry_type="MultiPolygon",
            promote_to_multi=True,
            dataset_options={"VERSION": "1.2"},
            layer_options={"GEOMETRY_NAME": "geom"},
        )
        add_styles(part, {"hydrozones": style})
    return path


def _cannot(folder: Path, error: OSError) -> str:
    """Return what went wrong with the folder, in words."""
    return f"cannot write to {folder}: {error.strerror or error}. Earlier results are untouched."
