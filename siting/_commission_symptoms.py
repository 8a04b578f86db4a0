"""Tests that tell a symptom: no answer to valve or rain, strange rises, pace, drift, swing."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd

from siting._commission_findings import Case, Finding, middle

__all__ = ["drift", "dry_down", "gaps", "jumps", "never_crosses", "no_rain", "no_rewet", "swing"]

_DAY: Final = pd.Timedelta(days=1)


def no_rewet(case: Case) -> Finding | None:
    """Test whether the own valve wets the sensor."""
    own = case.answers("own")
    if len(own) < case.limits.least_answers:
        runs = [w for w in case.signal.wettings if w.kind == "own"]
        if len(runs) < case.limits.least_answers:
            case.untested.append(f"the answer to its own valve: {len(runs)} runs in the log")
        return None
    if middle(own) >= case.limits.answer:
        return None
    rain = middle(case.answers("rain"))
    wets = math.isfinite(rain) and rain >= case.limits.answer
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
    if len(rains) < case.limits.least_answers or middle(rains) >= case.limits.answer / 2:
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
    if len(strange) < case.limits.jumps or len(strange) < 0.25 * len(rises):
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


def dry_down(case: Case) -> Finding | None:
    """Test whether it dries at the pace of its zone."""
    if case.unlogged:
        case.untested.append("the pace of drying: it rose by runs that are in no log")
        return None
    spells = case.signal.dry_downs
    # The slope of three daily values is loose.
    if len(spells) < case.limits.least_answers + (0 if case.signal.step_h == 1 else 2):
        case.untested.append(f"the pace of drying: {len(spells)} dry spells in the log")
        return None
    ratio = float((spells["slope"] / spells["modelled"]).median())
    measured, modelled = (-100 * float(spells[c].median()) for c in ("slope", "modelled"))
    seen = (
        f"In {len(spells)} dry spells it fell by {measured:.1f} points a day, where the zone is "
        f"reckoned to fall by {modelled:.1f}"
    )
    marks = tuple(spells["start"][:6])
    if ratio < case.limits.slow:
        return Finding(
            "slow_dry_down", f"{seen}.",
            "shade, a wet spot or roots that do not reach it: it is not the driest part",
            "Compare with the dry places of the zone; move it if they are dry while it is wet.",
            marks,
        )  # fmt: skip
    if ratio > case.limits.fast:
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
    if abs(slope) < case.limits.drift or abs(slope) < 5 * error:
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
    if not case.signal.swing > case.limits.swing:
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
    if share <= case.limits.gap_share:
        return None
    return Finding(
        "gaps", f"{100 * share:.0f} % of the log is missing.", "the logger or its radio",
        "Check battery and reach; what is told here rests on the rest.",
    )  # fmt: skip
