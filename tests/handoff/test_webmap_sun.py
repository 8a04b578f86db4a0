"""The pictures of the sun's slider: right place, right hour, right value, small."""

import base64
import dataclasses
import io

import geopandas as gpd
import numpy as np
import pyproj
import pytest
from PIL import Image
from shapely.geometry import LineString

from siting.handoff import overlays as _map_sun
from siting.palette import SUN, ramp_rgb
from siting.sun.shade import shade_instants
from tests.plan_factory import LATITUDE, LONGITUDE, make_plan
from tests.some import some


@pytest.fixture(scope="module")
def plan():
    return make_plan()


@pytest.fixture(scope="module")
def document(plan):
    return _map_sun.sun_document(plan)


def shares(frame, shades):
    """Values of a picture on its scale, 0..1; NaN where it is clear."""
    raw = base64.b64decode(frame["url"].removeprefix("data:image/png;base64,"))
    image = np.asarray(Image.open(io.BytesIO(raw)).convert("RGBA")).astype(int)
    steps = np.linspace(0, 1, shades)
    colours = ramp_rgb(SUN, steps).astype(int)
    apart = np.abs(image[..., None, :3] - colours).sum(axis=-1)
    assert apart.min(axis=-1)[image[..., 3] > 0].max() == 0
    return np.where(image[..., 3] > 0, steps[apart.argmin(axis=-1)], np.nan)


def at(plan, frame, values, x, y):
    """Value of a picture at places in the working CRS."""
    (south, west), (north, east) = frame["bounds"]
    to_mercator = pyproj.Transformer.from_crs(4326, 3857, always_xy=True)
    (x0, x1), (y0, y1) = to_mercator.transform([west, east], [south, north])
    place = pyproj.Transformer.from_crs(plan.site.crs, 3857, always_xy=True).transform(x, y)
    column = ((place[0] - x0) / (x1 - x0) * values.shape[1]).astype(int)
    row = ((y1 - place[1]) / (y1 - y0) * values.shape[0]).astype(int)
    return values[row, column]


@pytest.mark.closed_form(
    "Meeus, Astronomical Algorithms: the obliquity of the ecliptic is 23.44 deg"
)
def test_noon_elevations_follow_from_latitude_and_obliquity():
    for (month, day), tilt in zip(_map_sun.DAYS, (23.44, 0.0, -23.44), strict=True):
        sun = _map_sun.day_instants(LATITUDE, LONGITUDE, month, day)
        assert sun.loc[12, "elevation"] == pytest.approx(90 - LATITUDE + tilt, abs=0.35)
        assert sun.loc[12, "azimuth"] == pytest.approx(180, abs=1.0)
        # by the sun's own time morning and afternoon mirror each other
        for before, after in ((9, 15), (10, 14)):
            early, late = sun.loc[before], sun.loc[after]
            assert early["elevation"] == pytest.approx(late["elevation"], abs=0.4)
            assert early["azimuth"] == pytest.approx(360 - late["azimuth"], abs=1)


def test_hours_and_days_are_named(document):
    labels = [day["label"] for day in document["days"]]
    assert labels == [
        "21 June (longest day)",
        "20 March and 22 September (equinox)",
        "21 December (shortest day)",
    ]
    # where the trees are bare in March and in leaf in September, the picture is of March alone
    assert _map_sun._label(3, 20, 55.0) == "20 March (equinox)"
    counts = [len(day["frames"]) for day in document["days"]]
    assert counts == sorted(counts, reverse=True)
    assert all("12:00" in [f["label"] for f in day["frames"]] for day in document["days"])
    assert [m["label"] for m in document["months"]][:2] == ["March", "April"]


def test_longest_day_is_in_december_south_of_the_equator(plan):
    south = dataclasses.replace(plan, site=dataclasses.replace(plan.site, latitude=-35.0))
    labels = [day["label"] for day in _map_sun.sun_document(south)["days"]]
    assert labels[2] == "21 December (longest day)"


def test_polar_night_has_no_pictures(plan):
    north = dataclasses.replace(plan, site=dataclasses.replace(plan.site, latitude=78.0))
    days = _map_sun.sun_document(north)["days"]
    assert [day["label"][:7] for day in days] == ["21 June", "20 Marc"]


def test_walls_shade_and_bare_trees_let_the_light_through(plan, document):
    """A wall darkens its north side at noon; a deciduous crown is paler in December."""
    line = LineString([(-30, 0.0), (-10, 0.0)])
    walls = gpd.GeoDataFrame(
        {"height": [3.0], "transmissivity": [0.0], "feature": ["1"]},
        geometry=[line.buffer(0.2)],
        crs=plan.site.crs,
    )
    trees = plan.site.trees.assign(evergreen=False, transmissivity_bare=0.9)
    site = dataclasses.replace(plan.site, walls=walls, trees=trees)
    changed = _map_sun.sun_document(dataclasses.replace(plan, site=site))
    [noon], [before] = (
        [f for f in made["days"][2]["frames"] if f["label"] == "12:00"]
        for made in (changed, document)
    )
    lit, old = shares(noon, 9), shares(before, 9)
    north = np.array([-20.0]), np.array([1.5])
    assert at(plan, noon, lit, *north) < 0.1
    assert at(plan, before, old, *north) > 0.9
    below = np.array([34.0]), np.array([11.0])  # in the crown's shadow at noon in December
    assert at(plan, before, old, *below) < 0.4
    assert at(plan, noon, lit, *below) > 0.6


def test_shade_pictures_show_the_shade(plan, document):
    sun = _map_sun.day_instants(LATITUDE, LONGITUDE, 12, 21)
    grid = _map_sun.picture_grid(plan.site.boundary.bounds, plan.sun.grid.resolution)
    x, y = np.meshgrid(grid.x[3:-3], grid.y[3:-3])
    for frame in some(document["days"][2]["frames"][::4]):
        hour = int(frame["label"].split(":")[0])
        lit = shade_instants(
            grid,
            [sun.loc[hour, "elevation"]],
            [sun.loc[hour, "azimuth"]],
            buildings=plan.site.buildings,
            trees=plan.site.trees,
        )[0, 3:-3, 3:-3]
        shown = at(plan, frame, shares(frame, 9), x, y)
        known = np.isfinite(lit) & np.isfinite(shown)
        assert known.mean() > 0.9
        # nearest neighbour on another projection: only cells along shadow edges may differ
        assert (np.abs(shown[known] - lit[known]) > 1 / 16 + 1e-9).mean() < 0.03
        assert (lit[known] < 0.5).any()


def test_month_pictures_show_the_sun_hours(plan, document):
    scale = _map_sun.sun_scale(plan)
    grid = plan.sun.grid
    x, y = np.meshgrid(grid.x[2:-2], grid.y[2:-2])
    for k, frame in enumerate(some(document["months"])):
        shown = scale.low + (scale.high - scale.low) * at(plan, frame, shares(frame, 32), x, y)
        hours = plan.sun.sun_hours[k, 2:-2, 2:-2]
        known = np.isfinite(shown) & np.isfinite(hours)
        assert known.sum() > 10_000
        off = np.abs(shown[known] - hours[known])
        # half a step of the ramp, and a cell to either side
        assert np.quantile(off, 0.99) < (scale.high - scale.low) / 62 + 0.3


def test_pictures_are_small_and_the_same_every_time(plan, document):
    assert _map_sun.sun_document(plan) == document
    frames = [*document["months"], *(f for day in document["days"] for f in day["frames"])]
    assert len(frames) > 30
    assert sum(len(f["url"]) for f in frames) < 400_000
