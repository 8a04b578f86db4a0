"""`commission(readings) -> findings, plan, record`: the field's answers, and the plan after them.

`read_readings` reads what the crew and the loggers brought, `commission` says what it means and
returns the plan as it now stands, and what to do now, the most urgent first. Nothing is written
here: `siting.commission.results` writes, and keeps the history (`siting.commission.record`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy
import shapely

from siting.arrays import Floats
from siting.climate.model import Climate
from siting.commission.health import (
    Health,
    Weighed,
    content_of,
    daily_weather,
    expected_of,
    next_sheet,
    season_words,
    sensor_health,
    sheet_words,
    threshold_content,
    weigh,
)
from siting.commission.place import AsBuilt, Fix, TieError, check_place, fix_row, moving_words
from siting.commission.readings import Readings, time_of
from siting.commission.signal import stability_words, together, walk_words
from siting.commission.soil import (
    Capacity,
    Change,
    buried_tags,
    capacity_of,
    consequences,
    measured_site,
    sensor_changes,
)
from siting.errors import Fault, InputError
from siting.evidence.walk import relative_differences
from siting.language import Figure, Moment, Said, say, side_by_side, vocabulary
from siting.planning.make import plan
from siting.planning.model import Basis, Plan
from siting.season.events import timer_days
from siting.site.crs import WGS84, transformer
from siting.site.model import Site
from siting.threads import one_blas_thread
from siting.water.balance import effective_rain

#: How pressing a thing is, the most pressing first: what may do damage or speaks for the wrong
#: ground; what sends nothing; what misleads the timer; what is missing before the timer may follow
#: the sensor; what is only not known yet.
_WRONG_PLACE, _DEAD, _MISLEADS, _TIMER, _NOT_READ, _NOT_SET, _UNTAPED, _NOTHING = range(8)


def things_to_do(found: Commissioning) -> tuple[str, ...]:
    """Return what to do now, sensor by sensor, the most urgent first; one line for each.

    Result: a line for the timer too where the plan was decided again.
    """
    rows = {str(t): {str(k): v for k, v in r.items()} for t, r in found.readings.sensors.iterrows()}
    lines = [
        min(_of_sensor(found, str(tag), rows.get(str(tag), {})), key=lambda one: one[0])
        for tag in found.after.sensors.index
    ]
    if found.changes:
        words = say(
            "Timer: type in the new table; the plan was decided again from what was measured."
        )
        lines.append((_TIMER, words))
    return tuple(words for _, words in sorted(lines, key=lambda one: one[0]))


def _of_sensor(found: Commissioning, tag: str, row: Mapping[str, Any]) -> Iterator[tuple[int, str]]:
    """Yield everything that is to be done at one sensor: how pressing, and the line."""
    yield from _place_to_do(found, tag)
    health = found.health.get(tag)
    for finding in health.findings if health else ():
        rank = _DEAD if finding.kind == "dead" else _MISLEADS
        yield rank, _of(tag, side_by_side([_bare(finding.words), finding.action], ". "))
    read = found.capacity.get(tag)
    yield from _reading(found, tag, row, read)
    if tag not in found.as_built:
        yield _UNTAPED, _of(tag, say("tape it: nobody wrote down where it lies."))
    yield _NOTHING, _of(tag, say("nothing to do now."))


def _of(tag: str, words: str) -> str:
    """Say something of a sensor."""
    return side_by_side([tag, words], ": ")


def _why(words: str) -> str:
    """Return what a reading is rejected for, without the word for it."""
    if isinstance(words, Said) and "why" in words.fields:
        return str(words.fields["why"])
    return words.removeprefix("Rejected: ")


def _bare(words: str) -> str:
    """Return a sentence that nobody said in the crew's language without its full stop."""
    return words if isinstance(words, Said) else words.rstrip(".")


def _place_to_do(found: Commissioning, tag: str) -> Iterator[tuple[int, str]]:
    """Yield what is to be done about where it lies."""
    at = found.as_built.get(tag)
    if at is None or at.sound:
        return
    if not at.in_zone:
        sensor = found.after.sensors.loc[tag]
        words = say(
            "move it back into zone {zone}: it does not speak for its valve there.",
            zone=sensor["zone"],
        )
        yield _WRONG_PLACE, _of(tag, words)
    elif not at.setback_met:
        hazard = vocabulary(at.binding_setback)
        words = say("move it away from {hazard}: it is nearer than its setback.", hazard=hazard)
        yield _WRONG_PLACE, _of(tag, words)
    else:
        words = say(
            "move it to drier ground, or let it start at less depletion: it lies in the wetter "
            "half of its zone."
        )
        yield _MISLEADS, _of(tag, words)


