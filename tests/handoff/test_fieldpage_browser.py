"""The field page on a phone without a network: what is typed survives and reads as a workbook."""

import functools
import json
import math
import os
import signal

import pytest
from openpyxl import load_workbook
from PIL import Image

from siting.commission import commission, read_readings, record_of
from siting.handoff.readingsheet import write_readings
from siting.handoff.webmap import write_map
from siting.planning import read_inputs
from siting.site.template import demo_property
from tests.chromium import IN_A_BROWSER, PHONE, css, faults, press, requests, show, start, text
from tests.handoff.test_webmap_access import serious
from tests.plan_factory import make_plan

pytestmark = IN_A_BROWSER
UNITS = pytest.mark.parametrize("units", ["us", "metric"])
TYPE = """
const node = document.getElementById("field-" + arguments[0] + "-" + arguments[1]);
node.value = arguments[2];
node.dispatchEvent(new Event("input"));
node.dispatchEvent(new Event("change"));
"""
STEPS = ("ticket", "flags", "tapes", "depth", "splice", "soaked", "reading", "threshold")


@functools.cache
def weather():
    return read_inputs(demo_property("yard"))[2]


def feet(metres):
    whole, inches = divmod(metres / 0.0254, 12)
    return f"{whole:.0f}", f"{inches:.1f}"


def answers_of(plan):
    """What a crew would write, by sensor and header: the same for the page and the workbook."""
    us = plan.settings.units == "us"
    found = {}
    for tag, sensor in plan.sensors.iterrows():
        cells = {"buried_on": "2026-05-01"}
        for tie in plan.ties[plan.ties["sensor_id"] == tag].itertuples():
            built = math.hypot(tie.from_x - sensor["x"] - 0.1, tie.from_y - sensor["y"])
            if us:
                cells[f"tie_{tie.tie}_ft"], cells[f"tie_{tie.tie}_in"] = feet(built)
            else:
                cells[f"tie_{tie.tie}_m"] = f"{built:.2f}"
        cells |= {
            "side": "left",
            "depth_in" if us else "depth_mm": "3 1/2" if us else "90",
            "soaked_at": "2026-05-02T07:30",
            "reading_unit": "%",
            "reading_1": "23.5",
            "reading_1_at": "2026-05-04T08:00",
            "threshold_set": "17",
            "note": f"beside the {tag} flag",
        }
        found[str(tag)] = cells
    return found


def workbook(plan, folder, answers):
    path = write_readings(plan, folder)[3]
    book = load_workbook(path)
    sheet = book["sensors"]
    heads = {cell.value: cell.column for cell in sheet[1]}
    rows = {sheet.cell(row=k, column=1).value: k for k in range(2, sheet.max_row + 1)}
    for tag, cells in answers.items():
        for head, value in cells.items():
            sheet.cell(row=rows[tag], column=heads[head], value=value)
    book.save(path)
    return path


def fill_in(page, tag, cells):
    for head, value in cells.items():
        page.execute_script(TYPE, tag, head, value)


def tick(page, tag, *steps):
    for step in steps:
        press(page, f"#tick-{tag}-{step}")


def wait_for(page, condition):
    from selenium.webdriver.support.ui import WebDriverWait

    WebDriverWait(page, 8).until(condition)


def kept(page):
    wait_for(page, lambda d: text(d, "#field-kept").startswith("Kept on this device"))


def saved(page, folder):
    folder.mkdir(exist_ok=True)
    options = {"behavior": "allow", "downloadPath": str(folder)}
    page.execute_cdp_cmd("Browser.setDownloadBehavior", options)
    press(page, "#field-save")
    file = folder / "field.json"
    wait_for(page, lambda _: file.exists() and file.read_text(encoding="utf-8").endswith("}\n"))
    return file


def open_field(page, url, tag=""):
    show(page, url, PHONE)
    press(page, "#field-open")
    wait_for(page, lambda d: not text(d, "#field-kept").startswith("Opening"))
    if tag:
        press(page, f"#stop-{tag}")
    return page


@pytest.fixture
def phones(tmp_path):
    """Return a function that starts a phone with its own memory; all are closed at the end."""
    running = []

    def begin(name="phone"):
        running.append(start(PHONE, tmp_path / name))
        return running[-1]

    yield begin
    for driver in running:
        driver.quit()


