"""The obstacle horizon against closed forms and ray tests; pictures show what was computed."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from shapely import Point, box
from shapely.affinity import rotate

from siting.errors import InputError
from siting.site.model import LocalGrid
from siting.sun.horizon import horizon
from siting.sun.pictures import draw_shade, draw_sun_hours, draw_sun_path, save_picture
from siting.sun.position import season_positions
from siting.sun.raytest import lit_share
from siting.sun.shade import ShadeOptions, shade_instants, shade_season

GRID = LocalGrid(100.0, 240.0, 0.5, 80, 100)
NO_TREES = gpd.GeoDataFrame({"height": []}, geometry=[])


def houses(shapes, heights):
    return gpd.GeoDataFrame({"height": list(heights)}, geometry=list(shapes))


def tree(x, y, *, height=10.0, spread=6.0, light=0.2, crown=None):
    columns = {"height": [height], "crown_diameter": [spread], "transmissivity": [light]}
    return gpd.GeoDataFrame({**columns, "crown": [crown]}, geometry=[Point(x, y)])


NO_HOUSES = houses([], [])
YARD = houses([box(110, 220, 122, 232), box(130, 205, 138, 230)], [6.0, 9.0])
TREES = gpd.GeoDataFrame(
    {"height": [7.0, 5.0], "crown_diameter": [5.0, 4.0], "transmissivity": [0.2, 0.3]},
    geometry=[Point(126, 212), Point(143, 222)],
)


# The horizon


def test_horizon_of_a_long_wall():
    """A wall of height h at distance d rises to atan(h cos(a) / d), a from its normal."""
    wall = houses([box(-1e6, 20, 1e6, 21)], [5.0])
    azimuth = np.array([0.0, 30, 60, 85, 95, 180, 275, 330])
    seen = horizon((0, 0), azimuth, buildings=wall, trees=NO_TREES)
    expected = np.degrees(np.arctan(np.maximum(5 * np.cos(np.radians(azimuth)), 0) / 20))
    assert seen.solid == pytest.approx(expected, abs=1e-9)


def test_horizon_of_a_pole():
    """A square pole 0.2 m wide, 10 m high, 50 m to the east spans 0.23 degrees at 11.3 degrees."""
    pole = houses([box(50, -0.1, 50.2, 0.1)], [10.0])
    edge = np.degrees(np.arctan(0.1 / 50))
    azimuth = np.array([90 - edge - 1e-6, 90 - edge + 1e-6, 90, 90 + edge - 1e-6, 90 + edge + 1e-6])
    seen = horizon((0, 0), azimuth, buildings=pole, trees=NO_TREES)
    top = np.degrees(np.arctan(10 / 50))
    assert seen.solid[[0, 4]] == pytest.approx(0)
    assert seen.solid[1:4] == pytest.approx(top, abs=1e-4)


def test_the_higher_of_two_houses_counts_and_not_the_nearer():
    two = houses([box(-5, 10, 5, 12), box(-5, 30, 5, 32)], [2.0, 30.0])
    assert horizon((0, 0), [0.0], buildings=two, trees=NO_TREES).solid == pytest.approx([45.0])


def test_a_courtyard_is_seen_from_inside():
    court = houses([box(-20, -20, 20, 20).difference(box(-10, -10, 10, 10))], [10.0])
    seen = horizon((0, 0), [0.0, 45.0, 90.0], buildings=court, trees=NO_TREES)
    diagonal = np.degrees(np.arctan(1 / np.sqrt(2)))
    assert seen.solid == pytest.approx([45, diagonal, 45])


def test_horizon_of_a_drawn_crown():
    """A crown over y from 10 to 20 m, 3 to 10 m high, lies between atan(3/20) and atan(10/10)."""
    one = tree(0, 15, crown=box(-5, 10, 5, 20)).assign(crown_base=3.0)
    seen = horizon((0, 0), [0.0, 180.0], buildings=NO_HOUSES, trees=one)
    assert seen.low[0] == pytest.approx([np.degrees(np.arctan(3 / 20)), np.nan], nan_ok=True)
    assert seen.high[0] == pytest.approx([45, np.nan], nan_ok=True)
    assert seen.light([30.0, 30.0]) == pytest.approx([0.2, 1.0])


def test_horizon_of_a_ball_in_a_tree():
    """A ball of radius r with its centre at distance D spans 2 asin(r / D)."""
    one = tree(0, 30, height=43.0, spread=6.0).assign(crown_base=37.0)
    seen = horizon((0, 0), [0.0], buildings=NO_HOUSES, trees=one)
    middle, half = np.degrees(np.arctan(40 / 30)), np.degrees(np.arcsin(3 / 50))
    assert [seen.low[0, 0], seen.high[0, 0]] == pytest.approx([middle - half, middle + half])


def test_a_hedge_lets_light_through_and_a_wall_does_not():
    lines = [shapely.LineString([(-9, 10), (9, 10)]), shapely.LineString([(-9, -10), (9, -10)])]
    walls = gpd.GeoDataFrame({"height": [10.0, 10.0], "transmissivity": [0.4, 0.0]}, geometry=lines)
    seen = horizon((0, 0), [0.0, 180.0], buildings=NO_HOUSES, trees=NO_TREES, walls=walls)
    assert seen.solid == pytest.approx([0, 45])
    assert seen.light([40.0, 40.0]) == pytest.approx([0.4, 0.0])
    assert seen.light([50.0, 50.0]) == pytest.approx([1.0, 1.0])


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_light_under_the_horizon_is_that_of_ray_tests(seed):
    random = np.random.default_rng(seed)
    shapes = [
        rotate(box(x, y, x + 6, y + 4), random.uniform(0, 90))
        for x, y in random.uniform(-25, 25, (5, 2))
        if abs(x + 3) > 5 or abs(y + 2) > 5
    ]
    layers = {"buildings": houses(shapes, random.uniform(2, 12, len(shapes)))}
    crowns = [Point(*random.uniform(-15, 15, 2)) for _ in range(6)]
    layers["trees"] = gpd.GeoDataFrame(
        {
            "height": random.uniform(3, 12, 6),
            "crown_diameter": random.uniform(2, 12, 6),
            "transmissivity": random.uniform(0.1, 0.6, 6),
            "crown": [c.buffer(3, quad_segs=2) if i % 2 else None for i, c in enumerate(crowns)],
        },
        geometry=crowns,
    )
    elevation, azimuth = random.uniform(1, 89, 200), random.uniform(0, 360, 200)
    seen = horizon((0, 0), azimuth, **layers).light(elevation)
    assert seen == pytest.approx(lit_share([(0, 0)], elevation, azimuth, **layers)[:, 0])


def test_a_point_in_a_building_has_no_horizon():
    with pytest.raises(InputError, match="outside buildings"):
        horizon((115, 225), buildings=YARD, trees=NO_TREES)


# The pictures


@pytest.fixture(scope="module")
def lit():
    return shade_instants(GRID, 35.0, 220.0, buildings=YARD, trees=TREES)[0]


@pytest.fixture(scope="module")
def season():
    sun = season_positions(50.0, 14.0, months=(4, 6, 9), minutes=60)
    options = ShadeOptions(sky_directions=4)
    return shade_season(GRID, sun, buildings=YARD, trees=TREES, options=options)


def test_the_picture_of_an_instant_is_the_array(lit):
    figure = Figure((6, 5), layout="compressed")
    axes = draw_shade(figure, lit, GRID, buildings=YARD, trees=TREES, title="Noon")
    shown = axes.images[0].get_array()
    assert np.array_equal(shown.filled(np.nan), lit, equal_nan=True)
    assert axes.get_title(loc="left") == "Noon"


def test_cells_are_drawn_where_they_lie(lit):
    """Without anything over it, the colour in the picture at a cell's centre is the cell's."""
    figure = Figure((6, 5), dpi=100)
    axes = draw_shade(figure, lit, GRID, buildings=NO_HOUSES)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())
    image = axes.images[0]
    colours = image.cmap(image.norm(image.get_array()), bytes=True)
    for row, column in np.random.default_rng(5).integers(2, np.array(GRID.shape) - 2, (200, 2)):
        place = (column + 0.5) * GRID.resolution, (GRID.rows - row - 0.5) * GRID.resolution
        x, y = axes.transData.transform(place)
        found = pixels[len(pixels) - 1 - int(y), int(x), :3]
        wanted = colours[row, column, :3]
        assert found == pytest.approx(wanted, abs=1), (row, column)


def test_months_are_drawn_in_one_scale(season):
    figure = Figure((9, 4), layout="compressed")
    drawn = draw_sun_hours(figure, season, buildings=YARD, trees=TREES)
    assert [axes.get_title(loc="left") for axes in drawn] == ["Apr", "Jun", "Sep"]
    assert len({axes.images[0].get_clim() for axes in drawn}) == 1
    for axes, hours in zip(drawn, season.sun_hours, strict=True):
        assert np.array_equal(axes.images[0].get_array().filled(np.nan), hours, equal_nan=True)


def draw_path(**more):
    figure = Figure((9, 6), layout="constrained")
    place = {"latitude": 50.0, "longitude": 14.0, "buildings": YARD, "trees": TREES}
    return figure, draw_sun_path(figure, (126.0, 216.0), **{**place, **more})


def words_of(axes):
    return "\n".join(text.get_text() for text in axes.texts)


def test_the_sky_tells_hours_of_sun():
    """Open ground has the whole day; 24 h in the polar summer, none in its winter."""
    figure, axes = draw_path(buildings=NO_HOUSES, trees=NO_TREES, months=(3,))
    assert "Mar   11.8 of 11.8 h" in words_of(axes)
    figure, axes = draw_path(buildings=NO_HOUSES, trees=NO_TREES, latitude=75.0, months=(6, 12))
    assert "Jun   24.0 of 24.0 h\nDec    0.0 of  0.0 h" in words_of(axes)
    assert figure.axes == [axes]


def test_the_sky_draws_the_horizon_it_computed():
    _, axes = draw_path()
    seen = horizon((126.0, 216.0), buildings=YARD, trees=TREES)
    outline = max(axes.lines, key=lambda line: len(line.get_xdata()))
    assert outline.get_ydata()[:-1] == pytest.approx(90 - seen.solid)
    assert outline.get_xdata()[:-1] == pytest.approx(np.radians(seen.azimuth))


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_files_are_the_same_twice(tmp_path, lit, season, kind):
    def draw(name):
        first, second = Figure((5, 4), layout="compressed"), Figure((8, 4), layout="compressed")
        draw_shade(first, lit, GRID, buildings=YARD, trees=TREES, units="us")
        draw_sun_hours(second, season, buildings=YARD)
        third, _ = draw_path()
        return [
            save_picture(figure, tmp_path / f"{name}{i}.{kind}").read_bytes()
            for i, figure in enumerate((first, second, third))
        ]

    assert draw("a") == draw("b")


def test_faults_are_told(lit, tmp_path):
    with pytest.raises(InputError, match="Use the raster's grid"):
        draw_shade(Figure(), lit[1:], GRID, buildings=YARD)
    with pytest.raises(InputError, match="Rename the file"):
        save_picture(Figure(), tmp_path / "picture.docx")
    with pytest.raises(InputError, match="outside buildings"):
        draw_sun_path(
            Figure(), (115, 225), latitude=50, longitude=14, buildings=YARD, trees=NO_TREES
        )
