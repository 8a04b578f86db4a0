"""The crew sheets: true to scale, whole on every page, the same bytes every time."""

import dataclasses
import math
import re

import numpy as np
import pandas as pd
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reportlab.platypus import PageBreak
from shapely.geometry import Point

from siting.handoff import drawing as pen_module
from siting.handoff.drawing import (
    BOLD,
    LADDER,
    POINTS_PER_METRE,
    SANS,
    Frame,
    check_bar,
    fit,
    fit_text,
    markup,
    printable,
    width_of,
)
from siting.handoff.facts import compass, depth, elide, tape
from siting.handoff.sheets import (
    _tall,
    overview_frame,
    sensor_frame,
    sensor_pages,
    threshold_steps,
    write_sheets,
)
from siting.site.handbook import SOIL_CLASSES
from siting.units import FOOT_M
from tests.demo_plans import demo_plan
from tests.plan_factory import make_plan
from tests.some import some
from tests.tries import tries

UNITS = ("metric", "us")
CASES = [(units, hostile) for units in UNITS for hostile in (False, True)]


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    """Every plan as a sheet, written once: (units, hostile) -> reader, path, plan."""
    folder = tmp_path_factory.mktemp("sheets")
    made = {}
    for units, hostile in CASES:
        plan = make_plan(units=units, hostile=hostile)
        path = write_sheets(plan, folder / f"{units}{hostile}.pdf")
        made[units, hostile] = pypdf.PdfReader(path), path, plan
    return made


def _words(page):
    return " ".join(page.extract_text().split())


def _paths(page):
    """Bars [w] and straight lines [length] on a page, in points of paper."""
    bars, lines, path = [], [], []

    def visit(operator, operands, matrix, _text):
        nonlocal path
        grown = math.hypot(float(matrix[0]), float(matrix[1]))
        numbers = [float(n) for n in operands] if operator in (b"re", b"m", b"l") else []
        if operator == b"re":
            bars.append((numbers[2] * grown, numbers[3] * grown))
        elif operator == b"m":
            path = [numbers]
        elif operator == b"l":
            path.append(numbers)
        elif operator in (b"S", b"s") and len(path) == 2:
            lines.append(math.dist(*path) * grown)

    page.extract_text(visitor_operand_before=visit)
    return bars, lines


def _text_runs(page):
    """(x, y, size, x and y of the end) of every run of text, turned or not, in points of paper."""
    runs = []

    def visit(text, cm, tm, font, size):
        if not text.strip():
            return
        page = np.array(cm).reshape(3, 2)
        along, up, at = np.array(tm).reshape(3, 2) @ page[:2]
        bold = "Bold" in str((font or {}).get("/BaseFont", ""))
        width = width_of(text.strip("\n"), size, bold=bold)
        at = at + page[2]
        runs.append((*at, size * np.hypot(*up), *(at + width * along)))

    page.extract_text(visitor_text=visit)
    return runs


@pytest.mark.parametrize(("units", "hostile"), CASES)
def test_same_plan_same_bytes(sheets, tmp_path, units, hostile):
    again = write_sheets(make_plan(units=units, hostile=hostile), tmp_path / "again.pdf")
    first = sheets[units, hostile][1].read_bytes()
    assert again.read_bytes() == first
    assert b"siting" in first


@pytest.mark.parametrize(("units", "hostile"), CASES)
def test_every_page_is_numbered_and_carries_the_dig_caution(sheets, units, hostile):
    reader = sheets[units, hostile][0]
    total = len(reader.pages)
    for number, page in enumerate(some(reader.pages), start=1):
        words = _words(page)
        assert f"page {number} of {total}" in words
        assert "Call before you dig: 811 in the US" in words
        assert "Private lines are not marked" in words


@pytest.mark.parametrize(("units", "size"), [("metric", (595.28, 841.89)), ("us", (612, 792))])
def test_paper_follows_the_units(sheets, units, size):
    for page in some(sheets[units, False][0].pages):
        assert tuple(map(float, page.mediabox[2:])) == pytest.approx(size, abs=0.01)


