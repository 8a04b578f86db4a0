"""What a log shows and what the plan expects of it: rises, dry-downs, stability."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd

from siting.arrays import Flags, Floats
from siting.water.balance import effective_rain, layer_step

#: Share of days without known rain beyond which nothing can be reckoned.
_UNKNOWN_RAIN: Final = 0.2


@dataclass(frozen=True)
class Expected:
    """What the plan expects of the ground round a sensor.

    sensor_id, zone, valve: which sensor, where, on which valve; field_capacity, wilting_point: of
    the soil [m³/m³]; root_depth_m, layer_mm: root zone [m], layer that the sensor reads [mm];
    depletion_fraction: share of the available water that plants use without stress; rate_mm_h:
    precipitation rate of the valve [mm/h]; crop_factor: ETc over reference ET; low_fraction: share
    of the available water gone at the planned threshold; wait_h: how long the soil drains to field
    capacity [h].
    """

    sensor_id: str
    zone: str
    valve: str
    field_capacity: float
    wilting_point: float
    root_depth_m: float
    layer_mm: float
    depletion_fraction: float
    rate_mm_h: float
    crop_factor: float
    low_fraction: float
    wait_h: float = 48.0

    @property
    def available(self) -> float:
        """Field capacity less wilting point [m³/m³]."""
        return self.field_capacity - self.wilting_point


def modelled_content(
    expected: Expected, *, events: pd.DataFrame, weather: pd.DataFrame
) -> pd.Series:
    """Return the content of the sensor's layer by the plan's own balance, from field capacity.

    events: valve runs: start, valve, minutes [min]; weather: index `date`, rain_mm, eto_mm [mm/d],
    a few days of unknown rain count as dry. Result: daily; empty where reference ET or rain is not
    known [m³/m³].

    FAO-56 Eqs 84, 85, by `siting.water.balance.layer_step`.
    """
    one = np.ones(1)
    table = modelled_contents(
        expected, events=events, weather=weather, crop=one, storage=one, received=one
    )
    return pd.Series(dtype=float) if table.empty else table[0].rename(None)


def modelled_contents(
    expected: Expected,
    *,
    events: pd.DataFrame,
    weather: pd.DataFrame,
    crop: Floats,
    storage: Floats,
    received: Floats,
) -> pd.DataFrame:
    """Return the same for several cases at once, one column each.

    crop, storage, received (S,): demand, available water and water of the valve, over what is
    expected.
    """
    days = weather.dropna(subset=["eto_mm"]) if len(weather) else weather
    if days.empty or float(days["rain_mm"].isna().mean()) > _UNKNOWN_RAIN:
        return pd.DataFrame()
    own = events[(events["valve"] == expected.valve) & (events["minutes"] > 0)]
    depth = pd.Series(dtype=float)
    if len(own):
        on = pd.to_datetime(own["start"]).dt.normalize()
        depth = (own["minutes"] / 60 * expected.rate_mm_h).groupby(on).sum()
    taw = 1000 * expected.available * expected.root_depth_m * storage
    share = min(expected.layer_mm / (1000 * expected.root_depth_m), 1.0)
    rain = days["rain_mm"].fillna(0.0).to_numpy(dtype=float)
    eto = days["eto_mm"].to_numpy(dtype=float)
    fallen, given = (
        effective_rain(rain, eto),
        depth.reindex(days.index).fillna(0.0).to_numpy(dtype=float),
    )
    whole, upper = np.zeros(len(crop)), np.zeros(len(crop))
    content = np.empty((len(days), len(crop)))
    for n in range(len(days)):
        state = layer_step(
            whole, upper, water=fallen[n] + given[n] * received,
            etc=expected.crop_factor * crop * eto[n], taw=taw,
            raw=expected.depletion_fraction * taw, share=share,
        )  # fmt: skip
        whole, upper = state.depletion, state.upper
        held = share * 1000 * expected.root_depth_m
        content[n] = expected.field_capacity - upper / held
    return pd.DataFrame(content, index=days.index)


_HOUR: Final = pd.Timedelta(hours=1)
_DAY: Final = pd.Timedelta(days=1)
#: Logs finer than this are taken by the hour, others by the day [h].
_FINE_H: Final = 6.0
#: Gaps up to this are bridged [h].
_BRIDGE_H: Final = 6
#: Runs of a valve nearer than this are cycles of one event [h].
_CYCLE_H: Final = 5.0
#: How long after its start an event shows [h].
_SHOWS_H: Final = 12
#: When the plateau is read after the last wetting, in shares of the soil's time to drain; not
#: before a day.
_PLATEAU: Final = (0.6, 1.6)
_SMALL_RAIN_MM: Final = 0.5
#: Least length of a dry spell [h], and least modelled slope that a slope is held against
#: [m³/m³ per day].
_DRY_H: Final = 36
_LEAST_SLOPE: Final = 0.003


@dataclass(frozen=True)
class Wetting:
    """One event of rain or of a valve, and what the sensor did.

    start, end: window in which it shows; kind: "own", "other" or "rain"; valve: the valve, "" for
    rain; mm: water on the ground [mm], NaN for another valve; before, rise: content before, and its
    greatest rise in the window [m³/m³]; beside: what else wetted the ground from 12 h before to the
    end of the window: "own", "rain", or the name of another valve.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    kind: str
    valve: str
    mm: float
    before: float
    rise: float
    beside: frozenset[str]

    @property
    def alone(self) -> bool:
        """Whether nothing else wetted the ground."""
        return not self.beside


