"""What the soil answered: field capacity, and measured values in place of defaults."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from siting.commission.readings import Readings, time_of
from siting.errors import Fault, InputError
from siting.language import Figure, say, side_by_side, vocabulary
from siting.planning.model import Basis, Plan
from siting.season.scheduling import DeviceReading, threshold_vwc
from siting.site.handbook import SOIL_CLASSES
from siting.site.model import Site
from siting.units import UnitsName, show
from siting.water.heads import low_quarter_uniformity
from siting.water.soil import MOST_CLAY, jar_test, texture_class

#: A sensor that is not calibrated to the soil is off by this much [m³/m³]; common practice.
_UNCALIBRATED: Final = 0.04
#: Between two readings six hours or more apart, the plateau may fall by this share of the available
#: water a day, beside what plants draw. Judgement of this project, no source.
_DRAINING: Final = 0.10
_APART_H: Final = 6.0
#: Rain and watering after the soaking up to this do not count [mm].
_LITTLE_MM: Final = 1.0
#: State extension guides: the threshold at the reading or up to 20 % lower.
_STEP_DOWN: Final = 0.20
#: Tension at field capacity: 10 kPa on sand, 33 kPa on others, each within a factor of 3.
_TENSION: Final = {"sand": 10.0, "loamy sand": 10.0}
_TENSION_SPREAD: Final = 3.0
_TENSION_WILTING: Final = 1500.0


@dataclass(frozen=True)
class Capacity:
    """What the readings after a soaking say.

    sensor_id: which sensor; accepted: whether the reading is taken as field capacity; reading: the
    reading, in the device's unit, NaN where there is none; unit: one of
    `siting.planning.form.READING_UNITS`; vwc: the same as volumetric water content, NaN where the
    unit does not tell [m³/m³]; low: threshold in the device's unit: watering is allowed below (kPa:
    above) it, NaN where it is withheld; possible: whether the reading can be field capacity of the
    soil that the plan assumes; textures: texture classes whose published range holds it; words: all
    of this in plain words; withheld: why no threshold is handed out although the reading is field
    capacity, or "".
    """

    sensor_id: str
    accepted: bool
    reading: float
    unit: str
    vwc: float
    low: float
    possible: bool
    textures: tuple[str, ...]
    words: tuple[str, ...]
    withheld: str = ""


def matching_textures(vwc: float) -> tuple[str, ...]:
    """Return the texture classes whose published field capacity holds a water content.

    vwc: volumetric water content [m³/m³]. Result: classes, from coarse to fine.

    FAO-56 Table 19; Saxton & Rawls 2006, Table 3, for the classes that it lacks.

    >>> matching_textures(0.10)
    ('sand',)
    """
    return tuple(
        name
        for name, soil in SOIL_CLASSES.items()
        if soil.capacities.low <= vwc <= soil.capacities.high
    )


def tension_exponent(field_capacity: float, wilting_point: float) -> float:
    """Return B of the tension curve psi = A theta⁻ᴮ through 33 and 1500 kPa.

    field_capacity, wilting_point: volumetric water content [m³/m³]. Result: b [-].

    Saxton & Rawls 2006, Eqs 11, 14 and 15.

    >>> round(tension_exponent(0.28, 0.14), 2)
    5.51
    """
    return (math.log(_TENSION_WILTING) - math.log(33.0)) / (
        math.log(field_capacity) - math.log(wilting_point)
    )


def threshold_in_units(
    reading: float, unit: str, *, depleted: float, field_capacity: float, wilting_point: float
) -> tuple[float, str]:
    """Return where a threshold lies on the device's own scale.

    unit {"%", "m3/m3", "kPa", "device"}: of the device; depleted: share of the available water that
    is gone at the threshold, 0..1; field_capacity, wilting_point: of the plan's soil, for the size
    of the step [m³/m³]. Result: the threshold, in the unit; how it was found.

    Steps of up to 20 % below the reading: state extension guides on soil-moisture sensors. Tension:
    Saxton & Rawls 2006, Eq. 11.

    >>> threshold_in_units(
    ...     25.0, "%", depleted=0.25, field_capacity=0.26, wilting_point=0.12
    ... )[0]
    21.5
    """
    step = depleted * (field_capacity - wilting_point)
    if unit in {"%", "m3/m3"}:
        scale = 100.0 if unit == "%" else 1.0
        return max(reading - scale * step, 0.0), say("the reading less the plan's step")
    content = threshold_vwc(field_capacity, wilting_point, depleted_fraction=depleted)
    if unit == "kPa":
        power = tension_exponent(field_capacity, wilting_point)
        return reading * (field_capacity / content) ** power, say("by the soil's tension curve")
    lowered = min(step / field_capacity, _STEP_DOWN)
    note = say(
        "{share} % below the reading; the device's scale has no unit, so that this takes it to be "
        "proportional to the water in the soil",
        share=f"{100 * lowered:.0f}",
    )
    return reading * (1 - lowered), note


def capacity_of(
    plan: Plan,
    sensor_id: str,
    row: Mapping[str, Any],
    *,
    events: pd.DataFrame | None = None,
    weather: pd.DataFrame | None = None,
    device: DeviceReading | None = None,
) -> Capacity | None:
    """Take the readings after a soaking as field capacity, or say why not.

    device: what the device tells apart, an ordinary one when not given. Result: None where the row
    holds no reading.
    """
    unit = str(row.get("reading_unit") or "%")
    series = _readings(row)
    if not series:
        return None
    sensor = plan.sensors.loc[sensor_id]
    zone = plan.zones.loc[sensor["zone"]]
    soaked = time_of(row, "soaked_at")
    wait = float(sensor["soak_wait_h"])
    water = held_water(plan, str(sensor["zone"]))
    rejected = [
        *_too_early(series, soaked, wait),
        *_wetted(row, series, soaked, valve=str(sensor["valve"]), events=events, weather=weather),
    ]
    waited = [r for r in series if soaked is None or _hours(soaked, r[0]) >= wait - 1]
    last = (waited or series)[-1]
    if not rejected:
        rejected += _not_level(
            waited, unit, water=water, etc=float(zone["etc_peak_mm_d"]), depth=_layer_mm(sensor)
        )
    reading = last[1]
    vwc = {"%": reading / 100, "m3/m3": reading}.get(unit, math.nan)
    possible, textures, check = _texture(reading, vwc, unit, str(zone["soil"]))
    low, low_note = threshold_in_units(
        reading, unit, depleted=float(sensor["threshold_low_fraction"]),
        field_capacity=water[0], wilting_point=water[1],
    )  # fmt: skip
    accepted = not rejected and possible
    words = [*(say("Rejected: {why}", why=why) for why in rejected), check]
    withheld = ""
    if not accepted:
        words.append(say("No threshold is set from it."))
    else:
        device = device or DeviceReading(residual_error=plan.settings.control.sensor_error)
        withheld = _too_fine(reading, low, unit, sensor, water, device)
        words.append(withheld or _set_words(unit, low, low_note, sensor))
    if withheld:
        low = math.nan
    return Capacity(
        sensor_id, accepted, reading, unit, vwc, low, possible, textures, tuple(words),
        withheld,
    )  # fmt: skip


def held_water(plan: Plan, zone: str) -> tuple[float, float]:
    """Return field capacity and wilting point of a sensor's zone, as the plan took them.

    Result: volumetric water contents [m³/m³].
    """
    row = plan.zones.loc[zone]
    available = float(row["taw_mm"]) / (1000 * float(row["root_depth_m"]))
    sensor = plan.sensors[plan.sensors["zone"] == zone].iloc[0]
    # The content at the threshold, and the share of the available water that is gone there.
    field = float(sensor["threshold_vwc"]) + float(sensor["threshold_low_fraction"]) * available
    return field, max(field - available, 0.01)


def _layer_mm(sensor: Mapping[str, Any]) -> float:
    """Return the thickness of the layer that a sensor reads [mm]."""
    return 2000 * float(sensor["depth_m"])


def _readings(row: Mapping[str, Any]) -> list[tuple[dt.datetime, float]]:
    """Return times and readings of a row, in order."""
    found = []
    for number in (1, 2, 3):
        value, at = row.get(f"reading_{number}"), time_of(row, f"reading_{number}_at")
        if value is not None and not math.isnan(value) and at is not None:
            found.append((at, float(value)))
    return sorted(found)


def _hours(one: dt.datetime, other: dt.datetime) -> float:
    return (other - one).total_seconds() / 3600


def _too_early(
    series: Sequence[tuple[dt.datetime, float]], soaked: dt.datetime | None, wait: float
) -> list[str]:
    """Say so where no reading waited long enough."""
    if soaked is None:
        return [
            say(
                "the time of the soaking is not written, so that nobody knows how long the soil "
                "drained."
            )
        ]
    longest = _hours(soaked, series[-1][0])
    if longest >= wait - 1:
        return []
    return [
        say(
            "read {hours} h after the soaking; this soil needs {wait} h to drain. Read it again.",
            hours=f"{longest:.0f}",
            wait=f"{wait:.0f}",
        )
    ]


def _wetted(
    row: Mapping[str, Any],
    series: Sequence[tuple[dt.datetime, float]],
    soaked: dt.datetime | None,
    *,
    valve: str,
    events: pd.DataFrame | None,
    weather: pd.DataFrame | None,
) -> list[str]:
    """Say so where it rained or was watered between soaking and reading."""
    told: list[str] = []
    rain = row.get("rain_since")
    if row.get("watered_since") is True:
        told.append(say("the place was watered after the soaking. Soak and wait again."))
    if rain is not None and float(rain) > _LITTLE_MM:
        amount = f"{float(rain):.0f}"
        told.append(say("{rain} mm of rain fell after the soaking. Read again.", rain=amount))
    if soaked is None or told:
        return told
    end = series[-1][0]
    if events is not None and len(events):
        own = events[(events["valve"] == valve) & (events["minutes"] > 0)]
        ran = own[(own["start"] > soaked + dt.timedelta(hours=1)) & (own["start"] < end)]
        if len(ran):
            told.append(
                say(
                    "by the log, valve {valve} ran at {time}, between soaking and reading.",
                    valve=valve,
                    time=f"{ran['start'].iloc[0]:%Y-%m-%d %H:%M}",
                )
            )
    if weather is not None and len(weather):
        days = weather.loc[pd.Timestamp(soaked).normalize() + pd.Timedelta(days=1) : end]
        fell = float(days["rain_mm"].sum())
        if fell > _LITTLE_MM:
            told.append(
                say(
                    "by the weather record {rain} mm of rain fell between soaking and reading.",
                    rain=f"{fell:.0f}",
                )
            )
    return told


def _not_level(
    series: Sequence[tuple[dt.datetime, float]],
    unit: str,
    *,
    water: tuple[float, float],
    etc: float,
    depth: float,
) -> list[str]:
    """Say so where the readings still fall faster than plants draw, or rise."""
    if len(series) < 2 or unit not in {"%", "m3/m3"}:  # noqa: PLR2004 - two make a slope
        return []
    hours = _hours(series[-2][0], series[-1][0])
    if hours < _APART_H:
        return []
    scale = 100.0 if unit == "%" else 1.0
    fall = (series[-2][1] - series[-1][1]) / scale / hours * 24
    # All of a peak day's use may come from the sensor's layer while it is the wettest.
    allowed = _DRAINING * (water[0] - water[1]) + etc / depth
    if fall > allowed:
        return [
            say(
                "it still falls by {fall} points a day, more than the {allowed} that plants "
                "explain: the soil is still draining. Read again in a day.",
                fall=Figure(f"{100 * fall:.1f}"),
                allowed=Figure(f"{100 * allowed:.1f}"),
            )
        ]
    if -fall > allowed:
        return [
            say(
                "it rises by {rise} points a day: water still comes from somewhere. Find it, then "
                "soak and read again.",
                rise=Figure(f"{-100 * fall:.1f}"),
            )
        ]
    return []


_NO_SCALE: Final = say("The device's scale has no unit: the soil cannot be checked against it.")


def _texture(reading: float, vwc: float, unit: str, soil: str) -> tuple[bool, tuple[str, ...], str]:
    """Check a reading against the published range of the soil."""
    if unit == "device":
        return True, (), _NO_SCALE
    if unit == "kPa":
        middle = _TENSION.get(soil, 33.0)
        fits = middle / _TENSION_SPREAD <= reading <= middle * _TENSION_SPREAD
        told = {
            "reading": Figure(f"{reading:g}"),
            "soil": vocabulary(soil),
            "middle": f"{middle:g}",
        }
        words = (
            say("{reading} kPa fits field capacity of {soil}, about {middle} kPa.", **told)
            if fits
            else say(
                "{reading} kPa cannot be field capacity of {soil}, about {middle} kPa.", **told
            )
        )
        return fits, (soil,) if fits else (), words
    held = SOIL_CLASSES[soil].capacities
    textures = matching_textures(vwc)
    told = {
        "reading": say("{number} %", number=Figure(f"{100 * vwc:.1f}")),
        "soil": vocabulary(soil),
        "range": say(
            "{low} to {high} % ({reference})",
            low=f"{100 * held.low:.0f}",
            high=f"{100 * held.high:.0f}",
            reference=held.reference,
        ),
    }
    if held.low <= vwc <= held.high:
        return True, textures, say("{reading} fits {soil}: {range}.", **told)
    close = held.low - _UNCALIBRATED <= vwc <= held.high + _UNCALIBRATED
    soils = side_by_side([vocabulary(one) for one in textures], ", ")
    other = say("It would fit {soils}.", soils=soils) if textures else say("It fits no soil.")
    if close:
        words = say(
            "{reading} is just outside {soil}, {range}; an uncalibrated sensor may be that far "
            "off.",
            **told,
        )
        return True, textures, side_by_side([words, other])
    advice = (
        say("Do a jar test.") if textures else say("Look for an air gap, a stone, or a wet spot.")
    )
    words = say("{reading} cannot be field capacity of {soil}, {range}.", **told)
    return False, textures, side_by_side([words, other, advice])


def _too_fine(
    reading: float,
    low: float,
    unit: str,
    sensor: Mapping[str, Any],
    water: tuple[float, float],
    device: DeviceReading,
) -> str:
    """Say what a device would have to tell apart, where that is finer than this one; else ""."""
    if unit == "kPa":
        step, least = low - reading, device.tension_kpa
    else:
        step = 100 * float(sensor["threshold_low_fraction"]) * (water[0] - water[1])
        least = 100 * device.least_step
    if step >= least - 1e-9:
        return ""
    told = {"step": Figure(f"{step:.1f}"), "least": Figure(f"{least:.1f}")}
    if unit == "kPa":
        return say(
            "No threshold is handed out: between the reading and the threshold the plan leaves "
            "{step} kPa, and an ordinary device tells {least} apart (its noise and its display "
            "together): it would switch by chance. Use a device that tells {step} kPa apart at "
            "this reading, or plan again with more stress days allowed or fewer days between "
            "events.",
            **told,
        )
    return say(
        "No threshold is handed out: between the reading and the threshold the plan leaves {step} "
        "points of water by volume, and an ordinary device tells {least} apart (its noise and its "
        "display together): it would switch by chance. Use a device that tells {step} points "
        "apart at this reading, or plan again with more stress days allowed or fewer days between "
        "events.",
        **told,
    )


def _set_words(unit: str, low: float, note: str, sensor: Mapping[str, Any]) -> str:
    """Say where to set the device."""
    digits = 3 if unit == "m3/m3" else 1
    gone = 100 * float(sensor["threshold_low_fraction"])
    return say(
        "Set the threshold to {threshold} ({gone} % of the available water gone; {note}).",
        threshold=side_by_side([Figure(f"{low:.{digits}f}"), "" if unit == "device" else unit]),
        gone=f"{gone:.0f}",
        note=note,
    )


#: Fewer cans than this say nothing of uniformity.
_FEWEST_CANS: Final = 8
#: Columns of the zones whose change is told: name, words, quantity or None, least change.
_TOLD: Final = (
    ("need_score", "water-need score", None, 0.02),
    ("run_minutes", "run time", "min", 0.02),
    ("water_m3", "water a season", "volume", 0.02),
    ("cycles", "cycles", "", 0.0),
)


@dataclass(frozen=True)
class Change:
    """One value that was measured.

    zone: where; column: column of the hydrozones that it fills; words: what it was, what it is now,
    and by what test.
    """

    zone: str
    column: str
    words: str


def measured_site(plan: Plan, readings: Readings) -> tuple[Site, tuple[Change, ...]]:
    """Put measured values in the place of defaults.

    Result: the property with measured values; the same object where nothing is new.
    """
    zones = plan.site.hydrozones.copy()
    units = plan.settings.units
    faults: list[Fault] = []
    changes: list[Change] = []
    for zone, row in readings.zones.iterrows():
        name, cells = str(zone), {str(k): v for k, v in row.items()}
        try:
            found = _of_zone(plan, name, cells, units)
        except InputError as error:
            faults += [replace(fault, feature=f"zone {name}") for fault in error.faults]
            continue
        new = [(c, v) for c, v in found if not all(_same(zones, name, k, x) for k, x in v.items())]
        for change, values in new:
            _put(zones, name, values)
            changes.append(change)
    if faults:
        raise InputError(faults)
    site = plan.site if not changes else replace(plan.site, hydrozones=zones)
    return _with_cans(site, plan, readings, changes)


def _put(zones: gpd.GeoDataFrame, zone: str, values: Mapping[str, float]) -> None:
    """Write values into columns of a zone, which are made where they are missing."""
    for column, value in values.items():
        if column not in zones:
            zones[column] = math.nan
        zones.loc[zone, column] = value


def _same(zones: gpd.GeoDataFrame, zone: str, column: str, value: float) -> bool:
    """Tell whether a zone has this value already."""
    if column not in zones:
        return False
    known = zones.loc[zone, column]
    if known is None:
        return False
    return math.isclose(float(known), value, rel_tol=1e-6, abs_tol=1e-9)


def _of_zone(
    plan: Plan, zone: str, cells: Mapping[str, Any], units: UnitsName
) -> list[tuple[Change, dict[str, float]]]:
    """Return what was measured in a zone, in words and as values of its columns."""
    old = plan.zones.loc[zone]
    found: list[tuple[Change, dict[str, float]]] = []
    jar = [float(cells.get(f"jar_{part}", math.nan)) for part in ("sand", "silt", "clay")]
    if any(math.isfinite(layer) for layer in jar):
        if not all(math.isfinite(layer) for layer in jar):
            raise InputError([Fault("jar test", "a layer is missing", "three layers", "Write it.")])
        sand, silt, clay = jar_test(*jar)
        texture = texture_class(sand, clay)
        words = (
            f"{zone}: soil {texture} (jar test: {sand:.0f} % sand, {silt:.0f} % silt, {clay:.0f} % "
            f"clay; a jar overstates clay somewhat); planned {old['soil']}"
        )
        if clay > MOST_CLAY:
            words += f"; beyond {MOST_CLAY:.0f} % clay the class alone is used"
        found.append((Change(zone, "sand", words), {"sand": sand, "clay": clay}))
    intake = float(cells.get("intake", math.nan))
    if math.isfinite(intake):
        shown = show(intake, "rate", units)
        words = f"{zone}: intake {shown} (measured); planned by its soil class"
        found.append((Change(zone, "intake_rate", words), {"intake_rate": intake}))
    roots = float(cells.get("root_depth", math.nan))
    if math.isfinite(roots):
        new, was = (show(1000 * m, "depth", units) for m in (roots, float(old["root_depth_m"])))
        words = f"{zone}: roots {new} deep (dug up); planned {was}"
        found.append((Change(zone, "root_depth", words), {"root_depth": roots}))
    return found


def _with_cans(
    site: Site, plan: Plan, readings: Readings, changes: list[Change]
) -> tuple[Site, tuple[Change, ...]]:
    """Add can tests: with places to the layer of cans, without to the zone's columns."""
    cans = readings.cans
    if cans.empty:
        return site, tuple(changes)
    zones = site.hydrozones.copy()
    placed: list[pd.DataFrame] = []
    for zone, part in cans.groupby("zone"):
        name = str(zone)
        values = _of_cans(name, part)
        if all(_same(zones, name, column, value) for column, value in values.items()):
            continue
        _put(zones, name, values)
        changes.append(_can_words(plan, name, len(part), values))
        located = "lat" in part and bool(part[["lat", "lon"]].notna().all(axis=None))
        placed += [part] if located else []
    site = replace(site, hydrozones=zones) if changes else site
    return (_placed(site, placed) if placed else site), tuple(changes)


