"""Two sides per sensor: the plan to dig from, and the worksheet to fill in by pen."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any, Final

import geopandas as gpd
import shapely
from reportlab.platypus import PageBreak, Spacer, Table, TableStyle

from siting.handoff._hazards import DECODER_WORDS, LINK_WORDS, hazard_name, lines_drawn
from siting.handoff._sensor_facts import (
    chance_cell,
    compass,
    hardware_words,
    rank_words,
    spares,
)
from siting.handoff._sheet_fonts import SANS, printable
from siting.handoff._sheet_frame import Frame
from siting.handoff._sheet_pen import BAR_HEIGHT, Drawing
from siting.handoff._sheet_plan import paint_inset, paint_surroundings, sensor_frame
from siting.handoff._sheet_section import paint_section
from siting.handoff._sheet_tables import bullets, facts, grid, heading, note, text, worksheet
from siting.handoff._sheet_text import clean, depth, elide, number, percent, run, tape
from siting.planning import Plan
from siting.units import show

__all__ = ["sensor_list", "sensor_pages", "threshold_steps"]

_PLAN_SHARE: Final = 0.68
_GAP: Final = 10.0
_INSET_HEIGHT: Final = 155.0
_LEAST_SHARE: Final = 0.6  # of the height of the drawings that longer tables may leave them
_SLACK: Final = 14.0  # a space, and a line more of what is kept clear of
_NAME: Final = 60
_BLANK: Final = "________________"
_WHOLE: Final = 4000  # characters: a text of ours that is never cut


def sensor_pages(
    plan: Plan, sensor_id: str, *, width: float, height: float, page: float
) -> list[Any]:
    """Return the flowables of one sensor's leaf, each side from the top of a page.

    width, height, page: between the margins, height of the drawings, less where the tables need
    the room, height of a page between the margins [pt].
    """
    row = plan.sensors.loc[sensor_id].to_dict()
    title = (
        f"{sensor_id}: zone {elide(clean(row['zone']), 40)}, valve {elide(clean(row['valve']), 20)}"
    )
    head = heading(title, "tag")
    tables = [
        _tie_table(plan, sensor_id, width),
        Spacer(1, 3),
        _reserve_table(plan, sensor_id, width),
        Spacer(1, 5),
        facts(_fact_pairs(plan, sensor_id, row), width=width, share=0.2),
    ]
    clear = _clearances(plan, _frame(plan, sensor_id, width, height))
    room = page - _tall([head, clear, *tables], width) - _SLACK
    height = min(height, max(room, _LEAST_SHARE * height))
    return [
        PageBreak(),
        head,
        _pictures(plan, sensor_id, width, height),
        Spacer(1, 4),
        _clearances(plan, _frame(plan, sensor_id, width, height)),
        *tables,
        PageBreak(),
        heading(f"{sensor_id}: worksheet", "tag"),
        heading("Why here"),
        text(_why(plan, sensor_id, row), longest=_WHOLE),
        text(_surer(row), longest=_WHOLE),
        *([note(f"What gave way: {clean(row['setback_note'])}")] if row["setback_note"] else []),
        heading("Depth and threshold"),
        *bullets(threshold_steps(plan, row), numbered=True),
        heading("To fill in on site"),
        worksheet(_blanks(plan, sensor_id, row), width=width, height=29.0),
    ]


def _tall(flowables: list[Any], width: float) -> float:
    """Return how much height flowables take one under the other [pt]."""
    return math.fsum(
        part.wrap(width, 10_000)[1] + part.getSpaceBefore() + part.getSpaceAfter()
        for part in flowables
    )


def sensor_list(plan: Plan, *, width: float) -> Any:  # noqa: ANN401 - reportlab is not typed
    """Return the list of all sensors for the first page.

    width: between the margins [pt].
    """
    units = plan.settings.units
    rows = [
        (
            sensor_id,
            elide(clean(row.zone), 40),
            elide(clean(row.valve), 20),
            elide(", ".join(clean(zone) for zone in row.governs), 80),
            depth(row.depth_m, units),
            "link" if row.link == "wireless" else run(row.wire_m, units),
        )
        for sensor_id, row in zip(plan.sensors.index, plan.sensors.itertuples(), strict=True)
    ]
    head = ("Sensor", "In zone", "Valve", "Governs zones", "Depth", "Wire")
    return grid(head, rows, (0.9, 2.2, 0.9, 3.2, 0.9, 1), width=width, words=(0, 1, 2, 3))


def _pictures(plan: Plan, sensor_id: str, width: float, height: float) -> Table:
    """Put the plan beside the inset and the section."""
    wide = width * _PLAN_SHARE
    thin = width - wide - _GAP
    section = height - _INSET_HEIGHT - 10
    side = [
        Drawing(partial(_inset, plan, sensor_id), width=thin, height=_INSET_HEIGHT),
        Spacer(1, 8),
        Drawing(partial(_section, plan, sensor_id), width=thin, height=section),
    ]
    main = Drawing(partial(_plan, plan, sensor_id), width=wide, height=height)
    table = Table([[main, side]], colWidths=[wide + _GAP, thin])
    table.setStyle(
        TableStyle(
            [
                ("FONTNAME", (0, 0), (-1, -1), SANS),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    return table


def _frame(plan: Plan, sensor_id: str, width: float, height: float) -> Frame:
    """Return the frame of the leaf's plan, as it will be drawn."""
    return sensor_frame(plan, sensor_id, width=width * _PLAN_SHARE, height=height - BAR_HEIGHT)


