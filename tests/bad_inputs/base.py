"""A sound little property, the ways to spoil it, and what `siting check` makes of it."""

from __future__ import annotations

import io
import tempfile
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
from rasterio.transform import from_origin
from shapely.geometry import LineString, Point, box

from siting.climate.model import season_calendar
from siting.climate.readers import daily_from_normals
from siting.errors import InputError, PlanError
from siting.planning.make import read_inputs
from siting.site.model import Site
from tests.small_property import NORMALS

CRS = "EPSG:32617"
EAST, NORTH = 320_000.0, 3_640_000.0
TOML = """\
name = "Corpus ground"
layers = "layers.gpkg"
[weather]
file = "weather.csv"
elevation_m = 150
[season]
start = "04-01"
end = "09-30"
[timer]
days = ["Mon", "Fri"]
minutes = { "1" = 30, "2" = 30 }
[water]
price = 2.0
"""


def at(east: float, north: float, wide: float, high: float):
    """Return a rectangle, its south-west corner in metres from the property's corner."""
    return box(EAST + east, NORTH + north, EAST + east + wide, NORTH + north + high)


def spot(east: float, north: float) -> Point:
    """Return a point, in metres from the property's corner."""
    return Point(EAST + east, NORTH + north)


def line(*points: tuple[float, float]) -> LineString:
    """Return a line, in metres from the property's corner."""
    return LineString([(EAST + x, NORTH + y) for x, y in points])


GROUND = at(0, 0, 60, 40)
ZONES = (at(4, 4, 20, 14), at(30, 4, 20, 14))


@cache
def _sound() -> dict[str, gpd.GeoDataFrame]:
    both = {"plants": ["shrubs", "warm_season_turf"], "soil": ["loam", "sandy loam"]}
    zones = {"zone": ["1", "2"], **both, "precipitation_rate": [20.0, 36.0]}
    trees = {"height": [8.0, 6.0], "crown_diameter": [5.0, 4.0], "trunk_diameter": [0.3, 0.2]}
    trees["transmissivity"] = [0.2, 0.2]
    tables = {
        "boundary": {"id": [1], "geometry": [GROUND]},
        "hydrozones": {**zones, "geometry": list(ZONES)},
        "buildings": {"height": [5.0], "geometry": [at(10, 24, 14, 10)]},
        "trees": {**trees, "geometry": [spot(27, 9), spot(55, 30)]},
        "fixtures": {"kind": ["controller"], "geometry": [spot(2, 2)]},
    }
    return {name: gpd.GeoDataFrame(table, crs=CRS) for name, table in tables.items()}


@cache
def _template(names: tuple[str, ...]) -> bytes:
    """Return a GeoPackage of some of the sound property's layers."""
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "layers.gpkg"
        _write_layers(path, {name: _sound()[name] for name in names})
        return path.read_bytes()


def _write_layers(path: Path, layers: dict[str, gpd.GeoDataFrame]) -> None:
    # Scratch files need not survive a power cut.
    pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": "OFF"})
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for name, frame in layers.items():
                frame.to_file(path, layer=name, driver="GPKG")
    finally:
        pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": None})


_WEATHER = daily_from_normals(NORMALS, years=3, first_year=2018, seed=4, latitude=33.0).round(2)
_WEATHER["tmax_c"] = np.maximum(_WEATHER["tmax_c"], _WEATHER["tmin_c"] + 0.1)
_WEATHER["date"] = _WEATHER["date"].dt.strftime("%Y-%m-%d")


