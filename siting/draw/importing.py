"""Files that people have, read as layers of a property: what is which is guessed, and told.

Every file is split into parts: a layer, a folder, a CAD layer, or the features of one tag. For each
part the kind of thing is guessed from its name, then from its tags; what is not known is asked, or
left for `--layer name=kind`. Nothing is guessed in silence.
"""

from __future__ import annotations

import importlib.util
import json
import math
import re
import warnings
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, NoReturn

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError

from siting.draw.forms import THINGS, Thing
from siting.draw.heights import RASTERS, SURFACE, TERRAIN, fill_heights, pair_of
from siting.errors import Fault, InputError, brief, limit, nearest
from siting.site.columns import COLUMNS, Column, normal_header, parse_number
from siting.site.settings import PLANTS
from siting.units import LENGTH_UNITS_M, UnitsName

_MB: Final = 1_000_000
#: Corners of a closed line besides its last; areas that are none [m²].
_LEAST: Final = 3
_NOTHING: Final = 1e-6
#: Thicker trunks [m], and slower rates [mm/h], look like inches.
_STOUT_M: Final = 1.2
_SLOW_MM_H: Final = 2.5
_WGS84: Final = "EPSG:4326"
#: Left out on purpose.
SKIP: Final = "skip"
#: Words of a name -> kind of thing, the more telling first. Trade and CAD habit.
_NAMES: Final = (
    ("boundary", r"bound|property.?line|parcel|\blot\b|plot|cadast|grundst|prop(?![a-z])"),
    ("building", r"build|house|garage|structure|roof|footprint|bldg|shed"),
    ("head", r"sprinkler|\bheads?\b|nozzle|emitter"),
    ("valve_box", r"valve.?box|\bvalves\b"),
    ("controller", r"controller|\btimer\b|\bclock\b"),
    ("downspout", r"downspout|gutter"),
    ("hedge", r"hedge"),
    ("tree", r"tree|\bcrown|canopy"),
    ("wall", r"wall|fence|barrier"),
    ("zone", r"zone|bed|lawn|turf|grass|planting|shrub|hydro|ground.?cover|garden|\bveg"),
    ("paving", r"pav|drive|walk|terrace|patio|hardscape|concrete|asphalt|parking|road|street"),
    ("path", r"path|trail"),
    ("buried", r"util|pipe|gas|sewer|water.?main|cable|electric|mainline|lateral"),
)  # fmt: skip
#: Tags of OpenStreetMap -> kind of thing.
_TAGS: Final = (
    ("building", ("building",), None),
    ("tree", ("natural",), {"tree"}),
    ("hedge", ("barrier",), {"hedge"}),
    ("wall", ("barrier",), {"wall", "fence", "retaining_wall", "city_wall"}),
    ("path", ("highway",), {"footway", "path", "steps"}),
)
_PLANT_NAMES: Final = {
    "lawn": "cool_season_turf", "turf": "cool_season_turf", "grass": "cool_season_turf",
    "shrub": "shrubs", "tree": "trees", "perennial": "perennials", "annual": "annuals",
    "vegetable": "vegetables", "groundcover": "groundcover", "ground cover": "groundcover",
}  # fmt: skip
_SHAPES: Final = {"area": {3, 6}, "line": {1, 2, 5}, "point": {0, 4}, "circle": {0, 4, 3, 6}}
_KINDS: Final = {thing.name: thing for thing in THINGS}
_ALIAS: Final = {"hydrozones": "zone", "zones": "zone", "buildings": "building", "trees": "tree",
                 "walls": "wall", "paths": "path", "utilities": "buried"}  # fmt: skip
_FAILS: Final = (
    DataSourceError, DataLayerError, FeatureError, FieldError, GeometryError,
    shapely.errors.ShapelyError, RuntimeError, ValueError, ArithmeticError, OSError, KeyError,
    TypeError, IndexError, zipfile.BadZipFile,
)  # fmt: skip


