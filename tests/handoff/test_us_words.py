"""A property of US units is told in US units: not one metric figure on any page or in any print."""

import json
import re

import pytest
import shapely
from click.testing import CliRunner

from siting.cli.main import main
from siting.climate.model import WeatherOptions
from siting.errors import Findings
from siting.handoff.document import plan_document
from siting.handoff.explain import compare_plans
from siting.handoff.webmap import map_document
from siting.planning.make import plan_property, replan
from siting.portfolio.page import Totals, lead
from tests.all_texts import all_texts
from tests.small_property import square, write_property

METRIC = re.compile(
    r"\d\s?(?:m|mm|cm|km|m²|m³|m2|m3|ha|L|°C|mm/h|mm/d)(?![\w'’/])|per m³|per m\b|m³|m²"
)
#: The cautions name both systems: digging rules are quoted with their metric figures.
BOTH = re.compile(r"in \([\d.–-]+ m\)")


def metric_in(text):
    plain = BOTH.sub("in", " ".join(str(text).split()))
    return [plain[max(0, m.start() - 60) : m.end() + 20] for m in METRIC.finditer(plain)]


def words_of(value, key=""):
    """Yield every text of a document; its numbers are SI, as their names say."""
    if isinstance(value, dict):
        for name, inner in value.items():
            if name not in {"provenance", "unit", "reference"}:
                yield from words_of(inner, name)
    elif isinstance(value, list):
        for inner in value:
            yield from words_of(inner, key)
    elif isinstance(value, str):
        yield value


def us_side(value):
    """Yield the US text of every pair of texts of the map."""
    if isinstance(value, dict):
        for inner in value.values():
            yield from us_side(inner)
    elif isinstance(value, list | tuple):
        pair = len(value) == 2 and all(isinstance(v, str) for v in value)
        if pair and re.search(r"\d", value[0]) and re.search(r"\d", value[1]):
            yield value[1]
        else:
            for inner in value:
                yield from us_side(inner)


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """Return a property whose zones overlap a little and lie partly under a house."""
    zones = {
        "0": (square(4, 4), {}),
        "1": (square(17.99, 4), {}),
        "2": (square(40, 4), {"plants": "shrubs"}),
    }
    bow = shapely.Polygon([(320_060, 3_640_002), (320_064, 3_640_006), (320_064, 3_640_002),
                           (320_060, 3_640_006)])  # fmt: skip
    return write_property(
        tmp_path_factory.mktemp("us"), zones, units="us", years=2, scenarios=2,
        buildings={"height": [5.0, 3.0], "geometry": [square(10, 15, 5), bow]},
        trees={"height": [7.0], "crown_diameter": [5.0],
               "geometry": [square(34, 20, 1).centroid]},
    )  # fmt: skip


@pytest.fixture(scope="module")
def planned(file):
    plan = plan_property(file)
    tight = {"control.allowed_days": ["Mon"], "control.max_stress_days": 0, "timer.days": ["Mon"]}
    return replan(plan, **tight, **{"water.budget": "mwelo"})


def test_no_page_of_a_us_plan_holds_a_metric_figure(planned, tmp_path):
    texts = all_texts(planned, tmp_path / "out")
    assert len(planned.warnings) > 5
    found = {}
    for name in ("crew.pdf", "terminal", "sensors.gpx", *(n for n in texts if n.startswith("ex"))):
        found[name] = metric_in(texts[name])
    for name in ("plan.json", "sensors.geojson"):
        found[name] = [hit for text in words_of(json.loads(texts[name])) for hit in metric_in(text)]
    assert not {name: hits for name, hits in found.items() if hits}


def test_the_us_side_of_the_map_holds_no_metric_figure(planned):
    texts = list(us_side(map_document(planned)))
    assert len(texts) > 50
    assert not [hit for text in texts for hit in metric_in(text)]


def test_comparing_us_plans_prints_no_metric_figure(planned):
    told = compare_plans([("one", json.loads(json.dumps(plan_document(planned))))]).to_string()
    assert "per 1,000 gal" in told
    assert not metric_in(told)


def test_checking_a_us_property_prints_no_metric_figure(file):
    told = CliRunner().invoke(main, ["check", str(file)])
    assert told.exit_code == 0, told.output
    assert "overlap by" in told.output
    assert "under a building" in told.output
    assert not metric_in(told.output)


def test_a_portfolio_of_us_properties_is_told_in_gallons():
    sums = Totals(10, {}, 12, 30, 10, 5000.0, 1000.0, 500.0, 1500.0, (2001, 2030), {}, 1)
    told = lead(sums, "us")
    assert "gal" in told
    assert not metric_in(told)
    assert "m³" in lead(sums)


def test_amounts_of_findings_and_of_weather_follow_the_units():
    findings = Findings()
    assert findings.tell(119.94, "area") == "119.9 m²"
    findings.units = "us"
    assert findings.tell(119.94, "area") == "1,291 ft²"
    assert WeatherOptions(units="us").height(10) == "33 ft"
    assert WeatherOptions().height(10) == "10 m"
