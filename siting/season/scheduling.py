"""Depth of a sensor, its threshold, run times, cycle and soak.

Depths follow common practice of the trade, which has no published source; the arithmetic of run
times is that of irrigation scheduling, and is cited where it is printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from siting.language import say, side_by_side
from siting.season.controls import CONTROLS
from siting.site.handbook import PLANT_KINDS
from siting.units import UnitsName, show

#: One inch [m].
INCH_M: Final = 0.0254


@dataclass(frozen=True)
class SensorDepth:
    """How deep the trade buries a sensor under one kind of planting.

    share: wanted depth over root depth, 0..1; shallowest, deepest: limits of that depth [m]; words:
    the rule in plain words; metric: the same with metric figures beside; reference: where it comes
    from.
    """

    share: float
    shallowest: float
    deepest: float
    words: str
    metric: str
    reference: str = say("common practice, no source")

    def said(self, units: UnitsName) -> str:
        """Return the rule in plain words, with its reference.

        units {"metric", "us"}: the trade speaks of inches, metric readers are told millimetres
        beside them.
        """
        rule = self.metric if units == "metric" else self.words
        return say("{rule} ({reference})", rule=rule, reference=self.reference)


_TURF = SensorDepth(
    1 / 2,
    0.0,
    3 * INCH_M,
    say("turf: about 3 in, in its root zone"),
    say("turf: about 3 in (75 mm), in its root zone"),
)
_ORNAMENTAL = SensorDepth(
    1 / 2,
    6 * INCH_M,
    12 * INCH_M,
    say("ornamentals: 6 to 12 in, in the root zone"),
    say("ornamentals: 6 to 12 in (150 to 300 mm), in the root zone"),
)
_DEEP = SensorDepth(
    1 / 2,
    12 * INCH_M,
    24 * INCH_M,
    say("deep-rooted: 12 to 24 in, in the root zone"),
    say("deep-rooted: 12 to 24 in (300 to 600 mm), in the root zone"),
)
#: The rule of each kind of planting, see `siting.site.handbook.PlantKind`.
DEPTHS: Final = {"turf": _TURF, "ornamentals": _ORNAMENTAL, "deep-rooted": _DEEP}
#: How thick sod is laid (common practice, no source) [m].
SOD_M: Final = 1 * INCH_M
#: Thresholds are handed out in whole steps of this, by volume: about what a display of whole or
#: half percent can be set to (common practice, no source) [m³/m³].
READING_STEP: Final = 0.005


@dataclass(frozen=True)
class DeviceReading:
    """How finely and how surely a device reads; the defaults are those of an ordinary one.

    Parameters
    ----------
    residual_error : float
        Standard deviation left of a reading once its scale is tied to field capacity here
        [m³/m³].
    resolution : float
        Least step of its display or of its threshold [m³/m³].
    tension_kpa : float
        Least step of tension that it tells apart, where it reads tension [kPa].

    Notes
    -----
    Values of the defaults: common practice, no source.
    """

    residual_error: float = 0.014
    resolution: float = READING_STEP
    tension_kpa: float = 1.0

    @property
    def least_step(self) -> float:
        """Least step of water content that is not decided by chance [m³/m³].

        The rounding of a display of resolution r adds r²/12 to the variance; no step is finer than
        the display's.

        Examples
        --------
        >>> round(DeviceReading().least_step, 4)
        0.0141
        """
        noise = math.sqrt(self.residual_error**2 + self.resolution**2 / 12)
        return max(noise, self.resolution)


#: Under new sod: about 1 in below the soil surface, with the sod laid over (common practice).
NEW_SOD_M: Final = 1 * INCH_M


def sensor_depth(
    plants: str, *, root_depth_m: float, new_sod: bool = False, units: UnitsName = "metric"
) -> tuple[float, str]:
    """Return how deep to bury a sensor, and why.

    Parameters
    ----------
    plants : str
        One of `siting.site.settings.PLANTS`.
    root_depth_m : float
        Depth of the roots that are to be watered; NaN where unknown [m].
    new_sod : bool
        Whether sod is about to be laid; it counts for turf only.
    units : {"metric", "us"}
        Units of the lengths in the note.

    Returns
    -------
    depth : float
        Depth of the sensor below the soil surface (below the old one under new sod) [m].
    note : str
        The rule, and what gave way to shallow roots.

    Notes
    -----
    Common practice of the trade; no published source. The wanted depth is the middle of the root
    zone, held between the limits of `DEPTHS`, and never below the roots.

    Examples
    --------
    >>> round(sensor_depth("warm_season_turf", root_depth_m=0.30)[0], 4)
    0.0762
    >>> sensor_depth("cool_season_turf", root_depth_m=0.30, new_sod=True)[0]
    0.0254
    """
    rule = DEPTHS[PLANT_KINDS[plants].buried]
    if new_sod and rule is _TURF:
        under = say(
            "under new sod: about 1 in (25 mm) below the soil surface, and the sod laid on it"
        )
        if units == "us":
            under = say("under new sod: about 1 in below the soil surface, and the sod laid on it")
        return NEW_SOD_M, say("{rule} ({reference})", rule=under, reference=rule.reference)
    if not math.isfinite(root_depth_m):
        depth = rule.deepest if rule is _TURF else rule.shallowest
        return depth, side_by_side([rule.said(units), say("root depth unknown")], "; ")
    roots = show(root_depth_m, "length", units)
    if units == "us":
        roots = show(1000 * root_depth_m, "depth", units, decimals=1)
    wanted = min(max(rule.share * root_depth_m, rule.shallowest), rule.deepest)
    why = ""
    if wanted > root_depth_m:
        why = say("kept within roots of only {roots}", roots=roots)
    elif wanted < rule.deepest and rule is _TURF:
        why = say("at half of roots of only {roots}", roots=roots)
    return min(wanted, root_depth_m), side_by_side([rule.said(units), why], "; ")


def threshold_vwc(
    field_capacity: float, wilting_point: float, *, depleted_fraction: float
) -> float:
    """Return the volumetric water content at a share of available water depleted.

    Parameters
    ----------
    field_capacity, wilting_point : float
        Volumetric water content [m³/m³].
    depleted_fraction : float
        Share of the available water that is gone: 0 at field capacity, 1 at wilting point.

    Returns
    -------
    float
        Volumetric water content [m³/m³].

    Examples
    --------
    >>> round(threshold_vwc(0.25, 0.10, depleted_fraction=0.2), 3)
    0.22
    """
    return field_capacity - depleted_fraction * (field_capacity - wilting_point)


def run_minutes(depth_mm: float, precipitation_rate: float, *, efficiency: float = 1.0) -> float:
    """Return the run time that applies a depth.

    Parameters
    ----------
    depth_mm : float
        Depth to apply, zone mean [mm].
    precipitation_rate : float
        Rate of the valve's heads, above 0 [mm/h].
    efficiency : float
        Share of the water that counts, when `depth_mm` is a net depth (0..1].

    Returns
    -------
    float
        Run time [min].

    References
    ----------
    T = 60 D ETo Kc / (PR IE), as in state extension guides on scheduling by ET; 0.20 in at 0.50
    in/h is printed as 24 min.

    Examples
    --------
    >>> round(run_minutes(0.20 * 25.4, 0.50 * 25.4), 6)
    24.0
    """
    return 60.0 * depth_mm / (precipitation_rate * efficiency)


def cycle_and_soak(
    minutes: float,
    *,
    precipitation_rate: float,
    intake_rate: float,
    surface_accumulation_mm: float,
) -> tuple[int, float, float]:
    """Split a run time into cycles that do not run off, with pauses to soak in.

    Parameters
    ----------
    minutes : float
        Run time of the event [min].
    precipitation_rate : float
        Rate of the valve's heads [mm/h].
    intake_rate : float
        Basic intake rate of the soil, above 0 [mm/h].
    surface_accumulation_mm : float
        Water that may stand before it runs off, by soil and slope, above 0 [mm].

    Returns
    -------
    cycles : int
        Number of equal cycles, at least 1.
    cycle_minutes : float
        Length of each [min].
    soak_minutes : float
        Least pause between two, in which what stands soaks in; 0 with one cycle [min].

    References
    ----------
    Longest cycle = 60 ASA / (PR - IR) for PR > IR, with the allowable surface accumulation of the
    industry's test protocol for controllers: at 1.5 in/h, loam (0.35 in/h, 0.30 in) 15.65 min, clay
    steeper than 12 % (0.10 in/h, 0.10 in) 4.29 min. The pause is that water over the intake rate.

    Examples
    --------
    >>> cycle_and_soak(40, precipitation_rate=38.1, intake_rate=8.89, surface_accumulation_mm=7.62)
    (3, 13.333333333333334, 43.80952380952381)
    """
    excess = precipitation_rate - intake_rate
    if excess <= 0 or minutes <= 0:
        return 1, minutes, 0.0
    longest = 60.0 * surface_accumulation_mm / excess
    cycles = max(1, math.ceil(minutes / longest - 1e-9))
    length = minutes / cycles
    return cycles, length, length * excess / intake_rate if cycles > 1 else 0.0


def threshold_note(
    control: str, *, soak_wait_hours: float, low_fraction: float, step_vwc: float = math.nan
) -> str:
    """Return in plain words how to set the threshold in the field.

    Parameters
    ----------
    control : str
        Word of the kind of control.
    soak_wait_hours : float
        How long this soil drains to field capacity [h].
    low_fraction : float
        Share of available water depleted from which watering is allowed.
    step_vwc : float
        The same as a step of the reading below field capacity; NaN where not known [m³/m³].

    Returns
    -------
    str
        One or two sentences.

    Notes
    -----
    Soaking the sensor, then reading it 24 h later on sand, 48 h on loam, 72 h on clay, and setting
    the threshold there or slightly lower is common practice; state extension guides print 24 h and
    up to 20 % lower.
    """
    reading = (
        f"Soak the ground over the sensor thoroughly, wait {soak_wait_hours:.0f} h without rain or "
        "watering, and take the reading as field capacity (100 % of available water)."
    )
    left = 100 * (1 - low_fraction)
    place = "at that reading" if low_fraction <= 0 else f"at {left:.0f} % of available water"
    if low_fraction > 0 and math.isfinite(step_vwc):
        place = f"{100 * step_vwc:.1f} points by volume below it, {place}"
    return f"{reading} {CONTROLS[control].note.format(place)}"
