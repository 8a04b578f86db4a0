"""The readings sheet: what a plan prints on it, what a crew fills in, and within which limits.

Shared by the writers (`siting.handoff.readingsheet`, `siting.handoff.webmap`) and the reader
(`siting.commission.judge`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from siting.language import Figure, say, side_by_side, vocabulary
from siting.units import UnitsName

Kind = Literal["text", "number", "length", "time", "flag", "word"]
#: What a sensor may be read in; see `siting.commission.judge`.
READING_UNITS: Final = ("%", "m3/m3", "kPa", "device")
#: Readings that a unit can show: low, high.
UNIT_RANGES: Final = {
    "%": (1.0, 75.0),
    "m3/m3": (0.01, 0.75),
    "kPa": (0.0, 3000.0),
    "device": (0.0, math.inf),
}
#: What a file of the map's field page calls itself.
FIELD_FORMAT: Final = "siting-field/1"
#: A position further than this from the property is not on it [degrees].
FAR_DEG: Final = 0.05


#: When tapes and GPS do not agree; the map's script knows them by these names. Common practice, no
#: source.
TAPE_LIMITS: Final = {
    "blunder": 4.0,  # a residual beyond this many tape errors is no scatter
    "agree": 4.0,  # tapes and GPS must lie within this many of their errors
    "same": 3.0,  # two crossings nearer than this many errors are one
    "sure": 2.0,  # of two crossings the GPS must be nearer to one by this many of its errors
    # Tapes that lead further from the plan than the first, and within the second when exchanged,
    # are taken to be swapped [m].
    "far": 2.0,
    "near": 0.6,
    "gps_error": 3.0,  # of a handheld GPS where none is stated [m]
}


@dataclass(frozen=True)
class SheetColumn:
    """One column of the readings sheet.

    Parameters
    ----------
    name : str
        Our name; a length's header carries its unit behind it, see `header`.
    kind : str
        What a cell holds.
    words : str
        What to write there.
    printed : bool
        Whether the plan prints it; the crew fills in the others.
    low, high : float
        Range, in our unit: a length in metres, a depth of water in mm.
    unit : str
        Unit of the header ("m", "mm", "mm_h", or "" for none).
    us_unit : str
        Its counterpart in the US.
    allowed : tuple of str
        The words that a word column takes.
    """

    name: str
    kind: Kind
    words: str
    printed: bool = False
    low: float = float("-inf")
    high: float = float("inf")
    unit: str = ""
    us_unit: str = ""
    allowed: tuple[str, ...] = field(default=())

    @property
    def factors(self) -> dict[str, float]:
        """Endings that the header may carry, and their factor to our unit."""
        if not self.unit:
            return {"": 1.0}
        known = _FACTORS["m" if self.kind == "length" else self.unit]
        return {f"_{unit}": factor for unit, factor in known.items()}


_FACTORS: Final[dict[str, dict[str, float]]] = {
    "m": {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254},
    "mm": {"mm": 1.0, "cm": 10.0, "in": 25.4},
    "mm_h": {"mm_h": 1.0, "in_h": 25.4},
}


def header(column: SheetColumn, units: UnitsName) -> str:
    """Return the header of a column, with its unit.

    Parameters
    ----------
    column : SheetColumn
        The column.
    units : {"metric", "us"}
        Units of the property.

    Returns
    -------
    str
        The header.

    Examples
    --------
    >>> header(SENSOR_COLUMNS[7], "us")
    'depth_in'
    """
    unit = column.us_unit if units == "us" and column.us_unit else column.unit
    return f"{column.name}_{unit}" if unit else column.name


def allowed_words(column: SheetColumn, header: str, *, as_tape: bool = True) -> str:
    """Say what a cell of a column may hold.

    Parameters
    ----------
    column : SheetColumn
        The column.
    header : str
        Its header, whose ending says the unit.
    as_tape : bool
        Whether feet may also be written with inches beside them.

    Returns
    -------
    str
        The words, in the unit of the header.

    Examples
    --------
    >>> allowed_words(SENSOR_COLUMNS[7], "depth_mm")
    'a number from 10 to 1500 mm'
    """
    if column.kind == "word":
        return side_by_side([vocabulary(word) for word in column.allowed], ", ")
    if column.kind == "flag":
        return say("yes or no")
    if column.kind == "time":
        return say("a date as 2026-05-04, or 2026-05-04 07:30")
    ends = {e: f for e, f in column.factors.items() if header == column.name + e}
    ending, factor = next(iter(ends.items()), ("", 1.0))
    low, high = (Figure(f"{end / factor:.4g}") for end in (column.low, column.high))
    if math.isinf(column.low) and math.isinf(column.high):
        told = say("a number")
    elif math.isinf(column.high):
        told = say("a number from {low}", low=low)
    else:
        told = say("a number from {low} to {high}", low=low, high=high)
    unit = vocabulary(ending.lstrip("_").replace("_", "/"))
    told = side_by_side([told, unit])
    return say("{number}, or as 24 ft 6 in", number=told) if as_tape and ending == "_ft" else told


def handed_out(columns: Sequence[SheetColumn], units: UnitsName) -> tuple[SheetColumn, ...]:
    """Return the columns as printed: a tape in feet has one for the inches beside it.

    Parameters
    ----------
    columns : sequence of SheetColumn
        As below.
    units : {"metric", "us"}
        Units of the property.

    Returns
    -------
    tuple of SheetColumn
        In the order of the sheet.
    """
    found: list[SheetColumn] = []
    for column in columns:
        found.append(column)
        if units == "us" and column.us_unit == "ft" and column.name.startswith("tie_"):
            found.append(
                replace(column, us_unit="in", words=say("inches of the same tape, below 12"))
            )
    return tuple(found)


def _tie(number: int) -> SheetColumn:
    words = say(
        "tape from fixed point {number} of the crew sheet to the sensor, as built", number=number
    )
    return SheetColumn(f"tie_{number}", "length", words, low=0.1, high=200, unit="m", us_unit="ft")


def _reading(number: int) -> tuple[SheetColumn, SheetColumn]:
    time = say("date and time of reading {number}, as 2026-05-04 07:30", number=number)
    return (
        SheetColumn(f"reading_{number}_at", "time", time),
        SheetColumn(
            f"reading_{number}",
            "number",
            say("what the device showed (reading {number})", number=number),
        ),
    )


#: One row per sensor.
SENSOR_COLUMNS: Final = (
    SheetColumn("sensor_id", "text", say("printed; leave as it is"), printed=True),
    SheetColumn("zone", "text", say("printed"), printed=True),
    SheetColumn("valve", "text", say("printed"), printed=True),
    SheetColumn("planned_depth", "length", say("printed"), printed=True, unit="mm", us_unit="in"),
    SheetColumn("planned_ties", "text", say("printed: the tapes of the plan"), printed=True),
    SheetColumn(
        "wait_h", "number", say("printed: hours between soaking and reading"), printed=True
    ),
    SheetColumn("buried_on", "time", say("date of burial, as 2026-05-01")),
    SheetColumn(
        "depth", "length", say("depth as buried"), low=0.01, high=1.5, unit="mm", us_unit="in"
    ),
    *(_tie(number) for number in (1, 2, 3)),
    SheetColumn(
        "side", "word", say("left or right of the line from point 1 to point 2, seen from point 1"),
        allowed=("left", "right"),
    ),
    SheetColumn("lat", "number", say("latitude by GPS, decimal degrees"), low=-90, high=90),
    SheetColumn("lon", "number", say("longitude by GPS, decimal degrees"), low=-180, high=180),
    SheetColumn(
        "gps_error", "length", say("error that the GPS states"), low=0.001, high=50, unit="m",
        us_unit="ft",
    ),
    SheetColumn("soaked_at", "time", say("end of the soaking, as 2026-05-02 07:30")),
    SheetColumn("reading_unit", "word", say("unit of the readings"), allowed=READING_UNITS),
    *_reading(1),
    *_reading(2),
    *_reading(3),
    SheetColumn("watered_since", "flag", say("yes when the place was watered after the soaking")),
    SheetColumn(
        "rain_since", "number", say("rain after the soaking"), low=0, high=500, unit="mm",
        us_unit="in",
    ),
    SheetColumn("threshold_set", "number", say("threshold as set, in the unit of the readings")),
    SheetColumn("note", "text", say("anything worth knowing")),
)  # fmt: skip
#: One row per zone.
ZONE_COLUMNS: Final = (
    SheetColumn("zone", "text", say("printed; leave as it is"), printed=True),
    SheetColumn("planned_soil", "text", say("printed: soil of the plan"), printed=True),
    SheetColumn(
        "planned_root_depth", "length", say("printed"), printed=True, unit="mm", us_unit="in"
    ),
    SheetColumn("jar_sand", "number", say("jar test: sand layer, any one unit"), low=0, high=1000),
    SheetColumn("jar_silt", "number", say("jar test: silt layer, same unit"), low=0, high=1000),
    SheetColumn("jar_clay", "number", say("jar test: clay layer, same unit"), low=0, high=1000),
    SheetColumn(
        "intake", "number", say("measured basic intake rate"), low=0.1, high=500, unit="mm_h",
        us_unit="in_h",
    ),
    SheetColumn(
        "root_depth", "length", say("measured depth of most roots"), low=0.02, high=3.0, unit="mm",
        us_unit="in",
    ),
    SheetColumn("note", "text", say("anything worth knowing")),
)  # fmt: skip
#: One row per catch can.
CAN_COLUMNS: Final = (
    SheetColumn("zone", "text", say("printed; leave as it is"), printed=True),
    SheetColumn("can", "number", say("printed: number of the can"), printed=True),
    SheetColumn(
        "lat", "number", say("latitude, decimal degrees; may stay empty"), low=-90, high=90
    ),
    SheetColumn("lon", "number", say("longitude, decimal degrees"), low=-180, high=180),
    SheetColumn(
        "caught", "number", say("depth of water in the can"), low=0, high=500, unit="mm",
        us_unit="in",
    ),
    SheetColumn("minutes", "number", say("run time of the test"), low=0.5, high=1440),
)  # fmt: skip
