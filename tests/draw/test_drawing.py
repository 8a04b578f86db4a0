"""A drawing made into a property, a property opened as a drawing, and what is refused."""

import json

import pytest
from click.testing import CliRunner
from geopandas.testing import assert_geodataframe_equal

from siting.cli.main import main
from siting.draw.asking import WET_DAY_MM, Answers, property_text
from siting.draw.forms import THINGS
from siting.draw.page import column_of, drawing_of, read_drawing, write_page
from siting.errors import InputError
from siting.site.property import read_property
from siting.site.reading import open_property, read_site
from siting.site.settings import VECTOR_LAYERS
from siting.site.template import demo_property
from siting.units import GALLON_M3
from tests.small_property import write_weather

ALMANAC = [[m, m + 10, 5.0 * m] for m in range(12)]


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def square(x, y, size, layer, **values):
    """Return a square by metres north and east of 40° N 105° W, as the page saves one."""
    ring = [(x, y), (x + size, y), (x + size, y + size), (x, y + size), (x, y)]
    degrees = [[round(-105 + a / 85_393, 10), round(40 + b / 111_034, 10)] for a, b in ring]
    return {"type": "Feature", "properties": {"layer": layer, **values},
            "geometry": {"type": "Polygon", "coordinates": [degrees]}}  # fmt: skip


def point(x, y, layer, **values):
    at = [-105 + x / 85_393, 40 + y / 111_034]
    return {"type": "Feature", "properties": {"layer": layer, **values},
            "geometry": {"type": "Point", "coordinates": at}}  # fmt: skip


def drawing(**head):
    """Return a yard as the page saves it."""
    told = {"weather": {"way": "normals", "rows": ALMANAC},
            "timer": {"days": ["Mon", "Thu"], "minutes": {"1": 20, "2": 15}, "start": "4:30"},
            "water": {"price": 1.5}}  # fmt: skip
    return {
        "type": "FeatureCollection",
        "siting_drawing": {"version": 1, "name": 'Yard "one"', "units": "us",
                           "place": {"lat": 40, "lon": -105}, "told": told, **head},
        "features": [
            square(0, 0, 40, "boundary", drawn_as="boundary"),
            square(2, 2, 14, "hydrozones", drawn_as="zone", zone="Front", valve="1",
                   plants="cool_season_turf"),
            square(20, 20, 14, "hydrozones", drawn_as="zone", zone="Back", valve="2",
                   plants="shrubs", precipitation_rate=30.0),
            square(20, 4, 9, "buildings", drawn_as="building", levels=2),
            point(8, 30, "trees", drawn_as="tree", crown_diameter=5.0, evergreen=True),
            point(20, 5, "fixtures", drawn_as="controller", kind="controller"),
        ],
    }  # fmt: skip


def saved(folder, content):
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "drawing.geojson"
    file.write_text(json.dumps(content), encoding="utf-8")
    return file


def test_new_makes_a_property_of_a_drawing(tmp_path):
    made = run("new", tmp_path / "yard", "--from", saved(tmp_path, drawing()))
    assert made.exit_code == 0, made.output
    settings, site = open_property(tmp_path / "yard")
    assert settings.name == 'Yard "one"'
    assert settings.units == "us"
    assert settings.timer.minutes == {"1": 20, "2": 15}
    assert settings.timer.start == "04:30"
    assert settings.water.price == pytest.approx(1.5, rel=1e-3)
    assert settings.weather.format == "normals"
    assert settings.weather.elevation_m == pytest.approx(100, abs=0.2)
    assert site.hydrozones.loc["Back", "precipitation_rate"] == pytest.approx(30)
    assert site.hydrozones.area.tolist() == pytest.approx([196, 196], rel=1e-4)
    assert site.buildings["height"].tolist() == [6]
    assert site.trees["crown_diameter"].tolist() == pytest.approx([5])
    assert site.trees["evergreen"].tolist() == [True]
    assert not any("units_in" in warning for warning in site.warnings)
    assert run("new", tmp_path / "yard", "--from", tmp_path / "drawing.geojson").exit_code == 1


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_drawing_itself_is_a_property_s_layers_and_says_the_same(tmp_path, units):
    file = saved(tmp_path / "direct", drawing(units=units))
    run("new", tmp_path / "package", "--from", file)
    text = (tmp_path / "package" / "property.toml").read_text()
    (file.parent / "property.toml").write_text(text.replace("property.gpkg", file.name))
    (tmp_path / "package" / "weather.csv").rename(file.parent / "weather.csv")
    (tmp_path / "package" / "weather.csv").write_text((file.parent / "weather.csv").read_text())
    one, two = read_site(read_property(file.parent)), read_site(read_property(tmp_path / "package"))
    assert one.boundary.equals_exact(two.boundary, 1e-6)
    for name in VECTOR_LAYERS[1:]:
        first, second = getattr(one, name), getattr(two, name)
        assert len(first) == len(second), name
        alike = [c for c in first if c in second and c != "feature"]
        # Coefficients that nobody gave are columns of the package alone, and empty.
        assert second[[c for c in second if c not in first]].isna().all(axis=None)
        if len(first):
            assert_geodataframe_equal(
                first[alike].explode(),
                second[alike].explode(),
                check_less_precise=True,
                check_index_type=False,
                check_dtype=False,
                check_crs=False,
            )


