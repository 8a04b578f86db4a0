"""Water really saved: metered use against what it would have been in the same weather."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import t as student

__all__ = ["Savings", "period_need", "realised_savings"]

_FEWEST: Final = 5  # periods before the change: two coefficients and something to judge them by


@dataclass(frozen=True)
class Savings:
    """What was saved since a day.

    Parameters
    ----------
    before, after : int
        Periods of each.
    used_m3, expected_m3 : float
        Use since the change, and what the old way would have used in the same weather [m³].
    saved_m3, low_m3, high_m3 : float
        Their difference and its confidence range [m³].
    fraction : float
        Saved over expected.
    r2 : float
        Of the regression.
    confidence : float
        Of the range.
    words : str
        The same in plain words.
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

    Parameters
    ----------
    periods : DataFrame
        Columns start, end.
    daily_need_m3 : Series
        By day: what plants need less what rain brings, all zones [m³/d].

    Returns
    -------
    ndarray, shape (N,)
        Need from start up to, not with, the day of end; NaN where a day is not known [m³].
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

    Parameters
    ----------
    periods : DataFrame
        Columns start, end, used_m3 [m³].
    daily_need_m3 : Series
        Net irrigation requirement by day [m³/d].
    since : Timestamp
        When the sensors took over; the period in which it lies counts for neither side.
    confidence : float
        Of the range.

    Returns
    -------
    Savings or str
        What was saved, or why nothing can be claimed.

    Notes
    -----
    Ordinary least squares of use per day on need per day over the periods before, weighted by their
    days; the expected use since is the sum of the predictions, and the range holds both the
    scatter of those periods and the error of the coefficients.

    References
    ----------
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