def _reading(
    found: Commissioning, tag: str, row: Mapping[str, Any], read: Capacity | None
) -> Iterator[tuple[int, str]]:
    """Yield what is missing between burial and threshold."""
    wait = float(found.after.sensors.loc[tag, "soak_wait_h"])
    soaked, hours = time_of(row, "soaked_at"), f"{wait:.0f}"
    if read is None:
        if soaked is not None:
            due = soaked + pd.Timedelta(hours=wait)
            words = say("keep its valve off, and read it from {time} on.", time=Moment(due))
        elif time_of(row, "buried_on") is not None or tag in found.as_built:
            words = say("soak it, keep its valve off, wait {hours} h, read it.", hours=hours)
        else:
            words = say(
                "nothing came back yet: bury it, soak it, wait {hours} h, read it.", hours=hours
            )
        yield _NOT_READ, _of(tag, words)
    elif not read.accepted:
        again = say(
            "soak it again, keep its valve off, wait {hours} h, read it: {why}",
            hours=hours,
            why=_why(read.words[0]),
        )
        yield _NOT_READ, _of(tag, again)
    elif read.withheld:
        yield _NOT_SET, _of(tag, read.withheld)
    else:
        yield from _threshold(found, tag, row, read)


def _threshold(
    found: Commissioning, tag: str, row: Mapping[str, Any], read: Capacity
) -> Iterator[tuple[int, str]]:
    """Yield the threshold where it is not set, or set elsewhere than the reading asks for."""
    value = row.get("threshold_set")
    unit = "" if read.unit == "device" else read.unit
    low = side_by_side([Figure(f"{read.low:.4g}"), unit])
    if value is None or math.isnan(float(value)):
        words = say("set its threshold to {threshold}, and write it down.", threshold=low)
        yield _NOT_SET, _of(tag, words)
        return
    sure = found.after.settings.control.sensor_error * {"%": 100.0, "m3/m3": 1.0}.get(
        read.unit, math.inf
    )
    if abs(float(value) - read.low) > sure:
        stands = side_by_side([Figure(f"{float(value):.4g}"), unit])
        words = say(
            "set its threshold to {threshold}: it stands at {now}.", threshold=low, now=stands
        )
        yield _MISLEADS, _of(tag, words)


def plan_as_built(
    plan: Plan,
    as_built: Mapping[str, AsBuilt],
    capacity: Mapping[str, Capacity],
    *,
    depths: Mapping[str, float],
    warnings: tuple[str, ...],
    files: Mapping[str, str],
) -> Plan:
    """Put what was found in the field into a plan.

    depths: depths as buried [m]. Result: with the sensors' places, depths, ranks, setbacks and
    thresholds as built, and their ties measured from there to the same fixed points.
    """
    sensors = plan.sensors.copy()
    if any(read.accepted for read in capacity.values()) and "threshold_withheld" not in sensors:
        sensors["threshold_withheld"] = ""
    for tag, at in as_built.items():
        if tag in sensors.index:
            _place(sensors, tag, at, plan)
    for tag, depth in depths.items():
        if tag in sensors.index and math.isfinite(depth):
            sensors.loc[tag, "depth_m"] = depth
            sensors.loc[tag, "depth_note"] = "as buried"
    for tag, read in capacity.items():
        if tag in sensors.index and read.accepted:
            sensors.loc[tag, "threshold_note"] = read.words[-1]
            sensors.loc[tag, "threshold_withheld"] = read.withheld
            if math.isfinite(read.vwc) and math.isfinite(read.low):
                scale = 100.0 if read.unit == "%" else 1.0
                sensors.loc[tag, "threshold_vwc"] = read.low / scale
    ties = _ties(plan, sensors, set(as_built))
    wordings = {
        unit: replace(
            worded,
            reasons={**worded.reasons, **{t: str(sensors.loc[t, "reason"]) for t in as_built
                                         if t in sensors.index}},
            setback_notes={**worded.setback_notes,
                           **{t: str(sensors.loc[t, "setback_note"]) for t in as_built
                              if t in sensors.index}},
        )
        for unit, worded in plan.wordings.items()
    }  # fmt: skip
    provenance = {**plan.provenance, "readings": dict(sorted(files.items()))}
    return replace(
        plan,
        sensors=sensors,
        ties=ties,
        wordings=wordings,
        warnings=tuple(dict.fromkeys((*warnings, *plan.warnings))),
        provenance=provenance,
    )


