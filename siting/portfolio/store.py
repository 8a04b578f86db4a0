"""The folder of a portfolio's results: durable parts, tiles of them, and their tables."""

from __future__ import annotations

import errno
import functools
import hashlib
import json
import math
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from siting.errors import Fault, SitingError
from siting.files import atomic_path, write_text
from siting.planning.model import Plan
from siting.planning.tables import RESULT, Column
from siting.portfolio.model import Tile
from siting.site.crs import WGS84, moved

#: Table -> rows, each a mapping of column to value.
Rows = dict[str, list[dict[str, Any]]]
_TEXT: Final = pa.string()
_REAL: Final = pa.float64()
_FLAG: Final = pa.bool_()
_WHOLE: Final = pa.int64()
_SHAPE: Final = pa.binary()
_BOX: Final = pa.struct([(side, _REAL) for side in ("xmin", "ymin", "xmax", "ymax")])

_PLACE: Final = (("bbox", _BOX), ("geometry", _SHAPE))


def _schema(
    texts: Sequence[str],
    reals: Sequence[str],
    *,
    whole: Sequence[str] = (),
    shape: bool = False,
) -> pa.Schema:
    """Return a schema whose first column is the property."""
    fields = [("property", _TEXT)]
    fields += [(name, _TEXT) for name in texts]
    fields += [(name, _WHOLE) for name in whole]
    fields += [(name, _REAL) for name in reals]
    fields += _PLACE if shape else ()
    return pa.schema(fields)


def _declared(*path: str, shape: bool = False) -> pa.Schema:
    """Return the schema of a Plan's table: the columns that GIS layers have, under their own names.

    path: where the table lies in plan.json.
    """
    table = functools.reduce(Column.part, path, RESULT)
    kinds = {"number": _REAL, "whole": _WHOLE, "truth": _FLAG}
    fields = [(name, kinds.get(column.kind, _TEXT)) for name, column in table.shown().items()]
    return pa.schema([("property", _TEXT), *fields, *(_PLACE if shape else ())])


#: Table -> its columns. Geometry is WKB in WGS 84 (longitude, latitude); units are in the names.
SCHEMAS: Final[Mapping[str, pa.Schema]] = {
    "properties": _schema(
        ("name", "status", "control", "currency", "answer", "warnings"),
        (
            "lon", "lat", "area_m2", "irrigated_m2", "water_m3", "today_m3", "saved_m3",
            "saved_m3_low", "saved_m3_high", "saved_per_year", "saved_per_year_low",
            "saved_per_year_high", "capital", "payback_years", "cost_per_year", "stress_days",
            "value_of_second",
        ),
        whole=("zones", "sensors", "faults"),
        shape=True,
    ),
    "sensors": _declared("sensors", shape=True),
    "zones": _declared("zones", shape=True),
    "choices": _declared("choices"),
    "seasons": _declared("season", "years"),
    "faults": _schema(
        ("reason", "file", "layer", "feature", "column", "found", "allowed", "mend"),
        (),
        whole=("fault",),
    ),
}  # fmt: skip
TABLES: Final = tuple(SCHEMAS)
_SECOND: Final = 2


def plan_rows(property_id: str, plan: Plan) -> Rows:
    """Return the rows of a planned property in every table."""
    crs = plan.site.crs
    sensors, zones = _flat(plan.sensors, "sensor_id", crs), _flat(plan.zones, "zone", crs)
    seasons = plan.season.reset_index(names="year")
    rows: Rows = {
        "properties": [_summary(plan)],
        "sensors": sensors,
        "zones": zones,
        "choices": _records(plan.choices.reset_index(names="n")),
        "seasons": _records(seasons),
        "faults": [],
    }
    return {
        table: [{**row, "property": property_id} for row in part] for table, part in rows.items()
    }


def fault_rows(property_id: str, reason: str, faults: Iterable[Fault]) -> Rows:
    """Return the rows of a property that could not be planned.

    Result: table -> rows; only properties and faults have any.
    """
    rows: Rows = {table: [] for table in TABLES}
    listed = tuple(faults)
    rows["faults"] = [
        {
            "property": property_id,
            "reason": reason,
            "fault": number,
            **{
                name: getattr(fault, name) or ""
                for name in ("file", "layer", "feature", "column", "found", "allowed", "mend")
            },
        }
        for number, fault in enumerate(listed, start=1)
    ]
    rows["properties"] = [
        {"property": property_id, "name": "", "status": reason, "zones": 0, "sensors": 0,
         "faults": len(listed)}
    ]  # fmt: skip
    return rows


