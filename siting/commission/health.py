"""What a buried sensor's log says: of its health, and of the scenarios that the plan was drawn on.

Of health: symptoms, causes and what to do. The limits are judgement of this project, set on
simulated seasons and held against others; see `tests/validation/commissioning.py` for how often
each fault is named and a healthy sensor accused.

Every drawn scenario says how the ground round a sensor should have dried: its plants' demand, its
soil's storage and the evenness of its watering are put into the plan's own balance with the valve's
runs and the weather of the log. A scenario is weighed by how likely the log is under it: importance
weights over the drawn scenarios, a particle filter of one step. How many scenarios are left in
effect is told, and where no scenario explains the log, or hardly one is left, nothing is decided.

A log differs from the balance by three errors: a constant one, of the sensor and of the soil's
field capacity; one of the balance itself, alike over some days; and the noise of a day.

References
----------
Gordon, N. J., Salmond, D. J. and Smith, A. F. M. (1993) Novel approach to nonlinear/non-Gaussian
Bayesian state estimation, IEE Proc. F 140, 107-113: weights of drawn states.
Kong, A., Liu, J. S. and Wong, W. H. (1994) Sequential imputations and Bayesian missing data
problems, J. Am. Stat. Assoc. 89, 278-288: the effective sample size.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import pandas as pd
from scipy.linalg import cho_solve, cholesky

from siting.arrays import Floats
from siting.climate.model import Climate
from siting.commission.readings import Readings
from siting.commission.signal import Expected, Signal, Wetting, modelled_contents, signal_of
from siting.commission.soil import Capacity, held_water, tension_exponent
from siting.decide.choice import ALIKE, SURE
from siting.decide.decision import sheet_again
from siting.planning.model import Basis, Plan
from siting.units import figure, show
from siting.water.reference_et import eto_terms

# Where a test begins to speak. Judgement of this project, no source.
#: Share of the log that may be missing.
_GAP_SHARE: Final = 0.5
#: A value that does not move for so long is stuck [h]; share of the log that may be.
_STUCK_H: Final = 72.0
_STUCK_SHARE: Final = 0.25
#: Median rise over possible rise below which a sensor does not answer; fewest events that tell.
_ANSWER: Final = 0.3
_LEAST_ANSWERS: Final = 3
#: Median rise over possible rise of small rains above which water is led there.
_SHARP: Final = 1.7
#: Plateau over the plan's field capacity below which the sensor does not touch the soil.
_LOW_PLATEAU: Final = 0.68
#: Share of a rise lost within a day, with a low plateau, that means an air gap.
_SPIKE: Final = 0.5
#: Share of the available water gone at the threshold, beyond the plan's own by the first or short
#: of it by the second; share of the log below a threshold that hardly ever skips.
_HIGH_DEPLETION: Final = 0.35
_LOW_DEPLETION: Final = 0.1
_MOSTLY: Final = 0.62
#: Measured over modelled dry-down slope.
_SLOW: Final = 0.3
_FAST: Final = 3.0
#: Drift of the plateau [m³/m³ per 30 days]; half the rise within a dry day [m³/m³].
_DRIFT: Final = 0.02
_SWING: Final = 0.008
#: Rises that nothing explains.
_JUMPS: Final = 4


@dataclass(frozen=True)
class Finding:
    """One thing that a log says about a sensor.

    kind: "dead", "wrong_zone", "air_gap", "downspout", "threshold_low", "threshold_high",
    "no_rewet", "no_rain", "unexplained_jumps", "never_crosses", "slow_dry_down", "fast_dry_down",
    "plateau_drift", "daily_swing" or "gaps"; words: what was seen, with numbers; cause: what it
    most likely means; action: what to do; marks: where in the log it shows, for the picture.
    """

    kind: str
    words: str
    cause: str
    action: str
    marks: tuple[pd.Timestamp, ...] = ()


@dataclass(frozen=True)
class Health:
    """What was found out about one sensor.

    sensor_id: which sensor; findings: the most telling first, empty for a healthy sensor; untested:
    what could not be tested, and why; signal: the curve; threshold: as set, as water content, NaN
    where it is not known [m³/m³]; expected: what the plan expects there.
    """

    sensor_id: str
    findings: tuple[Finding, ...]
    untested: tuple[str, ...]
    signal: Signal
    threshold: float = math.nan
    expected: Expected | None = None

    @property
    def verdict(self) -> str:
        """The kind of the first finding, or "healthy"."""
        return self.findings[0].kind if self.findings else "healthy"


@dataclass
class Case:
    """A sensor while it is judged.

    signal: the curve, as it was logged; expected: what the plan expects of the sensor; threshold:
    as set, as water content, NaN where it is not known [m³/m³]; events: valve runs: start, valve,
    minutes [min], may be empty; untested: what could not be tested, and why, tests add to it.
    """

    signal: Signal
    expected: Expected
    threshold: float
    events: pd.DataFrame
    untested: list[str] = field(default_factory=list)

    def answers(self, kind: str, *, without: str | None = None) -> list[tuple[Wetting, float]]:
        """Return events and rise over the rise that their water makes possible.

        Only events that nothing else blurs (with `without`: that neither rain nor that valve
        does), into ground with room for the water.

        kind {"own", "other", "rain"}: which events. Result: in the order of the log; the ratio is
        of rises, without unit.
        """
        least = max(0.01, 6 * self.signal.noise)
        blurred = {"rain", "own", without}
        return [
            (w, w.rise / possible)
            for w in self.signal.wettings
            if w.kind == kind
            and (w.alone if without is None else not w.beside & blurred)
            and math.isfinite(w.rise)
            and (possible := self.possible(w)) >= least
        ]

    @property
    def unlogged(self) -> bool:
        """Whether the ground was watered by runs that are in no log."""
        if any(w.kind == "own" for w in self.signal.wettings):
            return False
        jumps = self.signal.jumps
        return len(jumps) > 0 and int((jumps["cause"] == "").sum()) >= _LEAST_ANSWERS

    def possible(self, wetting: Wetting) -> float:
        """Return the rise that an event could make: its water, or the room that there is.

        Result: 0 where the soil was full [m³/m³].
        """
        top = self.expected.field_capacity
        if math.isfinite(self.signal.plateau):
            top = min(top, self.signal.plateau)
        room = max(top - wetting.before, 0.0)
        water = wetting.mm if math.isfinite(wetting.mm) else math.inf
        return min(water / self.expected.layer_mm, room)


def middle(answers: list[tuple[Wetting, float]]) -> float:
    """Return the median of some answers; NaN where there is none."""
    return float(np.median([a for _, a in answers])) if answers else math.nan


def no_rewet(case: Case) -> Finding | None:
    """Test whether the own valve wets the sensor."""
    own = case.answers("own")
    if len(own) < _LEAST_ANSWERS:
        runs = [w for w in case.signal.wettings if w.kind == "own"]
        if len(runs) < _LEAST_ANSWERS:
            case.untested.append(f"the answer to its own valve: {len(runs)} runs in the log")
        return None
    if middle(own) >= _ANSWER:
        return None
    rain = middle(case.answers("rain"))
    wets = math.isfinite(rain) and rain >= _ANSWER
    return Finding(
        "no_rewet",
        f"Its own valve {case.expected.valve} raises it by only {100 * middle(own):.0f} % of what "
        f"the water could do ({len(own)} runs)"
        + (f"; rain raises it by {100 * rain:.0f} %" if math.isfinite(rain) else "") + ".",
        "the heads there do not reach it, or the valve does not open" if wets
        else "water runs off or past it, or the sensor is failing",
        "Run the valve by hand and look whether the ground over the sensor gets wet.",
        tuple(w.start for w, _ in own[:6]),
    )  # fmt: skip


def no_rain(case: Case) -> Finding | None:
    """Test whether rain reaches the sensor."""
    wettings = [w for w in case.signal.wettings if w.kind == "rain"]
    if not wettings:
        case.untested.append("the answer to rain: no rain in the record of these days")
        return None
    rains = [(w, a) for w, a in case.answers("rain") if w.mm >= 8]  # noqa: PLR2004 - mm that must reach
    if len(rains) < _LEAST_ANSWERS or middle(rains) >= _ANSWER / 2:
        return None
    return Finding(
        "no_rain",
        f"Rains of 8 mm and more raise it by only {100 * middle(rains):.0f} % of what they could "
        f"({len(rains)} rains).",
        "a roof, a dense crown or a cover keeps the rain off",
        "Look what stands over it; move it where the zone gets its rain.",
        tuple(w.start for w, _ in rains[:6]),
    )


def jumps(case: Case) -> Finding | None:
    """Test for rises without its valve, without rain."""
    rises = case.signal.jumps
    if rises.empty:
        return None
    strange = rises[~rises["cause"].isin(["own", "rain"])]
    rain_known = any(w.kind == "rain" for w in case.signal.wettings)
    if not rain_known or not len(case.events):
        case.untested.append("rises without its valve: they need the valve log and the rain record")
        return None
    if len(strange) < _JUMPS or len(strange) < 0.25 * len(rises):
        return None
    others = sorted(set(strange["valve"]) - {""})
    cause = (
        f"valve {', '.join(others)} throws there" if others
        else "a leak, watering by hand, a neighbour's heads, or runs missing from the log"
    )  # fmt: skip
    return Finding(
        "unexplained_jumps",
        f"It rose {len(strange)} times (of {len(rises)}) without its valve and without rain, by "
        f"{100 * float(strange['rise'].median()):.1f} points.",
        cause,
        "Look there at those hours; mend the leak, turn the heads, or complete the log.",
        tuple(strange["time"][:6]),
    )


def never_crosses(case: Case) -> Finding | None:
    """Test whether the log ever comes down to the threshold where the model says it should."""
    if not math.isfinite(case.threshold) or case.signal.modelled.empty:
        return None
    content = case.signal.content.dropna()
    model = case.signal.modelled.loc[content.index[0] : content.index[-1]]
    offset = case.signal.plateau - case.expected.field_capacity
    if not math.isfinite(offset):
        return None
    dry = model + offset < case.threshold - 0.02
    if (content < case.threshold).any() or int(dry.sum()) < 10 or len(model) < 30:  # noqa: PLR2004
        return None
    return Finding(
        "never_crosses",
        f"It never came down to its threshold in {len(model)} days; by the plan's balance it "
        f"should have on {int(dry.sum())}.",
        "a wet spot, a leak, or shade that the plan does not know",
        "Dig beside it with a trowel: if it is wetter than the rest of the zone, move it.",
    )


def _dry_down(case: Case) -> Finding | None:
    """Test whether it dries at the pace of its zone."""
    if case.unlogged:
        case.untested.append("the pace of drying: it rose by runs that are in no log")
        return None
    spells = case.signal.dry_downs
    # The slope of three daily values is loose.
    if len(spells) < _LEAST_ANSWERS + (0 if case.signal.step_h == 1 else 2):
        case.untested.append(f"the pace of drying: {len(spells)} dry spells in the log")
        return None
    ratio = float((spells["slope"] / spells["modelled"]).median())
    measured, modelled = (-100 * float(spells[c].median()) for c in ("slope", "modelled"))
    seen = (
        f"In {len(spells)} dry spells it fell by {measured:.1f} points a day, where the zone is "
        f"reckoned to fall by {modelled:.1f}"
    )
    marks = tuple(spells["start"][:6])
    if ratio < _SLOW:
        return Finding(
            "slow_dry_down", f"{seen}.",
            "shade, a wet spot or roots that do not reach it: it is not the driest part",
            "Compare with the dry places of the zone; move it if they are dry while it is wet.",
            marks,
        )  # fmt: skip
    if ratio > _FAST:
        return Finding(
            "fast_dry_down", f"{seen}.",
            "loose or sandy backfill, an air gap, or more sun than the plan knows",
            "Firm the soil round it; check the rank of its place.",
            marks,
        )  # fmt: skip
    return None


def drift(case: Case) -> Finding | None:
    """Test whether the plateau wanders."""
    plateaus = case.signal.plateaus
    if len(plateaus) < 8:  # noqa: PLR2004 - a trend needs points
        return None
    days = np.asarray((plateaus.index - plateaus.index[0]) / _DAY, dtype=float)
    if days[-1] < 30:  # noqa: PLR2004
        return None
    fit, covariance = np.polyfit(days, plateaus.to_numpy(dtype=float), 1, cov=True)
    slope, error = 30 * float(fit[0]), 30 * math.sqrt(float(covariance[0, 0]))
    if abs(slope) < _DRIFT or abs(slope) < 5 * error:
        return None
    return Finding(
        "plateau_drift",
        f"Its reading after soakings {'rises' if slope > 0 else 'falls'} by {100 * abs(slope):.1f} "
        f"points a month ({len(plateaus)} soakings).",
        "salt, a failing sensor, or soil that settles round it",
        "Read it again a day after a soaking and set the threshold anew; replace it if it goes on.",
        tuple(plateaus.index[[0, -1]]),
    )


def swing(case: Case) -> Finding | None:
    """Test whether it follows the temperature of the day."""
    if case.signal.step_h != 1:
        case.untested.append(
            "the daily swing, and with it most air gaps, downspouts and wrong zones: they show in "
            "a log by the hour, and this one is daily"
        )
        return None
    if not case.signal.swing > _SWING:
        return None
    return Finding(
        "daily_swing",
        f"It rises by {200 * case.signal.swing:.1f} points within dry days.",
        "too shallow, or loose in the ground: it follows the temperature of the air",
        "Check its depth and firm the soil; set times of reading before dawn.",
    )


def gaps(case: Case) -> Finding | None:
    """Test whether much of the log is missing."""
    content = case.signal.content
    share = float(content.isna().mean()) if len(content) else 1.0
    if share <= _GAP_SHARE:
        return None
    return Finding(
        "gaps", f"{100 * share:.0f} % of the log is missing.", "the logger or its radio",
        "Check battery and reach; what is told here rests on the rest.",
    )  # fmt: skip


_DAY: Final = pd.Timedelta(days=1)
#: Plateau over field capacity below which all signs together mean an air gap.
_LOOSE: Final = 0.85
#: A single run that could raise the content by this much tests a valve [m³/m³].
_SOAKED: Final = 0.03


def dead(case: Case) -> Finding | None:
    """Test for a sensor that sends nothing, nonsense, or one value."""
    content, step = case.signal.content, case.signal.step_h
    if case.signal.raw.dropna().empty:
        return _dead_finding("it sent no value at all", ())
    raw = case.signal.raw
    last, end = raw.dropna().index[-1], raw.index[-1]
    if end - last > 5 * _DAY:
        return _dead_finding(f"its last value came on {last:%Y-%m-%d}", (last,))
    mad = float(((raw < 0.01) | (raw > 0.75)).sum()) / len(raw)  # noqa: PLR2004 - no soil holds this
    if mad > _STUCK_SHARE / 2:
        where = tuple(raw.index[(raw < 0.01) | (raw > 0.75)][:1])  # noqa: PLR2004
        return _dead_finding(
            f"{100 * mad:.0f} % of its values are no water content of a soil", where
        )
    still = content.diff().abs() < 1e-4  # noqa: PLR2004 - below what any soil does in an hour
    run = still.groupby((~still).cumsum()).transform("sum") * step
    stuck = (run >= _STUCK_H) if step == 1 else (run >= 4 * 24)
    share = float(stuck.sum()) / max(len(content), 1)
    if share > _STUCK_SHARE:
        at = content.index[int(np.argmax(stuck.to_numpy()))]
        return _dead_finding(f"it showed one and the same value from {at:%Y-%m-%d} on", (at,))
    return None


def _dead_finding(words: str, marks: tuple[pd.Timestamp, ...]) -> Finding:
    return Finding(
        "dead",
        f"It sends nothing that can be a soil's: {words}.",
        "cable, splice or sensor broken",
        "Measure the cable at the controller and at the splice; replace the sensor. Until then set "
        "the controller to ignore it, or its zones may run on every start or on none.",
        marks,
    )


def wrong_zone(case: Case) -> Finding | None:
    """Test whether another valve wets the sensor and its own does not."""
    least = max(0.01, 6 * case.signal.noise)
    for valve in sorted({w.valve for w in case.signal.wettings if w.kind == "other"}):
        runs = [
            w for w in case.signal.wettings
            if w.valve == valve and w.kind == "other" and "rain" not in w.beside
            and math.isfinite(w.rise)
        ]  # fmt: skip
        only = [w for w in runs if "own" not in w.beside]
        own = case.answers("own", without=valve)
        # One soaking of dry ground says as much as several small runs.
        tried = len(own) >= 2 or sum(case.possible(w) for w, _ in own) >= _SOAKED  # noqa: PLR2004
        silent = tried and middle(own) <= _ANSWER
        unheard = not tried and len(only) >= _LEAST_ANSWERS
        told = runs if silent else only
        rose = [w for w in told if w.rise >= least]
        if not (silent or unheard) or len(told) < _LEAST_ANSWERS:
            continue
        if len(rose) >= 0.7 * len(told):
            return _wrong_zone_finding(case, valve, rose, len(told), own)
    return None


def _wrong_zone_finding(
    case: Case, valve: str, rose: list[Wetting], runs: int, own: list[tuple[Wetting, float]]
) -> Finding:
    """Put the evidence into words."""
    ours = case.expected.valve
    silent = (
        f"and by only {100 * middle(own):.0f} % of what the water could do at {len(own)} runs of "
        f"its own valve {ours} without it"
        if own
        else f"and its own valve {ours} never ran without it"
    )
    return Finding(
        "wrong_zone",
        f"It rose at {len(rose)} of {runs} runs of valve {valve}, {silent}.",
        f"it lies in the ground of valve {valve}, or the valves' wires are swapped",
        f"Run valve {ours} by hand and look which zone gets wet; swap the wires or move the "
        "sensor.",
        tuple(w.start for w in rose[:6]),
    )


def air_gap(case: Case) -> Finding | None:
    """Test for a sensor that does not touch the soil: low plateau, short spikes, swing."""
    signal, expected = case.signal, case.expected
    plateau = signal.plateau
    if not math.isfinite(plateau):  # no soaking was followed for long: the middle of the log
        plateau = float(signal.content.median())
    level = plateau / expected.field_capacity
    lost = _lost_in_a_day(signal)
    swings = signal.swing > _SWING / 2
    seen_by_hour = lost > _SPIKE or swings
    low = level <= _LOW_PLATEAU and (seen_by_hour or signal.step_h != 1)
    loose = level <= _LOOSE and lost > 2 * _SPIKE - 0.1 and swings
    if not (low or loose):
        return None
    seen = f"a day or two after soakings it reads {100 * plateau:.1f} %, where this soil "
    seen += f"holds about {100 * expected.field_capacity:.0f} %"
    if math.isfinite(lost):
        seen += f"; it loses {100 * lost:.0f} % of each rise within a day"
    if swings:
        seen += f"; it rises by {200 * signal.swing:.1f} points within dry days"
    return Finding(
        "air_gap",
        f"It hardly touches the soil: {seen}.",
        "an air gap or a stone at the sensor, or soil not firmed",
        "Dig it up, press native soil to it on all sides, soak, wait and read again.",
        tuple(signal.plateaus.index[:6]),
    )


def _lost_in_a_day(signal: Signal) -> float:
    """Return the middle share of a rise that is lost 24 h after its peak; NaN where unknown."""
    content = signal.content
    real = [w for w in signal.wettings if w.kind != "other"]
    least = max(0.02, 6 * signal.noise)
    shares = []
    for n, wetting in enumerate(real):
        later = real[n + 1].start if n + 1 < len(real) else content.index[-1]
        part = content.loc[wetting.start : wetting.end].dropna()
        if not wetting.rise >= least or part.empty:
            continue
        peak = pd.Timestamp(str(part.idxmax()))
        after = content.loc[peak + 0.9 * _DAY : peak + 1.1 * _DAY].dropna()
        if peak + _DAY < later and len(after):
            shares.append((float(part.max()) - float(after.median())) / wetting.rise)
    return float(np.median(shares)) if len(shares) >= 3 else math.nan  # noqa: PLR2004


def downspout(case: Case) -> Finding | None:
    """Test for rain led to the sensor: small rains raise it more than their water can."""
    if case.unlogged:
        case.untested.append("rain led to it: it rose by runs that are in no log")
        return None
    small = [
        (w, a)
        for w in case.signal.wettings
        if w.kind == "rain" and 1.5 <= w.mm <= 15.0  # noqa: PLR2004 - rains that leave room
        and "own" not in w.beside and math.isfinite(w.rise)
        and w.rise >= max(0.01, 4 * case.signal.noise)
        and (a := w.rise / (w.mm / case.expected.layer_mm)) > 0
    ]  # fmt: skip
    own = middle([(w, w.rise / (w.mm / case.expected.layer_mm)) for w, _ in case.answers("own")])
    ratio = middle(small)
    hourly = case.signal.step_h == 1
    least = _LEAST_ANSWERS - hourly  # a day's mean says less than an hour's
    if len(small) < least or not ratio > _SHARP * (1.0 if hourly else 1.3):
        return None
    if math.isfinite(own) and ratio <= 1.5 * own:
        return None  # it is the sensor's own scale that is steep, not the rain
    return Finding(
        "downspout",
        f"Rains of {min(w.mm for w, _ in small):.0f} to {max(w.mm for w, _ in small):.0f} mm raise "
        f"it {ratio:.1f} times as much as their water can ({len(small)} rains)"
        + (f", its own valve {own:.1f} times" if math.isfinite(own) else "") + ".",
        "a downspout, a roof edge or run-off leads water there",
        "Look at it in the rain; lead the water away, or move the sensor.",
        tuple(w.start for w, _ in small[:6]),
    )  # fmt: skip


def _judge_threshold(case: Case) -> Finding | None:
    """Test where the threshold lies against the plateau of the log."""
    plateau, expected = case.signal.plateau, case.expected
    if not math.isfinite(case.threshold):
        case.untested.append("the threshold: it is not written on the sheet (threshold_set)")
        return None
    if not math.isfinite(plateau):
        case.untested.append("the threshold: no larger soaking was followed by a day or two of log")
        return None
    gone = (plateau - case.threshold) / expected.available
    seen = (
        f"The threshold of {100 * case.threshold:.1f} % stands against a plateau of "
        f"{100 * plateau:.1f} % ({len(case.signal.plateaus)} soakings)"
    )
    content = case.signal.content.dropna()
    below = float((content < case.threshold).mean())
    low = max(expected.low_fraction, 0.0)
    ideal = 100 * (plateau - low * expected.available)
    if gone < low - _LOW_DEPLETION and below > _MOSTLY:
        return Finding(
            "threshold_high",
            f"{seen}, {100 * case.threshold - ideal:.1f} points above where the plan has it; "
            f"the log lies below it {100 * below:.0f} % of the time, so that it hardly ever skips.",
            "the threshold was set at a reading before the soil had drained, or for another soil",
            f"Set it to {ideal:.1f} %.",
        )
    if gone > max(low + _HIGH_DEPLETION, expected.depletion_fraction + 0.2):
        return Finding(
            "threshold_low",
            f"{seen}: {100 * gone:.0f} % of the available water is gone before it allows watering, "
            f"where the plan says {100 * low:.0f} % and plants suffer from "
            f"{100 * expected.depletion_fraction:.0f} % on.",
            "the threshold was set from a dry reading, or lowered to save water",
            f"Set it to {ideal:.1f} %.",
        )
    return None


def sensor_health(
    content: pd.Series,
    *,
    expected: Expected,
    events: pd.DataFrame,
    weather: pd.DataFrame,
    threshold: float = math.nan,
) -> Health:
    """Judge one sensor by its log.

    content: logged water content by time, any interval [m³/m³]; events: valve runs: start, valve,
    minutes [min], may be empty; weather: index `date`, rain_mm, eto_mm [mm/d]; threshold: as set,
    NaN where it is not known [m³/m³]. Result: findings, the most telling first, and what could not
    be tested.
    """
    signal = signal_of(content, expected=expected, events=events, weather=weather)
    case = Case(signal, expected, threshold, events)
    nothing = dead(case)
    if nothing:
        return Health(expected.sensor_id, (nothing,), (), signal, threshold, expected)
    tests = (
        wrong_zone, air_gap, downspout, _judge_threshold, no_rewet, no_rain, jumps, never_crosses,
        _dry_down, drift, swing, gaps,
    )  # fmt: skip
    found = [finding for test in tests if (finding := test(case)) is not None]
    return Health(
        expected.sensor_id, tuple(_told_once(found)), tuple(case.untested), signal, threshold,
        expected,
    )  # fmt: skip


def _told_once(found: list[Finding]) -> Iterable[Finding]:
    """Drop symptoms that a cause already found explains."""
    explained = {
        "wrong_zone": {"no_rewet", "unexplained_jumps", "slow_dry_down", "fast_dry_down",
                       "threshold", "threshold_low", "threshold_high"},
        "air_gap": {"threshold_low", "threshold_high", "fast_dry_down", "slow_dry_down",
                    "daily_swing", "no_rain", "no_rewet", "never_crosses", "unexplained_jumps"},
        "downspout": {"slow_dry_down", "fast_dry_down", "never_crosses", "unexplained_jumps",
                      "threshold_low", "threshold_high"},
        "threshold_low": {"never_crosses", "slow_dry_down"},
    }  # fmt: skip
    hidden: set[str] = set()
    for finding in found:
        hidden |= explained.get(finding.kind, set())
    return [finding for finding in found if finding.kind not in hidden]


_FIELD_KPA = 33.0
_LEAST_KPA = 5.0


def expected_of(plan: Plan, sensor_id: str) -> Expected:
    """Return what the plan expects of the ground round a sensor.

    Result: soil, roots, valve and threshold.
    """
    sensor = plan.sensors.loc[sensor_id]
    zone = plan.zones.loc[sensor["zone"]]
    field, wilting = held_water(plan, str(sensor["zone"]))
    root = float(zone["root_depth_m"])
    return Expected(
        sensor_id=sensor_id,
        zone=str(sensor["zone"]),
        valve=str(sensor["valve"]),
        field_capacity=field,
        wilting_point=wilting,
        root_depth_m=root,
        layer_mm=1000 * min(2 * float(sensor["depth_m"]), root),
        depletion_fraction=float(np.clip(zone["raw_mm"] / zone["taw_mm"], 0.1, 0.8)),
        rate_mm_h=float(zone["precipitation_rate"]),
        crop_factor=float(zone["kl"]),
        low_fraction=float(sensor["threshold_low_fraction"]),
        wait_h=float(sensor["soak_wait_h"]),
    )


def daily_weather(readings: Readings, climate: Climate, *, latitude: float) -> pd.DataFrame:
    """Return rain and reference ET of every day of the logs.

    latitude: of the property [deg]. Result: index `date`; rain_mm (NaN where not known), eto_mm
    [mm/d].
    """
    spans = [series.index for series in readings.moisture.values() if len(series)]
    spans += [pd.DatetimeIndex(readings.meter[c]) for c in ("start", "end") if len(readings.meter)]
    if len(readings.events):
        spans.append(pd.DatetimeIndex(readings.events["start"]))
    if not spans:
        return pd.DataFrame({"rain_mm": [], "eto_mm": []}, index=pd.DatetimeIndex([]))
    first = min(index.min() for index in spans).normalize()
    last = max(index.max() for index in spans).normalize()
    days = pd.date_range(first, last, name="date")
    record = climate.daily
    terms = eto_terms(record, latitude=latitude, elevation_m=climate.elevation_m)
    eto = pd.Series(np.maximum(terms.open_sky, 0.0), index=record.index)
    usual = eto.groupby(pd.DatetimeIndex(eto.index).dayofyear).mean()
    usual = usual.reindex(range(1, 367)).interpolate(limit_direction="both")
    fallback = pd.Series(usual.reindex(days.dayofyear).to_numpy(), index=days)
    known = readings.weather.reindex(days)
    return pd.DataFrame(
        {
            "rain_mm": known["rain_mm"].fillna(record["rain_mm"].reindex(days)),
            "eto_mm": known["eto_mm"].fillna(eto.reindex(days)).fillna(fallback),
        }
    )


def content_of(
    values: pd.Series, unit: str, *, expected: Expected, capacity: Capacity | None
) -> tuple[pd.Series, str]:
    """Return logged values as water content, and how they were turned into it.

    Result: volumetric water content [m³/m³]; what was assumed, or "".

    Tension: Saxton & Rawls 2006, Eq. 11.
    """
    if unit == "%":
        return values / 100, ""
    if unit == "m3/m3":
        return values, ""
    if unit == "kPa":
        power = tension_exponent(expected.field_capacity, expected.wilting_point)
        tension = values.clip(lower=_LEAST_KPA)
        content = expected.field_capacity * (_FIELD_KPA / tension) ** (1 / power)
        return content, "tension was turned into water content by the tension curve of the soil"
    full = capacity.reading if capacity is not None and capacity.accepted else math.nan
    note = "its scale has no unit: taken as proportional to water, with field capacity at "
    if math.isfinite(full):
        note += f"the accepted reading of {full:g}"
    else:
        full = float(values.quantile(0.9))
        note += f"the wettest tenth of the log, {full:g}"
    return expected.field_capacity * values / full, note


def threshold_content(
    row: Mapping[str, object], *, expected: Expected, capacity: Capacity | None
) -> float:
    """Return the threshold as set, as water content; NaN where it is not written.

    Result: volumetric water content [m³/m³].
    """
    value, unit = row.get("threshold_set"), str(row.get("reading_unit") or "%")
    if not isinstance(value, float) or math.isnan(value):
        return math.nan
    if unit == "device" and not (capacity is not None and capacity.accepted):
        return math.nan  # nothing to hang the scale on
    content, _ = content_of(pd.Series([value]), unit, expected=expected, capacity=capacity)
    return float(content.iloc[0])


#: Standard deviations [m³/m³] of what the soil's field capacity is off by, of the balance, and over
#: how many days that is alike. Set so that what the balance leaves of 25 healthy logs of the tests'
#: simulator, whose soils are off by more than a plan's, is about as expected (median 1.25 of it).
_LEVEL: Final = 0.05
_BALANCE: Final = 0.035
_ALIKE_DAYS: Final = 10.0
_DAYS_NOISE: Final = 0.005  # of a day's mean [m³/m³]; judgement
_FEWEST_DAYS: Final = 28
#: With fewer scenarios left in effect, or a misfit (mean square, 1 is as expected) beyond this, the
#: log says nothing of the plan; judgement.
_FEWEST_LEFT: Final = 5.0
_MISFIT: Final = 2.5
#: Findings after which a log says nothing of the ground that it lies in.
_BLIND: Final = frozenset({"dead", "wrong_zone", "air_gap", "downspout"})


@dataclass(frozen=True)
class Weighed:
    """Scenarios after a log.

    weights (S,): sum to 1; left: scenarios left in effect; misfit: mean square of what the best of
    them leaves unexplained, over what is expected; sensors: whose logs were used.
    """

    weights: Floats
    left: float
    misfit: float
    sensors: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Whether anything may be decided by them."""
        return self.left >= _FEWEST_LEFT and self.misfit <= _MISFIT


