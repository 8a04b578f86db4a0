"""A property that is mirrored, turned or shifted, the sun with it, keeps its sensors' places."""

import dataclasses
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import affinity

from siting.place import placement
from siting.place.placement import Placement
from siting.place.rank import RankField
from siting.planning import make as planning
from siting.site.template import demo_property
from siting.zones import survey as _plan_survey
from siting.zones.ground import property_grid
from tests.some import some

CM = 0.01

#: How the words begin where the plan says that no place of the ground, or of its drier half, is
#: better than another.
EQUAL = ("Any place here", "The zone dries evenly", "The drier half of the ground dries alike")


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


class Placed(NamedTuple):
    """A placement, and the field of ranks that it was found on."""

    at: Placement
    ranks: RankField


def places(site, climate, settings):
    """Survey a site and place a sensor in each of its zones."""
    survey = planning.survey_site(site, climate, settings)
    fields, made = [], placement._ranks_of
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(placement, "_ranks_of", lambda *a: fields.append(made(*a)) or fields[-1])
        _, placed, _ = planning._places(survey, threads=1, progress=None)
    return [Placed(*pair) for pair in zip(placed, fields, strict=True)]


def strayed(before, after, matrix):
    """How far placements lie from where a map takes the old ones [m], by how much their ranks
    differ, and whether the plan says that any place is as good.

    A place lies right where the plan names it too: at the point, or at a reserve that is told to be
    as good.
    """
    found = []
    for (one, _), (other, _) in zip(before, after, strict=True):
        here = shapely.Point(other.x, other.y)
        named = [(one.x, one.y), *((at.x, at.y) for at in one.reserves if at.as_good)]
        moved_to = [affinity.affine_transform(shapely.Point(at), matrix) for at in named]
        away = min(float(at.distance(here)) for at in moved_to)
        anywhere = one.reason.startswith(EQUAL) and other.reason.startswith(EQUAL)
        found.append((away, abs(one.rank - other.rank), anywhere))
    return found


def held(before, after, matrix):
    """Every place within 5 cm of one that the plan names, or told to be as good as any."""
    for away, rank, anywhere in some(strayed(before, after, matrix)):
        assert away < 5 * CM or anywhere
        assert rank < 0.01


def equals(before, after):
    """Whether the map that found each place cannot tell the other run's from it."""
    return [
        bool(one.ranks.as_good((one.at.x, one.at.y), *np.array([[other.at.x], [other.at.y]]))[0])
        for one, other in zip(before, after, strict=True)
    ]


def held_to_the_map(before, after):
    """Within 5 cm, or where the map cannot tell it from the point; ranks to a twentieth."""
    told = strayed(before, after, (1, 0, 0, 1, 0, 0))
    for (away, rank, _), equal in zip(some(told), equals(before, after), strict=True):
        assert away < 5 * CM or equal
        assert rank < 0.05


MIRROR = (-1, 0, 0, 1, 0, 0)
MAPS = [
    (MIRROR, None),  # the sun's day is its own mirror image
    ((0, -1, 1, 0, 0, 0), -90.0),
    ((-1, 0, 0, -1, 0, 0), 180.0),
    ((1, 0, 0, 1, 1234.0, -987.0), None),
]


def sun_turned(patch, turn):
    """Turn the sun with the property, as nothing else tells north."""
    known = _plan_survey.season_positions

    def turned(*args, **options):
        sun = known(*args, **options)
        return dataclasses.replace(sun, azimuth=(sun.azimuth + turn) % 360)

    patch.setattr(_plan_survey, "season_positions", turned)


def raster_shifted(patch):
    """Lay the raster half a cell elsewhere over the same property."""

    def shifted(site, resolution):
        grid = property_grid(site, resolution)
        half = resolution / 2
        return grid._replace(west=grid.west + half, north=grid.north + half)

    patch.setattr(_plan_survey, "property_grid", shifted)


@pytest.fixture(scope="module")
def yard():
    settings, site, climate = planning.read_inputs(demo_property("yard"))
    return site, climate, settings, places(site, climate, settings)


@pytest.mark.parametrize(("matrix", "turn"), MAPS)
def test_places_move_with_the_property(yard, monkeypatch, matrix, turn):
    """Within 5 cm, in every zone, and to the same rank."""
    site, climate, settings, before = yard
    if turn is not None:
        sun_turned(monkeypatch, turn)
    held(before, places(moved(site, matrix), climate, settings), matrix)


def test_places_stay_where_the_raster_is_laid_half_a_cell_elsewhere(yard, monkeypatch):
    site, climate, settings, before = yard
    raster_shifted(monkeypatch)
    held_to_the_map(before, places(site, climate, settings))


def test_the_sports_grounds_mirrored():
    """Even fields, where the sky's directions alone once moved a point by 2 m."""
    settings, site, climate = planning.read_inputs(demo_property("fields"))
    before, after = (places(s, climate, settings) for s in (site, moved(site, MIRROR)))
    held(before, after, MIRROR)


@pytest.mark.long
@pytest.mark.parametrize("name", ["court", "fields", "campus"])
def test_places_of_every_bundled_property_move_with_it(name):
    """Some minutes: mirrored, turned, shifted, and the raster laid half a cell elsewhere."""
    settings, site, climate = planning.read_inputs(demo_property(name))
    before = places(site, climate, settings)
    for matrix, turn in MAPS:
        with pytest.MonkeyPatch.context() as patch:
            if turn is not None:
                sun_turned(patch, turn)
            held(before, places(moved(site, matrix), climate, settings), matrix)
    with pytest.MonkeyPatch.context() as patch:
        raster_shifted(patch)
        held_to_the_map(before, places(site, climate, settings))
