"""Resistance of copper wire, the drop of voltage along a lead, and what to buy."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._wire_model import WireRoutes
from siting.units import UnitsName, convert, unit_label

__all__ = [
    "CONDUCTORS_PER_SENSOR",
    "DROP_LIMIT",
    "SENSOR_CURRENT_A",
    "SUPPLY_V",
    "WIRE_GAUGES",
    "WireGauge",
    "awg_diameter_mm",
    "gauge_for",
    "parts_list",
    "voltage_drop",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class WireGauge:
    """A gauge of solid copper wire.

    Parameters
    ----------
    awg : int
        American wire gauge.
    ohm_per_km : float
        Resistance to direct current at 75 °C [ohm/km].
    reference : str
        Where the number comes from.
    """

    awg: int
    ohm_per_km: float
    reference: str = (
        "NFPA 70 (National Electrical Code), Chapter 9, Table 8, uncoated copper, solid"
    )


#: From thin to thick; solid conductors, as irrigation wire mostly is.
WIRE_GAUGES: Final = (
    WireGauge(18, 25.5),
    WireGauge(16, 16.0),
    WireGauge(14, 10.1),
    WireGauge(12, 6.34),
    WireGauge(10, 3.984),
)

#: Irrigation controllers supply 24 V AC. At 50 or 60 Hz the impedance of such thin wires is their
#: resistance.
SUPPLY_V: Final = 24.0
#: What a sensor draws [A], and the share of the voltage that its lead may lose: common practice, no
#: source. The sensor's instructions win.
SENSOR_CURRENT_A: Final = 0.1
DROP_LIMIT: Final = 0.05
#: There and back.
CONDUCTORS_PER_SENSOR: Final = 2

#: Spare wire: share of the length, and loop left at each end [m]; common practice, no source.
WIRE_SPARE: Final = 0.10
WIRE_LOOP_M: Final = 0.6
#: Length of a spool [m]; a longer run has a splice in a box (500 ft, common practice).
SPOOL_M: Final = 152.4

_WIRE: Final = "two-conductor direct-burial irrigation wire"


def awg_diameter_mm(awg: int) -> float:
    """Return the diameter of a wire gauge.

    Parameters
    ----------
    awg : int
        American wire gauge.

    Returns
    -------
    float
        0.127 x 92^((36 - n) / 39) [mm].

    References
    ----------
    ASTM B258, nominal diameters of solid round wire.

    Examples
    --------
    >>> round(awg_diameter_mm(18), 3)
    1.024
    """
    return float(0.127 * 92 ** ((36 - awg) / 39))


def voltage_drop(
    length_m: Floats | float, *, ohm_per_km: float, current_a: float = SENSOR_CURRENT_A
) -> Floats:
    """Return the voltage lost along a two-conductor lead.

    Parameters
    ----------
    length_m : ndarray or float
        One way [m].
    ohm_per_km : float
        Resistance of one conductor [ohm/km].
    current_a : float
        Current [A].

    Returns
    -------
    ndarray
        2 x length x resistance x current [V].

    Examples
    --------
    >>> round(float(voltage_drop(100.0, ohm_per_km=25.5)), 3)
    0.51
    """
    both_ways = CONDUCTORS_PER_SENSOR * np.asarray(length_m, dtype=float) / 1000
    return np.asarray(both_ways * ohm_per_km * current_a, dtype=float)


def gauge_for(length_m: float) -> tuple[int, float]:
    """Choose the thinnest wire that keeps the voltage, and what it loses.

    Parameters
    ----------
    length_m : float
        Of the lead, one way; NaN where unknown [m].

    Returns
    -------
    awg : int
        Gauge; the thickest where none will do, 0 where the length is unknown.
    drop : float
        Voltage lost [V].
    """
    if not math.isfinite(length_m):
        return 0, float("nan")
    for gauge in WIRE_GAUGES:
        drop = float(voltage_drop(length_m, ohm_per_km=gauge.ohm_per_km))
        if drop <= DROP_LIMIT * SUPPLY_V:
            break
    return gauge.awg, drop


def parts_list(wires: WireRoutes, *, units: UnitsName = "metric") -> pd.DataFrame:
    """List what to buy for the wiring.

    Parameters
    ----------
    wires : WireRoutes
        As from `siting.wiring.wire_routes`.
    units : {"metric", "us"}
        Units of the quantities.

    Returns
    -------
    DataFrame
        item, quantity, unit, note. Lengths are rounded up to whole units; unknown ones are NaN.
    """
    routes, count = wires.routes, len(wires.lengths)
    dug = count - len(wires.links)
    trench = routes[routes["kind"] == "trench"]
    known = bool(wires.lengths["trench_m"].notna().all())
    open_ = float((trench["length_m"] - trench["paved_m"]).sum()) if known else float("nan")
    paved = float(trench["paved_m"].sum()) if known else float("nan")
    crossings = int((trench["paved_m"] > 0).sum())
    length = wires.lengths["wire_m"].to_numpy(dtype=float)
    joints = int(np.nansum(np.floor(length / SPOOL_M)))
    metre = unit_label("length", units)
    splices = math.ceil(CONDUCTORS_PER_SENSOR * (dug + joints) * (1 + WIRE_SPARE))
    boxes = "one beside each sensor" + (f", {joints} where a spool ends" if joints else "")
    rows: list[tuple[str, float, str, str]] = [
        ("soil-moisture sensor", count, "each", ""),
        *_wire_rows(wires, units),
        ("waterproof direct-burial splice", splices, "each", "two per joint, one in ten spare"),
        ("splice box", dug + joints, "each", boxes),
        ("trench in open ground", _whole(open_, units), metre, "call before you dig"),
    ]
    if wires.links:
        note = f"for {', '.join(wires.links)}: ground in play about it or in the way"
        rows.append(("wireless link, sender and receiver", len(wires.links), "each", note))
    if wires.decoders:
        note = f"for {', '.join(wires.decoders)}, in a valve box; with a receiver at its controller"
        rows.append(("decoder", len(wires.decoders), "each", note))
    if paved > 0:
        note = f"{crossings} crossing{'' if crossings == 1 else 's'}, see the map; bore, or sleeve"
        rows.append(("sleeve or bore under paving", _whole(paved, units), metre, note))
    return pd.DataFrame(rows, columns=["item", "quantity", "unit", "note"])


def _wire_rows(wires: WireRoutes, units: UnitsName) -> list[tuple[str, float, str, str]]:
    """Return the wire to buy, one row per gauge."""
    metre, lengths = unit_label("length", units), wires.lengths.drop(index=list(wires.links))
    gauges = sorted(set(lengths["gauge_awg"]), reverse=True)
    rows = []
    for gauge in gauges:
        part = lengths[lengths["gauge_awg"] == gauge]
        wire = float(part["wire_m"].sum(skipna=False)) + 2 * WIRE_LOOP_M * len(part)
        drop = float(part["drop_v"].max())
        lost = f"; at most {drop:.1f} V of {SUPPLY_V:g} V lost" if gauge else ""
        size = f"{gauge} AWG solid copper" if gauge else "gauge by its length"
        note = (
            f"{size}{lost}; paths to the controllers, {WIRE_SPARE:.0%} spare, a loop at each end; "
            "check against the sensor's instructions"
        )
        item = _WIRE if len(gauges) == 1 else f"{_WIRE}, {gauge} AWG"
        rows.append((item, _whole(wire * (1 + WIRE_SPARE), units), metre, note))
    return rows


def _whole(metres: float, units: UnitsName) -> float:
    if not math.isfinite(metres):
        return float("nan")
    return float(math.ceil(round(convert(metres, "length", units), 6)))
