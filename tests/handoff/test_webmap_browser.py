"""The offline map in a real browser without a network: it works, and asks nothing of anyone."""

import time

import pytest

from siting.handoff.webmap import write_map
from tests.chromium import (
    DESK,
    IN_A_BROWSER,
    PHONE,
    css,
    faults,
    gone,
    press,
    requests,
    resize,
    running,
    show,
    start,
    switch,
    text,
)
from tests.plan_factory import HOSTILE, make_plan
from tests.some import some

pytestmark = IN_A_BROWSER


@pytest.fixture(scope="module")
def browser():
    with running() as driver:
        yield driver


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("maps")
    return {
        "plain": write_map(make_plan(), folder / "plain.html").as_uri(),
        "hostile": write_map(make_plan("us", hostile=True), folder / "hostile.html").as_uri(),
    }


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def page(request, browser, pages):
    return show(browser, pages["plain"], request.param)


def test_asks_nothing_and_complains_of_nothing(page, pages):
    for index in range(len(css(page, ".switch input"))):
        press(page, ".switch input", index)
    press(page, "#units-us")
    assert requests(page, pages["plain"]) == []
    assert faults(page) == []
    width, inner = page.execute_script("return [document.documentElement.scrollWidth, innerWidth]")
    assert width <= inner


def test_map_is_drawn_and_in_view(page):
    assert len(css(page, ".pin")) == 2
    for pin in css(page, ".pin .spot"):
        box = pin.rect
        stage = css(page, ".stage")[0].rect
        assert stage["x"] < box["x"] < stage["x"] + stage["width"]
        assert stage["y"] < box["y"] < stage["y"] + stage["height"]
    assert css(page, ".stage")[0].rect["height"] > 300


def test_pin_points_at_the_end_of_its_tie(page):
    """The middle of the spot is the sensor: it must lie on the drawn sensor position."""
    apart = page.execute_script(
        """
        const plan = JSON.parse(document.getElementById("plan").textContent);
        const stage = map_plan.getContainer().getBoundingClientRect();
        return plan.sensors.map((s, k) => {
          const r = document.querySelectorAll(".pin .spot")[k].getBoundingClientRect();
          const p = map_plan.latLngToContainerPoint(s.at);
          const [x, y] = [(r.left + r.right) / 2 - stage.left, (r.top + r.bottom) / 2 - stage.top];
          return Math.hypot(x - p.x, y - p.y);
        });
        """
    )
    assert max(apart) < 2.0


def test_sensor_opens_by_click(page):
    css(page, ".pin .tag")[1].click()
    assert text(page, ".leaflet-popup .popup-title") == "Sensor S2"
    assert "200\N{NO-BREAK SPACE}mm deep" in text(page, ".leaflet-popup")
    card = text(page, ".card")
    for expected in ("Governs zones", "C (valve 3), D (valve 4)", "48 h", "29.0298", "Ties"):
        assert expected in card
    assert len(css(page, ".tie-label")) == 2
    assert text(page, ".tie-label") == "22.42\N{NO-BREAK SPACE}m"


def test_sensor_opens_by_keyboard_and_gives_focus_back(page):
    from selenium.webdriver import Keys

    pin = page.find_element("css selector", "[aria-label^='Sensor S1']")
    assert pin.get_attribute("tabindex") == "0"
    page.execute_script("arguments[0].focus()", pin)
    pin.send_keys(Keys.ENTER)
    assert text(page, ".leaflet-popup .popup-title") == "Sensor S1"
    assert page.switch_to.active_element.text == "Sensor S1"
    page.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert page.switch_to.active_element == pin
    assert gone(page, ".card:not([hidden])")


def test_zone_opens_by_keyboard(page):
    from selenium.webdriver import Keys

    zone = page.find_element("css selector", "path[aria-label^='Zone B']")
    page.execute_script("arguments[0].focus()", zone)
    zone.send_keys(Keys.ENTER)
    card = text(page, ".card")
    for expected in ("Zone B", "24.9 %", "6.4 h a day", "22 min", "2 of 11.0 min"):
        assert expected in card


def test_units_switch_changes_every_figure(page):
    css(page, ".pin .tag")[0].click()
    assert "22.95\N{NO-BREAK SPACE}m" in text(page, ".card")
    press(page, "#units-us")
    card = text(page, ".card")
    assert "75\N{NO-BREAK SPACE}ft\N{NO-BREAK SPACE}4\N{NO-BREAK SPACE}in" in card
    assert "22.95" not in card
    assert (
        text(page, ".tie-label") == "75\N{NO-BREAK SPACE}ft\N{NO-BREAK SPACE}4\N{NO-BREAK SPACE}in"
    )
    assert "gal" in text(page, "#savings")
    assert "ft" in text(page, ".leaflet-control-scale")
    press(page, "#units-metric")
    assert "22.95\N{NO-BREAK SPACE}m" in text(page, ".card")


def test_layers_can_be_switched(page):
    def shown():
        return page.execute_script(
            "return [...document.querySelectorAll('img.leaflet-image-layer')].map(i => i.alt)"
        )

    assert shown() == []
    switch(page, "Direct sun")
    assert shown() == ["Direct sun"]
    switch(page, "Dryness")
    assert shown() == ["Dryness of the ground"]
    switch(page, "Sensors")
    assert gone(page, ".pin")