def test_both_ways_give_the_same_plan(tmp_path):
    from siting.planning.make import plan_property

    file = saved(tmp_path / "direct", drawing())
    run("new", tmp_path / "package", "--from", file)
    text = (tmp_path / "package" / "property.toml").read_text()
    text = text.replace('format = "normals"', 'format = "daily"')
    text += "[analysis]\nresolution = 1.0\nscenarios = 2\n[control]\nmax_sensors = 2\n"
    plans = []
    for folder, layers in ((file.parent, file.name), (tmp_path / "package", "property.gpkg")):
        (folder / "property.toml").write_text(text.replace("property.gpkg", layers))
        write_weather(folder / "weather.csv", years=2)
        plans.append(plan_property(folder))
    one, two = plans
    assert one.headline == two.headline
    assert one.sensors["zone"].tolist() == two.sensors["zone"].tolist()
    assert one.sensors.geometry.distance(two.sensors.geometry).max() < 1e-3
    assert one.zones["run_minutes"].tolist() == two.zones["run_minutes"].tolist()


@pytest.mark.parametrize("demo", ["yard", "campus"])
def test_a_property_opens_as_a_drawing_with_nothing_lost(demo):
    path = demo_property(demo)
    found, notes = drawing_of(path)
    assert notes == ()
    site = read_site(read_property(path))
    by_layer = {}
    for feature in found["features"]:
        by_layer.setdefault(feature["properties"]["layer"], []).append(feature["properties"])
    assert len(by_layer["hydrozones"]) == len(site.hydrozones)
    assert len(by_layer["trees"]) == len(site.trees)
    told = {row["zone"]: row for row in by_layer["hydrozones"]}
    for zone, row in site.hydrozones.iterrows():
        assert told[zone]["plants"] == row["plants"]
        assert told[zone].get("precipitation_rate") == pytest.approx(row["precipitation_rate"])


def test_the_page_carries_everything_and_no_text_of_a_user_as_markup(tmp_path):
    folder = tmp_path / "<b>x"
    page, _ = write_page(folder, units="us")
    html = page.read_text(encoding="utf-8")
    assert "<b>x" not in html
    assert "James Milner" in html
    assert "Vladimir Agafonkin" in html
    assert "Natural Earth" in html
    assert html.count("http-equiv") == 1
    assert "default-src 'none'" in html
    assert page.read_bytes() == write_page(folder, units="us")[0].read_bytes()


def test_every_question_is_about_a_column_and_offers_its_words():
    for thing in THINGS:
        for question in thing.asks:
            column = column_of(thing.layer, question.name)
            words = {word for word, _ in question.words}
            if column.words and thing.layer != "fixtures":
                assert words == set(column.words), question.name
            assert words <= set(column.words) or not column.words


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("{", "no JSON"),
        ("[]", "without features"),
        ('{"features": []}', "own part"),
        (json.dumps(drawing(place=None)), "does not say where it is"),
        (json.dumps({**drawing(), "features": [{"properties": {"layer": "pool"}}]}), '"pool"'),
        (json.dumps({**drawing(), "features": [3]}), "the layer"),
        (json.dumps({**drawing(), "features": [{"properties": {"layer": "boundary"},
                                                "geometry": {"type": "Polygon"}}]}), "no shape"),
        (json.dumps(drawing(told={"weather": {"way": "normals", "rows": ALMANAC[:3]}})),
         "3 months"),
        (json.dumps(drawing(told={"weather": {"way": "normals", "rows": [[1, None, 3]] * 12}})),
         "row 12"),
    ],
)  # fmt: skip
def test_what_is_no_drawing_is_refused_in_words(tmp_path, content, says):
    file = tmp_path / "drawing.geojson"
    file.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=says):
        read_drawing(file)
    found = run("new", tmp_path / "yard", "--from", file)
    assert found.exit_code == 1
    assert not (tmp_path / "yard").exists()