def to_tables(rows: Rows) -> dict[str, pa.Table]:
    """Return rows as tables with the columns of `SCHEMAS`.

    rows: from `plan_rows` or `fault_rows`, unknown columns are dropped, absent ones are null.
    Result: every table, empty ones too.
    """
    return {
        table: pa.Table.from_pylist(
            [{name: row.get(name) for name in schema.names} for row in rows.get(table, [])],
            schema=schema,
        )
        for table, schema in SCHEMAS.items()
    }


def _summary(plan: Plan) -> dict[str, Any]:
    """Return the row of a property in the table of properties."""
    site, money, season = plan.site, plan.economics, plan.season
    chosen = plan.choices[plan.choices["chosen"].to_numpy(dtype=bool)].iloc[0]
    saved = season["saved_m3"].dropna()
    return {
        "name": site.name,
        "status": "planned",
        "control": chosen["control"],
        "currency": money["currency"],
        "answer": plan.answer,
        "warnings": json.dumps(list(plan.warnings), ensure_ascii=False),
        "lon": site.longitude,
        "lat": site.latitude,
        "area_m2": float(site.boundary.area),
        "irrigated_m2": float(plan.zones["area_m2"].sum()),
        "water_m3": _real(chosen["water_m3"]),
        "today_m3": _real(season["baseline_m3"].mean()),
        "saved_m3": _real(saved.mean() if len(saved) else None),
        "saved_m3_low": _real(saved.min() if len(saved) else None),
        "saved_m3_high": _real(saved.max() if len(saved) else None),
        **{
            name: _real(money.get(name))
            for name in (
                "saved_per_year", "saved_per_year_low", "saved_per_year_high", "capital",
                "payback_years",
            )
        },
        "cost_per_year": _real(chosen["cost_per_year"]),
        "stress_days": _real(chosen["stress_days"]),
        "value_of_second": _real(plan.choices["value_of_next"].get(_SECOND - 1)),
        "zones": len(plan.zones),
        "sensors": len(plan.sensors),
        "faults": 0,
        **_shape(moved(np.array([site.boundary], dtype=object), site.crs, WGS84)[0]),
    }  # fmt: skip


def _flat(frame: gpd.GeoDataFrame, name: str, crs: pyproj.CRS) -> list[dict[str, Any]]:
    """Return the rows of a layer, in WGS 84."""
    plain = pd.DataFrame(frame.drop(columns="geometry")).reset_index(names=name)
    there = moved(frame.geometry.to_numpy(), crs, WGS84)
    return [{**row, **_shape(shape)} for row, shape in zip(_records(plain), there, strict=True)]


def _shape(shape: BaseGeometry) -> dict[str, Any]:
    """Return a shape as WKB with its bounding box."""
    west, south, east, north = shape.bounds
    box = {"xmin": west, "ymin": south, "xmax": east, "ymax": north}
    return {"geometry": shapely.to_wkb(shape), "bbox": box}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows of plain values; lists as text, unknown values as None."""
    return [
        {str(key): _plain(value) for key, value in row.items()}
        for row in frame.to_dict(orient="records")
    ]


def _plain(value: Any) -> Any:  # noqa: ANN401  (cells of any type)
    if isinstance(value, (tuple, list)):
        return ", ".join(str(item) for item in value)
    value = value.item() if hasattr(value, "item") else value
    return None if isinstance(value, float) and math.isnan(value) else value


def _real(value: Any) -> float | None:  # noqa: ANN401  (any number)
    if value is None:
        return None
    number = float(value)
    return number if math.isfinite(number) else None


#: Less free space than this and a file that could not be written is a full disk [bytes].
_LEAST_FREE: Final = 4 << 20
_TILE_KEY: Final = b"siting_tile"
#: The table that is written last: its file says that the tile is done.
_MARK: Final = "properties"
_SORT: Final = {
    "properties": ("property",),
    "sensors": ("property", "sensor_id"),
    "zones": ("property", "zone"),
    "choices": ("property", "n"),
    "seasons": ("property", "year"),
    "faults": ("property", "fault"),
}


class DiskFullError(SitingError):
    """The disk is full; what is done is kept."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        super().__init__(
            f"The disk that holds {folder} is full. Every property that was done is kept there; "
            "make room and run the same command again."
        )

    def __reduce__(self) -> tuple[type[DiskFullError], tuple[Path]]:
        """Pickle with the folder, as the error comes from a worker."""
        return type(self), (self.folder,)


