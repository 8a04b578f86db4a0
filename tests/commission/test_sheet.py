"""The readings sheet goes out with ids and comes back with every fault by its row."""

import csv
import datetime as dt
import io
import zipfile
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook

from siting.commission.readings import read_readings
from siting.errors import InputError
from siting.handoff.readingsheet import write_readings
from siting.site.cells import (
    as_length,
    as_number,
    as_time,
    read_sheets,
    time_order,
    unguarded,
)
from tests.plan_factory import make_plan
from tests.tries import tries


@pytest.fixture(scope="module")
def plan():
    return make_plan()


@pytest.fixture
def sheet(plan, tmp_path):
    """Return a function that fills in cells of the CSV sheet and reads it back."""
    path = write_readings(plan, tmp_path / "out")[0]
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))

    def fill(*cells, delimiter=",", drop=()):
        filled = [dict(row) for row in rows]
        for row, values in zip(filled, cells, strict=False):
            row.update(values)
        heads = [h for h in rows[0] if h not in drop]
        target = tmp_path / "back.csv"
        with target.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(
                file, heads, delimiter=delimiter, extrasaction="ignore", lineterminator="\n"
            )
            writer.writeheader()
            writer.writerows(filled)
        return read_readings([target], plan)

    return fill


def faults_of(call, *args, **options):
    with pytest.raises(InputError) as caught:
        call(*args, **options)
    return [str(fault) for fault in caught.value.faults]


GOOD = {
    "buried_on": "2026-05-01", "soaked_at": "2026-05-02 07:00", "reading_1_at": "2026-05-04 07:00",
    "reading_1": "23.5", "reading_2_at": "2026-05-04 19:00", "reading_2": "23.2",
}  # fmt: skip


def test_the_sheet_carries_every_id_and_no_date(plan, tmp_path):
    one = write_readings(plan, tmp_path / "one")
    two = write_readings(plan, tmp_path / "two")
    assert [p.name for p in one] == [
        "readings.csv", "readings-zones.csv", "readings-cans.csv", "readings.xlsx",
    ]  # fmt: skip
    for a, b in zip(one, two, strict=True):
        assert a.read_bytes() == b.read_bytes()
    book = load_workbook(one[3])
    ids = [cell.value for cell in book["sensors"]["A"]][1:]
    assert ids == list(plan.sensors.index)
    assert [cell.value for cell in book["zones"]["A"]][1:] == list(plan.zones.index)
    with zipfile.ZipFile(one[3]) as parts:
        assert {info.date_time[0] for info in parts.infolist()} == {1980}


def test_hostile_names_never_run_as_formulas_and_come_back_whole(tmp_path):
    plan = make_plan(hostile=True)
    files = write_readings(plan, tmp_path)
    for path in files[:3]:
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))):
            assert not any(cell.startswith(("=", "+", "@", "-")) for cell in row)
    for sheet in load_workbook(files[3]).worksheets:
        assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)
    sensors, zones = list(plan.sensors.index), list(plan.zones.index)
    for path, has in (
        (files[0], (sensors, [])),
        (files[1], ([], zones)),
        (files[3], (sensors, zones)),
    ):
        got = read_readings([path], plan)
        assert (list(got.sensors.index), list(got.zones.index)) == has
    assert read_readings([files[2]], plan).cans.empty


def test_untouched_sheets_are_read_without_a_word(plan, tmp_path):
    files = write_readings(plan, tmp_path)
    for path in files:
        got = read_readings([path], plan)
        assert (
            got.sensors.drop(columns="row", errors="ignore")
            .filter(like="reading_1")
            .isna()
            .all(axis=None)
        )
    assert set(read_readings(files[:1], plan).sensors.index) == set(plan.sensors.index)


def test_a_filled_workbook_equals_the_filled_csv(plan, tmp_path, sheet):
    path = write_readings(plan, tmp_path / "book")[3]
    book = load_workbook(path)
    page = book["sensors"]
    heads = {cell.value: cell.column for cell in page[1]}
    for name, text in GOOD.items():
        value = text
        if name.endswith(("_on", "_at")):
            value = dt.datetime.fromisoformat(text)
        elif name.startswith("reading_"):
            value = float(text)
        page.cell(row=2, column=heads[name]).value = value
    book.save(path)
    by_book, by_csv = read_readings([path], plan).sensors, sheet(GOOD).sensors
    for name in GOOD:
        assert by_book.iloc[0][name] == by_csv.iloc[0][name], name