def _of_cans(zone: str, part: pd.DataFrame) -> dict[str, float]:
    """Return uniformity, and rate where the minutes are known, of a zone's cans."""
    depth = part["caught"].to_numpy(dtype=float)
    if len(depth) < _FEWEST_CANS:
        found = f"{len(depth)} cans in zone {zone}"
        allowed = f"{_FEWEST_CANS} or more, better 24"
        raise InputError([Fault("can test", found, allowed, "Repeat it with more cans.")])
    values = {"distribution_uniformity": low_quarter_uniformity(depth)}
    minutes = part["minutes"].to_numpy(dtype=float) if "minutes" in part else np.array([])
    if minutes.size and np.isfinite(minutes).all():
        values["precipitation_rate"] = float((60 * depth / minutes).mean())
    return values


def _can_words(plan: Plan, zone: str, cans: int, values: Mapping[str, float]) -> Change:
    """Say what a can test found."""
    old = plan.zones.loc[zone]
    words = (
        f"{zone}: uniformity {values['distribution_uniformity']:.2f} of {cans} cans; planned "
        f"{old['distribution_uniformity']:.2f}"
    )
    if "precipitation_rate" in values:
        rates = values["precipitation_rate"], float(old["precipitation_rate"])
        new, was = (show(r, "rate", plan.settings.units) for r in rates)
        words += f"; rate {new}; planned {was}"
    return Change(zone, "distribution_uniformity", words)


