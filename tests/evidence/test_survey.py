"""`siting survey`: where to probe, on a page, as waypoints and as a table that comes back."""

import csv
import json
import shutil

import gpxpy
import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from shapely.geometry import Point

from siting.cli.main import main
from siting.planning.walk import plan_walk
from siting.site.reading import open_property
from tests.small_property import square, write_property


@pytest.fixture(scope="module")
def survey(tmp_path_factory):
    """The files of a survey of the wider of two lawns."""
    folder = tmp_path_factory.mktemp("survey")
    zones = {"Front": (square(4, 4, 18.0), {}), "=Back": (square(26, 4, 10.0), {})}
    path = write_property(folder, zones, scenarios=1, years=1)
    command = ["survey", str(path), "--zone", "Front", "--json", "--threads", "1"]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 0, done.output
    return path, json.loads(done.stdout)


def test_places_are_on_admissible_ground_and_the_spots_among_them(survey):
    _, answer = survey
    places = answer["places"]
    assert [row["place"] for row in places] == [f"P{k + 1}" for k in range(len(places))]
    assert 17 <= len(places) <= 19
    assert 1 <= sum(row["spot"] for row in places) <= 3
    assert {row["zone"] for row in places} == {"Front"}


def test_the_files_agree(survey):
    path, answer = survey
    page, track, table = (
        (path.parent / "survey" / name).read_text()
        for name in ("walk.html", "walk.gpx", "walk.csv")
    )
    rows = list(csv.DictReader(table.splitlines()))
    assert [row["place"] for row in rows] == [row["place"] for row in answer["places"]]
    gpx = gpxpy.parse(track)
    assert [at.name for at in gpx.routes[0].points] == [row["place"] for row in rows]
    assert gpx.waypoints[0].latitude == pytest.approx(float(rows[0]["lat"]), abs=1e-7)
    assert page.count("<circle") == len(rows)
    assert page.count("<input inputmode") == 2 * len(rows)
    assert "Not probed: =Back" in page
    assert "811" in page
    assert "811" in gpx.description
    assert "http" not in page.replace("http-equiv", "")


def test_a_filled_table_comes_back_as_evidence_and_is_never_overwritten(survey, tmp_path):
    path, _ = survey
    home = tmp_path / "p"
    shutil.copytree(path.parent, home)
    table = home / "survey" / "walk.csv"
    rows = list(csv.DictReader(table.read_text().splitlines()))
    for k, row in enumerate(rows):
        row |= {"date": "2026-07-02", "reading 1": str(20 + k), "reading 2": str(21 + k)}
    with table.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    text = (home / "property.toml").read_text()
    (home / "property.toml").write_text(
        text + '[[evidence]]\nfile = "survey/walk.csv"\nkind = "probe"\n'
    )
    _, site = open_property(home)
    [one] = site.evidence
    assert one.value.tolist() == [-20.5 - k for k in range(len(rows))]
    front = site.hydrozones.geometry["Front"]
    assert shapely.contains_xy(front, one.x, one.y).all()
    gap = min(
        Point(a).distance(Point(b))
        for k, a in enumerate(np.column_stack([one.x, one.y]))
        for b in np.column_stack([one.x, one.y])[:k]
    )
    assert gap > 0.4
    again = CliRunner().invoke(main, ["survey", str(home), "--threads", "1"])
    assert again.exit_code == 1
    assert "is there already" in again.output
    assert list(csv.DictReader(table.read_text().splitlines())) == rows


def test_narrow_ground_has_fewer_places_and_drip_is_left_out(tmp_path):
    drip = {"irrigation": "drip", "plants": "shrubs"}
    zones = {"Strip": (square(4, 4, 5.0), {}), "Bed": (square(12, 4, 10.0), drip)}
    path = write_property(tmp_path / "p", zones, scenarios=1, years=1)
    walk = plan_walk(path, threads=1)
    assert walk.left_out == ("Bed",)
    assert 6 <= len(walk.places) < 16


def test_a_zone_that_is_not_there_is_refused(survey, tmp_path):
    path, _ = survey
    command = ["survey", str(path), "--zone", "Side", "--out", str(tmp_path / "x")]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 1
    assert "zone Side" in done.output
    assert not (tmp_path / "x").exists()
