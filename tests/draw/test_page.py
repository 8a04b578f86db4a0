"""The drawing page in a browser without a network: a person draws, saves, comes back."""

import json
import shutil
import time

import numpy as np
import pytest
import rasterio
import shapely
from PIL import Image
from rasterio.transform import from_origin

from siting.cli.main import main
from siting.draw.page import write_page
from siting.site.property import read_property
from siting.site.reading import read_site
from tests.chromium import DESK, IN_A_BROWSER, PHONE, css, faults, press, requests, running, show
from tests.draw.person import (
    PIXEL_M,
    PLAN,
    SCALE_BAR,
    TREES,
    Person,
    draw_plan,
    draw_yard,
    tell_weather,
)
from tests.handoff.test_webmap_access import serious
from tests.small_property import write_weather

pytestmark = IN_A_BROWSER
SIZES = {"desk": DESK, "phone": PHONE}


@pytest.fixture(scope="module")
def browser():
    with running() as driver:
        yield driver


def opened(driver, folder, size=DESK, *, anew=True):
    """Write a page into a folder, and open it; anew as in a browser that has not seen it."""
    page, _ = write_page(folder)
    driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled",
                           {"enabled": size == PHONE, "maxTouchPoints": 1})  # fmt: skip
    driver.execute_cdp_cmd("Browser.setDownloadBehavior",
                           {"behavior": "allow", "downloadPath": str(folder)})  # fmt: skip
    show(driver, page.as_uri(), size)
    if anew:
        driver.execute_script("localStorage.clear()")
        driver.refresh()
    person = Person(driver, thumb=size == PHONE)
    person.wait("window.matchMedia && Page && State")
    return person


def saved(person, folder):
    """Press Save, and read the file."""
    file = folder / "drawing.geojson"
    file.unlink(missing_ok=True)
    person.press("#save")
    end = time.monotonic() + 60
    while not file.exists():
        assert time.monotonic() < end, "nothing was saved"
        time.sleep(0.02)
    return file


@pytest.mark.parametrize("size", SIZES)
def test_a_person_draws_a_yard_from_a_picture(browser, tmp_path, size, run, record_property):
    write_weather(tmp_path / "days.csv")
    person = opened(browser, tmp_path, SIZES[size])
    draw_yard(person, draw_plan(tmp_path / "plan.png"))
    tell_weather(person, tmp_path / "days.csv")
    assert person.left() == []
    file = saved(person, tmp_path)
    seconds = time.monotonic() - person.began
    record_property("person", f"{person.clicks} clicks, {person.typed} fields, {seconds:.0f} s")
    assert person.clicks <= 75
    assert person.typed <= 16
    assert requests(browser, browser.current_url) == []
    assert faults(browser) == []

    assert run("new", tmp_path / "yard", "--from", file).exit_code == 0
    site = read_site(read_property(tmp_path / "yard"))
    for name, corners in PLAN.items():
        true = shapely.Polygon(corners).area * PIXEL_M**2
        if name == "boundary":
            drawn = site.boundary.area
        elif name == "house":
            drawn = site.buildings.area.iloc[0]
        else:
            drawn = site.hydrozones.loc[name.title()].geometry.area
        assert drawn == pytest.approx(true, rel=0.01), name
    crowns = sorted(2 * r * PIXEL_M for _, r in TREES)
    assert sorted(site.trees["crown_diameter"]) == pytest.approx(crowns, rel=0.03)
    assert site.buildings["height"].tolist() == [6.0]
    assert site.hydrozones["valve"].tolist() == ["3", "1", "2"]
    if size == "desk":
        quick = [f"--set={key}" for key in ("analysis.resolution=1", "analysis.scenarios=2",
                                            "control.max_sensors=1")]  # fmt: skip
        made = run("plan", tmp_path / "yard", "--out", tmp_path / "plan", *quick)
        assert made.exit_code == 0, made.output
        assert {"map.html", "crew.pdf"} <= {path.name for path in (tmp_path / "plan").iterdir()}


