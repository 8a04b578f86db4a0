"""Fill spans of cells by difference arrays: how much light arrives in every cell of a tile.

For every span +w goes in at its first row and -w after its last; a running sum down the rows then
holds at every cell the sum of w over the spans that cover it. Opaque pieces count in whole
numbers; crowns add logarithms of transmissivity that `siting.sun.exact` has rounded, so their
running sums are exact and leave no drift behind.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from siting.sun.shadows import Spans, Tile

__all__ = ["covered", "transmission"]

_INT16_MAX: Final = 32_767


def covered(pieces: Sequence[Spans], tile: Tile, layers: int = 1) -> NDArray[np.bool_]:
    """Whether a cell lies in any span.

    Parameters
    ----------
    pieces : sequence of Spans
        Within the tile; `ray` numbers the layers.
    tile : Tile
        The cells.
    layers : int
        Number of layers K.

    Returns
    -------
    ndarray of bool, shape (rows, K, columns)
        Layers lie between rows and columns, so that a row of all layers is one run of memory.
    """
    # No more pieces can lie over one cell than there are; narrow numbers are added faster.
    most = sum(int(spans.piece.max(initial=-1)) + 1 for spans in pieces)
    kind = np.int16 if most <= _INT16_MAX else np.int32
    weights = [np.ones(1, dtype=kind)] * len(pieces)
    dark: NDArray[np.bool_] = _running_sum(pieces, weights, tile, layers) > 0
    return dark


def transmission(
    opaque: Spans,
    crowns: Sequence[tuple[Spans, NDArray[np.float64]]],
    tile: Tile,
    layers: int,
) -> NDArray[np.float64] | NDArray[np.bool_]:
    """Share of the light from each direction that arrives in each cell.

    Parameters
    ----------
    opaque : Spans
        Shadows of walls.
    crowns : sequence of (Spans, ndarray)
        Shadows of crowns and sheets, and the logarithm of the transmissivity of each piece, rounded
        by `siting.sun.exact.rounded_logs`; -inf is opaque.
    tile : Tile
        The cells.
    layers : int
        Number of directions K.

    Returns
    -------
    ndarray, shape (rows, K, columns)
        0..1; transmissivities of overlapping crowns multiply. Where no crown lets light pass, bool:
        whether it arrives.
    """
    dense, thin, weights = [opaque], [], []
    for spans, log_tau in crowns:
        solid = np.isneginf(log_tau)[spans.piece]
        dense.append(_only(spans, solid))
        thin.append(_only(spans, ~solid))
        weights.append(log_tau[thin[-1].piece])
    dark = covered(dense, tile, layers)
    if not any(len(spans.piece) for spans in thin):
        return np.logical_not(dark, out=dark)
    light: NDArray[np.float64] = _running_sum(thin, weights, tile, layers)
    np.exp(light, out=light)
    light *= ~dark
    return light


def _only(spans: Spans, keep: NDArray[np.bool_]) -> Spans:
    """Return the spans that are to be kept."""
    if keep.all():
        return spans
    return Spans(
        spans.ray[keep],
        spans.piece[keep],
        spans.column[keep],
        spans.first[keep],
        spans.last[keep],
    )


def _running_sum(
    pieces: Sequence[Spans], weights: Sequence[NDArray[Any]], tile: Tile, layers: int
) -> NDArray[Any]:
    """Sum of the weights of the spans over each cell, shape (rows, K, columns)."""
    rows, columns = tile.shape
    step = layers * columns
    total = np.zeros((rows + 1) * step, dtype=weights[0].dtype)
    for spans, weight in zip(pieces, weights, strict=True):
        place = spans.ray * columns + (spans.column - tile.left)
        np.add.at(total, place + (spans.first - tile.top) * step, weight)
        np.subtract.at(total, place + (spans.last + 1 - tile.top) * step, weight)
    table = total.reshape(rows + 1, step)
    for row in range(1, rows):
        np.add(table[row - 1], table[row], out=table[row])  # all layers at once
    return table[:rows].reshape(rows, layers, columns)
