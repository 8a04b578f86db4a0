"""Rasters, drawing and the XML files: read back, validated, positions and values measured."""

import dataclasses
import importlib
import math
import os
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import pytest
import rasterio
from click.testing import CliRunner
from fastkml import validator
from lxml import etree

from siting.cli.main import main
from siting.errors import SitingError
from siting.handoff.gisfiles import LAYERS, STEP, write_dxf, write_gis
from siting.units import FOOT_M, LENGTH_UNITS_M
from tests.plan_factory import SOURCE_EPSG, make_plan
from tests.small_property import write_property

GEOD = pyproj.Geod(ellps="WGS84")
GPX = "{http://www.topografix.com/GPX/1/1}"
#: Children of a waypoint in the order that GPX 1.1 demands.
WAYPOINT = [
    "ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type",
    "fix", "sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions",
]  # fmt: skip
METADATA = [
    "name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions",
]  # fmt: skip


@pytest.fixture(scope="module", params=[False, True], ids=["plain", "hostile"])
def written(request, tmp_path_factory):
    plan = make_plan(hostile=request.param)
    folder = tmp_path_factory.mktemp("gis")
    write_gis(plan, folder)
    write_dxf(plan, folder / "plan.dxf")
    return plan, folder


@pytest.mark.cross_check("OGC 12-007r2, KML 2.2: its XML schema, as the fastkml package ships it")
def test_kml_fits_its_schema(written):
    assert validator.validate(file_to_validate=written[1] / "sensors.kml") is True


def test_kml_in_gdal_gives_the_plans_places(written):
    plan, folder = written
    frame = gpd.read_file(folder / "sensors.kml")
    assert list(frame["Name"]) == list(plan.sensors.index)
    apart = GEOD.inv(
        frame.geometry.x.to_numpy(),
        frame.geometry.y.to_numpy(),
        plan.sensors["lon"].to_numpy(),
        plan.sensors["lat"].to_numpy(),
    )[2]
    assert max(apart) < 0.01


@pytest.mark.cross_check("GPX 1.1, gpxType, metadataType and wptType: elements and their order")
def test_gpx_has_the_elements_of_its_schema_in_order(written):
    plan, folder = written
    root = etree.parse(folder / "sensors.gpx").getroot()
    assert root.tag == f"{GPX}gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator")
    order = [etree.QName(child).localname for child in root]
    assert order == sorted(order, key=["metadata", "wpt", "rte", "trk", "extensions"].index)
    for parent in root:
        names = [etree.QName(child).localname for child in parent]
        if parent.tag == f"{GPX}trk":
            assert names == ["name", *["trkseg"] * (len(names) - 1)]
            continue
        allowed = METADATA if parent.tag == f"{GPX}metadata" else WAYPOINT
        assert names == sorted(set(names), key=allowed.index)
    points = root.findall(f"{GPX}wpt")
    assert len(points) == len(plan.sensors)
    for point in points:
        assert -90 <= float(point.get("lat")) <= 90
        assert -180 <= float(point.get("lon")) < 180
        assert len(point.findtext(f"{GPX}name")) <= 6


@pytest.mark.cross_check("OGC 21-026, Cloud Optimized GeoTIFF: tiled, overviews, layout declared")
@pytest.mark.parametrize(("name", "bands"), [("dryness.tif", 1), ("sun-hours.tif", 10)])
def test_rasters_are_cloud_optimized_and_say_their_units(written, name, bands):
    _, folder = written
    with rasterio.open(folder / name) as raster:
        assert raster.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert raster.profile["tiled"]
        assert raster.count == bands
        assert raster.crs.to_epsg() == SOURCE_EPSG
        assert math.isnan(raster.nodata)
        unit = "1" if bands == 1 else "h/d"
        assert set(raster.units) == {unit}
        assert all(d.endswith(f"[{unit}]") for d in raster.descriptions)
        if bands > 1:
            assert raster.descriptions[1] == "Direct sun, March [h/d]"


def test_raster_values_lie_where_the_plan_has_them(written):
    plan, folder = written
    grid = plan.sun.grid
    rng = np.random.default_rng(3)
    rows = rng.integers(3, grid.rows - 3, 400)
    columns = rng.integers(3, grid.columns - 3, 400)
    to_file = pyproj.Transformer.from_crs(plan.site.crs, plan.site.source_crs, always_xy=True)
    x, y = to_file.transform(grid.x[columns], grid.y[rows])
    for name, own in (
        ("dryness.tif", plan.dryness[None]),
        (
            "sun-hours.tif",
            np.concatenate([plan.sun.sun_hours.mean(axis=0)[None], plan.sun.sun_hours]),
        ),
    ):
        with rasterio.open(folder / name) as raster:
            found = np.array(list(raster.sample(zip(x, y, strict=True)))).T
        for band, values in zip(found, own, strict=True):
            near = np.stack([values[rows + i, columns + j] for i in (-1, 0, 1) for j in (-1, 0, 1)])
            # the nearest cell of the other grid: one of the nine around
            known = np.isfinite(near).all(axis=0)
            off = np.abs(near - band)[:, known].min(axis=0)
            assert known.sum() > 100
            assert off.max() <= STEP / 2 + 1e-6
            assert np.isnan(band[np.isnan(near).all(axis=0)]).all()


