"""The columns of each layer, and how a file's headers are matched to them."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal, NamedTuple

from siting.errors import Fault
from siting.site.findings import Findings, nearest
from siting.site.settings import LayerSource
from siting.site.vocabulary import FIXTURES, IRRIGATION, PLANTS, SOILS, TURF_TABLES
from siting.units import GALLON_M3, INCH_MM, LENGTH_UNITS_M

__all__ = [
    "COEFFICIENTS",
    "COLUMNS",
    "Column",
    "Match",
    "match_columns",
    "normal_header",
    "unit_is_stated",
]

#: How like a known name an unknown header must be to be taken for a misspelling of it.
_MISSPELT: Final = 0.85
#: Shapefiles cut column names to this length.
_SHAPEFILE_NAME: Final = 10

Kind = Literal["text", "word", "flag", "number", "length"]


@dataclass(frozen=True)
class Column:
    """One column of a layer.

    Parameters
    ----------
    name : str
        Our name of it.
    kind : str
        What its values are; a length may be in any unit of `siting.units.LENGTH_UNITS_M`.
    required : bool
        Whether the layer is refused without it.
    low, high : float
        Least and greatest value, in our unit.
    words : tuple of str
        The words allowed.
    unit : str
        Our unit, for messages.
    suffixes : mapping of str to float
        Ends that the header may carry -> factor to our unit.
    mend : str
        What most often mends a value out of range.
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

    Parameters
    ----------
    theirs : str
        The file's header.
    factor : float
        Our value over the file's.
    """

    theirs: str
    factor: float


_UNIT_MEND: Final = 'If it is in another unit, say so with `units_in` (for example "ft").'


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
        suffixes={"_mm_h": 1.0, "_in_h": INCH_MM},
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
            suffixes={"_mm_h": 1.0, "_in_h": INCH_MM},
            mend="If it is in inches per hour, name the column precipitation_rate_in_h.",
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
        _length("trunk_diameter", 0.005, 6),
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


def match_columns(
    layer: str, file: str, headers: Iterable[str], source: LayerSource, findings: Findings
) -> dict[str, Match]:
    """Match a file's headers to the columns of a layer.

    Case, spaces and hyphens do not matter, and a header may carry its unit (`height_ft`).

    Parameters
    ----------
    layer, file : str
        Name of the layer (one of `COLUMNS`); name of the file, for messages.
    headers : iterable of str
        The file's column names.
    source : LayerSource
        Column map and units that the user gave.
    findings : Findings
        Where missing, doubled and misspelt columns are noted.

    Returns
    -------
    dict of str to Match
        Our name -> the file's column and its factor; absent columns are left out.
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

    Parameters
    ----------
    name : str
        Our name of the column.
    match : Match
        The file's column.
    source : LayerSource
        What the user said.

    Returns
    -------
    bool
        False where metres were assumed.
    """
    ends = tuple(f"_{unit}" for unit in LENGTH_UNITS_M)
    stated = source.unit_stated or name in source.column_units
    return stated or normal_header(match.theirs).endswith(ends)


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

        Parameters
        ----------
        column : Column
            Which of our columns.
        theirs : str
            The header that the user named.

        Returns
        -------
        Match or None
            None when the file has no such header.
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

        Parameters
        ----------
        column : Column
            Which of our columns.

        Returns
        -------
        Match or None
            None when no header carries the name.
        """
        names = {column.name + ending for ending in column.endings}
        hits = [h for h in self.headers if normal_header(h) in names]
        if not hits and self.source.path.suffix.lower() == ".shp":
            hits = self.cut_by_shapefile(column)
        if len(hits) > 1:
            self.fault(column.name, " and ".join(hits), "one column", "Map the right one by name.")
        return Match(hits[0], self.factor(column, normal_header(hits[0]))) if hits else None

    def cut_by_shapefile(self, column: Column) -> list[str]:
        """Return headers that are our name cut to ten letters.

        Parameters
        ----------
        column : Column
            Which of our columns.

        Returns
        -------
        list of str
            The headers; mostly one or none.
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

        Parameters
        ----------
        column : Column
            Which of our columns.
        header : str
            The header, in lower case.

        Returns
        -------
        float
            From the file's unit to ours.
        """
        if column.name in self.source.column_units:
            return LENGTH_UNITS_M[self.source.column_units[column.name]]
        endings = sorted((e for e in column.endings if e), key=len, reverse=True)
        for ending in endings:
            if header.endswith(ending):
                return column.endings[ending]
        return LENGTH_UNITS_M[self.source.length_unit] if column.kind == "length" else 1.0

    def note_misspelt(self, absent: list[Column], taken: set[str]) -> None:
        """Note required columns that are missing, and headers that look like a misspelling.

        Parameters
        ----------
        absent : list of Column
            Columns that were not found.
        taken : set of str
            Headers that were matched.
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
