"""A first plan of a boundary, zones, plants and a place: what stands in, and how sure that is."""

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from siting.cli.main import main
from siting.climate.model import WeatherOptions
from siting.climate.readers import read_weather, stand_in_normals
from siting.errors import InputError
from siting.planning.make import plan_property
from siting.planning.words import assumed_notes, assumed_of
from siting.site.property import read_property
from siting.water.reference_et import eto_terms
from tests.draw.test_drawing import drawing, saved
from tests.real_weather import SEATTLE, WAGENINGEN, seattle_daily, wageningen_daily


def demand(climate, latitude):
    """Return the reference ET of May to October [mm/d]."""
    daily = climate.daily
    eto = eto_terms(daily, latitude=latitude, elevation_m=climate.elevation_m).open_sky
    return float(pd.Series(eto, daily.index)[daily.index.month.isin(range(5, 11))].mean())


@pytest.mark.cross_check("measured days of Seattle 2012 to 2015 and Wageningen")
@pytest.mark.parametrize(
    ("place", "days"), [(SEATTLE, seattle_daily), (WAGENINGEN, wageningen_daily)]
)
def test_the_stand_in_is_as_far_off_as_it_says(tmp_path, place, days):
    """Between a fifth less and a half more than the record, as its note says."""
    latitude, longitude, height = place
    options = WeatherOptions(elevation_m=height, latitude=latitude, longitude=longitude, years=5)
    real = read_weather(days(tmp_path / "days.csv"), options=options)
    made = read_weather("", kind="stand_in", options=options)
    assert 0.8 <= demand(made, latitude) / demand(real, latitude) <= 1.5
    assert any("between a fifth less and a half more" in note for note in made.warnings)


@pytest.mark.closed_form("the sun's year turns over at the equator; air cools with height")
def test_the_stand_in_has_its_summer_where_the_sun_is():
    north, south = stand_in_normals(40, 0), stand_in_normals(-40, 0)
    assert north["tmax_c"].idxmax() in (7, 8)
    assert south["tmax_c"].idxmax() in (1, 2)
    assert np.ptp(stand_in_normals(0, 0)["tmax_c"]) == pytest.approx(0)
    assert (stand_in_normals(40, 1000)["tmax_c"] < north["tmax_c"]).all()


def test_it_stands_in_only_where_no_file_is_named(tmp_path):
    content = drawing(told={})
    made = CliRunner().invoke(
        main, ["new", str(tmp_path / "yard"), "--from", str(saved(tmp_path, content))]
    )
    assert made.exit_code == 0, made.output
    file = tmp_path / "yard" / "property.toml"
    assert read_property(file).weather.format == "stand_in"
    file.write_text(file.read_text().replace("[weather]", '[weather]\nfile = "weather.csv"'))
    with pytest.raises(InputError, match='Remove format = "stand_in" once the file holds weather'):
        read_property(file)
    file.write_text(file.read_text().replace('format = "stand_in"', ""))
    checked = CliRunner().invoke(main, ["check", str(file)])
    assert checked.exit_code == 1
    assert 'for a first plan, format = "stand_in" needs none' in checked.output.replace("\n", " ")


def test_a_first_plan_says_what_it_stands_on(tmp_path):
    """Boundary, zones, plants and a place; nothing else is told."""
    content = drawing(told={})
    content["features"] = [f for f in content["features"]
                           if f["properties"]["layer"] in ("boundary", "hydrozones")]  # fmt: skip
    for feature in content["features"]:
        for name in ("precipitation_rate", "valve"):
            feature["properties"].pop(name, None)
    made = CliRunner().invoke(
        main, ["new", str(tmp_path / "yard"), "--from", str(saved(tmp_path, content))]
    )
    assert made.exit_code == 0, made.output
    quick = {"analysis.resolution": 1.0, "analysis.scenarios": 2, "control.max_sensors": 1,
             "weather.years": 3}  # fmt: skip
    plan = plan_property(tmp_path / "yard", changes=quick)
    assert plan.headline.startswith("First plan, without weather: a dry climate by latitude")
    assert "of 100 cases" in plan.headline
    assert any(note.startswith("no weather was given") for note in plan.warnings)
    assert [name for name in plan.provenance["inputs"] if "weather" in name] == []
    gaps = [note for note in plan.warnings if note.startswith("assumed: ")]
    assert all("to find out: " in note for note in gaps)
    swings = [one.swing for one in assumed_of(plan.zones["defaults"], plan.sensitivity)]
    known = [swing for swing in swings if np.isfinite(swing)]
    assert known == sorted(known, reverse=True)
    assert len(known) >= 5
    assert not np.isfinite(swings[-1])  # a slope was not tried, and stands last


def test_assumptions_are_told_in_the_order_in_which_they_move_the_result():
    defaults = pd.Series({"A": "soil sandy loam, root_depth, precipitation_rate", "B": "root_depth",
                          "C": ""})  # fmt: skip
    moves = pd.DataFrame(
        {"swing": [2.0, 90.0], "measure": "net saving a year", "unit": "USD"},
        index=["available water", "application rate"],
    )
    told = assumed_notes(defaults, moves, "metric")
    assert told == (
        "assumed: how fast the heads water (zone A); as unsure as such values are, it moves the "
        "net saving a year by 90 USD; to find out: set out cans",
        "assumed: the soil (zone A); as unsure as such values are, it moves the net saving a year "
        "by 2 USD; to find out: a jar or ribbon test",
        "assumed: the depth of roots (zones A, B); as unsure as such values are, it moves the net "
        "saving a year by 2 USD; to find out: dig one hole and look",
    )
    assert "was not tried" in assumed_notes(defaults, moves.iloc[:0], "us")[0]
