"""The tables of a plan: every column that there is, and how zones, sensors, seasons fill theirs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import count
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from geopandas.array import from_shapely

from siting.arrays import Floats
from siting.climate.model import SeasonCalendar
from siting.decide.choice import Grouping
from siting.decide.sheet import Sheet, Simulated
from siting.place.placement import Placement
from siting.place.rank import Chances
from siting.season.controls import CONTROLS
from siting.season.scheduling import (
    cycle_and_soak,
    run_minutes,
    sensor_depth,
    threshold_note,
    threshold_vwc,
)
from siting.site.crs import WGS84, transformer
from siting.site.model import Site
from siting.units import UnitsName
from siting.water.balance import sensor_layer_share
from siting.zones.application import ZoneApplication
from siting.zones.ground import Ground, SunVariants
from siting.zones.points import area_rank

SCHEMA_NAME: Final = "siting-plan/1"


class Column(NamedTuple):
    """One value of a result: its meaning, and how it is written in every hand-off.

    name: in plan.json; kind: "text", "number", "whole", "truth", "record", "records", "many" or
    "free"; unit, decimals: as written in plan.json; says: what it means; gis: its name in the
    layers of plan.gpkg, empty where it is in none: a portfolio's tables hold what these layers do,
    under the name of the Plan's table; frame: that name, where it is not the one of plan.json;
    null: whether it may be unknown; rule: further words of JSON Schema; of: the values of a record,
    or of each of many; each: what one of many is.
    """

    name: str
    kind: str
    says: str
    unit: str = ""
    decimals: int | None = None
    gis: str = ""
    frame: str = ""
    null: bool = False
    rule: Mapping[str, Any] = {}
    of: tuple[Column, ...] = ()
    each: str = ""

    @property
    def source(self) -> str:
        """Its column in the Plan's table."""
        return self.frame or self.name

    def part(self, name: str) -> Column:
        """Return one value of a record, or of each of many records."""
        return next(column for column in self.of if column.name == name)

    def shown(self) -> dict[str, Column]:
        """Return the values that GIS layers hold, by their column in the Plan's table."""
        found: dict[str, Column] = {}
        for column in self.of:
            if column.gis:
                found[column.source] = column
            elif column.kind == "record":
                found |= column.shown()
        return found


def units_of(table: Column) -> dict[str, str]:
    """Return the unit of every column of a Plan's table that has one, "1" for a plain ratio."""
    found: dict[str, str] = {}
    for column in table.of:
        if column.unit:
            found[column.source] = column.unit
        elif column.kind == "record":
            found |= units_of(column)
    return found


def number(
    name: str,
    unit: str,
    decimals: int | None,
    says: str,
    gis: str = "",
    *,
    null: bool = True,
    frame: str = "",
    rule: Mapping[str, Any] = {},
) -> Column:
    """Return a number that may be unknown; a share lies between 0 and 1."""
    share = {"minimum": 0, "maximum": 1} if unit == "0..1" else {}
    return Column(name, "number", says, unit, decimals, gis, frame, null, {**share, **rule})


def text(
    name: str,
    says: str,
    gis: str = "",
    *,
    null: bool = False,
    frame: str = "",
    rule: Mapping[str, Any] = {},
) -> Column:
    """Return words."""
    return Column(name, "text", says, gis=gis, frame=frame, null=null, rule=rule)


def whole(
    name: str,
    says: str,
    gis: str = "",
    *,
    unit: str = "",
    null: bool = False,
    rule: Mapping[str, Any] = {},
) -> Column:
    """Return a whole number."""
    return Column(name, "whole", says, unit, gis=gis, null=null, rule=rule)


def truth(name: str, says: str, gis: str = "") -> Column:
    """Return what holds or does not."""
    return Column(name, "truth", says, gis=gis)


def record(name: str, says: str, of: tuple[Column, ...], *, null: bool = False) -> Column:
    """Return values under one name."""
    return Column(name, "record", says, of=of, null=null)


def records(name: str, says: str, each: str, of: tuple[Column, ...]) -> Column:
    """Return a table: the same values many times."""
    return Column(name, "records", says, of=of, each=each)


def many(name: str, says: str, one: Column, gis: str = "") -> Column:
    """Return a list of single values."""
    return Column(name, "many", says, of=(one,), gis=gis)


_KINDS: Final = " or ".join(CONTROLS)
#: What is expected of a place's rank.
_CHANCES: Final = (
    number("expected_rank", "0..1", 4,
        "Share of the ground where a sensor may lie that is expected to be less dry, with "
        "everything unknown reckoned in; of a zone at its best point", "exp_rank"),
    number("p_driest_quarter", "0..1", 4,
        "Chance that it lies in the driest quarter of that ground", "p_driest"),
    number("p_wetter_half", "0..1", 4,
        "Chance that it lies in the wetter half of that ground", "p_wetter"),
)  # fmt: skip
CHANCES: Final = tuple(column.name for column in _CHANCES)
#: Mean, range over the weather years, range over the scenarios: what is saved, and at what saving.
_SAVED: Final = {
    "": "mean", "_low": "least weather year", "_high": "greatest weather year",
    "_scenario_low": "least scenario", "_scenario_high": "greatest scenario",
}  # fmt: skip
_SAVING: Final = {
    "": "mean saving", "_low": "saving of the greatest weather year",
    "_high": "saving of the least weather year",
    "_scenario_low": "saving of the greatest scenario",
    "_scenario_high": "saving of the least scenario",
}  # fmt: skip
_USES: Final = "negative where the plan uses more; null where it cannot be claimed"
_NEVER: Final = "null where it never pays or cannot be claimed"