def _plan(plan: Plan, sensor_id: str, canvas: Any, width: float, height: float) -> None:  # noqa: ANN401
    paint_surroundings(canvas, plan, sensor_id, width, height)


def _inset(plan: Plan, sensor_id: str, canvas: Any, width: float, height: float) -> None:  # noqa: ANN401
    paint_inset(canvas, plan, sensor_id, width, height)


def _section(plan: Plan, sensor_id: str, canvas: Any, width: float, height: float) -> None:  # noqa: ANN401
    paint_section(canvas, plan, sensor_id, width, height)


def _clearances(plan: Plan, frame: Frame) -> Any:  # noqa: ANN401 - reportlab is not typed
    """Say what the shaded ground keeps clear of, and what the letters mean."""
    units = plan.settings.units
    near = plan.keepout.loc[plan.keepout.intersects(shapely.box(*frame.bounds))]
    words = dict.fromkeys(
        f"{elide(clean(hazard_name(hazard)), 24)}" + (f" {tape(metres, units)}" if metres else "")
        for hazard, metres in zip(near["hazard"], near["setback_m"], strict=True)
    )
    listed = "; ".join(words) or "nothing"
    marks = "C controller, V valve box, D downspout, small dot head."
    if "utility" in lines_drawn(plan):
        marks += " Dash and dot: buried pipe or cable as drawn, to be located before digging."
    return text(f"Shaded: keep clear of {listed}. {marks}", "cell", longest=500)


def _spaced(word: object) -> str:
    """Return a code word as people write it."""
    return clean(word).replace("_", " ")


def _tie_table(plan: Plan, sensor_id: str, width: float) -> Any:  # noqa: ANN401
    """Return the tape distances; the third is a check."""
    ties = plan.ties.loc[plan.ties["sensor_id"] == sensor_id].sort_values("tie")
    if ties.empty:
        return note(
            "No two fixed corners are in reach of a tape: set this point out by its coordinates"
            " below, and measure ties to whatever is fixed before backfilling."
        )
    units, rows = plan.settings.units, []
    for tie, metres, kind, line, drms in zip(
        ties["tie"],
        ties["distance_m"],
        ties["from_kind"],
        ties.geometry,
        ties["drms_m"],
        strict=True,
    ):
        (x, y, *_), (end_x, end_y, *_) = line.coords[0], line.coords[-1]
        side = compass(x - end_x, y - end_y)
        use = "set out" if tie < 3 else "check"  # noqa: PLR2004 - the third tie
        error = "–" if not math.isfinite(drms) else f"± {show(drms * 1000, 'depth', units)}"
        rows.append(
            (f"Tie {int(tie)}", tape(metres, units), elide(clean(kind), _NAME), side, use, error)
        )
    head = ("Tie", "Tape", "From", "It lies to the", "Use", "Error")
    return grid(
        head, rows, (1, 1.5, 3, 1.4, 1, 1.3), width=width, words=(0, 1, 2, 3, 4), bold_rows=()
    )