def test_missing_and_unknown_ids_are_told_by_row(sheet, plan):
    first, second = plan.sensors.index[:2]
    told = faults_of(sheet, {"sensor_id": ""}, {"sensor_id": "S9"})
    assert "row 2" in told[0]
    assert "no id" in told[0]
    assert "row 3" in told[1]
    assert '"S9"' in told[1]
    assert first in told[1]
    [again] = faults_of(sheet, {}, {"sensor_id": first})
    assert f'"{first}" again (first in row 2)' in again
    [gone] = faults_of(sheet, drop=["sensor_id"])
    assert "no such column" in gone
    assert second is not None


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"reading_1": "0.09"}, ["row 2", "0.09 %", "m3/m3"]),
        ({"reading_1": "9", "reading_unit": "m3/m3"}, ["row 2", "9 m3/m3", "per cent", "0.09"]),
        ({"reading_1": "230"}, ["row 2", "230 %"]),
        ({"reading_1_at": "2026-04-30 07:00"}, ["row 2", "before the soaking"]),
        ({"soaked_at": "2026-04-01 07:00"}, ["row 2", "before burial"]),
        ({"reading_1_at": "23.5", "reading_1": "2026-05-04"}, ["row 2", "swapped"]),
        ({"reading_1_at": ""}, ["row 2", "without its time"]),
        ({"reading_1_at": "04/05/2026"}, ["row 2", "day-first or month-first"]),
        ({"lat": "-81.2", "lon": "29.03"}, ["row 2", "swapped"]),
        ({"lat": "29.03"}, ["row 2", "one coordinate"]),
        ({"tie_1_ft": "much"}, ["row 2", "much"]),
        ({"reading_unit": ""}, ["row 2", "no unit"]),
        ({"watered_since": "perhaps"}, ["row 2", "yes or no"]),
    ],
)
def test_each_fault_is_told_with_its_row(sheet, cells, words, plan):
    if "tie_1_ft" in cells and plan.settings.units == "metric":
        cells = {"tie_1_m": cells["tie_1_ft"]}
    told = faults_of(sheet, {**GOOD, **cells})
    joined = "\n".join(told)
    for word in words:
        assert word in joined


def test_reading_before_burial_without_soaking(sheet):
    cells = {**GOOD, "soaked_at": "", "reading_1_at": "2026-04-20"}
    assert any("before burial (2026-05-01" in told for told in faults_of(sheet, cells))


def test_all_faults_come_in_one_message(sheet):
    told = faults_of(sheet, {**GOOD, "reading_1": "0.09"}, {"sensor_id": "S9"})
    assert len(told) == 2


def test_decimal_commas_are_read_and_told(sheet):
    got = sheet({**GOOD, "reading_1": "23,5", "reading_2": "23,2"}, delimiter=";")
    assert got.sensors["reading_1"].iloc[0] == 23.5
    assert any("decimal comma" in note for note in got.notes)
    assert any("semicolons" in note for note in got.notes)
    told = faults_of(sheet, {**GOOD, "reading_1": "23,5", "reading_2": "23.2"}, delimiter=";")
    assert "decimal commas (rows 2) and decimal points (rows 2)" in told[0]


def test_an_unquoted_decimal_comma_in_a_comma_file_is_told_by_row(plan, tmp_path):
    path = write_readings(plan, tmp_path)[0]
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    lines[1] = lines[1] + ",5"
    path.write_text("\n".join(lines), encoding="utf-8")
    [told] = faults_of(read_readings, [path], plan)
    assert "row 2" in told
    assert "decimal commas" in told


def test_units_of_headers_are_converted(plan, tmp_path):
    path = tmp_path / "zones.csv"
    zone = plan.zones.index[0]
    path.write_text(f"zone,intake_in_h,root_depth_in\n{zone},0.5,6\n", encoding="utf-8")
    got = read_readings([path], plan).zones.loc[zone]
    assert got["intake"] == pytest.approx(12.7)
    assert got["root_depth"] == pytest.approx(0.1524)


