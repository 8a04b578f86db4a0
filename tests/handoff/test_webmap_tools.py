"""What a crew does on the map in a browser: measure, stand somewhere, photograph, switch units."""

import dataclasses
import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from PIL import Image

from siting.handoff import facts
from siting.handoff.webmap import write_map
from siting.units import FOOT_M
from tests.chromium import (
    DESK,
    IN_A_BROWSER,
    PHONE,
    css,
    faults,
    gone,
    press,
    requests,
    running,
    show,
    switch,
    text,
)
from tests.plan_factory import make_plan

pytestmark = IN_A_BROWSER
SIZES = pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
#: Rectangles on the page that overlap, of those that two selectors find.
OVERLAPS = """
const boxes = (s) => [...document.querySelectorAll(s)].filter((n) =>
  getComputedStyle(n).visibility === "visible" && n.getBoundingClientRect().width);
const [ones, others] = [boxes(arguments[0]), boxes(arguments[1])];
return ones.flatMap((a) => others.filter((b) => {
  const [r, t] = [a.getBoundingClientRect(), b.getBoundingClientRect()];
  return a !== b && r.right > t.left + 0.5 && t.right > r.left + 0.5
    && r.bottom > t.top + 0.5 && t.bottom > r.top + 0.5;
}).map((b) => [a.textContent, b.textContent || b.tagName]));
"""


@pytest.fixture(scope="module")
def browser():
    with running() as driver:
        yield driver


@pytest.fixture(scope="module")
def url(tmp_path_factory):
    return write_map(make_plan(), tmp_path_factory.mktemp("map") / "map.html").as_uri()


def sensor_at(driver, index):
    script = (
        'return JSON.parse(document.getElementById("plan").textContent).sensors[arguments[0]].at'
    )
    return driver.execute_script(script, index)


def tap(driver, at):
    driver.execute_script("map_plan.fire('click', { latlng: L.latLng(arguments[0]) })", at)


def metres_and_inches(said):
    metres, feet, inches = re.match(r"([\d.]+) m \((?:(\d+) ft )?(\d+) in\)", said).groups()
    return float(metres), (12 * int(feet or 0) + int(inches)) * FOOT_M / 12


@SIZES
def test_measure_between_two_sensors_gives_their_distance_in_both_units(browser, url, size):
    plan = make_plan()
    true = plan.sensors.geometry.iloc[0].distance(plan.sensors.geometry.iloc[1])
    page = show(browser, url, size)
    press(page, "#measure")
    css(page, ".pin .tag")[0].click()
    assert gone(page, ".card:not([hidden])")  # a tap on a sensor takes its place
    css(page, ".pin .tag")[1].click()
    metres, inches = metres_and_inches(text(page, "#measured"))
    assert metres == pytest.approx(true, abs=0.006)
    assert inches == pytest.approx(true, abs=0.0128)
    assert "to the south" in text(page, "#measured")
    press(page, "#units-us")
    assert re.match(r"\d+ ft \d+ in \([\d.]+ m\)", text(page, "#measured"))


def test_measure_adds_legs_and_takes_them_back(browser, url):
    page = show(browser, url, DESK)
    lat, lon = sensor_at(page, 0)
    press(page, "#measure")
    assert text(page, "#measured") == "Tap the first point."
    for point in ([lat, lon], [lat + 1e-4, lon], [lat + 1e-4, lon + 1e-4]):
        tap(page, point)
    north, east = page.execute_script(
        'return JSON.parse(document.getElementById("plan").textContent).metres_per_degree'
    )
    total, _ = metres_and_inches(text(page, "#measured"))
    assert total == pytest.approx((north + east) * 1e-4, abs=0.006)
    assert "in 2 legs" in text(page, "#measured")
    press(page, "#measure-undo")
    assert metres_and_inches(text(page, "#measured"))[0] == pytest.approx(north * 1e-4, abs=0.006)
    press(page, "#measure-end")
    assert not css(page, "#measuring")[0].is_displayed()
    css(page, ".pin .tag")[0].click()
    assert css(page, ".card:not([hidden])")