def _place(sensors: gpd.GeoDataFrame, tag: str, at: AsBuilt, plan: Plan) -> None:
    """Write the place of one sensor, in every frame of reference."""
    x, y = at.fix.x, at.fix.y
    for column, value in {"x": x, "y": y}.items():
        sensors.loc[tag, column] = value
    for columns, crs in (
        (("source_x", "source_y"), plan.site.source_crs),
        (("lon", "lat"), WGS84),
    ):
        to = transformer(plan.site.crs, crs)
        for column, value in zip(columns, to.transform(x, y), strict=True):
            sensors.loc[tag, column] = float(value)
    sensors.loc[tag, "setback_ratio"] = at.setback_ratio
    sensors.loc[tag, "binding_setback"] = at.binding_setback
    if at.moved:  # the chances of the planned point are not those of another place
        sensors.loc[tag, "expected_rank"] = at.rank
        for column in ("p_driest_quarter", "p_wetter_half", "p_driest_quarter_tested"):
            sensors.loc[tag, column] = math.nan
    sensors.loc[tag, "reason"] = f"As built, by {at.fix.how}. {' '.join(at.words[1:])}".strip()
    sensors.loc[tag, "setback_note"] = "" if at.setback_met else "as built"
    place = sensors.columns.get_loc("geometry")
    row = sensors.index.get_loc(tag)
    sensors.iloc[row, place] = shapely.Point(x, y)


def _ties(plan: Plan, sensors: gpd.GeoDataFrame, moved: set[str]) -> gpd.GeoDataFrame:
    """Return the ties to the same fixed points, measured from the places as built."""
    ties = plan.ties.copy()
    which = ties["sensor_id"].isin(moved & set(sensors.index)).to_numpy()
    if not which.any():
        return ties
    part = ties[which]
    ends = sensors.geometry.loc[part["sensor_id"]]
    x, y = ends.x.to_numpy(), ends.y.to_numpy()
    from_x, from_y = (part[c].to_numpy(dtype=float) for c in ("from_x", "from_y"))
    if "offset" in part:
        # The shortest tape from an edge starts where it is square to the edge, not where it did.
        led = np.array([np.diff(np.asarray(g.coords)[:, :2], axis=0)[0] for g in part.geometry])
        normal = led / np.hypot(led[:, 0], led[:, 1])[:, None]
        away = (x - from_x) * normal[:, 0] + (y - from_y) * normal[:, 1]
        edge = part["offset"].to_numpy(dtype=bool)
        from_x = np.where(edge, x - away * normal[:, 0], from_x)
        from_y = np.where(edge, y - away * normal[:, 1], from_y)
        ties.loc[which, "from_x"], ties.loc[which, "from_y"] = from_x, from_y
    ties.loc[which, "distance_m"] = np.hypot(x - from_x, y - from_y)
    lines = shapely.linestrings(
        np.stack([np.column_stack([from_x, from_y]), np.column_stack([x, y])], axis=1)
    )
    bearing = pd.Series(np.degrees(np.arctan2(from_x - x, from_y - y)), index=part.index)
    first = part["tie"] == 1
    base = bearing[first].set_axis(part.loc[first, "sensor_id"])
    turn = (bearing - part["sensor_id"].map(base)).abs() % 360
    angle = np.minimum(turn, 360 - turn)
    ties.loc[which, "angle_deg"] = angle.where(~first, math.nan).to_numpy()
    shapes = ties.geometry.to_numpy().copy()
    shapes[which] = lines
    return ties.set_geometry(gpd.GeoSeries(shapes, index=ties.index, crs=ties.crs))


#: Standard deviation of a valve's application rate, as a share of it.
_RATE_ERROR: Final = 0.1
#: Of a range that a saving is told with.
_CONFIDENCE: Final = 0.9
_FEWEST: Final = 5  # periods before the change: two coefficients and something to judge them by