def _reserve_table(plan: Plan, sensor_id: str, width: float) -> Any:  # noqa: ANN401
    """Return where to dig when the shovel meets rock: from the sensor, and by the same corners."""
    found, units = spares(plan, sensor_id), plan.settings.units
    if not found:
        return text("No reserve point: no other ground in the zone is 2 m away and free.", "cell")
    rows = []
    for spare in found:
        tapes = {tie: tape(metres, units) if clear else f"{tape(metres, units)} (wall between)"
                 for tie, metres, clear in spare.tapes}  # fmt: skip
        towards = compass(spare.x - plan.sensors.geometry[sensor_id].x,
                          spare.y - plan.sensors.geometry[sensor_id].y)  # fmt: skip
        rows.append(
            (
                f"R{spare.reserve}",
                tape(spare.distance_m, units),
                f"{towards} ({spare.bearing_deg:.0f}°)",
                tapes.get(1, "–"),
                tapes.get(2, "–"),
                chance_cell(spare.p_driest_quarter),
            )
        )
    head = (
        "Reserve",
        f"From {sensor_id}",
        "Towards",
        "From point 1",
        "From point 2",
        "Driest quarter",
    )
    return grid(head, rows, (1, 1.5, 1.5, 1.9, 1.9, 0.8), width=width, words=(0, 1, 2, 3, 4))


def _why(plan: Plan, sensor_id: str, row: Mapping[str, Any]) -> str:
    """Say why in this zone and why at this place."""
    said = plan.wording(plan.settings.units)
    return " ".join(
        part for part in (str(row["reason"]), said.zone_notes.get(sensor_id, "")) if part
    )


def _surer(row: Mapping[str, Any]) -> str:
    """Say the rank with its error, and what it rests on."""
    words = f"Dryness: {rank_words(row)}."
    note_ = clean(row["application_note"])
    return f"{words} {note_[0].upper()}{note_[1:]}." if note_ else words


def _fact_pairs(plan: Plan, sensor_id: str, row: Mapping[str, Any]) -> Sequence[tuple[str, object]]:
    """Return what the crew needs to know about a sensor."""
    units = plan.settings.units
    governs = ", ".join(elide(clean(zone), _NAME) for zone in row["governs"])
    where = f"{row['lat']:.7f}, {row['lon']:.7f} (latitude, longitude, WGS 84)"
    degrees = plan.site.source_crs.is_geographic
    grid_place = f"x {row['source_x']:.3f}, y {row['source_y']:.3f} (the property's own grid)"
    controller = elide(clean(row["controller"]), _NAME) or "the controller"
    return (
        (
            "Depth",
            f"{depth(row['depth_m'], units)} to the sensor's middle. {clean(row['depth_note'])}",
        ),
        (
            "Controller",
            f"{controller}: {hardware_words(clean(row['hardware']))}; "
            f"{_spaced(row['control']).replace(' ', '-')} control",
        ),
        ("Governs", f"{'zone' if len(row['governs']) == 1 else 'zones'} {governs}"),
        ("Wire", _wire_words(plan, sensor_id, row)),
        ("Position", where),
        *([] if degrees else [("Grid", grid_place)]),
        *_stakes(plan, sensor_id),
        ("Dryness", rank_words(row)),
        ("Setbacks", _setback_words(row)),
    )


def _stakes(plan: Plan, sensor_id: str) -> list[tuple[str, str]]:
    """Return where stakes stand, to be found by survey or GPS: degrees and the property's grid."""
    ties = plan.ties[(plan.ties["sensor_id"] == sensor_id) & (plan.ties["from_kind"] == "stake")]
    if ties.empty:
        return []
    places = gpd.GeoSeries(gpd.points_from_xy(ties["from_x"], ties["from_y"]), crs=plan.site.crs)
    degrees, own = places.to_crs(4326), places.to_crs(plan.site.source_crs)
    grid_too = not plan.site.source_crs.is_geographic
    return [
        (
            f"Stake {int(tie)}",
            f"{at.y:.7f}, {at.x:.7f} (latitude, longitude, WGS 84)"
            + (f"; x {here.x:.3f}, y {here.y:.3f} (the property's own grid)" if grid_too else ""),
        )
        for tie, at, here in zip(ties["tie"], degrees, own, strict=True)
    ]


