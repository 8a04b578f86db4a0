"""Put properties in order along a Hilbert curve, and cut the row into tiles of neighbours."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely

from siting.portfolio.layers import boundary_table
from siting.portfolio.model import TILE, Folder, Index, Source, Tile
from siting.site.findings import some

__all__ = ["cut_tiles", "index_of", "spread", "tile_size"]


def index_of(source: Source) -> Index:
    """List the properties of a portfolio, neighbours next to each other.

    Result: every id once, along a Hilbert curve; those without a shape come last. Features with the
    same id are one property of several parts.
    """
    if isinstance(source, Folder):
        return Index(tuple(source.files), np.full((len(source.files), 4), np.nan))
    names, bounds = boundary_table(source)
    notes = []
    nameless = [row for row, name in enumerate(names) if name is None]
    if nameless:
        notes.append(
            f"{len(nameless)} features of the boundary layer without {source.id_column} were left "
            f"out: features {some([row + 1 for row in nameless])} of the layer"
        )
    parts: dict[str, list[int]] = {}
    for row, name in enumerate(names):
        if name is not None:
            parts.setdefault(name, []).append(row)
    several = sorted(name for name, rows in parts.items() if len(rows) > 1)
    if several:
        notes.append(f"{len(several)} properties of several shapes: {some(several)}")
    ids = sorted(parts)
    joined = np.array([_join(bounds[parts[name]]) for name in ids]).reshape(-1, 4)
    order = _along_curve(joined)
    return Index(tuple(ids[i] for i in order), joined[order], tuple(notes))


def _join(bounds: np.ndarray) -> np.ndarray:
    """Return the bounds of several shapes; NaN when none has any."""
    sound = bounds[np.isfinite(bounds).all(axis=1)]
    if not len(sound):
        return np.full(4, np.nan)
    return np.concatenate([sound[:, :2].min(axis=0), sound[:, 2:].max(axis=0)])


def _along_curve(bounds: np.ndarray) -> np.ndarray:
    """Return the order along a Hilbert curve; rows are in the order of their ids already."""
    sound = np.isfinite(bounds).all(axis=1)
    distance = np.full(len(bounds), np.iinfo(np.int64).max)
    if sound.any():
        boxes = gpd.GeoSeries(shapely.box(*bounds[sound].T))
        distance[sound] = boxes.hilbert_distance().to_numpy(dtype=np.int64)
    return np.argsort(distance, kind="stable")


def tile_size(count: int) -> int:
    """Return how many properties make a tile: 40, or fewer in a small portfolio.

    Result: from 1 to 40.

    >>> [tile_size(n) for n in (3, 100, 5000)]
    [1, 7, 40]
    """
    return min(TILE, max(1, -(-count // 16)))


def cut_tiles(index: Index, size: int) -> list[Tile]:
    """Cut the row of properties into tiles.

    index: from `index_of`. Result: in order. Towards the end none holds more than a quarter of what
    is left, down to an eighth of the size, so that workers end at nearly the same time.

    >>> index = Index(tuple(map(str, range(300))), np.zeros((300, 4)))
    >>> [len(tile.ids) for tile in cut_tiles(index, 40)]
    [40, 40, 40, 40, 35, 27, 20, 15, 11, 8, 6, 5, 5, 5, 3]
    """
    tiles: list[Tile] = []
    at = 0
    while at < len(index.ids):
        left = len(index.ids) - at
        end = at + min(size, max(1, size // 8, -(-left // 4)))
        tiles.append(Tile(f"{len(tiles):06d}", index.ids[at:end], index.bounds[at:end]))
        at = end
    return tiles


def spread(index: Index, count: int) -> list[Tile]:
    """Pick some properties evenly along the curve, each a tile of its own.

    index: from `index_of`. Result: evenly spread over the portfolio's ground.
    """
    total = len(index.ids)
    picked: Sequence[int] = sorted({int((i + 0.5) * total / count) for i in range(count)})
    return [
        Tile(f"sample-{i:06d}", (index.ids[i],), index.bounds[i : i + 1])
        for i in picked[: min(count, total)]
    ]