@pytest.mark.parametrize("units", UNITS)
def test_tags_ties_depths_and_coordinates_are_on_the_sensors_leaf(sheets, units):
    reader, _, plan = sheets[units, False]
    for place, (sensor_id, row) in enumerate(plan.sensors.iterrows()):
        front, back = (_words(reader.pages[k]) for k in (1 + 2 * place, 2 + 2 * place))
        assert front.startswith(f"{sensor_id}: zone {row['zone']}, valve {row['valve']}")
        assert back.startswith(f"{sensor_id}: worksheet")
        ties = plan.ties[plan.ties["sensor_id"] == sensor_id]
        for number, metres in zip(ties["tie"], ties["distance_m"], strict=True):
            assert f"{number}: {tape(metres, units)}" in front, "on the drawing"
            assert f"Tie {number} {tape(metres, units)} building corner" in front, "in the table"
            assert f"plan {tape(metres, units)}; built" in back
        assert f"Depth {depth(row['depth_m'], units)} to the sensor's middle" in front
        assert f"{row['lat']:.7f}, {row['lon']:.7f}" in front
        assert f"x {row['source_x']:.3f}, y {row['source_y']:.3f}" in front
        assert f"Reading after {row['soak_wait_h']:.0f} h" in back
        assert f"{row['gauge_awg']} AWG or thicker ({row['drop_v']:.2f} V lost)" in front
        assert "timer with sensor inputs, in place of the old one" in front
        rank = f"chance {100 * row['p_driest_quarter']:.0f} in 100 of the driest quarter"
        assert rank in front
        assert rank in back
        assert f"{100 * row['expected_rank']:.0f} % is expected moister" in front
        assert row["application_note"][1:] in back
        assert row["zone_note"] in back
        for line in ("Utility locate", "Flagged by", "Photos taken", "signature"):
            assert line in back
        if row["setback_note"]:
            assert f"What gave way: {row['setback_note']}" in back
    first = _words(reader.pages[0])
    assert all(sensor_id in first for sensor_id in plan.sensors.index)


def test_run_times_parts_money_and_cautions(sheets):
    reader, _, plan = sheets["metric", False]
    words = " ".join(_words(page) for page in reader.pages)
    assert "1 A S1 bypass 25 27 × 1.08 2 × 13.5 30 78 / 38" in words
    assert "Direct-burial wire 60.9 m two conductors" in words
    assert "USD 1,203: device USD 550" in words
    assert "69%" in words
    for line in (*plan.cautions, *plan.warnings, plan.economics["claim"], plan.answer):
        assert line in words


@pytest.mark.parametrize("units", UNITS)
def test_bar_measures_what_it_says(sheets, units):
    """The printed bar against the words beside it, from the operators of the page itself."""
    reader, _, plan = sheets[units, False]
    for number in (0, *range(1, 1 + 2 * len(plan.sensors), 2)):
        page = reader.pages[number]
        bars, _ = _paths(page)
        quarter = [w for w, h in bars if h == pytest.approx(6.0, abs=1e-3)]
        found = re.search(r"the bar is ([\d.]+) (mm|in) long", _words(page))
        unit = 0.001 if found[2] == "mm" else FOOT_M / 12
        assert len(quarter) >= 4
        paper = sum(quarter[-4:]) / POINTS_PER_METRE
        assert paper == pytest.approx(float(found[1]) * unit, rel=0.005)


@pytest.mark.parametrize("units", UNITS)
def test_ties_on_paper_are_to_scale(sheets, units):
    """Line lengths on the page against the plan's distances, by the scale printed on the page."""
    reader, _, plan = sheets[units, False]
    for place, sensor_id in enumerate(plan.sensors.index):
        page = reader.pages[1 + 2 * place]
        printed = re.search(r"Scale 1(?::| in = )([\d,]+)", _words(page))[1].replace(",", "")
        denominator = int(printed) * (12 if units == "us" else 1)
        lines = np.array(_paths(page)[1]) / POINTS_PER_METRE * denominator
        for metres in some(plan.ties.loc[plan.ties["sensor_id"] == sensor_id, "distance_m"]):
            # drawn twice: a pale casing, and the line itself
            assert (np.abs(lines / metres - 1) < 0.005).sum() >= 2
            assert np.abs(lines / metres - 1).min() < 1e-4