@pytest.fixture
def run():
    from click.testing import CliRunner

    return lambda *words: CliRunner().invoke(main, [str(word) for word in words])


def test_axe_finds_nothing_serious(browser, tmp_path):
    for size in SIZES.values():
        person = opened(browser, tmp_path, size)
        assert serious(browser) == []
        person.press("[data-kind='zone']")
        assert serious(browser) == []
        person.press("#stop")
        browser.execute_script(
            "State.add({id: State.next(), kind: 'zone', values: {}, shape: {type: 'area',"
            "parts: [[[[0, 0], [20, 0], [20, 10], [0, 10]]]]}});"
            "for (const box of document.querySelectorAll('details')) box.open = true;"
        )
        press(browser, "#all button")
        browser.execute_script("document.querySelector('[data-field=way]').value = 'normals';"
                               "document.querySelector('[data-field=way]').onchange()")  # fmt: skip
        assert serious(browser) == []


def keys(driver, *pressed):
    [view] = css(driver, "#map")
    for key in pressed:
        view.send_keys(key)


def at_rest(person):
    before = None
    while before != (before := person.js("return Page.onScreen([0, 0])")):
        time.sleep(0.1)


def test_the_keyboard_alone_draws_moves_back_and_forth(browser, tmp_path):
    from selenium.webdriver.common.keys import Keys

    person = opened(browser, tmp_path)
    [tool] = css(browser, "[data-kind='boundary']")
    tool.send_keys(Keys.ENTER)
    right, down, left = [Keys.ARROW_RIGHT] * 4, [Keys.ARROW_DOWN] * 2, [Keys.ARROW_LEFT] * 4
    for way in ([], right, down, left):
        keys(browser, *way)
        at_rest(person)
        keys(browser, " ")
    keys(browser, Keys.ENTER)
    person.wait("State.now.things.length === 1")
    shape = browser.execute_script("return State.now.things[0].shape.parts[0][0]")
    assert len(shape) == 4
    before = browser.execute_script("return Plane.area(State.now.things[0].shape)")
    assert before > 20
    press(browser, "#undo")
    assert browser.execute_script("return State.now.things.length") == 0
    press(browser, "#redo")
    assert browser.execute_script("return Plane.area(State.now.things[0].shape)") == before


def area_of(x0, y0, x1, y1):
    return {"type": "area", "parts": [[[[x0, y0], [x1, y0], [x1, y1], [x0, y1]]]]}


def put(driver, kind, shape, **values):
    return driver.execute_script(
        "const id = State.next();"
        "State.add({id, kind: arguments[0], shape: arguments[1], values: arguments[2]}); return id",
        kind, shape, values)  # fmt: skip


def trace(person, corners, end="#finish"):
    for corner in corners:
        person.at(*person.js("return Page.onScreen(arguments[0])", corner))
    person.press(end)


