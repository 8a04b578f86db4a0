"""Nothing of a portfolio's layers is lost in silence: what belongs to no property is said."""

import pytest
from shapely.affinity import translate
from shapely.geometry import Polygon

from siting.errors import InputError
from siting.portfolio.run import LoopEngine, run_portfolio
from siting.portfolio.source import cut_tiles, extract, index_of, open_source, open_window, strays
from siting.portfolio.store import read_table
from siting.site.settings import LayerSource
from siting.site.vector import LayerPart
from tests.small_city import copy_city, read_layers, small_city, write_layers


@pytest.fixture(scope="module")
def city(tmp_path_factory):
    return small_city(tmp_path_factory.mktemp("city"), 4)


@pytest.fixture
def own(city, tmp_path):
    """A copy to spoil: its template, and its layers."""
    copy_city(city, tmp_path)
    return tmp_path / city.name, read_layers(tmp_path)


def told(template):
    source = open_source(template)
    return strays(source, index_of(source))


def by_column(template, layers, column="owner"):
    """Let a column say whose each zone is."""
    text = template.read_text().replace("[portfolio]", f'[portfolio]\nproperty = "{column}"')
    template.write_text(text)
    ground = layers["boundary"].set_index("lot").geometry
    for name in ("hydrozones", "fixtures"):
        points = layers[name].representative_point()
        owners = [next((lot for lot, shape in ground.items() if shape.intersects(point)), None)
                  for point in points]  # fmt: skip
        layers[name][column] = owners


def test_a_sound_city_has_no_strays(city):
    assert told(city) == ()


def test_zones_by_place(own, tmp_path):
    template, layers = own
    zones = layers["hydrozones"]
    zones.loc[2, "geometry"] = translate(zones.geometry[2], 5000, 0)
    zones.loc[5, "geometry"] = None
    write_layers(tmp_path, layers)
    assert told(template) == (
        "hydrozones that lie in no property (not planned): 2 (features 3, 6 of the layer)",
    )


def test_zones_of_two_properties_by_place(own, tmp_path):
    template, layers = own
    boundary = layers["boundary"]
    inside = layers["hydrozones"].representative_point().within(boundary.geometry[0])
    boundary.loc[1, "geometry"] = boundary.geometry[1].union(boundary.geometry[0])
    write_layers(tmp_path, layers)
    notes = told(template)
    count = int(inside.sum())
    assert count
    assert f"hydrozones that lie in several properties (planned in each): {count}" in notes[0]


def test_zones_by_column(own, tmp_path):
    template, layers = own
    by_column(template, layers)
    zones = layers["hydrozones"]
    zones.loc[0, "owner"] = "L999"
    zones.loc[1, "owner"] = None
    zones.loc[2, "geometry"] = translate(zones.geometry[2], 0, 400)
    zones.loc[3, "geometry"] = translate(zones.geometry[3], 0.1, 0)
    write_layers(tmp_path, layers)
    assert told(template) == (
        "hydrozones that name no property in owner (not planned): 2 (features 1, 2 of the layer)",
        "hydrozones that lie more than the reach of 30 m from their property (not planned): 1 "
        "(features 3 of the layer)",
    )


def test_layers_in_two_crs_are_left_to_the_planning_to_refuse(own, tmp_path):
    template, layers = own
    by_column(template, layers)
    layers["hydrozones"] = layers["hydrozones"].to_crs(4326)
    write_layers(tmp_path, layers)
    assert told(template) == ()
    with pytest.raises(InputError, match="as the boundary"):
        run_portfolio(open_source(template), tmp_path / "out", engine=LoopEngine())


def test_what_lies_beyond_the_reach_is_left_out_whatever_the_tile(own, tmp_path):
    template, layers = own
    by_column(template, layers)
    zones = layers["hydrozones"]
    far = zones.index[zones["owner"] == "L000000"][0]
    # On another lot: the window of a tile of all lots reaches there, that of this lot does not.
    x = layers["boundary"].set_index("lot").geometry
    away = max(x, key=lambda shape: shape.distance(x["L000000"]))
    dx, dy = (getattr(away.centroid, k) - getattr(x["L000000"].centroid, k) for k in "xy")
    assert away.distance(x["L000000"]) > 30
    zones.loc[far, "geometry"] = translate(zones.geometry[far], dx, dy)
    write_layers(tmp_path, layers)
    source = open_source(template)
    found = []
    for size in (1, 4):
        tile = next(t for t in cut_tiles(index_of(source), size) if "L000000" in t.ids)
        folder = tmp_path / f"size {size}"
        folder.mkdir()
        extract(open_window(source, tile), "L000000", folder)
        found.append((folder / "hydrozones.fgb").read_bytes())
    assert found[0] == found[1]


def test_a_run_keeps_the_notes(own, tmp_path):
    template, layers = own
    zones = layers["hydrozones"]
    zones.loc[2, "geometry"] = translate(zones.geometry[2], 5000, 0)
    write_layers(tmp_path, layers)
    source = open_source(template)
    first = run_portfolio(source, tmp_path / "out", engine=LoopEngine())
    again = run_portfolio(source, tmp_path / "out", engine=LoopEngine())
    assert any("features 3 of the layer" in note for note in first.notes)
    assert first.notes == again.notes
    assert again.planned == 0


@pytest.mark.parametrize("bad", [float("inf"), float("nan")])
def test_coordinates_that_do_not_exist_cost_their_own_property_only(own, tmp_path, bad):
    template, layers = own
    ground, zones = layers["boundary"], layers["hydrozones"]
    spoilt = ground["lot"][0]
    corners = list(ground.geometry[0].exterior.coords)
    corners[1] = (bad, corners[1][1])
    ground.loc[0, "geometry"] = Polygon(corners)
    lost = zones.geometry[len(zones) - 1].exterior.coords[:]
    lost[1] = (bad, lost[1][1])
    zones.loc[len(zones) - 1, "geometry"] = Polygon(lost)
    write_layers(tmp_path, layers)
    out = tmp_path / "out"
    status = run_portfolio(open_source(template), out, engine=LoopEngine())
    assert status.done == 4
    rows = read_table(out, "properties").to_pylist()
    said = {row["property"]: row["status"] for row in rows}
    assert said.pop(spoilt) == "input"
    assert "planned" in said.values()
    assert "error" not in said.values()


def test_no_driver_opens_a_layer_that_reads_other_files(tmp_path):
    away = tmp_path / "zones.vrt"
    away.write_text('<OGRVRTDataSource><OGRVRTLayer name="zones"/></OGRVRTDataSource>', "utf-8")
    layer = LayerPart(LayerSource(away), "hydrozones")
    for read in (layer.read, layer.columns, layer.crs):
        with pytest.raises(InputError, match="a virtual layer"):
            read()
