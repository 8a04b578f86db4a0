"""What a judgement of a sensor is made of: limits, findings, and the case while it is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from siting._commission_model import Expected
from siting._commission_signal import Signal, Wetting

__all__ = ["LIMITS", "Case", "Finding", "Health", "Limits", "middle"]


@dataclass(frozen=True)
class Limits:
    """Where a test begins to speak. Judgement of this project, no source.

    gap_share: share of the log that may be missing; stuck_h, stuck_share: a value that does not
    move for so long is stuck [h], share of the log that may be; answer: median rise over possible
    rise below which a sensor does not answer; least_answers: fewest events that a test of answers
    needs; sharp: median rise over possible rise of small rains above which water is led there;
    low_plateau: plateau over the plan's field capacity below which the sensor does not touch the
    soil; spike: share of a rise lost within a day, with a low plateau, that means an air gap;
    high_depletion, low_depletion: share of the available water gone at the threshold, beyond the
    plan's own by the first or short of it by the second; mostly: share of the log below a threshold
    that hardly ever skips; slow, fast: measured over modelled dry-down slope; drift: drift of the
    plateau [m³/m³ per 30 days]; swing: half the rise within a dry day [m³/m³]; jumps: rises that
    nothing explains.
    """

    gap_share: float = 0.5
    stuck_h: float = 72.0
    stuck_share: float = 0.25
    answer: float = 0.3
    least_answers: int = 3
    sharp: float = 1.7
    low_plateau: float = 0.68
    spike: float = 0.5
    high_depletion: float = 0.35
    low_depletion: float = 0.1
    mostly: float = 0.62
    slow: float = 0.3
    fast: float = 3.0
    drift: float = 0.02
    swing: float = 0.008
    jumps: int = 4


#: The limits used.
LIMITS: Final = Limits()


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
    as set, as water content, NaN where it is not known [m³/m³]; limits: where tests begin to speak;
    events: valve runs: start, valve, minutes [min], may be empty; untested: what could not be
    tested, and why, tests add to it.
    """

    signal: Signal
    expected: Expected
    threshold: float
    limits: Limits
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
        return len(jumps) > 0 and int((jumps["cause"] == "").sum()) >= self.limits.least_answers

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
    """Return the median of some answers.

    Result: NaN where there is none.
    """
    return float(np.median([a for _, a in answers])) if answers else math.nan