def test_holes_splits_corners_and_snapping(browser, tmp_path):
    person = opened(browser, tmp_path)
    put(browser, "zone", area_of(0, 0, 20, 10), zone="Lawn", valve="1", plants="shrubs")
    press(browser, "#whole")
    press(browser, "#all button")
    browser.execute_script("[...document.querySelectorAll('#form button')]"
                           ".find((b) => b.textContent === 'Cut a hole').click()")  # fmt: skip
    trace(person, [(2, 2), (6, 2), (6, 6), (2, 6)])
    person.wait("State.now.things[0].shape.parts[0].length === 2")
    area = browser.execute_script("return Plane.area(State.now.things[0].shape)")
    assert area == pytest.approx(200 - 16, rel=0.02)
    browser.execute_script("[...document.querySelectorAll('#form button')]"
                           ".find((b) => b.textContent === 'Split').click()")  # fmt: skip
    trace(person, [(12, -1), (12, 11)])
    person.wait("State.now.things.length === 2")
    areas = browser.execute_script("return State.now.things.map((t) => Plane.area(t.shape))")
    assert sum(areas) == pytest.approx(area)
    assert sorted(areas) == pytest.approx([80, 104], rel=0.03)
    names = browser.execute_script("return State.now.things.map((t) => t.values.zone)")
    assert len(set(names)) == 2
    press(browser, "#undo")
    assert browser.execute_script("return State.now.things.length") == 1

    # A corner pressed near a drawn one is that one.
    press(browser, "#farther")
    press(browser, "[data-kind='paving']")
    trace(person, [(20.15, 10.1), (24, 10), (24, 14), (20, 14)])
    person.wait("State.now.things.length === 2")
    corner = browser.execute_script("return State.now.things[1].shape.parts[0][0][0]")
    assert corner == pytest.approx([20, 10], abs=1e-3)

    # A corner is dragged.
    browser.execute_script("Page.choose(State.now.things[0].id)")
    x, y = person.js("return Page.onScreen([0, 0])")
    u, v = person.js("return Page.onScreen([-2, -2])")
    mouse = browser.execute_cdp_cmd
    mouse("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": x, "y": y})
    grip = {"button": "left", "buttons": 1, "clickCount": 1}
    mouse("Input.dispatchMouseEvent", {"type": "mousePressed", "x": x, "y": y, **grip})
    for share in np.linspace(0, 1, 12):
        way = {"x": x + share * (u - x), "y": y + share * (v - y)}
        mouse("Input.dispatchMouseEvent", {"type": "mouseMoved", **way, **grip})
    mouse("Input.dispatchMouseEvent", {"type": "mouseReleased", "x": u, "y": v, **grip})
    person.wait("Plane.area(State.now.things[0].shape) > 200")
    moved = browser.execute_script("return State.now.things[0].shape.parts[0][0][0]")
    assert moved == pytest.approx([-2, -2], abs=0.3)


HOSTILE = "<img src=x onerror=window.hacked=1>\"'</script><script>window.hacked=1</script>"


def test_hostile_names_shapes_and_reload(browser, tmp_path):
    ring = [[0.0001 * np.cos(t), 0.0001 * np.sin(t)] for t in np.linspace(0, 2 * np.pi, 10_000)]
    ring[-1] = ring[0]
    bow = [[0, 0], [0.0002, 0.0002], [0.0002, 0], [0, 0.0002], [0, 0]]
    features = [
        ("boundary", {}, [ring]), ("hydrozones", {"zone": HOSTILE, "plants": HOSTILE}, [bow]),
        ("__proto__", {}, [bow]), (HOSTILE, {}, [bow]), ("buildings", {"height": "1e999"}, [bow]),
    ]  # fmt: skip
    content = {
        "type": "FeatureCollection",
        "siting_drawing": {"version": 1, "name": HOSTILE, "place": {"lat": 40, "lon": -105},
                           "told": {"__proto__": {"x": 1}, "weather": {"way": HOSTILE}}},
        "features": [
            {"type": "Feature", "properties": {"layer": layer, **values},
             "geometry": {"type": "Polygon", "coordinates": rings}}
            for layer, values, rings in features
        ],
    }  # fmt: skip
    file = tmp_path / "drawing.geojson"
    file.write_text(json.dumps(content), encoding="utf-8")
    person = opened(browser, tmp_path)
    person.choose_files(file)
    person.wait("State.now.things.length === 3")
    assert "Left out: 3" in person.tell()
    assert any("crosses itself" in line for line in person.left())
    browser.execute_script(
        "for (const box of document.querySelectorAll('details')) box.open = true;"
        "for (const b of document.querySelectorAll('#all button')) b.click()"
    )
    browser.execute_script("Page.choose(State.now.things[0].id)")
    assert "too many to move one by one" in person.tell()
    browser.execute_script("[...document.querySelectorAll('#form button')]"
                           ".find((b) => b.textContent === 'Thin').click()")  # fmt: skip
    assert browser.execute_script("return Plane.corners(State.now.things[0].shape)") < 200
    press(browser, "#undo")
    before = browser.execute_script("return JSON.stringify(State.now)")
    browser.refresh()
    person.wait("Page && State")
    assert browser.execute_script("return JSON.stringify(State.now)") == before
    assert "as you left it" in person.tell()
    assert browser.execute_script("return [window.hacked, {}.x, document.title]") == [
        None, None, f"Draw {tmp_path.name}"]  # fmt: skip
    assert json.loads(saved(person, tmp_path).read_text())["siting_drawing"]["name"]
    assert faults(browser) == []