def _ends(name: str, unit: str, says: str, ends: Mapping[str, str], rest: str) -> Iterator[Column]:
    """Yield a mean with its ranges over weather years and scenarios."""
    for end, words in ends.items():
        yield number(name + end, unit, 2, f"{says.format(words)}; {rest}")


def _years(name: str, unit: str, decimals: int, says: str, frame: str = "") -> Column:
    """Return mean and range of a season's column over the weather years."""
    ends = {"mean": "Mean over the years", "low": "Least of the years", "high": "Most of the years"}
    of = tuple(number(end, unit, decimals, words, null=False) for end, words in ends.items())
    says += ", over the weather years; null when it is not known"
    return Column(name, "record", says, unit, frame=frame, null=True, of=of)


#: Every value of a plan, in the order of plan.json. Its schema, the names in GIS layers, the tables
#: of a portfolio and the documentation's page of results follow.
RESULT: Final = record(
    "siting plan",
    "A plan of where to bury soil-moisture sensors. Unknown numbers are null. Lengths in metres, "
    "water in cubic metres, money in the property's currency.",
    (
    text("schema", "Name and major version of this schema", rule={"const": SCHEMA_NAME}),
    record("property", "The property", (
        text("name", "Name"),
        text("units",
            "How the sheets and maps show quantities; this file is metric either way",
            rule={"enum": ["metric", "us"]}),
        text("crs", "The property's own CRS: authority code or WKT"),
        text("working_crs", "Local transverse Mercator the plan was computed in, metres: WKT"),
        number("longitude", "deg", 8, "Centre, WGS 84", null=False),
        number("latitude", "deg", 8, "Centre, WGS 84", null=False),
        number("area_m2", "m2", 2, "Area within the boundary", null=False),
        number("irrigated_area_m2", "m2", 2, "Area of the hydrozones", null=False),
        text("season_start",
            "First day on which the system may run, MM-DD", rule={"pattern": "^\\d\\d-\\d\\d$"}),
        text("season_end",
            "Last day on which the system may run, MM-DD", rule={"pattern": "^\\d\\d-\\d\\d$"}),
    )),
    text("headline", "The decision and what it saves, in two or three sentences"),
    text("answer", "How many sensors, why, where, and what may be claimed: one paragraph"),
    records("sensors", "The sensors, in reading order from the north-west", "One sensor", (
        text("sensor_id", "Tag on every map and sheet", "sensor_id"),
        text("zone", "Hydrozone it is buried in", "zone"),
        text("valve", "Valve of that zone", "valve", null=True),
        text("controller", "Controller it is wired to", "controller", null=True),
        many("governs", "Zones whose watering it decides", text("", "Name of a zone"), "governs"),
        text("control", "; ".join(kind.does for kind in CONTROLS.values()), "control"),
        text("hardware",
            "What its controller is fitted with: add_on (a module beside the timer) or "
            "replacement (a timer with sensor inputs)", "hardware"),
        number("x", "CRS unit", 8,
            "Easting (or longitude) in the property's CRS", "x", null=False, frame="source_x"),
        number("y", "CRS unit", 8,
            "Northing (or latitude) in the property's CRS", "y", null=False, frame="source_y"),
        number("lon", "deg", 8,
            "Longitude, WGS 84", "lon_deg", null=False, rule={"minimum": -180, "maximum": 180}),
        number("lat", "deg", 8,
            "Latitude, WGS 84", "lat_deg", null=False, rule={"minimum": -90, "maximum": 90}),
        number("depth_m", "m", 4,
            "Depth below the soil surface; sod laid on top is not counted", "depth_m", null=False),
        text("depth_note", "Why this depth", "depth_note", null=True),
        *_CHANCES,
        number("p_driest_quarter_tested", "0..1", 4,
            "The chance of the driest quarter that a point chosen after a can test would have; "
            "null where there is nothing to gain", "p_tested"),
        text("application_note",
            "What the chances rest on, and what a can test would make of them",
            "appl_note", null=True),
        number("setback_ratio", "", 3,
            "Least ratio of distance to required setback; 1 or more when all are met", "set_ratio"),
        text("binding_setback", "Which setback is the tightest", "set_tight", null=True),
        text("setback_note", "What gave way, or empty", "set_note", null=True),
        text("reason", "Why here, in plain words", "reason", null=True),
        text("zone_note",
            "Why the sensor is not in the thirstiest zone that it governs, or empty", "zone_note"),
        record("threshold", "When watering is allowed", (
            number("low_mm", "mm", 2,
                "Depletion of the layer that the sensor reads at which watering is allowed",
                "low_mm", frame="threshold_low_mm"),
            number("low_fraction", "0..1", 4,
                "The same as low_mm, as a share of the available water",
                "low_frac", frame="threshold_low_fraction"),
            number("vwc", "m3/m3", 4,
                "Volumetric water content expected at the low threshold",
                "vwc", frame="threshold_vwc"),
            number("step_vwc", "m3/m3", 4,
                "How far the threshold lies below field capacity, by volume",
                frame="threshold_step_vwc"),
            number("soak_wait_h", "h", 1,
                "Wait between a thorough soaking and the reading that sets the threshold",
                "soak_h", frame="soak_wait_h"),
            text("note",
                "How to set it, in plain words", "thr_note", null=True, frame="threshold_note"),
        )),
        records("ties", "Tape distances from fixed points, in order", "One tape distance", (
            whole("tie", "1, 2, and 3 for the check distance", "tie"),
            number("distance_m", "m", 5,
                "Distance to tape from the fixed point to the sensor",
                "distance_m", null=False, rule={"exclusiveMinimum": 0}),
            text("from_kind", "What the fixed point is, such as a building corner", "from_kind"),
            number("from_x", "CRS unit", 8,
                "Easting (or longitude) of the fixed point in the property's CRS", null=False),
            number("from_y", "CRS unit", 8,
                "Northing (or latitude) of the fixed point in the property's CRS", null=False),
            number("from_lon", "deg", 8, "Longitude of the fixed point, WGS 84", null=False),
            number("from_lat", "deg", 8, "Latitude of the fixed point, WGS 84", null=False),
            number("angle_deg", "deg", 1,
                "Angle at which it crosses tie 1; null on tie 1", "angle_deg"),
            number("drms_m", "m", 4, "Error of position to expect from taping", "drms_m"),
            text("side",
                "left or right: the side of the line from fixed point 1 to fixed point 2 on which "
                "the sensor lies, seen from point 1", "side", null=True),
        )),
        records("reserves",
            "Where to dig when the point cannot be dug, best first; at least 2 m apart",
            "One reserve point", (
            whole("reserve", "1 or 2", "reserve"),
            number("x", "CRS unit", 8, "Easting (or longitude) in the property's CRS", null=False),
            number("y", "CRS unit", 8, "Northing (or latitude) in the property's CRS", null=False),
            number("lon", "deg", 8, "Longitude, WGS 84", null=False),
            number("lat", "deg", 8, "Latitude, WGS 84", null=False),
            *_CHANCES,
            number("setback_ratio", "1", 3,
                "Least ratio of distance to required setback", "set_ratio"),
            text("binding_setback", "Which setback is the tightest", "set_tight", null=True),
            truth("as_good", "Whether the map's own error cannot tell it from the sensor's point"),
            number("distance_m", "m", 5, "Distance from the sensor", null=False),
            number("bearing_deg", "deg", 1,
                "Direction from the sensor, clockwise from grid north", null=False),
            text("side",
                "Side of the line from the fixed point of tie 1 to that of tie 2 on which it "
                "lies, empty without two", rule={"enum": ["left", "right", ""]}),
            records("tapes",
                "Tape distances from the fixed points of the sensor's first two ties", "One tape", (
                whole("tie", "Number of the sensor's tie from whose fixed point it is taped"),
                number("distance_m", "m", 5, "Tape distance", null=False),
                truth("clear", "Whether no building is in the tape's way"),
            )),
        )),
        number("wire_m", "m", 3, "Length of wire to its controller along the route", "wire_m"),
        number("trench_m", "m", 3, "Its share of the trench", "trench_m"),
        text("link",
            "Empty where a wire leads to the controller; wireless where no trench may lead to it; "
            "decoder where its wire and trench lead from a valve box",
            rule={"enum": ["", "wireless", "decoder"]}),
        whole("gauge_awg",
            "Thinnest copper wire that keeps the voltage; 0 where the length is unknown",
            "gauge_awg", unit="AWG", rule={"minimum": 0}),
        number("drop_v", "V", 3, "Voltage lost along the wire at the assumed current", "drop_v"),
    )),
    records("zones", "The hydrozones", "One hydrozone", (
        text("zone", "Name", "zone"),
        text("valve", "Valve", "valve", null=True),
        text("controller", "Controller", "controller", null=True),
        text("plants", "Plants, a trade word", "plants", null=True),
        text("soil", "Soil texture class", "soil", null=True),
        text("irrigation", "Kind of emission device", "irrigation", null=True),
        number("area_m2", "m2", 2, "Area", "area_m2"),
        number("sun_hours", "h/d", 3, "Direct sun, mean of the season", "sun_h_d"),
        number("insolation", "MJ m-2 d-1", 3,
            "Shaded global radiation, mean of the season", "sun_mj_m2_d"),
        number("sky_view", "0..1", 4, "Sky view factor", "sky_view"),
        number("plant_factor", "1", 4,
            "Plant factor before the microclimate, ks x kd x establishment, mean of the season",
            "plant_fac"),
        number("ks", "1", 4, "Species factor, mean of the season"),
        number("kd", "1", 4, "Density factor"),
        number("establishment", "1", 3, "Establishment factor of new plantings"),
        number("kmc", "1", 4, "Microclimate factor in use, mean of the season", "kmc"),
        number("kmc_computed", "1", 4,
            "Microclimate factor that the sun gives: reference ET of the zone's ground over that "
            "of open ground"),
        text("kmc_range", "Published class of the microclimate factor in use"),
        number("kl", "1", 4,
            "Landscape coefficient ks x kd x establishment x kmc, mean of the season", "kl"),
        number("need_score", "%/d", 3,
            "Water need: share of the readily available water used per peak day", "need_pct_d"),
        number("need_ratio", "1", 3,
            "Thirst of the driest quarter over that of an undemanding zone", "need_ratio"),
        text("need_words",
            "What makes the zone thirsty, in plain words, the strongest cause first", "need_words"),
        number("net_irrigation_mm", "mm", 2, "Net irrigation requirement per season", "net_irr_mm"),
        number("etc_peak_mm_d", "mm/d", 3, "Plant water use on a peak day", "etc_mm_d"),
        number("root_depth_m", "m", 3, "Root depth", "root_m"),
        number("taw_mm", "mm", 2, "Total available water in the root zone", "taw_mm"),
        number("raw_mm", "mm", 2, "Readily available water", "raw_mm"),
        number("precipitation_rate", "mm/h", 2, "Application rate of the system", "rate_mm_h"),
        number("distribution_uniformity", "0..1", 3,
            "Distribution uniformity of the lowest quarter", "du"),
        number("rain_share", "0..1", 3, "Share of the rain that reaches the ground"),
        text("sensor_id",
            "Its governor; empty for a zone that keeps a programme of its own, without a sensor",
            "sensor_id", null=True),
        text("control", f"{_KINDS}; timer without a sensor", "control", null=True),
        number("run_time_factor", "1", 3,
            "Run time against today's; null without a timer", "run_factor"),
        number("run_minutes", "min", 1, "Run time per event", "run_min"),
        number("today_minutes", "min", 1,
            "Run time per event today; null without a timer", "today_min"),
        whole("cycles", "Cycles per event", "cycles", null=True),
        number("cycle_minutes", "min", 1, "Run time of each cycle", "cycle_min"),
        number("soak_minutes", "min", 1, "Pause between cycles", "soak_min"),
        number("events", "", 2, "Events per season, mean of the years", "events"),
        number("today_events", "", 2, "Events per season today; null without a timer", "today_ev"),
        number("water_m3", "m3", 4, "Water per season, mean of the years", "water_m3"),
        number("today_m3", "m3", 4, "Water per season today; null without a timer", "today_m3"),
        number("stress_days", "d", 2,
            "Stress days, mean over the zone's ground, in the worst season out of ten", "stress_d"),
        number("stress_mean", "d", 2, "Stress days of a season, mean over seasons and scenarios"),
        number("today_stress_days", "d", 2, "The same under today's timer; null without one"),
        number("today_stress_mean", "d", 2, "The same under today's timer; null without one"),
        *_CHANCES,
        number("admissible_m2", "m2", 2,
            "Ground that meets every setback", null=False, rule={"minimum": 0}),
        record("need_shares",
            "What makes the zone thirsty: shares of the logarithm of need_ratio; their sum is "
            "1; null where the zone is no thirstier than an undemanding one", (
            number("sun", "-1..1", 4, "Share of its sun", frame="need_share_sun"),
            number("plants", "-1..1", 4, "Share of its plants", frame="need_share_plants"),
            number("soil", "-1..1", 4, "Share of its soil", frame="need_share_soil"),
            number("roots", "-1..1", 4, "Share of its root depth", frame="need_share_roots"),
            number("slope", "-1..1", 4, "Share of its slope", frame="need_share_slope"),
            number("application", "-1..1", 4,
                "Share of how it is watered: evenness and rate", frame="need_share_application"),
        )),
        many("defaults", "Values that were assumed", text("", "Name of a column"), "assumed"),
    )),
    records("choices",
        "The curve: one row per number of sensors allowed", "One number of sensors", (
        whole("n", "Most sensors allowed", "n"),
        truth("feasible", "Whether the cap on stress days can be met", "feasible"),
        text("groups", "Which sensor governs which zones", "groups", null=True),
        whole("used", "Sensors actually used", "used", null=True),
        text("control", _KINDS, "control", null=True),
        text("hardware", "What each controller is fitted with, as controller: kind", null=True),
        number("water_m3", "m3", 4, "Water per season, mean", "water_m3"),
        number("cost_per_year", "currency", 2, "Water and sensors per year", "cost_per_year"),
        number("stress_days", "d", 2,
            "Worst stress in the driest quarter of any zone", "stress_days"),
        number("value_of_next", "currency", 2,
            "What one more sensor is worth per year; null on the last row", "value_of_next"),
        number("value_of_next_low", "currency/year", 2,
            "The same in the scenario in which it is least"),
        number("value_of_next_high", "currency/year", 2,
            "The same in the scenario in which it is greatest"),
        number("value_of_next_error", "currency per year", 2,
            "Standard error of value_of_next over the scenarios, at most"),
        number("next_pays", "0..1", 3, "Share of the scenarios in which the next sensor pays"),
        number("gap", "share of the cost", 8,
            "Proven bound on the distance from the optimum, for the price of each "
            "sensor by itself"),
        text("verdict", "chosen, as good (a tie), dearer, or leaves a zone too dry", null=True),
        truth("chosen", "Whether the plan uses this row", "chosen"),
    )),
    records("rules", "Plain rules beside it", "A plain rule for comparison", (
        text("rule", "The rule in words"),
        whole("n", "Sensors it needs", null=True),
        truth("feasible", "Whether the cap on stress days is met"),
        text("verdict",
            "chosen, as good (a tie), dearer, leaves a zone too dry, or breaks a setback",
            null=True),
        number("water_m3", "m3", 4, "Water per season, mean"),
        number("cost_per_year", "currency", 2, "Water and sensors per year"),
        number("stress_days", "d", 2, "Worst stress in the driest quarter of any zone"),
    )),
    records("controls",
        "Every kind of control on the same weather and scenarios", "One kind of control", (
        text("kind", "What it is"),
        whole("sensors", "Soil-moisture sensors"),
        text("hardware", "What the controllers are fitted with", null=True),
        number("water_m3", "m3/season", 4, "Water of a season, mean"),
        number("cost_per_year", "currency/year", 2,
            "Water and sensors; a timer's and a rain shut-off's is water alone"),
        number("stress_days", "d", 2, "Stress days of the worst zone in the worst season"),
        truth("within_limit", "Whether every zone keeps its limit of stress days"),
        truth("chosen", "Whether the plan is of this kind"),
    )),
    records("regret", "What each option costs beyond the best of them, by scenario", "One option", (
        text("option", "A number of sensors, or a plain rule"),
        number("cost_per_year", "currency/year", 2, "Mean over the scenarios"),
        number("regret_mean", "currency/year", 2,
            "Cost beyond the best option, mean over the scenarios"),
        number("regret_max", "currency/year", 2, "The same in the worst scenario"),
        whole("worst_scenario", "Which scenario that is, from 0 (the property as described)"),
        many("by_scenario", "The same in every scenario",
            number("", "currency/year", 2, "Regret")),
    )),
    record("decision", "How exact the choice is", (
        number("gap", "share of the cost", 8,
            "Proven gap of the choice for the price of each sensor by itself"),
        number("lower_bound", "currency/year", 2, "No choice costs less, however trench is shared"),
        number("bound_share", "share of the cost", 6, "How far this choice is above that bound"),
        whole("trench_rounds", "How often shared trench was priced"),
        whole("scenarios", "Sets of uncertain values"),
        whole("sheet_scenarios", "Sets of them that minutes were set and played on"),
        whole("weather_years", "Seasons of weather"),
        number("next_worth", "currency per year", 2,
            "What a further sensor would be worth, mean over the scenarios"),
        number("next_pays", "0..1", 3, "Share of the scenarios in which a further sensor pays"),
        number("waiting_worth", "currency per year", 2,
            "What a season's log before buying it is worth, at most"),
        text("exactness", "What is proven and what is not"),
        many("tie_numbers",
            "Other numbers of sensors that are as good within what can be known", whole("", "")),
        records("tie_homes",
            "For each sensor's zone, the other zones in which it would be as good",
            "One sensor's zone", (
            text("zone", "Zone of the sensor"),
            many("as_good", "Other zones", text("", "")),
        )),
        records("hardware", "What each controller is fitted with", "One controller", (
            text("controller", "Name, or empty where there is one system"),
            text("hardware", "add_on or replacement"),
        )),
    )),
    records("timer", "What to type into any timer", "One valve", (
        text("zone", "Hydrozone"),
        text("valve", "Valve", null=True),
        text("controller", "Controller", null=True),
        text("program", "Sensor whose program it runs in"),
        text("control", _KINDS),
        text("days", "Days on which the program may start", null=True),
        number("run_minutes", "min", 1, "Run time at 100 %, whole minutes"),
        number("depth_mm", "mm", 2, "What that applies"),
        whole("cycles", "Cycles that it is split into, so that nothing runs off"),
        number("cycle_minutes", "min", 1, "Length of each"),
        number("soak_minutes", "min", 1, "Least pause between two"),
        number("water_m3", "m3/season", 4, "Water of a season with the seasonal adjustment, mean"),
        number("stress_days", "d", 2,
            "Stress days in the worst season with the seasonal adjustment"),
        records("months", "Months in season", "One month", (
            whole("month", "1 to 12"),
            number("percent", "%", 0,
                "Seasonal adjustment; where the reading starts the water, what to expect"),
            number("run_minutes", "min", 2,
                "Minutes at 100 % times percent, which is what was simulated"),
        )),
    )),
    records("sensitivity",
        "One input moved at a time, the sensors where they are, run times set anew; on the "
        "property as described", "One input", (
        text("input", "What was moved"),
        text("low", "Lower value"),
        text("high", "Higher value"),
        number("value_low", "unit/year", 2,
            "The measure at the lower value; null where the sensors cannot keep the limit"),
        number("value_high", "unit/year", 2, "The measure at the higher value"),
        number("value_base", "unit/year", 2, "The measure at the value given"),
        number("payback_low", "years", 2, "Simple payback at the lower value"),
        number("payback_high", "years", 2, "Simple payback at the higher value"),
        number("stress_low", "d", 2,
            "Stress days of the worst zone in the worst season out of ten, at the low value"),
        number("stress_high", "d", 2, "The same at the high value"),
        number("swing", "unit/year", 2, "Greatest less least of the three"),
        text("measure", "What is measured"),
        text("unit", "Currency, or m3"),
    )),
    records("measuring",
        "What measuring before anything is dug would be worth, the most worthwhile first",
        "One thing to measure", (
        text("measure", "can_test, probe_walk, jar_test, season_log or drone_flight"),
        text("zone", "The zone where, or empty: the whole property"),
        number("worth_per_year", "currency/year", 2,
            "What knowing it first is expected to gain: water, and days short at the price that "
            "the plan's own minutes put on them; 0 where it changes nothing, null without a price"),
        number("days_kept_off", "d", 2,
            "Stress days of a season that are part of it, mean over the ground"),
        number("hours", "h", 2, "Work that it takes, as [measuring] says", null=False),
        number("cost", "currency", 2, "That work and what is paid beside it", null=False),
        number("gain_per_year", "currency/year", 2,
            "Worth less cost, the cost spread over the sensors' life"),
        number("p_now", "0..1", 4,
            "Chance that the sensor lies in the driest quarter; over all: the mean", null=False),
        number("p_then", "0..1", 4, "The same once it is measured", null=False),
        text("changes", "What of the plan it may change: place, minutes, number of sensors"),
        truth("recommended", "Whether it changes something and gains more than it costs"),
    )),
    record("season", "Water over many years of weather", (
        _years("baseline", "m3", 4, "Water per season with today's timer", "baseline_m3"),
        _years("plan", "m3", 4, "Water per season under the plan", "plan_m3"),
        _years("saved_m3", "m3", 4, "Water saved per season"),
        _years("saved_fraction", "1", 4, "Share of the water saved"),
        _years("skipped_fraction", "1", 4, "Share of scheduled events skipped"),
        _years("stress_days", "d", 2, "Worst stress in the driest quarter of any zone"),
        records("years", "Every year", "One weather year", (
            whole("year", "Year in which the season starts", "year"),
            number("baseline_m3", "m3", 4,
                "Water of today's timer; null without one", "baseline_m3"),
            number("plan_m3", "m3", 4, "Water under the plan", "plan_m3"),
            number("saved_m3", "m3", 4, "Saved; null without a timer", "saved_m3"),
            number("saved_fraction", "1", 4, "Saved share; null without a timer"),
            number("skipped_fraction", "1", 4,
                "Share of scheduled events skipped; below 0 where more run"),
            number("stress_days", "d", 2,
                "Worst stress in the driest quarter of any zone", "stress_days"),
            number("rain_mm", "mm", 2, "Rain in the season", "rain_mm"),
            number("et0_mm", "mm", 2, "Reference evapotranspiration in the season", "et0_mm"),
        )),
    )),
    record("economics", "Money", (
        text("currency", "Currency of every price", null=True),
        number("price", "currency/m3", 4,
            "Price of water that sensors were chosen at; the average on tiers"),
        number("capital", "currency", 2, "What the sensors cost, installed"),
        number("device", "currency", 2, "Part of the capital: device"),
        number("installation", "currency", 2, "Part of the capital: installation"),
        number("trench", "currency", 2, "Part of the capital: trench"),
        number("wire", "currency", 2, "Part of the capital: wire"),
        number("yearly_cost", "currency/year", 2, "Capital over its life, without interest"),
        *_ends("saved_m3", "m3/year", "Water saved a year, {}", _SAVED, _USES),
        *_ends("saved_per_year", "currency/year", "Money saved a year, {}", _SAVED, _USES),
        *_ends("payback_years", "years", "Simple payback at the {}", _SAVING, _NEVER),
        *_ends("payback_discounted_years", "years",
            "Payback with interest at the {}", _SAVING, _NEVER),
        number("net_present_value", "currency", 2,
            "Worth today of the mean saving over the life, with interest, less the capital"),
        text("claim", "What is claimed, in plain words", null=True),
        records("ways",
            "What each way saves and when it pays back; empty without a timer",
            "One way, against today's timer unless it says otherwise", (
            text("way",
                "as today, within the limit, the plain way, timer set right, or against a timer "
                "set right"),
            whole("sensors", "Number of sensors"),
            number("saved_m3", "m3", 4, "Water saved a year, mean"),
            number("saved_per_year", "currency", 2, "Money saved a year, null without a price"),
            number("capital", "currency", 2, "Cost to build"),
            number("payback_years", "years", 2, "Null where it never pays or cannot be claimed"),
            number("stress_days", "d", 2,
                "Stress days of the worst zone in the worst season out of ten"),
        )),
    )),
    record("budget", "Published water budget, where the property file asks for one; else null", (
        text("kind", "mwelo: state ordinance, by year; epa: programme, peak month"),
        text("use", "residential or non_residential"),
        text("reference", "Where the equations come from"),
        text("period", "Period of the budget: year, or month and its number"),
        number("eto_mm", "mm", 1, "Reference ET of the period, open ground", null=False),
        number("area_m2", "m2", 2, "Landscape area", null=False),
        number("special_area_m2", "m2", 2,
            "Of it special landscape area: zones of vegetables", null=False),
        number("et_adjustment", "1", 3, "ET adjustment factor of the ordinance"),
        number("allowance_m3", "m3", 4, "Allowance of the period", null=False),
        number("estimated_m3", "m3", 4,
            "Estimated use (mwelo) or requirement (epa) of the period", null=False),
        truth("within", "Whether the estimate is within the allowance"),
        records("zones", "Estimate of each zone", "One zone", (
            text("zone", "Name of the zone"),
            number("estimated_m3", "m3", 2, "Its estimate", null=False),
        )),
    ), null=True),
    records("parts", "Parts list", "One line", (
        text("item", "What"),
        number("quantity", "unit", 3, "How much"),
        text("unit", "Unit of the quantity", null=True),
        text("note", "Remark", null=True),
    )),
    many("warnings", "Everything repaired, assumed or not met", text("", "In plain words")),
    many("cautions", "What every hand-off must carry", text("", "In plain words")),
    Column("provenance", "free", "Inputs' checksums, versions and options; free-form"),
    ),
)  # fmt: skip
_RESERVES = ("sensor_id", "reserve", "x", "y", *CHANCES, "setback_ratio", "binding_setback",
             "as_good")  # fmt: skip


