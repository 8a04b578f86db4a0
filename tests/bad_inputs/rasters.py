"""Rasters: no-data, other grids, scales, broken files, and rasters too large to read whole."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import Affine, from_origin

from tests.bad_inputs.base import EAST, NORTH, Draft, case, write_tif

raster = partial(case, "rasters")
FLAT = np.full((80, 80), 12.0, dtype=np.float32)


def _raster(title: str, values=FLAT, layer: str = "surface", **outcome) -> None:
    """Add a case of one height raster; what is no outcome is told the writer."""
    keys = ("refused", "repaired", "says", "check", "handled")
    told = {k: v for k, v in outcome.items() if k not in keys}

    @raster(title, **{k: v for k, v in outcome.items() if k in keys})
    def _(d: Draft) -> None:
        d.tables(f'{layer} = "heights.tif"')
        d.later.append(lambda folder: write_tif(folder / "heights.tif", values, **told))


def _level(metres: float, name: str = "surface"):
    return lambda site: bool(np.nanmax(np.abs(getattr(site, name).heights - metres)) < 1e-3)


def _with(value: float, share: slice = slice(0, 10)) -> np.ndarray:
    data = FLAT.copy()
    data[share, :] = value
    return data


def _ramp() -> np.ndarray:
    return np.linspace(10, 14, 6400, dtype=np.float32).reshape(80, 80)


_raster("declared no-data", _with(-9999), nodata=-9999, check=_level(12), handled="left out")
_raster("undeclared no-data -9999", _with(-9999), refused=("-9999", "no-data"), says="layer")
_raster("undeclared no-data -32768", _with(-32768), refused=("-32768", "no-data"))
_raster("undeclared no-data 3.4e38", _with(3.4e38), refused=("3.4e+38", "no-data"))
_raster("undeclared no-data 0", _with(0.0) + np.where(_with(0.0) == 0, 0, 400).astype(np.float32),
        refused=("exactly 0", "no-data"), says="layer")  # fmt: skip
_raster("heights that are no numbers", np.full((80, 80), np.nan, np.float32), refused="no heights")
_raster("infinite heights", _with(np.inf), refused=("inf", "no-data"))
_raster("no-data on half of the property", _with(-9999, slice(0, 35)), nodata=-9999,
        repaired="has no height")  # fmt: skip
_raster("another CRS and cell", FLAT, crs="EPSG:3857", cell=2.4, check=_level(12),
        west=-9231139.0, north=3879955.0, handled="brought onto the working grid")  # fmt: skip
_raster("above the sea, without a terrain", FLAT + 200, refused=("212 m and no terrain", "terrain"),
        says="layer")  # fmt: skip
_raster("no CRS", FLAT, crs=None, refused="no coordinate reference system", says="layer")
_raster("no place", FLAT, transform=Affine.identity(), refused="no heights on the property")
_raster("not covering the property", FLAT, west=EAST + 900, refused="no heights on the property")
_raster("covering a part", FLAT, west=EAST + 30, repaired="has no height")
_raster("rotated", FLAT, check=_level(12), handled="turned north up",
        transform=Affine.translation(EAST - 70, NORTH + 20) * Affine.rotation(20)
        * Affine.scale(2.4, -2.4))  # fmt: skip
_raster("south up", FLAT, transform=Affine(2, 0, EAST - 50, 0, 2, NORTH - 70), check=_level(12),
        handled="turned north up")  # fmt: skip
_raster("scale and offset", np.full((80, 80), 120, np.int16), scales=[0.1], offsets=[-8.0],
        check=_level(4), handled="both applied")  # fmt: skip
_raster("scale of zero", np.full((80, 80), 120, np.int16), scales=[0.0], offsets=[0.0],
        refused=("scale", "0"))  # fmt: skip
_raster("three colours instead of heights", np.full((3, 80, 80), 90, np.uint8),
        photometric="RGB", refused=("picture", "heights"), says="layer")  # fmt: skip
_raster("several bands", np.stack([FLAT, FLAT + 5]), repaired=("band 1 of 2",), check=_level(12))
_raster("complex numbers", FLAT.astype(np.complex64), refused=("complex", "heights"))
_raster("a palette instead of heights", np.full((80, 80), 3, np.uint8), photometric="PALETTE",
        refused=("picture", "heights"))  # fmt: skip
_raster("a surface of 30 m cells over a garden", np.full((20, 20), 12, np.float32), cell=30.0,
        west=EAST - 300, north=NORTH + 300, refused=("cells of 30 m", "41 m across"),
        says="layer")  # fmt: skip
_raster("terrain of 30 m cells under a garden", np.full((20, 20), 12, np.float32), cell=30.0,
        west=EAST - 300, north=NORTH + 300, layer="terrain", check=_level(12, "terrain"),
        handled="taken: slopes are wider than gardens")  # fmt: skip
_raster("no-data on three quarters of the property", FLAT, west=EAST + 45,
        refused=("heights on 2", "of the property"), says="layer")  # fmt: skip
_raster("cells of 500 m", np.full((4, 4), 12, np.float32), cell=500.0, west=EAST - 900,
        north=NORTH + 900, refused=("500 m", "cells of at most"))  # fmt: skip


@raster("surface in feet, terrain in metres", refused=("surface", "terrain", "units_in"))
def _(d):
    d.tables('surface = "s.tif"\nterrain = "t.tif"')
    d.later.append(lambda f: write_tif(f / "s.tif", FLAT * 3.28))
    d.later.append(lambda f: write_tif(f / "t.tif", FLAT + 240))


@raster("surface and terrain swapped", refused=("below the terrain", "swapped"))
def _(d):
    d.tables('surface = "s.tif"\nterrain = "t.tif"')
    d.later.append(lambda f: write_tif(f / "s.tif", _ramp()))
    d.later.append(lambda f: write_tif(f / "t.tif", _ramp() + 8))


def _cut(folder: Path) -> None:
    path = folder / "heights.tif"
    write_tif(path, np.random.default_rng(1).random((400, 400)).astype(np.float32), cell=0.5)
    path.write_bytes(path.read_bytes()[: 400 * 300])


@raster("truncated", refused=("cannot be read", "Export it again"), says="layer")
def _(d):
    d.tables('surface = "heights.tif"')
    d.later.append(_cut)


def _large(folder: Path) -> None:
    """Write 20,000 x 20,000 cells, mostly left out of the file."""
    path = folder / "heights.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=20_000, height=20_000, count=1, dtype="float32", crs=32617,
        transform=from_origin(EAST - 5000, NORTH + 5000, 0.5, 0.5), tiled=True, SPARSE_OK="TRUE",
    ) as file:  # fmt: skip
        window = rasterio.windows.Window(9000, 9000, 2000, 2000)
        file.write(np.full((1, 2000, 2000), 12, np.float32), window=window)


@raster("20,000 x 20,000 cells", check=_level(12), handled="the part around the property is read")
def _(d):
    d.tables('surface = "heights.tif"')
    d.later.append(_large)


def _one_block(folder: Path) -> None:
    with rasterio.open(
        folder / "heights.tif", "w", driver="GTiff", width=20_000, height=20_000, count=1,
        dtype="float32", crs=32617, transform=from_origin(EAST - 5000, NORTH + 5000, 0.5, 0.5),
        blockysize=20_000, SPARSE_OK="TRUE", compress="deflate", BIGTIFF="YES",
    ):  # fmt: skip
        pass


@raster("20,000 x 20,000 cells packed as one block", refused=("block", "tiles"), says="layer")
def _(d):
    d.tables('surface = "heights.tif"')
    d.later.append(_one_block)


def _fine(folder: Path) -> None:
    with rasterio.open(
        folder / "heights.tif", "w", driver="GTiff", width=60_000, height=60_000, count=1,
        dtype="uint8", crs=32617, transform=from_origin(EAST - 300, NORTH + 300, 0.01, 0.01),
        tiled=True, SPARSE_OK="TRUE",
    ):  # fmt: skip
        pass


@raster("cells of a centimetre", refused=("cells around the property", "Resample"), says="layer")
def _(d):
    d.tables('surface = "heights.tif"')
    d.later.append(_fine)


@raster("a text named .tif", refused=("cannot be read", "GeoTIFF"), says="layer")
def _(d):
    d.tables('terrain = "heights.tif"')
    d.files["heights.tif"] = "x y z\n1 2 3\n"


@raster("an empty .tif", refused=("an empty file",), says="layer")
def _(d):
    d.tables('terrain = "heights.tif"')
    d.files["heights.tif"] = b""


@raster("a VRT named .tif", refused=("virtual raster", "GeoTIFF"), says="layer")
def _(d):
    d.tables('surface = "heights.tif"')
    d.files["heights.tif"] = (
        '<VRTDataset rasterXSize="9" rasterYSize="9"><SRS>EPSG:32617</SRS>'
        f"<GeoTransform>{EAST - 50}, 20, 0, {NORTH + 90}, 0, -20</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        '<SourceFilename relativeToVRT="0">/vsicurl/http://192.0.2.1/x.tif</SourceFilename>'
        "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )


@raster("an aerial photo of somewhere else", refused=("somewhere else",), says="layer")
def _(d):
    d.tables('aerial = "photo.tif"')
    picture = np.full((3, 80, 80), 90, np.uint8)
    d.later.append(lambda f: write_tif(f / "photo.tif", picture, west=EAST + 5000))


@raster("an aerial photo that is a VRT", refused=("virtual raster",), says="layer")
def _(d):
    d.tables('aerial = "photo.tif"')
    d.files["photo.tif"] = '<VRTDataset rasterXSize="9" rasterYSize="9"></VRTDataset>'
