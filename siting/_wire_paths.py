"""Paths of wires in shared trenches: trench is paid once, wire by every sensor."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra

from siting._paths import VisibilityGraph, path_nodes

__all__ = ["edges_of", "rerouted"]

Floats = NDArray[np.float64]
Edge = tuple[int, int]

_GAIN: Final = 1e-6  # a new path must be cheaper by this much [m of trench]
_PASSES: Final = 12


def edges_of(nodes: Sequence[int]) -> list[Edge]:
    """Return the edges of a path, smaller node first.

    Parameters
    ----------
    nodes : sequence of int
        The path.

    Returns
    -------
    list of (int, int)
        One edge fewer than nodes.
    """
    return [(min(a, b), max(a, b)) for a, b in pairwise(nodes)]


def rerouted(
    graph: VisibilityGraph,
    paths: Mapping[int, tuple[int, ...]],
    *,
    wire_share: float,
) -> dict[int, tuple[int, ...]]:
    """Improve paths until no sensor can be connected more cheaply, given the others.

    A sensor is taken out and joined again by its cheapest path, where trench that others need
    anyway is free and every metre costs its wire. The cost never rises, so what comes out is at
    most the tree that went in; it also shares the trenches of different controllers.

    Parameters
    ----------
    graph : VisibilityGraph
        Edges with their trench cost and length.
    paths : mapping of int to tuple of int
        Nodes of each sensor's path, from its controller.
    wire_share : float
        Price of a metre of wire in metres of open trench.

    Returns
    -------
    dict of int to tuple of int
        The paths.
    """
    current = {sensor: tuple(nodes) for sensor, nodes in paths.items()}
    place = {
        (int(a), int(b)): k for k, (a, b) in enumerate(zip(graph.start, graph.end, strict=True))
    }
    used = Counter(place[edge] for nodes in current.values() for edge in edges_of(nodes))
    for _ in range(_PASSES):
        better = False
        for sensor, nodes in sorted(current.items()):
            own = [place[edge] for edge in edges_of(nodes)]
            used.subtract(own)
            free = np.array([k for k, count in used.items() if count > 0], dtype=np.int64)
            weight = graph.cost + wire_share * graph.length
            weight[free] = wire_share * graph.length[free]
            found = _shortest(graph, weight, nodes[0], nodes[-1])
            there = [place[edge] for edge in edges_of(found)]
            if weight[there].sum() < weight[own].sum() - _GAIN:
                current[sensor], own, better = found, there, True
            used.update(own)
        if not better:
            break
    return current


def _shortest(graph: VisibilityGraph, weight: Floats, start: int, end: int) -> tuple[int, ...]:
    """Return the nodes of the cheapest path."""
    size = len(graph.places)
    matrix = csr_array(
        coo_array((np.maximum(weight, 1e-12), (graph.start, graph.end)), shape=(size, size))
    )
    options: Any = {"directed": False, "indices": start, "return_predecessors": True}
    _, before = dijkstra(matrix, **options)
    return tuple(path_nodes(before, start, end))
