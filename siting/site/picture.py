"""Check the aerial picture that a property file names: a background for the map, nothing more."""

from __future__ import annotations

import pyproj
import rasterio
from rasterio.crs import CRS
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.warp import transform_bounds
from shapely.geometry import box

from siting.errors import Fault
from siting.site.findings import Findings, brief
from siting.site.kinds import Refusal, raster_driver
from siting.site.settings import LayerSource

__all__ = ["check_picture"]

_ALLOWED = "a GeoTIFF picture (grey, palette or red, green, blue) that says its CRS and covers it"


def check_picture(
    source: LayerSource,
    file: str,
    crs: pyproj.CRS,
    bounds: tuple[float, float, float, float],
    findings: Findings,
) -> None:
    """Note what is wrong with an aerial picture.

    Parameters
    ----------
    source : LayerSource
        Where it is.
    file : str
        Its name, for messages.
    crs : pyproj.CRS
        Working CRS.
    bounds : tuple of float
        West, south, east, north of the property [m].
    findings : Findings
        Where faults are noted: unreadable, no CRS, not on the property.
    """
    driver = raster_driver(source.path)
    if isinstance(driver, Refusal):
        findings.faults.append(Fault(file, driver.found, _ALLOWED, driver.mend, layer="aerial"))
        return
    try:
        with rasterio.open(source.path, driver=driver) as picture:
            share = _covered(picture, crs, bounds)
    except RasterioError as error:
        said = str(error).splitlines()[0].replace(str(source.path), file)
        found = f"a file that cannot be read ({brief(said, most=160)})"
        mend = "Export it again as a GeoTIFF."
    else:
        if share is None:
            found, mend = "no coordinate reference system", "Assign the CRS it was made in."
        elif share > 0:
            if share < 1:
                findings.warn(f"{file}, aerial: {1 - share:.0%} of the property has no picture.")
            return
        else:
            found, mend = "a picture of somewhere else", "Give it its right CRS."
    findings.faults.append(Fault(file, found, _ALLOWED, mend, layer="aerial"))


def _covered(
    picture: DatasetReader, crs: pyproj.CRS, bounds: tuple[float, float, float, float]
) -> float | None:
    """Return the share of the property that a picture covers, None where it has no CRS."""
    if picture.crs is None:
        return None
    working = CRS.from_wkt(crs.to_wkt())
    wanted = box(*transform_bounds(working, picture.crs, *bounds))
    return float(wanted.intersection(box(*picture.bounds)).area / wanted.area)