@dataclass(frozen=True)
class Signal:
    """A sensor's curve on a regular step and everything read off it.

    content: by the hour or the day, NaN in gaps [m³/m³]; step_h: 1 or 24; raw: as logged, in the
    same unit [m³/m³]; noise: standard deviation of one value, by the differences of quiet hours
    [m³/m³]; wettings: by time; plateaus: content a day or two after larger wettings [m³/m³];
    dry_downs: columns start, end, slope, modelled [m³/m³ per day]: spells without water; jumps:
    columns time, rise, cause ("own", "other", "rain" or ""), valve; swing: half the rise within the
    middle dry day, NaN for daily logs [m³/m³]; modelled: the same layer by the plan's own balance,
    daily [m³/m³].
    """

    content: pd.Series
    step_h: int
    raw: pd.Series
    noise: float
    wettings: tuple[Wetting, ...] = ()
    plateaus: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    dry_downs: pd.DataFrame = field(default_factory=pd.DataFrame)
    jumps: pd.DataFrame = field(default_factory=pd.DataFrame)
    swing: float = math.nan
    modelled: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))

    @property
    def plateau(self) -> float:
        """Field capacity as the log shows it; NaN where no larger wetting was followed."""
        return float(self.plateaus.quantile(0.75)) if len(self.plateaus) else math.nan


def signal_of(
    content: pd.Series, *, expected: Expected, events: pd.DataFrame, weather: pd.DataFrame
) -> Signal:
    """Read a sensor's curve.

    content: logged content by time, any interval [m³/m³]; events: valve runs: start, valve, minutes
    [min], may be empty; weather: index `date`, rain_mm, eto_mm [mm/d], days without rain known are
    NaN. Result: the curve and what it shows.
    """
    regular, step = _regular(content)
    smooth = regular.rolling(3, center=True, min_periods=1).median() if step == 1 else regular
    noise = _noise(regular)
    wettings = _wettings(smooth, step, expected=expected, events=events, weather=weather)
    wet = _wet_mask(pd.DatetimeIndex(smooth.index), wettings)
    model = modelled_content(expected, events=events, weather=weather)
    return Signal(
        content=regular,
        step_h=step,
        raw=content,
        noise=noise,
        wettings=wettings,
        plateaus=_plateaus(smooth, step, wettings, expected, model),
        dry_downs=_dry_downs(smooth, step, wettings, model, noise),
        jumps=_jumps(smooth, step, wettings, noise),
        swing=_swing(smooth, wet) if step == 1 else math.nan,
        modelled=model,
    )