def likelihoods(log: pd.Series, modelled: Floats, *, sensor_error: float) -> tuple[Floats, Floats]:
    """Return how likely a log is under each scenario, and its mean square misfit.

    log: daily content, T days; modelled (T, S): of each scenario, on the same days [m³/m³];
    sensor_error: standard deviation of the sensor's constant error [m³/m³]. Result: logarithms of
    the likelihoods but for a constant, (S,), and misfits, (S,).
    """
    day = (pd.DatetimeIndex(log.index) - log.index[0]) / pd.Timedelta(days=1)
    apart = np.abs(np.subtract.outer(day.to_numpy(dtype=float), day.to_numpy(dtype=float)))
    level = _LEVEL**2 + sensor_error**2
    among = level + _BALANCE**2 * np.exp(-apart / _ALIKE_DAYS)
    factor = cholesky(among + _DAYS_NOISE**2 * np.eye(len(day)), lower=True)
    miss = log.to_numpy(dtype=float)[:, None] - modelled
    square = (miss * cho_solve((factor, True), miss)).sum(axis=0)
    return -square / 2, square / len(day)


def weigh(
    plan: Plan,
    health: Mapping[str, Health],
    events: pd.DataFrame,
    weather: pd.DataFrame,
    *,
    count: int | None = None,
) -> Weighed | None:
    """Weigh a plan's scenarios by the logs of its healthy sensors; None where there are none.

    count: of scenarios; those that sensors were chosen on where it is not given.
    """
    basis = plan.basis
    if not isinstance(basis, Basis) or basis.survey.scenarios.count == 1:
        return None
    drawn = basis.survey.scenarios
    if count is not None:
        drawn = replace(drawn, count=count)
    total, misfit = np.zeros(drawn.count), np.zeros(drawn.count)
    used: list[str] = []
    for tag, found in health.items():
        if found.expected is None or any(one.kind in _BLIND for one in found.findings):
            continue
        zone = found.expected.zone
        row = plan.zones.loc[zone]
        even = float(row["distribution_uniformity"])
        measured = basis.survey.application[zone].measured
        modelled = modelled_contents(
            found.expected,
            events=events,
            weather=weather,
            crop=drawn.plants([str(row["plants"])])[0],
            storage=drawn.soils([str(basis.survey.water.loc[zone, "soil_class"])])[0],
            # The driest ground is taken to get the least water, as where the plan was made.
            received=np.ones(drawn.count)
            if measured
            else np.clip(even + drawn.uniformity, 0.2, 1.0),
        )
        daily = found.signal.raw.resample("1D").mean().dropna()
        daily = daily[daily.index.isin(modelled.index)]
        if len(daily) < _FEWEST_DAYS:
            continue
        likely, square = likelihoods(
            daily,
            modelled.loc[daily.index].to_numpy(dtype=float),
            sensor_error=plan.settings.control.sensor_error,
        )
        total, used = total + likely, [*used, str(tag)]
        misfit = np.maximum(misfit, square)
    if not used:
        return None
    weights = np.exp(total - total.max())
    weights = weights / weights.sum()
    best = int(weights.argmax())
    return Weighed(weights, float(1 / (weights**2).sum()), float(misfit[best]), tuple(used))


