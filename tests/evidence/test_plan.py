"""What a walk changes in a plan: the sensor's place, its chances, and what is said of it."""

import numpy as np
import pyproj
import pytest

from siting.decide.places import all_hazards, place_zones
from siting.planning.make import read_inputs
from siting.site.reading import open_property
from siting.zones.survey import moved_raster, survey_site
from tests.small_property import CRS, EAST, NORTH, square, write_property

DRY = EAST + 7.0, NORTH + 15.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """One lawn without shade, 16 m wide: the map knows nothing of where it is dry."""
    folder = tmp_path_factory.mktemp("lawn")
    write_property(folder, {"A": (square(4, 4, 16.0), {})}, scenarios=1, years=1)
    return folder


def walked(folder, days=1):
    """Write a walk in which moisture falls towards the dry place."""
    x, y = (p.ravel() + 5.5 for p in np.meshgrid(np.arange(4) * 4.2, np.arange(4) * 4.2))
    read = 10 + 2 * np.hypot(EAST + x - DRY[0], NORTH + y - DRY[1])
    rows = [
        f"{EAST + a},{NORTH + b},2026-07-{2 + 7 * day:02d},{value:.1f}"
        for day in range(days)
        for a, b, value in zip(x, y, read, strict=True)
    ]
    (folder / "walk.csv").write_text("\n".join(["x,y,date,reading", *rows]) + "\n")
    path = folder / "walked.toml"
    path.write_text(
        (folder / "property.toml").read_text() + '[[evidence]]\nfile = "walk.csv"\nkind = "probe"\n'
    )
    return path


def placed(path):
    """Return what is known of the only zone, and its sensor's place, without the decision."""
    settings, site, climate = read_inputs(path)
    known = survey_site(site, climate, settings)
    hazards, _ = all_hazards(site, settings.setbacks)
    [place] = place_zones(
        site, known.ground, hazards, application=known.application, units="metric"
    )
    to = pyproj.Transformer.from_crs(site.source_crs, site.crs, always_xy=True)
    dry = to.transform(*DRY)
    return known, place, float(np.hypot(place.x - dry[0], place.y - dry[1]))


def test_a_walk_moves_the_sensor_and_its_chances(folder):
    _, before, away = placed(folder / "property.toml")
    known, after, nearer = placed(walked(folder, days=2))
    assert nearer < 4.0 < away
    assert after.chances.driest_quarter > before.chances.driest_quarter + 0.3
    assert after.chances.expected_rank > before.chances.expected_rank
    assert after.chances_tested is None
    note = known.application["A"].words(after.chances.driest_quarter, np.nan)
    assert note == (
        "application not known, assumed; 32 readings of the probe walk of 2026-07-02, 2026-07-09"
    )
    [told] = [text for text in known.warnings if "zone A: 32 readings of the probe walk" in text]
    assert "from day to day" in told
    lat, lon = map(
        float, told.split("disagree with the map most at ")[1].split(" (")[0].split(", ")
    )
    x, y = pyproj.Transformer.from_crs(4326, CRS, always_xy=True).transform(lon, lat)
    assert np.hypot(x - DRY[0], y - DRY[1]) < 4.0


def test_a_site_holds_what_was_read(folder):
    _, site = open_property(walked(folder))
    [one] = site.evidence
    assert (one.kind, one.date, len(one.x)) == ("probe walk", "2026-07-02", 16)
    assert any(name.endswith("walk.csv") for name in site.sources)


def test_what_readings_moved_is_drawn(folder):
    known, _, _ = placed(folder / "property.toml")
    assert moved_raster(known.shade, known.ground, known.application).size == 0
    known, _, _ = placed(walked(folder))
    moved = moved_raster(known.shade, known.ground, known.application)
    assert moved.shape == known.sun.sky_view.shape
    seen = moved[np.isfinite(moved)]
    assert seen.min() < 0.9
    assert seen.max() > 1.1
