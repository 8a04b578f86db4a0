"""A property that is mirrored, turned or shifted, the sun with it, keeps its sensors' places."""

import dataclasses

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import affinity

from siting import _plan_survey, planning
from siting.climate.calendar import season_calendar
from siting.demo import demo_property

CM = 0.01


def moved(site, matrix):
    """The site with every layer under an affine map."""

    def move(shape):
        return None if shape is None else affinity.affine_transform(shape, matrix)

    changed = {}
    for field in dataclasses.fields(site):
        value = getattr(site, field.name)
        if isinstance(value, gpd.GeoDataFrame):
            layer = value.set_geometry([move(shape) for shape in value.geometry], crs=value.crs)
            if "crown" in layer:
                layer["crown"] = [move(crown) for crown in layer["crown"]]
            changed[field.name] = layer
        elif isinstance(value, shapely.Geometry):
            changed[field.name] = move(value)
    return dataclasses.replace(site, **changed)


def places(site, climate, settings):
    """Survey a site and place a sensor in each of its zones."""
    seasons = season_calendar(climate, start=settings.season.start, end=settings.season.end)
    terms = planning.eto_terms(
        climate.daily, latitude=site.latitude, elevation_m=climate.elevation_m
    )
    known = planning.survey_site(
        site, climate, settings, (seasons, terms), threads=1, progress=None
    )
    return planning._placed(site, settings, climate, known, progress=None).placements


@pytest.fixture(scope="module")
def yard():
    settings, site, climate = planning.read_inputs(demo_property("yard"))
    return site, climate, settings, places(site, climate, settings)


@pytest.mark.parametrize(
    ("matrix", "turn"),
    [
        ((-1, 0, 0, 1, 0, 0), None),  # the sun's day is its own mirror image
        ((0, -1, 1, 0, 0, 0), -90.0),
        ((-1, 0, 0, -1, 0, 0), 180.0),
        ((1, 0, 0, 1, 1234.0, -987.0), None),
        ((1, 0, 0, 1, 0.25, 0.25), None),  # half a cell
    ],
)
def test_places_move_with_the_property(yard, monkeypatch, matrix, turn):
    """Within 5 cm, in every zone; turned with the sun, as nothing else tells north."""
    site, climate, settings, before = yard
    if turn is not None:
        known = _plan_survey.season_positions

        def turned(*args, **options):
            sun = known(*args, **options)
            return dataclasses.replace(sun, azimuth=(sun.azimuth + turn) % 360)

        monkeypatch.setattr(_plan_survey, "season_positions", turned)
    after = places(moved(site, matrix), climate, settings)
    for one, other in zip(before, after, strict=True):
        wanted = affinity.affine_transform(shapely.Point(one.x, one.y), matrix)
        assert np.hypot(other.x - wanted.x, other.y - wanted.y) < 5 * CM
        assert other.rank == pytest.approx(one.rank, abs=0.01)


def test_the_sports_grounds_mirrored():
    """Even fields, where the sky's directions alone once moved a point by 2 m."""
    settings, site, climate = planning.read_inputs(demo_property("fields"))
    mirror = (-1, 0, 0, 1, 0, 0)
    before, after = (places(s, climate, settings) for s in (site, moved(site, mirror)))
    for one, other in zip(before, after, strict=True):
        assert np.hypot(other.x + one.x, other.y - one.y) < 5 * CM
