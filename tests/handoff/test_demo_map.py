"""The map and sheet of the demo campus: small enough to mail, clear at a desk and on a phone."""

import time

import pypdf
import pytest

from siting.handoff.sheets import write_sheets
from siting.handoff.webmap import write_map
from tests.chromium import CHROMIUM, DESK, DRIVER, PHONE, css, faults, requests, running, show
from tests.demo_plans import demo_plan
from tests.handoff.test_webmap_access import serious
from tests.handoff.test_webmap_tools import OVERLAPS


@pytest.fixture(scope="module")
def plan():
    return demo_plan("campus")


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tmp_path_factory.mktemp("campus") / "map.html"


def test_map_is_under_one_and_a_half_megabytes(plan, path, record_property):
    start = time.perf_counter()
    write_map(plan, path)
    record_property("seconds to write the map", round(time.perf_counter() - start, 2))
    record_property("bytes of the map", path.stat().st_size)
    assert path.stat().st_size < 1_500_000


def test_sheet_has_a_leaf_per_sensor_and_two_pages_for_the_owner(plan, tmp_path, record_property):
    start = time.perf_counter()
    made = write_sheets(plan, tmp_path / "crew.pdf")
    record_property("seconds to write the sheet", round(time.perf_counter() - start, 2))
    pages = [" ".join(p.extract_text().split()) for p in pypdf.PdfReader(made).pages]
    for tag in plan.sensors.index:
        assert sum(page.startswith(f"{tag}: ") for page in pages) == 2
    owners = [k for k, page in enumerate(pages) if page.startswith("For the owner")]
    annex = next(k for k, page in enumerate(pages) if page.startswith("Annex for the owner"))
    assert owners == [annex - 2, annex - 1]


@pytest.mark.browser
@pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="no chromium and chromedriver here")
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_nothing_covers_a_tag_or_a_name(plan, path, size):
    url = write_map(plan, path).as_uri()
    with running() as driver:
        page = show(driver, url, size)
        assert len(css(page, ".pin .tag")) == len(plan.sensors)
        tags = page.execute_script(OVERLAPS, ".pin .tag", ".pin .tag")
        assert tags == []
        names = page.execute_script(
            OVERLAPS,
            ".zone-label span",
            ".zone-label span, .pin .tag, .pin .spot, .glyph svg, .tools button, .layers summary",
        )
        assert names == []
        named = [n for n in css(page, ".zone-label span") if n.is_displayed()]
        assert len(named) >= (8 if size == DESK else 4)
        assert serious(page) == []
        assert requests(page, url) == []
        assert faults(page) == []
