"""The season written in blocks: the same as in memory, whole or not at all, scenarios alike."""

import tracemalloc

import numpy as np
import pyproj
import pytest
import rasterio

from siting.errors import InputError
from siting.site.model import LocalGrid
from siting.sun import geotiff
from siting.sun.geotiff import shade_to_geotiff
from siting.sun.position import season_positions
from siting.sun.shade import ShadeOptions, shade_scenarios, shade_season
from tests.test_relief import hills
from tests.test_shade import NO_BUILDINGS, NO_TREES, grid_of, scene, season_of, suns
from tests.test_sun_engines import assert_same_bits, hedges

CRS = pyproj.CRS.from_epsg(32617)
QUICK = ShadeOptions(sky_directions=16, leaf_months=(6,))


def case(cells=520, seed=3):
    """A grid of three rows of tiles, and everything that shades."""
    buildings, trees = scene(seed)
    grid = grid_of(cells)
    sun = season_positions(35.0, 0.0, months=(6, 12), minutes=60)
    layers = {
        "buildings": buildings,
        "trees": trees.assign(transmissivity_bare=0.6),
        "walls": hedges(seed),
        "terrain": hills(seed),
    }
    return grid, sun, layers


def test_the_file_holds_what_memory_holds(tmp_path):
    grid, sun, layers = case()
    whole = shade_season(grid, sun, options=QUICK, **layers)
    path = shade_to_geotiff(
        tmp_path / "sun.tif", grid, sun, crs=CRS, memory_mb=1, options=QUICK, **layers
    )
    with rasterio.open(path) as file:
        assert file.descriptions == (
            "sun_hours_06", "sun_hours_12", "beam_fraction_06", "beam_fraction_12",
            "slope_beam_06", "slope_beam_12", "sky_view", "slope_sky",
        )  # fmt: skip
        assert file.crs.to_epsg() == 32617
        assert file.transform.c == grid.west
        assert file.transform.f == grid.north
        found = file.read()
    sums = (whole.sun_hours, whole.beam_fraction, whole.slope_beam)
    expected = np.concatenate([*sums, whole.sky_view[None], whole.slope_sky[None]])
    np.testing.assert_array_equal(found, expected.astype(np.float32))
    assert list(tmp_path.iterdir()) == [path]


def test_same_bytes_whatever_the_blocks_and_threads(tmp_path):
    grid, sun, layers = case()
    sizes = ((1, 1), (1, 1), (1000, 2))
    files = [
        shade_to_geotiff(
            tmp_path / f"{i}.tif",
            grid,
            sun,
            crs=CRS,
            memory_mb=memory,
            options=ShadeOptions(sky_directions=16, threads=threads),
            **layers,
        )
        for i, (memory, threads) in enumerate(sizes)
    ]
    assert files[0].read_bytes() == files[1].read_bytes()
    with rasterio.open(files[0]) as first, rasterio.open(files[2]) as other:
        np.testing.assert_array_equal(first.read(), other.read())


def test_a_failure_leaves_the_old_file(tmp_path, monkeypatch):
    grid, sun, layers = case(cells=300)
    path = tmp_path / "sun.tif"
    path.write_bytes(b"old")
    bad = {**layers, "buildings": layers["buildings"].assign(height=np.nan)}
    with pytest.raises(InputError):
        shade_to_geotiff(path, grid, sun, crs=CRS, options=QUICK, **bad)

    def fail(*_args):
        message = "disk full"
        raise OSError(message)

    monkeypatch.setattr(geotiff, "_write", fail)
    with pytest.raises(OSError, match="disk full"):
        shade_to_geotiff(path, grid, sun, crs=CRS, options=QUICK, **layers)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_progress_rises_to_the_end(tmp_path):
    grid, sun, layers = case()
    seen = []
    options = ShadeOptions(sky_directions=4, progress=lambda *what: seen.append(what))
    shade_to_geotiff(tmp_path / "a.tif", grid, sun, crs=CRS, memory_mb=1, options=options, **layers)
    assert seen == sorted(seen)
    assert seen[-1] == (1000, 1000)


def test_memory_stays_within_what_is_said(tmp_path):
    """A result of 96 MB with 8 MB for the blocks: 60 MB at most, numpy's work included."""
    buildings, _ = scene(1)
    grid = LocalGrid(-500, 500, 0.5, 2000, 1200)
    layers = {"buildings": buildings, "trees": NO_TREES}
    sun = season_of(*suns(2, 5))
    sun = type(sun)(np.array([1, 3, 5, 7, 9]), sun.elevation, sun.azimuth, sun.hours, sun.beam)
    options = ShadeOptions(sky_directions=4)
    tracemalloc.start()
    try:
        shade_to_geotiff(
            tmp_path / "a.tif", grid, sun, crs=CRS, memory_mb=8, options=options, **layers
        )
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 60e6


def test_scenarios_are_the_same_as_one_by_one_and_like_ones_are_shared():
    grid, sun, layers = case(cells=60)
    options = [
        ShadeOptions(sky_directions=16, height_scale=height, transmissivity_scale=tau)
        for height, tau in ((1.0, 1.0), (1.2, 0.8), (0.8, 1.25), (1.0, 1.0))
    ]
    found = shade_scenarios(grid, sun, options, **layers)
    for one, option in zip(found, options, strict=True):
        assert_same_bits(one, shade_season(grid, sun, options=option, **layers))
    assert found[0] is found[3]


def test_nothing_that_shades_is_a_bright_file(tmp_path):
    path = shade_to_geotiff(
        tmp_path / "a.tif",
        grid_of(20),
        season_of(*suns(1)),
        crs=CRS,
        buildings=NO_BUILDINGS,
        trees=NO_TREES,
        options=QUICK,
    )
    with rasterio.open(path) as file:
        assert file.read(3).min() == file.read(2).min() == 1.0