@pytest.mark.parametrize(("units", "hostile"), CASES)
def test_no_text_runs_off_the_page_or_is_too_small(sheets, units, hostile):
    for page in some(sheets[units, hostile][0].pages):
        wide, high = map(float, page.mediabox[2:])
        runs = _text_runs(page)
        assert len(runs) > 5
        for x, y, size, end_x, end_y in runs:
            assert size >= 8.99
            assert min(x, end_x) >= 30
            assert max(x, end_x) <= wide - 30
            assert min(y, end_y) >= 15
            assert max(y, end_y) <= high - 25


@pytest.mark.parametrize("hostile", [False, True])
def test_fonts_are_embedded_truetype(sheets, hostile):
    names = set()
    for page in sheets["metric", hostile][0].pages:
        for font in page["/Resources"]["/Font"].values():
            name = font.get_object()["/BaseFont"]
            names.add(str(name))
            assert "/FontFile2" in font.get_object()["/FontDescriptor"], name
    assert all("DejaVuSans" in name for name in some(names))


def test_hostile_names_print(sheets):
    reader, _, plan = sheets["metric", True]
    words = "".join(" ".join(_words(page) for page in reader.pages).split())
    for name in (*plan.zones.index, *plan.cautions, plan.site.name):
        start = elide(printable(name), 24).rstrip("…")
        if name.isascii():
            assert "".join(start.split()) in words, name
    assert "Größe" in words
    assert "\u202e" not in words
    assert not any("/Annots" in page or "/AA" in page for page in reader.pages)


def test_nothing_claimed_without_a_timer(tmp_path):
    plan = make_plan()
    nothing = ["baseline_m3", "saved_m3", "saved_fraction"]
    economics = dict(plan.economics) | {
        key: None for key in plan.economics if key.startswith(("saved", "payback"))
    }
    economics["claim"] = "No saving is claimed: today's timer is not known."
    bare = dataclasses.replace(
        plan,
        settings=dataclasses.replace(plan.settings, timer=None),
        season=plan.season.assign(**dict.fromkeys(nothing, math.nan)),
        zones=plan.zones.assign(
            today_minutes=math.nan, today_m3=math.nan, run_time_factor=math.nan
        ),
        economics=economics,
        cautions=(),
    )
    reader = pypdf.PdfReader(write_sheets(bare, tmp_path / "crew.pdf"))
    words = " ".join(_words(page) for page in reader.pages)
    assert "no saving is claimed" in words
    assert "Payback" not in words
    assert not re.search(r"\bnan\b", words.lower())
    assert "licensed practitioner" in words, "the standing cautions, when the plan brings none"


def test_without_ties_wire_trees_or_keepout(tmp_path):
    plan = make_plan(units="us")
    site = dataclasses.replace(
        plan.site, trees=plan.site.trees.iloc[:0], fixtures=plan.site.fixtures.iloc[:0]
    )
    bare = dataclasses.replace(
        plan,
        site=site,
        ties=plan.ties.iloc[:0],
        wire_routes=plan.wire_routes.iloc[:0],
        keepout=plan.keepout.iloc[:0],
        season=plan.season.iloc[:0],
    )
    words = _words(pypdf.PdfReader(write_sheets(bare, tmp_path / "crew.pdf")).pages[1])
    assert "No two fixed corners are in reach of a tape" in words


def test_many_sensors_each_get_their_leaf(tmp_path):
    plan = make_plan()
    sensors = pd.concat([plan.sensors] * 6)
    sensors.index = pd.Index([f"S{k}" for k in range(1, 13)], name="sensor_id")
    many = dataclasses.replace(plan, sensors=sensors)
    reader = pypdf.PdfReader(write_sheets(many, tmp_path / "crew.pdf"))
    words = [_words(page) for page in reader.pages]
    for name in sensors.index:
        assert sum(text.startswith(f"{name}: zone") for text in words) == 1
        assert sum(text.startswith(f"{name}: worksheet") for text in words) == 1