def test_measure_by_keyboard_alone(browser, url):
    from selenium.webdriver import Keys

    page = show(browser, url, DESK)
    page.execute_script("document.getElementById('measure').focus()")
    page.switch_to.active_element.send_keys(Keys.ENTER)
    page.execute_script("document.getElementById('measure-add').focus()")
    page.switch_to.active_element.send_keys(Keys.ENTER)
    page.execute_script("map_plan.panBy([100, 0], { animate: false })")
    page.switch_to.active_element.send_keys(Keys.ENTER)
    assert metres_and_inches(text(page, "#measured"))[0] > 1
    page.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert not css(page, "#measuring")[0].is_displayed()
    assert page.switch_to.active_element.get_attribute("id") == "measure"


def test_a_simulated_position_is_followed(browser, url):
    """The browser's own geolocation, simulated: not a stand-in for it on the page."""
    from selenium.webdriver.support.ui import WebDriverWait

    page = show(browser, url, PHONE)
    lat, lon = sensor_at(page, 1)
    page.execute_cdp_cmd("Browser.grantPermissions", {"permissions": ["geolocation"]})
    for north, said in ((10, "Sensor S2 is 10.0 m to the south."), (5, "Sensor S2 is 5.0 m")):
        place = {"latitude": lat + north / 110_855, "longitude": lon, "accuracy": 3}
        page.execute_cdp_cmd("Emulation.setGeolocationOverride", place)
        if north == 10:
            press(page, "#locate")
        WebDriverWait(page, 8).until(lambda d, said=said: said in text(d, "#status"))
    assert "± 3.0 m" in text(page, "#status")
    press(page, "#locate")
    assert text(page, "#status") == ""
    page.execute_cdp_cmd("Emulation.clearGeolocationOverride", {})
    assert requests(page, url) == []
    assert faults(page) == []


@SIZES
def test_a_photo_is_shown_and_stays_on_the_device(browser, url, size, tmp_path):
    from selenium.webdriver.support.ui import WebDriverWait

    Image.new("RGB", (640, 480), "#7a2554").save(tmp_path / "hole.png")
    page = show(browser, url, size)
    press(page, ".pin .tag", 0)
    css(page, "#photo-S1")[0].send_keys(str(tmp_path / "hole.png"))
    width = "const i = document.querySelector('img.photo'); return i ? i.naturalWidth : 0"
    WebDriverWait(page, 8).until(lambda d: d.execute_script(width) == 640)
    press(page, ".card-top button")
    press(page, ".pin .tag", 1)
    assert css(page, "img.photo") == []  # each sensor has its own
    press(page, ".card-top button")
    press(page, ".pin .tag", 0)
    assert page.execute_script(width) == 640
    (tmp_path / "note.txt").write_text("no picture", encoding="utf-8")
    css(page, "#photo-S1")[0].send_keys(str(tmp_path / "note.txt"))
    assert "not a picture" in text(page, ".card")
    assert requests(page, url) == []
    assert faults(page) == []


def test_a_copy_saved_with_photos_shows_them_when_it_is_opened(browser, url, tmp_path):
    """The photo is in the saved page, which still obeys its policy; the browser keeps nothing."""
    from selenium.webdriver.support.ui import WebDriverWait

    Image.new("RGB", (3200, 1200), "#2f7d57").save(tmp_path / "hole.jpg")
    page = show(browser, url, DESK)
    press(page, ".pin .tag", 1)
    assert "lost when this page is closed" in text(page, ".card")
    assert gone(page, ".save-copy")
    css(page, "#photo-S2")[0].send_keys(str(tmp_path / "hole.jpg"))
    width = "const i = document.querySelector('img.photo'); return i ? i.naturalWidth : 0"
    WebDriverWait(page, 8).until(lambda d: d.execute_script(width) == 1600)  # made smaller
    folder = tmp_path / "down"
    folder.mkdir()
    page.execute_cdp_cmd(
        "Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(folder)}
    )
    press(page, ".save-copy")
    copy = folder / "map-with-photos.html"
    WebDriverWait(page, 8).until(lambda _: copy.exists() and copy.stat().st_size > 1000)
    assert requests(page, url) == []
    assert faults(page) == []
    again = show(browser, copy.as_uri(), DESK)
    press(again, ".pin .tag", 1)
    assert again.execute_script(width) == 1600
    press(again, ".card-top button")
    press(again, ".pin .tag", 0)
    assert css(again, "img.photo") == []
    assert requests(again, copy.as_uri()) == []
    assert faults(again) == []
    # but for the photos it is the page as it was written
    written = Path(url.removeprefix("file://")).read_text(encoding="utf-8")
    data = '<script type="application/json" id="plan">'
    for part in (written, copy.read_text(encoding="utf-8")):
        assert part.count(data) == 1
    block = [t.split(data)[1].split("</script>")[0] for t in (written, copy.read_text("utf-8"))]
    assert block[0] == block[1]


