"""One figure is one figure: terminal, explain, sheet, map, plan.json, GPX, KML and CSV agree.

Every figure is put into words here, from the plan's own numbers and by arithmetic of this file, and
looked for in every output that tells it.
"""

import csv
import io
import json
import re

import pytest

from siting.planning.make import plan_property
from siting.site.template import DEMOS
from tests.all_texts import all_texts
from tests.demo_plans import demo_plan
from tests.small_property import write_property
from tests.some import some

GALLON_M3, FOOT_M, INCH_M = 0.003785411784, 0.3048, 0.0254


def volume(cubic_metres, units):
    if units == "us":
        return f"{cubic_metres / GALLON_M3:,.0f} gal"
    return f"{cubic_metres:,.0f} m³"


def taped(metres, units):
    if units == "metric":
        return f"{metres:.2f} m"
    feet, inches = divmod(round(metres / INCH_M), 12)
    return f"{feet} ft {inches} in" if feet else f"{inches} in"


def buried(metres, units):
    if units == "metric":
        return f"{1000 * metres:.0f} mm"
    return f"{round(2 * metres / INCH_M) / 2:g} in"


def laid(metres, units):
    return f"{metres / FOOT_M:,.0f} ft" if units == "us" else f"{metres:,.1f} m"


def flat(text):
    """Return a text in one line, without boxes, hard blanks and escapes."""
    plain = text.replace("\N{NO-BREAK SPACE}", " ").replace("\\u00a0", " ")
    return " ".join(re.sub(r"[│┃]", " ", plain).split())


def sensor_figures(plan, tag, units):
    """Return what is told of a sensor: (what, in words, in which outputs)."""
    sensor = plan.sensors.loc[tag]
    everywhere = ("crew.pdf", "map", "explain", "terminal", "sensors.gpx", "sensors.kml")
    found = [("depth", buried(sensor["depth_m"], units), everywhere)]
    if sensor["wire_m"] > 0:
        paper = ("crew.pdf", "map", "explain", "terminal")
        found.append(("wire", laid(sensor["wire_m"], units), paper))
    for row in plan.ties[plan.ties["sensor_id"] == tag].itertuples():
        outputs = ("crew.pdf", "map", "explain", "sensors.gpx", "sensors.kml")
        found.append((f"tie {row.tie}", taped(row.distance_m, units), outputs))
    for row in plan.reserves[plan.reserves["sensor_id"] == tag].itertuples():
        far = sensor.geometry.distance(row.geometry)
        found.append((f"reserve {row.reserve}", taped(far, units), ("crew.pdf", "map", "explain")))
    step = f"{100 * sensor['threshold_step_vwc']:.1f} points"
    found.append(("threshold", step, ("crew.pdf", "map", "explain", "plan.json")))
    return found


def property_figures(plan, units):
    """Return what is told of the property."""
    money = plan.economics
    return [
        ("saved", volume(money["saved_m3"], units), ("crew.pdf", "map", "terminal", "plan.json")),
        ("worth", f"{money['saved_per_year']:,.0f}", ("crew.pdf", "map", "terminal", "plan.json")),
        ("pays back", f"{money['payback_years']:.1f} years", ("crew.pdf", "map", "terminal")),
        ("water", volume(plan.zones["water_m3"].sum(), units), ("crew.pdf", "map")),
    ]


def hold(plan, folder, monkeypatch):
    monkeypatch.setenv("COLUMNS", "400")  # no cell of the terminal's table wraps
    units = plan.settings.units
    raw = all_texts(plan, folder)
    texts = {name: flat(text) for name, text in raw.items()}
    for what, words, outputs in some(property_figures(plan, units)):
        for name in outputs:
            assert words in texts[name], (what, words, name)
    for tag in some(plan.sensors.index):
        for what, words, outputs in some(sensor_figures(plan, tag, units)):
            for name in outputs:
                told = texts[f"explain {tag}"] if name == "explain" else texts[name]
                assert words in told, (tag, what, words, name)
    _tables(raw["sensors.csv"], texts)


def _tables(csv_text, texts):
    """Hold the machine-readable numbers to one another, and the minutes to every page."""
    document = json.loads(texts["plan.json"])
    rows = {row["sensor_id"]: row for row in csv.DictReader(io.StringIO(csv_text.lstrip("\ufeff")))}
    for sensor in some(document["sensors"]):
        row = rows[sensor["sensor_id"]]
        for key in ("depth_m", "wire_m", "lon", "lat", "x", "y"):
            assert float(row[key]) == pytest.approx(sensor[key], abs=1e-6), key
        assert float(row["tie1_m"]) == pytest.approx(sensor["ties"][0]["distance_m"], abs=1e-3)
        assert float(row["threshold_step_vwc"]) == sensor["threshold"]["step_vwc"]
    minutes = {line["zone"]: line["run_minutes"] for line in document["timer"]}
    for zone in some(document["zones"]):
        assert zone["run_minutes"] == pytest.approx(minutes[zone["zone"]])
        if zone["sensor_id"]:
            assert f"{zone['zone']} {zone['run_minutes']:.0f}" in texts["terminal"]
            told = texts[f"explain {zone['sensor_id']}"]
            assert f"{zone['zone']}: {zone['run_minutes']:.0f} min" in told
    water = sum(zone["water_m3"] for zone in document["zones"])
    timer = sum(line["water_m3"] for line in document["timer"])
    assert (
        water == pytest.approx(timer) == pytest.approx(document["season"]["plan"]["mean"], abs=0.1)
    )


@pytest.mark.parametrize("name", DEMOS)
def test_every_output_tells_the_same_figures(name, tmp_path, monkeypatch):
    hold(demo_plan(name), tmp_path / "out", monkeypatch)


@pytest.mark.parametrize(("crs", "units"), [("EPSG:4326", "metric"), ("EPSG:2239", "us")])
def test_in_degrees_and_in_feet_too(crs, units, tmp_path, monkeypatch):
    path = write_property(tmp_path / "in", crs=crs, units=units)
    hold(plan_property(path), tmp_path / "out", monkeypatch)