@dataclass(frozen=True)
class Part:
    """Some features of a file that are of one kind.

    name: as `--layer` takes it; frame: columns as the file has them, and geometry; kind: guessed or
    told, "" where neither; why: in words; metric: whether its format is always in metres; lost:
    features without a shape, left out.
    """

    name: str
    file: str
    frame: gpd.GeoDataFrame
    kind: str = ""
    why: str = ""
    metric: bool = False
    lost: int = 0

    def told(self) -> str:
        """Return the guess as a sentence."""
        count = f"{len(self.frame)} feature{'s' if len(self.frame) != 1 else ''}"
        if self.kind == SKIP:
            return f"{self.file}: {self.name} ({count}) was left out, {self.why}."
        lost = f"; {self.lost} without a shape were left out" if self.lost else ""
        return f"{self.file}: {self.name} ({count}) was taken as {self.kind}, {self.why}{lost}."


@dataclass(frozen=True)
class Reading:
    """How files are read.

    told: name of a part -> kind, of `--layer`; crs: of files that say none; ask: puts a question
    about a part that is not known, and returns a kind; units: of the new property; unit: of lengths
    and heights of which nothing else says it, one of `siting.units.LENGTH_UNITS_M`.
    """

    told: Mapping[str, str] = field(default_factory=dict)
    crs: str | None = None
    ask: Callable[[str], str] | None = None
    units: UnitsName = "metric"
    unit: str | None = None


def import_files(
    files: Sequence[Path], how: Reading
) -> tuple[dict[str, gpd.GeoDataFrame], list[str]]:
    """Read files as layers of a property, by our names, with everything that was guessed in words.

    Raises InputError in words.
    """
    vectors = [path for path in files if path.suffix.lower() not in RASTERS]
    parts = [part for path in vectors for part in _read_parts(path, how.crs)]
    rasters = [path.stem for path in files if path not in vectors]
    check_told(how.told, [part.name for part in parts], rasters)
    pair = pair_of(files, how.told, how.unit)
    settled = [_settle(part, how.told, how.ask) for part in parts]
    unknown = [part for part in settled if not part.kind]
    if unknown:
        kinds = ", ".join([*_KINDS, SKIP])
        raise InputError(
            Fault(
                part.file,
                f"{part.name}: {len(part.frame)} {_shape_words(part.frame)} of an unknown kind",
                f"one of {kinds}",
                f'Add --layer "{part.name}=...".',
            )
            for part in unknown
        )
    taken = [part for part in settled if part.kind != SKIP]
    notes = [part.told() for part in settled]
    notes += _unstated(taken, how)
    frames: dict[str, list[gpd.GeoDataFrame]] = {}
    for part in taken:
        frame = _converted(part, _KINDS[part.kind], how, notes)
        frames.setdefault(_KINDS[part.kind].layer, []).append(frame)
    joined = {
        layer: gpd.GeoDataFrame(pd.concat(found, ignore_index=True), crs=_WGS84)
        for layer, found in frames.items()
    }
    if pair is not None:
        joined, told = fill_heights(joined, pair, how.units)
        notes += told
    if "buildings" in joined:
        joined["buildings"] = _storeys(joined["buildings"], notes)
    return joined, notes


def check_told(told: Mapping[str, str], parts: Sequence[str], rasters: Sequence[str]) -> None:
    """Refuse `--layer` of parts and rasters that are not there, and kinds that are none."""
    names, faults = {*parts, *rasters}, []
    for name, kind in told.items():
        if name in rasters and kind.lower() in {SURFACE, TERRAIN}:
            continue
        if name not in names:
            near = nearest(name, names)
            mend = f'Did you mean "{near}"?' if near else "Name one of these."
            faults.append(Fault("--layer", f'"{brief(name)}"', ", ".join(sorted(names)), mend))
        if _kind_word(kind) is None:
            near = nearest(kind, [*_KINDS, SKIP])
            mend = f'Did you mean "{near}"?' if near else "Choose one of these."
            allowed = ", ".join([*_KINDS, SKIP])
            faults.append(Fault("--layer", f'the kind "{brief(kind)}"', allowed, mend))
    if faults:
        raise InputError(faults)


def _kind_word(word: str) -> str | None:
    plain = normal_header(word)
    plain = _ALIAS.get(plain, plain)
    return plain if plain in _KINDS or plain == SKIP else None


