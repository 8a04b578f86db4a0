"""Tests that name a cause: dead, in another zone, an air gap, a downspout, a wrong threshold."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd

from siting._commission_findings import Case, Finding, middle
from siting._commission_signal import Signal, Wetting

__all__ = ["air_gap", "dead", "downspout", "judge_threshold", "wrong_zone"]

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
    if mad > case.limits.stuck_share / 2:
        where = tuple(raw.index[(raw < 0.01) | (raw > 0.75)][:1])  # noqa: PLR2004
        return _dead_finding(
            f"{100 * mad:.0f} % of its values are no water content of a soil", where
        )
    still = content.diff().abs() < 1e-4  # noqa: PLR2004 - below what any soil does in an hour
    run = still.groupby((~still).cumsum()).transform("sum") * step
    stuck = (run >= case.limits.stuck_h) if step == 1 else (run >= 4 * 24)
    share = float(stuck.sum()) / max(len(content), 1)
    if share > case.limits.stuck_share:
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
        silent = tried and middle(own) <= case.limits.answer
        unheard = not tried and len(only) >= case.limits.least_answers
        told = runs if silent else only
        rose = [w for w in told if w.rise >= least]
        if not (silent or unheard) or len(told) < case.limits.least_answers:
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
    swings = signal.swing > case.limits.swing / 2
    seen_by_hour = lost > case.limits.spike or swings
    low = level <= case.limits.low_plateau and (seen_by_hour or signal.step_h != 1)
    loose = level <= _LOOSE and lost > 2 * case.limits.spike - 0.1 and swings
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
    least = case.limits.least_answers - hourly  # a day's mean says less than an hour's
    if len(small) < least or not ratio > case.limits.sharp * (1.0 if hourly else 1.3):
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


def judge_threshold(case: Case) -> Finding | None:
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
    if gone < low - case.limits.low_depletion and below > case.limits.mostly:
        return Finding(
            "threshold_high",
            f"{seen}, {100 * case.threshold - ideal:.1f} points above where the plan has it; "
            f"the log lies below it {100 * below:.0f} % of the time, so that it hardly ever skips.",
            "the threshold was set at a reading before the soil had drained, or for another soil",
            f"Set it to {ideal:.1f} %.",
        )
    if gone > max(low + case.limits.high_depletion, expected.depletion_fraction + 0.2):
        return Finding(
            "threshold_low",
            f"{seen}: {100 * gone:.0f} % of the available water is gone before it allows watering, "
            f"where the plan says {100 * low:.0f} % and plants suffer from "
            f"{100 * expected.depletion_fraction:.0f} % on.",
            "the threshold was set from a dry reading, or lowered to save water",
            f"Set it to {ideal:.1f} %.",
        )
    return None