def disk_full(error: BaseException, *folders: Path) -> bool:
    """Tell whether an error comes from a full disk.

    Result: true for the system's own errors, and for any error of a driver while no space is left.
    """
    if isinstance(error, OSError) and error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return True
    return any(folder.exists() and shutil.disk_usage(folder).free < _LEAST_FREE
               for folder in folders)  # fmt: skip


class Store:
    """The results of one portfolio, in one folder.

    Parameters
    ----------
    folder : Path
        The folder; made when missing.
    key : str
        Hash of inputs, options and version: what was made under another key is made again.
    """

    def __init__(self, folder: Path, key: str) -> None:
        self.folder, self.key = folder, key

    @property
    def work(self) -> Path:
        """Folder of what is only needed until the run is done."""
        return self.folder / ".work"

    def part(self, property_id: str) -> Path:
        """Return where the finished rows of one property are kept until its tile is done.

        Parameters
        ----------
        property_id : str
            Which one.

        Returns
        -------
        Path
            Under a name that changes with the key.
        """
        name = hashlib.sha256(f"{self.key}\n{property_id}".encode()).hexdigest()
        return self.work / name[:2] / f"{name[2:30]}.part"

    def mark(self, property_id: str) -> Path:
        """Return the file that is there while a property is being planned.

        Parameters
        ----------
        property_id : str
            Which one.

        Returns
        -------
        Path
            Left behind by a worker that died over the property.
        """
        return self.part(property_id).with_suffix(".mark")

    def write_part(self, property_id: str, tables: Mapping[str, pa.Table]) -> None:
        """Keep the rows of one property: durable when this returns.

        Parameters
        ----------
        property_id : str
            Which one.
        tables : mapping of str to Table
            Every table of `SCHEMAS`.
        """
        target = self.part(property_id)
        with atomic_path(target) as path, pa.OSFile(str(path), "wb") as file:
            for name in TABLES:
                with pa.ipc.new_stream(file, SCHEMAS[name]) as stream:
                    stream.write_table(tables[name])

    def read_part(self, property_id: str) -> dict[str, pa.Table] | None:
        """Return the rows of one property, or None when it is not done.

        Parameters
        ----------
        property_id : str
            Which one.

        Returns
        -------
        dict of str to Table or None
            None too when the file is not whole.
        """
        target = self.part(property_id)
        if not target.is_file():
            return None
        try:
            with pa.OSFile(str(target), "rb") as file:
                return {name: pa.ipc.open_stream(file).read_all() for name in TABLES}
        except (pa.ArrowInvalid, OSError):
            return None

    def tile_key(self, tile: Tile) -> str:
        """Return what a tile's files carry: the run's key and the tile's properties.

        Parameters
        ----------
        tile : Tile
            Which one.

        Returns
        -------
        str
            Hexadecimal.
        """
        return hashlib.sha256("\n".join((self.key, *tile.ids)).encode()).hexdigest()

    def write_tile(self, tile: Tile) -> None:
        """Put the parts of a tile into its files, the mark last, and drop the parts.

        Parameters
        ----------
        tile : Tile
            Every property of it is done.
        """
        parts = [part for name in sorted(tile.ids) if (part := self.read_part(name))]
        key = self.tile_key(tile)
        for table in (*(t for t in TABLES if t != _MARK), _MARK):
            rows = pa.concat_tables([part[table] for part in parts])
            _write_parquet(_sorted(rows, table), self.file(table, tile.name), table, key)
        for name in tile.ids:
            self.part(name).unlink(missing_ok=True)

    def file(self, table: str, tile: str) -> Path:
        """Return the file of a table and a tile.

        Parameters
        ----------
        table, tile : str
            Their names.

        Returns
        -------
        Path
            A Parquet file.
        """
        return self.folder / table / f"tile-{tile}.parquet"

    def read_tile(self, table: str, tile: Tile) -> pa.Table:
        """Return the rows of a table that a tile's file holds.

        Parameters
        ----------
        table : str
            One of `TABLES`.
        tile : Tile
            Which one; it is done.

        Returns
        -------
        Table
            With the columns of `SCHEMAS`.
        """
        return pq.read_table(self.file(table, tile.name), schema=SCHEMAS[table])

    def tile_done(self, tile: Tile) -> bool:
        """Tell whether a tile is done under this key.

        Parameters
        ----------
        tile : Tile
            Which one.

        Returns
        -------
        bool
            True when its mark is there and carries the tile's key.
        """
        return _key_of(self.file(_MARK, tile.name)) == self.tile_key(tile)

    def drop_stale(self, tiles: Sequence[Tile]) -> int:
        """Remove result files that belong to another key or to no tile.

        Parameters
        ----------
        tiles : sequence of Tile
            Those of this run.

        Returns
        -------
        int
            How many files went.
        """
        keys = {self.file(table, tile.name): self.tile_key(tile)
                for tile in tiles for table in TABLES}  # fmt: skip
        stale = [file for file in self._results() if _key_of(file) != keys.get(file, "")]
        for file in stale:
            file.unlink()
        return len(stale)

    def _results(self) -> Iterator[Path]:
        for table in TABLES:
            yield from sorted((self.folder / table).glob("*.parquet"))

    def clear_work(self) -> None:
        """Remove what was only needed while running."""
        shutil.rmtree(self.work, ignore_errors=True)

    def remember(self, name: str, values: Mapping[str, Any]) -> None:
        """Write a small JSON file into the folder of results.

        Parameters
        ----------
        name : str
            Its name.
        values : mapping
            Plain values.
        """
        text = json.dumps(values, indent=1, sort_keys=True, ensure_ascii=False)
        write_text(self.folder / name, text + "\n")

    def recall(self, name: str) -> dict[str, Any]:
        """Return what `remember` wrote; empty when there is nothing readable.

        Parameters
        ----------
        name : str
            Its name.

        Returns
        -------
        dict
            Plain values.
        """
        try:
            found = json.loads((self.folder / name).read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}


