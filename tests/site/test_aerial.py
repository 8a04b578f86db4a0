"""The user's own aerial photo behind the map, and base maps only in a separate, asked-for file."""

import base64
import dataclasses
import io
import json
import re

import numpy as np
import pyproj
import pytest
import rasterio
from click.testing import CliRunner
from PIL import Image
from rasterio.enums import ColorInterp
from rasterio.transform import from_origin

from siting.cli.main import main
from siting.errors import InputError
from siting.handoff.overlays import MOST_BYTES, aerial_overlay
from siting.handoff.webmap import map_html, write_map
from siting.site.property import read_property
from siting.site.reading import read_site
from siting.site.settings import LayerSource
from tests.chromium import CHROMIUM, DESK, DRIVER, requests, running, show
from tests.plan_factory import SOURCE_EPSG, make_plan
from tests.small_property import EAST, NORTH, write_property

CELL = 0.25


def photo(path, *, epsg=SOURCE_EPSG, corner=None, size=480, bands=3, kind="uint8", spot=None):
    """A noisy green photo; a red square of 2 m at `spot` (column, row)."""
    rng = np.random.default_rng(5)
    picture = rng.integers(60, 120, (bands, size, size)).astype(kind)
    if spot:
        column, row = spot
        picture[:, row - 4 : row + 4, column - 4 : column + 4] = 0
        picture[0, row - 4 : row + 4, column - 4 : column + 4] = 255
    if kind != "uint8":
        picture = picture * 40
    west, north = corner
    with rasterio.open(
        path, "w", driver="GTiff", width=size, height=size, count=bands, dtype=kind,
        crs=f"EPSG:{epsg}" if epsg else None, transform=from_origin(west, north, CELL, CELL),
    ) as out:  # fmt: skip
        out.write(picture)
    return path


@pytest.fixture(scope="module")
def corner():
    plan = make_plan()
    to_source = pyproj.Transformer.from_crs(plan.site.crs, plan.site.source_crs, always_xy=True)
    east, north = to_source.transform(0.0, 0.0)
    return east - 60, north + 60


def with_photo(path):
    plan = make_plan()
    layers = {**plan.settings.layers, "aerial": LayerSource(path)}
    return dataclasses.replace(plan, settings=dataclasses.replace(plan.settings, layers=layers))


def pixels(overlay):
    head, body = overlay["url"].split(",")
    assert head == "data:image/jpeg;base64"
    raw = base64.b64decode(body)
    assert len(raw) <= MOST_BYTES
    return np.asarray(Image.open(io.BytesIO(raw)).convert("RGB")).astype(int)


def test_the_photo_lies_where_it_was_taken(corner, tmp_path):
    spot = (310, 170)
    plan = with_photo(photo(tmp_path / "photo.tif", corner=corner, spot=spot))
    made = aerial_overlay(plan)
    image = pixels(made)
    rows, columns = np.nonzero((image[..., 0] > 170) & (image[..., 1] < 90))
    to_mercator = pyproj.Transformer.from_crs(4326, 3857, always_xy=True)
    (south, west), (north, east) = made["bounds"]
    (x0, x1), (y0, y1) = to_mercator.transform([west, east], [south, north])
    x = x0 + (columns.mean() + 0.5) / image.shape[1] * (x1 - x0)
    y = y1 - (rows.mean() + 0.5) / image.shape[0] * (y1 - y0)
    found = pyproj.Transformer.from_crs(3857, SOURCE_EPSG, always_xy=True).transform(x, y)
    true = corner[0] + CELL * spot[0], corner[1] - CELL * spot[1]
    assert found == pytest.approx(true, abs=0.15)


@pytest.mark.parametrize(
    ("bands", "kind"), [(1, "uint8"), (3, "uint8"), (4, "uint8"), (3, "uint16")]
)
def test_photos_of_any_make_fit_the_page(corner, tmp_path, bands, kind):
    path = photo(tmp_path / "photo.tif", corner=corner, bands=bands, kind=kind)
    image = pixels(aerial_overlay(with_photo(path)))
    middle = image[200:-200, 200:-200]
    assert middle.std() > 3
    assert 30 < middle.mean() < 225


def test_a_palette_photo_keeps_its_colours(corner, tmp_path):
    path = tmp_path / "photo.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=480, height=480, count=1, dtype="uint8",
        crs=f"EPSG:{SOURCE_EPSG}", transform=from_origin(*corner, CELL, CELL),
        photometric="palette",
    ) as out:  # fmt: skip
        out.write_colormap(1, {7: (200, 60, 20, 255)})
        out.write(np.full((1, 480, 480), 7, np.uint8))
        assert out.colorinterp[0] is ColorInterp.palette
    middle = pixels(aerial_overlay(with_photo(path)))[300:-300, 300:-300]
    assert np.abs(middle - [200, 60, 20]).max() < 6


