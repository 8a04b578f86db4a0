"""Temporal stability: which point stays the driest representative one, season after season."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

__all__ = ["relative_differences", "stability_words", "together", "walk_words"]

#: Rank, among the points of a zone, at which a sensor is placed: the middle of the driest quarter.
_WANTED = 0.125
_ENOUGH = 5
#: Standard deviation of one reading of a hand probe, as a portable one is sold (+-2 % by volume,
#: UF/IFAS EDIS HS1222, as quoted) [m3/m3].
_PROBE = 0.02
_SURE = 2.0


def together(series: Mapping[str, pd.Series], *, step: str = "1D") -> pd.DataFrame:
    """Put logs or surveys side by side.

    Result: one column per name, only times at which all are known.
    """
    table = pd.DataFrame({name: s.resample(step).mean() for name, s in series.items() if len(s)})
    return table.dropna()


def relative_differences(table: pd.DataFrame) -> pd.DataFrame:
    """Return how far each point lies from the mean of all, and how steadily.

    table: one column per point, one row per time, all in one unit, above 0. Result: index the
    points, driest first; columns mean (mean relative difference), sd (its standard deviation, N -
    1), times, rank (0 the driest, 1 the wettest), index (root of mean² + sd²: how well the point
    stands for the mean).

    Vachaud, Passerat de Silans, Balabanis & Vauclin 1985, Soil Sci. Soc. Am. J. 49:822-828: the
    mean over time of (value - spatial mean) / spatial mean, and its standard deviation. The index
    combines them as in Jacovides & Kontoyiannis 1995 (from memory).

    >>> relative_differences(pd.DataFrame({"a": [10.0, 20.0], "b": [30.0, 60.0]}))["mean"].to_dict()
    {'a': -0.5, 'b': 0.5}
    """
    middle = table.mean(axis=1)
    relative = table.sub(middle, axis=0).div(middle, axis=0)
    mean, sd = relative.mean(), relative.std(ddof=1)
    count = max(len(mean) - 1, 1)
    found = pd.DataFrame(
        {
            "mean": mean,
            "sd": sd,
            "times": len(table),
            "rank": (mean.rank(method="average") - 1) / count,
            "index": np.sqrt(mean**2 + sd**2),
        }
    )
    return found.sort_values("mean", kind="stable")


def stability_words(found: pd.DataFrame, sensors: Mapping[str, str]) -> tuple[str, ...]:
    """Say whether each sensor is still the driest representative point.

    Result: one sentence per sensor.
    """
    words = []
    means = found["mean"].astype(float).to_dict()
    spreads = found["sd"].astype(float).to_dict()
    times = int(found["times"].iloc[0]) if len(found) else 0
    for tag, zone in sensors.items():
        share = f"{100 * means[tag]:+.0f} % of the mean, give or take {100 * spreads[tag]:.0f}"
        text = f"{tag} in {zone} reads {share} ({times} times, {len(found)} points)"
        if len(found) < _ENOUGH:
            words.append(f"{text}: too few points to say whether it is still the driest.")
            continue
        drier = sum(mean < means[tag] for mean in means.values())
        wanted = found["rank"].sub(_WANTED).abs()
        best = str((wanted + found["sd"]).idxmin())
        if float(found["rank"][tag]) <= 2 * _WANTED + 1e-9:
            words.append(f"{text}: still among the driest quarter.")
        else:
            words.append(
                f"{text}: {drier} points are drier. {best} lies nearer to the middle of the driest "
                f"quarter ({100 * means[best]:+.0f} %, give or take "
                f"{100 * spreads[best]:.0f})."
            )
    return tuple(words)


def walk_words(tag: str, zone: str, readings: Mapping[str, pd.Series]) -> str:
    """Say where to dig after a walk with a hand probe over a sensor's point and its reserves.

    readings: readings [m3/m3] at the point (its tag) and at reserves ("R1", "R2"). Result: one
    sentence; "" with fewer than two places, or none at the point itself.
    """
    known = {place: values.dropna() for place, values in readings.items()}
    known = {place: values for place, values in known.items() if len(values)}
    if tag not in known or len(known) < 2:  # noqa: PLR2004
        return ""
    means = {place: float(values.mean()) for place, values in known.items()}
    error = {place: _PROBE / np.sqrt(len(values)) for place, values in known.items()}
    best = min(means, key=lambda place: (means[place], place != tag, place))
    listed = ", ".join(f"{place} {100 * means[place]:.1f}" for place in known)
    told = f"{tag} in {zone}, walked with a probe ({listed} % by volume)"
    apart, room = means[tag] - means[best], _SURE * float(np.hypot(error[tag], error[best]))
    if best == tag:
        return f"{told}: the planned point reads driest, dig there."
    if apart <= room:
        return f"{told}: alike within {100 * room:.1f}, so the planned point stays."
    by, most = f"{100 * apart:.1f}", f"{100 * room:.1f}"
    return f"{told}: {best} reads drier by {by}, more than {most}: dig there."