@dataclass
class Draft:
    """A property before it is written: its layers, weather and property file, still sound.

    A layer is spoilt by putting another frame in its place: all cases share those of the start.
    """

    layers: dict[str, gpd.GeoDataFrame] = field(default_factory=lambda: dict(_sound()))
    toml: str = TOML
    weather: pd.DataFrame = field(default_factory=_WEATHER.copy)
    weather_text: str | bytes | None = None
    files: dict[str, str | bytes] = field(default_factory=dict)
    later: list[Callable[[Path], None]] = field(default_factory=list)
    folder: Path = Path()

    def swap(self, old: str, new: str) -> None:
        """Replace a part of the property file."""
        assert old in self.toml, old
        self.toml = self.toml.replace(old, new)

    def put(self, layer: str, column: str, *values: Any) -> None:
        """Replace a column of a layer."""
        self.layers[layer] = self.layers[layer].assign(**{column: list(values)})

    def shapes(self, layer: str, *shapes: Any, **columns: list[Any]) -> None:
        """Replace a layer's features; without columns those there are kept, the last repeated."""
        old = self.layers.get(layer)
        if old is not None and not columns:
            rows = [min(k, len(old) - 1) for k in range(len(shapes))]
            columns = {c: old[c].iloc[rows].tolist() for c in old if c != "geometry"}
        self.layers[layer] = gpd.GeoDataFrame(columns, geometry=list(shapes), crs=CRS)

    def project(self, crs: Any, *layers: str) -> None:
        """Bring layers (all when none is named) into another CRS."""
        for name in layers or tuple(self.layers):
            self.layers[name] = self.layers[name].to_crs(crs)

    def label(self, crs: Any, *layers: str) -> None:
        """Label layers with a CRS, whatever their coordinates are in."""
        for name in layers or tuple(self.layers):
            self.layers[name] = self.layers[name].set_crs(crs, allow_override=True)

    def tables(self, entry: str) -> None:
        """Write `layers` as a table, with one more entry."""
        self.swap('layers = "layers.gpkg"\n', "")
        self.toml += f'[layers]\nfile = "layers.gpkg"\n{entry}\n'

    def lines(self) -> list[str]:
        """Return the lines of the weather file, to be spoilt and handed to `weather_lines`."""
        buffer = io.StringIO()
        self.weather.to_csv(buffer, index=False, lineterminator="\n")
        return buffer.getvalue().splitlines()

    def weather_lines(self, lines: list[str]) -> None:
        """Take lines as the weather file."""
        self.weather_text = "\n".join(lines) + "\n"

    def write(self, folder: Path) -> Path:
        """Write everything, and return the property file."""
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / "layers.gpkg"
        # What is still sound was written once for all cases.
        sound = tuple(name for name, frame in self.layers.items() if frame is _sound().get(name))
        if sound:
            path.write_bytes(_template(sound))
        _write_layers(path, {n: frame for n, frame in self.layers.items() if n not in sound})
        text = "\n".join(self.lines()) + "\n" if self.weather_text is None else self.weather_text
        contents = {"weather.csv": text, "property.toml": self.toml, **self.files}
        for name, content in contents.items():
            data = content.encode() if isinstance(content, str) else content
            (folder / name).write_bytes(data)
        for step in self.later:
            step(folder)
        return folder / "property.toml"


@dataclass(frozen=True)
class Case:
    """A bad input, and what has to happen.

    `refused` holds words of the message, `repaired` words of the warnings; with neither, `handled`
    says in words what is done right without a word, and checks it. `says` names the parts of a
    fault (layer, feature, column) that at least one of them must carry.
    """

    group: str
    title: str
    spoil: Callable[[Draft], None]
    refused: tuple[str, ...] = ()
    repaired: tuple[str, ...] = ()
    says: tuple[str, ...] = ()
    check: Callable[[Site], bool] | None = None
    handled: str = ""

    @property
    def kind(self) -> str:
        """What happens, in one word."""
        return "refused" if self.refused else "repaired" if self.repaired else "handled"


CASES: list[Case] = []


def case(group: str, title: str, **outcome: Any) -> Callable[..., Callable[[Draft], None]]:
    """Add a case to the corpus."""
    assert title not in {c.title for c in CASES}, title
    for key in ("refused", "repaired", "says"):
        if isinstance(outcome.get(key), str):
            outcome[key] = (outcome[key],)

    def add(spoil: Callable[[Draft], None]) -> Callable[[Draft], None]:
        CASES.append(Case(group, title, spoil, **outcome))
        return spoil

    return add


@dataclass(frozen=True)
class Outcome:
    """What `siting check` said."""

    error: InputError | PlanError | None
    site: Site | None
    warnings: tuple[str, ...]


def run(one: Case, folder: Path) -> Outcome:
    """Write a case into a folder and check it as the command does."""
    draft = Draft()
    one.spoil(draft)
    path = draft.write(folder)
    try:
        settings, site, climate = read_inputs(path)
        season_calendar(climate, start=settings.season.start, end=settings.season.end)
    except (InputError, PlanError) as error:
        return Outcome(error, None, ())
    return Outcome(None, site, (*site.warnings, *climate.warnings))


_SCRATCH = tempfile.TemporaryDirectory(prefix="bad-inputs-")


@cache
def outcome_of(one: Case) -> Outcome:
    """Return the outcome of a case of the corpus, run once in a process."""
    folder = Path(_SCRATCH.name) / f"{one.group}{CASES.index(one)}"
    return run(one, folder)


def quiet_warnings(folder: Path) -> tuple[str, ...]:
    """Return what the sound property itself is warned of."""
    sound = Case("", "sound", lambda _: None)
    return run(sound, folder).warnings


def write_tif(path: Path, values: Any, *, west: float = EAST - 50, north: float = NORTH + 90,
              cell: float = 2.0, crs: Any = CRS, transform: Any = None, **options: Any) -> None:  # fmt: skip
    """Write a raster; by default 160 m x 160 m around the property."""
    data = np.asarray(values)
    data = data if data.ndim == 3 else data[None]
    options = {"dtype": data.dtype, "count": data.shape[0], "driver": "GTiff", **options}
    scales, offsets = options.pop("scales", None), options.pop("offsets", None)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(
            path, "w", height=data.shape[1], width=data.shape[2], crs=crs,
            transform=transform or from_origin(west, north, cell, cell), **options,
        ) as file:  # fmt: skip
            file.write(data)
            if scales:
                file.scales, file.offsets = scales, offsets


def each_fault(outcome: Outcome) -> Iterator[Any]:
    """Yield the faults of an outcome."""
    yield from outcome.error.faults if isinstance(outcome.error, InputError) else ()