@dataclass(frozen=True)
class Savings:
    """What was saved since a day.

    before, after: periods of each; used_m3, expected_m3: use since the change, and what the old way
    would have used in the same weather [m³]; saved_m3, low_m3, high_m3: their difference and its
    confidence range [m³]; fraction: saved over expected; r2: of the regression; words: the same in
    plain words.
    """

    before: int
    after: int
    used_m3: float
    expected_m3: float
    saved_m3: float
    low_m3: float
    high_m3: float
    fraction: float
    r2: float
    words: str


def period_need(periods: pd.DataFrame, daily_need_m3: pd.Series) -> Floats:
    """Add up the net irrigation requirement of every period.

    periods: columns start, end; daily_need_m3: by day: what plants need less what rain brings, all
    zones [m³/d]. Result: need from start up to, not with, the day of end; NaN where a day is not
    known [m³], shape (N,).
    """
    found = []
    for start, end in zip(periods["start"], periods["end"], strict=True):
        days = pd.date_range(
            pd.Timestamp(start).normalize(), pd.Timestamp(end).normalize(), inclusive="left"
        )
        found.append(float(daily_need_m3.reindex(days).sum(skipna=False)))
    return np.array(found, dtype=np.float64)


def realised_savings(
    periods: pd.DataFrame, daily_need_m3: pd.Series, *, since: pd.Timestamp
) -> Savings | str:
    """Compare metered use since a day with the weather-normalised use before it.

    periods: columns start, end, used_m3 [m³]; daily_need_m3: net irrigation requirement by day
    [m³/d]. Result: what was saved, or why nothing can be claimed.

    Ordinary least squares of use per day on need per day over the periods before, weighted by their
    days; the expected use since is the sum of the predictions, and the range holds both the
    scatter of those periods and the error of the coefficients.

    Whole-facility regression (option C of the International Performance Measurement and
    Verification Protocol; ASHRAE Guideline 14, titles from memory); Draper & Smith, Applied
    Regression Analysis, for the variance of a sum of predictions.
    """
    start, end = pd.to_datetime(periods["start"]), pd.to_datetime(periods["end"])
    days = ((end - start) / pd.Timedelta(days=1)).to_numpy(dtype=float)
    need = period_need(periods, daily_need_m3)
    used = periods["used_m3"].to_numpy(dtype=float)
    sound = np.isfinite(need) & np.isfinite(used) & (days > 0)
    old = sound & (end <= since).to_numpy()
    new = sound & (start >= since).to_numpy()
    if old.sum() < _FEWEST or not new.any():
        return (
            f"No saving is claimed: the meter gives {int(old.sum())} periods before "
            f"{since:%Y-%m-%d} and {int(new.sum())} after; {_FEWEST} before and one after are "
            "needed."
        )
    weight = np.sqrt(days[old])
    design = np.column_stack([np.ones(int(old.sum())), need[old] / days[old]])
    rate = used[old] / days[old]
    if np.linalg.matrix_rank(design) < 2:  # noqa: PLR2004 - two coefficients
        return "No saving is claimed: the weather before was the same in every period."
    fit, *_ = np.linalg.lstsq(design * weight[:, None], rate * weight, rcond=None)
    left = (rate - design @ fit) * weight
    freedom = int(old.sum()) - 2
    variance = float(left @ left) / freedom
    centre = np.average(rate, weights=days[old])
    spread = float((days[old] * (rate - centre) ** 2).sum())
    r2 = 1 - float(left @ left) / spread if spread > 0 else math.nan
    total = np.array([days[new].sum(), need[new].sum()])
    inverse = np.linalg.inv((design * weight[:, None]).T @ (design * weight[:, None]))
    error = math.sqrt(variance * (float(total @ inverse @ total) + float(days[new].sum())))
    expected, used_new = float(total @ fit), float(used[new].sum())
    reach = float(scipy.stats.t.ppf(0.5 + _CONFIDENCE / 2, freedom)) * error
    saved = expected - used_new
    sure = abs(saved) > reach
    words = (
        f"Since {since:%Y-%m-%d} {used_new:,.0f} m³ were used; the same weather would have taken "
        f"{expected:,.0f} m³ before. Saved {saved:,.0f} m³ ({100 * saved / expected:.0f} %), with "
        f"{100 * _CONFIDENCE:.0f} % confidence {saved - reach:,.0f} to {saved + reach:,.0f} m³"
        + ("." if sure else ": not yet distinct from nothing.")
        + f" Baseline: {int(old.sum())} periods, R² {r2:.2f}."
    )
    return Savings(
        before=int(old.sum()), after=int(new.sum()), used_m3=used_new, expected_m3=expected,
        saved_m3=saved, low_m3=saved - reach, high_m3=saved + reach, fraction=saved / expected,
        r2=r2, words=words,
    )  # fmt: skip