def test_a_long_leaf_takes_room_from_its_drawings_and_not_a_further_page():
    """A row of a full table once stood alone on an empty page."""
    plan, width = make_plan(units="us"), 480.0

    def front(page):
        parts = sensor_pages(plan, "S1", width=width, height=300.0, page=page)[1:]
        side = parts[: next(k for k, part in enumerate(parts) if isinstance(part, PageBreak))]
        return _tall(side, width)

    whole = front(2000.0)
    assert front(whole + 15) == pytest.approx(whole, abs=1)
    for short in (20, 60, 100):
        assert whole - short - 20 < front(whole - short) <= whole - short


def test_what_is_paid_for_a_link_is_not_called_a_trench_alone(tmp_path):
    plan = make_plan()
    told = [_words(page) for page in pypdf.PdfReader(write_sheets(plan, tmp_path / "a.pdf")).pages]
    assert not any("wireless link" in page for page in told)
    plan.sensors["link"] = ["wireless", "decoder"]
    told = [_words(page) for page in pypdf.PdfReader(write_sheets(plan, tmp_path / "b.pdf")).pages]
    money = str(plan.economics["currency"])
    assert sum(f"trench or decoder or wireless link {money}" in page for page in told) == 2


def test_plan_is_not_changed(tmp_path):
    plan, untouched = make_plan(), make_plan()
    write_sheets(plan, tmp_path / "crew.pdf")
    for table in ("zones", "sensors", "ties", "parts", "season"):
        pd.testing.assert_frame_equal(
            pd.DataFrame(getattr(plan, table)), pd.DataFrame(getattr(untouched, table))
        )


@given(
    st.floats(-1e4, 1e4), st.floats(-1e4, 1e4), st.floats(1, 500), st.floats(1, 500),
    st.sampled_from(UNITS),
)  # fmt: skip
@tries(60)
def test_frame_shows_all_it_has_to_and_keeps_lengths(x, y, across, up, units):
    bounds = (x, y, x + across, y + up)
    frame = fit(bounds, width=400, height=300, units=units)
    west, south, east, north = frame.bounds
    assert west <= x + 1e-6
    assert south <= y + 1e-6
    assert east >= x + across - 1e-6
    assert north >= y + up - 1e-6
    apart = math.dist(frame.to_page(x, y), frame.to_page(x + across, y + up))
    assert apart == pytest.approx(
        math.hypot(across, up) * POINTS_PER_METRE / frame.denominator, rel=1e-9
    )


@pytest.mark.parametrize("units", UNITS)
def test_every_bar_of_the_ladder_is_round_and_fits(units):
    for denominator in LADDER[units]:
        metres, ground, paper = check_bar(denominator, units)
        assert metres / denominator * POINTS_PER_METRE <= 150
        unit = 1.0 if units == "metric" else FOOT_M
        assert float(ground.split()[0]) == pytest.approx(metres / unit, rel=1e-4)
        assert float(ground.split()[0]).is_integer()
        assert paper in {"50 mm", "40 mm", "2 in"}


def test_sensor_frame_holds_every_tie_and_centres_when_it_can():
    plan = make_plan()
    for sensor_id in plan.sensors.index:
        frame = sensor_frame(plan, sensor_id, width=350, height=380)
        west, south, east, north = frame.bounds
        for line in plan.ties[plan.ties["sensor_id"] == sensor_id].geometry:
            for x, y in line.coords:
                assert west < x < east
                assert south < y < north
    near = dataclasses.replace(plan, ties=plan.ties.iloc[:0])
    frame = sensor_frame(near, "S1", width=350, height=380)
    assert (frame.x, frame.y) == (plan.sensors.loc["S1", "x"], plan.sensors.loc["S1", "y"])