def _placed(site: Site, placed: list[pd.DataFrame]) -> Site:
    """Add cans whose places are known to the layer of cans."""
    table = pd.concat(placed, ignore_index=True)
    points = gpd.GeoSeries(gpd.points_from_xy(table["lon"], table["lat"]), crs=4326)
    new = gpd.GeoDataFrame(
        {
            "depth": table["caught"].to_numpy(dtype=float),
            "volume": math.nan,
            "mouth_diameter": math.nan,
            "minutes": table["minutes"].to_numpy(dtype=float) if "minutes" in table else math.nan,
            "feature": [f"readings {n}" for n in range(1, len(table) + 1)],
        },
        geometry=points.to_crs(site.crs).to_numpy(),
        crs=site.crs,
    )
    joined = new if site.cans.empty else pd.concat([site.cans, new], ignore_index=True)
    return replace(site, cans=gpd.GeoDataFrame(joined, geometry="geometry", crs=site.crs))


def buried_tags(plan: Plan) -> dict[str, str]:
    """Return the tags that were ever given to a sensor, by zone.

    Result: zone -> tag, those of sensors that have no work any more among them.
    """
    earlier = plan.basis.tags if isinstance(plan.basis, Basis) else {}
    return {**earlier, **{str(row["zone"]): str(tag) for tag, row in plan.sensors.iterrows()}}


