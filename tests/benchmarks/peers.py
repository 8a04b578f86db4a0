"""The engines of the shade benchmark: this project's and public peers, each an optional import.

Every engine is a function of a town that returns an `Engine`. Preparing (reading, meshing, making
the height raster) is not timed; filling the sum of sun hours per month, position by position, is.
"""

from __future__ import annotations

import importlib
import importlib.util
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from pvlib import solarposition
from rasterio.features import rasterize
from rasterio.transform import from_origin

from siting.site.model import HeightRaster
from siting.sun.light import ShadeOptions, gather, season_block
from siting.sun.position import SunPositions
from siting.sun.scene import Tile
from siting.sun.shade import shade_instants
from tests.benchmarks.scene import Town, height_raster
from tests.sun_cases import shade_season

__all__ = ["ENGINES", "Engine", "Skipped"]


class Skipped(Exception):  # noqa: N818
    """Why an engine is left out."""


@dataclass(frozen=True)
class Engine:
    """A prepared engine.

    Parameters
    ----------
    hours : callable
        Sun positions -> sun hours per month, shape (M, rows, columns) [h/d].
    lit : callable or None
        Elevations, azimuths, rows and columns of cells -> share of light, shape (N, cells).
    """

    hours: Callable
    lit: Callable | None


def _need(*names: str) -> None:
    """Refuse where a package is missing, in plain words."""
    for name in names:
        try:
            importlib.import_module(name)
        except ImportError as error:
            message = f"{name} does not import ({error}); see requirements.txt"
            raise Skipped(message) from error


def _by_position(town: Town, lit_at: Callable) -> Engine:
    """Make an engine of a function that gives the lit cells at one position of the sun."""

    def hours(sun: SunPositions):
        months = list(dict.fromkeys(sun.month.tolist()))
        total = np.zeros((len(months), *town.grid.shape))
        for month, elevation, azimuth, length in zip(
            sun.month, sun.elevation, sun.azimuth, sun.hours, strict=True
        ):
            total[months.index(month)] += lit_at(elevation, azimuth) * length
        return total

    def lit(elevation, azimuth, rows, columns):
        suns = zip(elevation, azimuth, strict=True)
        return np.array([np.asarray(lit_at(*sun))[rows, columns] for sun in suns], dtype=float)

    return Engine(hours, lit)


def siting_vectors(
    town: Town, *, threads: int, raster: bool = False, alone: bool = False
) -> Engine:
    """Run this project's engine: from the buildings' vectors, or from a height raster alone.

    alone: the hours of sun alone, as all others reckon them, not the beam's share and the sky too.
    """
    options = ShadeOptions(threads=threads)
    layers = {"buildings": town.buildings, "trees": town.buildings.iloc[:0]}
    if raster:
        grid = town.grid
        place = grid.west, grid.north, grid.resolution, grid.resolution
        layers["surface"] = HeightRaster(_surface(town), *place)
        if town.ground is not None:
            layers["terrain"] = HeightRaster(town.ground, *place)
        layers["buildings"] = town.buildings.iloc[:0]

    if alone:
        obstacles = gather(town.grid, (*layers.values(), None), None, options)

    def hours(sun: SunPositions):
        if not alone:
            return shade_season(town.grid, sun, options=options, **layers).sun_hours
        months = tuple(dict.fromkeys(sun.month.tolist()))
        whole = Tile(0, 0, *town.grid.shape)
        found = season_block(obstacles, sun, months, whole, options, asked=("sun_hours",))
        return found["sun_hours"]

    def lit(elevation, azimuth, rows, columns):
        parts = []
        for start in range(0, len(elevation), 4):  # a few whole rasters at a time
            part = slice(start, start + 4)
            light = shade_instants(
                town.grid, elevation[part], azimuth[part], options=options, **layers
            )
            parts.append(light[:, rows, columns])
        return np.concatenate(parts)

    return Engine(hours, lit)


def _surface(town: Town):
    """Heights of roofs and ground [m]."""
    return height_raster(town) + (0.0 if town.ground is None else town.ground)


