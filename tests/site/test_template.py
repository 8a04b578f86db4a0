"""A new property: files that can be drawn in, read back, and never overwrite."""

from __future__ import annotations

import geopandas as gpd
import pyogrio
import pytest
import shapely

from siting.errors import InputError
from siting.site.property import read_property
from siting.site.reading import read_site
from siting.site.settings import VECTOR_LAYERS, Setbacks
from siting.site.template import new_property


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_property_file_is_sound_and_explained(tmp_path, units):
    toml, package, weather = new_property(tmp_path / "a" / "b", units=units)
    read = read_property(toml)
    assert read.units == units
    assert read.timer is None
    assert read.costs.given is False
    wide = read.setbacks
    # 5 ft and 10 ft, as the trade measures, are 1.5 m and 3.0 m to 2 %.
    assert wide.building == pytest.approx(Setbacks().building, rel=0.02)
    assert wide.downspout == pytest.approx(Setbacks().downspout, rel=0.02)
    assert {str(row[0]) for row in pyogrio.list_layers(package)} == set(VECTOR_LAYERS)
    assert weather.read_text().startswith("date,tmin_c,tmax_c,rain_mm")
    for line in toml.read_text().splitlines():
        if "=" in line:
            assert line.removeprefix("# ").partition("# ")[2], line


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_example_works_when_its_mark_is_removed(tmp_path, units):
    toml, *_ = new_property(tmp_path / "p", units=units)
    lines = toml.read_text().splitlines()
    toml.write_text("\n".join(line.removeprefix("# ") for line in lines[1:]))
    read = read_property(toml)
    assert read.costs.given
    assert read.timer is not None
    assert read.water.price == pytest.approx(2.1, rel=0.02)
    assert read.costs.trench_per_m == pytest.approx(6, rel=0.02)
    assert read.costs.wire_per_m == pytest.approx(0.8, rel=0.03)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_drawn_layers_are_read(tmp_path, units):
    toml, package, _ = new_property(tmp_path / "p", units=units, crs="EPSG:2236")
    with pytest.raises(InputError, match="2 faults"):
        read_site(read_property(toml))
    square = shapely.box(900_000, 500_000, 900_100, 500_100)
    headers = {
        name: list(pyogrio.read_info(package, layer=name)["fields"]) for name in VECTOR_LAYERS
    }
    for name, columns in {
        "boundary": {},
        "hydrozones": {
            "zone": "1",
            "plants": "shrubs",
            "root_depth": 12 if units == "us" else 0.3048,
        },
    }.items():
        data = {h: [next((v for k, v in columns.items() if h.startswith(k)), None)]
                for h in headers[name]}  # fmt: skip
        drawn = gpd.GeoDataFrame(data, geometry=[square], crs="EPSG:2236")
        pyogrio.write_dataframe(drawn, package, layer=name)
    site = read_site(read_property(toml))
    assert site.hydrozones.loc["1", "root_depth"] == pytest.approx(0.3048)
    assert len(site.trees) == 0


def test_same_bytes_every_time(tmp_path):
    first = new_property(tmp_path / "a", crs="EPSG:3857")
    second = new_property(tmp_path / "b", crs="EPSG:3857")
    for one, two in zip(first, second, strict=True):
        assert one.read_bytes() == two.read_bytes()


def test_nothing_is_overwritten(tmp_path):
    kept = tmp_path / "weather.csv"
    kept.write_text("mine")
    with pytest.raises(InputError, match="nothing was overwritten"):
        new_property(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["weather.csv"]
    assert kept.read_text() == "mine"


def test_an_unknown_crs_is_refused(tmp_path):
    with pytest.raises(InputError, match="EPSG:4326"):
        new_property(tmp_path / "p", crs="EPSG:99999999")
    assert not (tmp_path / "p").exists()


def test_a_file_in_place_of_the_folder(tmp_path):
    (tmp_path / "p").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        new_property(tmp_path / "p")
    assert [path.name for path in tmp_path.iterdir()] == ["p"]
