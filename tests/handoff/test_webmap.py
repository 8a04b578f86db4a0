"""The offline map as a file: deterministic, self-contained, and equal to the plan."""

import base64
import dataclasses
import hashlib
import io
import json
import math
import re
import subprocess
import sys

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from shapely.geometry import Polygon, box

from siting import palette
from siting.errors import SitingError
from siting.handoff import mapcards as _map_text
from siting.handoff import overlays as _map_raster
from siting.handoff import webmap
from siting.handoff import webmap as _map_data
from siting.handoff import webmap as _map_static
from siting.handoff.webmap import map_html, write_map
from siting.site.model import LocalGrid
from tests.plan_factory import HOSTILE, make_plan
from tests.some import some
from tests.tries import tries


def luminance(colour):
    """Relative luminance, 0..1, written down from the same guidelines."""
    parts = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one, other):
    """Contrast ratio of two colours, 1..21 (W3C, Web Content Accessibility Guidelines 2.2)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return round((light + 0.05) / (dark + 0.05), 6)


@pytest.fixture(scope="module")
def plan():
    return make_plan()


@pytest.fixture(scope="module")
def html(plan):
    return map_html(plan)


def block(html):
    return json.loads(
        re.search(r'<script type="application/json" id="plan">(.*?)</script>', html)[1]
    )


@pytest.fixture(scope="module")
def data(html):
    return block(html)


def test_same_plan_same_bytes(plan, html, tmp_path):
    path = write_map(plan, tmp_path / "map.html")
    assert path.read_bytes() == html.encode()
    assert map_html(make_plan()) == html
    assert [p.name for p in tmp_path.iterdir()] == ["map.html"]


def test_nothing_is_loaded_from_anywhere(html):
    inside = re.sub(r"<(script|style)\b.*?</\1>", "", html, flags=re.DOTALL)
    assert "http" not in inside.replace("http-equiv", "")
    assert not re.search(r"\b(src|href|srcset|action)\s*=", inside)
    assert not re.search(r"<(link|iframe|object|embed|base|form)\b", inside)
    styles = "".join(re.findall(r"<style>(.*?)</style>", html, flags=re.DOTALL))
    assert not re.search(r"url\(|@import|src:", styles)
    assert "sourceMappingURL" not in html
    ours = webmap._asset("page.js")
    assert set(re.findall(r"https?://[^\s\"']+", ours)) == {"http://www.w3.org/2000/svg"}


def test_policy_is_strict_and_fits_the_page(html):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html)[1]
    parts = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert parts["default-src"] == "'none'"
    assert "unsafe" not in policy
    assert parts["img-src"] == "data:"
    for tag in ("script", "style"):
        for text in re.findall(rf"<{tag}>(.*?)</{tag}>", html, flags=re.DOTALL):
            digest = pyhash(text)
            assert f"'sha256-{digest}'" in parts[f"{tag}-src"]
    assert html.index("Content-Security-Policy") < html.index("<script")


def pyhash(text):
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def test_leaflet_comes_with_its_licence(html):
    assert "Leaflet 1.9.4" in html
    assert "Redistribution and use in source and binary forms" in html


def test_numbers_equal_the_plan(plan, data):
    assert [zone["zone"] for zone in data["zones"]] == list(plan.zones.index)
    for zone in data["zones"]:
        row = plan.zones.loc[zone["zone"]]
        for column, value in some(zone["values"].items()):
            same(value, row[column])
    assert [s["id"] for s in data["sensors"]] == list(plan.sensors.index)
    for sensor in data["sensors"]:
        row = plan.sensors.loc[sensor["id"]]
        for column, value in some(sensor["values"].items()):
            same(value, row[column])
        ties = plan.ties[plan.ties["sensor_id"] == sensor["id"]]
        assert [t["distance_m"] for t in sensor["ties"]] == pytest.approx(
            list(ties["distance_m"]), abs=1e-4
        )
    for choice, (n, row) in zip(data["panel"]["choices"], plan.choices.iterrows(), strict=True):
        assert choice["n"] == n
        same(choice["cost_per_year"], row["cost_per_year"])
        same(choice["value_of_next"], row["value_of_next"])
    assert data["panel"]["cautions"] == list(plan.cautions)
    assert data["panel"]["warnings"] == list(plan.warnings)
    assert data["panel"]["answer"] == [plan.wording(u).answer for u in ("metric", "us")]
    assert data["panel"]["savings"]["claim"][0] == plan.economics["claim"]


def same(value, expected):
    if isinstance(expected, tuple):
        assert value == list(expected)
    elif isinstance(expected, (float, np.floating)) and not math.isfinite(expected):
        assert value is None
    else:
        assert value == expected


def test_positions_are_those_of_the_plan(plan, data):
    to_degrees = pyproj.Transformer.from_crs(plan.site.crs, 4326, always_xy=True)
    for sensor in some(data["sensors"]):
        row = plan.sensors.loc[sensor["id"]]
        lon, lat = to_degrees.transform(row["x"], row["y"])
        assert sensor["at"] == pytest.approx([lat, lon], abs=1e-9)
        for tie, (_, expected) in zip(
            sensor["ties"],
            plan.ties[plan.ties["sensor_id"] == sensor["id"]].iterrows(),
            strict=True,
        ):
            assert tie["line"][-1] == pytest.approx(sensor["at"], abs=1e-7)
            corner = to_degrees.transform(expected["from_x"], expected["from_y"])
            assert tie["line"][0] == pytest.approx(corner[::-1], abs=1e-7)


def test_zone_shapes_keep_their_area_and_holes(plan, data):
    to_metres = pyproj.Transformer.from_crs(4326, plan.site.crs, always_xy=True)
    for zone in some(data["zones"]):
        area = 0.0
        for outer, *holes in zone["shape"]:
            rings = [
                list(zip(*to_metres.transform([p[1] for p in r], [p[0] for p in r]), strict=True))
                for r in (outer, *holes)
            ]
            area += Polygon(rings[0], rings[1:]).area
        assert area == pytest.approx(plan.zones.loc[zone["zone"]].geometry.area, rel=1e-4)


def test_metres_per_degree_agree_with_the_ellipsoid(plan, data):
    geod = pyproj.Geod(ellps="WGS84")
    lat, lon = plan.site.latitude, plan.site.longitude
    north, east = data["metres_per_degree"]
    d_lat, d_lon = 0.0003, 0.0004
    true = geod.inv(lon, lat, lon + d_lon, lat + d_lat)[2]
    assert math.hypot(d_lat * north, d_lon * east) == pytest.approx(true, rel=1e-5)


def test_figures_are_written_in_both_units(data):
    first = data["sensors"][0]
    rows = dict(map(tuple, ((label, json.dumps(text)) for label, text in first["rows"])))
    assert "75\\u00a0mm" in rows["Depth"]
    assert "3\\u00a0in" in rows["Depth"]
    metres, feet = first["ties"][0]["cells"][2]
    assert metres == "22.95\N{NO-BREAK SPACE}m"
    assert feet == "75 ft 4 in".replace(" ", "\N{NO-BREAK SPACE}")
    assert data["units"] == "metric"
    assert block(map_html(make_plan("us")))["units"] == "us"


def test_steps_name_soak_wait_and_threshold(data):
    bypass, on_demand = (
        " ".join(t if isinstance(t, str) else t[0] for t in s["steps"]) for s in data["sensors"]
    )
    assert "wait 24 h" in bypass
    assert "14.2 % water by volume" in bypass
    assert "High threshold" not in bypass
    for steps in (bypass, on_demand):
        assert steps.count("Soak") == 1  # and not again by the note, which says the same
        assert "Set at the reading" not in steps
    assert "wait 48 h" in on_demand
    assert "watering starts, for the minutes of the timer table" in on_demand


def test_no_saving_is_claimed_without_a_timer():
    plan = make_plan()
    for column in ("baseline_m3", "saved_m3", "saved_fraction"):
        plan.season[column] = math.nan
    for key in ("saved_per_year", "payback_years"):
        for end in ("", "_low", "_high"):
            plan.economics[key + end] = None
    rows = dict(_map_text.savings(plan)["rows"])
    assert "not claimed" in rows["Water saved"]
    assert rows["Money saved"] == "not claimed: today's watering is not known"
    assert rows["Pays back in"] == "not claimed: today's watering is not known"
    assert "Share saved" not in rows


@pytest.mark.parametrize("units", ["metric", "us"])
def test_hostile_text_stays_inside_the_data_block(units):
    html = map_html(make_plan(units, hostile=True))
    data = block(html)
    assert data["name"] == HOSTILE[0]
    assert [z["zone"] for z in data["zones"]] == list(HOSTILE[1:5])
    outside = html.replace(re.search(r'id="plan">(.*?)</script>', html)[1], "")
    assert "<script>window" not in outside
    assert "<img" not in outside
    # every executable script is one of ours: the policy lists exactly two; the rest are data
    assert len(re.findall(r"<script>", html)) == 2
    assert html.count("</script>") == 4
    script = html[html.rindex("<script>") :]
    assert "__hit" not in script


@tries(60)
@given(st.text())
def test_any_text_survives_the_data_block(text):
    written = _map_data.as_json({"name": text})
    assert json.loads(written) == {"name": text}
    assert not re.search("[<>&\u2028\u2029]", written)
    assert written.isascii()


@tries(60)
@given(
    st.floats(-1e4, 1e4, allow_nan=False, allow_infinity=False),
    st.floats(0, 1e4, allow_nan=False, allow_infinity=False),
)
def test_scale_covers_its_range_in_equal_steps(low, width):
    scale = _map_raster.nice_scale(low, low + width)
    slack = 1e-6 * max(1.0, abs(low) + width)
    assert scale.low <= low + slack
    assert scale.high >= low + width - slack
    assert 2 <= len(scale.ticks) <= 8
    assert np.ptp(np.diff(scale.ticks)) < slack


def picture_of(overlay):
    raw = base64.b64decode(overlay["url"].removeprefix("data:image/png;base64,"))
    return np.asarray(Image.open(io.BytesIO(raw)).convert("RGBA"))


def test_overlay_lies_where_the_ground_is(plan):
    """A single dry cell must be found at its own longitude and latitude."""
    grid = LocalGrid(-30.0, 20.0, 0.5, 80, 120)
    values = np.zeros(grid.shape)
    row, column = 13, 97
    values[row - 1 : row + 2, column - 1 : column + 2] = 1.0
    scale = _map_raster.Scale(0.0, 1.0, (0.0, 1.0), 0)
    made = _map_raster.overlay(
        values, grid, plan.site.crs, scale=scale, ramp=("#000000", "#ffffff")
    )
    image = picture_of(made)
    rows, columns = np.nonzero((image[..., 0] > 128) & (image[..., 3] > 0))
    mercator = pyproj.Transformer.from_crs(4326, 3857, always_xy=True)
    (south, west), (north, east) = made["bounds"]
    (x0, x1), (y0, y1) = mercator.transform([west, east], [south, north])
    x = x0 + (columns.mean() + 0.5) / image.shape[1] * (x1 - x0)
    y = y1 - (rows.mean() + 0.5) / image.shape[0] * (y1 - y0)
    back = pyproj.Transformer.from_crs(3857, plan.site.crs, always_xy=True)
    assert back.transform(x, y) == pytest.approx((grid.x[column], grid.y[row]), abs=0.25)


def test_unknown_ground_is_clear(plan):
    grid = LocalGrid(0.0, 20.0, 0.5, 40, 40)
    values = np.full(grid.shape, 0.5)
    values[:, 20:] = np.nan
    scale = _map_raster.Scale(0.0, 1.0, (0.0, 1.0), 0)
    made = _map_raster.overlay(values, grid, plan.site.crs, scale=scale, ramp=palette.SUN)
    alpha = picture_of(made)[..., 3]
    assert (alpha[5:-5, 3:15] == 255).all()
    assert (alpha[5:-5, 25:-3] == 0).all()
    clipped = _map_raster.clip_to(np.ones(grid.shape), grid, box(0, 0, 5, 20))
    assert np.isfinite(clipped).sum() == 10 * 40


def test_a_style_that_would_load_something_is_refused(monkeypatch):
    monkeypatch.setattr(webmap, "_asset", lambda _: ".a { background: url(images/new.png) }")
    with pytest.raises(SitingError, match="not vendored"):
        webmap._inlined("page.css")


def test_the_page_is_our_own_template_and_loads_no_map_library(html):
    assert "folium" not in html
    assert html.count('id="map_plan"') == 1
    assert re.search(r'var map_plan = L\.map\("map_plan", Object\.assign\(\{"center":\[', html)
    code = "import sys, siting.handoff.webmap; print('folium' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_page_without_javascript_tells_it_all(plan):
    plain = _map_static.static_page(plan, _map_data.map_document(plan))
    for text in ("Meadow Court", "S1", "S2", plan.answer.split(":")[0], plan.cautions[0]):
        assert text in plain
    assert plain.count("<tr>") > 15
    assert plain.count('<circle cx="') == len(plan.sensors)


def test_plan_without_extras_is_still_a_page():
    plan = make_plan()
    site = plan.site
    for name in ("buildings", "trees", "paving", "fixtures"):
        object.__setattr__(site, name, getattr(site, name).iloc[:0])
    for name in ("ties", "wire_routes", "keepout", "choices", "reserves", "admissible"):
        object.__setattr__(plan, name, getattr(plan, name).iloc[:0])
    data = block(map_html(plan))
    names = ("buildings", "paving", "trees", "keepout", "admissible", "reserves")
    assert data["ground"] == {name: [] for name in names} | {"lines": {}}


def test_marks_can_be_told_from_their_ground():
    for ground in (palette.INK["card"], palette.INK["ground"], palette.INK["caution"]):
        assert contrast(palette.INK["text"], ground) >= 7
        assert contrast(palette.INK["quiet"], ground) >= 4.5
    assert contrast("#ffffff", palette.INK["accent"]) >= 4.5
    for ramp in (palette.NEED, palette.DRYNESS, palette.SUN):
        light = [contrast(c, "#000000") for c in ramp]
        assert light in (sorted(light), sorted(light, reverse=True))
        for colour in ramp:
            assert contrast(palette.text_on(colour), colour) >= 4.5


def test_readings_of_the_ground_show_the_field_before_them_and_where_they_disagree():
    plan = make_plan("metric")
    assert "moved" not in _map_data._overlays(plan)
    moved = np.full(plan.sun.grid.shape, np.nan)
    moved[2:6, 2:6] = 1.3
    read = dataclasses.replace(plan, moved=moved)
    shown = _map_data._overlays(read)
    assert {"before", "moved"} <= set(shown)
    assert shown["before"]["url"] != shown["dryness"]["url"]
    # Both pictures together are a small part of the page.
    assert len(shown["before"]["url"]) + len(shown["moved"]["url"]) < 40_000
    assert "Where readings and map disagree" in map_html(read)