def _settle(part: Part, told: Mapping[str, str], ask: Callable[[str], str] | None) -> Part:
    """Return a part with its kind: told, guessed, or asked for."""
    given = _kind_word(told[part.name]) if part.name in told else None
    if given:
        return replace(part, kind=given, why="as was said")
    if part.kind:
        return part
    guess = _by_name(part)
    if guess:
        return replace(part, kind=guess, why="by its name")
    if ask is None:
        return part
    question = f"{part.file}: what is {part.name} ({len(part.frame)} {_shape_words(part.frame)})?"
    answer = _kind_word(ask(question)) or ""
    return replace(part, kind=answer, why="as was answered")


def _shape_words(frame: gpd.GeoDataFrame) -> str:
    kinds = {0: "points", 1: "lines", 3: "areas", 4: "points", 5: "lines", 6: "areas"}
    found = {kinds.get(int(k), "shapes") for k in shapely.get_type_id(frame.geometry.to_numpy())}
    return found.pop() if len(found) == 1 else "shapes"


def _by_name(part: Part) -> str:
    """Return the kind that a part's name tells and its shapes allow, "" for none."""
    plain = re.sub(r"[_\-./]+", " ", part.name.split(":")[-1]).lower()
    shapes = set(shapely.get_type_id(part.frame.geometry.to_numpy()).tolist())
    for kind, pattern in _NAMES:
        allowed = _SHAPES[_KINDS[kind].shape] | ({1, 5} if _closable(part.frame, kind) else set())
        if re.search(pattern, plain) and shapes <= allowed:
            return kind
    return ""


def _closable(frame: gpd.GeoDataFrame, kind: str) -> bool:
    """Tell whether lines are closed, as CAD draws areas."""
    if _KINDS[kind].shape != "area":
        return False
    lines = [g for g in frame.geometry if g.geom_type == "LineString"]
    return bool(lines) and all(_closed(line) for line in lines)


def _closed(line: Any) -> bool:  # noqa: ANN401  (a shapely line)
    ends = shapely.get_coordinates(line)
    return len(ends) > _LEAST and math.dist(ends[0], ends[-1]) <= 1e-6 * max(line.length, 1e-9)


# ---- files into parts ----