def test_drawing_read_by_gdal_has_layers_by_kind_and_true_places(written):
    """Written by ezdxf, read by GDAL."""
    plan, folder = written
    frame = pyogrio.read_dataframe(folder / "plan.dxf")
    assert set(frame["Layer"]) == set(LAYERS)
    own = plan.site.source_crs
    marks = frame[(frame["Layer"] == "SENSORS") & (frame.geom_type == "Point")]
    spots = marks[marks["Text"].isna()]
    np.testing.assert_allclose(spots.geometry.x, plan.sensors["source_x"], atol=0.01)
    np.testing.assert_allclose(spots.geometry.y, plan.sensors["source_y"], atol=0.01)
    assert list(marks["Text"].dropna()) == list(plan.sensors.index)
    ties = frame[(frame["Layer"] == "TIES") & (frame.geom_type == "LineString")]
    np.testing.assert_allclose(ties.length, plan.ties.geometry.to_crs(own).length, atol=0.01)
    told = frame.loc[frame["Layer"] == "TIES", "Text"].dropna()
    assert [float(t) for t in told] == pytest.approx(list(plan.ties["distance_m"]), abs=0.005)
    zones = plan.zones.geometry.to_crs(own)
    rings = frame[(frame["Layer"] == "ZONES") & (frame.geom_type != "Point")]
    west, south, east, north = rings.total_bounds
    np.testing.assert_allclose((west, south, east, north), zones.total_bounds, atol=0.01)


def test_drawing_is_the_same_every_time_and_sound(written, tmp_path):
    ezdxf = importlib.import_module("ezdxf")
    plan, folder = written
    write_dxf(plan, tmp_path / "again.dxf")
    assert (tmp_path / "again.dxf").read_bytes() == (folder / "plan.dxf").read_bytes()
    assert not ezdxf.options.write_fixed_meta_data_for_testing
    document = ezdxf.readfile(folder / "plan.dxf")
    assert document.audit().errors == []
    assert document.header["$INSUNITS"] == 6


def test_drawing_does_not_depend_on_the_order_of_sets(tmp_path):
    code = (
        "import sys; from siting.handoff.gisfiles import write_dxf; "
        "from tests.plan_factory import make_plan; write_dxf(make_plan(), sys.argv[1])"
    )
    drawn = set()
    for seed in ("1", "6", "7"):
        path = tmp_path / f"{seed}.dxf"
        env = {**os.environ, "PYTHONHASHSEED": seed}
        root = Path(__file__).parents[2]
        subprocess.run([sys.executable, "-c", code, str(path)], check=True, env=env, cwd=root)
        drawn.add(path.read_bytes())
    assert len(drawn) == 1


@pytest.mark.parametrize(
    ("epsg", "insunits", "metres"),
    [(2236, 21, LENGTH_UNITS_M["us_survey_ft"]), (6438, 21, LENGTH_UNITS_M["us_survey_ft"]),
     (2222, 2, FOOT_M), (4326, 6, 1.0)],
)  # fmt: skip
def test_drawing_is_in_the_propertys_unit(tmp_path, epsg, insunits, metres):
    ezdxf = importlib.import_module("ezdxf")
    plan = make_plan()
    site = dataclasses.replace(plan.site, source_crs=pyproj.CRS.from_epsg(epsg))
    path = write_dxf(dataclasses.replace(plan, site=site), tmp_path / "plan.dxf")
    assert ezdxf.readfile(path).header["$INSUNITS"] == insunits
    frame = pyogrio.read_dataframe(path)
    ties = frame[(frame["Layer"] == "TIES") & (frame.geom_type == "LineString")]
    # grid lengths: true ones within the grid's scale factor, which is large outside its zone
    slack = 0.35 if epsg == 2222 else 2e-3
    np.testing.assert_allclose(ties.length * metres, plan.ties["distance_m"], rtol=slack)


def test_without_ezdxf_the_message_says_how_to_get_it(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    with pytest.raises(SitingError, match=r"siting\[dxf\]"):
        write_dxf(make_plan(), tmp_path / "plan.dxf")
    assert list(tmp_path.iterdir()) == []


def test_what_an_option_needs_is_asked_before_anything_is_computed(monkeypatch, tmp_path):
    toml = write_property(tmp_path / "ground")
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    monkeypatch.setattr("siting.planning.make.read_inputs", None)  # would be called first
    done = CliRunner().invoke(main, ["plan", str(toml), "--out", str(tmp_path / "out"), "--dxf"])
    assert done.exit_code == 1
    assert 'plan.dxf needs ezdxf: pip install "siting[dxf]"' in done.output
    assert not (tmp_path / "out").exists()


def test_command_line_draws_only_when_asked(tmp_path):
    toml = write_property(tmp_path / "ground")
    done = CliRunner().invoke(main, ["plan", str(toml), "--out", str(tmp_path / "out"), "--dxf"])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "out" / "plan.dxf").exists()
    assert not (tmp_path / "out" / "map-online.html").exists()
