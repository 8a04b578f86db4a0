/* The plane that is drawn on: metres east and north of the place, and how they are told.
 * A shape is { type: "area", parts: [[ring, ...], ...] }, { type: "line", parts: [[point, ...]] } or
 * { type: "point", at: point }; a ring does not repeat its first point; a point is [east, north]. */
"use strict";
const Plane = (() => {
  const FOOT = 0.3048;

  /* Metres in a degree of latitude and of longitude (series on the WGS 84 ellipsoid). */
  function perDegree(latitude) {
    const p = (latitude * Math.PI) / 180;
    return {
      north: 111132.92 - 559.82 * Math.cos(2 * p) + 1.175 * Math.cos(4 * p) - 0.0023 * Math.cos(6 * p),
      east: 111412.84 * Math.cos(p) - 93.5 * Math.cos(3 * p) + 0.118 * Math.cos(5 * p),
    };
  }
  function toDegrees([x, y], place) {
    const m = perDegree(place.lat);
    return [place.lon + x / m.east, place.lat + y / m.north];
  }
  function toMetres([lon, lat], place) {
    const m = perDegree(place.lat);
    return [(lon - place.lon) * m.east, (lat - place.lat) * m.north];
  }

  const distance = (p, q) => Math.hypot(q[0] - p[0], q[1] - p[1]);
  function ringArea(ring) {
    let twice = 0;
    for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
      twice += ring[j][0] * ring[i][1] - ring[i][0] * ring[j][1];
    }
    return twice / 2;
  }
  function pathLength(points, closed) {
    let sum = 0;
    for (let i = 1; i < points.length; i++) sum += distance(points[i - 1], points[i]);
    return closed && points.length > 2 ? sum + distance(points[points.length - 1], points[0]) : sum;
  }
  function area(shape) {
    if (shape.type !== "area") return 0;
    const of = (part) => part.reduce((sum, ring, i) => sum + (i ? -1 : 1) * Math.abs(ringArea(ring)), 0);
    return shape.parts.reduce((sum, part) => sum + of(part), 0);
  }
  function length(shape) {
    if (shape.type === "area") return shape.parts.reduce((s, part) => s + pathLength(part[0], true), 0);
    return shape.type === "line" ? shape.parts.reduce((s, part) => s + pathLength(part, false), 0) : 0;
  }

  /* Every list of points of a shape, with whether it is closed. */
  function paths(shape) {
    if (shape.type === "area") return shape.parts.flat().map((points) => ({ points, closed: true }));
    if (shape.type === "line") return shape.parts.map((points) => ({ points, closed: false }));
    return [{ points: [shape.at], closed: false }];
  }
  const corners = (shape) => paths(shape).reduce((sum, path) => sum + path.points.length, 0);
  function moved(shape, move) {
    if (shape.type === "area") return { type: "area", parts: shape.parts.map((p) => p.map((r) => r.map(move))) };
    if (shape.type === "line") return { type: "line", parts: shape.parts.map((p) => p.map(move)) };
    return { type: "point", at: move(shape.at) };
  }
  function bounds(shapes) {
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    for (const shape of shapes) {
      for (const { points } of paths(shape)) {
        for (const [x, y] of points) {
          box[0] = Math.min(box[0], x); box[1] = Math.min(box[1], y);
          box[2] = Math.max(box[2], x); box[3] = Math.max(box[3], y);
        }
      }
    }
    return box;
  }

  function inRing([x, y], ring) {
    let inside = false;
    for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
      const [a, b] = [ring[i], ring[j]];
      if (a[1] > y !== b[1] > y && x < ((b[0] - a[0]) * (y - a[1])) / (b[1] - a[1]) + a[0]) inside = !inside;
    }
    return inside;
  }
  const inArea = (p, shape) => shape.parts.some((part) => inRing(p, part[0]) && !part.slice(1).some((r) => inRing(p, r)));

  /* The nearest point of a segment. */
  function onSegment(p, a, b) {
    const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
    const square = dx * dx + dy * dy;
    const t = square ? Math.max(0, Math.min(1, ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / square)) : 0;
    return [a[0] + t * dx, a[1] + t * dy];
  }
  /* The corner, else the edge, of any shape within reach of a point; null where there is none. */
  function snap(p, shapes, reach) {
    let corner = null, edge = null, nearCorner = reach, nearEdge = reach;
    for (const shape of shapes) {
      for (const { points, closed } of paths(shape)) {
        points.forEach((q, i) => {
          const far = distance(p, q);
          if (far < nearCorner) { nearCorner = far; corner = q; }
          if (i || closed) {
            const r = onSegment(p, points[(i || points.length) - 1], q);
            const off = distance(p, r);
            if (off < nearEdge) { nearEdge = off; edge = r; }
          }
        });
      }
    }
    return corner || edge;
  }
  function distanceTo(p, shape) {
    if (shape.type === "area" && inArea(p, shape)) return 0;
    let least = Infinity;
    for (const { points, closed } of paths(shape)) {
      points.forEach((q, i) => {
        least = Math.min(least, distance(p, i || closed ? onSegment(p, points[(i || points.length) - 1], q) : q));
      });
    }
    return least;
  }

  /* Where two segments cross, as [point, share of the first]; null where they do not. */
  function crossing(a, b, c, d) {
    const [rx, ry, sx, sy] = [b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]];
    const cross = rx * sy - ry * sx;
    if (!cross) return null;
    const t = ((c[0] - a[0]) * sy - (c[1] - a[1]) * sx) / cross;
    const u = ((c[0] - a[0]) * ry - (c[1] - a[1]) * rx) / cross;
    return t >= 0 && t <= 1 && u >= 0 && u <= 1 ? [[a[0] + t * rx, a[1] + t * ry], t] : null;
  }
  /* Whether rings cross themselves or each other: edges sorted from west to east, so that few meet. */
  function crossesItself(shape) {
    if (shape.type !== "area") return false;
    const edges = [];
    shape.parts.flat().forEach((ring, k) => ring.forEach((q, i) => {
      const p = ring[(i || ring.length) - 1];
      edges.push({ p, q, k, i, n: ring.length, west: Math.min(p[0], q[0]), east: Math.max(p[0], q[0]) });
    }));
    edges.sort((one, two) => one.west - two.west);
    let open = [];
    for (const edge of edges) {
      open = open.filter((other) => other.east >= edge.west);
      for (const other of open) {
        const steps = Math.abs(edge.i - other.i);
        const beside = edge.k === other.k && (steps === 1 || steps === edge.n - 1);
        if (!beside && crossing(edge.p, edge.q, other.p, other.q)) return true;
      }
      open.push(edge);
    }
    return false;
  }

  /* One ring along a line into two; null unless the line crosses it exactly twice. */
  function splitRing(ring, line) {
    const cuts = [];
    for (let k = 1; k < line.length; k++) {
      ring.forEach((q, i) => {
        const before = (i || ring.length) - 1;
        const found = crossing(line[k - 1], line[k], ring[before], q);
        if (found) cuts.push({ at: found[0], on: before, along: k - 1 + found[1], step: k - 1, from: distance(ring[before], found[0]) });
      });
    }
    cuts.sort((one, two) => one.along - two.along);
    const real = cuts.filter((cut, i) => !i || distance(cut.at, cuts[i - 1].at) > 1e-6);
    if (real.length !== 2) return null;
    const [first, last] = real;
    const middle = line.slice(first.step + 1, last.step + 1);
    const walk = (from, to) => {  // the ring's corners from one cut on to the other
      const taken = [];
      const same = from.on === to.on && to.from >= from.from;
      for (let i = from.on; !same; ) {
        i = (i + 1) % ring.length;
        taken.push(ring[i]);
        if (i === to.on) break;
      }
      return taken;
    };
    return [
      [first.at, ...walk(first, last), last.at, ...middle.slice().reverse()],
      [last.at, ...walk(last, first), first.at, ...middle],
    ];
  }
  /* A shape along a line into two; a reason in words where that cannot be. */
  function split(shape, line) {
    const hit = shape.parts.map((part) => splitRing(part[0], line));
    const at = hit.findIndex(Boolean);
    if (at < 0) return "The line must begin outside, cross the area once, and end outside.";
    const holes = shape.parts[at].slice(1);
    if (holes.some((ring) => line.some((q, k) => k && ring.some((p, i) => crossing(line[k - 1], q, ring[(i || ring.length) - 1], p))))) {
      return "The line must not cross a hole.";
    }
    const [one, two] = hit[at].map((ring) => [ring, ...holes.filter((hole) => inRing(hole[0], ring))]);
    const others = shape.parts.filter((_, i) => i !== at);
    return [{ type: "area", parts: [one, ...others] }, { type: "area", parts: [two] }];
  }

  /* A path with fewer corners, nowhere off by more than a tolerance (Douglas and Peucker). */
  function thin(points, tolerance) {
    const keep = new Uint8Array(points.length);
    keep[0] = keep[points.length - 1] = 1;
    const todo = [[0, points.length - 1]];
    while (todo.length) {
      const [from, to] = todo.pop();
      let worst = tolerance, at = 0;
      for (let i = from + 1; i < to; i++) {
        const off = distance(points[i], onSegment(points[i], points[from], points[to]));
        if (off > worst) { worst = off; at = i; }
      }
      if (at) { keep[at] = 1; todo.push([from, at], [at, to]); }
    }
    return points.filter((_, i) => keep[i]);
  }
  const thinRing = (ring, tolerance) => {
    const half = Math.floor(ring.length / 2);
    const way = [...thin(ring.slice(0, half + 1), tolerance), ...thin([...ring.slice(half), ring[0]], tolerance).slice(1, -1)];
    return way.length > 2 ? way : ring;
  };

  const figure = (value, digits) => value.toLocaleString("en", { maximumFractionDigits: digits, minimumFractionDigits: digits });
  const both = (metric, us, units) => (units === "us" ? `${us} (${metric})` : `${metric} (${us})`);
  const tellLength = (m, units) => both(`${figure(m, m < 100 ? 2 : 0)} m`, `${figure(m / FOOT, m < 100 ? 1 : 0)} ft`, units);
  const tellArea = (m2, units) => both(`${figure(m2, m2 < 100 ? 1 : 0)} m²`, `${figure(m2 / FOOT ** 2, 0)} ft²`, units);

  return {
    FOOT, perDegree, toDegrees, toMetres, distance, ringArea, area, length, paths, corners, moved, bounds,
    inRing, inArea, snap, distanceTo, crossesItself, split, thin, thinRing, figure, tellLength, tellArea,
  };
})();