def test_units_switch_changes_the_sentences_too(browser, url):
    page = show(browser, url, DESK)
    css(page, ".pin .tag")[1].click()
    for button, here, other in (("#units-us", "gal", "m³"), ("#units-metric", "m³", "gal")):
        press(page, button)
        for part in ("#answer", "#savings"):
            said = text(page, f"{part} p")
            assert here in said
            assert other not in said
        apart = {"gal": "3.9 ft", "m³": "1.20 m"}
        assert f"Sunny, {apart[here]} from" in text(page, ".card")
        assert f"zone edge: {apart[here]} gave way" in text(page, ".card")
        assert apart[other] not in text(page, ".card")


@SIZES
def test_tags_marks_and_names_keep_clear_of_each_other(browser, size, tmp_path):
    plan = make_plan()
    sensors = plan.sensors.copy()
    moved = sensors.geometry.to_crs(4326)
    sensors.loc["S2", ["lat", "lon"]] = [moved.y.iloc[0] - 2e-5, moved.x.iloc[0] + 2e-5]
    crowded = dataclasses.replace(plan, sensors=sensors)
    page = show(browser, write_map(crowded, tmp_path / "map.html").as_uri(), size)
    assert len(css(page, ".pin .tag")) == 2
    for one, other in (
        (".pin .tag", ".pin .tag, .pin .spot"),
        (".zone-label span", ".zone-label span, .pin .tag, .pin .spot, .glyph svg"),
    ):
        found = page.execute_script(OVERLAPS, one, other)
        own = [pair for pair in found if one == ".pin .tag" and pair[0] == pair[1]]
        assert [pair for pair in found if pair not in own] == []
    visible = [n.text for n in css(page, ".zone-label span") if n.is_displayed()]
    assert {"A", "B", "C", "D"} & set(visible)


def piled(count=9, apart=2.5):
    """Return a plan whose sensors stand in rows of three, so many metres from each other."""
    plan = make_plan()
    tags = [f"S{k + 1}" for k in range(count)]
    sensors = plan.sensors.iloc[[0] * count].set_axis(tags).rename_axis("sensor_id")
    metre = 1 / 111_000
    row, column = np.divmod(np.arange(count), 3)
    sensors["lat"] -= apart * metre * row
    sensors["lon"] += apart * metre * column / np.cos(np.radians(sensors["lat"].to_numpy()))
    nobody = plan.ties.iloc[:0]
    return dataclasses.replace(plan, sensors=sensors, ties=nobody, wordings={})


def shown_tags(page):
    return [n.text for n in css(page, ".pin .tag") if n.is_displayed()]


