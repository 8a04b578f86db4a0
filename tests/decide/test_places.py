"""What a surface raster shows and the drawing lacks, in words."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from shapely.geometry import Point, box

from siting.decide.places import undrawn_words
from siting.site.model import HeightRaster

EAST, NORTH = 500_000.0, 4_500_000.0  # the middle meridian of UTM zone 10, latitude 40.65 degrees


def property_with(bumps, *, drawn=()):
    """A property of 60 x 40 m whose surface has bumps of 6 m at x, with the given crowns drawn."""
    x = EAST + np.arange(-40, 100, 0.5) + 0.25
    y = NORTH + np.arange(80, -40, -0.5) - 0.25
    across, up = np.meshgrid(x, y)
    height = np.zeros(across.shape)
    for at in bumps:
        height[np.hypot(across - EAST - at, up - NORTH - 20) < 3] = 6.0
    crowns = gpd.GeoDataFrame(
        {
            "crown_diameter": [np.nan for _ in drawn],
            "crown": [None if k % 2 else Point(EAST + at, NORTH + 20).buffer(4)
                      for k, at in enumerate(drawn)],
        },
        geometry=[Point(EAST + at, NORTH + 20) for at in drawn],
    )  # fmt: skip
    return SimpleNamespace(
        surface=HeightRaster(height, EAST - 40, NORTH + 80, 0.5, 0.5),
        terrain=None,
        trees=crowns,
        walls=gpd.GeoDataFrame(geometry=[box(EAST, NORTH, EAST + 1, NORTH + 1)]),
        buildings=gpd.GeoDataFrame(geometry=[]),
        boundary=box(EAST, NORTH, EAST + 60, NORTH + 40),
        hydrozones=gpd.GeoDataFrame(
            geometry=[box(EAST, NORTH, EAST + 12, NORTH + 40)],
            index=pd.Index(["Lawn"], name="zone"),
        ),
        crs=pyproj.CRS.from_epsg(32610),
    )


def test_patches_over_a_zone_and_beside_it_are_told_with_size_and_place():
    (told,) = undrawn_words(property_with([6, 30]), "metric")
    assert told.startswith("the surface raster stands high where no crown, building or wall")
    assert "over Lawn (at 40.65" in told
    assert " m from Lawn (at 40.65" in told
    assert "up to 6.00 m high" in told
    assert " ft high" in undrawn_words(property_with([6]), "us")[0]


def test_what_is_drawn_or_has_no_surface_is_not_told():
    assert undrawn_words(property_with([6, 30], drawn=[6, 30]), "metric") == ()
    bare = property_with([6])
    bare.surface = None
    assert undrawn_words(bare, "metric") == ()


def test_beyond_five_patches_the_rest_is_one_sum():
    (told,) = undrawn_words(property_with([4, 12, 20, 28, 36, 44, 52]), "metric")
    assert told.count(" high, ") == 5
    assert "; and 2 more, 5" in told  # two discs of 3 m radius: 57 m2