def _setback_words(row: Mapping[str, Any]) -> str:
    """Say whether every setback is met, and which is the tightest."""
    ratio = row["setback_ratio"]
    if not math.isfinite(ratio):
        return "nothing to keep clear of"
    met = "all met" if ratio >= 1 else "NOT all met, see overleaf"
    tightest = clean(hazard_name(row["binding_setback"]))
    return f"{met}; tightest: {tightest}, {percent(ratio)} of what is asked"


def _wire_words(plan: Plan, sensor_id: str, row: Mapping[str, Any]) -> str:
    """Return the wire's length and what it crosses."""
    if row["link"] == "wireless":
        return LINK_WORDS
    units = plan.settings.units
    routes = plan.wire_routes.loc[plan.wire_routes["sensor_id"] == sensor_id, "crosses"]
    crossed = dict.fromkeys(clean(word) for word in routes if clean(word))
    over = f"; crosses {', '.join(crossed)}" if crossed else ""
    length, trench = run(row["wire_m"], units), run(row["trench_m"], units)
    gauge = ""
    if row["gauge_awg"]:
        gauge = f", {int(row['gauge_awg'])} AWG or thicker ({row['drop_v']:.2f} V lost)"
    end = DECODER_WORDS if row["link"] else "the controller"
    return f"{length} to {end}{gauge}; share of the trench {trench}{over}"


def threshold_steps(plan: Plan, row: Mapping[str, Any]) -> list[str]:
    """Return how to bury the sensor and set its threshold, step by step."""
    units = plan.settings.units
    metric = units == "metric"
    water = "about 20 L on the spot, or 25 mm" if metric else "about 5 gal on the spot, or 1 in"
    bury = (
        f"Bury it level, {depth(row['depth_m'], units)} deep, firm soil against it on all sides, no"
        " air gaps, no stones; put the soil back in the order it came out."
    )
    below = (
        f"{number(100 * row['threshold_step_vwc'], 1)} points of water by volume below that"
        f" reading, near {percent(row['threshold_vwc'])}: {percent(row['threshold_low_fraction'])}"
        f" of the available water used ({show(row['threshold_low_mm'], 'depth', units)})"
    )
    steps = [
        bury,
        f"Soak the place thoroughly ({water} from the system), then keep the zone off.",
        f"Wait {number(row['soak_wait_h'])} h without watering or rain, then read the sensor: this"
        " reading is field capacity here.",
    ]
    withheld = str(row.get("threshold_withheld") or "")
    if withheld:
        return [*steps, withheld]
    sure = number(100 * plan.settings.control.sensor_error, 1)
    able = (
        f"A sensor that is not sure to {sure} points by volume once it is set does not belong here."
    )
    if row["control"] == "bypass":
        return [*steps, f"Set the threshold {below}. While it is wetter, events are skipped.", able]
    return [*steps, f"Set watering to start {below}, for the minutes of the timer page.", able]


def _blanks(plan: Plan, sensor_id: str, row: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the lines of the worksheet."""
    units = plan.settings.units
    ties = plan.ties.loc[plan.ties["sensor_id"] == sensor_id].sort_values("tie")
    built = [
        (f"As-built tie {int(n)}", f"plan {tape(m, units)}; built {_BLANK} from {_BLANK}")
        for n, m in zip(ties["tie"], ties["distance_m"], strict=True)
    ]
    wait = f"{number(row['soak_wait_h'])} h"
    box = printable("☐")
    return [
        ("Utility locate", f"ticket {_BLANK} date {_BLANK} all clear {box}"),
        ("Private lines", f"owner asked {box}; none {box}; located {box} by {_BLANK}"),
        ("Flagged by, date", ""),
        *(built or [(f"As-built tie {n}", f"{_BLANK} from {_BLANK}") for n in (1, 2)]),
        ("As-built depth", f"plan {depth(row['depth_m'], units)}; built {_BLANK}"),
        ("Wiring", f"waterproof splices in a box {box}; right valve and zone run {box}"),
        ("Soaked", f"from {_BLANK} to {_BLANK}"),
        (f"Reading after {wait}", f"at {_BLANK} reading {_BLANK}"),
        ("Threshold set", f"low {_BLANK}"),
        ("Photos taken", f"hole with tape {box}; backfilled {box}; numbers {_BLANK}"),
        ("Name, signature, date", ""),
    ]