def _logged_savings(timer_m3: pd.Series, logged_m3: pd.Series, *, days: int) -> str:
    """Compare logged valve runs with today's timer over the same days.

    timer_m3, logged_m3: by valve: what the timer would have used, and what the log says was used
    [m³]; days: days that the log spans [d]. Result: what was saved, in plain words.

    The timer does not look at the weather, so that the same days need no normalising. The range is
    that of the valves' application rates, each known to about 10 % (judgement, no source).
    """
    gap = (timer_m3 - logged_m3).dropna()
    expected, used = float(timer_m3[gap.index].sum()), float(logged_m3[gap.index].sum())
    error = _RATE_ERROR * math.sqrt(float((gap**2).sum()))
    reach = float(scipy.stats.norm.ppf(0.5 + _CONFIDENCE / 2)) * error
    saved = expected - used
    share = 100 * saved / expected if expected > 0 else math.nan
    return (
        f"By the log of {len(gap)} valves over {days} days {used:,.0f} m³ were used, where today's "
        f"timer would have used {expected:,.0f} m³: saved {saved:,.0f} m³ ({share:.0f} %), with "
        f"{100 * _CONFIDENCE:.0f} % confidence {saved - reach:,.0f} to {saved + reach:,.0f} m³. It "
        "rests on reckoned rates; a water meter says more."
    )


#: Makes a plan of a site and of the tags that are buried, by zone.
Replan = Callable[[Site, Mapping[str, str]], Plan]
#: How far from its point a sensor is dug in that nobody measured [m]; common practice, no source.
_DUG_M = 0.5
_NOT_TAPED = "the plan it was dug by, not taped"
#: A shorter log of valve runs says nothing of a saving [d].
_FEWEST_DAYS = 28


@dataclass(frozen=True)
class Commissioning:
    """What the field said, and the plan that follows from it.

    Parameters
    ----------
    before, after : Plan
        The plan as it stood, and as it stands now.
    readings : Readings
        What came back.
    as_built : mapping of str to AsBuilt
        Sensors whose place is known.
    capacity : mapping of str to Capacity
        Sensors that were read after a soaking.
    health : mapping of str to Health
        Sensors that were logged.
    measured : tuple of Change
        Measured values that replaced defaults.
    changes : tuple of str
        What they changed in the plan.
    stability : mapping of str to DataFrame
        By zone: relative differences of its points, as from `relative_differences`.
    stability_words : tuple of str
        What they say of each sensor.
    savings : Savings or None
        Water saved; None where no meter was read.
    savings_words : str
        The same in words, or why nothing is claimed.
    season_words : tuple of str
        What the logs say of the drawn scenarios, and whether a further sensor now pays.
    next_sheet : DataFrame
        The sheet of the next season, set anew on the weighed scenarios, the one of now beside it;
        empty where the logs decide nothing.
    next_words : tuple of str
        The same in words.
    move_words : tuple of str
        Of each sensor that does not lie where the plan has it: what moving it costs and gains.
    recheck : tuple of str
        What to look at again in the second season.
    notes : tuple of str
        What was found in the files and taken, and what could not be tested.
    """

    before: Plan
    after: Plan
    readings: Readings
    as_built: Mapping[str, AsBuilt] = field(default_factory=dict)
    capacity: Mapping[str, Capacity] = field(default_factory=dict)
    health: Mapping[str, Health] = field(default_factory=dict)
    measured: tuple[Change, ...] = ()
    changes: tuple[str, ...] = ()
    stability: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    stability_words: tuple[str, ...] = ()
    savings: Savings | None = None
    savings_words: str = ""
    season_words: tuple[str, ...] = ()
    next_sheet: pd.DataFrame = field(default_factory=pd.DataFrame)
    next_words: tuple[str, ...] = ()
    move_words: tuple[str, ...] = ()
    recheck: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@one_blas_thread