def _regular(content: pd.Series) -> tuple[pd.Series, int]:
    """Return the curve by the hour or the day, with short gaps bridged, and the step [h]."""
    known = content.dropna().sort_index()
    if len(known) < 2:  # noqa: PLR2004 - one value has no interval
        return known, 24
    gaps = np.diff(known.index.to_numpy()).astype("timedelta64[s]").astype(float) / 3600
    if float(np.median(gaps)) > _FINE_H:
        return known.resample("1D").mean(), 24
    hourly = known.resample("1h").mean()
    bridged = hourly.interpolate("time", limit=_BRIDGE_H, limit_area="inside")
    # `limit` fills the first hours of a long gap too; those stay empty.
    empty = hourly.isna()
    run = empty.groupby((~empty).cumsum()).transform("sum")
    return bridged.where(~empty | (run <= _BRIDGE_H)), 1


def _noise(regular: pd.Series) -> float:
    """Return the noise of one value: the middle of the second differences, which drying has not."""
    second = np.diff(regular.to_numpy(dtype=float), 2)
    second = second[np.isfinite(second)]
    if second.size == 0:
        return math.nan
    return float(1.4826 * np.median(np.abs(second)) / math.sqrt(6.0))


def _events_of(
    events: pd.DataFrame, valve: str | None, excluded: str
) -> list[tuple[pd.Timestamp, pd.Timestamp, str, float]]:
    """Return start, end, valve and minutes of events; cycles of one event are joined."""
    ran = events[events["minutes"] > 0]
    ran = ran[ran["valve"] == valve] if valve is not None else ran[ran["valve"] != excluded]
    found: list[tuple[pd.Timestamp, pd.Timestamp, str, float]] = []
    for name, part in ran.sort_values("start").groupby("valve", sort=True):
        for start, minutes in zip(part["start"], part["minutes"], strict=True):
            at, length = pd.Timestamp(start), float(minutes)
            end = at + pd.Timedelta(minutes=length)
            if found and found[-1][2] == str(name) and at - found[-1][1] < _CYCLE_H * _HOUR:
                found[-1] = (found[-1][0], end, str(name), found[-1][3] + length)
            else:
                found.append((at, end, str(name), length))
    return sorted(found)


def _wettings(
    smooth: pd.Series,
    step: int,
    *,
    expected: Expected,
    events: pd.DataFrame,
    weather: pd.DataFrame,
) -> tuple[Wetting, ...]:
    """Return every event of rain or of a valve within the log, with the sensor's answer."""
    if smooth.empty:
        return ()
    raw: list[tuple[pd.Timestamp, pd.Timestamp, pd.Timestamp, str, str, float]] = []
    for start, end, valve, minutes in _events_of(events, expected.valve, ""):
        depth = minutes / 60 * expected.rate_mm_h
        raw.append((*_window(start, end, step), end, "own", valve, depth))
    for start, end, valve, _ in _events_of(events, None, expected.valve):
        raw.append((*_window(start, end, step), end, "other", valve, math.nan))
    raw += [
        (start, last + _DAY + (6 * _HOUR if step == 1 else 0 * _HOUR), last + _DAY, "rain", "", mm)
        for start, last, mm in _rains(weather)
    ]
    first, last = smooth.index[0], smooth.index[-1]
    inside = sorted(w for w in raw if w[0] >= first and w[1] <= last + step * _HOUR)
    starts = np.array([w[0].value for w in inside], dtype=np.int64)
    overs = np.array([w[2].value for w in inside], dtype=np.int64)
    margin = (_SHOWS_H * _HOUR).value
    found = []
    for n, (start, end, _, kind, valve, mm) in enumerate(inside):
        near = (starts < end.value) & (overs + margin > start.value)
        near[n] = False
        labels = [inside[k][4] if inside[k][3] == "other" else inside[k][3]
                  for k in np.flatnonzero(near)]  # fmt: skip
        before, rise = _answer(smooth, start, end, step)
        found.append(Wetting(start, end, kind, valve, mm, before, rise, frozenset(labels)))
    return tuple(found)


def _rains(weather: pd.DataFrame) -> list[tuple[pd.Timestamp, pd.Timestamp, float]]:
    """Return first day, last day and depth of every rain; days on end are one rain."""
    rain = weather["rain_mm"].dropna() if len(weather) else pd.Series(dtype=float)
    found: list[tuple[pd.Timestamp, pd.Timestamp, float]] = []
    for day, mm in rain[rain > _SMALL_RAIN_MM].items():
        at = pd.Timestamp(str(day))
        if found and at - found[-1][1] <= _DAY:
            found[-1] = (found[-1][0], at, found[-1][2] + float(mm))
        else:
            found.append((at, at, float(mm)))
    return found


