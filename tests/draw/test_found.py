"""What a surface raster shows and the drawing lacks, taken over into the drawing."""

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from rasterio.transform import from_origin
from shapely.geometry import Point, box

from siting.cli.main import main
from siting.decide.places import site_undrawn
from siting.draw.start import with_undrawn
from siting.errors import InputError
from siting.site.reading import open_property
from tests.small_property import CRS, EAST, NORTH, write_property

MIDDLE = EAST + 24, NORTH + 11  # of a crown of 4 m, over three lawns
SHED = box(EAST + 44, NORTH + 6, EAST + 50, NORTH + 10)
DRAWN = Point(EAST + 10, NORTH + 11)


@pytest.fixture
def folder(tmp_path):
    """A canopy raster with a crown, a shed, and a tree that is drawn, its height in feet."""
    trees = gpd.GeoDataFrame(
        {"height": [10.0], "crown_diameter": [16.0], "keeper": ["Ann"]}, geometry=[DRAWN], crs=CRS
    )
    write_property(tmp_path, scenarios=1, years=1, trees=trees)
    step = 0.5
    west, north = EAST - 8, NORTH + 34
    x, y = np.meshgrid(
        west + step / 2 + step * np.arange(160), north - step / 2 - step * np.arange(90)
    )
    heights = np.zeros(x.shape)
    for at, size in ((MIDDLE, 4.0), ((DRAWN.x, DRAWN.y), 2.4)):
        away = np.hypot(x - at[0], y - at[1])
        dome = 8.0 * np.sqrt(np.clip(1 - (away / size) ** 2, 0, None))
        heights = np.maximum(heights, dome)
    west_s, south_s, east_s, north_s = SHED.bounds
    heights[(x > west_s) & (x < east_s) & (y > south_s) & (y < north_s)] = 3.0
    with rasterio.open(
        tmp_path / "canopy.tif", "w", driver="GTiff", width=160, height=90, count=1,
        dtype="float32", crs=CRS, transform=from_origin(west, north, step, step),
    ) as raster:  # fmt: skip
        raster.write(heights.astype("float32"), 1)
    path = tmp_path / "property.toml"
    text = path.read_text().replace(
        'units_in = "m"\nlayers = "layers.gpkg"\n',
        'units_in = { trees = { height = "ft", crown_diameter = "ft" } }\n'
        '[layers]\nfile = "layers.gpkg"\nsurface = "canopy.tif"\n',
    )
    path.write_text(text)
    return tmp_path


def test_what_stands_there_is_taken_over_beside_what_is_drawn(folder):
    before = {path: path.read_bytes() for path in folder.iterdir()}
    made = with_undrawn(folder)
    assert [path.name for path in made.files] == ["buildings-found.geojson", "trees-found.geojson"]
    assert 'trees = "trees-found.geojson"' in made.notes[1]
    assert all(path.read_bytes() == data for path, data in before.items())
    trees = gpd.read_file(folder / "trees-found.geojson").to_crs(CRS)
    assert trees["keeper"].fillna("").tolist() == ["Ann", ""]
    assert trees["height"].iloc[1] * 0.3048 == pytest.approx(8.0, abs=0.4)
    assert trees.geometry.iloc[1].centroid.distance(Point(MIDDLE)) < 0.5
    assert trees.geometry.iloc[1].area == pytest.approx(np.pi * 16 * 0.94, rel=0.1)
    sheds = gpd.read_file(folder / "buildings-found.geojson").to_crs(CRS)
    # Its walls within half a cell or so: 20 m of them.
    assert sheds.geometry.iloc[0].symmetric_difference(SHED).area < 20 * 0.3
    assert sheds["height"].tolist() == [3.0]


def test_a_property_with_what_was_found_lacks_nothing(folder):
    _, site = open_property(folder)
    assert len(site_undrawn(site)) == 2
    with_undrawn(folder)
    path = folder / "property.toml"
    found = "".join(f'{name} = "{name}-found.geojson"\n' for name in ("trees", "buildings"))
    path.write_text(path.read_text().replace("[layers]\n", f"[layers]\n{found}", 1))
    _, site = open_property(folder)
    assert site_undrawn(site) == []
    assert len(site.trees) == 2
    assert "Everything that the surface" in with_undrawn(folder).notes[0]


def test_files_in_the_way_and_no_surface_are_refused_in_words(folder):
    (folder / "trees-found.geojson").write_text("mine")
    with pytest.raises(InputError, match="a file in the way"):
        with_undrawn(folder)
    assert (folder / "trees-found.geojson").read_text() == "mine"
    assert not (folder / "buildings-found.geojson").exists()
    path = folder / "property.toml"
    path.write_text(path.read_text().replace('surface = "canopy.tif"\n', ""))
    told = CliRunner().invoke(main, ["draw", str(folder), "--undrawn"])
    assert told.exit_code == 1
    assert "no surface raster" in told.output


def test_the_command_says_how_to_use_it(folder):
    told = CliRunner().invoke(main, ["draw", str(folder), "--undrawn"])
    assert told.exit_code == 0, told.output
    assert "trees-found.geojson" in told.output
    assert "under [layers]" in " ".join(told.output.split())