def test_logs_of_any_layout_agree(plan, tmp_path):
    tag, other = plan.sensors.index[:2]
    wide = tmp_path / "wide.csv"
    wide.write_text(
        f"timestamp;{tag} [%];{other}_percent\n2026-05-01 00:00;21,5;18\n"
        f"2026-05-01 01:00;;-9999\n17/05/2026 02:00;22;19\n",
        encoding="utf-8",
    )
    long = tmp_path / "long.csv"
    long.write_text(
        "date,sensor_id,value,unit\n"
        f"2026-05-01 00:00,{tag},21.5,%\n2026-05-17 02:00,{tag},22,%\n"
        f"2026-05-01 00:00,{other},18,%\n2026-05-17 02:00,{other},19,%\n",
        encoding="utf-8",
    )
    a, b = read_readings([wide], plan), read_readings([long], plan)
    for name in (tag, other):
        pd.testing.assert_series_equal(a.moisture[name].dropna(), b.moisture[name])
    assert any("no data" in note for note in a.notes)
    assert any("day first" in note for note in a.notes)
    assert a.units == {tag: "%", other: "%"}


def test_a_log_in_another_unit_than_stated_is_refused(plan, tmp_path):
    tag = plan.sensors.index[0]
    path = tmp_path / "log.csv"
    path.write_text(f"time,{tag} [%]\n2026-05-01,0.21\n2026-05-02,0.20\n", encoding="utf-8")
    [told] = faults_of(read_readings, [path], plan)
    assert "looks like m3/m3" in told
    path.write_text(f"time,{tag}\n2026-05-01,0.21\n", encoding="utf-8")
    [told] = faults_of(read_readings, [path], plan)
    assert "without a unit" in told


def test_events_rain_and_meter(plan, tmp_path):
    valve = plan.zones["valve"].iloc[0]
    events = tmp_path / "events.csv"
    events.write_text(
        f"start,valve,minutes\n2026-05-02 04:00,{valve},25\n2026-05-01 04:00,{valve},0\n"
    )
    rain = tmp_path / "rain.csv"
    rain.write_text("date,rain_in\n2026-05-01,0.5\n2026-05-01,0.5\n2026-05-02,0\n")
    meter = tmp_path / "meter.csv"
    meter.write_text("date,meter_kgal\n2026-05-01,10\n2026-06-01,12.5\n")
    got = read_readings([events, rain, meter], plan)
    assert got.events["minutes"].tolist() == [0, 25]
    assert got.weather["rain_mm"].tolist() == pytest.approx([25.4, 0])
    assert got.meter["used_m3"].tolist() == pytest.approx([2.5 * 3.785411784])
    assert set(got.files) == {"events.csv", "rain.csv", "meter.csv"}
    meter.write_text("date,meter_m3\n2026-05-01,10\n2026-06-01,9\n")
    events.write_text("start,valve,minutes\n2026-05-02 04:00,99,25\n")
    told = faults_of(read_readings, [events, meter], plan)
    assert "valve 99 (rows 2)" in told[0]
    assert "runs backwards (on 2026-06-01)" in told[1]


def test_files_that_are_no_tables(plan, tmp_path):
    book = tmp_path / "broken.xlsx"
    book.write_bytes(b"PK nothing")
    text = tmp_path / "odd.csv"
    text.write_text("a,b\n1,2\n")
    told = faults_of(read_readings, [book, text, tmp_path / "absent.csv"], plan)
    assert "cannot be opened" in told[0]
    assert "cannot be read" in told[1]
    assert "columns a, b" in told[2]


@given(st.floats(-1e6, 1e6).map(lambda v: round(v, 4)))
@tries(40)
def test_numbers_survive_either_decimal_sign(value):
    text = np.format_float_positional(value, trim="-")
    assert as_number(text)[0] == value
    assert as_number(text.replace(".", ","))[0] == value


@given(st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2090, 1, 1)))  # noqa: DTZ001
@tries(40)
def test_times_survive_every_order(moment):
    moment = moment.replace(microsecond=0)
    assert as_time(moment.isoformat(sep=" ")) == moment
    for order, form in (("dmy", "%d/%m/%Y %H:%M:%S"), ("mdy", "%m/%d/%Y %I:%M:%S %p")):
        text = moment.strftime(form)
        assert as_time(text, order) == moment
        assert time_order([text]) in {order, "unclear"}