def insolation(town: Town) -> Engine:
    """Run `insolf.doshade` on the height raster: Corripio's sweep, numba, parallel by default."""
    _need("insolation", "numba")
    from insolation import insolf

    heights = _surface(town)

    def lit_at(elevation, azimuth):
        sun = np.asarray(insolf.normalvector(90.0 - elevation, azimuth), dtype=float)
        return insolf.doshade(heights, town.grid.resolution, sun)

    return _by_position(town, lit_at)


def solweig(town: Town) -> Engine:
    """Run the Rust shadow kernel of solweig on the processor: float32, ground shadows only."""
    _need("solweig")
    from solweig.rustalgos import shadowing

    shadowing.disable_gpu()
    heights = _surface(town).astype(np.float32)
    cell, top = town.grid.resolution, float(np.ptp(heights))

    def lit_at(elevation, azimuth):
        found = shadowing.calculate_shadows_wall_ht_25(azimuth, elevation, cell, top, heights)
        return np.asarray(found.bldg_sh)

    return _by_position(town, lit_at)


def umep(town: Town) -> Engine:
    """Run umep's shadow function without vegetation; it steps the raster towards the sun."""
    _need("umep")
    from umep.util.shadowingfunctions import shadowingfunctionglobalradiation as shadow

    heights = _surface(town)

    def lit_at(elevation, azimuth):
        return shadow(heights, azimuth, elevation, 1 / town.grid.resolution, 1)

    return _by_position(town, lit_at)


def _mesh(town: Town):
    """Buildings as one triangle mesh."""
    _need("trimesh", "embreex", "mapbox_earcut")
    from trimesh.creation import extrude_polygon
    from trimesh.util import concatenate

    layer = town.buildings.explode()
    pairs = zip(layer.geometry, layer["height"], strict=True)
    return concatenate([extrude_polygon(shape, height) for shape, height in pairs])


def _origins(town: Town):
    """Cells on the ground, and their centres 1 mm above it."""
    ground = height_raster(town) == 0
    rows, columns = np.nonzero(ground)
    x, y = town.grid.x[columns], town.grid.y[rows]
    return ground, np.column_stack([x, y, np.full(len(x), 1e-3)])


def _towards(elevation: float, azimuth: float):
    """Unit vector towards the sun."""
    theta, phi = np.radians(elevation), np.radians(azimuth)
    flat = np.cos(theta)
    return np.array([flat * np.sin(phi), flat * np.cos(phi), np.sin(theta)])


def trimesh_any(town: Town) -> Engine:
    """Cast a ray from every ground cell with `mesh.ray.intersects_any`, which calls embree."""
    mesh = _mesh(town)
    ground, origins = _origins(town)

    def lit_at(elevation, azimuth):
        way = np.broadcast_to(_towards(elevation, azimuth), origins.shape)
        lit = np.zeros(ground.shape, dtype=bool)
        lit[ground] = ~mesh.ray.intersects_any(origins, way)
        return lit

    return _by_position(town, lit_at)


def embree(town: Town) -> Engine:
    """Cast the same rays by embreex itself, as occlusion queries: the fastest it offers."""
    mesh = _mesh(town)
    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene

    scene = EmbreeScene()
    TriangleMesh(scene=scene, vertices=np.asarray(mesh.triangles, dtype=np.float32))
    ground, origins = _origins(town)
    origins = origins.astype(np.float32)
    way = np.empty_like(origins)

    def lit_at(elevation, azimuth):
        way[:] = _towards(elevation, azimuth)
        lit = np.zeros(ground.shape, dtype=bool)
        lit[ground] = scene.run(origins, way, query="OCCLUDED") == -1
        return lit

    return _by_position(town, lit_at)


