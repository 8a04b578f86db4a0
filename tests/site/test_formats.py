"""Files as people have them, without configuration: OSM tags, GeoParquet, WKT tables, zips."""

import zipfile

import geopandas as gpd
import numpy as np
import pytest

from siting.errors import InputError
from siting.site.property import read_property
from siting.site.reading import read_site
from tests.small_property import write_property


@pytest.fixture
def ground(tmp_path):
    """A property whose buildings are a file of their own; returns folder, drawn layers, set."""
    toml = write_property(tmp_path / "ground")
    folder = toml.parent
    boundary = gpd.read_file(folder / "layers.gpkg", layer="boundary")
    x, y, _, _ = boundary.total_bounds
    drawn = gpd.GeoDataFrame(
        {"height": [6.0, 3.5]},
        geometry=gpd.points_from_xy([x + 6, x + 12], [y + 2, y + 2]).buffer(1.5, cap_style=3),
        crs=boundary.crs,
    )
    text = toml.read_text("utf-8")

    def use(buildings, zones='"layers.gpkg:hydrozones"'):
        layers = (
            f'[layers]\nfile = "layers.gpkg"\nhydrozones = {zones}\nbuildings = {buildings}\n\n'
        )
        head = "\n".join(line for line in text.splitlines() if not line.startswith("layers"))
        at = head.index("\n[") + 1
        toml.write_text(head[:at] + layers + head[at:], "utf-8")
        return read_site(read_property(toml))

    return folder, drawn, use


def same(site, drawn):
    np.testing.assert_allclose(sorted(site.buildings["height"]), sorted(drawn["height"]))
    moved = drawn.to_crs(site.crs)
    np.testing.assert_allclose(site.buildings.area.sum(), moved.area.sum(), rtol=1e-6)
    np.testing.assert_allclose(site.buildings.total_bounds, moved.total_bounds, atol=1e-3)


def test_tags_of_openstreetmap_are_read_as_they_are(ground):
    folder, drawn, use = ground
    tags = drawn.drop(columns="height").assign(
        **{"@id": ["way/1", "way/2"], "building": "yes", "height": ["6 m", None],
           "building:levels": ["9", "2"]}
    )  # fmt: skip
    tags.to_crs(4326).to_file(folder / "osm.geojson")
    site = use('"osm.geojson"')
    assert list(site.buildings["height"]) == [6.0, 6.0]
    assert any("tags of OpenStreetMap" in text for text in site.warnings)
    # A file that is no extract is asked to say what its texts mean, as before.
    plain = drawn.assign(height=["6 m", "3.5 m"])
    plain.to_file(folder / "plain.geojson")
    with pytest.raises(InputError, match="text_numbers"):
        use('"plain.geojson"')


def test_geoparquet_is_read(ground):
    pytest.importorskip("pyarrow")
    folder, drawn, use = ground
    drawn.to_parquet(folder / "buildings.parquet")
    same(use('"buildings.parquet"'), drawn)
    (folder / "cut.parquet").write_bytes((folder / "buildings.parquet").read_bytes()[:300])
    with pytest.raises(InputError, match=r"cut\.parquet"):
        use('"cut.parquet"')


def test_geoparquet_without_pyarrow_says_what_to_install(ground, monkeypatch):
    folder, _, use = ground
    (folder / "buildings.parquet").write_bytes(b"PAR1")
    monkeypatch.setattr("siting.site.vector.find_spec", lambda _: None)
    with pytest.raises(InputError, match=r"siting\[notebook\]"):
        use('"buildings.parquet"')


@pytest.mark.parametrize("between", [",", ";"])
def test_a_table_with_shapes_takes_its_crs_from_a_key(ground, between):
    folder, drawn, use = ground
    table = drawn.drop(columns="geometry").assign(WKT=drawn.geometry.to_wkt())
    table.to_csv(folder / "buildings.csv", index=False, sep=between)
    code = f"EPSG:{drawn.crs.to_epsg()}"
    same(use(f'{{ file = "buildings.csv", crs = "{code}" }}'), drawn)
    with pytest.raises(InputError, match=r'crs = "EPSG:\.\.\."'):
        use('"buildings.csv"')
    with pytest.raises(InputError, match="a CRS that is known"):
        use('{ file = "buildings.csv", crs = "nowhere" }')


def test_a_zipped_shapefile_is_read_and_no_other_archive(ground):
    folder, drawn, use = ground
    drawn.to_file(folder / "b.shp")
    parts = sorted(folder.glob("b.*"))
    with zipfile.ZipFile(folder / "buildings.zip", "w") as packed:
        for part in parts:
            packed.write(part, f"inside/{part.name}")
    for part in parts:
        part.unlink()
    before = sorted(folder.rglob("*"))
    site = use('"buildings.zip"')
    same(site, drawn)
    assert sorted(folder.rglob("*")) == before
    assert any(name.endswith("buildings.zip") for name in map(str, site.sources))
    with zipfile.ZipFile(folder / "buildings.zip", "a") as packed:
        packed.writestr("other.shp", b"")
    with pytest.raises(InputError, match="a zip archive"):
        use('"buildings.zip"')