def test_keep_clear_ground_says_why(page):
    switch(page, "Keep clear (tap for why)")
    page.execute_script(
        """
        const plan = JSON.parse(document.getElementById("plan").textContent);
        const head = plan.fixtures.find((f) => f.kind === "head");
        map_plan.fire("click", { latlng: L.latLng(head.at) });
        """
    )
    assert "head: keep 1.5\N{NO-BREAK SPACE}m away" in text(page, ".leaflet-popup")


def test_place_gives_distance_to_the_nearest_sensor(page):
    at = page.execute_script(
        'return JSON.parse(document.getElementById("plan").textContent).sensors[0].at'
    )
    page.execute_script(
        """
        const [lat, lon] = arguments[0];
        navigator.geolocation.watchPosition = (found) => {
          found({ coords: { latitude: lat - 10 / 110860, longitude: lon, accuracy: 4 } });
          return 1;
        };
        """,
        at,
    )
    press(page, "#locate")
    said = text(page, "#status")
    assert said.startswith("Sensor S1 is 10.0 m to the north.")
    assert "± 4.0 m" in said


def test_refused_place_is_told_plainly(page):
    page.execute_script(
        """
        navigator.geolocation.watchPosition = (_, fail) => {
          setTimeout(() => fail({ code: 1 }), 0);
          return 1;
        };
        """
    )
    press(page, "#locate")
    from selenium.webdriver.support.ui import WebDriverWait

    WebDriverWait(page, 5).until(lambda d: "not shared" in text(d, "#status"))


def test_print_frame_comes_and_goes(page):
    page.execute_script("dispatchEvent(new Event('beforeprint'))")
    assert page.execute_script(
        """
        const plan = JSON.parse(document.getElementById("plan").textContent);
        return map_plan.getBounds().contains(plan.bounds);
        """
    )
    page.execute_script("dispatchEvent(new Event('afterprint'))")
    assert page.execute_script("return document.documentElement.className") == ""


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_hostile_names_do_nothing(browser, pages, size):
    resize(browser, size)
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(pages["hostile"])
    for selector in (".pin", "path[role=button]", ".glyph"):
        for index in range(len(css(browser, selector))):
            browser.execute_script(
                """
                const node = document.querySelectorAll(arguments[0])[arguments[1]];
                const target = node.classList.contains("pin") ? node.parentElement : node;
                target.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter", bubbles: true }));
                """,
                selector,
                index,
            )
    assert browser.execute_script("return window.__hit") is None
    assert requests(browser, pages["hostile"]) == []
    assert faults(browser) == []
    assert text(browser, "#name") == HOSTILE[0]
    assert browser.title == f"{HOSTILE[0]}: sensor map"
    assert gone(browser, ".panel img, .panel script, .stage script")
    width, inner = browser.execute_script(
        "return [document.documentElement.scrollWidth, innerWidth]"
    )
    assert width <= inner


def test_without_javascript_there_is_a_picture_and_tables(pages, tmp_path):
    driver = start(PHONE, tmp_path / "profile", javascript=False)
    try:
        driver.get(pages["plain"])
        assert css(driver, "svg.plan-picture")[0].rect["width"] > 300
        assert len(css(driver, ".plain table")) >= 5
        assert not css(driver, ".app")[0].is_displayed()
        assert faults(driver) == []
    finally:
        driver.quit()


def apart(boxes):
    for k, a in enumerate(boxes):
        for b in boxes[k + 1 :]:
            beside = a["x"] + a["width"] <= b["x"] or b["x"] + b["width"] <= a["x"]
            above = a["y"] + a["height"] <= b["y"] or b["y"] + b["height"] <= a["y"]
            if not (beside or above):
                return False
    return True


def test_tape_distances_do_not_cover_one_another(page):
    css(page, ".pin .tag")[0].click()
    # The map glides to the sensor first, and a busy machine glides slowly.
    for _ in range(20):
        # In one call: a label may be drawn anew between two.
        boxes = page.execute_script(
            "return [...document.querySelectorAll('.tie-label span')]"
            ".map(label => label.getBoundingClientRect().toJSON())"
        )
        if len(boxes) == 3 and apart(boxes):
            break
        time.sleep(0.2)
    assert len(boxes) == 3
    assert apart(boxes)


def test_controls_do_not_cover_one_another_and_are_big_enough(page):
    boxes = [b.rect for b in css(page, ".tools button, .layers summary, .bar button, .grip button")]
    boxes = [b for b in boxes if b["width"]]
    inner = page.execute_script("return innerWidth")
    for k, a in enumerate(some(boxes)):
        assert a["height"] >= 24  # WCAG 2.2, target size (minimum)
        assert a["x"] >= 0
        assert a["x"] + a["width"] <= inner
        for b in boxes[k + 1 :]:
            beside = a["x"] + a["width"] <= b["x"] + 1 or b["x"] + b["width"] <= a["x"] + 1
            above = a["y"] + a["height"] <= b["y"] + 1 or b["y"] + b["height"] <= a["y"] + 1
            assert beside or above