@UNITS
def test_two_sensors_from_first_tick_to_file_though_the_page_is_killed(units, phones, tmp_path):
    plan = make_plan(units)
    url = write_map(plan, tmp_path / "map.html").as_uri()
    answers = answers_of(plan)
    page = open_field(phones(), url, "S1")
    tick(page, "S1", *STEPS[:5])
    first = list(answers["S1"].items())
    fill_in(page, "S1", dict(first[:6]))
    kept(page)
    os.kill(page.capabilities["goog:processID"], signal.SIGKILL)  # a battery that dies

    page = open_field(phones(), url)
    assert "5 of 8 done" in text(page, "#stop-S1")
    press(page, "#stop-S1")
    for head, value in first[:6]:
        field = page.find_element("id", f"field-S1-{head}")
        assert field.get_attribute("value") == value, head
    fill_in(page, "S1", dict(first[6:]))
    tick(page, "S1", *STEPS[5:])
    Image.new("RGB", (3000, 2000), "#7a2554").save(tmp_path / "hole.jpg")
    css(page, "#field-photos-S1")[0].send_keys(str(tmp_path / "hole.jpg"))
    wait_for(page, lambda d: css(d, "#field .photo"))
    assert "from the plan; error of this" in text(page, "#field")
    fill_in_second(page, answers["S2"])
    kept(page)
    press(page, "#field-list")
    assert "8 of 8 done" in text(page, "#stop-S1")
    assert "second look" not in "".join(
        n.text for n in css(page, "#field .hint") if n.is_displayed()
    )
    file = saved(page, tmp_path / "down")
    assert requests(page, url) == []
    assert faults(page) == []

    content = json.loads(file.read_text(encoding="utf-8"))
    [photo] = [a for a in content["answers"] if a["name"].startswith("photo/")]
    assert photo["value"].startswith("data:image/jpeg;base64,")
    same_findings(plan, file, workbook(plan, tmp_path, answers))


def fill_in_second(page, cells):
    press(page, "#field-list")
    press(page, "#stop-S2")
    tick(page, "S2", *STEPS[:3])
    fill_in(page, "S2", cells)


def same_findings(plan, file, book):
    """The file of the phone and the workbook are read alike, cell by cell, and judged alike."""
    typed, written = read_readings([file], plan), read_readings([book], plan)
    columns = [c for c in typed.sensors.columns if c != "row"]
    assert typed.sensors[columns].equals(written.sensors[columns])
    assert {"depth", "tie_1", "tie_2", "soaked_at", "reading_1", "threshold_set"} <= set(columns)
    assert any("S1: ticked " in note and "1 photo" in note for note in typed.notes)
    told = []
    for readings in (typed, written):
        found = record_of(commission(plan, weather(), readings))
        found.pop("notes")
        told.append(found)
    assert told[0] == told[1]
    assert told[0]["sensors"]["S1"]["as_built"]["moved_m"] == pytest.approx(0.1, abs=0.04)


def test_wrong_values_are_told_on_the_spot_in_the_words_of_the_sheet(phones, tmp_path):
    """Each is refused by the workbook's reader too: the limits are the same."""
    plan = make_plan("us")
    url = write_map(plan, tmp_path / "map.html").as_uri()
    page = open_field(phones(), url, "S1")
    wrong = {
        "depth_in": ("80", "a number from 0.3937 to 59.06 in"),
        "reading_1": ("0.24", "It looks like m3/m3"),
        "rain_since_in": ("-1", "a number from 0 to 19.69 in"),
        "lat": ("-81.2", "swapped"),
        "soaked_at": ("2026-04-30T08:00", "before the burial"),
        "tie_1_in": ("12.5", "below 12"),
        "gps_error_ft": ("much", "a number from"),
    }
    sound = {"buried_on": "2026-05-01", "reading_unit": "%", "tie_1_ft": "70", "lon": "29.03"}
    fill_in(page, "S1", sound)
    for head, (value, words) in wrong.items():
        fill_in(page, "S1", {head: value})
        said = text(page, f"#field-S1-{head}-fault")
        assert words in said, (head, said)
        assert css(page, f"#field-S1-{head}")[0].get_attribute("aria-invalid") == "true"
        cells = {h: v for h, v in sound.items() if h != "lon" or head == "lat"}
        cells |= {"reading_1_at": "2026-05-03T08:00", head: value}
        refuses(plan, tmp_path / "wrong.json", typed("S1", cells))
    press(page, "#field-list")
    assert "need a second look" in text(page, "#field")
    wide = "return ['html', '#field'].map((s) => document.querySelector(s).scrollWidth)"
    assert max(page.execute_script(wide)) <= PHONE[0]
    assert faults(page) == []


def refuses(plan, path, answers):
    from siting.errors import InputError

    path.write_text(json.dumps(document(plan, answers)), encoding="utf-8")
    with pytest.raises(InputError):
        read_readings([path], plan)


def typed(sensor, cells):
    when = {"at": "2026-05-05T08:00:00Z", "by": "a"}
    return [{"sensor": sensor, "name": name, "value": v, **when} for name, v in cells.items()]


def document(plan, answers):
    zones = {str(tag): str(zone) for tag, zone in plan.sensors["zone"].items()}
    return {"format": "siting-field/1", "property": plan.site.name, "plan": "",
            "units": plan.settings.units, "zones": zones, "answers": answers}  # fmt: skip