@SIZES
def test_tags_without_room_on_a_crowded_map_wait_until_one_zooms_in(
    browser, size, tmp_path, monkeypatch
):
    plan = piled()
    page = show(browser, write_map(plan, tmp_path / "few.html").as_uri(), size)
    assert shown_tags(page) == list(plan.sensors.index)  # where there are few all are shown
    monkeypatch.setattr(facts, "_MANY_ZONES", 1)
    page = show(browser, write_map(plan, tmp_path / "many.html").as_uri(), size)
    few = shown_tags(page)
    assert 0 < len(few) < len(plan.sensors)
    found = page.execute_script(OVERLAPS, ".pin .tag", ".pin .tag, .pin .spot")
    assert [pair for pair in found if pair[0] != pair[1]] == []
    assert all(spot.is_displayed() for spot in css(page, ".pin .spot"))
    hidden = next(tag for tag in plan.sensors.index if tag not in few)
    page.find_element("id", "find").send_keys("sensor " + hidden)
    css(page, ".found button")[0].click()
    assert hidden in shown_tags(page)  # the one that is asked for
    middle = sensor_at(page, len(plan.sensors) // 2)
    page.execute_script("map_plan.setView(arguments[0], 22, { animate: false })", middle)
    assert shown_tags(page) == list(plan.sensors.index)
    assert faults(page) == []


#: Whether something is drawn on a canvas of the map at a place of the window.
DRAWN = """
const [x, y] = arguments;
return [...document.querySelectorAll("canvas")].some((c) => {
  const r = c.getBoundingClientRect();
  const [k, l] = [(x - r.left) * c.width / r.width, (y - r.top) * c.height / r.height];
  const within = k >= 0 && l >= 0 && k < c.width && l < c.height;
  return within && c.getContext("2d").getImageData(k, l, 1, 1).data[3] > 0;
});
"""


@pytest.fixture
def crowded(browser, tmp_path, monkeypatch):
    monkeypatch.setattr(facts, "_MANY_ZONES", 1)
    plan = make_plan()
    return show(browser, write_map(plan, tmp_path / "map.html").as_uri(), DESK), plan


def test_the_very_name_is_found_first_on_a_crowded_map(crowded):
    page, _ = crowded
    page.find_element("id", "find").send_keys("zone c")  # every zone has a controller
    assert [n.text for n in css(page, ".found button")] == ["Zone C", "Zone A", "Zone B", "Zone D"]


def test_a_tap_on_a_crown_of_a_crowded_map_opens_the_zone_below(crowded):
    from selenium.webdriver import ActionChains

    page, plan = crowded
    (tree,) = plan.site.trees[plan.site.trees.within(plan.zones.geometry["C"])].geometry
    beside = gpd.GeoSeries([shapely.affinity.translate(tree, 1.2)], crs=plan.site.crs).to_crs(4326)
    page.execute_script(
        "map_plan.setView(arguments[0], 21, { animate: false })",
        [beside.y.iloc[0], beside.x.iloc[0]],
    )
    stage = page.find_element("id", "map_plan")
    here = stage.rect
    assert page.execute_script(DRAWN, here["x"] + here["width"] / 2, here["y"] + here["height"] / 2)
    ActionChains(page).move_to_element(stage).click().perform()
    assert "Zone C" in text(page, ".card")
    assert faults(page) == []


def test_print_makes_a_pdf_with_map_and_words(browser, url, tmp_path):
    import base64

    import pypdf

    page = show(browser, url, DESK)
    options = {"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": True}
    made = page.execute_cdp_cmd("Page.printToPDF", options)
    path = tmp_path / "print.pdf"
    path.write_bytes(base64.b64decode(made["data"]))
    pages = [sheet.extract_text() for sheet in pypdf.PdfReader(path).pages]
    assert 2 <= len(pages) <= 8
    assert "S1" in pages[0]
    assert "S2" in pages[0]
    words = " ".join(" ".join(pages).split())
    for expected in ("Two sensors", "Ties", "Before you dig", "Call before you dig"):
        assert expected in words
    assert "Tape" not in words.replace("Ties: tape", "").replace("tape distances", "")


@SIZES
def test_sliders_choose_hour_day_and_month(browser, url, size):
    from selenium.webdriver import Keys

    page = show(browser, url, size)
    plan = 'JSON.parse(document.getElementById("plan").textContent)'
    assert not css(page, "#hours")[0].is_displayed()
    switch(page, "Shade by the hour")
    picture = "return document.querySelector('img.leaflet-image-layer').src"
    frames = page.execute_script(f"return {plan}.sun.days[0].frames")
    hour = css(page, "#sun-hour")[0]
    assert hour.get_attribute("aria-valuetext") == "12:00"
    hour.send_keys(Keys.ARROW_RIGHT)
    assert hour.get_attribute("aria-valuetext") == "13:00"
    [after] = [f for f in frames if f["label"] == "13:00"]
    assert page.execute_script(picture) == after["url"]
    change = "const d = arguments[0]; d.value = 2; d.dispatchEvent(new Event('change'))"
    page.execute_script(change, css(page, "#sun-day")[0])
    [winter] = [
        f for f in page.execute_script(f"return {plan}.sun.days[2].frames") if f["label"] == "13:00"
    ]
    assert page.execute_script(picture) == winter["url"] != after["url"]
    switch(page, "Direct sun")
    assert not hour.is_displayed()
    months = page.execute_script(f"return {plan}.sun.months")
    css(page, "#sun-month")[0].send_keys(Keys.END)
    assert css(page, "#sun-month")[0].get_attribute("aria-valuetext") == "November"
    assert page.execute_script(picture) == months[-1]["url"]
    switch(page, "Direct sun")
    assert not css(page, "#hours")[0].is_displayed()
    assert requests(page, url) == []
    assert faults(page) == []
