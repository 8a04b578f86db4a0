"""The map page by axe-core in the browser, in every state that a crew sees, at both sizes."""

import re
from pathlib import Path

import pytest

from siting.handoff.webmap import write_map
from tests.chromium import DESK, IN_A_BROWSER, PHONE, press, running, show, start, switch
from tests.demo_plans import demo_plan
from tests.plan_factory import make_plan

pytestmark = IN_A_BROWSER
AXE = Path(__file__).parents[1] / "data" / "axe-core-4.10.3.min.js"
RUN = """
const done = arguments[arguments.length - 1];
// axe-core takes a zone's shape to lie over the page's head where the map clips it: the browser's
// own hit test says who gets a tap. A target passes where it gets every tap on it itself.
const tapped = ({ element }) => {
  const r = element.getBoundingClientRect();
  const whole = r.width >= 24 && r.height >= 24;
  const steps = Array.from({ length: 13 }, (_, k) => (k + 0.5) / 13);
  const hit = (u, v) => document.elementFromPoint(r.left + u * r.width, r.top + v * r.height);
  const own = (u, v) => u * r.width < 5 || (1 - u) * r.width < 5 || element.contains(hit(u, v));
  return whole && steps.every((v) => steps.every((u) => own(u, v)));
};
axe.run(document, { runOnly: { type: "tag", values: arguments[0] }, elementRef: true }).then(
  (found) => done({
    passes: found.passes.length,
    violations: found.violations
      .map((v) => [v.id, v.impact, v.nodes.filter((n) => v.id !== "target-size" || !tapped(n))])
      .filter(([, , nodes]) => nodes.length)
      .map(([id, impact, nodes]) => [id, impact, nodes.map((n) => n.html)]),
  }),
  (fault) => done({ passes: 0, violations: [["axe", "critical", [String(fault)]]] }));
"""
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def browser():
    with running() as driver:
        yield driver


@pytest.fixture(scope="module")
def urls(tmp_path_factory):
    folder = tmp_path_factory.mktemp("maps")
    return {
        hostile: write_map(make_plan(hostile=hostile), folder / f"{hostile}.html").as_uri()
        for hostile in (False, True)
    }


def serious(driver, *, passes=15):
    """Findings that axe-core calls serious or critical."""
    driver.execute_script(AXE.read_text(encoding="utf-8"))
    found = driver.execute_async_script(RUN, RULES)
    assert found["passes"] > passes, "axe-core ran"
    return [v for v in found["violations"] if v[1] in ("serious", "critical")]


def test_a_target_under_another_is_found(browser, tmp_path):
    """Two buttons of 40 px, the second over most of the first."""
    page = tmp_path / "two.html"
    page.write_text(
        '<!DOCTYPE html><html lang="en"><head><title>Two</title><style>button { position: '
        "absolute; width: 40px; height: 40px; top: 0; left: 0; } button + button { left: 10px; }"
        "</style></head><body><main><h1>Two</h1><button>A</button><button>B</button></main>",
        encoding="utf-8",
    )
    browser.get(page.as_uri())
    found = serious(browser, passes=5)
    assert [(name, html) for name, _, html in found] == [("target-size", ["<button>A</button>"])]


def at_rest(driver):
    """Wait until the map has stopped moving, as a popup makes it do."""
    from selenium.webdriver.support.ui import WebDriverWait

    moving = ".leaflet-pan-anim, .leaflet-zoom-anim"
    WebDriverWait(driver, 5).until(lambda d: not d.execute_script(
        "return document.querySelector(arguments[0])", moving))  # fmt: skip


def sensor(driver):
    press(driver, ".pin .tag", 0)


def zone(driver):
    driver.execute_script(
        "document.querySelector('path[aria-label^=Zone]').dispatchEvent("
        "new KeyboardEvent('keydown', { key: 'Enter', bubbles: true }))"
    )


def layers(driver):
    driver.execute_script("document.getElementById('layers').open = true")
    switch(driver, "Dryness")


def sun(driver):
    switch(driver, "Shade by the hour")


def tape(driver):
    press(driver, "#measure")
    press(driver, ".pin .tag", 0)
    press(driver, ".pin .tag", 1)