def season_words(plan: Plan, weighed: Weighed) -> tuple[str, ...]:
    """Say what the logs say of the scenarios, and whether a further sensor now pays."""
    count = len(weighed.weights)
    head = (
        f"The logs of {', '.join(weighed.sensors)} leave {weighed.left:.0f} of {count} scenarios "
        "in effect"
    )
    if weighed.misfit > _MISFIT:
        return (
            f"None of the {count} scenarios explains the logs of {', '.join(weighed.sensors)} "
            f"(misfit {weighed.misfit:.1f} times as expected), so nothing is decided by them: "
            "check rates, plants and soil against the ground.",
        )
    if not weighed.sound:
        return (f"{head}: too few to decide anything by.",)
    return (f"{head}{_moved(plan, weighed)}.", *_further(plan, weighed))


def next_sheet(plan: Plan, weighed: Weighed | None) -> pd.DataFrame:
    """Set the sheet of the next season by weighed scenarios, the one of now beside it.

    The scenarios are drawn anew by their weights and the sheet is set on them by the search that
    set it before; both sheets are then played through them, as printed. weighed: of as many
    scenarios as the sheet was set on. Result: index `zone`, those that a sensor governs; valve,
    sensor_id, run_minutes and run_minutes_now [min], step_vwc and step_vwc_now (how far below field
    capacity the sensor starts) [m³/m³], water_m3 and water_m3_now, stress_days and stress_days_now
    (worst season of ten) [d]; empty where the log decides nothing.
    """
    basis = plan.basis
    if weighed is None or not weighed.sound or not isinstance(basis, Basis):
        return pd.DataFrame()
    printed = basis.printed
    if printed is None or len(weighed.weights) != printed.count:
        return pd.DataFrame()
    drawn = replace(basis.survey.scenarios, count=printed.count).weighed(weighed.weights)
    sheet, now, then = sheet_again(replace(basis.survey, scenarios=drawn), printed)
    old, rate = printed.sheet, plan.zones["precipitation_rate"].to_numpy(dtype=float) / 60
    of_zone = {home: plan.zones.index[home] for home in sheet.home.values()}
    tags = {str(row["zone"]): str(tag) for tag, row in plan.sensors.iterrows()}
    rows = {}
    for z in np.flatnonzero(sheet.governor >= 0):
        j = int(sheet.governor[z])
        home = of_zone[sheet.home[j]]
        water = basis.survey.water.loc[home]
        held = float(water["field_capacity"]) - float(water["wilting_point"])
        area = float(printed.area_m2[z])
        rows[str(plan.zones.index[z])] = {
            "valve": plan.zones["valve"].iloc[z],
            "sensor_id": tags[str(home)],
            "run_minutes": round(float(sheet.event_mm[z] / rate[z])),
            "run_minutes_now": round(float(old.event_mm[z] / rate[z])),
            "step_vwc": sheet.low[j] * held,
            "step_vwc_now": old.low[j] * held,
            "water_m3": float(then.water_mm[z].mean()) * area / 1000,
            "water_m3_now": float(now.water_mm[z].mean()) * area / 1000,
            "stress_days": float(then.worst_stress_days[z]),
            "stress_days_now": float(now.worst_stress_days[z]),
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("zone")


def sheet_words(plan: Plan, table: pd.DataFrame) -> tuple[str, ...]:
    """Say what `next_sheet` sets, what stands now in brackets, and what both do."""
    if table.empty:
        return ()
    units = plan.settings.units
    lines = []
    for zone, row in table.iterrows():
        water, stood = (show(row[name], "volume", units) for name in ("water_m3", "water_m3_now"))
        lines.append(
            f"Valve {row['valve']}, {zone}: {row['run_minutes']} minutes (now "
            f"{row['run_minutes_now']}), {row['sensor_id']} starts {100 * row['step_vwc']:.1f} "
            f"points of volume below field capacity (now {100 * row['step_vwc_now']:.1f}). Played "
            f"through the weighed scenarios that uses {water} a season (now {stood}), and runs "
            f"short on {row['stress_days']:.1f} days of the worst season of ten (now "
            f"{row['stress_days_now']:.1f})."
        )
    same = all((table[name] == table[f"{name}_now"]).all() for name in ("run_minutes", "step_vwc"))
    told = "nothing of it changes" if same else "set it before the season begins"
    return (f"Set anew on the weighed scenarios, by the search that set it before: {told}. Zones "
            "without a sensor keep their programme.", *lines)  # fmt: skip


def _moved(plan: Plan, weighed: Weighed) -> str:
    """Say what the logs make of plants and soil in the zones that were logged."""
    basis = plan.basis
    if not isinstance(basis, Basis):
        return ""
    told = []
    for tag in weighed.sensors:
        row = plan.zones.loc[plan.sensors.loc[tag, "zone"]]
        soil = str(basis.survey.water.loc[plan.sensors.loc[tag, "zone"], "soil_class"])
        for name, values in (
            (
                f"the demand of {row['plants']}".replace("_", " "),
                basis.survey.scenarios.plants([str(row["plants"])])[0],
            ),
            (f"the water that {soil} holds", basis.survey.scenarios.soils([soil])[0]),
        ):
            mean = float(weighed.weights @ values)
            sd = float(np.sqrt(weighed.weights @ (values - mean) ** 2))
            told.append(f"{name} {mean:.2f} times as assumed (± {sd:.2f})")
    return ": " + ", ".join(dict.fromkeys(told))


def _further(plan: Plan, weighed: Weighed) -> tuple[str, ...]:
    """Say whether a further sensor pays, by the weighed scenarios."""
    table, now = plan.regret, len(plan.sensors)
    numbers = {int(str(name).split()[0]): name for name in table.index if _NUMBER in str(name)}
    more = min((n for n in numbers if n > now), default=None)
    if now not in numbers or more is None or not plan.settings.water.priced:
        return ("A further sensor would change nothing in any scenario.",) if now in numbers else ()
    mine, other = (np.array(table.loc[numbers[n], "by_scenario"]) for n in (now, more))
    gain = mine - other
    if len(gain) != len(weighed.weights):
        return ()
    worth, share = float(weighed.weights @ gain), float(weighed.weights @ (gain > 0))
    cost = float(table.loc[numbers[more], "cost_per_year"])
    pays = worth > ALIKE * cost and share >= SURE
    currency = plan.settings.water.currency
    verdict = "now pays" if pays else "still does not pay"
    return (
        f"{more} sensors instead of {now}: that {verdict}. By the weighed scenarios it is worth "
        f"{_signed(worth)} {currency} a year and pays in {100 * share:.0f} of 100, before the log "
        f"{_signed(float(gain.mean()))} {currency} and {100 * float((gain > 0).mean()):.0f}; it is "
        f"bought where it is worth a twentieth of the yearly cost and pays in {100 * SURE:.0f}.",
    )


_NUMBER: Final = " sensor"


def _signed(value: float) -> str:
    return f"-{figure(-value)}" if value <= -0.5 else figure(value)  # noqa: PLR2004 - rounds to 0