@given(st.text(max_size=40))
@tries(60)
def test_no_text_breaks_the_reader(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("any") / "any.csv"
    path.write_text(text, encoding="utf-8", errors="replace")
    try:
        sheets = read_sheets(path)
    except InputError:
        return
    for sheet in sheets:
        for row, cells in sheet.rows:
            assert row >= 2
            assert len(cells) <= len(sheet.headers)
    assert unguarded("'" + "=1") == "=1"


# ---- as crews write


@pytest.fixture(scope="module")
def us_plan():
    plan = make_plan()
    return replace(plan, settings=replace(plan.settings, units="us"))


def _written(plan, folder, cells):
    """Fill in the first row of the CSV sheet as a crew does, and read it back."""
    path = write_readings(plan, folder / "out")[0]
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    rows[0].update(cells)
    target = folder / "back.csv"
    with target.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return read_readings([target], plan)


AS_WRITTEN = {
    "buried_on": "5/4/2026", "depth_in": "3 in", "tie_1_ft": "24 ft 6 in", "tie_2_ft": "46' 2\"",
    "tie_3_ft": "56-3", "side": "R", "soaked_at": "5/4/26 2pm", "reading_1_at": "5/6/26 2:30 pm",
    "reading_1": "24%", "reading_2_at": "5/7/26 7am", "reading_2": "22.5%", "rain_since_in": "0",
}  # fmt: skip


def test_the_ten_cells_of_a_us_crew_are_read(us_plan, tmp_path):
    got = _written(us_plan, tmp_path, AS_WRITTEN)
    row = got.sensors.iloc[0]
    assert row["tie_1"] == pytest.approx((24 * 12 + 6) * 0.0254)
    assert row["tie_2"] == pytest.approx((46 * 12 + 2) * 0.0254)
    assert row["tie_3"] == pytest.approx((56 * 12 + 3) * 0.0254)
    assert row["depth"] == pytest.approx(3 * 0.0254)
    assert row["side"] == "right"
    assert row["buried_on"] == pd.Timestamp("2026-05-04")
    assert row["soaked_at"] == pd.Timestamp("2026-05-04 14:00")
    assert row["reading_1_at"] == pd.Timestamp("2026-05-06 14:30")
    assert row["reading_2_at"] == pd.Timestamp("2026-05-07 07:00")
    assert (row["reading_1"], row["reading_2"]) == (24.0, 22.5)
    assert any("month first" in note for note in got.notes)


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("24 ft 6 in", 294), ("24ft6in", 294), ("24' 6\"", 294), ("24\u2032 6\u2033", 294),
        ("24'6", 294), ("24 feet 6 inches", 294), ("24-6", 294), ("24 ft", 288), ("24.5", 294),
        ("24.5 ft", 294), ("24' 6 1/2\"", 294.5), ("6 1/2 in", 6.5), ("294 in", 294),
        ("24' 0\"", 288), ("7.4676 m", 294), ("746.76 cm", 294), (24.5, 294),
    ],
)  # fmt: skip
def test_lengths_as_a_crew_writes_them(text, inches):
    assert as_length(text, 0.3048) / 0.0254 == pytest.approx(inches)


@pytest.mark.parametrize(
    "text", ["24 ft 13 in", "24.5 ft 6 in", "24-13", "24 6", "about 24", "1/0 in", "ft", "'", "1/2"]
)
def test_a_length_that_may_be_two_is_refused(text):
    with pytest.raises(ValueError, match=r".*"):
        as_length(text, 0.3048)


def test_a_dash_means_feet_and_inches_in_a_column_of_feet_only():
    with pytest.raises(ValueError, match="24-6"):
        as_length("24-6", 1.0)


