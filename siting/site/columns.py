"""The columns of each layer: headers matched, values checked, units put right."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal, NamedTuple, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from siting.arrays import Flags, Floats
from siting.errors import Fault, Findings, brief, is_plain, limit, nearest, some
from siting.site.settings import FIXTURES, IRRIGATION, PLANTS, SOILS, TURF_TABLES, LayerSource
from siting.units import GALLON_M3, INCH_MM, LENGTH_UNITS_M

#: How like a known name an unknown header must be to be taken for a misspelling of it.
_MISSPELT: Final = 0.85
#: Shapefiles cut column names to this length.
_SHAPEFILE_NAME: Final = 10
Kind = Literal["text", "word", "flag", "number", "length"]


@dataclass(frozen=True)
class Column:
    """One column of a layer.

    name: our name of it; kind: what its values are, a length may be in any unit of
    `siting.units.LENGTH_UNITS_M`; required: whether the layer is refused without it; low, high:
    least and greatest value, in our unit; words: the words allowed; unit: our unit, for messages;
    suffixes: ends that the header may carry -> factor to our unit; mend: what most often mends a
    value out of range.
    """

    name: str
    kind: Kind
    required: bool = False
    low: float = -float("inf")
    high: float = float("inf")
    words: tuple[str, ...] = ()
    unit: str = ""
    suffixes: Mapping[str, float] = field(default_factory=dict)
    mend: str = "Correct the value."

    @property
    def endings(self) -> Mapping[str, float]:
        """Every end that the header may carry."""
        if self.kind == "length":
            return {"": 1.0, **{f"_{unit}": size for unit, size in LENGTH_UNITS_M.items()}}
        return {"": 1.0, **self.suffixes}

    @property
    def allowed(self) -> str:
        """What is allowed, in words."""
        if self.words:
            return ", ".join(self.words)
        if self.kind == "flag":
            return "true or false, 1 or 0, yes or no"
        return f"a number from {self.low:g} to {self.high:g} {self.unit}".rstrip()


class Match(NamedTuple):
    """Which of the file's columns holds one of ours.

    theirs: the file's header; factor: our value over the file's.
    """

    theirs: str
    factor: float


_UNIT_MEND: Final = 'If it is in another unit, say so with `units_in` (for example "ft").'


#: Rates that are read, by the end of their header -> factor to mm/h.
_RATES: Final = {"_mm_h": 1.0, "_in_h": INCH_MM}
_RATE_MEND: Final = (
    "In inches per hour the column is precipitation_rate_in_h, in millimetres "
    "precipitation_rate_mm_h"
)
_TRUNK_MEND: Final = (
    "Trunks are often in inches under feet: name the column trunk_diameter_in, or write "
    'units_in = { trees = { trunk_diameter = "in" } }, the other columns of trees beside it.'
)


def _length(name: str, low: float, high: float) -> Column:
    return Column(name, "length", low=low, high=high, unit="m", mend=_UNIT_MEND)


def _share(name: str) -> Column:
    return Column(name, "number", low=0, high=1, mend="Write a fraction: 20 % is 0.2.")


_PERCENT: Final = {"_percent": 1.0, "_pct": 1.0}
#: Properties of a soil beyond its texture.
_SOIL: Final = (
    Column("organic_matter", "number", low=0, high=8, unit="%", suffixes=_PERCENT),
    Column("compaction", "number", low=0.9, high=1.3, mend="1 is a soil left alone, 1.2 is hard."),
    Column("gravel", "number", low=0, high=80, unit="%", suffixes=_PERCENT),
)
#: Columns of the hydrozones that override a published or computed coefficient.
COEFFICIENTS: Final = (
    Column("ks", "number", low=0.01, high=1.5),
    Column("kd", "number", low=0.3, high=1.5),
    Column("kmc", "number", low=0.2, high=1.6),
    Column("seasons_planted", "number", low=0, high=100, unit="seasons"),
    Column("depletion_fraction", "number", low=0.1, high=0.8, mend="Write a fraction."),
    Column("turf_table", "word", words=TURF_TABLES),
    *_SOIL,
    Column("field_capacity", "number", low=0.02, high=0.7, mend="Write a fraction by volume."),
    Column("wilting_point", "number", low=0.005, high=0.6, mend="Write a fraction by volume."),
    Column("subsoil", "word", words=SOILS),
    _length("topsoil_depth", 0.01, 3),
    Column(
        "intake_rate",
        "number",
        low=0.1,
        high=500,
        unit="mm/h",
        suffixes=_RATES,
        mend=_RATE_MEND.replace("precipitation", "intake") + ".",
    ),
    Column("application_efficiency", "number", low=0.1, high=1, mend="Write a fraction."),
)
#: Columns that are read, by layer. Ranges are generous: they catch wrong units, not rare cases.
COLUMNS: Final[dict[str, tuple[Column, ...]]] = {
    "boundary": (),
    "hydrozones": (
        Column("zone", "text", required=True),
        Column("valve", "text"),
        Column("controller", "text"),
        Column("plants", "word", required=True, words=PLANTS),
        Column("soil", "word", words=SOILS),
        Column("sand", "number", low=0, high=100, unit="%", suffixes=_PERCENT),
        Column("clay", "number", low=0, high=100, unit="%", suffixes=_PERCENT),
        Column("irrigation", "word", words=IRRIGATION),
        Column(
            "precipitation_rate",
            "number",
            low=0.5,
            high=300,
            unit="mm/h",
            suffixes=_RATES,
            mend=f"{_RATE_MEND}.",
        ),
        Column(
            "distribution_uniformity",
            "number",
            low=0.05,
            high=1,
            mend="Write a fraction: 65 % is 0.65.",
        ),
        _length("root_depth", 0.02, 5),
        Column("plant_factor", "number", low=0, high=1.5),
        Column("slope", "number", low=0, high=200, unit="%", suffixes=_PERCENT),
        *COEFFICIENTS,
        Column("new_sod", "flag"),
        Column("in_play", "flag"),
        Column("rain_share", "number", low=0, high=1, mend="Write a fraction: 50 % is 0.5."),
    ),
    "soils": (
        Column("soil", "word", words=SOILS),
        Column("sand", "number", low=0, high=100, unit="%", suffixes=_PERCENT),
        Column("clay", "number", low=0, high=100, unit="%", suffixes=_PERCENT),
        *_SOIL,
    ),
    "buildings": (
        _length("height", 0, 900),
        Column("levels", "number", low=0, high=200),
    ),
    "trees": (
        _length("height", 0.2, 120),
        _length("crown_diameter", 0.1, 60),
        replace(_length("trunk_diameter", 0.005, 6), mend=_TRUNK_MEND),
        _length("crown_base", 0, 60),
        _share("transmissivity"),
        _share("transmissivity_bare"),
        Column("evergreen", "flag"),
    ),
    "walls": (
        replace(_length("height", 0.1, 60), required=True),
        _share("transmissivity"),
    ),
    "paving": (),
    "fixtures": (
        Column("kind", "word", required=True, words=FIXTURES),
        Column("valve", "text"),
        Column("name", "text"),
        _length("wetted_radius", 0.3, 60),
        Column(
            "nozzle_flow",
            "number",
            low=0,
            high=2000,
            unit="L/min",
            suffixes={"_l_min": 1.0, "_gpm": 1000 * GALLON_M3},
        ),
    ),
    "cans": (
        Column(
            "depth",
            "number",
            low=0,
            high=500,
            unit="mm",
            suffixes={"_mm": 1.0, "_in": INCH_MM},
        ),
        Column("volume", "number", low=0, high=20_000, unit="mL", suffixes={"_ml": 1.0}),
        _length("mouth_diameter", 0.02, 1.0),
        Column("minutes", "number", low=0.1, high=1440, unit="min", suffixes={"_min": 1.0}),
    ),
    "paths": (Column("name", "text"),),
    "utilities": (Column("kind", "text"),),
}
#: Tags of OpenStreetMap that mean one of our columns, in lower case.
_TAGS: Final = {
    ("buildings", "levels"): ("building:levels", "building_levels"),
    ("trees", "crown_diameter"): ("diameter_crown",),
    ("trees", "height"): ("est_height",),
}
_OSM_IDS: Final = frozenset({"osm_id", "osm_way_id", "@id", "other_tags"})
#: Headers of common base maps that look like ours but mean something else.
_OTHERS: Final = frozenset({"level", "heights"})


def normal_header(header: str) -> str:
    """Return a header as headers are compared: case, spaces and hyphens do not matter.

    Parameters
    ----------
    header : str
        As written.

    Returns
    -------
    str
        Lower case, with underscores.
    """
    return header.strip().lower().replace(" ", "_").replace("-", "_")


def is_osm(headers: Iterable[str]) -> bool:
    """Tell whether columns are tags of OpenStreetMap: an id of its, or a key with a colon.

    Its numbers are text, and lengths are in metres where no unit is written.
    """
    return any(
        normal_header(h) in _OSM_IDS or re.fullmatch(r"(building|roof|addr|height):\w+", h.strip())
        for h in headers
    )


def match_columns(
    layer: str, file: str, headers: Iterable[str], source: LayerSource, findings: Findings
) -> dict[str, Match]:
    """Match a file's headers to the columns of a layer.

    Case, spaces and hyphens do not matter, and a header may carry its unit (`height_ft`).

    headers: the file's column names; source: column map and units that the user gave; findings:
    where missing, doubled and misspelt columns are noted. Returns our name -> the file's column and
    its factor, absent columns are left out.
    """
    matcher = _Matcher(layer, file, tuple(headers), source, findings)
    found: dict[str, Match] = {}
    absent: list[Column] = []
    for column in COLUMNS[layer]:
        mapped = source.columns.get(column.name)
        match = matcher.mapped(column, mapped) if mapped else matcher.by_name(column)
        if match and not mapped and match.theirs in {other.theirs for other in found.values()}:
            match = None  # two names that a shapefile cuts to the same ten letters
        if match and mapped != "":
            found[column.name] = match
        elif mapped is None or (mapped == "" and column.required):
            absent.append(column)
    matcher.note_misspelt(absent, {match.theirs for match in found.values()})
    return found


def unit_is_stated(name: str, match: Match, source: LayerSource) -> bool:
    """Return whether the unit of a column was stated: in its header or in the property file.

    name: our name of the column; match: the file's column. Returns False where metres were assumed.
    """
    ends = tuple(f"_{unit}" for unit in LENGTH_UNITS_M)
    stated = source.unit_stated or name in source.column_units
    return stated or normal_header(match.theirs).endswith(ends)


def unit_is_its_own(name: str, match: Match, source: LayerSource, column: Column) -> bool:
    """Return whether the unit of a column was stated for it alone, not for the whole layer."""
    ends = tuple(end for end in column.endings if end)
    return name in source.column_units or normal_header(match.theirs).endswith(ends)


class _Matcher(NamedTuple):
    """Matches the headers of one layer."""

    layer: str
    file: str
    headers: tuple[str, ...]
    source: LayerSource
    findings: Findings

    def fault(self, column: str, found: str, allowed: str, mend: str) -> None:
        fault = Fault(self.file, found, allowed, mend, layer=self.layer, column=column)
        self.findings.faults.append(fault)

    def mapped(self, column: Column, theirs: str) -> Match | None:
        """Return the column that the user named.

        column: which of our columns. Returns None when the file has no such header.
        """
        hits = [h for h in self.headers if h == theirs] or [
            h for h in self.headers if normal_header(h) == normal_header(theirs)
        ]
        if hits:
            return Match(hits[0], self.factor(column, normal_header(hits[0])))
        near = nearest(theirs, self.headers)
        mend = f'Did you mean "{near}"?' if near else "Correct the column map."
        allowed = ", ".join(self.headers) or "none, the layer has no columns"
        self.fault(column.name, f'no column "{theirs}", to which it is mapped', allowed, mend)
        return None

    def by_name(self, column: Column) -> Match | None:
        """Return the column that carries our name, with or without a unit.

        column: which of our columns. Returns None when no header carries the name.
        """
        names = {column.name + ending for ending in column.endings}
        hits = [h for h in self.headers if normal_header(h) in names]
        tags = _TAGS.get((self.layer, column.name), ())
        hits = hits or [h for h in self.headers if normal_header(h) in tags]
        if not hits and self.source.path.suffix.lower() == ".shp":
            hits = self.cut_by_shapefile(column)
        if len(hits) > 1:
            self.fault(column.name, " and ".join(hits), "one column", "Map the right one by name.")
        return Match(hits[0], self.factor(column, normal_header(hits[0]))) if hits else None

    def cut_by_shapefile(self, column: Column) -> list[str]:
        """Return headers that are our name cut to ten letters.

        column: which of our columns. Returns the headers, mostly one or none.
        """
        if len(column.name) <= _SHAPEFILE_NAME:
            return []
        hits = [h for h in self.headers if normal_header(h) == column.name[:_SHAPEFILE_NAME]]
        if hits and column.unit:
            unit = self.source.length_unit if column.kind == "length" else column.unit
            self.findings.warn(
                f'{self.file}: column "{hits[0]}" was read as {column.name} in {unit} '
                "(shapefiles cut names to ten letters)."
            )
        return hits

    def factor(self, column: Column, header: str) -> float:
        """Return the factor to our unit: by the user's word, else by the header's end.

        column: which of our columns. Returns from the file's unit to ours.
        """
        if column.name in self.source.column_units:
            return column.endings[f"_{self.source.column_units[column.name]}"]
        endings = sorted((e for e in column.endings if e), key=len, reverse=True)
        for ending in endings:
            if header.endswith(ending):
                return column.endings[ending]
        return LENGTH_UNITS_M[self.source.length_unit] if column.kind == "length" else 1.0

    def note_misspelt(self, absent: list[Column], taken: set[str]) -> None:
        """Note required columns that are missing, and headers that look like a misspelling.

        absent: columns that were not found.
        """
        free = [h for h in self.headers if h not in taken and normal_header(h) not in _OTHERS]
        for column in absent:
            names = [column.name + ending for ending in column.endings]
            near = _most_like(names, free, 0.5 if column.required else _MISSPELT)
            if not near and not column.required:
                continue
            found = f'no such column, but "{near}"' if near else "no such column"
            mend = (
                f'Rename the column, or map it with columns = {{ {column.name} = "{near}" }}'
                + ("." if column.required else f'; {column.name} = "" says that there is none.')
                if near
                else f'Add it, or map yours with columns = {{ {column.name} = "..." }}.'
            )
            self.fault(column.name, found, column.name, mend)


def _most_like(names: Iterable[str], headers: Iterable[str], cutoff: float) -> str | None:
    """Return the header that is most like one of the names."""
    best = max(
        ((_likeness(name, normal_header(header)), header) for name in names for header in headers),
        default=(0.0, ""),
    )
    return best[1] if best[0] >= cutoff else None


def _likeness(name: str, header: str) -> float:
    """Return how alike two names are, 0 to 1; swapped letters count as quite alike."""
    ratio = difflib.SequenceMatcher(None, name, header).ratio()
    return max(ratio, 0.9) if sorted(name) == sorted(header) else ratio


T = TypeVar("T")
_NUMBER: Final = re.compile(r"^([+-]?\d+(?:[.,]\d+)?)\s*([a-z_'’\"″]*)\.?$", re.IGNORECASE)
_FEET_INCHES: Final = re.compile(r"^(\d+)\s*['’]\s*(\d+(?:\.\d+)?)\s*[\"″]?$")
_THOUSANDS: Final = re.compile(r",\d{3}$")
_WRITTEN_UNITS: Final = {
    **LENGTH_UNITS_M,
    **dict.fromkeys(("metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("foot", "feet", "'", "’"), LENGTH_UNITS_M["ft"]),
    **dict.fromkeys(("inch", "inches", '"', "″"), LENGTH_UNITS_M["in"]),
}
#: Numbers that stand for "no value" in one program or another, with either sign.
_MARKS: Final = frozenset({99.0, 999.0, 9999.0, 99999.0, 99.9, 999.9, 9999.9, 6999.0, 32768.0})
_TRUE: Final = frozenset({"1", "yes", "y", "true", "t"})
_FALSE: Final = frozenset({"0", "no", "n", "false", "f"})


@dataclass(frozen=True)
class Layer:
    """A layer as it was read.

    name, file: name of the layer, one of ours, name of the file, for messages; source: what the
    user said about it; frame: the features, the index holds the feature ids as text; columns: our
    name -> the file's column.
    """

    name: str
    file: str
    source: LayerSource
    frame: gpd.GeoDataFrame
    columns: Mapping[str, Match]

    def column(self, name: str) -> Column:
        """Return what is known about one of our columns.

        name: our name of the column. Returns its kind, range and words.
        """
        return next(column for column in COLUMNS[self.name] if column.name == name)

    def raw(self, name: str) -> list[Any]:
        """Return the values as they stand in the file, None where there is none.

        name: our name of the column. Returns one value per feature.
        """
        match = self.columns.get(name)
        if match is None:
            return [None] * len(self.frame)
        values = self.frame[match.theirs].tolist()
        ours = self.source.vocabulary.get(name, {})
        return [None if _is_null(v) else ours.get(plain_word(str(v)), v) for v in values]

    def fault(
        self,
        findings: Findings,
        found: str,
        allowed: str,
        mend: str,
        *,
        features: Sequence[str] = (),
        column: str | None = None,
    ) -> None:
        """Note a fault of this layer.

        column: our name of the column concerned.
        """
        feature = some(features) if features else None
        fault = Fault(
            self.file, found, allowed, mend, layer=self.name, feature=feature, column=column
        )
        findings.faults.append(fault)


def _is_null(value: object) -> bool:
    if isinstance(value, str):
        return not value.strip()
    return value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value))


def parse_number(text: str, *, length: bool = False, factor: float = 1.0) -> float:
    """Return the number that a text means.

    Parameters
    ----------
    text : str
        As written.
    length : bool
        Whether it may carry a unit of length.
    factor : float
        From the column's unit to ours, where no unit is written.

    Returns
    -------
    float
        In our unit [m for lengths]; NaN when the text is no number, or could be read in two ways.

    Examples
    --------
    >>> parse_number("12.13 m", length=True)
    12.13
    >>> parse_number("6,5")
    6.5
    >>> round(parse_number("30 ft", length=True), 3)
    9.144
    """
    plain = text.strip()
    if length and (parts := _FEET_INCHES.match(plain)):
        return float(parts[1]) * LENGTH_UNITS_M["ft"] + float(parts[2]) * LENGTH_UNITS_M["in"]
    match = _NUMBER.match(plain)
    if match is None or _THOUSANDS.search(match[1]):
        return math.nan
    number, unit = float(match[1].replace(",", ".")), match[2].lower()
    if not unit:
        return number * factor
    return number * _WRITTEN_UNITS.get(unit, math.nan) if length else math.nan


def numbers(layer: Layer, name: str, findings: Findings) -> Floats:
    """Return a column of numbers in our unit.

    name: our name of the column. Returns NaN where the file has no value or a faulty one, shape
    (N,).
    """
    column, raw = layer.column(name), layer.raw(name)
    factor = layer.columns[name].factor if name in layer.columns else 1.0
    length, taken = column.kind == "length", layer.source.text_numbers
    values = np.full(len(raw), np.nan)
    as_text: list[int] = []
    bad: list[int] = []
    for row, value in enumerate(raw):
        if isinstance(value, str):
            values[row] = parse_number(value, length=length, factor=factor) if taken else np.nan
            (bad if taken and np.isnan(values[row]) else as_text).append(row)
        elif isinstance(value, bool | np.bool_) or not isinstance(value, int | float | None):
            bad.append(row)
        elif value is not None:
            values[row] = value * factor
    _note_mixed(layer, name, values, findings)
    _note_texts(layer, column, as_text, findings)
    _note_rows(layer, column, bad, findings)
    wrong = ~np.isnan(values) & ~((values >= column.low) & (values <= column.high))
    if wrong.any():
        ids = layer.frame.index[wrong].tolist()
        shown = some([f"{v:.6g}" for v in values[wrong]]) + f" {column.unit}".rstrip()
        mend = _mend_marks(layer, name, wrong) + column.mend
        layer.fault(findings, shown, column.allowed, mend, features=ids, column=name)
        values[wrong] = np.nan
    return values


def _note_mixed(layer: Layer, name: str, values: Floats, findings: Findings) -> None:
    """Say where a file mixes numbers and texts that the driver took for numbers."""
    match = layer.columns.get(name)
    if match is None or layer.frame[match.theirs].dtype != object:
        return
    known = np.count_nonzero(~np.isnan(values))
    if known and not layer.source.text_numbers:
        findings.warn(
            f"{layer.file}, {layer.name}: {match.theirs} is of mixed types in the file; {known} "
            "values were read as numbers."
        )


def _mend_marks(layer: Layer, name: str, wrong: Flags) -> str:
    """Return how to mend values out of range that look like marks for missing ones, else ""."""
    values = [v for v, bad in zip(layer.raw(name), wrong, strict=True) if bad]
    marks = sorted({f"{v:g}" for v in values if isinstance(v, int | float) and abs(v) in _MARKS})
    if not marks:
        return ""
    looks = f"{some(marks)} looks like a mark for missing values"
    return f"{looks}: leave those cells empty (null). "


def _note_texts(layer: Layer, column: Column, rows: list[int], findings: Findings) -> None:
    """Note numbers written as text: a warning when the user allowed them, else a fault."""
    if not rows:
        return
    if layer.source.text_numbers:
        unit = layer.source.length_unit if column.kind == "length" else column.unit
        without = f"; those without a unit were taken in {unit}" if unit else ""
        findings.warn(
            f"{layer.file}, {layer.name}: {len(rows)} values of {column.name} were written as "
            f"text and read as numbers{without}."
        )
        return
    mend = (
        "Make the column numeric, or allow text with "
        f"layers.{layer.name} = {{ file = ..., text_numbers = true }}."
    )
    _note_rows(layer, column, rows, findings, mend=mend)


def _note_rows(
    layer: Layer,
    column: Column,
    rows: list[int],
    findings: Findings,
    *,
    mend: str = "Correct the value.",
) -> None:
    if not rows:
        return
    raw = layer.raw(column.name)
    ids = [str(layer.frame.index[row]) for row in rows]
    shown = some([f'"{brief(raw[r])}"' if isinstance(raw[r], str) else raw[r] for r in rows])
    layer.fault(findings, shown, column.allowed, mend, features=ids, column=column.name)


def texts(layer: Layer, name: str, findings: Findings) -> list[str | None]:
    """Return a column of texts, stripped; whole numbers lose their ".0", so that 1.0 is "1".

    name: our name of the column. Returns None where the file has no value, or a faulty one.
    """
    found = [None if value is None else _as_text(value) for value in layer.raw(name)]
    most = int(limit("text"))
    long = [i for i, text in enumerate(found) if text is not None and len(text) > most]
    unseen = [i for i, text in enumerate(found) if text and i not in long and not is_plain(text)]
    for rows, what, allowed in (
        (long, f"texts of more than {most} characters", f"at most {most} characters"),
        (unseen, "texts with control characters or line breaks", "plain text"),
    ):
        if rows:
            ids = [str(layer.frame.index[row]) for row in rows]
            shown = some([f'"{brief(found[row])}"' for row in rows], most=2)
            mend = "Write it anew, and shorter." if rows is long else "Write it anew."
            layer.fault(findings, f"{what} ({shown})", allowed, mend, features=ids, column=name)
    faulty = {*long, *unseen}
    return [None if i in faulty else text for i, text in enumerate(found)]


def _as_text(value: object) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def words(layer: Layer, name: str, findings: Findings) -> list[str | None]:
    """Return a column of words of the vocabulary; case, spaces and hyphens do not matter.

    name: our name of the column; findings: where unknown words are noted, each once, with the
    nearest known one. Returns as spelt in the vocabulary, None where there is no value or an
    unknown one.
    """
    column = layer.column(name)
    known = {plain_word(word): word for word in column.words}
    required = "a value" if column.required else ""

    def parse(value: object) -> str | None:
        return known.get(plain_word(str(value)))

    def mend(value: object) -> str:
        near = nearest(plain_word(str(value)), known)
        return f'Write "{known[near]}".' if near else "Write one of these."

    found = _parse_each(layer, column, parse, mend, findings)
    empty = [i for i, v in zip(layer.frame.index, layer.raw(name), strict=True) if v is None]
    if required and empty and name in layer.columns:
        layer.fault(
            findings, "no value", column.allowed, "Fill it in.", features=empty, column=name
        )
    return found


def plain_word(word: str) -> str:
    """Return a word as words are compared: case, spaces and hyphens do not matter."""
    return re.sub(r"[\s_\-]+", " ", word.strip().lower())


def flags(layer: Layer, name: str, findings: Findings) -> Flags:
    """Return a column of yes and no; no where the file has no value.

    name: our name of the column. Returns the flags, shape (N,).
    """
    found = maybe_flags(layer, name, findings)
    return np.array([bool(value) for value in found], dtype=bool)


def maybe_flags(layer: Layer, name: str, findings: Findings) -> list[bool | None]:
    """Return a column of yes and no; None where the file has no value.

    name: our name of the column. Returns one for each feature.
    """
    return _parse_each(
        layer, layer.column(name), _yes_or_no, lambda _: "Write yes or no.", findings
    )


def _yes_or_no(value: object) -> bool | None:
    word = _as_text(value).lower()
    return True if word in _TRUE else False if word in _FALSE else None


def _parse_each(
    layer: Layer,
    column: Column,
    parse: Callable[[object], T | None],
    mend: Callable[[object], str],
    findings: Findings,
) -> list[T | None]:
    """Parse every value, and note each bad one once with all its features."""
    bad: dict[str, list[str]] = {}
    found: list[T | None] = []
    for feature, value in zip(layer.frame.index, layer.raw(column.name), strict=True):
        parsed = None if value is None else parse(value)
        found.append(parsed)
        if value is not None and parsed is None:
            bad.setdefault(str(value), []).append(str(feature))
    most = int(limit("faults"))
    for value, features in list(bad.items())[:most]:
        layer.fault(
            findings,
            f'"{brief(value)}"',
            column.allowed,
            mend(value),
            features=features,
            column=column.name,
        )
    rest = [feature for features in list(bad.values())[most:] for feature in features]
    if rest:
        found_rest = f"{len(bad) - most:,} more values that are not allowed"
        layer.fault(
            findings, found_rest, column.allowed, "Correct them.", features=rest, column=column.name
        )
    return found
