"""The gallery in maps/: four kinds of property, each answered as today's program answers."""

import re
from pathlib import Path

import pytest

from siting.planning.make import read_inputs
from siting.site.template import DEMOS, demo_property
from tests.demo_plans import demo_plan

MAPS = Path(__file__).parents[2] / "maps"
#: A picture of the repository takes at most so much [bytes].
MOST = 400_000


@pytest.fixture(scope="module")
def told():
    parts = re.split(r"^## ", (MAPS / "README.md").read_text("utf-8"), flags=re.MULTILINE)
    return dict(zip(DEMOS, parts[1:], strict=True))


@pytest.mark.parametrize("name", DEMOS)
def test_gallery_is_what_the_program_plans_today(name, told):
    plan = demo_plan(name)
    assert plan.site.name in told[name]
    assert plan.answer in told[name], "the gallery has drifted: run python maps/render.py"


@pytest.mark.parametrize("name", DEMOS)
def test_each_has_a_small_picture_and_no_result_is_kept(name):
    assert (MAPS / f"{name}-map.png").read_bytes()[:4] == b"\x89PNG"
    pictures = list(MAPS.glob("*.png"))
    assert max(path.stat().st_size for path in pictures) < MOST
    ignored = (MAPS.parent / ".gitignore").read_text("utf-8")
    assert "/maps/*/" in ignored.splitlines()


def test_properties_are_of_four_kinds():
    read = {name: demo_property(name).read_text("utf-8") for name in DEMOS}
    assert {re.search(r'^units = "(\w+)"', text, re.MULTILINE)[1] for text in read.values()} == {
        "metric", "us",
    }  # fmt: skip
    site = {name: read_inputs(demo_property(name))[1] for name in DEMOS}
    assert sum(one.latitude < 0 for one in site.values()) == 1
    area = {name: one.boundary.area for name, one in site.items()}
    assert area["yard"] < 1000 < area["court"] < 3000
    assert area["fields"] > 30_000 > area["campus"] > 10_000
    assert sum(str(zone).endswith("field") for zone in site["fields"].hydrozones.index) == 3