def commission(
    before: Plan,
    climate: Climate,
    readings: Readings,
    *,
    replan: Replan | None = None,
    planned: Plan | None = None,
) -> Commissioning:
    """Say what the field's answers mean, and return the plan as it now stands.

    Parameters
    ----------
    before : Plan
        The plan; not changed.
    climate : Climate
        Its weather, for reference ET and where no rain was logged.
    readings : Readings
        As from `read_readings`.
    replan : callable, optional
        Makes a plan of a site with measured values and of the tags that are buried, by zone;
        `siting.planning.make.plan` with the plan's own settings when not given.
    planned : Plan, optional
        The plan that the sensors were dug by, where `before` is one as built already.

    Returns
    -------
    Commissioning
        Everything found, and the plan after it.

    Raises
    ------
    InputError
        With every tape that fixes no point and every measurement that cannot be.
    """
    settings = before.settings
    again = replan or (lambda site, tags: plan(site, climate, settings, tags=tags))
    as_built = _as_built(before, readings, planned or before)
    site, measured = measured_site(before, readings)
    decided, changes = before, tuple[str, ...]()
    if measured:
        decided = again(site, buried_tags(before))
        changes = (*sensor_changes(before, decided), *consequences(before, decided))
        # Ranks and setbacks at the points as built, by the new plan. What is buried stays where it
        # was planned before, even where the new plan would have chosen another point.
        fixes = {**_buried(before, readings), **{tag: at.fix for tag, at in as_built.items()}}
        as_built = {
            tag: check_place(decided, tag, fix, planned=_row(planned or before, tag))
            for tag, fix in fixes.items()
            if tag in decided.sensors.index
        }
    weather = daily_weather(readings, climate, latitude=before.site.latitude)
    capacity = _capacity(decided, readings, weather)
    health, health_notes = _health(decided, readings, weather, capacity)
    stability, stable_words = _stability(decided, readings, health)
    savings = _savings(decided, readings, weather)
    weighed = weigh(decided, health, readings.events, weather)
    sheet = _next_sheet(decided, weighed, (health, readings.events, weather))
    depths = _column(readings.sensors, "depth")
    after = plan_as_built(
        decided, as_built, capacity, depths=depths,
        warnings=_field_warnings(as_built, capacity, health, measured), files=readings.files,
    )  # fmt: skip
    found = Commissioning(
        before=before, after=after, readings=readings, as_built=as_built, capacity=capacity,
        health=health, measured=measured, changes=changes, stability=stability,
        stability_words=stable_words, savings=savings if isinstance(savings, Savings) else None,
        savings_words=savings if isinstance(savings, str) else savings.words,
        season_words=() if weighed is None else season_words(decided, weighed),
        next_sheet=sheet, next_words=sheet_words(decided, sheet),
        move_words=tuple(word for at in as_built.values() for word in moving_words(decided, at)),
        notes=(*readings.notes, *health_notes),
    )  # fmt: skip
    after = replace(after, do_now=things_to_do(found))
    return replace(found, after=after, recheck=_recheck(found))


def _next_sheet(
    decided: Plan,
    weighed: Weighed | None,
    logged: tuple[Mapping[str, Health], pd.DataFrame, pd.DataFrame],
) -> pd.DataFrame:
    """Set the next season's sheet, where logs decide anything; logged: as for `weigh`."""
    basis = decided.basis
    if weighed is None or not weighed.sound or not isinstance(basis, Basis):
        return pd.DataFrame()
    count = None if basis.printed is None else basis.printed.count
    return next_sheet(decided, weigh(decided, *logged, count=count))


def _column(table: pd.DataFrame, name: str) -> dict[str, float]:
    """Return a column as numbers by sensor."""
    if name not in table:
        return {}
    return {str(tag): float(value) for tag, value in table[name].items()}


def _rows(readings: Readings) -> dict[str, dict[str, Any]]:
    """Return the rows of the readings sheet by sensor."""
    return {
        str(tag): {str(k): v for k, v in row.items()} for tag, row in readings.sensors.iterrows()
    }


def _row(plan: Plan, tag: str) -> Any:  # noqa: ANN401 - a row of a table
    """Return a sensor's row, None where the plan has no such sensor."""
    return plan.sensors.loc[tag] if tag in plan.sensors.index else None


