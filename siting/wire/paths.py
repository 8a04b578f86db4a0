"""Shortest paths around obstacles, the shortest tree, and wires that share a trench."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import combinations, pairwise
from typing import Any, Final, NamedTuple

import numpy as np
import scipy
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats, Ints

#: Up to so many terminals the tree is exact (Dreyfus-Wagner); beyond, within twice the optimum.
EXACT_TERMINALS: Final = 8
_TOLERANCE_M: Final = 1e-6
_NO_NODE: Final = -9999
_ARMS: Final = 3  # lines that meet where a trench branches
_WIDE: Final = -0.5 + 1e-3  # cosine of the angle, 120 degrees, at which lines meet at least
_BRANCH_ROUNDS: Final = 12
_BRANCH_STEPS: Final = 100
_PAST_M: Final = 0.05  # by how much paving is widened past an edge that it ends at
_ALONG_M: Final = 1e-3
_BEND: Final = 1e-9  # cross product of the arms of a corner above which it bends [m²]
#: A line that passes a corner this close cuts both edges [share of the edge].
_AT_CORNER: Final = 1e-9
#: Lines held against the edges about them at a time.
_LINES_AT_ONCE: Final = 1024
_GRAZE: Final = 1e-7  # sine of the angle by which a tangent may cut into a corner's wedge


class VisibilityGraph(NamedTuple):
    """Nodes and the straight lines between them that stay in free space.

    places (N, 2): nodes, the given terminals first [m]; start, end (E,): nodes at the ends of each
    edge, start < end; length (E,): length [m]; cost (E,): length with the surcharge for crossing
    dear ground [m]; dear (E,): length across dear ground [m]; other (E, K): length across each
    further priced ground [m].
    """

    places: Floats
    start: Ints
    end: Ints
    length: Floats
    cost: Floats
    dear: Floats
    other: Floats

    def matrix(self, *, by: str = "cost") -> scipy.sparse.csr_array:
        """Return the symmetric sparse matrix of edge costs or lengths.

        by {"cost", "length"}: what the edges weigh. Result: at least 1e-12 along an edge, nothing
        where there is none [m], shape (N, N).
        """
        weight = np.maximum(self.cost if by == "cost" else self.length, 1e-12)
        row = np.concatenate([self.start, self.end])
        column = np.concatenate([self.end, self.start])
        n = len(self.places)
        return scipy.sparse.csr_array(
            scipy.sparse.coo_array((np.concatenate([weight, weight]), (row, column)), shape=(n, n))
        )


def free_space(boundary: BaseGeometry, obstacles: Sequence[BaseGeometry]) -> BaseGeometry:
    """Return the boundary less the obstacles."""
    blocked = shapely.union_all(np.array(list(obstacles), dtype=object))
    return shapely.difference(boundary, blocked)


def into_free(free: BaseGeometry, points: Floats) -> tuple[Floats, Floats]:
    """Move points that lie outside free space straight to its edge.

    points (K, 2): points [m]. Result: where they are then [m], shape (K, 2); how far each moved; 0
    for those inside [m], shape (K,).
    """
    places = points.copy()
    shapes = np.asarray(shapely.points(points))
    moved = np.asarray(shapely.distance(free, shapes), dtype=float)
    for i in np.flatnonzero(moved > _TOLERANCE_M):
        places[i] = shapely.get_coordinates(shapely.shortest_line(free, shapes[i]))[0]
    return places, np.where(moved > _TOLERANCE_M, moved, 0.0)


def visibility_graph(
    terminals: Floats,
    *,
    free: BaseGeometry,
    dear: BaseGeometry | None = None,
    factor: float = 1.0,
    extra: Floats | None = None,
    priced: Sequence[tuple[BaseGeometry, float]] = (),
) -> VisibilityGraph:
    """Join the terminals and the corners of obstacles by every straight line in free space.

    terminals (T, 2): points in free space [m]; factor: price of a metre of it in metres of open
    ground, at least 1; extra (X, 2): more nodes at which a route may turn or branch [m]. Result:
    the graph. Without dear ground, only lines that pass a corner on its outside are kept: a
    shortest path uses no others.
    """
    corners, before, after = _reflex_corners(free)
    loose = terminals if extra is None else np.concatenate([terminals, extra])
    places = np.concatenate([loose, corners])
    start, end = np.triu_indices(len(places), k=1)
    even = (dear is None or dear.is_empty) and not priced
    if even:  # a detour round dear ground may bend the other way
        arms = (before, after), len(loose)
        useful = _tangent(places, start, end, *arms) & _tangent(places, end, start, *arms)
        start, end = start[useful], end[useful]
    lines = shapely.linestrings(np.stack([places[start], places[end]], axis=1))
    room = shapely.buffer(free, _TOLERANCE_M, join_style="mitre")
    shapely.prepare(room)
    seen = np.asarray(shapely.covers(room, lines), dtype=np.bool_)
    start, end, lines = start[seen], end[seen], np.asarray(lines)[seen]
    length = np.hypot(*(places[start] - places[end]).T)
    across = _across(lines, _past_edges(dear, free))
    cost = length + (factor - 1.0) * across
    other = np.zeros((len(lines), len(priced)))
    for k, (shape, price) in enumerate(priced):
        other[:, k] = _across(lines, shape)
        cost = cost + (price - 1.0) * other[:, k]
    return VisibilityGraph(
        places, start.astype(np.int64), end.astype(np.int64), length, cost, across, other
    )


def _past_edges(dear: BaseGeometry | None, free: BaseGeometry) -> BaseGeometry | None:
    """Widen paving past the property line and walls that it ends at: there is no way along them."""
    if dear is None or dear.is_empty:
        return dear
    return shapely.union(dear, shapely.difference(shapely.buffer(dear, _PAST_M), free))


def _across(lines: NDArray[np.object_], ground: BaseGeometry | None) -> Floats:
    """Return how much of each line lies in a ground; along its edge does not count."""
    across = np.zeros(len(lines))
    if ground is None or ground.is_empty:
        return across
    inner = shapely.buffer(ground, -_ALONG_M)
    shapely.prepare(inner)
    hit = np.flatnonzero(shapely.intersects(inner, lines))
    across[hit] = _length_inside(shapely.get_coordinates(lines[hit]).reshape(-1, 2, 2), ground)
    return across


def _length_inside(lines: Floats, ground: BaseGeometry) -> Floats:
    """Return how much of each straight line (L, 2, 2) lies in a ground, shape (L,) [m].

    Each line is cut where it crosses an edge of the ground, of those that its box meets, and each
    piece asked by its middle: an overlay of every line with the whole ground takes twenty times as
    long.
    """
    rings = shapely.get_rings(shapely.get_parts(ground))
    corners, ring = shapely.get_coordinates(rings, return_index=True)
    edge = np.flatnonzero(ring[1:] == ring[:-1])
    foot, along = corners[edge].T.copy(), (corners[edge + 1] - corners[edge]).T.copy()
    start, reach = lines[:, 0].T.copy(), (lines[:, 1] - lines[:, 0]).T.copy()
    sides = shapely.linestrings(np.stack([corners[edge], corners[edge + 1]], axis=1))
    edges = shapely.STRtree(np.asarray(sides))
    boxes = shapely.box(*lines.min(axis=1).T - _ALONG_M, *lines.max(axis=1).T + _ALONG_M)
    line, cut = [np.repeat(np.arange(len(lines)), 2)], [np.tile([0.0, 1.0], len(lines))]
    for first in range(0, len(lines), _LINES_AT_ONCE):
        which, edge = edges.query(boxes[first : first + _LINES_AT_ONCE])
        which += first
        beside, side = reach.take(which, axis=1), along.take(edge, axis=1)
        turn, away = _cross(beside, side), foot.take(edge, axis=1) - start.take(which, axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            at, on = _cross(away, side) / turn, _cross(away, beside) / turn
        crosses = (at > 0) & (at < 1) & (on >= -_AT_CORNER) & (on <= 1 + _AT_CORNER)
        line.append(which[crosses])
        cut.append(at[crosses])
    of, place = np.concatenate(line), np.concatenate(cut)
    order = np.lexsort((place, of))
    of, place = of[order], place[order]
    piece = np.flatnonzero(of[1:] == of[:-1])
    middle = (place[piece] + place[piece + 1]) / 2
    x, y = start[:, of[piece]] + middle * reach[:, of[piece]]
    shapely.prepare(ground)
    inside = np.asarray(shapely.intersects_xy(ground, x, y))
    share = np.where(inside, place[piece + 1] - place[piece], 0.0)
    shares = np.bincount(of[piece], weights=share, minlength=len(lines))
    return np.asarray(shares * np.hypot(*reach))


def _cross(one: Floats, two: Floats) -> Floats:
    """Return the cross product of vectors; x and y come first, shape (2, ...)."""
    return np.asarray(one[0] * two[1] - one[1] * two[0])


def steiner_tree(
    matrix: scipy.sparse.csr_array, terminals: Sequence[int], *, exact_up_to: int = EXACT_TERMINALS
) -> list[tuple[int, int]]:
    """Find the cheapest tree in a graph that joins the terminals.

    matrix (N, N): symmetric edge costs, above zero. Result: edges, smaller node first, sorted.

    Dreyfus, S. E., Wagner, R. A. (1971). The Steiner problem in graphs. Networks 1(3), 195-207.
    Kou, L., Markowsky, G., Berman, L. (1981). A fast algorithm for Steiner trees. Acta
    Informatica 15, 141-145.
    """
    wanted = sorted(set(terminals))
    if len(wanted) < 2:  # noqa: PLR2004
        return []
    if len(wanted) > exact_up_to:
        return _closure_tree(matrix, wanted)
    if len(wanted) == 2:  # noqa: PLR2004 - a shortest path will do
        _, before = scipy.sparse.csgraph.dijkstra(
            matrix, directed=False, indices=wanted[1:], return_predecessors=True
        )
        if path := _path_edges(before[0], wanted[1], wanted[0]):
            return sorted(path)
    distance, before = scipy.sparse.csgraph.dijkstra(
        matrix, directed=False, return_predecessors=True
    )
    if not np.isfinite(distance[np.ix_(wanted, wanted)]).all():
        msg = "the terminals are not connected"
        raise ValueError(msg)
    edges: set[tuple[int, int]] = set()
    for i, j in _dreyfus_wagner(np.asarray(distance), wanted):
        edges |= _path_edges(before[i], i, j)
    return _pruned(matrix, edges, wanted)


def path_nodes(before: Ints, start: int, end: int) -> list[int]:
    """Return the nodes of a shortest path from start to end, from Dijkstra's predecessors.

    before (N,): predecessors towards `start`. Result: from start to end; empty when they are not
    connected.
    """
    nodes = [end]
    while nodes[-1] != start:
        previous = int(before[nodes[-1]])
        if previous == _NO_NODE:
            return []
        nodes.append(previous)
    return nodes[::-1]


def _path_edges(before: Ints, start: int, end: int) -> set[tuple[int, int]]:
    nodes = path_nodes(before, start, end)
    return {(min(a, b), max(a, b)) for a, b in pairwise(nodes)}


def _dreyfus_wagner(distance: Floats, terminals: list[int]) -> list[tuple[int, int]]:
    """Return the pairs of nodes whose shortest paths make up the optimal tree."""
    root, others = terminals[0], terminals[1:]
    k, n = len(others), len(distance)
    full = (1 << k) - 1
    cost = np.full((full + 1, n), np.inf)
    via = np.zeros((full + 1, n), dtype=np.int64)
    cut = np.zeros((full + 1, n), dtype=np.int64)
    for i, terminal in enumerate(others):
        cost[1 << i], via[1 << i] = distance[terminal], terminal
    for subset in sorted(range(1, full + 1), key=lambda s: (s.bit_count(), s)):
        if subset.bit_count() < 2:  # noqa: PLR2004
            continue
        joined = np.full(n, np.inf)
        part = (subset - 1) & subset
        while part > subset ^ part:
            both = cost[part] + cost[subset ^ part]
            better = both < joined
            joined[better], cut[subset, better] = both[better], part
            part = (part - 1) & subset
        total = joined[:, None] + distance
        via[subset] = np.argmin(total, axis=0)
        cost[subset] = total[via[subset], np.arange(n)]
    pairs, stack = [], [(full, root)]
    while stack:
        subset, node = stack.pop()
        at = int(via[subset, node])
        pairs.append((at, node))
        if subset.bit_count() > 1:
            part = int(cut[subset, at])
            stack += [(part, at), (subset ^ part, at)]
    return [(a, b) for a, b in pairs if a != b]


def _closure_tree(matrix: scipy.sparse.csr_array, terminals: list[int]) -> list[tuple[int, int]]:
    """Span the metric closure of the terminals, expand its paths and prune."""
    distance, before = scipy.sparse.csgraph.dijkstra(
        matrix, directed=False, indices=terminals, return_predecessors=True
    )
    between = np.asarray(distance)[:, terminals]
    if not np.isfinite(between).all():
        msg = "the terminals are not connected"
        raise ValueError(msg)
    spanning = scipy.sparse.coo_array(
        scipy.sparse.csgraph.minimum_spanning_tree(scipy.sparse.csr_array(between))
    )
    edges: set[tuple[int, int]] = set()
    for i, j in zip(spanning.row, spanning.col, strict=True):
        edges |= _path_edges(before[i], terminals[i], terminals[j])
    return _pruned(matrix, edges, terminals)


def _pruned(
    matrix: scipy.sparse.csr_array, edges: set[tuple[int, int]], terminals: list[int]
) -> list[tuple[int, int]]:
    """Drop cycles and loose ends."""
    ordered = sorted(edges)
    row, column = np.array(ordered, dtype=np.int32).T  # older scipy takes no longer integers
    weight = np.array([matrix[i, j] for i, j in ordered])
    shape = matrix.shape
    spanning = scipy.sparse.coo_array(
        scipy.sparse.csgraph.minimum_spanning_tree(
            scipy.sparse.csr_array((weight, (row, column)), shape=shape)
        )
    )
    kept = {(min(i, j), max(i, j)) for i, j in zip(spanning.row, spanning.col, strict=True)}
    keep = set(terminals)
    while True:
        nodes, degree = np.unique(np.array(sorted(kept)).ravel(), return_counts=True)
        loose = {int(node) for node in nodes[degree == 1]} - keep
        if not loose:
            return sorted((int(i), int(j)) for i, j in kept)
        kept = {edge for edge in kept if not loose & set(edge)}


def fermat_points(places: Floats) -> Floats:
    """Return the point of least total distance of every three places that lies strictly inside.

    places (T, 2): points [m]. Result: where three straight lines meet at 120 degrees, of every
    triple whose angles allow it [m], shape (F, 2).
    """
    found = [
        point
        for triple in combinations(range(len(places)), 3)
        if (point := _fermat(places[list(triple)])) is not None
    ]
    return np.array(found).reshape(-1, 2)


def branch_points(
    places: Floats, edges: Sequence[tuple[int, int]], terminals: Sequence[int]
) -> Floats:
    """Move the branches of a tree, and part new ones from its corners, until it is shortest.

    In a shortest tree no two lines meet at less than 120 degrees. Where two do, a branch is put
    between them, and all branches then move to the least total length (Weiszfeld's iteration).
    Obstacles are not looked at: the points are offered to a graph that does.

    places (N, 2): nodes [m]. Result: where it branches apart from its terminals [m], shape (B, 2).

    Gilbert, E. N., Pollak, H. O. (1968). Steiner minimal trees. SIAM J. Appl. Math. 16(1), 1-29.
    """
    at = {int(node): places[node] for edge in edges for node in edge}
    beside: dict[int, set[int]] = {node: set() for node in at}
    for a, b in edges:
        beside[int(a)].add(int(b))
        beside[int(b)].add(int(a))
    fixed = {int(node) for node in terminals}
    fixed |= {node for node, arms in beside.items() if len(arms) < _ARMS}
    for _ in range(_BRANCH_ROUNDS):
        free = sorted(set(at) - fixed)
        for _ in range(_BRANCH_STEPS):
            for node in free:
                arms = np.array([at[other] for other in sorted(beside[node])])
                near = 1 / np.maximum(np.hypot(*(arms - at[node]).T), 1e-9)
                at[node] = near @ arms / near.sum()
        narrow = _narrowest(at, beside)
        if narrow is None:
            break
        _part(at, beside, *narrow)
    return np.array([at[node] for node in sorted(set(at) - fixed)]).reshape(-1, 2)


def _narrowest(at: dict[int, Floats], beside: dict[int, set[int]]) -> tuple[int, int, int] | None:
    """Return the node whose two lines meet at the least angle below 120 degrees, and their ends."""
    found, most = None, _WIDE
    for node, arms in sorted(beside.items()):
        for one, two in combinations(sorted(arms), 2):
            u, v = at[one] - at[node], at[two] - at[node]
            size = float(np.hypot(*u) * np.hypot(*v))
            if min(np.hypot(*u), np.hypot(*v)) > _ALONG_M and float(u @ v) / size > most:
                found, most = (node, one, two), float(u @ v) / size
    return found


def _part(
    at: dict[int, Floats], beside: dict[int, set[int]], node: int, one: int, two: int
) -> None:
    """Put a branch between two lines that leave a node."""
    new = max(at) + 1
    at[new] = (at[node] + at[one] + at[two]) / 3
    beside[new] = {node, one, two}
    for end in (one, two):
        beside[node].remove(end)
        beside[end].remove(node)
        beside[end].add(new)
    beside[node].add(new)


def _fermat(corners: Floats) -> Floats | None:
    """Return a triangle's Fermat point from its barycentric weights, or None at 120° and more."""
    side = np.array([np.hypot(*(corners[(i + 1) % 3] - corners[(i + 2) % 3])) for i in range(3)])
    if side.min() < 1e-3:  # noqa: PLR2004
        return None
    square = side**2
    cosine = [
        (square[(i + 1) % 3] + square[(i + 2) % 3] - square[i])
        / (2 * side[(i + 1) % 3] * side[(i + 2) % 3])
        for i in range(3)
    ]
    angle = np.arccos(np.clip(cosine, -1.0, 1.0))
    if angle.max() >= np.radians(119.0) or angle.min() < np.radians(1.0):
        return None
    weight = side / np.sin(angle + np.pi / 3)
    point: Floats = weight @ corners / weight.sum()
    return point


def _reflex_corners(free: BaseGeometry) -> tuple[Floats, Floats, Floats]:
    """Return the corners of free space that a taut string can bend around, with neighbours.

    In a normalised polygon the free space lies on the right of every ring, so a corner is kept
    where the outline turns left.
    """
    corners, before, after = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty((0, 2))]
    for polygon in shapely.get_parts(free):
        if shapely.get_dimensions(polygon) != 2:  # noqa: PLR2004
            continue
        for ring in shapely.get_rings(shapely.normalize(polygon)):
            points = shapely.get_coordinates(ring)[:-1]
            previous, following = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
            a, b = points - previous, following - points
            bent = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] > _BEND
            corners.append(points[bent])
            before.append(previous[bent])
            after.append(following[bent])
    return np.concatenate(corners), np.concatenate(before), np.concatenate(after)