def test_tapes_are_judged_as_the_office_judges_them(phones, tmp_path):
    plan = make_plan()
    page = open_field(phones(), write_map(plan, tmp_path / "map.html").as_uri(), "S2")
    ties = plan.ties[plan.ties["sensor_id"] == "S2"].set_index("tie")["distance_m"]
    cases = {
        (f"{ties[1] + 0.2:.2f}", "", ""): "One tape does not fix a point",
        (f"{ties[1]:.2f}", f"{ties[2]:.2f}", ""): "choose the side",
        (f"{ties[1]:.2f}", f"{ties[2]:.2f}", "left"): "from the plan; error of this",
        (f"{ties[2]:.2f}", f"{ties[1]:.2f}", "left"): "swapped",
        ("3", "4", "left"): "do not meet",
    }
    for (one, other, side), words in cases.items():
        fill_in(page, "S2", {"tie_1_m": one, "tie_2_m": other, "side": side})
        assert words in text(page, "#field"), words
        rows = typed("S2", {"tie_1_m": one, "tie_2_m": other, "side": side})
        path = tmp_path / "tapes.json"
        path.write_text(json.dumps(document(plan, rows)), encoding="utf-8")
        readings = read_readings([path], plan)
        if "from the plan" in words:
            fix = commission(plan, weather(), readings).as_built["S2"]
            assert f"error of this {fix.fix.error_m:.2f} m" in text(page, "#field")
        else:
            with pytest.raises(Exception, match="tape"):
                commission(plan, weather(), readings)


def test_two_phones_merge_and_show_where_they_differ(phones, tmp_path):
    plan = make_plan()
    url = write_map(plan, tmp_path / "map.html").as_uri()
    one = open_field(phones("one"), url, "S1")
    fill_in(one, "S1", {"depth_mm": "80", "note": "clay"})
    tick(one, "S1", "ticket")
    kept(one)
    press(one, "#field-list")
    first = saved(one, tmp_path / "first")
    other = open_field(phones("other"), url, "S1")
    fill_in(other, "S1", {"depth_mm": "95", "threshold_set": "17"})
    tick(other, "S1", "flags")
    kept(other)
    press(other, "#field-list")
    second = saved(other, tmp_path / "second")
    together = read_readings([first, second], plan)
    assert any('"80"' in note and '"95"' in note for note in together.notes)
    css(one, "#field-merge")[0].send_keys(str(second))
    wait_for(one, lambda d: "1 differs" in text(d, "#field-merged"))
    assert "2 of 8 done" in text(one, "#stop-S1")
    assert "1 answer differs between devices (S1)" in text(one, "#field")
    show(one, url, PHONE)  # loaded anew: the difference is kept too
    press(one, "#field-open")
    wait_for(one, lambda d: css(d, "#stop-S1"))
    press(one, "#stop-S1")
    wait_for(one, lambda d: "Two devices differ: 80" in text(d, "#field"))
    [take] = [b for b in css(one, ".differs button") if b.text == "Take 95"]
    take.click()
    wait_for(one, lambda d: "Two devices differ" not in text(d, "#field"))
    # Asked in one go, until they are there: the page is drawn anew once what was taken is kept.
    value = "return arguments[0].map(name => document.getElementById('field-S1-' + name)?.value)"
    names = ["depth_mm", "note"]
    wait_for(one, lambda d: d.execute_script(value, names) == ["95", "clay"])
    kept(one)
    press(one, "#field-list")
    last = saved(one, tmp_path / "last")
    sensors = read_readings([last], plan).sensors
    assert sensors.loc["S1", "depth"] == pytest.approx(0.095)
    assert sensors.loc["S1", "threshold_set"] == 17
    assert not any("differ" in note for note in read_readings([last], plan).notes)


def test_timer_place_and_page_for_every_hand(phones, tmp_path):
    """The timer runs from what is kept, the phone tells its place, and axe-core finds nothing."""
    plan = make_plan()
    url = write_map(plan, tmp_path / "map.html").as_uri()
    page = open_field(phones(), url, "S1")
    tick(page, "S1", "soaked")
    assert page.find_element("id", "field-S1-soaked_at").get_attribute("value")
    wait_for(page, lambda d: "Read from " in text(d, "#field .timer"))
    assert "24 h 0 min left" in text(page, "#field .timer")
    kept(page)
    open_field(page, url)
    assert "Read from " in text(page, "#stop-S1")
    press(page, "#stop-S1")
    fill_in(page, "S1", {"soaked_at": "2026-01-01T08:00"})
    assert "Read it now" in text(page, "#field .timer")
    page.execute_cdp_cmd("Browser.grantPermissions", {"permissions": ["geolocation"]})
    row = plan.sensors.loc["S1"]
    at = {"latitude": row["lat"] + 2 / 110_855, "longitude": row["lon"], "accuracy": 4}
    page.execute_cdp_cmd("Emulation.setGeolocationOverride", at)
    press(page, ".gps button")
    wait_for(page, lambda d: "lies 2.00 m to the north from the plan" in text(d, "#field"))
    assert page.find_element("id", "field-S1-gps_error_m").get_attribute("value") == "4.00"
    page.execute_script(
        "for (const d of document.querySelectorAll('#field details')) d.open = true"
    )
    assert serious(page) == []
    press(page, "#field-list")
    assert serious(page) == []
    assert faults(page) == []