def test_overview_holds_the_whole_property():
    plan = make_plan()
    frame = overview_frame(plan, width=500, height=300)
    west, south, east, north = frame.bounds
    bounds = plan.site.boundary.bounds
    assert (west, south) < bounds[:2]
    assert (east, north) > bounds[2:]


class _NoCanvas:
    """Takes every drawing call and draws nothing."""

    def __getattr__(self, name):
        return lambda *_args, **_options: self


def test_labels_keep_clear_of_each_other():
    pen = pen_module.Pen(_NoCanvas(), Frame(0, 0, 100, 300.0, 300.0))
    for k in range(12):
        pen.label(f"label {k}", [(150, y) for y in range(10, 290, 18)])
    boxes = pen.taken
    assert len(boxes) == 12
    for k, one in enumerate(boxes):
        for other in boxes[k + 1 :]:
            apart = one[3] <= other[1] or other[3] <= one[1]
            assert apart or one[2] <= other[0] or other[2] <= one[0]
    assert not pen.label("x", [(150, 10)]), "nothing free: left out"
    assert pen.label("S1", [(150, 10)], insist=True), "a tag is always written"


def test_labels_stay_in_the_window():
    pen = pen_module.Pen(_NoCanvas(), Frame(0, 0, 100, 120.0, 80.0))
    pen.label("corner", [(0, 0)])
    west, south, east, north = pen.taken[0]
    assert west >= 0
    assert south >= 0
    assert east <= 120
    assert north <= 80


def test_lines_are_drawn_only_where_the_window_is():
    drawn = []

    class Spy(_NoCanvas):
        def drawPath(self, *args, **_options):
            drawn.append(args)

    pen = pen_module.Pen(Spy(), Frame(0, 0, 100, 100.0, 100.0))
    pen.shapes([Point(0, 0).buffer(1), Point(500, 0).buffer(1), None], pen_module.Ink("#000000"))
    assert len(drawn) == 1


@given(st.text(st.characters(), max_size=40))
def test_any_text_is_one_printable_line(text):
    shown = printable(text)
    assert "\n" not in shown
    assert width_of(fit_text(text, 9, 60), 9) <= max(60, width_of("…", 9) + 9 * 2)
    assert "<" not in markup(text)


def test_both_weights_are_ours():
    assert width_of("S1", 10, bold=True) > width_of("S1", 10)
    assert BOLD.startswith(SANS)


@pytest.mark.parametrize(
    ("metres", "us", "metric"),
    [(3.7592, "12 ft 4 in", "3.76 m"), (0.3047, "1 ft 0 in", "0.30 m"), (0.05, "2 in", "0.05 m")],
)
def test_tape_reads_in_feet_and_inches(metres, us, metric):
    assert tape(metres, "us") == us
    assert tape(metres, "metric") == metric


@given(st.floats(0.3048, 500))
def test_tape_is_within_half_an_inch(metres):
    feet, inches = re.fullmatch(r"(\d+) ft (\d+) in", tape(metres, "us")).groups()
    assert int(inches) < 12
    shown = int(feet) * FOOT_M + int(inches) * FOOT_M / 12
    assert shown == pytest.approx(metres, abs=FOOT_M / 24 + 1e-9)


def test_compass_goes_round():
    turns = np.radians(np.arange(0, 360, 22.5))
    points = [compass(np.sin(t), np.cos(t)) for t in turns]
    assert points[::4] == ["N", "E", "S", "W"]
    assert len(set(points)) == 16


def test_threshold_step_lies_as_far_below_field_capacity_as_the_threshold():
    """A turf sensor reads the top of the root zone: its step is in water content, not depth."""
    plan = demo_plan("yard")
    for _, row in some(plan.sensors.iterrows()):
        capacity = SOIL_CLASSES[plan.zones.loc[row["zone"], "soil"]].field_capacity
        (step,) = [text for text in threshold_steps(plan, row) if "points of water" in text]
        told = float(re.search(r"([\d.]+) points of water", step).group(1))
        assert row["threshold_low_fraction"] > 0
        assert told == pytest.approx(100 * (capacity - row["threshold_vwc"]), abs=0.051)