def pybdshadow(town: Town) -> Engine:
    """Run `bdshadow_sunlight`, and fill its polygons at cell centres with rasterio.

    It computes the sun itself from a date; here it is handed the same sun as all others.
    """
    _need("pybdshadow")
    import pybdshadow as package
    from pybdshadow import pybdshadow as inner

    layer = town.buildings.to_crs(4326)
    layer["building_id"] = np.arange(len(layer))
    grid = town.grid
    place = from_origin(grid.west, grid.north, grid.resolution, grid.resolution)
    moment = pd.Timestamp("2023-06-15 12:00")

    def lit_at(elevation, azimuth):
        sun = {"altitude": np.radians(elevation), "azimuth": np.radians(azimuth - 180)}
        inner.get_position = lambda *_: sun
        shadows = package.bdshadow_sunlight(layer, moment)
        shapes = shadows.set_crs(4326, allow_override=True).to_crs(town.crs).geometry
        shapes = [shape for shape in shapes if not shape.is_empty]
        return ~rasterize(
            shapes, out_shape=grid.shape, transform=place, default_value=1, dtype="uint8"
        ).astype(bool)

    return _by_position(town, lit_at)


def grass_rsun(town: Town, *, latitude: float, threads: int) -> Engine:
    """Run `r.sun` in mode 2 (insolation time of a day) of an installed GRASS on the height raster.

    It steps through the day itself, at the middle of every half hour of solar time, from the mean
    declination of the day that is handed to it. Only sums of a day come out.
    """
    import rasterio

    if shutil.which("grass") is None:
        message = "no `grass` on the path (Debian: apt-get install grass-core)"
        raise Skipped(message)
    folder = Path(tempfile.mkdtemp(prefix="rsun-"))
    grid = town.grid
    profile = {
        "driver": "GTiff",
        "height": grid.rows,
        "width": grid.columns,
        "count": 1,
        "dtype": "float64",
        "crs": town.crs.replace(town.crs.split("+lat_0=")[1].split()[0], f"{latitude}"),
        "transform": from_origin(grid.west, grid.north, grid.resolution, grid.resolution),
    }
    with rasterio.open(folder / "dem.tif", "w", **profile) as file:
        file.write(height_raster(town), 1)
    _grass(folder, "-c", str(folder / "dem.tif"), "-e", str(folder / "place"))
    _in_place(folder, "r.in.gdal", f"input={folder / 'dem.tif'}", "output=dem")

    def hours(sun: SunPositions):
        months = list(dict.fromkeys(sun.month.tolist()))
        total = np.zeros((len(months), *grid.shape))
        for i, month in enumerate(months):
            day = pd.Timestamp(2023, month, 15).day_of_year
            declination = float(solarposition.declination_spencer71(day))
            options = [f"day={day}", f"declination={declination:.9f}", f"nprocs={threads}"]
            _in_place(
                folder, "r.sun", "elevation=dem", "insol_time=sun", "--overwrite", "--quiet",
                "step=0.5", "slope_value=0", *options,
            )  # fmt: skip
            out = folder / "sun.bin"
            _in_place(folder, "r.out.bin", "-f", "input=sun", f"output={out}", "bytes=8")
            total[i] = np.fromfile(out).reshape(grid.shape)
        return total

    return Engine(hours, None)


def _grass(folder: Path, *words: str) -> None:
    """Call GRASS; its home is the folder, so that nothing is left behind."""
    done = subprocess.run(
        ["grass", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
    )
    if done.returncode != 0:
        message = f"GRASS failed: {done.stderr[-300:]}"
        raise Skipped(message)


def _in_place(folder: Path, *words: str) -> None:
    """Run one module of GRASS in the benchmark's location."""
    _grass(folder, str(folder / "place" / "PERMANENT"), "--exec", *words)


#: Name -> function of a town (and, for r.sun, the latitude).
ENGINES: Final = {
    "siting, vectors, 2 threads": partial(siting_vectors, threads=2),
    "siting, vectors, 1 thread": partial(siting_vectors, threads=1),
    "siting, hours of sun alone, 1 thread": partial(siting_vectors, threads=1, alone=True),
    "siting, height raster, 2 threads": partial(siting_vectors, threads=2, raster=True),
    "insolation": insolation,
    "solweig": solweig,
    "umep": umep,
    "embree (embreex)": embree,
    "trimesh with embree": trimesh_any,
    "pybdshadow + rasterio": pybdshadow,
    "GRASS r.sun, 1 thread": partial(grass_rsun, threads=1),
    "GRASS r.sun, 2 threads": partial(grass_rsun, threads=2),
}
