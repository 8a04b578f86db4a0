"""Water really saved: metered use against what it would have been in the same weather."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm as normal
from scipy.stats import t as student

__all__ = ["Savings", "logged_savings", "period_need", "realised_savings"]

#: Standard deviation of a valve's application rate, as a share of it.
_RATE_ERROR: Final = 0.1
_FEWEST: Final = 5  # periods before the change: two coefficients and something to judge them by


@dataclass(frozen=True)
class Savings:
    """What was saved since a day.

    before, after: periods of each; used_m3, expected_m3: use since the change, and what the old way
    would have used in the same weather [m³]; saved_m3, low_m3, high_m3: their difference and its
    confidence range [m³]; fraction: saved over expected; r2: of the regression; confidence: of the
    range; words: the same in plain words.
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
    confidence: float
    words: str


def period_need(periods: pd.DataFrame, daily_need_m3: pd.Series) -> NDArray[np.float64]:
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
    periods: pd.DataFrame, daily_need_m3: pd.Series, *, since: pd.Timestamp, confidence: float = 0.9
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
    reach = float(student.ppf(0.5 + confidence / 2, freedom)) * error
    saved = expected - used_new
    sure = abs(saved) > reach
    words = (
        f"Since {since:%Y-%m-%d} {used_new:,.0f} m³ were used; the same weather would have taken "
        f"{expected:,.0f} m³ before. Saved {saved:,.0f} m³ ({100 * saved / expected:.0f} %), with "
        f"{100 * confidence:.0f} % confidence {saved - reach:,.0f} to {saved + reach:,.0f} m³"
        + ("." if sure else ": not yet distinct from nothing.")
        + f" Baseline: {int(old.sum())} periods, R² {r2:.2f}."
    )
    return Savings(
        before=int(old.sum()), after=int(new.sum()), used_m3=used_new, expected_m3=expected,
        saved_m3=saved, low_m3=saved - reach, high_m3=saved + reach, fraction=saved / expected,
        r2=r2, confidence=confidence, words=words,
    )  # fmt: skip


def logged_savings(
    timer_m3: pd.Series, logged_m3: pd.Series, *, days: int, confidence: float = 0.9
) -> str:
    """Compare logged valve runs with today's timer over the same days.

    timer_m3, logged_m3: by valve: what the timer would have used, and what the log says was used
    [m³]; days: days that the log spans [d]. Result: what was saved, in plain words.

    The timer does not look at the weather, so that the same days need no normalising. The range is
    that of the valves' application rates, each known to about 10 % (judgement, no source).
    """
    gap = (timer_m3 - logged_m3).dropna()
    expected, used = float(timer_m3[gap.index].sum()), float(logged_m3[gap.index].sum())
    error = _RATE_ERROR * math.sqrt(float((gap**2).sum()))
    reach = float(normal.ppf(0.5 + confidence / 2)) * error
    saved = expected - used
    share = 100 * saved / expected if expected > 0 else math.nan
    return (
        f"By the log of {len(gap)} valves over {days} days {used:,.0f} m³ were used, where today's "
        f"timer would have used {expected:,.0f} m³: saved {saved:,.0f} m³ ({share:.0f} %), with "
        f"{100 * confidence:.0f} % confidence {saved - reach:,.0f} to {saved + reach:,.0f} m³. It "
        "rests on reckoned rates; a water meter says more."
    )