def _as_built(before: Plan, readings: Readings, planned: Plan) -> dict[str, AsBuilt]:
    """Find every sensor; the faults of all tapes in one message."""
    found, faults = {}, []
    for tag, row in _rows(readings).items():
        if tag not in before.sensors.index:
            continue
        try:
            fix = fix_row(row, before, tag)
        except TieError as error:
            words = str(error)
            number = row.get("row")
            place = f"row {int(number)}" if number is not None else f"sensor {tag}"
            faults.append(
                Fault("readings sheet", f"{tag}: {words}", "ties that fix one point",
                      "Nothing was recorded.", feature=place, column="ties")
            )  # fmt: skip
            continue
        if fix is not None:
            found[tag] = check_place(before, tag, fix, planned=_row(planned, tag))
    if faults:
        raise InputError(faults)
    return found


def _buried(before: Plan, readings: Readings) -> dict[str, Fix]:
    """Return the planned places of sensors that are buried and were not measured."""
    return {
        tag: Fix(
            float(before.sensors.loc[tag, "x"]), float(before.sensors.loc[tag, "y"]), _DUG_M, (),
            _NOT_TAPED,
        )
        for tag, row in _rows(readings).items()
        if tag in before.sensors.index and not pd.isna(row.get("buried_on"))
    }  # fmt: skip


def _capacity(decided: Plan, readings: Readings, weather: pd.DataFrame) -> dict[str, Capacity]:
    """Judge the readings after a soaking."""
    rain = readings.weather if len(readings.weather) else weather
    found = {}
    for tag, row in _rows(readings).items():
        if tag in decided.sensors.index:
            read = capacity_of(decided, tag, row, events=readings.events, weather=rain)
            if read is not None:
                found[tag] = read
    return found


def _health(
    decided: Plan, readings: Readings, weather: pd.DataFrame, capacity: Mapping[str, Capacity]
) -> tuple[dict[str, Health], tuple[str, ...]]:
    """Judge every sensor that was logged."""
    rows = _rows(readings)
    found: dict[str, Health] = {}
    notes = []
    for tag in decided.sensors.index:
        name = str(tag)
        if name not in readings.moisture:
            continue
        expected = expected_of(decided, name)
        content, note = content_of(
            readings.moisture[name], readings.units[name], expected=expected,
            capacity=capacity.get(name),
        )  # fmt: skip
        notes += [f"{name}: {note}"] if note else []
        row = rows.get(name, {})
        buried = row.get("buried_on")
        if buried is not None and not pd.isna(buried):
            early = content.index < buried
            notes += [f"{name}: {early.sum()} values from before its burial were left out"] * any(
                early
            )
            content = content[~early]
        found[name] = sensor_health(
            content, expected=expected, events=readings.events, weather=weather,
            threshold=threshold_content(row, expected=expected, capacity=capacity.get(name)),
        )  # fmt: skip
        notes += [f"{name}: not tested: {text}" for text in found[name].untested]
    return found, tuple(notes)


def _stability(
    decided: Plan, readings: Readings, health: Mapping[str, Health]
) -> tuple[dict[str, pd.DataFrame], tuple[str, ...]]:
    """Compare the points of each zone: its sensor, and survey points named "ZONE/..."."""
    tables: dict[str, pd.DataFrame] = {}
    words: list[str] = []
    for tag, sensor in decided.sensors.iterrows():
        zone, name = str(sensor["zone"]), str(tag)
        points = {
            key: values / 100 if readings.units[key] == "%" else values
            for key, values in readings.moisture.items()
            if key.startswith(f"{zone}/") and readings.units[key] in {"%", "m3/m3"}
        }
        walked = {
            place: points[f"{zone}/{place}"]
            for place in (name, "R1", "R2")
            if f"{zone}/{place}" in points
        }
        words += [said] if (said := walk_words(name, zone, walked)) else []
        if not points or name not in health or health[name].verdict == "dead":
            continue
        points[name] = health[name].signal.raw
        table = together(points)
        if len(table) > 1:
            tables[zone] = relative_differences(table)
            words += stability_words(tables[zone], {name: zone})
    return tables, tuple(words)