def test_outside_the_photo_is_paper(corner, tmp_path):
    path = photo(tmp_path / "photo.tif", corner=corner, size=240)
    image = pixels(aerial_overlay(with_photo(path)))
    assert np.abs(image[-20:, -20:] - [0xF6, 0xF4, 0xEE]).max() < 8


def test_the_page_with_a_photo_is_small_and_the_same_every_time(corner, tmp_path):
    plan = with_photo(photo(tmp_path / "photo.tif", corner=corner))
    html = map_html(plan)
    assert html == map_html(plan)
    assert len(html) < 1_500_000
    assert "aerial" in json.loads(re.search(r'id="plan">(.*?)</script>', html)[1])["overlays"]


def test_no_photo_no_overlay():
    assert aerial_overlay(make_plan()) is None


def named(folder, path):
    toml = write_property(folder)
    text = toml.read_text(encoding="utf-8")
    table = f'layers = {{ file = "layers.gpkg", aerial = "{path.name}" }}'
    toml.write_text(text.replace('layers = "layers.gpkg"', table), encoding="utf-8")
    return toml


def test_a_sound_photo_is_accepted_and_hashed(tmp_path):
    path = photo(tmp_path / "photo.tif", corner=(EAST - 20, NORTH + 80))
    settings = read_property(named(tmp_path, path))
    assert settings.layers["aerial"].path == path
    site = read_site(settings)
    assert str(path) in site.sources
    assert not any("aerial" in warning for warning in site.warnings)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"epsg": None, "corner": (EAST - 20, NORTH + 80)}, "no coordinate reference system"),
        ({"corner": (EAST + 5000, NORTH)}, "a picture of somewhere else"),
    ],
)
def test_a_photo_that_cannot_be_shown_is_refused(tmp_path, options, said):
    path = photo(tmp_path / "photo.tif", **options)
    with pytest.raises(InputError, match=said):
        read_site(read_property(named(tmp_path, path)))


def test_a_file_that_is_no_photo_is_refused(tmp_path):
    (tmp_path / "photo.tif").write_text("not a picture", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be read"):
        read_site(read_property(named(tmp_path, tmp_path / "photo.tif")))


def test_a_photo_of_a_part_is_noted(tmp_path):
    path = photo(tmp_path / "photo.tif", corner=(EAST - 5, NORTH + 30), size=150)
    warnings = read_site(read_property(named(tmp_path, path))).warnings
    assert any(re.search(r"aerial: \d+% of the property has no picture", w) for w in warnings)


def test_online_maps_name_their_servers_and_credit_them():
    plain, online = map_html(make_plan()), map_html(make_plan(), online=True)
    assert "openstreetmap" not in plain
    assert json.loads(re.search(r'id="plan">(.*?)</script>', plain)[1])["basemaps"] == []
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', online)[1]
    sources = re.search(r"img-src ([^;]*);", policy)[1].split()
    assert sources[0] == "data:"
    assert set(sources[1:]) == {
        "https://tile.openstreetmap.org",
        "https://basemap.nationalmap.gov",
    }
    assert "connect-src" not in policy
    maps = json.loads(re.search(r'id="plan">(.*?)</script>', online)[1])["basemaps"]
    assert len(maps) == 2
    assert all(base["attribution"] for base in maps)


@pytest.mark.browser
@pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="no chromium and chromedriver here")
def test_only_the_online_map_asks_and_only_its_servers(tmp_path):
    from selenium.webdriver.support.ui import WebDriverWait

    url = write_map(make_plan(), tmp_path / "map-online.html", online=True).as_uri()
    with running() as driver:
        show(driver, url, DESK)
        # Tiles are asked for once the page stands, which a busy machine sees later.
        asked = WebDriverWait(driver, 20).until(lambda found: requests(found, url))
        assert asked
        assert all(u.startswith("https://tile.openstreetmap.org/") for u in asked)
        credit = driver.find_element("css selector", ".leaflet-control-attribution")
        assert "OpenStreetMap" in credit.text
        assert "Content Security Policy" not in json.dumps(driver.get_log("browser"))


def test_command_line_writes_it_only_when_asked(tmp_path):
    toml = write_property(tmp_path / "ground")
    runner = CliRunner()
    done = runner.invoke(main, ["plan", str(toml), "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    assert not (tmp_path / "out" / "map-online.html").exists()
    done = runner.invoke(main, ["plan", str(toml), "--out", str(tmp_path / "out"), "--online-map"])
    assert done.exit_code == 0, done.output
    assert "openstreetmap" in (tmp_path / "out" / "map-online.html").read_text(encoding="utf-8")
    assert "openstreetmap" not in (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