def _read_parts(path: Path, crs: str | None = None) -> list[Part]:
    """Read a file as parts, in degrees. Raises InputError where it cannot be read."""
    path = Path(path)
    if path.is_file():
        if path.stat().st_size == 0:
            _refuse(path, "an empty file", "Export it again.")
        if path.stat().st_size > limit("vector_mb") * _MB:
            _refuse(path, f"a file of {path.stat().st_size / _MB:,.0f} MB", "Clip it first.")
    suffix = ".gdb" if path.is_dir() else path.suffix.lower()
    reader = _READERS.get(suffix)
    if reader is None:
        _refuse(
            path, f'a file that ends in "{brief(suffix)}"', f"Use one of {', '.join(_READERS)}."
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            parts = [part for part in reader(path) if len(part.frame)]
            parts = [_placed(part, path, crs) for part in parts]
    except InputError:
        raise
    except _FAILS as error:
        said = (str(error).splitlines() or [type(error).__name__])[0]
        said = brief(said.replace(str(path.parent), "..."), most=160)
        _refuse(path, f"a file that cannot be read ({said})", "Export it again, or another way.")
    if not parts:
        _refuse(path, "no features", "Export it again, with something in it.")
    return parts


def _refuse(path: Path, found: str, mend: str) -> NoReturn:
    raise InputError([Fault(path.name, found, "a file that holds shapes", mend)])


def _placed(part: Part, path: Path, crs: str | None) -> Part:
    """Return a part in degrees, without empty shapes."""
    frame = part.frame
    if frame.crs is None:
        if crs is None:
            mend = "Say it: --crs EPSG:2232 (of CAD files the drawing's own; ask who drew it)."
            _refuse(path, "coordinates that do not say where they are", mend)
        frame = frame.set_crs(crs)
    before = len(frame)
    frame = frame[frame.geometry.notna() & ~frame.geometry.is_empty]
    lost = before - len(frame)
    frame = frame.set_geometry(shapely.force_2d(frame.geometry.to_numpy()), crs=frame.crs)
    frame = frame.to_crs(_WGS84).reset_index(drop=True)
    if len(frame) and not np.isfinite(frame.total_bounds).all():
        _refuse(path, "coordinates that do not exist in its CRS", "Say the right one with --crs.")
    return replace(part, frame=frame, lost=lost)


#: Where the header of a shapefile says its length, in words of two bytes.
_SHP_LENGTH: Final = slice(24, 28)


def _vector(path: Path) -> Iterator[Part]:
    """Read each layer of a common vector file."""
    if path.suffix.lower() == ".shp":
        with path.open("rb") as file:
            said = 2 * int.from_bytes(file.read(_SHP_LENGTH.stop)[_SHP_LENGTH], "big")
        if said > path.stat().st_size:
            _refuse(path, "a shapefile that is cut short", "Copy it again, with .shx, .dbf, .prj.")
    for name, kind in pyogrio.list_layers(path):
        if kind is None:
            continue
        frame = pyogrio.read_dataframe(path, layer=name)
        label = path.stem if len(pyogrio.list_layers(path)) == 1 else str(name)
        yield Part(label, path.name, frame)


def _kml(path: Path) -> Iterator[Part]:
    """Read KML by folder; of a name "bed: shrubs, valve 3" the word before the colon chooses."""
    if path.suffix.lower() == ".kmz":
        with zipfile.ZipFile(path) as packed:
            if sum(item.file_size for item in packed.infolist()) > limit("vector_mb") * _MB:
                _refuse(path, "an archive that unpacks to too much", "Clip it first.")
            head = b"".join(packed.read(n) for n in packed.namelist() if n.endswith(".kml"))
    else:
        head = path.read_bytes()
    if b"<!ENTITY" in head or b"<!DOCTYPE" in head or b"<NetworkLink" in head:
        _refuse(path, "KML with entities or network links", "Save the shapes themselves as KML.")
    for layer, _ in pyogrio.list_layers(path):
        frame = pyogrio.read_dataframe(path, layer=layer)
        names = frame.get("Name", pd.Series([None] * len(frame), dtype=object)).fillna("")
        prefix = names.str.extract(r"^\s*([^:]{1,40}):", expand=False).str.strip().str.lower()
        for word, rows in frame.groupby(prefix.fillna(""), sort=True):
            yield Part(str(word) or str(layer), path.name, rows.reset_index(drop=True))


def _dxf(path: Path) -> Iterator[Part]:
    """Read a drawing by its CAD layers."""
    ends = path.read_bytes()
    if not ends.startswith(b"AutoCAD Binary DXF") and not ends.rstrip().endswith(b"EOF"):
        _refuse(path, "a DXF that is cut short, or none", "Export it again, as DXF.")
    frame = pyogrio.read_dataframe(path, layer="entities")
    for name, rows in frame.groupby(frame["Layer"].fillna("0").astype(str), sort=True):
        yield Part(str(name), path.name, rows.reset_index(drop=True))


def _osm(path: Path) -> Iterator[Part]:
    """Read an extract of OpenStreetMap by its tags; what has none of them is left out."""
    for layer in ("points", "lines", "multipolygons"):
        frame, torn = _sound_rows(path, layer)
        if len(torn):
            yield Part(f"torn shapes ({layer})", path.name, torn, SKIP, "since they are cut off")
        if frame.empty:
            continue
        frame = _tags_of(frame)
        free = pd.Series(data=True, index=frame.index)
        for kind, keys, values in _TAGS:
            tag = next((k for k in keys if k in frame), None)
            if tag is None:
                continue
            hit = frame[tag].notna() if values is None else frame[tag].isin(values)
            shapes = shapely.get_type_id(frame.geometry.to_numpy())
            fits = np.isin(shapes, list(_SHAPES[_KINDS[kind].shape]))
            rows = frame[hit & free & fits]
            free &= ~(hit & fits)
            if len(rows):
                why = f"by the tag {tag}"
                name = f"{kind} ({layer})"
                yield Part(name, path.name, rows.reset_index(drop=True), kind, why, metric=True)


def _sound_rows(path: Path, layer: str) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Return a layer's rows, and those whose shapes the edge of the extract tore."""
    meta, _, shapes, columns = pyogrio.raw.read(path, layer=layer)
    made = shapely.from_wkb(shapes, on_invalid="ignore")
    table = pd.DataFrame(dict(zip(meta["fields"], columns, strict=True)))
    frame = gpd.GeoDataFrame(table, geometry=made, crs=_WGS84)
    lost = frame.geometry.isna()
    torn = frame[lost].set_geometry([shapely.Point(0, 0)] * int(lost.sum()), crs=_WGS84)
    return frame[~lost].reset_index(drop=True), torn


def _tags_of(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return an extract's rows with every tag in a column of its own."""
    if "other_tags" not in frame:
        return frame
    pair = re.compile(r'"((?:[^"\\]|\\.)*)"=>"((?:[^"\\]|\\.)*)"')
    told = [
        dict(pair.findall(text)) if isinstance(text, str) else {} for text in frame["other_tags"]
    ]
    more = pd.DataFrame(told, index=frame.index)
    wanted = [c for c in more if c not in frame]
    return gpd.GeoDataFrame(pd.concat([frame, more[wanted]], axis=1), crs=frame.crs)


def _parquet(path: Path) -> Iterator[Part]:
    if importlib.util.find_spec("pyarrow") is None:
        _refuse(path, "GeoParquet", "Install siting[portfolio], which reads it.")
    yield Part(path.stem, path.name, gpd.read_parquet(path))


def _csv(path: Path) -> Iterator[Part]:
    """Read a table with WKT, or with longitudes and latitudes."""
    table = pd.read_csv(path, sep=None, engine="python", encoding="utf-8-sig")
    heads = {normal_header(str(name)): name for name in table}
    wkt = next((heads[n] for n in ("wkt", "geometry", "geom", "the_geom") if n in heads), None)
    if wkt is not None:
        shapes = gpd.GeoSeries.from_wkt(table[wkt])
    else:
        lon = next((heads[n] for n in ("longitude", "lon", "lng", "long", "x") if n in heads), None)
        lat = next((heads[n] for n in ("latitude", "lat", "y") if n in heads), None)
        if lon is None or lat is None:
            mend = "Name a column WKT, or two longitude and latitude."
            _refuse(path, "a table without shapes or coordinates", mend)
        shapes = gpd.GeoSeries(gpd.points_from_xy(table[lon], table[lat]))
    bounds = shapes.total_bounds
    degrees = np.abs(bounds[[0, 2]]).max() <= 180 and np.abs(bounds[[1, 3]]).max() <= 90  # noqa: PLR2004
    frame = gpd.GeoDataFrame(table, geometry=shapes, crs=_WGS84 if degrees else None)
    yield Part(path.stem, path.name, frame)


def _json(path: Path) -> Iterator[Part]:
    """Read GeoJSON, or the buildings of CityJSON."""
    content = json.loads(path.read_text(encoding="utf-8-sig"))
    if isinstance(content, dict) and content.get("type") == "CityJSON":
        yield _cityjson(path, content)
    else:
        yield from _vector(path)


def _cityjson(path: Path, content: Mapping[str, Any]) -> Part:
    """Return each building's footprint, and its height from its corners (CityJSON 1.0 to 2.0)."""
    move = content.get("transform") or {"scale": [1, 1, 1], "translate": [0, 0, 0]}
    corners = np.array(content["vertices"], dtype=float).reshape(-1, 3)
    corners = corners * np.array(move["scale"]) + np.array(move["translate"])
    rows = []
    for one in content["CityObjects"].values():
        rings = [ring for shape in one.get("geometry", ()) for ring in _rings(shape["boundaries"])]
        if not str(one.get("type", "")).startswith("Building") or not rings:
            continue
        points = [corners[ring] for ring in rings]
        ground = shapely.union_all(
            [s.buffer(0) for p in points if (s := shapely.Polygon(p[:, :2])).area > _NOTHING]
        )
        high = np.concatenate(points)[:, 2]
        told = one.get("attributes", {}).get("measuredHeight")
        height = float(told) if isinstance(told, int | float) else float(high.max() - high.min())
        rows.append({"height": round(height, 2), "geometry": ground})
    named = re.search(r"(\d{4,6})/?$", str(content.get("metadata", {}).get("referenceSystem", "")))
    crs = f"EPSG:{named[1]}" if named else None
    frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=crs) if rows else gpd.GeoDataFrame()
    return Part(path.stem, path.name, frame, "building", "as CityJSON says", metric=True)


def _rings(boundaries: Any) -> Iterator[list[int]]:  # noqa: ANN401  (lists of lists)
    if boundaries and all(isinstance(index, int) for index in boundaries):
        yield boundaries
        return
    for inner in boundaries:
        yield from _rings(inner)


_READERS: Final[dict[str, Callable[[Path], Iterator[Part]]]] = {
    ".geojson": _json, ".json": _json, ".kml": _kml, ".kmz": _kml, ".osm": _osm, ".pbf": _osm,
    ".dxf": _dxf, ".shp": _vector, ".gdb": _vector, ".gpkg": _vector, ".fgb": _vector,
    ".parquet": _parquet, ".csv": _csv,
}  # fmt: skip


# ---- parts into layers ----


def _unstated(parts: Sequence[Part], how: Reading) -> list[str]:
    """Say, or in a US property refuse, lengths of which nothing says their unit."""
    bare = [f"{part.file}: {part.name}: {', '.join(names)}" for part in parts
            if how.unit is None and (names := _bare_lengths(part))]  # fmt: skip
    if not bare:
        return []
    listed = "; ".join(bare)
    if how.units == "us":
        found = f"lengths of which nothing says whether they are in feet or metres ({listed})"
        allowed = "a unit in the header, as height_ft or trunk_diameter_in, or --units-in"
        mend = "Say it of all of them: --units-in ft, or --units-in m."
        raise InputError([Fault("--from", found, allowed, mend)])
    return [f"Nothing says the unit of the lengths in {listed}: taken in m (--units-in)."]


def _bare_lengths(part: Part) -> list[str]:
    """Return the lengths of a part whose header says no unit."""
    if part.metric:
        return []
    heads = _heads(part)
    lengths = [c.name for c in COLUMNS[_KINDS[part.kind].layer] if c.kind == "length"]
    return [name for name in lengths if name in heads
            and any(_is_bare(value) for value in part.frame[heads[name]].tolist())]  # fmt: skip


def _is_bare(value: object) -> bool:
    if isinstance(value, str):
        return not math.isnan(parse_number(value))
    return isinstance(value, int | float) and not math.isnan(value)


def _heads(part: Part) -> dict[str, Any]:
    frame = part.frame
    return {_plain_head(str(name)): name for name in frame if name != frame.geometry.name}


def _doubted(part: Part, data: Mapping[str, list[Any]], heads: Mapping[str, Any]) -> list[str]:
    """Doubt trunks and rates aloud that look like inches taken for something else."""
    where, told = f"{part.file}: {part.name}:", []
    trunks = [v for v in data.get("trunk_diameter", []) if v]
    if trunks and "trunk_diameter" in heads and float(np.median(trunks)) > _STOUT_M:
        told.append(f"{where} trunks are {np.median(trunks):.1f} m thick, as if they were in "
                    "inches; name the column trunk_diameter_in.")  # fmt: skip
    for name in ("precipitation_rate", "intake_rate"):
        rates = [v for v in data.get(name, []) if v]
        if rates and name in heads and min(rates) < _SLOW_MM_H:
            told.append(f"{where} {name} is {min(rates):g} mm/h, as if it were in inches an hour; "
                        f"name the column {name}_in_h.")  # fmt: skip
    return told


def _converted(part: Part, thing: Thing, how: Reading, notes: list[str]) -> gpd.GeoDataFrame:
    """Return a part under our columns, in our units."""
    frame = part.frame
    data: dict[str, list[Any]] = {}
    heads = _heads(part)
    for column in COLUMNS[thing.layer]:
        header, factor = _header(column, heads)
        if column.kind == "length" and column.name in heads and not part.metric:
            factor = LENGTH_UNITS_M[how.unit or "m"]
        if header is not None:
            data[column.name] = [_cell(column, v, factor) for v in frame[header]]
    notes += _doubted(part, data, heads)
    _by_names(frame, thing, data, notes, part)
    if thing.name == "tree":
        _crowns(frame, data)
    for name, word in thing.sets:
        data[name] = [word] * len(frame)
    for question in thing.asks:
        values = data.setdefault(question.name, [None] * len(frame))
        if question.usual is not None and question.name != "levels" and None in values:
            data[question.name] = [question.usual if v is None else v for v in values]
            notes.append(f"{part.file}: {part.name}: {question.name} {question.usual} was assumed.")
    shapes = [_shape(shape, thing) for shape in frame.geometry]
    return gpd.GeoDataFrame(data, geometry=shapes, crs=_WGS84)


def _plain_head(header: str) -> str:
    return normal_header(header).replace(":", "_").removeprefix("building_")


def _header(column: Column, heads: Mapping[str, str]) -> tuple[str | None, float]:
    for ending, factor in column.endings.items():
        if column.name + ending in heads:
            return heads[column.name + ending], factor
    return None, 1.0


def _cell(column: Column, value: object, factor: float) -> object:
    """Return a cell in our unit, None where it says nothing that can be taken."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return None
    if column.kind in {"number", "length"}:
        number = value if isinstance(value, int | float) else None
        if number is None:
            number = parse_number(str(value), length=column.kind == "length", factor=factor)
            return None if math.isnan(number) else number
        return float(number) * factor
    if column.kind == "flag":
        return str(value).strip().lower() in {"1", "yes", "true", "evergreen"}
    text = str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
    if column.words:
        plain = {re.sub(r"[\s_\-]+", " ", w): w for w in column.words}
        return plain.get(re.sub(r"[\s_\-]+", " ", text.strip().lower()))
    return text.strip() or None


def _by_names(
    frame: gpd.GeoDataFrame,
    thing: Thing,
    data: dict[str, list[Any]],
    notes: list[str],
    part: Part,
) -> None:
    """Fill zones from names such as "bed: shrubs, valve 3"."""
    if thing.name != "zone":
        return
    key = next((c for c in frame if normal_header(str(c)) in {"name", "zone"}), None)
    names = [
        str(v) if isinstance(v, str) else "" for v in (frame[key] if key else [""] * len(frame))
    ]
    if "plants" not in data:
        data["plants"] = [_plants_in(f"{name} {part.name}") for name in names]
        told = sorted({word for word in data["plants"] if word})
        if told:
            notes.append(f"{part.file}: {part.name}: plants {', '.join(told)} by the names.")
    if "valve" not in data:
        found = [
            re.search(r"\b(?:valve|station|zone)\s*#?\s*(\w+)", name, re.IGNORECASE)
            for name in names
        ]
        data["valve"] = [match[1] if match else None for match in found]
    taken: set[str] = set()
    zones = data.get("zone") or [None] * len(frame)
    for row, name in enumerate(names):
        base = str(zones[row] or name.strip() or f"{part.name} {row + 1}")
        free, number = base, 2
        while free in taken:
            free, number = f"{base} {number}", number + 1
        taken.add(free)
        zones[row] = free
    data["zone"] = zones


def _plants_in(name: str) -> str | None:
    plain = name.lower().replace("_", " ")
    exact = next((word for word in PLANTS if word.replace("_", " ") in plain), None)
    return exact or next((word for start, word in _PLANT_NAMES.items() if start in plain), None)


def _storeys(frame: gpd.GeoDataFrame, notes: list[str]) -> gpd.GeoDataFrame:
    """Assume one storey where neither height nor storeys are known."""
    blank = pd.Series(np.nan, frame.index)
    height, levels = (frame.get(name, blank).astype(float) for name in ("height", "levels"))
    unknown = height.isna() & levels.isna()
    if unknown.any():
        notes.append(f"One storey was assumed of {unknown.sum()} buildings.")
    return frame.assign(levels=levels.where(~unknown, 1.0))


def _crowns(frame: gpd.GeoDataFrame, data: dict[str, list[Any]]) -> None:
    """Take the width of a crown that is drawn as an area, where no other is told."""
    area = np.isin(shapely.get_type_id(frame.geometry.to_numpy()), (3, 6))
    if area.any():
        metres = frame.geometry.to_crs(frame.estimate_utm_crs()).area.to_numpy()
        told = data.get("crown_diameter", [None] * len(frame))
        wide = 2 * np.sqrt(metres / np.pi)
        data["crown_diameter"] = [
            round(float(wide[row]), 2) if told[row] is None and area[row] else told[row]
            for row in range(len(frame))
        ]


def _shape(shape: Any, thing: Thing) -> Any:  # noqa: ANN401  (any shape)
    """Return a shape as a layer wants it: closed lines are areas, a tree's crown its middle."""
    if thing.shape == "area" and shape.geom_type == "LineString" and _closed(shape):
        return shapely.Polygon(shape)
    if thing.shape in {"point", "circle"} and shape.geom_type != "Point":
        return shape.centroid
    return shape