def _savings(decided: Plan, readings: Readings, weather: pd.DataFrame) -> Savings | str:
    """Compare the meter with the weather-normalised use before the sensors took over."""
    if readings.meter.empty:
        return _by_log(decided, readings)
    buried = readings.sensors.get("buried_on", pd.Series(dtype="datetime64[ns]")).dropna()
    if buried.empty:
        return "No date of burial is written, so that before and after cannot be told apart."
    zones = decided.zones
    area = zones["area_m2"].to_numpy(dtype=float)
    rain = weather["rain_mm"].to_numpy(dtype=float)
    eto = weather["eto_mm"].to_numpy(dtype=float)
    etc = zones["kl"].to_numpy(dtype=float)[:, None] * eto
    need = np.maximum(etc - effective_rain(np.nan_to_num(rain), eto), 0.0)
    volume = pd.Series((need * area[:, None]).sum(axis=0) / 1000, index=weather.index)
    volume[np.isnan(rain)] = math.nan
    since = pd.Timestamp(buried.max()).normalize()
    return realised_savings(readings.meter, volume, since=since)


def _by_log(decided: Plan, readings: Readings) -> str:
    """Compare the log of valve runs with today's timer."""
    none = "No water meter was read, so that no saving is claimed."
    timer, events = decided.settings.timer, readings.events
    if timer is None or timer.minutes is None or events.empty:
        return none
    first, last = events["start"].min().normalize(), events["start"].max().normalize()
    days = pd.date_range(first, last)
    on = int(timer_days(days.to_numpy()[:, None].astype("datetime64[D]"), timer).sum())
    zones = decided.zones.set_index("valve")
    per_minute = zones["precipitation_rate"] / 60 * zones["area_m2"] / 1000
    per_minute = per_minute.groupby(level=0).sum()
    logged = events.groupby("valve")["minutes"].sum()
    minutes = pd.Series({v: float(m) * on for v, m in timer.minutes.items() if v in logged.index})
    if len(days) < _FEWEST_DAYS or minutes.empty:
        return none
    return _logged_savings(
        minutes * per_minute[minutes.index],
        logged[minutes.index] * per_minute[minutes.index],
        days=len(days),
    )


def _field_warnings(
    as_built: Mapping[str, AsBuilt],
    capacity: Mapping[str, Capacity],
    health: Mapping[str, Health],
    measured: tuple[Change, ...],
) -> tuple[str, ...]:
    """Return what the updated plan must say of the field."""
    words = [f"measured: {change.words}" for change in measured]
    words += [f"as built: {' '.join(at.words)}" for at in as_built.values() if not at.sound]
    words += [f"{tag}: {c.words[0]}" for tag, c in capacity.items() if not c.accepted]
    words += [
        f"{tag}: {finding.words} Likely: {finding.cause}. {finding.action}"
        for tag, found in health.items()
        for finding in found.findings
    ]
    return tuple(words)


def _recheck(found: Commissioning) -> tuple[str, ...]:
    """List what to look at again in the second season, sensor by sensor."""
    items = []
    sheet = _rows(found.readings)
    for tag in found.after.sensors.index:
        name = str(tag)
        why = []
        at, read, health = (d.get(name) for d in (found.as_built, found.capacity, found.health))
        if not isinstance(at, AsBuilt) or at.fix.how == _NOT_TAPED:
            why.append("its place as built is not known: tape it")
        elif not at.sound:
            why.append("its place is not the planned kind: dig beside it in a dry week and compare")
        if not (isinstance(read, Capacity) and read.accepted):
            why.append("field capacity was not read: soak, wait, read")
        threshold = sheet.get(name, {}).get("threshold_set")
        if threshold is None or math.isnan(float(threshold)):
            why.append("the threshold as set is not written")
        if not isinstance(health, Health):
            why.append("it was not logged: log four weeks with the valve's runs")
        elif health.findings:
            kinds = ", ".join(f.kind.replace("_", " ") for f in health.findings)
            why.append(f"findings to be gone after mending: {kinds}")
        if bool(found.after.site.hydrozones.loc[found.after.sensors.loc[name, "zone"], "new_sod"]):
            why.append("sod has rooted by then: read field capacity again, look at its depth")
        if why:
            items.append(f"{name}: {'; '.join(why)}.")
    items.append(
        "All: read again a day or more after a soaking in spring (a plateau that moved by more "
        "than 2 points wants a new threshold), and walk the zones in the driest fortnight."
    )
    return tuple(items)