STATES = {"first": None, "sensor": sensor, "zone": zone, "layers": layers, "sun": sun, "tape": tape}


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize("state", STATES)
def test_no_serious_finding(browser, urls, size, state):
    page = show(browser, urls[False], size)
    if STATES[state]:
        STATES[state](page)
    at_rest(page)
    assert serious(page) == []


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_no_serious_finding_with_hostile_names(browser, urls, size):
    assert serious(show(browser, urls[True], size)) == []


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    plan = demo_plan("yard")
    return write_map(plan, tmp_path_factory.mktemp("yard") / "map.html").as_uri()


@pytest.fixture
def wishes(browser):
    """Return what sets the wishes that a person told the system."""

    def wish(**features):
        listed = [
            {"name": f"prefers-{k.replace('_', '-')}", "value": v} for k, v in features.items()
        ]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": listed})

    yield wish
    wish()


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_after_dark_all_but_the_map_is_dark_and_readable(browser, yard, wishes, size):
    wishes(color_scheme="dark")
    page = show(browser, yard, size)
    ground = "return getComputedStyle(document.querySelector(arguments[0])).backgroundColor"
    light, dark = (  # sums of red, green, blue
        sum(map(int, re.findall(r"\d+", page.execute_script(ground, part))[:3]))
        for part in (".map", ".panel")
    )
    assert light > 600
    assert dark < 150
    sensor(page)
    at_rest(page)
    assert serious(page) == []


def test_nothing_moves_for_who_asks_for_less_motion(browser, urls, wishes):
    told = "return map_plan.options.zoomAnimation"
    assert show(browser, urls[False], DESK).execute_script(told) is True
    wishes(reduced_motion="reduce")
    assert show(browser, urls[False], DESK).execute_script(told) is False


def moved(driver, name):
    """Move the map as a crew does; the marks near its edge are cut by it."""
    steps = {
        "zoomed": "map_plan.zoomIn(2, { animate: false })",
        "half out to the east": "map_plan.panBy([map_plan.getSize().x / 2, 0], { animate: false })",
        "half out to the north": "map_plan.panBy([0, -map_plan.getSize().y / 2], "
        "{ animate: false })",
        "midway": "map_plan.setView(map_plan.getCenter(), 20.25, { animate: false }); "
        "map_plan.panBy([137, 61], { animate: false })",
        "while it moves": "map_plan.panBy([180, 120], { animate: true, duration: 20 })",
        "while it zooms": "map_plan.setZoom(21, { animate: true })",
    }
    driver.execute_script(steps[name])


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize("card", [False, True], ids=["plain", "with a card open"])
def test_no_serious_finding_while_the_yard_is_moved(browser, yard, size, card):
    page = show(browser, yard, size)
    if card:
        sensor(page)
        at_rest(page)  # the card brings itself into view; what is asked of it follows
    for name in ("zoomed", "half out to the east", "half out to the north", "midway",
                 "while it moves", "while it zooms"):  # fmt: skip
        moved(page, name)
        assert serious(page) == [], name


def parts(driver):
    """Open what is folded away: the whole answer, and the table beside the chart."""
    driver.execute_script(
        "document.querySelectorAll('.more-words').forEach((n) => { n.open = true; })"
    )


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_no_serious_finding_with_everything_unfolded_and_every_layer_on(browser, yard, size):
    page = show(browser, yard, size)
    parts(page)
    for label in ("Reserve points", "Ground that meets every setback", "Rank of dryness"):
        switch(page, label)
    assert serious(page) == []


def test_no_serious_finding_on_the_plain_page(urls, tmp_path):
    """Without scripts axe-core cannot run, so the plain part is taken out and shown by itself."""
    page = Path(urls[False].removeprefix("file://")).read_text(encoding="utf-8")
    body = page[page.index('<div class="plain">') : page.rindex("</noscript>")]
    style = page[page.index("<style>") : page.index("<noscript>")]
    path = tmp_path / "plain.html"
    path.write_text(
        f'<!DOCTYPE html><html lang="en"><head><title>Plan</title>{style}</head>'
        f"<body><main>{body}</main></body></html>",
        encoding="utf-8",
    )
    driver = start(PHONE, tmp_path / "profile")
    try:
        driver.get(path.as_uri())
        assert serious(driver, passes=5) == []
    finally:
        driver.quit()