def _window(start: pd.Timestamp, end: pd.Timestamp, step: int) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return when an event shows: from its start to half a day after its end."""
    if step == 1:
        return start.floor("h") - _HOUR, end.ceil("h") + _SHOWS_H * _HOUR
    return start.normalize(), start.normalize() + _DAY


def _answer(
    smooth: pd.Series, start: pd.Timestamp, end: pd.Timestamp, step: int
) -> tuple[float, float]:
    """Return the content before, and the greatest rise from a low to a later high."""
    lead = start - step * _HOUR
    window = smooth.loc[lead:end].to_numpy(dtype=float)
    if window.size < 2 or not np.isfinite(window).any():  # noqa: PLR2004
        return math.nan, math.nan
    known = window[np.isfinite(window)]
    lowest = np.minimum.accumulate(known)
    rises = known - lowest
    top = int(np.argmax(rises))
    return float(lowest[top]), float(rises[top])


def _wet_mask(index: pd.DatetimeIndex, wettings: tuple[Wetting, ...]) -> Flags:
    """Tell which steps lie within a day of rain or an event of the own valve."""
    wet = np.zeros(len(index), dtype=bool)
    for wetting in wettings:
        if wetting.kind != "other":
            wet |= np.asarray((index >= wetting.start) & (index <= wetting.end + _DAY))
    return wet


def _plateaus(
    smooth: pd.Series,
    step: int,
    wettings: tuple[Wetting, ...],
    expected: Expected,
    model: pd.Series,
) -> pd.Series:
    """Return the content after wettings that fill the layer, once the soil has drained.

    What plants have drawn since is added back by the model, where reference ET is known.
    """
    real = [w for w in wettings if w.kind != "other"]
    needed = 0.5 * expected.available * expected.layer_mm
    found = {}
    for n, wetting in enumerate(real):
        later = real[n + 1].start if n + 1 < len(real) else smooth.index[-1]
        recent = sum(w.mm for w in real[: n + 1] if w.end > wetting.start - 2 * _DAY)
        since = wetting.end - (_SHOWS_H * _HOUR if step == 1 else _DAY)
        low = since + max(_PLATEAU[0] * expected.wait_h, 24) * _HOUR
        high = since + max(_PLATEAU[1] * expected.wait_h, 36) * _HOUR
        part = smooth.loc[low : min(high, later)].dropna()
        if recent >= needed and len(part) * step >= 6:  # noqa: PLR2004 - hours
            drawn = _drawn(model, pd.DatetimeIndex(part.index), expected)
            found[part.index[0]] = float(np.median(part.to_numpy(dtype=float) + drawn))
    series = pd.Series(found, dtype=float)
    return series[~series.index.duplicated()] if len(series) else series


def _drawn(model: pd.Series, times: pd.DatetimeIndex, expected: Expected) -> Floats:
    """Return how far the model's layer is below field capacity at some times [m³/m³]."""
    if model.empty:
        return np.zeros(len(times))
    ends = _days_from(pd.DatetimeIndex(model.index) + _DAY, times[0])
    at = np.interp(_days_from(times, times[0]), ends, model.to_numpy(dtype=float))
    gone: Floats = np.clip(expected.field_capacity - at, 0.0, 0.5 * expected.available)
    return gone


def _days_from(times: pd.DatetimeIndex, start: pd.Timestamp) -> Floats:
    """Return times as days since a start."""
    days: Floats = np.asarray((times - start) / _DAY, dtype=np.float64)
    return days


