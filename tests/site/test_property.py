"""The property file: every key, every fault, all at once."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.errors import InputError
from siting.site.property import read_property
from siting.site.settings import CONTROL_KINDS, WEEKDAYS, Costs, Season, Setbacks
from siting.site.toml import key_lines
from tests.tries import tries

FULL = """\
name = "Green Court"
units = "us"
layers = "property.gpkg"
[weather]
file = "weather.csv"
elevation_m = 30
[season]
start = "11-15"
end = "03-31"
[timer]
days = ["Thu", "monday", "MON"]
start = "4:00"
minutes = { "1" = 20, "2" = 35.5 }
[water]
price = 2.10
currency = "EUR"
[costs]
device = 275
installation = 150
trench_per_m = 6
wire_per_m = 0.8
life_years = 10
[control]
kinds = ["on_demand", "bypass"]
max_sensors = 6
max_stress_days = 5
[setbacks]
building = 1.5
zone_edge = 0.9
[analysis]
resolution = 0.25
scenarios = 12
seed = 1
"""
BARE = """\
name = "a"
layers = "property.gpkg"
[weather]
file = "weather.csv"
elevation_m = 30
"""


def write(folder: Path, text: str) -> Path:
    """Write a property file beside empty stand-ins of its files."""
    (folder / "property.gpkg").touch()
    (folder / "weather.csv").touch()
    path = folder / "property.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> list[str]:
    """Return the faults of a property file as text."""
    with pytest.raises(InputError) as caught:
        read_property(write(folder, text))
    return [str(fault) for fault in caught.value.faults]


def only(folder: Path, text: str) -> str:
    """Return the one fault of a property file."""
    found = faults(folder, text)
    assert len(found) == 1, found
    return found[0]


def test_every_key_is_read(tmp_path):
    read = read_property(write(tmp_path, FULL))
    assert (read.name, read.units) == ("Green Court", "us")
    assert read.weather.path == tmp_path / "weather.csv"
    assert read.weather.elevation_m == 30
    assert read.season == Season((11, 15), (3, 31))
    assert read.timer is not None
    assert read.timer.days == (0, 3)
    assert read.timer.start == "04:00"
    assert read.timer.minutes == {"1": 20, "2": 35.5}
    assert (read.water.price, read.water.currency) == (2.10, "EUR")
    assert read.costs == Costs(given=True)
    assert read.control.kinds == CONTROL_KINDS
    assert read.setbacks == Setbacks(building=1.5, zone_edge=0.9)
    assert read.analysis.resolution == 0.25
    assert read.layers["hydrozones"].path == tmp_path / "property.gpkg"
    assert not read.layers["hydrozones"].optional
    assert read.layers["trees"].optional


def test_defaults_and_folder(tmp_path, monkeypatch):
    write(tmp_path, "\ufeff" + BARE)
    monkeypatch.chdir(tmp_path.parent)
    read = read_property(Path(tmp_path.name))
    assert read.path == tmp_path / "property.toml"
    assert read.timer is None
    assert read.water.price is None
    assert read.costs.given is False


def test_units_in_key_names(tmp_path):
    text = BARE.replace("elevation_m = 30", "elevation_ft = 100") + (
        "[water]\nprice_per_kgal = 5.0\n"
        "[costs]\ntrench_per_ft = 3.048\nwire_per_ft = 0.3048\n"
        "[setbacks]\nbuilding_ft = 5\nhead_in = 60\n"
        '[timer]\nevery_n_days = 3\ndepth_in = { "A" = 0.5 }\n'
    )
    read = read_property(write(tmp_path, text))
    assert read.weather.elevation_m == pytest.approx(30.48)
    # 1,000 US gallons are 3.785411784 m³ (NIST Handbook 44, Appendix C).
    assert read.water.price == pytest.approx(5.0 / 3.785411784)
    assert read.costs.trench_per_m == pytest.approx(10.0)
    assert read.costs.wire_per_m == pytest.approx(1.0)
    assert read.setbacks.building == pytest.approx(1.524)
    assert read.setbacks.head == pytest.approx(1.524)
    assert read.timer is not None
    assert read.timer.depth_mm == pytest.approx({"A": 12.7})
    assert read.timer.every_n_days == 3


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (BARE + "[analysis]\nresolutoin = 0.5\n", ["line 7", "resolutoin", "resolution?"]),
        ('naem = "x"\n' + BARE, ["line 1", "naem", "name?"]),
        (BARE + "price = 2\n", ["weather.price", "belongs in the table [water]"]),
        (BARE + 'units = "us"\n', ["belongs at the top"]),
        (BARE + "[seasons]\n", ["seasons", "season?"]),
        (BARE + "[analysis]\nresolution = 0.05\n", ["0.05", "0.1 to 5"]),
        (BARE + "[analysis]\nresolution = nan\n", ["nan", "0.1 to 5"]),
        (BARE + "[analysis]\nscenarios = 201\n", ["201", "a whole number from 1 to 200"]),
        (BARE + "[analysis]\nscenarios = 2.5\n", ["2.5", "whole"]),
        (BARE + "[analysis]\nseed = true\n", ["found True"]),
        (BARE + "[water]\nprice = -1\n", ["-1", "0 to"]),
        (BARE + '[water]\nprice = "2.10"\n', ["without quotes"]),
        (BARE + "[water]\nprice = 2\nprice_per_kgal = 8\n", ["together", "Remove one"]),
        (BARE + '[control]\nkinds = ["bypas"]\n', ['"bypas"', 'Write "bypass"']),
        (BARE + "[control]\nkinds = []\n", ["a list of kinds"]),
        (BARE + '[season]\nstart = "02-30"\n', ["02-30", "MM-DD"]),
        (BARE + '[season]\nstart = "02-29"\n', ["02-28 or 03-01"]),
        (BARE + '[season]\nend = "30 Nov"\n', ["season.end"]),
        (BARE + "season = 3\n", ["weather.season", "at the top"]),
        ("season = 3\n" + BARE, ["a table"]),
        ('units = "imperial"\n' + BARE, ["imperial", "metric, us"]),
        ('units_in = "feet"\n' + BARE, ["units_in", "feet", "us_survey_ft"]),
        ('units_in = { tree = "ft" }\n' + BARE, ["units_in.tree", "trees?"]),
        (BARE.replace('name = "a"\n', ""), ["name", "nothing"]),
        (BARE.replace('"a"', "3"), ["name", "text in quotes"]),
        (BARE.replace("weather.csv", "wether.csv"), ["does not exist", "weather.csv"]),
        (BARE.replace("property.gpkg", "proprety.gpkg"), ["does not exist", "property.gpkg"]),
        (BARE.replace("elevation_m = 30\n", ""), ["elevation_m", "elevation_ft"]),
        (BARE.replace("= 30", "= 30 m"), ["TOML error", "line 5"]),
        (BARE.split("[weather]", maxsplit=1)[0], ["weather", "Add a table [weather]"]),
        (BARE.replace('layers = "property.gpkg"\n', ""), ["layers", "nothing"]),
    ],
)
def test_one_fault(tmp_path, text, parts):
    message = only(tmp_path, text)
    assert all(part in message for part in parts), message


TIMER = BARE + "[timer]\n"


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ('days = ["Mon"]\nevery_n_days = 2\nminutes = {a = 1}\n', ["days and every_n_days"]),
        ("minutes = {a = 1}\n", ["none of days, every_n_days"]),
        ('days = ["Mon"]\n', ["none of minutes, depth_mm, depth_in"]),
        ('days = ["Mon"]\nminutes = {a = 1}\ndepth_mm = {a = 1}\n', ["minutes and depth_mm"]),
        ('days = ["Mondy"]\nminutes = {a = 1}\n', ["Mondy", 'Write "monday"']),
        ('days = "Mon"\nminutes = {a = 1}\n', ["a list of weekdays"]),
        ('days = ["Mon"]\nminutes = {a = -1}\n', ["timer.minutes.a", "0 to 1440"]),
        ('days = ["Mon"]\nminutes = {a = "20"}\n', ["without quotes"]),
        ('days = ["Mon"]\nminutes = {}\n', ["an empty table"]),
        ('days = ["Mon"]\nstart = "25:00"\nminutes = {a = 1}\n', ["time of day"]),
        ("every_n_days = 0\nminutes = {a = 1}\n", ["1 to 60"]),
    ],
)
def test_timer_fault(tmp_path, text, parts):
    message = only(tmp_path, TIMER + text)
    assert all(part in message for part in parts), message


def test_all_faults_come_at_once(tmp_path):
    found = faults(
        tmp_path,
        'nmae = "x"\nlayers = "gone.gpkg"\n[weather]\nfile = "gone.csv"\nelevation_m = "high"\n'
        '[season]\nstart = "13-01"\n[analysis]\nresolution = 9\n[control]\nkinds = ["drip"]\n',
    )
    # nmae, name, layers, weather file, elevation, season, resolution, kinds
    assert len(found) == 8
    with pytest.raises(InputError, match="8 faults in the input"):
        read_property(tmp_path)


def test_not_utf8_and_not_there(tmp_path):
    path = write(tmp_path, "")
    path.write_bytes('name = "Jardín"'.encode("latin-1"))
    with pytest.raises(InputError, match="not UTF-8"):
        read_property(path)
    with pytest.raises(InputError, match="no such file"):
        read_property(tmp_path / "nothing.toml")


def test_layers_as_a_table(tmp_path):
    (tmp_path / "dsm.tif").touch()
    (tmp_path / "trees.geojson").touch()
    text = BARE.replace('layers = "property.gpkg"\n', 'units_in = { trees = { height = "ft" } }\n')
    text += (
        '[layers]\nfile = "property.gpkg"\nhydrozones = "property.gpkg:Beds: all"\n'
        'trees = { file = "trees.geojson", columns = { height = "HGT" }, text_numbers = true }\n'
        'buildings = { layer = "houses", default_height_ft = 20 }\nsurface = "dsm.tif"\n'
    )
    layers = read_property(write(tmp_path, text)).layers
    assert layers["boundary"].layer == "boundary"
    assert layers["hydrozones"].layer == "Beds: all"
    assert layers["trees"].columns == {"height": "HGT"}
    assert layers["trees"].column_units == {"height": "ft"}
    assert layers["trees"].text_numbers
    assert layers["trees"].layer is None
    assert layers["buildings"].default_height == pytest.approx(6.096)
    assert not layers["buildings"].optional
    assert layers["surface"].path == tmp_path / "dsm.tif"
    assert "terrain" not in layers


def test_faults_in_the_layers_table(tmp_path):
    text = BARE.replace('layers = "property.gpkg"\n', "") + (
        '[layers]\nboundary = "property.gpkg"\nhydrozone = "property.gpkg"\ncans = 3\n'
        'trees = { file = "property.gpkg", columns = { hieght = "HGT" }, text_number = true }\n'
    )
    found = "\n".join(faults(tmp_path, text))
    assert "hydrozone: found an unknown key" in found
    assert "hydrozones?" in found
    assert "layers.hydrozones: found nothing" in found
    assert "layers.cans" in found
    assert "trees.columns.hieght" in found
    assert "text_numbers?" in found


def test_key_lines_follow_tables():
    assert key_lines("# c\na = 1\n\n[b . 'c']\n\"d\" = 2 # x\n") == {"a": 2, "b.c": 4, "b.c.d": 5}


@tries(25)
@given(st.dates(dt.date(2001, 1, 1), dt.date(2001, 12, 31)), st.sampled_from(WEEKDAYS))
def test_every_day_and_weekday_is_accepted(tmp_path_factory, day, weekday):
    text = TIMER + f'days = ["{weekday[:3].title()}"]\nminutes = {{ a = 1 }}\n'
    # A season over the whole year: one that starts on 31 December cannot end there too.
    last = day - dt.timedelta(days=1)
    text += f'[season]\nstart = "{day:%m-%d}"\nend = "{last:%m-%d}"\n'
    read = read_property(write(tmp_path_factory.mktemp("p"), text))
    assert read.season.start == (day.month, day.day)
    assert read.timer is not None
    assert read.timer.days == (WEEKDAYS.index(weekday),)


def test_words_of_a_file_are_mapped_to_ours(tmp_path):
    import geopandas as gpd

    from siting.site.reading import read_site
    from tests.small_property import square, write_property

    zones = {"a": (square(4, 4), {"plants": "Shrub - LOW"}), "b": (square(24, 4), {"plants": "b2"})}
    toml = write_property(tmp_path, zones)
    text = toml.read_text().replace(
        'layers = "layers.gpkg"',
        'layers = { file = "layers.gpkg", hydrozones = { values = { plants = '
        '{ "Shrub  low" = "shrubs", "B2" = "annuals" } } } }',
    )
    toml.write_text(text)
    site = read_site(read_property(toml))
    assert site.hydrozones["plants"].tolist() == ["shrubs", "annuals"]
    assert gpd.read_file(tmp_path / "layers.gpkg", layer="hydrozones")["plants"][1] == "b2"
    toml.write_text(text.replace('"annuals"', '"anuals"').replace("plants = {", "plant = {"))
    with pytest.raises(InputError, match=r"values.*plant"):
        read_property(toml)
    toml.write_text(text.replace('"annuals"', '"anuals"'))
    with pytest.raises(InputError, match='Write "annuals"'):
        read_property(toml)
