"""The plan: everything that was decided for a property, as frozen tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from siting.arrays import Floats
from siting.climate.model import Climate
from siting.place.placement import Placement
from siting.site.model import Site
from siting.site.settings import PropertyFile
from siting.sun.model import SunShade
from siting.units import UnitsName, show
from siting.wire.routes import WireRoutes
from siting.zones.survey import Known


@dataclass(frozen=True)
class Basis:
    """Everything that a what-if need not compute again.

    Parameters
    ----------
    climate : Climate
        Daily weather.
    known : Known
        Sun, water and weather.
    hazards : GeoDataFrame
        As from `siting.place.setbacks.setback_hazards`.
    placements : list of Placement
        Best point of every zone.
    warnings : tuple of str
        What was repaired or assumed.
    tags : mapping of str to str
        Zone -> tag of the sensor that is buried there.
    """

    climate: Climate
    known: Known
    hazards: gpd.GeoDataFrame
    placements: list[Placement]
    warnings: tuple[str, ...] = ()
    tags: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Built:
    """The prescription.

    zones, sensors, season, ties, reserves, parts: as `Plan.zones` and so on; wires: trenches and
    wires as routed; economics: as `Plan.economics`, and the price of water [currency/m³]; claims:
    the claim in each system of units; zone_notes: by tag, why a sensor is not in the thirstiest
    zone that it governs; controls, timer_table, sensitivity: as `Plan.controls` and so on;
    warnings: what could not be routed or tied, and what bills do not say.
    """

    zones: gpd.GeoDataFrame
    sensors: gpd.GeoDataFrame
    season: pd.DataFrame
    ties: gpd.GeoDataFrame
    reserves: gpd.GeoDataFrame
    wires: WireRoutes
    parts: pd.DataFrame
    economics: dict[str, Any]
    claims: dict[UnitsName, str]
    zone_notes: dict[UnitsName, dict[str, str]]
    controls: pd.DataFrame
    timer_table: pd.DataFrame
    sensitivity: pd.DataFrame
    warnings: tuple[str, ...]


#: Options of pandas: no text is cut, and no dollar sign starts a formula.
_WHOLE_TEXT: Final = ("display.max_colwidth", None, "display.html.use_mathjax", False)


def summary_html(
    name: str, headline: str, sensors: pd.DataFrame, *, units: UnitsName, caution: str = ""
) -> str:
    """Return what a notebook shows of a plan.

    units {"metric", "us"}: how to show lengths. Returns HTML without scripts, styles or links.
    """
    table = pd.DataFrame(
        {
            "zone": sensors["zone"],
            "valve": sensors["valve"],
            "governs": [", ".join(str(zone) for zone in zones) for zones in sensors["governs"]],
            "depth": [show(1000 * d, "depth", units) for d in sensors["depth_m"]],
            "latitude": [f"{value:.7f}" for value in sensors["lat"]],
            "longitude": [f"{value:.7f}" for value in sensors["lon"]],
        },
        index=sensors.index,
    )
    with pd.option_context(*_WHOLE_TEXT):
        body = table.to_html(escape=True, border=0, index_names=False, na_rep="–")
    foot = f"<p><small>{escape(caution)}</small></p>" if caution else ""
    return f"<h3>{escape(name)}</h3><p>{escape(headline)}</p>{body}{foot}"


@dataclass(frozen=True)
class Wording:
    """The sentences of a plan that hold amounts, in one system of units.

    Parameters
    ----------
    headline, answer, claim : str
        As `Plan.headline`, `Plan.answer` and the claim of `Plan.economics`.
    reasons, setback_notes, zone_notes : mapping of str to str
        By sensor: why here, what gave way (or ""), and why not in the thirstiest zone (or "").
    """

    headline: str
    answer: str
    claim: str
    reasons: Mapping[str, str]
    setback_notes: Mapping[str, str]
    zone_notes: Mapping[str, str]


def _empty(*columns: str) -> gpd.GeoDataFrame:
    """Return a layer without features; its CRS is not known."""
    return gpd.GeoDataFrame({name: [] for name in columns}, geometry=[])


@dataclass(frozen=True)
class Plan:
    """Everything that was decided for a property. Writes nothing; `siting.handoff` does.

    Every geometry is in the site's working CRS (metres). Units of the columns: `_m` metre, `_mm`
    millimetre, `_m2`, `_m3`, `_d` day, `_min` minute, `_fraction` 0..1; costs in the user's
    currency.

    Parameters
    ----------
    site : Site
        The checked property.
    settings : PropertyFile
        What the user asked for.
    zones : GeoDataFrame
        Index `zone` as in ``site.hydrozones``; columns valve, controller, plants, soil,
        irrigation, area_m2, sun_hours (mean h/d over the season), insolation (season mean of
        shaded global radiation, MJ m⁻² d⁻¹), sky_view (0..1), plant_factor (season
        mean: ks x kd x establishment), ks, kd, establishment, kmc (microclimate factor in use),
        kmc_computed (by the sun), kmc_range (str: its published class), kl (plant_factor x kmc),
        need_score (% of RAW used per peak day),
        need_share_sun, _plants, _soil, _roots, _slope, _application (their sum is 1; NaN where the
        zone is no thirstier than an undemanding one), need_ratio (thirst over that of an
        undemanding zone), need_words (str: the same in plain words), net_irrigation_mm (per
        season), etc_peak_mm_d,
        root_depth_m, taw_mm, raw_mm, precipitation_rate (mm/h), distribution_uniformity,
        rain_share (0..1: rain that reaches the ground), sensor_id (its governor; "" for a
        zone that keeps a programme of its own), control ("bypass", "on_demand" or "timer"),
        run_time_factor (against
        today's minutes; NaN without a timer), run_minutes (per event), today_minutes (NaN without
        a timer), cycles (int), cycle_minutes, soak_minutes, events (mean per season),
        today_events, water_m3 (mean per season), today_m3 (NaN without a timer), stress_days
        (mean over its ground, in the worst season out of ten), stress_mean (of a season),
        today_stress_days and today_stress_mean (the same under today's timer; NaN without one),
        expected_rank, p_driest_quarter,
        p_wetter_half (of its best point, see `sensors`), defaults (str: which values were assumed,
        comma-separated), geometry.
    sensors : GeoDataFrame
        Index `sensor_id` ("S1", "S2", ... from north-west in reading order); columns zone, valve,
        controller, governs (tuple of zones), control, hardware ("add_on" or "replacement"),
        x, y (working CRS), source_x, source_y
        (property CRS), lon, lat, depth_m, depth_note (str), expected_rank,
        p_driest_quarter, p_wetter_half (of the ground where a sensor may lie, with everything
        unknown in them, 0..1), p_driest_quarter_tested (after a can test; NaN where nothing is to
        be gained), application_note (str: what the chances rest on), test_cans
        (int: cans to place in a can test, or that were read; 0 where none would help),
        setback_ratio (>= 1 when all setbacks are met), binding_setback (str),
        setback_note (str: what gave way, or ""), reason (str, plain words: why here), zone_note
        (str: why it is not in the thirstiest zone that it governs, or ""),
        threshold_low_mm (depletion of the layer that the sensor reads at which watering is
        allowed), threshold_low_fraction (of its available water depleted), threshold_step_vwc (how
        far below field capacity, by volume), threshold_vwc (volumetric water content at the
        threshold), soak_wait_h
        (wait after soaking before the reading), threshold_note (str), threshold_withheld (str:
        after commissioning, why no threshold is handed out, or ""; may be absent), wire_m (path
        to its controller), trench_m (its share of the trench), gauge_awg (int: thinnest wire that
        keeps the voltage, 0 where unknown), drop_v (voltage lost along it), link ("", "wireless",
        or "decoder" where its lead ends in a valve box), geometry (Point).
    choices : DataFrame
        One row per allowed number of sensors, index `n` (1..max): feasible (bool), groups (str,
        "S: A, B | ..."), used (sensors actually used), control, hardware (str, "controller: kind,
        ..."), water_m3, cost_per_year (trench shared), stress_days, value_of_next (currency per
        year, NaN on the last row or when not feasible) with value_of_next_low and
        value_of_next_high (least and most over the scenarios), value_of_next_error (its standard
        error), next_pays (share of the scenarios in which the next one pays), gap (proven, as a
        share of the cost), verdict ("chosen", "as good", "dearer", "leaves a zone too dry"),
        chosen (bool).
    rules : DataFrame
        The plain way and the plain rules beside it, index `rule`: n, feasible, verdict (also
        "breaks a setback"), water_m3, cost_per_year, stress_days.
    wire_routes : GeoDataFrame
        Columns sensor_id, controller, kind ("trench" or "wire"), conductors (in it), length_m,
        crosses (str: "paving", "tree roots", "planted bed", comma-separated, or ""), paved_m,
        priced_m (metres of open trench of the same price), geometry (LineString).
    ties : GeoDataFrame
        Columns sensor_id, tie (1..3), distance_m, from_kind ("building corner", ...), from_x,
        from_y, angle_deg (crossing angle with tie 1; NaN on tie 1), drms_m (error expected), side
        ("left" or "right" of the line from point 1 to point 2), offset (bool: the shortest tape
        from a straight edge), geometry (LineString from the fixed point to the sensor).
    keepout : GeoDataFrame
        Columns hazard, setback_m, geometry: where a sensor must not be buried, by reason.
    reserves : GeoDataFrame
        Columns sensor_id, reserve (1 or 2, best first), x, y (working CRS),
        expected_rank, p_driest_quarter, p_wetter_half, setback_ratio, binding_setback, as_good
        (bool: the map's own error cannot tell it from the sensor's point), geometry (Point): where
        to dig when the shovel meets rock, at least 2 m from the sensor and from each other.
    admissible : GeoDataFrame
        Columns zone, area_m2, share (of the zone), geometry: ground that meets every setback;
        zones without any are left out.
    rank : ndarray, shape (rows, columns)
        Area rank of dryness among the admissible ground of each zone, mean over scenarios, NaN
        outside the zones; empty where it was not drawn.
    season : DataFrame
        Index `year`; columns baseline_m3, plan_m3, saved_m3, saved_fraction, skipped_fraction
        (the baseline and the saving NaN without a timer), stress_days, rain_mm, et0_mm.
    economics : mapping
        currency, capital, saved_per_year, saved_per_year_low, saved_per_year_high, payback_years,
        payback_years_low, payback_years_high (None where they cannot be claimed), device,
        installation, trench, wire (parts of the capital), claim (str: plain words), budget (the
        published water budget that the user asked for, or None; see
        `siting.water.zones.water_budget`).
    parts : DataFrame
        Parts list: item, quantity, unit, note.
    sun : SunShade
        Monthly sun, base scenario.
    dryness : ndarray, shape (rows, columns)
        Dryness relative to the property's mean, NaN outside the zones.
    answer : str
        "How many sensors, and why" in one paragraph: the decision, why, where, what is claimed.
    headline : str
        The decision and what it saves, in two or three sentences.
    cautions : tuple of str
        What every hand-off must carry.
    warnings : tuple of str
        Everything repaired, assumed or not met.
    provenance : mapping
        Inputs' sha256, versions, options.
    controls : DataFrame
        Every kind of control beside the plan, index `kind`: sensors, hardware, water_m3,
        cost_per_year (a timer's and a rain shut-off's is water alone; NaN without a price),
        stress_days, within_limit (bool), chosen (bool).
    regret : DataFrame
        What each number of sensors and each plain rule costs beyond the best of them, index
        `option`: cost_per_year, regret_mean, regret_max, worst_scenario (int), by_scenario (tuple)
        [currency per year].
    timer_table : DataFrame
        What to type into any timer, index `zone`: valve, controller, program (the sensor's tag),
        control, days (str: on which it may start), run_minutes (whole), depth_mm, cycles,
        cycle_minutes, soak_minutes, percent_1 to percent_12 (seasonal adjustment; 0 out of season),
        run_minutes_1 to run_minutes_12, water_m3 and stress_days (as played).
    sensitivity : DataFrame
        What moves the result, index `input`, the greatest swing first: low, high (str: the values
        tried), value_low, value_high, value_base (of `measure`, in `unit`: currency or m3 a year,
        of the printed sheet played with that input), payback_low, payback_high (years, NaN where it
        never pays or is not claimed), stress_low, stress_high [d], swing, measure, unit.
    decision : mapping
        How exact the choice is: gap, lower_bound, bound_share, trench_rounds, scenarios,
        weather_years, exactness (str), hardware (controller -> kind), limits (zone -> d),
        tie_numbers, tie_homes, next_worth, next_pays, waiting_worth (currency a year), plain_homes,
        plain_drier (zone -> d).
    basis : object
        What `siting.planning.make.replan` needs; not for reading.
    wordings : mapping of units to Wording
        The sentences that hold amounts in each system of units; see `wording`.
    """

    site: Site
    settings: PropertyFile
    zones: gpd.GeoDataFrame
    sensors: gpd.GeoDataFrame
    choices: pd.DataFrame
    rules: pd.DataFrame
    wire_routes: gpd.GeoDataFrame
    ties: gpd.GeoDataFrame
    keepout: gpd.GeoDataFrame
    season: pd.DataFrame
    economics: Mapping[str, Any]
    parts: pd.DataFrame
    sun: SunShade
    dryness: Floats
    answer: str
    cautions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    provenance: Mapping[str, Any] = field(default_factory=dict)
    reserves: gpd.GeoDataFrame = field(
        default_factory=lambda: _empty(
            "sensor_id",
            "reserve",
            "x",
            "y",
            "expected_rank",
            "p_driest_quarter",
            "p_wetter_half",
            "setback_ratio",
            "binding_setback",
        )
    )
    admissible: gpd.GeoDataFrame = field(default_factory=lambda: _empty("zone", "area_m2", "share"))
    rank: Floats = field(default_factory=lambda: np.empty((0, 0)))
    controls: pd.DataFrame = field(default_factory=pd.DataFrame)
    regret: pd.DataFrame = field(default_factory=pd.DataFrame)
    timer_table: pd.DataFrame = field(default_factory=pd.DataFrame)
    sensitivity: pd.DataFrame = field(default_factory=pd.DataFrame)
    decision: Mapping[str, Any] = field(default_factory=dict)
    basis: object = field(default=None, repr=False, compare=False)
    wordings: Mapping[UnitsName, Wording] = field(default_factory=dict)
    headline: str = ""

    def wording(self, units: UnitsName) -> Wording:
        """Return the sentences that hold amounts in one system of units.

        Parameters
        ----------
        units : {"metric", "us"}
            Which system.

        Returns
        -------
        Wording
            As planned; where the plan brings none, those of the plan's own units.
        """
        return self.wordings.get(units) or Wording(
            headline=self.headline or self.answer,
            answer=self.answer,
            claim=str(self.economics["claim"]),
            reasons=dict(self.sensors["reason"]),
            setback_notes=dict(self.sensors["setback_note"]),
            zone_notes=dict(self.sensors["zone_note"]),
        )

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the headline and the sensors."""
        units = self.settings.units
        caution = self.cautions[0] if self.cautions else ""
        return summary_html(
            self.site.name,
            self.wording(units).headline,
            self.sensors,
            units=units,
            caution=caution,
        )
