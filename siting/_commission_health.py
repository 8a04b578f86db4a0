"""Is a buried sensor healthy? Tests of its own log, each in words, with cause and what to do.

The limits are judgement of this project, set on simulated seasons and held against others; see
`tests/validation/commissioning.py` for how often each fault is named and a healthy sensor accused.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import pandas as pd

from siting._commission_causes import air_gap, dead, downspout, judge_threshold, wrong_zone
from siting._commission_findings import LIMITS, Case, Finding, Health, Limits
from siting._commission_model import Expected
from siting._commission_signal import signal_of
from siting._commission_symptoms import (
    drift,
    dry_down,
    gaps,
    jumps,
    never_crosses,
    no_rain,
    no_rewet,
    swing,
)

__all__ = ["LIMITS", "Finding", "Health", "Limits", "sensor_health"]


def sensor_health(
    content: pd.Series,
    *,
    expected: Expected,
    events: pd.DataFrame,
    weather: pd.DataFrame,
    threshold: float = math.nan,
    limits: Limits = LIMITS,
) -> Health:
    """Judge one sensor by its log.

    content: logged water content by time, any interval [m³/m³]; events: valve runs: start, valve,
    minutes [min], may be empty; weather: index `date`, rain_mm, eto_mm [mm/d]; threshold: as set,
    NaN where it is not known [m³/m³]. Result: findings, the most telling first, and what could not
    be tested.
    """
    signal = signal_of(content, expected=expected, events=events, weather=weather)
    case = Case(signal, expected, threshold, limits, events)
    nothing = dead(case)
    if nothing:
        return Health(expected.sensor_id, (nothing,), (), signal, threshold, expected)
    tests = (
        wrong_zone, air_gap, downspout, judge_threshold, no_rewet, no_rain, jumps, never_crosses,
        dry_down, drift, swing, gaps,
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