def test_hostile_pictures_and_files_are_said(browser, tmp_path):
    person = opened(browser, tmp_path)
    put(browser, "zone", area_of(0, 0, 20, 10), zone="Lawn")
    bomb = tmp_path / "bomb.png"
    draw_plan(bomb)
    raw = bytearray(bomb.read_bytes())
    raw[16:24] = (40_000).to_bytes(4, "big") * 2
    bomb.write_bytes(raw)
    (tmp_path / "text.png").write_text("no picture")
    (tmp_path / "cut.geojson").write_text('{"type": "FeatureCollection", "fea')
    (tmp_path / "none.geojson").write_text('{"type": "FeatureCollection", "features": 3}')
    (tmp_path / "plan.wld").write_text("1\n2\n3")
    for name, says in {
        "bomb.png": "40000 by 40000 pixels", "text.png": "cannot be shown as a picture",
        "cut.geojson": "not JSON", "none.geojson": "no features", "plan.wld": "lies beside its",
    }.items():  # fmt: skip
        person.choose_files(tmp_path / name)
        person.wait(f"document.getElementById('said').textContent.includes('{says}')")
    assert browser.execute_script("return State.now.things.length") == 1
    assert browser.execute_script("return State.now.picture") is None


@pytest.mark.parametrize("packed", ["none", "lzw", "deflate", "packbits"])
def test_a_geotiff_lies_by_its_own_tags(browser, tmp_path, packed):
    """Written by rasterio, in UTM zone 13; the place by pyproj."""
    from pyproj import Transformer

    file = tmp_path / "aerial.tif"
    west, north, cell = 476_900.0, 4_430_000.0, 0.2
    pixels = np.zeros((3, 300, 400), dtype=np.uint8)
    pixels[0, :, :200], pixels[1, :150, :] = 255, 255
    with rasterio.open(file, "w", driver="GTiff", width=400, height=300, count=3, dtype="uint8",
                       crs="EPSG:32613", compress=packed,
                       transform=from_origin(west, north, cell, cell)) as to:  # fmt: skip
        to.write(pixels)
    person = opened(browser, tmp_path)
    person.choose_files(file)
    person.wait("State.now.picture")
    assert "by its own tags" in person.tell()
    at, place = person.js("return [State.now.picture.at, State.now.place]")
    back = Transformer.from_crs("EPSG:32613", "EPSG:4326", always_xy=True)
    lon, lat = back.transform(west + 200 * cell, north - 150 * cell)
    assert (place["lon"], place["lat"]) == pytest.approx((lon, lat), abs=1e-7)
    assert np.hypot(at[0], at[1]) == pytest.approx(cell, rel=1e-3)
    top_left = person.js(
        "return Plane.toDegrees([arguments[0][4], arguments[0][5]], State.now.place)", at
    )
    assert top_left == pytest.approx(back.transform(west, north), abs=2e-7)
    shown = person.js(
        "const c = document.getElementById('canvas').getContext('2d');"
        "const b = document.getElementById('map').getBoundingClientRect();"
        "return [[50, 50], [350, 50], [50, 250], [350, 250]].map(([u, v]) => {"
        "const a = State.now.picture.at;"
        "const [x, y] = Page.onScreen([a[0]*u + a[2]*v + a[4], a[1]*u + a[3]*v + a[5]]);"
        "return [...c.getImageData(x - b.left + 3, y - b.top + 3, 1, 1).data].slice(0, 3); })"
    )
    lit = [[colour > 128 for colour in rgb[:2]] for rgb in shown]
    assert lit == [[True, True], [False, True], [True, False], [False, False]]


