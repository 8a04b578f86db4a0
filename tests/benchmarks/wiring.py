"""Trench routes against networkx on the same properties: lengths within 1 %, and times.

    python tests/benchmarks/wiring.py

Shortest paths: networkx's Dijkstra is exact, so ours must agree; both get the same obstacles, and
the time is that of building the visibility graph and searching it. Trees: networkx's approximation
(Kou) on our graph, against our exact tree up to eight terminals and our own approximation beyond.
"""

from __future__ import annotations

import time
from itertools import combinations

import geopandas as gpd
import networkx as nx
import numpy as np
import shapely
from shapely.geometry import LineString, box

from siting.wire.paths import free_space, steiner_tree, visibility_graph
from siting.wire.routes import nearest_controller_distance

PROPERTY = box(0, 0, 140, 90)


def buildings(seed: int, count: int = 12) -> gpd.GeoDataFrame:
    """Return turned boxes on a loose grid."""
    rng = np.random.default_rng(seed)
    corners = rng.uniform([5, 5], [115, 70], (count, 2))
    shapes = [
        shapely.affinity.rotate(box(x, y, x + w, y + h), angle)
        for (x, y), (w, h), angle in zip(
            corners,
            rng.uniform([6, 4], [20, 12], (count, 2)),
            rng.uniform(0, 90, count),
            strict=True,
        )
    ]
    return gpd.GeoDataFrame(geometry=shapes)


def places(walls: shapely.Geometry, count: int, seed: int) -> np.ndarray:
    """Return points in the open."""
    rng = np.random.default_rng(seed)
    found = rng.uniform([1, 1], [139, 89], (400, 2))
    return found[~shapely.intersects_xy(walls, *found.T)][:count]


def peer_lengths(at: np.ndarray, walls: shapely.Geometry) -> np.ndarray:
    """Return shortest lengths from the first point to all, by networkx."""
    corners = shapely.get_coordinates(shapely.simplify(walls, 0))
    nodes = np.concatenate([at, np.unique(corners, axis=0)])
    inner = shapely.buffer(walls, -1e-6)
    shapely.prepare(inner)
    graph = nx.Graph()
    for i, j in combinations(range(len(nodes)), 2):
        line = LineString(nodes[[i, j]])
        if not inner.intersects(line) and PROPERTY.covers(line):
            graph.add_edge(i, j, weight=line.length)
    length = nx.single_source_dijkstra_path_length(graph, 0)
    return np.array([length.get(k, np.inf) for k in range(len(at))])


def main() -> None:
    """Print one row per property."""
    print("paths   worst difference   ours [s]   networkx [s]")
    for seed in range(4):
        layer = buildings(seed)
        walls = shapely.union_all(layer.geometry.to_numpy())
        at = places(walls, 13, seed)
        began = time.perf_counter()
        ours = nearest_controller_distance(at, at[:1], boundary=PROPERTY, buildings=layer)[:, 0]
        middle = time.perf_counter()
        peer = peer_lengths(at, walls)
        ended = time.perf_counter()
        known = np.isfinite(peer) & (peer > 0)
        worst = float(np.abs(ours[known] / peer[known] - 1).max())
        print(f"{seed:5d} {worst:18.2%} {middle - began:10.3f} {ended - middle:14.3f}")
    print("trees   terminals   ours / networkx   ours [s]   networkx [s]")
    for seed, count in ((0, 5), (1, 8), (2, 12), (3, 16)):
        layer = buildings(seed)
        walls = shapely.union_all(layer.geometry.to_numpy())
        at = places(walls, count, seed)
        graph = visibility_graph(at, free=free_space(PROPERTY, list(layer.geometry)))
        matrix, terminals = graph.matrix(), list(range(count))
        began = time.perf_counter()
        cost = sum(float(matrix[a, b]) for a, b in steiner_tree(matrix, terminals))
        middle = time.perf_counter()
        net = nx.from_scipy_sparse_array(matrix)
        tree = nx.algorithms.approximation.steiner_tree(
            net, terminals, weight="weight", method="kou"
        )
        ended = time.perf_counter()
        ratio = cost / tree.size(weight="weight")
        print(f"{seed:5d} {count:11d} {ratio:17.4f} {middle - began:10.3f} {ended - middle:14.3f}")


if __name__ == "__main__":
    main()