def _dry_downs(
    smooth: pd.Series,
    step: int,
    wettings: tuple[Wetting, ...],
    model: pd.Series,
    noise: float,
) -> pd.DataFrame:
    """Return slope, and the model's, of every dry spell (36 h, or three days of a daily log)."""
    columns = ["start", "end", "slope", "modelled"]
    if smooth.empty or model.empty:
        return pd.DataFrame(columns=columns)
    real = sorted((w.start, w.end) for w in wettings if w.kind != "other")
    edges = [(smooth.index[0], smooth.index[0]), *real, (smooth.index[-1], smooth.index[-1])]
    rows = []
    reach = edges[0][1]
    for (_, end), (start, _) in pairwise(edges):
        reach = max(reach, end)
        first = reach + (_DAY / 2 if step == 1 else _DAY)
        part = smooth.loc[first:start].dropna()
        # Daily content of the model is that of the day's end.
        days = model.loc[first.normalize() - _DAY : start.normalize()]
        length = (len(part) - 1) * step
        if length < (_DRY_H if step == 1 else 2 * _DRY_H) or len(days) < 3:  # noqa: PLR2004
            continue
        x = _days_from(pd.DatetimeIndex(part.index), first)
        ends = _days_from(pd.DatetimeIndex(days.index) + _DAY, first)
        drawn = np.interp(x, ends, days.to_numpy(dtype=float))
        slopes = [float(np.polyfit(x, y, 1)[0]) for y in (part.to_numpy(dtype=float), drawn)]
        if slopes[1] < -max(_LEAST_SLOPE, 2 * noise):
            rows.append((part.index[0], part.index[-1], *slopes))
    return pd.DataFrame(rows, columns=columns)


def _jumps(
    smooth: pd.Series, step: int, wettings: tuple[Wetting, ...], noise: float
) -> pd.DataFrame:
    """Return every rise that stands out from the noise, and what explains it."""
    span = 4 if step == 1 else 1
    least = max(0.015, 6 * (noise if math.isfinite(noise) else 0.0))
    values = smooth.to_numpy(dtype=float)
    rows = []
    if values.size > span:
        rise = values[span:] - values[:-span]
        up = np.nan_to_num(rise, nan=-1.0) >= least
        begins = np.flatnonzero(up & ~np.concatenate([[False], up[:-1]]))
        for begin in begins:
            stop = begin + int(np.argmin(np.append(up[begin:], False)))
            height = float(np.nanmax(rise[begin : max(stop, begin + 1)]))
            at = smooth.index[int(begin) + span // 2]
            cause, valve = _cause(at, wettings, step)
            rows.append((at, height, cause, valve))
    return pd.DataFrame(rows, columns=["time", "rise", "cause", "valve"])


def _cause(at: pd.Timestamp, wettings: tuple[Wetting, ...], step: int) -> tuple[str, str]:
    """Return what explains a rise: the own valve, rain, another valve, or nothing."""
    slack = 2 * _HOUR if step == 1 else _DAY
    here = [w for w in wettings if w.start - slack <= at <= w.end + slack / 2]
    for kind in ("own", "rain", "other"):
        for wetting in here:
            if wetting.kind == kind:
                return kind, wetting.valve
    return "", ""


def _swing(smooth: pd.Series, wet: Flags) -> float:
    """Return half the rise within the middle dry day.

    Plants only ever lower the content of a dry day; what rises and falls with the hour is the
    sensor's temperature or loose contact.
    """
    dry = smooth[~wet].dropna()
    days = [day for _, day in dry.groupby(pd.DatetimeIndex(dry.index).normalize())]
    rises = [
        float((day - day.cummin()).max())
        for day in days
        if len(day) >= 20  # noqa: PLR2004
    ]
    return float(np.median(rises) / 2) if len(rises) >= 3 else math.nan  # noqa: PLR2004


#: Rank, among the points of a zone, at which a sensor is placed: the middle of the driest quarter.
_WANTED = 0.125
_ENOUGH = 5
#: Standard deviation of one reading of a hand probe, as a portable one is sold (+-2 % by volume,
#: UF/IFAS EDIS HS1222, as quoted) [m3/m3].
_PROBE = 0.02
_SURE = 2.0


def together(series: Mapping[str, pd.Series]) -> pd.DataFrame:
    """Put logs or surveys side by side, by the day.

    Result: one column per name, only times at which all are known.
    """
    table = pd.DataFrame({name: s.resample("1D").mean() for name, s in series.items() if len(s)})
    return table.dropna()


def stability_words(found: pd.DataFrame, sensors: Mapping[str, str]) -> tuple[str, ...]:
    """Say whether each sensor is still the driest representative point; one sentence per sensor."""
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