def test_a_world_file_and_two_coordinates(browser, tmp_path):
    plan = draw_plan(tmp_path / "plan.png")
    # Degrees a pixel for 2.5 cm at 40° N, the picture's middle at 40° N 105° W.
    north, east = 0.025 / 111_034.6, 0.025 / 85_393.6
    world = [east, 0, 0, -north, -105 - 599.5 * east, 40 + 449.5 * north]
    (tmp_path / "plan.pgw").write_text("\n".join(f"{value:.15f}" for value in world))
    person = opened(browser, tmp_path)
    person.choose_files(plan, tmp_path / "plan.pgw")
    person.wait("State.now.picture")
    at, place = person.js("return [State.now.picture.at, State.now.place]")
    assert (place["lon"], place["lat"]) == pytest.approx((-105, 40), abs=1e-6)
    assert (at[0], at[3]) == pytest.approx((0.025, -0.025), rel=1e-4)


LAY = (
    "[...document.querySelectorAll('button')]"
    ".find((b) => b.textContent === 'Lay it by two coordinates').click()"
)


def test_a_picture_is_laid_by_two_points_of_known_coordinates(browser, tmp_path):
    """A line of the plan, 1,120 pixels long, runs 28 m due north from 40.02° N 105.27° W."""
    from pyproj import Geod

    person = opened(browser, tmp_path)
    person.choose_files(draw_plan(tmp_path / "plan.png"))
    person.wait("State.now.picture")
    browser.execute_script(LAY)
    for end in SCALE_BAR:
        person.pixel(end)
    lon, lat, _ = Geod(ellps="WGS84").fwd(-105.27, 40.02, 0, 28)
    for name, value in (("lat1", 40.02), ("lon1", -105.27), ("lat2", lat), ("lon2", lon)):
        person.fill(name, f"{value:.9f}", "#known")
    person.wait("State.now.picture.scaled && State.now.picture.turned")
    assert "lies by its two points" in person.tell()
    at, place = person.js("return [State.now.picture.at, State.now.place]")
    assert np.hypot(at[0], at[1]) == pytest.approx(PIXEL_M, rel=0.01)
    assert (place["lat"], place["lon"]) == pytest.approx((40.02, -105.27), abs=1e-4)
    ends = [person.js("const a = State.now.picture.at, [u, v] = arguments[0];"
                      "return Plane.toDegrees([a[0]*u + a[2]*v + a[4], a[1]*u + a[3]*v + a[5]],"
                      "State.now.place)", list(end)) for end in SCALE_BAR]  # fmt: skip
    # Within a pixel or two at each end, which is as well as a finger presses.
    assert ends[0] == pytest.approx([-105.27, 40.02], abs=2e-6)
    assert ends[1] == pytest.approx([lon, lat], abs=2e-6)
    # Two places that are one are said, and change nothing.
    browser.execute_script(LAY)
    for end in SCALE_BAR:
        person.pixel(end)
    for name, value in (("lat1", 40.02), ("lon1", -105.27), ("lat2", 40.02), ("lon2", -105.27)):
        person.fill(name, value, "#known")
    assert "less than half a metre" in person.tell()
    assert person.js("return State.now.picture.at") == at