def test_answers_become_a_short_file_whatever_they_say():
    hostile = 'a"\n[timer]\nx = 1 \\ \x00é'
    answers = Answers(hostile, units="us", elevation_m=1600, price=8.0, currency=hostile,
                      days=("Mon",), minutes={hostile: 5}, first_year=2015)  # fmt: skip
    import tomllib

    read = tomllib.loads(property_text(answers, "property.gpkg"))
    assert read["name"] == hostile
    assert read["water"] == {"price_per_kgal": 8.0, "currency": hostile}
    assert read["timer"]["minutes"] == {hostile: 5}
    assert read["weather"]["elevation_ft"] == pytest.approx(1600 / 0.3048, abs=0.5)
    assert read["weather"]["fetch"] == "nasa_power"


@pytest.mark.practice("a thousand US gallons are 3.785 m³; a wet day has some millimetres of rain")
def test_prices_and_wet_days(tmp_path):
    run("new", tmp_path / "yard", "--from", saved(tmp_path, drawing()))
    text = (tmp_path / "yard" / "property.toml").read_text()
    assert f"price_per_kgal = {1.5 * 1000 * GALLON_M3:.4g}" in text
    rows = (tmp_path / "yard" / "weather.csv").read_text().splitlines()[1:]
    for row in rows[1:]:
        rain, wet = (float(cell) for cell in row.split(",")[3:])
        assert wet == pytest.approx(max(rain / WET_DAY_MM, 1), abs=0.06)


ASKED = ["Hill yard", "us", "40.02, -105.27", "5400", "mon, Wed Fri", "04:30", "1=20, 2 = 15",
         "8.5", "", "1", "3", *["28 54 1.2"] * 12]  # fmt: skip


def test_a_dozen_questions_make_a_property(tmp_path):
    typed = [*ASKED[:4], "Mon Wen", *ASKED[4:]]
    made = CliRunner().invoke(main, ["new", str(tmp_path / "yard"), "--ask"],
                              input="\n".join(typed) + "\n")  # fmt: skip
    assert made.exit_code == 0, made.output
    assert '"wen" is no day of the week' in made.output
    settings = read_property(tmp_path / "yard")
    assert (settings.name, settings.units) == ("Hill yard", "us")
    assert settings.timer.minutes == {"1": 20, "2": 15}
    assert settings.water.price == pytest.approx(8.5 / (1000 * GALLON_M3))
    assert [kind.kind for kind in settings.hardware] == ["add_on"]
    assert settings.weather.elevation_m == pytest.approx(5400 * 0.3048, rel=1e-3)
    rows = (tmp_path / "yard" / "weather.csv").read_text().splitlines()
    assert len(rows) == 13
    assert rows[1].startswith("1,-2.22,12.22,30.5,")
    import pyogrio

    info = pyogrio.read_info(tmp_path / "yard" / "property.gpkg", layer="hydrozones")
    assert info["crs"] == "EPSG:32613"


def test_whoever_knows_nothing_gets_a_property_to_draw_in(tmp_path):
    made = CliRunner().invoke(main, ["new", str(tmp_path / "yard"), "--ask"], input="\n" * 12)
    assert made.exit_code == 0, made.output
    settings = read_property(tmp_path / "yard")
    assert (settings.name, settings.units, settings.timer) == ("yard", "us", None)


def test_answers_that_end_early_write_nothing(tmp_path):
    made = CliRunner().invoke(main, ["new", str(tmp_path / "yard"), "--ask"], input="Hill\n")
    assert made.exit_code == 1
    assert not (tmp_path / "yard").exists()


def test_a_drawing_and_questions_together(tmp_path):
    made = CliRunner().invoke(
        main, ["new", str(tmp_path / "yard"), "--ask", "--from", str(saved(tmp_path, drawing()))],
        input="\n".join([*ASKED[:7], "9.25", "", "1", "4"]) + "\n",
    )  # fmt: skip
    assert made.exit_code == 0, made.output
    settings, site = open_property(tmp_path / "yard")
    assert settings.name == "Hill yard"
    assert settings.weather.format == "normals"
    assert len(site.hydrozones) == 2