def test_feet_and_inches_have_a_column_each(us_plan, tmp_path):
    pairs = {"tie_1_ft": "24", "tie_1_in": "6", "tie_2_ft": "46.5", "tie_3_in": "31"}
    row = _written(us_plan, tmp_path, {**AS_WRITTEN, "tie_2_ft": "", "tie_3_ft": "", **pairs})
    row = row.sensors.iloc[0]
    assert row["tie_1"] == pytest.approx(294 * 0.0254)
    assert row["tie_2"] == pytest.approx(46.5 * 0.3048)
    assert row["tie_3"] == pytest.approx(31 * 0.0254)
    two = {**AS_WRITTEN, "tie_1_ft": "24.5", "tie_1_in": "6"}
    [told] = faults_of(_written, us_plan, tmp_path, two)
    assert "row 2" in told
    assert '"24.5" ft and "6" in' in told


def test_decimals_are_printed_beside_feet_and_inches(us_plan, tmp_path):
    path = write_readings(us_plan, tmp_path)[0]
    row = next(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    metres = us_plan.ties.set_index(["sensor_id", "tie"])["distance_m"][row["sensor_id"], 1]
    assert f"({metres / 0.3048:.2f} ft)" in row["planned_ties"]


def test_a_cell_shown_as_per_cent_is_per_cent(us_plan, tmp_path):
    path = write_readings(us_plan, tmp_path)[3]
    book = load_workbook(path)
    page = book["sensors"]
    heads = {cell.value: cell.column for cell in page[1]}
    for name, text in GOOD.items():
        page.cell(row=2, column=heads[name]).value = text
    cell = page.cell(row=2, column=heads["reading_1"])
    cell.value, cell.number_format = 0.24, "0%"
    page.cell(row=2, column=heads["reading_2"]).value = 22.5
    book.save(path)
    row = read_readings([path], us_plan).sensors.iloc[0]
    assert (row["reading_1"], row["reading_2"]) == (24.0, 22.5)


def test_per_cent_is_brought_to_the_unit_of_the_row_or_refused(us_plan, tmp_path):
    both = {**GOOD, "reading_1": "24%", "reading_2": "0.22", "reading_unit": "m3/m3"}
    row = _written(us_plan, tmp_path, both).sensors.iloc[0]
    assert (row["reading_1"], row["reading_2"]) == (0.24, 0.22)
    bare = _written(us_plan, tmp_path, {**GOOD, "reading_1": "24%", "reading_unit": ""})
    assert bare.sensors.iloc[0]["reading_unit"] == "%"
    told = faults_of(_written, us_plan, tmp_path, {**GOOD, "reading_1": "24%",
                                                   "reading_unit": "kPa"})  # fmt: skip
    assert any("24 % where the unit is kPa" in words for words in told)


def test_the_order_of_dates_is_asked_only_where_nothing_tells(plan, us_plan, tmp_path):
    dates = {"buried_on": "5/4/2026", "soaked_at": "17/4/2026 2pm"}
    for either in (plan, us_plan):  # one cell that can only be day first tells of the whole sheet
        row = _written(either, tmp_path, dates).sensors.iloc[0]
        assert row["buried_on"] == pd.Timestamp("2026-04-05")
    [told] = faults_of(_written, plan, tmp_path, {"buried_on": "5/4/2026"})
    assert "day-first or month-first" in told


def test_the_workbook_says_what_its_cells_take(us_plan, tmp_path):
    page = load_workbook(write_readings(us_plan, tmp_path)[3])["sensors"]
    heads = {cell.value: cell.column_letter for cell in page[1]}
    rules = {str(rule.sqref).split(":")[0]: rule for rule in page.data_validations.dataValidation}
    assert rules[f"{heads['side']}2"].formula1 == '"left,right"'
    assert rules[f"{heads['watered_since']}2"].formula1 == '"yes,no"'
    assert "tape from fixed point 1" in rules[f"{heads['tie_1_ft']}2"].prompt
    assert "below 12" in rules[f"{heads['tie_1_in']}2"].prompt


def test_the_sheet_has_a_row_for_every_can_that_the_plan_asks_for(plan, tmp_path):
    asked = replace(
        plan, sensors=plan.sensors.assign(test_cans=[48] + [0] * (len(plan.sensors) - 1))
    )
    cans = pd.read_csv(write_readings(asked, tmp_path)[2])
    rows = cans.groupby("zone").size()
    first = asked.sensors["zone"].iloc[0]
    assert rows[first] == 48
    assert set(rows.drop(first)) == {24}