def test_a_photo_tells_where_it_was_taken(browser, tmp_path):
    """EXIF written by Pillow: 33° 51' 36" S, 151° 12' 36" E."""
    photo = Image.new("RGB", (400, 300), "#7a9a6a")
    exif = Image.Exif()
    exif.get_ifd(0x8825).update(
        {1: "S", 2: (33.0, 51.0, 36.0), 3: "E", 4: (151.0, 12.0, 36.0)})  # fmt: skip
    photo.save(tmp_path / "photo.jpg", exif=exif)
    photo.save(tmp_path / "bare.jpg")
    (tmp_path / "cut.jpg").write_bytes((tmp_path / "photo.jpg").read_bytes()[:120])
    person = opened(browser, tmp_path)
    person.choose_files(tmp_path / "bare.jpg")
    person.wait("State.now.picture && State.now.picture.name === 'bare.jpg'")
    assert person.js("return State.now.place || null") is None
    person.choose_files(tmp_path / "photo.jpg")
    person.wait("State.now.picture.name === 'photo.jpg' && State.now.place")
    place = person.js("return State.now.place")
    assert (place["lat"], place["lon"]) == pytest.approx((-33.86, 151.21), abs=1e-6)
    person.choose_files(tmp_path / "cut.jpg")
    person.wait("document.getElementById('said').textContent.includes('cannot be shown')")
    assert person.js("return State.now.picture.name") == "photo.jpg"


def test_a_corner_is_taken_away_by_a_long_press_of_the_thumb(browser, tmp_path):
    person = opened(browser, tmp_path, PHONE)
    corners = [[0, 0], [20, 0], [20, 10], [10, 14], [0, 10]]
    put(browser, "zone", {"type": "area", "parts": [[corners]]}, zone="Lawn", plants="shrubs")
    person.press("#whole")
    browser.execute_script("Page.choose(State.now.things[0].id)")
    person.js("document.getElementById('map').scrollIntoView({block: 'center'})")
    at_rest(person)
    x, y = person.js("return Page.onScreen([10, 14])")
    cdp = browser.execute_cdp_cmd
    cdp("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    time.sleep(1.2)
    cdp("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    person.wait("Plane.corners(State.now.things[0].shape) === 4", 10)
    left = browser.execute_script("return State.now.things[0].shape.parts[0][0]")
    assert sorted(map(tuple, np.round(left, 2))) == [(0, 0), (0, 10), (20, 0), (20, 10)]
    assert person.js("return document.querySelectorAll('#form:empty').length") == 0
    press(browser, "#undo")
    assert person.js("return Plane.corners(State.now.things[0].shape)") == 5
    # A thumb that moves on drags the corner or the plan, and takes nothing away.
    browser.execute_script("Page.choose(State.now.things[0].id)")
    at_rest(person)
    x, y = person.js("return Page.onScreen([10, 14])")
    cdp("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    cdp("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x + 30, "y": y}]})
    time.sleep(0.8)
    cdp("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert person.js("return Plane.corners(State.now.things[0].shape)") == 5


def test_a_file_comes_back_as_it_was_saved_with_its_picture(browser, tmp_path):
    person = opened(browser, tmp_path)
    person.choose_files(draw_plan(tmp_path / "plan.png"))
    person.wait("State.now.picture")
    put(browser, "zone", area_of(0, 0, 20, 10), zone="Läwn \N{DECIDUOUS TREE}", plants="shrubs")
    put(browser, "hedge", {"type": "line", "parts": [[[0, 0], [9, 9]]]}, height=1.5)
    put(browser, "tree", {"type": "point", "at": [3, 4]}, crown_diameter=4.0)
    file = saved(person, tmp_path)
    kept = tmp_path / "kept.geojson"
    shutil.move(file, kept)
    before = person.js("return State.now")
    again = opened(browser, tmp_path)
    again.choose_files(kept)
    again.wait("State.now.things.length === 3")
    after = again.js("return State.now")
    assert [t["values"] for t in after["things"]] == [t["values"] for t in before["things"]]
    assert [t["kind"] for t in after["things"]] == ["zone", "hedge", "tree"]
    corners = [t["shape"].get("parts", [[[t["shape"].get("at")]]])[0] for t in after["things"]]
    assert np.ravel(corners[0]) == pytest.approx([0, 0, 20, 0, 20, 10, 0, 10], abs=1e-4)
    assert after["picture"] == before["picture"]
    with Image.open(tmp_path / "plan.png") as picture:
        assert (after["picture"]["width"], after["picture"]["height"]) == picture.size
