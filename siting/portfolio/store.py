"""The folder of a portfolio's results: durable parts of single properties, and tiles of them."""

from __future__ import annotations

import errno
import hashlib
import json
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet as pq
import shapely

from siting.atomic import atomic_path, write_text
from siting.errors import SitingError
from siting.portfolio.model import Tile
from siting.portfolio.tables import SCHEMAS, TABLES

__all__ = ["DiskFullError", "Store", "disk_full", "read_table"]

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