def _tangent(
    places: Floats, at: Ints, to: Ints, corner: tuple[Floats, Floats], first: int
) -> Flags:
    """Tell which lines touch the corner at one end without pointing into its wedge."""
    kept = np.ones(len(at), dtype=np.bool_)
    here = at >= first
    k = at[here] - first
    line = places[to[here]] - places[at[here]]
    sides = []
    for neighbour in corner:
        arm = neighbour[k] - places[at[here]]
        size = np.hypot(*arm.T) * np.hypot(*line.T)
        sides.append((line[:, 0] * arm[:, 1] - line[:, 1] * arm[:, 0]) / np.maximum(size, 1e-12))
    same = (np.minimum(*sides) >= -_GRAZE) | (np.maximum(*sides) <= _GRAZE)
    kept[here] = same
    return kept


Edge = tuple[int, int]
_GAIN: Final = 1e-6  # a new path must be cheaper by this much [m of trench]
_PASSES: Final = 12


def edges_of(nodes: Sequence[int]) -> list[Edge]:
    """Return the edges of a path, smaller node first; one edge fewer than nodes."""
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
    matrix = scipy.sparse.csr_array(
        scipy.sparse.coo_array(
            (np.maximum(weight, 1e-12), (graph.start, graph.end)), shape=(size, size)
        )
    )
    options: Any = {"directed": False, "indices": start, "return_predecessors": True}
    _, before = scipy.sparse.csgraph.dijkstra(matrix, **options)
    return tuple(path_nodes(before, start, end))
