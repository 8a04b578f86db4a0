"""Area ranks: how much of a piece of ground is less dry than a given point."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["area_rank", "class_weights", "driest_weights", "quantise"]

_DIGITS: Final = 9


def quantise(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round each row to nine digits of its largest value, so that float noise makes no ranks.

    Parameters
    ----------
    values : ndarray, shape (..., P)
        Any quantity; the unit cancels.

    Returns
    -------
    ndarray, shape (..., P)
        The rows over their largest absolute value, rounded.
    """
    scale = np.max(np.abs(values), axis=-1, keepdims=True, initial=0.0)
    return np.round(values / np.where(scale > 0, scale, 1.0), _DIGITS)


def area_rank(
    values: NDArray[np.float64], *, among: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:
    """Rank values by the share of the ground that lies below them, 0..1.

    Equal values share one rank (the middle of theirs), so the result depends neither on the
    order of the points nor on the origin of the raster.

    Parameters
    ----------
    values : ndarray, shape (..., P)
        One value per point; every point stands for the same area.
    among : ndarray of bool, shape (P,), optional
        The points that make up the ground; all by default. The others are ranked against it.

    Returns
    -------
    ndarray, shape (..., P)
        Ranks, 0..1.

    Examples
    --------
    >>> area_rank(np.array([1.0, 2.0, 2.0, 5.0])).tolist()
    [0.125, 0.5, 0.5, 0.875]
    """
    rounded = quantise(np.asarray(values, dtype=float))
    rows = rounded.reshape(-1, rounded.shape[-1])
    ranks = np.empty_like(rows)
    for row, rank in zip(rows, ranks, strict=True):
        ground = np.sort(row if among is None else row[among])
        below = np.searchsorted(ground, row, side="left")
        upto = np.searchsorted(ground, row, side="right")
        rank[:] = (below + upto) / (2 * ground.size)
    return ranks.reshape(rounded.shape)


def driest_weights(values: NDArray[np.float64], *, share: float = 0.25) -> NDArray[np.float64]:
    """Weight the points that make up the driest share of the ground; they sum to one.

    A group of equal values that straddles the limit counts in part, so that ties need no order.

    Parameters
    ----------
    values : ndarray, shape (P,)
        Dryness.
    share : float
        Which share of the area, 0..1.

    Returns
    -------
    ndarray, shape (P,)
        Weights >= 0 that sum to 1.

    Examples
    --------
    >>> driest_weights(np.array([1.0, 3.0, 3.0, 2.0])).tolist()
    [0.0, 0.5, 0.5, 0.0]
    """
    _, group, count = np.unique(
        quantise(np.asarray(values, dtype=float)), return_inverse=True, return_counts=True
    )
    wanted = share * group.size
    drier = group.size - np.cumsum(count)
    taken = np.clip((wanted - drier) / count, 0.0, 1.0)
    weights: NDArray[np.float64] = taken[group] / wanted
    return weights


def class_weights(values: NDArray[np.float64], *, classes: int = 4) -> NDArray[np.float64]:
    """Weight the points that make up each of some classes of equal area; each row sums to one.

    Parameters
    ----------
    values : ndarray, shape (P,)
        Dryness.
    classes : int
        Number of classes, Q.

    Returns
    -------
    ndarray, shape (Q, P)
        Weights >= 0, the driest class first; points alike share a class limit alike.

    Examples
    --------
    >>> class_weights(np.array([1.0, 3.0, 3.0, 2.0]), classes=2).tolist()
    [[0.0, 0.5, 0.5, 0.0], [0.5, 0.0, 0.0, 0.5]]
    """
    upto = [q / classes * driest_weights(values, share=q / classes) for q in range(1, classes + 1)]
    parts = np.diff(np.stack([np.zeros_like(values, dtype=float), *upto]), axis=0)
    return np.asarray(np.maximum(parts * classes, 0.0))