def sensor_changes(before: Plan, after: Plan) -> tuple[str, ...]:
    """Say which sensors are new, and which have no work any more; one sentence for each."""
    old, new = before.sensors, after.sensors
    words = [
        f"New: sensor {tag} in {row['zone']} (valve {row['valve']})."
        for tag, row in new.iterrows()
        if tag not in old.index
    ]
    words += [
        f"Sensor {tag} in {row['zone']} would no longer be chosen; what is buried may stay and be "
        "watched."
        for tag, row in old.iterrows()
        if tag not in new.index
    ]
    return tuple(words)


def consequences(before: Plan, after: Plan) -> tuple[str, ...]:
    """Say what measured values changed in the plan.

    Result: one sentence per zone whose numbers changed by 2 % or more, then the season.
    """
    units = after.settings.units
    words = []
    for zone in after.zones.index:
        old, new = before.zones.loc[zone], after.zones.loc[zone]
        parts = []
        for column, name, kind, least in _TOLD:
            a, b = float(old[column]), float(new[column])
            if math.isfinite(a) and abs(b - a) > least * max(abs(a), 1e-9):
                shown = [_shown(v, kind, units) for v in (a, b)]
                parts.append(f"{name} {shown[0]} → {shown[1]}")
        if old["sensor_id"] != new["sensor_id"]:
            parts.append(f"governed by {new['sensor_id']} instead of {old['sensor_id']}")
        if parts:
            words.append(f"{zone}: {'; '.join(parts)}.")
    was, now = (float(plan.season["plan_m3"].mean()) for plan in (before, after))
    if abs(now - was) > 0.005 * max(was, 1e-9):
        words.append(
            f"The property: {show(was, 'volume', units)} → {show(now, 'volume', units)} a season."
        )
    return tuple(words)


def _shown(value: float, kind: str | None, units: UnitsName) -> str:
    """Return a value as its kind is read."""
    if kind == "volume":
        return show(value, "volume", units)
    if kind == "min":
        return f"{value:.0f} min"
    return f"{value:.0f}" if kind == "" else f"{value:.1f}"