def chance_columns(chances: Chances) -> dict[str, float]:
    """Return what is expected of a place's rank by column."""
    return dict(zip(CHANCES, chances, strict=True))


def reserve_table(placements: Mapping[str, Placement], *, crs: object) -> gpd.GeoDataFrame:
    """Put together `Plan.reserves`."""
    rows = [
        (
            sensor_id,
            number,
            at.x,
            at.y,
            *at.chances,
            at.setback_ratio,
            at.binding_setback,
            at.as_good,
        )
        for sensor_id, placement in placements.items()
        for number, at in enumerate(placement.reserves, start=1)
    ]
    none = np.empty(0, dtype=object)  # an empty list would be a column of numbers
    columns: dict[str, Any] = {
        name: [row[k] for row in rows] or none for k, name in enumerate(_RESERVES)
    }
    x, y = np.array(columns["x"], dtype=float), np.array(columns["y"], dtype=float)
    columns["geometry"] = from_shapely(shapely.points(x, y), crs)
    return gpd.GeoDataFrame(columns, geometry="geometry")


def admissible_table(placements: list[Placement], hydrozones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Put together `Plan.admissible`."""
    shapes = np.array([placement.admissible for placement in placements], dtype=object)
    area = shapely.area(shapes)
    some = area > 0
    return gpd.GeoDataFrame(
        {
            "zone": [str(zone) for zone in hydrozones.index[some]],
            "area_m2": area[some],
            "share": area[some] / hydrozones.geometry.area.to_numpy()[some],
            "geometry": from_shapely(shapes[some], hydrozones.crs),
        },
        geometry="geometry",
    )


def rank_raster(sun: SunVariants, ground: Ground, placements: list[Placement]) -> Floats:
    """Draw the area rank of dryness among each zone's admissible ground, mean over scenarios.

    Returns 0..1, NaN outside the zones. To look at: points are chosen on finer ground than this,
    shape (rows, columns).
    """
    raster = np.full(sun.drawn.sky_view.size, np.nan)
    pixels = ground.pixels
    for z, placement in enumerate(placements):
        inside = shapely.contains_xy(placement.admissible, pixels.x[z], pixels.y[z])
        among = inside if inside.any() else None
        raster[pixels.flat[z]] = area_rank(ground.dryness[z], among=among).mean(axis=0)
    return raster.reshape(sun.drawn.sky_view.shape)


def sensor_ids(
    grouping: Grouping, placements: list[Placement], zones: Sequence[str], tags: Mapping[str, str]
) -> dict[int, str]:
    """Name the chosen candidates: buried ones as they are, new ones in reading order.

    Returns candidate -> tag, in the order of the tags, without `tags` S1, S2, ... north first, then
    west.
    """
    zone = grouping.governors.zone

    def place(candidate: int) -> tuple[float, float]:
        at = placements[int(zone[candidate])]
        return -round(at.y, 3), round(at.x, 3)

    ordered = sorted(grouping.choice.sensors, key=place)
    given = [int(tag[1:]) for tag in tags.values() if tag[1:].isdigit()]
    following = count(max(given, default=0) + 1)
    known = {c: tags.get(str(zones[int(zone[c])])) for c in ordered}
    names = {c: tag or f"S{next(following)}" for c, tag in known.items()}
    return dict(sorted(names.items(), key=lambda item: (len(item[1]), item[1])))


def zone_table(
    site: Site,
    *,
    measures: pd.DataFrame,
    placements: list[Placement],
    water: pd.DataFrame,
    simulated: Simulated,
    sheet: Sheet,
    ids: Mapping[int, str],
    today_depth: Floats | None,
) -> gpd.GeoDataFrame:
    """Put together `Plan.zones`.

    today_depth (Z,): today's depth per event [mm].
    """
    zones, timer, plan = site.hydrozones, simulated.timer, simulated.plan
    led = [int(j) for j in sheet.governor]
    columns = {
        **{name: zones[name].array for name in ("valve", "controller", "plants", "irrigation")},
        "soil": water["soil_class"].array,
        **{str(name): column.array for name, column in measures.items()},
        **{name: [at.chances[k] for at in placements] for k, name in enumerate(CHANCES)},
        **{name: water[name].array for name in _OF_WATER},
        "rain_share": zones["rain_share"].array,
        "sensor_id": [ids[j] if j >= 0 else "" for j in led],
        "control": [sheet.kind[j] if j >= 0 else "timer" for j in led],
        **_run_times(water, simulated, today_depth),
        "events": plan.events.mean(axis=1),
        "today_events": np.nan if timer is None else float(simulated.days.sum(axis=0).mean()),
        "water_m3": simulated.volume(plan).mean(axis=1),
        "today_m3": np.nan if timer is None else simulated.volume(timer).mean(axis=1),
        "today_stress_days": np.nan if timer is None else timer.worst_stress_days,
        "today_stress_mean": np.nan if timer is None else timer.stress_days.mean(axis=1),
        "stress_days": plan.worst_stress_days,
        "stress_mean": plan.stress_days.mean(axis=1),
        "geometry": zones.geometry.array,
    }
    return gpd.GeoDataFrame(columns, index=zones.index, geometry="geometry")


#: What the table of zones shows of their water.
_OF_WATER: Final = ("root_depth_m", "precipitation_rate", "distribution_uniformity", "defaults")


def _run_times(
    water: pd.DataFrame, simulated: Simulated, today_depth: Floats | None
) -> dict[str, list[float]]:
    """Return run time, factor against today, cycles and soak per zone."""
    depth = simulated.plan.depth.max(axis=1)
    rate = water["precipitation_rate"].to_numpy(dtype=float)
    minutes = np.array([run_minutes(d, r) for d, r in zip(depth, rate, strict=True)])
    today = np.full_like(minutes, np.nan)
    if today_depth is not None:
        today = np.array([run_minutes(d, r) for d, r in zip(today_depth, rate, strict=True)])
    cycles = [
        cycle_and_soak(
            length, precipitation_rate=r, intake_rate=intake, surface_accumulation_mm=stands
        )
        for length, r, intake, stands in zip(
            minutes,
            rate,
            water["intake_rate"].to_numpy(dtype=float),
            water["surface_accumulation"].to_numpy(dtype=float),
            strict=True,
        )
    ]
    factor = np.divide(minutes, today, out=np.full_like(minutes, np.nan), where=today > 0)
    return {
        "run_minutes": list(minutes),
        "today_minutes": list(today),
        "run_time_factor": list(factor),
        "cycles": [count for count, _, _ in cycles],
        "cycle_minutes": [length for _, length, _ in cycles],
        "soak_minutes": [soak for _, _, soak in cycles],
    }


def sensor_table(
    site: Site,
    *,
    zones: gpd.GeoDataFrame,
    water: pd.DataFrame,
    sheet: Sheet,
    ids: Mapping[int, str],
    placements: list[Placement],
    application: Mapping[str, ZoneApplication],
    units: UnitsName = "metric",
) -> gpd.GeoDataFrame:
    """Put together `Plan.sensors`, all but the lengths of trench and wire.

    units {"metric", "us"}: units of the lengths in words.
    """
    rows = []
    for candidate, sensor_id in ids.items():
        at = sheet.home[candidate]
        zone, kind = str(zones.index[at]), sheet.kind[candidate]
        rows.append(
            {
                "sensor_id": sensor_id,
                **_identity(zones, zone, sensor_id, sheet.hardware),
                **_place(placements[at], application[zone]),
                **_prescription(site, water.iloc[at], zone, kind, sheet.low[candidate], units),
            }
        )
    columns: dict[str, Any] = {name: [row[name] for row in rows] for name in rows[0]}
    x, y = np.array(columns["x"], dtype=float), np.array(columns["y"], dtype=float)
    columns["geometry"] = from_shapely(shapely.points(x, y), site.crs)
    for names, crs in (
        (("source_x", "source_y"), site.source_crs),
        (("lon", "lat"), WGS84),
    ):
        columns[names[0]], columns[names[1]] = transformer(site.crs, crs).transform(x, y)
    index = pd.Index(columns.pop("sensor_id"), name="sensor_id")
    return gpd.GeoDataFrame(columns, index=index, geometry="geometry")


def _identity(
    zones: gpd.GeoDataFrame, zone: str, sensor_id: str, hardware: Mapping[str, str]
) -> dict[str, object]:
    """Return which zone, valve and followers a sensor has."""
    governed = tuple(str(z) for z in zones.index[zones["sensor_id"] == sensor_id])
    row = zones.loc[zone]
    return {
        "zone": zone,
        "valve": row["valve"],
        "controller": row["controller"],
        "governs": governed,
        "control": row["control"],
        "hardware": hardware["" if pd.isna(row["controller"]) else str(row["controller"])],
    }


def _place(placement: Placement, application: ZoneApplication) -> dict[str, object]:
    """Return where a sensor goes and why."""
    tested = placement.chances_tested
    after = math.nan if tested is None else tested.driest_quarter
    return {
        "x": placement.x,
        "y": placement.y,
        **chance_columns(placement.chances),
        "p_driest_quarter_tested": after,
        "application_note": application.words(placement.chances.driest_quarter, after),
        "test_cans": application.cans,
        "setback_ratio": placement.setback_ratio,
        "binding_setback": placement.binding_setback,
        "setback_note": placement.note,
        "reason": placement.reason,
    }


def _prescription(
    site: Site,
    water: pd.Series[Any],
    zone: str,
    kind: str,
    low: float,
    units: UnitsName,
) -> dict[str, object]:
    """Return depth and threshold of a sensor."""
    plants = str(site.hydrozones.loc[zone, "plants"])
    depth, note = sensor_depth(
        plants,
        root_depth_m=float(water["root_depth_m"]),
        new_sod=bool(site.hydrozones.loc[zone, "new_sod"]),
        units=units,
    )
    share = float(sensor_layer_share(depth, float(water["root_depth_m"])))
    wait = float(water["drain_hours"])
    capacity = float(water["field_capacity"]) - float(water["wilting_point"])
    return {
        "depth_m": depth,
        "depth_note": note,
        "threshold_low_mm": low * float(water["taw_mm"]) * share,
        "threshold_low_fraction": low,
        "threshold_step_vwc": low * capacity,
        "threshold_vwc": threshold_vwc(
            float(water["field_capacity"]), float(water["wilting_point"]), depleted_fraction=low
        ),
        "soak_wait_h": wait,
        "threshold_note": threshold_note(
            kind,
            soak_wait_hours=wait,
            low_fraction=low,
            step_vwc=low * capacity,
        ),
    }


def season_table(
    simulated: Simulated, seasons: SeasonCalendar, et0: Floats, *, metered_m3: float | None = None
) -> pd.DataFrame:
    """Put together `Plan.season`: one row per weather year, means over the scenarios.

    et0 (D, Y): open-ground reference ET [mm/d]; metered_m3: metered use of a season, where no timer
    is known [m³].
    """
    planned = simulated.by_year(simulated.volume(simulated.plan).sum(axis=0)).mean(axis=0)
    baseline = np.full_like(planned, np.nan if metered_m3 is None else metered_m3)
    skipped = np.full_like(planned, np.nan)
    if simulated.timer is not None:
        baseline = simulated.by_year(simulated.volume(simulated.timer).sum(axis=0)).mean(axis=0)
        scheduled = simulated.days.sum(axis=0) * len(simulated.area_m2)
        ran = simulated.plan.events.sum(axis=0)
        share = np.divide(ran, scheduled, out=np.ones(len(ran)), where=scheduled > 0)
        skipped = 1 - simulated.by_year(share).mean(axis=0)
    saved = baseline - planned
    fraction = np.divide(saved, baseline, out=np.full_like(saved, np.nan), where=baseline > 0)
    return pd.DataFrame(
        {
            "baseline_m3": baseline,
            "plan_m3": planned,
            "saved_m3": saved,
            "saved_fraction": fraction,
            "skipped_fraction": skipped,
            "stress_days": simulated.by_year(simulated.plan.stress_days).mean(axis=1).max(axis=0),
            "rain_mm": seasons.rain_mm.sum(axis=0),
            "et0_mm": et0.sum(axis=0),
        },
        index=pd.Index(seasons.years, name="year"),
    )