def read_table(folder: Path | str, table: str) -> pa.Table:
    """Read one result table of a portfolio, sorted by property.

    Parameters
    ----------
    folder : Path or str
        The folder of results.
    table : str
        One of `TABLES`.

    Returns
    -------
    pyarrow.Table
        Sorted, so that it does not depend on tiles, order or workers.
    """
    files = sorted((Path(folder) / table).glob("tile-*.parquet"))
    parts = [pq.read_table(file, schema=SCHEMAS[table]) for file in files]
    rows = pa.concat_tables(parts) if parts else SCHEMAS[table].empty_table()
    return _sorted(rows, table).replace_schema_metadata(None)


def _sorted(rows: pa.Table, table: str) -> pa.Table:
    keys = [(name, "ascending") for name in _SORT[table]]
    return rows.sort_by(keys).combine_chunks()


def _key_of(file: Path) -> str | None:
    """Return the key that a result file carries; None when it is not there or not whole."""
    try:
        metadata = pq.read_metadata(file).metadata or {}
    except (OSError, pa.ArrowInvalid):
        return None
    return (metadata.get(_TILE_KEY) or b"").decode()


def _write_parquet(rows: pa.Table, target: Path, table: str, key: str) -> None:
    """Write a Parquet file whole or not at all; GeoParquet 1.1 where the table has shapes."""
    metadata = {_TILE_KEY: key.encode()}
    if "geometry" in SCHEMAS[table].names:
        metadata[b"geo"] = _geo(rows).encode()
    with atomic_path(target) as path:
        pq.write_table(rows.replace_schema_metadata(metadata), path, compression="zstd")


def _geo(rows: pa.Table) -> str:
    """Return the metadata of GeoParquet 1.1: WKB in longitude and latitude, with a covering."""
    shapes = gpd.GeoSeries(shapely.from_wkb(rows["geometry"].to_pylist()))
    sides = ("xmin", "ymin", "xmax", "ymax")
    column: dict[str, Any] = {
        "encoding": "WKB",
        "geometry_types": sorted(set(shapes.geom_type.dropna())),
        "covering": {"bbox": {side: ["bbox", side] for side in sides}},
    }
    if shapes.notna().any():
        column["bbox"] = [float(value) for value in shapes.total_bounds]
    value = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
    return json.dumps(value, sort_keys=True)
