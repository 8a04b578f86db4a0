/* The page: the map and its pen, forms, the list of what must still be told, opening and saving. */
"use strict";
const Page = (() => {
  const $ = (id) => document.getElementById(id);
  const make = (tag, attributes = {}, ...inside) => {
    const node = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (name === "text") node.textContent = value;
      else if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
      else if (value !== false && value !== undefined) node.setAttribute(name, value === true ? "" : value);
    }
    node.append(...inside);
    return node;
  };
  const there = !!PAGE.opened;  // a property file tells weather, timer and price already
  const us = () => State.now.units === "us";
  const place = () => State.now.place || { lat: 0, lon: 0 };
  const say = (words) => { $("said").textContent = words; if (words) $("panel").scrollTop = 0; };
  const asked = (words) => new Promise((done) => {
    $("ask-words").textContent = words;
    $("ask").showModal();
    $("ask").onclose = () => done($("ask").returnValue === "yes");
    $("ask-yes").onclick = () => $("ask").close("yes");
    $("ask-no").onclick = () => $("ask").close("no");
  });

  /* ---- the map: a plane under Leaflet's view, everything finished painted on one canvas ---- */
  const map = L.map("map", {
    zoomControl: false, attributionControl: false, zoomSnap: 0.25, minZoom: 12, maxZoom: 25,
    zoomAnimation: false, fadeAnimation: false, inertia: false, doubleClickZoom: false, boxZoom: false,
  });
  const latLng = (p) => { const [lon, lat] = Plane.toDegrees(p, place()); return L.latLng(lat, lon); };
  const metres = (ll) => Plane.toMetres([ll.lng, ll.lat], place());
  const perPixel = () => { const c = map.getSize().divideBy(2); return Plane.distance(metres(map.containerPointToLatLng(c)), metres(map.containerPointToLatLng(c.add([100, 0])))) / 100; };
  function view() {  // the plane's place on the screen, as a transform of the canvas
    const [o, e, n] = [[0, 0], [1000, 0], [0, 1000]].map((p) => map.latLngToContainerPoint(latLng(p)));
    return [(e.x - o.x) / 1000, (e.y - o.y) / 1000, (n.x - o.x) / 1000, (n.y - o.y) / 1000, o.x, o.y];
  }
  let bitmap = null, wanted = false, selected = null;
  const hidden = new Set();  // what the pen holds is not painted a second time
  function paint() {
    if (wanted) return;
    wanted = true;
    requestAnimationFrame(() => { wanted = false; painted(); });
  }
  function painted() {
    const canvas = $("canvas"), size = map.getSize(), dense = window.devicePixelRatio || 1;
    if (canvas.width !== size.x * dense || canvas.height !== size.y * dense) { canvas.width = size.x * dense; canvas.height = size.y * dense; }
    const pen = canvas.getContext("2d"), m = view();
    pen.setTransform(dense, 0, 0, dense, 0, 0);
    pen.clearRect(0, 0, size.x, size.y);
    const { picture, things } = State.now;
    if (bitmap && picture) {
      pen.save();
      pen.transform(...m);
      pen.transform(...picture.at);
      pen.globalAlpha = 0.85;
      pen.drawImage(bitmap, 0, 0, picture.width, picture.height);
      pen.restore();
    }
    grid(pen, m, size);
    const order = ["area", "line", "circle", "point"];
    const sorted = things.filter((t) => !hidden.has(t.id)).sort((a, b) => order.indexOf(PAGE.of[a.kind].shape) - order.indexOf(PAGE.of[b.kind].shape)
      || Plane.area(b.shape) - Plane.area(a.shape));
    const at = ([x, y]) => [m[0] * x + m[2] * y + m[4], m[1] * x + m[3] * y + m[5]];
    for (const thing of sorted) one(pen, thing, at, Math.hypot(m[0], m[1]));
    for (const thing of sorted) label(pen, thing, at);
  }
  function grid(pen, m, size) {
    const scale = Math.hypot(m[0], m[1]), unit = us() ? Plane.FOOT : 1;
    const step = [1, 2, 5, 10, 20, 50, 100, 200, 500].find((s) => s * unit * scale >= 28) * unit || 500 * unit;
    const [left, top] = metres(map.containerPointToLatLng([0, 0])), [right, bottom] = metres(map.containerPointToLatLng([size.x, size.y]));
    pen.lineWidth = 1;
    for (let x = Math.ceil(left / step); x * step <= right; x++) {
      pen.strokeStyle = x % 5 ? "rgba(29,39,51,.10)" : "rgba(29,39,51,.22)";
      const px = Math.round(m[0] * x * step + m[4]) + 0.5;
      pen.beginPath(); pen.moveTo(px, 0); pen.lineTo(px, size.y); pen.stroke();
    }
    for (let y = Math.ceil(bottom / step); y * step <= top; y++) {
      pen.strokeStyle = y % 5 ? "rgba(29,39,51,.10)" : "rgba(29,39,51,.22)";
      const py = Math.round(m[3] * y * step + m[5]) + 0.5;
      pen.beginPath(); pen.moveTo(0, py); pen.lineTo(size.x, py); pen.stroke();
    }
    const words = `Grid ${Plane.figure(step / unit, 0)} ${us() ? "ft" : "m"}, north is up`;
    pen.font = "13px system-ui, sans-serif";
    pen.fillStyle = "rgba(251,250,246,.85)";
    pen.fillRect(size.x - pen.measureText(words).width - 18, size.y - 26, pen.measureText(words).width + 12, 20);
    pen.fillStyle = PAGE.ink.text;
    pen.textAlign = "right";
    pen.fillText(words, size.x - 12, size.y - 11);
  }
  function one(pen, thing, at, scale) {
    const kind = PAGE.of[thing.kind];
    pen.strokeStyle = kind.colour;
    pen.fillStyle = kind.fill;
    pen.lineWidth = thing.id === selected ? 4 : 2;
    pen.setLineDash(thing.kind === "boundary" ? [9, 5] : kind.layer === "utilities" || kind.layer === "paths" ? [4, 4] : []);
    pen.beginPath();
    if (thing.shape.type === "point") {
      const [x, y] = at(thing.shape.at);
      const crown = kind.shape === "circle" ? ((thing.values.crown_diameter || 4) / 2) * scale : 7;
      pen.arc(x, y, Math.max(crown, 4), 0, 2 * Math.PI);
      pen.fill(); pen.stroke();
      if (kind.shape === "circle") { pen.beginPath(); pen.fillStyle = kind.colour; pen.arc(x, y, 3, 0, 2 * Math.PI); pen.fill(); }
    } else {
      for (const { points, closed } of Plane.paths(thing.shape)) {
        points.forEach((p, i) => { const [x, y] = at(p); if (i) pen.lineTo(x, y); else pen.moveTo(x, y); });
        if (closed) pen.closePath();
      }
      if (thing.shape.type === "area") pen.fill("evenodd");
      if (thing.shape.type === "line") pen.lineWidth += 2;
      pen.stroke();
    }
    pen.setLineDash([]);
  }
  const nameOf = (thing) => thing.values.zone || thing.values.name || PAGE.of[thing.kind].says;
  function label(pen, thing, at) {
    if (thing.kind !== "zone" && thing.kind !== "building" && thing.kind !== "controller") return;
    const ring = thing.shape.type === "area" ? thing.shape.parts[0][0] : [thing.shape.at];
    const [w, s, e, n] = Plane.bounds([thing.shape]);
    const [x, y] = at(ring.length > 1 ? middleOf(ring, [(w + e) / 2, (s + n) / 2]) : ring[0]);
    pen.font = "600 13px system-ui, sans-serif";
    pen.textAlign = "center";
    pen.lineWidth = 3.5; pen.strokeStyle = "rgba(255,255,255,.9)"; pen.fillStyle = PAGE.ink.text;
    const text = nameOf(thing).slice(0, 40), down = thing.shape.type === "point" ? 22 : 4;
    pen.strokeText(text, x, y + down); pen.fillText(text, x, y + down);
  }
  const middleOf = (ring, fallback) => { const c = ring.reduce((s, p) => [s[0] + p[0] / ring.length, s[1] + p[1] / ring.length], [0, 0]); return Plane.inRing(c, ring) ? c : fallback; };
  function whole() {
    const shapes = State.now.things.map((thing) => thing.shape);
    const { picture } = State.now;
    if (picture) shapes.push({ type: "line", parts: [[[0, 0], [picture.width, 0], [picture.width, picture.height], [0, picture.height]].map((p) => Picture.apply(picture.at, p))] });
    const [w, s, e, n] = shapes.length ? Plane.bounds(shapes) : [-25, -25, 25, 25];
    map.invalidateSize({ animate: false });
    map.fitBounds(L.latLngBounds(latLng([w - 1, s - 1]), latLng([e + 1, n + 1])), { animate: false, paddingTopLeft: [20, 44], paddingBottomRight: [20, 60] });
    paint();
  }

  /* ---- the pen: Terra Draw draws and moves corners; what is finished goes into the state ---- */
  const reach = () => perPixel() * (matchMedia("(pointer: coarse)").matches ? 22 : 12);
  const SNAP = 0.4;  // no farther on the ground, so that on a small screen nothing jumps [m]
  const toCustom = (event) => {
    const others = State.now.things.filter((thing) => !hidden.has(thing.id) && thing.shape.type !== "point").map((thing) => thing.shape);
    const found = Plane.snap(metres(event), others, Math.min(reach(), SNAP));
    if (!found) return undefined;
    const [lon, lat] = Plane.toDegrees(found, place());
    return [round(lon), round(lat)];
  };
  const round = (v) => Math.round(v * 1e9) / 1e9;
  const td = terraDraw, ink = PAGE.ink.accent;
  const style = { fillColor: ink, fillOpacity: 0.12, outlineColor: ink, outlineWidth: 3, lineStringColor: ink, lineStringWidth: 4, closingPointColor: ink, closingPointWidth: 7, pointColor: ink, pointWidth: 8 };
  const snapping = () => ({ toCustom, ...($("square").checked ? { toDegree: { degree: 90 } } : {}) });
  const coordinates = { draggable: true, midpoints: true, deletable: true, snappable: { toCustom } };
  const draw = new td.TerraDraw({
    adapter: new terraDrawLeafletAdapter.TerraDrawLeafletAdapter({ lib: L, map, coordinatePrecision: 10 }),
    modes: [
      new td.TerraDrawPolygonMode({ styles: style, snapping: snapping(), pointerDistance: 18, showCoordinatePoints: true }),
      new td.TerraDrawLineStringMode({ styles: style, snapping: snapping(), pointerDistance: 18, showCoordinatePoints: true }),
      new td.TerraDrawCircleMode({ styles: style, drawInteraction: "click-move-or-drag", startingRadiusKilometers: 0.0005 }),
      new td.TerraDrawPointMode({ styles: style }),
      new td.TerraDrawSelectMode({
        pointerDistance: 24, keyEvents: null, allowManualDeselection: false,
        styles: { selectedPolygonColor: ink, selectedPolygonFillOpacity: 0.1, selectedPolygonOutlineColor: ink, selectedPolygonOutlineWidth: 3, selectedLineStringColor: ink, selectedLineStringWidth: 4, selectedPointColor: ink, selectedPointWidth: 9, selectionPointColor: "#ffffff", selectionPointOutlineColor: ink, selectionPointWidth: 7, selectionPointOutlineWidth: 3, midPointColor: ink, midPointWidth: 4 },
        // Areas and lines are not dragged whole: whoever moves the plan would move what was just drawn.
        flags: { polygon: { feature: { draggable: false, coordinates } }, linestring: { feature: { draggable: false, coordinates } }, point: { feature: { draggable: true } } },
      }),
    ],
    undoRedo: { modeLevel: new td.TerraDrawModeUndoRedo() },
  });
  let doing = null;  // { thing | hole | split | pick }: what the pen is used for
  let lastEdit = 0;
  let lifted = [0, 0];
  $("map").addEventListener("pointerup", (event) => {
    const box = $("map").getBoundingClientRect();
    lifted = metres(map.containerPointToLatLng([event.clientX - box.left, event.clientY - box.top]));
  }, true);
  const MODES = { area: "polygon", line: "linestring", circle: "circle", point: "point" };
  const degrees = (p) => Plane.toDegrees(p, place()).map(round);

  function begin(what, mode, hint) {
    stop();
    doing = what;
    $("hint").textContent = hint;
    $("doing").hidden = false;
    $("said").textContent = "";
    $("panel").scrollTop = 0;
    document.querySelector(".app").classList.add("drawing");
    $("cross").toggleAttribute("hidden", false);
    $("square-label").hidden = mode === "point" || mode === "circle" || mode === "pick";
    $("finish").hidden = $("square-label").hidden;
    if (mode !== "pick") { options(); draw.setMode(mode); }
    pressed();
    $("map").focus({ preventScroll: true });
  }
  function options() {
    for (const mode of ["polygon", "linestring"]) draw.updateModeOptions(mode, { snapping: snapping() });
  }
  function stop() {
    doing = null;
    $("doing").hidden = true;
    document.querySelector(".app").classList.remove("drawing");
    $("cross").toggleAttribute("hidden", true);
    $("measure").textContent = "";
    draw.setMode("static");
    draw.clear();
    hidden.clear();
    selected = null;
    form();
    pressed();
    paint();
  }
  function start(name) {
    const kind = PAGE.of[name];
    const how = { area: "Press each corner; press the first again, or Finish, to close.", line: "Press each corner; press the last again, or Finish, to end.", circle: "", point: "Press where it is." }[kind.shape];
    begin({ thing: name }, MODES[kind.shape], `${kind.says}. ${[kind.hint, how].filter(Boolean).join(" ")}`);
  }
  function fresh(kind) {  // values of a new thing
    const usual = Object.fromEntries(PAGE.of[kind].asks.filter((ask) => ask.usual !== null).map((ask) => [ask.name, ask.usual]));
    if (kind !== "zone") return usual;
    const zones = State.now.things.filter((thing) => thing.kind === "zone").map((thing) => thing.values);
    const free = (taken, word) => { for (let i = 1; ; i++) if (!taken.includes(word + i)) return word + i; };
    return { ...usual, zone: free(zones.map((z) => z.zone), "Zone "), valve: free(zones.map((z) => z.valve), "") };
  }
  function finished(id, context) {
    if (context.action !== "draw") { lastEdit = Date.now(); edited(); return; }
    const feature = draw.getSnapshotFeature(id);
    const what = doing;
    setTimeout(() => take(feature, what), 0);
  }
  function take(feature, what) {
    if (!feature || !what) return;
    const c = feature.geometry.coordinates, at = (p) => Plane.toMetres(p, place());
    const ring = () => c[0].slice(0, -1).map(at);
    if (what.thing) {
      const kind = PAGE.of[what.thing], values = fresh(what.thing);
      let shape;
      if (kind.shape === "area") shape = { type: "area", parts: [[ring()]] };
      else if (kind.shape === "line") shape = { type: "line", parts: [c.map(at)] };
      else if (kind.shape === "point") shape = { type: "point", at: at(c) };
      else {
        const edge = ring(), middle = edge.reduce((s, p) => [s[0] + p[0] / edge.length, s[1] + p[1] / edge.length], [0, 0]);
        shape = { type: "point", at: middle };
        // A thumb sends no moves between its two taps: the crown reaches to where it was lifted.
        values.crown_diameter = Math.max(0.2, Math.round(2 * Plane.distance(lifted, middle) * 100) / 100);
      }
      const id = State.next();
      State.add({ id, kind: what.thing, shape, values });
      if (["head", "downspout"].includes(what.thing)) { start(what.thing); return; }  // there are several
      choose(id, { ask: true });
    } else if (what.hole) {
      const thing = State.thing(what.hole), hole = ring();
      const part = thing.shape.parts.findIndex((p) => hole.every((q) => Plane.inRing(q, p[0])));
      if (part < 0) say("A hole must lie inside the area.");
      else State.put({ ...thing, shape: { type: "area", parts: thing.shape.parts.map((p, i) => (i === part ? [...p, hole] : p)) } });
      choose(what.hole);
    } else if (what.split) {
      const thing = State.thing(what.split), two = Plane.split(thing.shape, c.map(at));
      if (typeof two === "string") { say(two); choose(what.split); return; }
      const id = State.next(), values = thing.kind === "zone" ? { ...thing.values, zone: fresh("zone").zone, valve: fresh("zone").valve } : { ...thing.values };
      State.set({ things: State.now.things.flatMap((t) => (t.id === thing.id ? [{ ...t, shape: two[0] }, { ...t, id, values, shape: two[1] }] : [t])) });
      choose(id, { ask: true });
    }
  }

  /* Choose a thing: its form is shown, and its corners can be moved. */
  const MOVABLE = 600;
  let loaded = [];
  function choose(id, { ask = false, focus = false } = {}) {
    stop();
    const thing = State.thing(id);
    if (!thing) return;
    selected = id;
    form();
    load(thing);
    paint();
    $("panel").scrollTop = 0;
    const first = $("form").querySelector("[data-need]") || $("form").querySelector("input, select");
    if (first && (focus || (ask && matchMedia("(pointer: fine)").matches))) first.focus({ preventScroll: false });
  }
  function load(thing) {
    if (Plane.corners(thing.shape) > MOVABLE) { say(`${nameOf(thing)} has ${Plane.corners(thing.shape)} corners, too many to move one by one. Press Thin to leave out those that do not matter.`); return; }
    const features = Plane.paths(thing.shape).map(({ points, closed }) => {
      const c = points.map(degrees);
      const geometry = thing.shape.type === "point" ? { type: "Point", coordinates: c[0] } : closed ? { type: "Polygon", coordinates: [[...c, c[0]]] } : { type: "LineString", coordinates: c };
      return { id: draw.getFeatureId(), type: "Feature", geometry, properties: { mode: { Point: "point", Polygon: "polygon", LineString: "linestring" }[geometry.type] } };
    });
    draw.setMode("select");
    const taken = draw.addFeatures(features);
    if (taken.some((one) => !one.valid)) { draw.clear(); draw.setMode("static"); return; }
    loaded = features.map((feature) => feature.id);
    if (thing.kind !== "tree") hidden.add(thing.id);
    draw.selectFeature(loaded[0]);
  }
  function edited() {
    const thing = State.thing(selected);
    if (!thing) return;
    const lists = loaded.map((id) => draw.getSnapshotFeature(id).geometry.coordinates);
    let k = 0, shape;
    const at = (p) => Plane.toMetres(p, place());
    if (thing.shape.type === "area") shape = { type: "area", parts: thing.shape.parts.map((part) => part.map(() => lists[k++][0].slice(0, -1).map(at))) };
    else if (thing.shape.type === "line") shape = { type: "line", parts: thing.shape.parts.map(() => lists[k++].map(at)) };
    else shape = { type: "point", at: at(lists[0]) };
    State.put({ ...thing, shape });
    sizes();
  }
  // The corner that follows the pointer lies on the last one until that moves on.
  const apart = (points) => points.filter((p, i) => !i || Plane.distance(p, points[i - 1]) > 0.01);
  function changed() {  // while a corner is being placed or moved
    if (!doing || !doing.thing && !doing.hole && !doing.split) { paint(); return; }
    const feature = draw.getSnapshot().find((one) => one.geometry.type !== "Point" && one.properties.currentlyDrawing !== undefined || one.geometry.type === "Polygon" || one.geometry.type === "LineString");
    if (!feature) return;
    const units = State.now.units, at = (p) => Plane.toMetres(p, place());
    if (feature.geometry.type === "LineString") {
      const points = apart(feature.geometry.coordinates.map(at));
      $("measure").textContent = points.length > 1 ? `This side ${Plane.tellLength(Plane.distance(...points.slice(-2)), units)}; in all ${Plane.tellLength(Plane.length({ type: "line", parts: [points] }), units)}` : "";
      return;
    }
    const ring = apart(feature.geometry.coordinates[0].slice(0, -1).map(at));
    if (doing.thing && PAGE.of[doing.thing].shape === "circle") {
      $("measure").textContent = `Crown ${Plane.tellLength(2 * Math.sqrt(Math.abs(Plane.ringArea(ring)) / Math.PI), units)} wide`;
      return;
    }
    const side = ring.length > 1 ? Plane.distance(...ring.slice(-2)) : 0;
    $("measure").textContent = `This side ${Plane.tellLength(side, units)}; area ${Plane.tellArea(Math.abs(Plane.ringArea(ring)), units)}`;
  }

  /* A thumb has no right button: a corner of what is chosen that is pressed long is taken away. */
  const LONG = 600;  // ms
  let held = null;
  function letGo() { if (held) clearTimeout(held.timer); held = null; }
  $("map").addEventListener("pointerdown", (event) => {
    letGo();
    if (event.pointerType !== "touch" || !event.isPrimary || doing || !selected) return;
    const box = $("map").getBoundingClientRect();
    const p = metres(map.containerPointToLatLng([event.clientX - box.left, event.clientY - box.top]));
    held = { x: event.clientX, y: event.clientY, timer: setTimeout(() => cornerless(p), LONG) };
  }, true);
  $("map").addEventListener("pointermove", (event) => { if (held && Math.hypot(event.clientX - held.x, event.clientY - held.y) > 10) letGo(); }, true);
  for (const end of ["pointerup", "pointercancel"]) $("map").addEventListener(end, () => { if (held && held.done) lastEdit = Date.now(); letGo(); }, true);
  function cornerless(p) {
    const thing = selected && State.thing(selected);
    if (!thing || thing.shape.type === "point") return;
    const area = thing.shape.type === "area", rings = area ? thing.shape.parts.flat() : thing.shape.parts;
    const near = rings.flatMap((ring) => ring.map((corner) => ({ ring, corner, far: Plane.distance(p, corner) })))
      .sort((a, b) => a.far - b.far)[0];
    if (!near || near.far > reach()) return;
    held.done = true;
    if (near.ring.length <= (area ? 3 : 2)) { say(area ? "An area keeps three corners." : "A line keeps two ends."); return; }
    const less = (ring) => (ring === near.ring ? ring.filter((corner) => corner !== near.corner) : ring);
    State.put({ ...thing, shape: { ...thing.shape, parts: thing.shape.parts.map((part) => (area ? part.map(less) : less(part))) } });
    choose(thing.id);
    say("The corner is gone. Undo brings it back.");
  }

  /* The cross: the middle of the map as a pointer, for keys and for thumbs. */
  function atCross() {
    const box = $("map").getBoundingClientRect(), size = map.getSize();
    const where = { clientX: box.left + size.x / 2, clientY: box.top + size.y / 2, bubbles: true, isPrimary: true, pointerId: 1, pointerType: "mouse" };
    if (doing && doing.pick) { picked(metres(map.getCenter())); return; }
    $("map").dispatchEvent(new PointerEvent("pointermove", where));
    $("map").dispatchEvent(new PointerEvent("pointerdown", { ...where, button: 0, buttons: 1 }));
    $("map").dispatchEvent(new PointerEvent("pointerup", { ...where, button: 0, buttons: 0 }));
  }
  const keyToPen = (key) => $("map").dispatchEvent(new KeyboardEvent("keyup", { key, bubbles: true }));
  function takeBack() {
    if (doing && doing.pick) { doing.points.pop(); return; }
    if (doing && draw.canUndo()) draw.undo();
    else undo();
  }
  function undo() { stop(); if (!State.undo()) say("There is nothing to undo."); }
  function redo() { stop(); if (!State.redo()) say("There is nothing to redo."); }

  /* Points of the plane for the picture's scale, turn and place. */
  function pick(many, hints, done) {
    begin({ pick: many, points: [], hints, done }, "pick", hints[0]);
  }
  function picked(point) {
    doing.points.push(point);
    $("measure").textContent = `${doing.points.length} of ${doing.pick} points`;
    if (doing.points.length < doing.pick) { $("hint").textContent = doing.hints[doing.points.length]; return; }
    const { points, done } = doing;
    stop();
    if (points.length > 1 && Plane.distance(points[0], points[1]) < 4 * perPixel()) { say("The two points lie on each other. Take points that are far apart."); return; }
    done(points);
  }
  map.on("click", (event) => {
    if (Date.now() - lastEdit < 300) return;
    const p = metres(event.latlng);
    if (doing && doing.pick) { picked(p); return; }
    if (doing) return;
    const near = State.now.things.map((thing) => ({ thing, far: Math.max(0, Plane.distanceTo(p, thing.shape) - (thing.kind === "tree" ? (thing.values.crown_diameter || 0) / 2 : 0)), size: thing.shape.type === "point" ? (thing.kind === "tree" ? 20 : 0) : thing.shape.type === "line" ? 1 : 100 + Plane.area(thing.shape) }))
      .filter((one) => one.far < reach()).sort((a, b) => a.size - b.size);
    if (near.length && near[0].thing.id !== selected) choose(near[0].thing.id);
    else if (!near.length && selected) stop();
  });

  /* ---- forms ---- */
  const LENGTHS = { metric: { big: [1, "m"], small: [0.01, "cm"] }, us: { big: [Plane.FOOT, "ft"], small: [0.0254, "in"] } };
  const RATES = { metric: [1, "mm/h"], us: [25.4, "in/h"] };
  function unitOf(ask) {  // [our unit in the shown one, its name]
    const units = us() ? "us" : "metric";
    if (ask.kind === "length") return LENGTHS[units][ask.small ? "small" : "big"];
    return ask.unit === "mm/h" ? RATES[units] : [1, ask.unit];
  }
  let fields = 0;
  function field(ask, value, take) {
    const id = `f${(fields += 1)}`, [size, unit] = unitOf(ask);
    const help = make("small", { id: `${id}-help`, text: ask.unsaid ? `If left empty: ${ask.unsaid}.` : ask.help || "" });
    const about = { id, "aria-describedby": `${id}-help`, "data-field": ask.name, "data-need": !!ask.needed && (value === undefined || value === "") };
    let input;
    if (ask.words && ask.words.length) {
      input = make("select", about, make("option", { value: "", text: ask.needed ? "Choose" : "Not told" }), ...ask.words.map(([word, says]) => make("option", { value: word, text: says })));
      if (value !== undefined && value !== "" && !ask.words.some(([word]) => word === value)) input.append(make("option", { value, text: String(value) }));
      input.value = value ?? "";
      input.onchange = () => take(input.value === "" ? undefined : input.value);
    } else if (ask.kind === "flag") {
      input = make("select", about, ...[["", "Not told"], ["yes", "Yes"], ["no", "No"]].map(([v, text]) => make("option", { value: v, text })));
      input.value = value === undefined ? "" : value ? "yes" : "no";
      input.onchange = () => take(input.value === "" ? undefined : input.value === "yes");
    } else if (ask.kind === "number" || ask.kind === "length") {
      input = make("input", { ...about, type: "number", step: "any", inputmode: "decimal" });
      input.value = typeof value === "number" ? String(Math.round((value / size) * 1000) / 1000) : "";
      input.onchange = () => {
        const number = input.value === "" ? undefined : Number(input.value) * size;
        const wrong = number !== undefined && (!Number.isFinite(number) || number < ask.least - 1e-9 || number > ask.most + 1e-9);
        help.className = wrong ? "wrong" : "";
        help.textContent = wrong ? `Between ${Plane.figure(ask.least / size, 2)} and ${Plane.figure(ask.most / size, 0)} ${unit}. This was not taken.` : ask.unsaid ? `If left empty: ${ask.unsaid}.` : ask.help || "";
        input.setAttribute("aria-invalid", wrong);
        if (!wrong) take(number === undefined ? undefined : Math.round(number * 1e6) / 1e6);
      };
    } else {
      input = make("input", { ...about, type: "text", maxlength: 200 });
      input.value = value ?? "";
      input.onchange = () => take(input.value.trim() || undefined);
    }
    if (!help.textContent) input.removeAttribute("aria-describedby");
    return make("div", { class: "field" }, make("label", { for: id, text: unit && (ask.kind === "number" || ask.kind === "length") ? `${ask.asks} [${unit}]` : ask.asks }), input, help);
  }
  function sizes() {
    const node = $("sizes"), thing = State.thing(selected);
    if (!node || !thing) return;
    const { units } = State.now;
    const parts = [];
    if (thing.shape.type === "area") parts.push(Plane.tellArea(Plane.area(thing.shape), units), `round it ${Plane.tellLength(Plane.length(thing.shape), units)}`);
    if (thing.shape.type === "line") parts.push(Plane.tellLength(Plane.length(thing.shape), units));
    node.textContent = parts.join(", ");
  }
  function form() {
    const node = $("form"), thing = selected && State.thing(selected);
    node.replaceChildren();
    if (!thing) return;
    const kind = PAGE.of[thing.kind];
    const put = (name, value) => {
      const now = State.thing(thing.id), values = { ...now.values };
      if (value === undefined) delete values[name]; else values[name] = value;
      State.put({ ...now, values });
    };
    node.append(make("h2", { text: kind.says }), make("p", { id: "sizes" }));
    sizes();
    const asks = kind.asks.filter((ask) => !(ask.name === "controller" && State.now.things.filter((t) => t.kind === "controller").length < 2 && !thing.values.controller));
    const rare = new Set(["precipitation_rate", "slope", "new_sod", "in_play", "trunk_diameter", "transmissivity"]);
    const more = make("details", {}, make("summary", { text: "More, if it is known" }));
    for (const ask of asks) (rare.has(ask.name) ? more : node).append(field(ask, thing.values[ask.name], (value) => put(ask.name, value)));
    if (more.children.length > 1) node.append(more);
    if (thing.kind === "zone" && !there) node.append(minutes(thing));
    const row = make("div", { class: "row", style: undefined });
    const button = (text, on, attributes = {}) => row.append(make("button", { type: "button", text, onclick: on, ...attributes }));
    button("Done", stop, { class: "main" });
    if (thing.shape.type === "area") {
      button("Cut a hole", () => begin({ hole: thing.id }, "polygon", "Trace the hole, corner by corner, inside the area."));
      button("Split", () => begin({ split: thing.id }, "linestring", "Draw a line across: begin and end outside the area."));
    }
    if (Plane.corners(thing.shape) > 60) button("Thin", () => thinned(thing.id));
    button("Remove", () => { stop(); State.remove(thing.id); });
    node.append(make("p", { class: "field", text: thing.shape.type === "point" ? "Drag it to move it." : "Drag a corner to move it, a small dot to make a corner; press a corner with the right button, or long, to take it away." }), row);
  }
  function thinned(id) {
    const thing = State.thing(id), fine = (ring) => Plane.thinRing(ring, 0.05);
    const shape = thing.shape.type === "area" ? { type: "area", parts: thing.shape.parts.map((part) => part.map(fine)) } : { type: "line", parts: thing.shape.parts.map((part) => Plane.thin(part, 0.05)) };
    State.put({ ...thing, shape });
    choose(id);
    say(`${Plane.corners(thing.shape)} corners became ${Plane.corners(shape)}, none off by more than 5 cm (2 in).`);
  }
  const valveOf = (thing) => String(thing.values.valve || thing.values.zone || "");
  function minutes(thing) {
    const timer = State.now.told.timer || {};
    const ask = { name: "minutes", asks: "How many minutes does this valve run today?", kind: "number", unit: "min", least: 0, most: 1440, help: "With the days of the timer below: savings are only claimed against it." };
    return field(ask, (timer.minutes || {})[valveOf(thing)], (value) => {
      const all = { ...((State.now.told.timer || {}).minutes || {}) }, valve = valveOf(State.thing(thing.id));
      if (value === undefined) delete all[valve]; else all[valve] = value;
      State.answer("timer", "minutes", all);
    });
  }

  /* ---- the property: name, place, picture, watering, weather, prices ---- */
  const open = new Set();
  function property() {
    const node = $("property");
    const had = document.activeElement && node.contains(document.activeElement) ? document.activeElement.dataset.field : null;
    node.replaceChildren(make("h2", { text: "The property" }), ...[
      ["name", "Name and units", naming], ["place", "Where it is", placing], ["picture", "Picture to trace", picturing],
      ...(there ? [] : [["timer", "Today's watering", watering], ["weather", "Weather", weather], ["water", "Price of water", price]]),
    ].map(([key, says, build]) => {
      const box = make("details", { class: "told", id: `told-${key}`, open: open.has(key) }, make("summary", { text: says }));
      box.append(...build());
      box.ontoggle = () => { if (box.open) open.add(key); else open.delete(key); };
      return box;
    }));
    if (had) { const again = node.querySelector(`[data-field="${had}"]`); if (again) again.focus(); }
  }
  const told = (table) => State.now.told[table] || {};
  const answer = (table, name) => (value) => State.answer(table, name, value);
  const naming = () => [
    field({ name: "name", asks: "Name of the property", kind: "text" }, State.now.name, (value) => State.set({ name: value || PAGE.name })),
    field({ name: "units", asks: "Units", kind: "text", words: [["metric", "Metres and millimetres"], ["us", "Feet and inches"]], needed: true }, State.now.units, (value) => { State.set({ units: value || "metric" }); form(); property(); paint(); }),
    make("div", { class: "field row" }, make("button", { type: "button", id: "anew", text: there ? "Take the property's files again" : "Begin anew", onclick: anew })),
  ];
  async function anew() {
    if (State.now.things.length && !(await asked("Put this drawing aside? Undo brings it back."))) return;
    stop();
    bitmap = null;
    State.anew();
    whole();
  }
  function movePlace(lat, lon) {
    stop();
    State.set({ place: { lat, lon } });
    property();
    whole();
  }
  function placing() {
    const { place: at } = State.now;
    const typed = { lat: at ? at.lat : undefined, lon: at ? at.lon : undefined };
    const put = (name) => (value) => {
      typed[name] = value;
      if (typed.lat !== undefined && typed.lon !== undefined) movePlace(typed.lat, typed.lon);
    };
    const shown = at ? { lat: Math.round(at.lat * 1e5) / 1e5, lon: Math.round(at.lon * 1e5) / 1e5 } : {};
    const world = make("canvas", { class: "world", width: 640, height: 320, role: "img", "aria-label": "Coasts and borders of the world; press a place. It can be typed above instead." });
    world.onclick = (event) => {
      const box = world.getBoundingClientRect(), [w, s, e, n] = world.shown;
      const lon = w + ((event.clientX - box.left) / box.width) * (e - w), lat = n - ((event.clientY - box.top) / box.height) * (n - s);
      world.shown = e - w > 100 ? [lon - 30, lat - 15, lon + 30, lat + 15] : [w, s, e, n];
      if (e - w > 100) { atlas(world); note.textContent = "Press the place again on this closer outline."; return; }
      movePlace(Math.round(Math.max(-75, Math.min(75, lat)) * 100) / 100, Math.round(lon * 100) / 100);
    };
    world.shown = at ? [at.lon - 30, at.lat - 15, at.lon + 30, at.lat + 15] : [-180, -90, 180, 90];
    const note = make("small", { text: at ? "A tenth of a degree is near enough for the sun." : "Sun, shade and weather follow from the place. A tenth of a degree is near enough." });
    requestAnimationFrame(() => atlas(world));
    const back = make("button", { type: "button", text: "Whole world", onclick: () => { world.shown = [-180, -90, 180, 90]; atlas(world); } });
    return [make("div", { class: "two" },
      field({ name: "lat", asks: "Latitude", kind: "number", unit: "° north", least: -75, most: 75, needed: true }, shown.lat, put("lat")),
      field({ name: "lon", asks: "Longitude", kind: "number", unit: "° east", least: -180, most: 180, needed: true, help: "West is minus." }, shown.lon, put("lon"))),
    make("div", { class: "field" }, world, note, back)];
  }
  function atlas(canvas) {
    const pen = canvas.getContext("2d"), [w, s, e, n] = canvas.shown;
    const [kx, ky] = [canvas.width / (e - w), canvas.height / (n - s)];
    pen.clearRect(0, 0, canvas.width, canvas.height);
    pen.strokeStyle = "#4a5866";
    pen.lineWidth = 1.2;
    pen.beginPath();
    for (const line of PAGE.world) {
      let [x, y] = line;
      pen.moveTo((x / 10 - w) * kx, (n - y / 10) * ky);
      for (let i = 2; i < line.length; i += 2) { x += line[i]; y += line[i + 1]; pen[Math.abs(line[i]) > 1800 ? "moveTo" : "lineTo"]((x / 10 - w) * kx, (n - y / 10) * ky); }
    }
    pen.stroke();
    const { place: at } = State.now;
    if (!at) return;
    pen.fillStyle = PAGE.ink.accent;
    pen.beginPath(); pen.arc((at.lon - w) * kx, (n - at.lat) * ky, 7, 0, 7); pen.fill();
  }

  /* The picture. Everything drawn moves along with it, since it was traced from it. */
  function transform(m, said, more = {}) {
    const { picture, things } = State.now;
    const scale = Math.hypot(m[0], m[1]);
    const moved = things.map((thing) => ({ ...thing, shape: Plane.moved(thing.shape, (p) => Picture.apply(m, p)), values: thing.kind === "tree" && thing.values.crown_diameter ? { ...thing.values, crown_diameter: thing.values.crown_diameter * scale } : thing.values }));
    State.set({ picture: { ...picture, at: Picture.after(m, picture.at), ...said }, things: moved, ...more });
    property();
    whole();
  }
  function picturing() {
    const { picture } = State.now;
    const button = (text, on, attributes = {}) => make("button", { type: "button", text, onclick: on, ...attributes });
    const choosing = button(picture ? "Another picture" : "Choose a picture", () => $("file").click(), { id: "choose-picture" });
    const head = make("p", { text: picture ? `${picture.name || "Picture"}, ${picture.width} by ${picture.height} pixels.${bitmap ? "" : " The picture itself is not in this browser: choose it again."}` : "An aerial photo or a scanned plan: choose it, or drag it onto the drawing, with its world file if it has one. Or draw on the grid." });
    if (!picture) return [head, make("div", { class: "row" }, choosing)];
    const known = make("div", {});
    const knownDistance = () => pick(2, ["Press one end of a distance that you know: a wall, a drive, a scale bar.", "Press its other end."], ([p, q]) => {
      const ask = { name: "known", asks: "How long is that in truth?", kind: "length", least: 0.1, most: 5000, needed: true };
      open.add("picture"); property();
      const node = $("known");
      node.replaceChildren(field(ask, undefined, (value) => {
        if (!value) return;
        const k = value / Plane.distance(p, q);
        transform([k, 0, 0, k, p[0] * (1 - k), p[1] * (1 - k)], { scaled: true });
        say(`The picture is to scale: ${Plane.tellLength(value, State.now.units)} between the two points.`);
      }));
      node.querySelector("input").focus();
    });
    const north = () => pick(2, ["Press the tail of the picture's north arrow (or the southern point of a line that runs north).", "Press its tip."], ([p, q]) => {
      const t = Math.PI / 2 - Math.atan2(q[1] - p[1], q[0] - p[0]), [c, s] = [Math.cos(t), Math.sin(t)];
      transform([c, s, -s, c, p[0] - c * p[0] + s * p[1], p[1] - s * p[0] - c * p[1]], { turned: true });
      say("The picture is turned: north is up.");
    });
    const coordinates = () => pick(2, ["Press a point whose latitude and longitude you know.", "Press a second one, far from the first."], (points) => {
      open.add("picture"); property();
      const at = {};
      const ask = (name, asks, most) => field({ name, asks, kind: "number", unit: "°", least: -most, most, needed: true }, undefined, (value) => {
        at[name] = value;
        if (Object.values(at).filter((v) => v !== undefined).length < 4) return;
        const to = { lat: at.lat1, lon: at.lon1 };
        const second = Plane.toMetres([at.lon2, at.lat2], to);
        if (Math.hypot(...second) < 0.5 || Math.hypot(...second) > 20000) { say("These two places are less than half a metre or more than 20 km apart. Look at the numbers again."); return; }
        transform(Picture.between(points, [[0, 0], second]), { scaled: true, turned: true }, { place: to });
        say("The picture lies by its two points.");
      });
      $("known").replaceChildren(make("div", { class: "two" }, ask("lat1", "Latitude of the first", 75), ask("lon1", "Longitude of the first", 180), ask("lat2", "Latitude of the second", 75), ask("lon2", "Longitude of the second", 180)));
      $("known").querySelector("input").focus();
    });
    known.id = "known";
    return [head, make("div", { class: "row" }, button("Scale it by a known distance", knownDistance, { id: "scale" }), button("Turn it to north", north, { id: "north" }),
      button("Lay it by two coordinates", coordinates), choosing, button("Take it away", () => { bitmap = null; State.keepPicture(null).catch(() => {}); State.set({ picture: null }); property(); paint(); })), known];
  }
  const DAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
  function watering() {
    const days = new Set(told("timer").days || []);
    const boxes = DAYS.map((day) => {
      const box = make("input", { type: "checkbox", "data-field": `day-${day}` });
      box.checked = days.has(day);
      box.onchange = () => { if (box.checked) days.add(day); else days.delete(day); State.answer("timer", "days", DAYS.filter((one) => days.has(one))); };
      return make("label", { class: "check" }, box, day);
    });
    const start = field({ name: "start", asks: "It starts at (as 04:30)", kind: "text" }, told("timer").start, (value) => {
      if (value === undefined || /^([01]?\d|2[0-3]):[0-5]\d$/.test(value)) State.answer("timer", "start", value); else say(`"${value}" is no time of day as 04:30; it was not taken.`);
    });
    return [make("fieldset", { class: "field" }, make("legend", { text: "Days on which the timer runs" }), make("div", { class: "row" }, ...boxes)), start,
      make("p", { text: "The minutes of each valve stand in the form of its zone. Without a timer no savings are claimed." })];
  }
  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const WAYS = [["file", "A file of daily weather that I have (most sure)"], ["fetch", "Fetched from a public source, when I say so"], ["normals", "Twelve months from an almanac (least sure)"]];
  function weather() {
    const now = told("weather");
    const out = [field({ name: "way", asks: "Where does the weather come from?", words: WAYS, unsaid: "a dry climate by latitude; water and money may then be off by half and more" }, now.way, (value) => { State.answer("weather", "way", value); property(); })];
    if (now.way === "file") {
      const box = make("input", { type: "file", accept: ".csv,.txt,.epw,.tm2,.gz", "aria-label": "Weather file", "data-field": "weather-file" });
      box.onchange = async () => {
        const file = box.files[0];
        if (!file) return;
        if (file.size > 4e6) { say(`${file.name} has ${Math.round(file.size / 1e6)} MB; 4 at most can travel with the drawing. Put it into the property's folder and name it in property.toml.`); return; }
        State.set({ told: { ...State.now.told, weather: { ...told("weather"), file: file.name, text: await file.text() } } });
        property();
      };
      out.push(make("p", { text: now.file ? `${now.file} travels with the drawing.` : "Columns date, tmin_c, tmax_c, rain_mm and what else is known; station files and typical years are known too." }), box);
    } else if (now.way === "fetch") {
      const at = State.now.place;
      out.push(field({ name: "first_year", asks: "First year", kind: "number", least: 1981, most: 2100, needed: true, help: "Ten years are fetched, from this one on." }, now.first_year, answer("weather", "first_year")),
        make("p", { text: `Nothing is sent from this page. When you run siting plan --fetch-weather, this is asked of NASA POWER: the latitude and longitude ${at ? `${at.lat.toFixed(4)}, ${at.lon.toFixed(4)}` : "(not told yet)"}, hour by hour, those years. It then knows the place. A grid cell of tens of kilometres stands for your ground; its rain least of all.` }));
    } else if (now.way === "normals") {
      const rows = Array.from({ length: 12 }, (_, i) => (now.rows || [])[i] || [null, null, null]);
      const heads = us() ? ["Coldest °F", "Warmest °F", "Rain in"] : ["Coldest °C", "Warmest °C", "Rain mm"];
      const to = (v, c) => (c < 2 ? (us() ? ((v - 32) * 5) / 9 : v) : us() ? v * 25.4 : v), from = (v, c) => (c < 2 ? (us() ? (v * 9) / 5 + 32 : v) : us() ? v / 25.4 : v);
      const table = make("table", { class: "months" }, make("tr", {}, make("th", { text: "Month" }), ...heads.map((text) => make("th", { text }))));
      rows.forEach((row, m) => table.append(make("tr", {}, make("th", { text: MONTHS[m], scope: "row" }), ...heads.map((head, c) => {
        const box = make("input", { type: "number", step: "any", "aria-label": `${MONTHS[m]}, ${head}`, "data-field": `month-${m}-${c}` });
        box.value = row[c] === null || row[c] === undefined ? "" : String(Math.round(from(row[c], c) * 100) / 100);
        box.onchange = () => {
          const rows = Array.from({ length: 12 }, (_, i) => [...((told("weather").rows || [])[i] || [null, null, null])]);
          rows[m][c] = box.value === "" ? null : Math.round(to(Number(box.value), c) * 1000) / 1000;
          State.answer("weather", "rows", rows);
        };
        return make("td", {}, box);
      }))));
      out.push(make("p", { text: "Mean of the coldest and the warmest hour of a day, and rain of the month. Years are made of them; wet days are assumed from the rain." }), table);
    }
    out.push(field({ name: "elevation_m", asks: "Height above the sea", kind: "length", least: -450, most: 6000, unsaid: "100 m (330 ft); it moves the result little" }, now.elevation_m, answer("weather", "elevation_m")));
    return out;
  }
  const price = () => {
    const size = us() ? 3.785411784 : 1;
    return [field({ name: "price", asks: us() ? "Price of 1,000 gallons" : "Price of a cubic metre", kind: "number", unit: "", least: 0, most: 1e6, unsaid: "no money is reckoned" }, told("water").price === undefined ? undefined : told("water").price * size, (value) => State.answer("water", "price", value === undefined ? undefined : value / size)),
      field({ name: "currency", asks: "Currency", kind: "text", unsaid: "USD" }, told("water").currency, answer("water", "currency"))];
  };

  /* ---- what must still be told, and what was drawn ---- */
  function missing(state) {
    const out = [], of = (kind) => state.things.filter((thing) => thing.kind === kind);
    const need = (text, go) => out.push({ text, go, need: true }), want = (text, go) => out.push({ text, go });
    const to = (key) => () => { open.add(key); property(); const box = $(`told-${key}`); box.scrollIntoView(); box.querySelector("summary").focus(); };
    if (state.picture && !state.picture.scaled) need("Bring the picture to scale", to("picture"));
    if (!of("boundary").length) need("Draw the property line", () => start("boundary"));
    if (!of("zone").length) need("Draw the planted zones", () => start("zone"));
    if (!state.place) need("Say where the property is", to("place"));
    const way = state.told.weather || {};
    const rows = (way.rows || []).filter((row) => row && row.every((v) => v !== null && v !== undefined)).length;
    if (there) { /* the property file says it */ } else if (!way.way) want("Say where the weather comes from (assumed: a dry climate by latitude, for a first plan only)", to("weather"));
    else if (way.way === "file" && !way.file) need("Choose the weather file", to("weather"));
    else if (way.way === "fetch" && !way.first_year) need("Say which years of weather", to("weather"));
    else if (way.way === "normals" && rows < 12) need(`Fill in the months of the almanac (${rows} of 12)`, to("weather"));
    const names = new Map();
    for (const thing of state.things) {
      const kind = PAGE.of[thing.kind], go = () => choose(thing.id, { focus: true });
      if (crossed(thing)) need(`${nameOf(thing)}: its outline crosses itself`, go);
      if (thing.kind === "building" && !thing.values.height && !thing.values.levels) need(`${nameOf(thing)}: how high is it?`, go);
      for (const ask of kind.asks) if (ask.needed && thing.values[ask.name] === undefined) need(`${nameOf(thing)}: ${ask.asks.toLowerCase()}`, go);
      if (thing.kind === "zone" && thing.values.zone) names.set(thing.values.zone, [...(names.get(thing.values.zone) || []), thing]);
    }
    for (const [name, list] of names) if (list.length > 1) need(`${list.length} zones are called ${name}`, () => choose(list[1].id, { focus: true }));
    if (state.picture && !state.picture.turned) want("Turn the picture to north (assumed: it is up)", to("picture"));
    if (!of("building").length) want("Draw the buildings, on the neighbours' ground too", () => start("building"));
    if (!of("controller").length) want("Set the controller (assumed: no wire is priced from it)", () => start("controller"));
    for (const thing of of("zone")) if (!thing.values.soil) want(`${nameOf(thing)}: soil (assumed: sandy loam)`, () => choose(thing.id, { focus: true }));
    for (const thing of of("building")) if (!thing.values.height) want(`${nameOf(thing)}: height (assumed: ${Plane.tellLength(3 * (thing.values.levels || 1), state.units)})`, () => choose(thing.id, { focus: true }));
    for (const thing of of("tree")) if (!thing.values.height) want(`Tree: height (assumed: ${Plane.tellLength((thing.values.crown_diameter || 0) / 0.6, state.units)})`, () => choose(thing.id, { focus: true }));
    const timer = state.told.timer || {};
    if (there) return out;
    if (!(timer.days || []).length || !Object.keys(timer.minutes || {}).length) want("Today's watering: days and minutes (else no savings are claimed)", to("timer"));
    return out;
  }
  const known = new WeakMap();
  function crossed(thing) {
    if (!known.has(thing.shape)) known.set(thing.shape, Plane.crossesItself(thing.shape));
    return known.get(thing.shape);
  }
  const SHOWN = 60;
  function lists() {
    const state = State.now, left = missing(state);
    $("title").textContent = state.name;
    $("undo").disabled = !State.canUndo;
    $("redo").disabled = !State.canRedo;
    const needs = left.filter((one) => one.need).length;
    $("todo-head").textContent = needs ? `Still to tell: ${needs}` : "Still to tell: nothing that is needed";
    const entry = ({ text, go, need }) => make("li", {}, make("button", { type: "button", text, onclick: go, class: need ? "need" : false }));
    $("todo").replaceChildren(...(needs ? [] : [make("li", {}, make("p", { class: "good", text: state.things.length ? "Save the drawing. What follows was assumed; the plan is surer where it is told." : "" }))]),
      ...left.slice(0, SHOWN).map(entry), ...(left.length > SHOWN ? [make("li", { text: `and ${left.length - SHOWN} more` })] : []));
    $("all").replaceChildren(...state.things.slice(0, 300).map((thing) => {
      const kind = PAGE.of[thing.kind].says, name = nameOf(thing);
      return make("li", {}, make("button", { type: "button", text: name === kind ? kind : `${kind}: ${name}`, onclick: () => choose(thing.id, { focus: true }) }));
    }), ...(state.things.length > 300 ? [make("li", { text: `and ${state.things.length - 300} more` })] : []));
    if (State.full) say("This browser cannot keep so large a drawing. Save it to a file now and then.");
  }
  function pressed() {
    for (const button of $("tools").children) button.setAttribute("aria-pressed", String(!!doing && doing.thing === button.dataset.kind));
  }

  /* ---- files ---- */
  const asText = (blob) => new Promise((done) => { const reader = new FileReader(); reader.onload = () => done(reader.result); reader.readAsDataURL(blob); });
  async function save() {
    const left = missing(State.now).filter((one) => one.need).length;
    const picture = State.now.picture ? await State.keptPicture().catch(() => null) : null;
    const file = State.toFile(State.now, picture ? await asText(picture) : null);
    const url = URL.createObjectURL(new Blob([JSON.stringify(file)], { type: "application/geo+json" }));
    const link = make("a", { href: url, download: "drawing.geojson" });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
    say(`drawing.geojson is saved with your downloads. ${left ? `${left} things must still be told before a plan can be made. ` : ""}Next, on the command line: ${PAGE.next}`);
  }
  async function take_picture(file, world) {
    const found = await Picture.read(file);
    let at = null, code = 0, unit = 1;
    if (world) { const six = Picture.worldFile(await world.text()); if (!six) throw new Error(`${world.name} is no world file: it needs six numbers, one a line.`); at = six; }
    else if (found.geo) ({ world: at, code, unit } = found.geo);
    const fit = at ? Picture.laid(at, found.width, found.height, { code, unit }) : { at: Picture.guessed(found.width, found.height), place: null };
    bitmap = found.bitmap;
    await State.keepPicture(found.blob).catch(() => {});
    const sitting = State.now.picture && State.now.picture.scaled && !at ? State.now.picture : null;  // the same picture, chosen again
    const same = sitting && sitting.width === found.width && sitting.height === found.height;
    const picture = same ? { ...sitting, name: file.name.slice(0, 100) } : { name: file.name.slice(0, 100), width: found.width, height: found.height, at: fit.at, scaled: !!at, turned: !!at };
    const change = { picture };
    if (fit.place) {
      if (State.now.place && State.now.things.length) { const [x, y] = Plane.toMetres([fit.place.lon, fit.place.lat], State.now.place); picture.at = [...fit.at.slice(0, 4), fit.at[4] + x, fit.at[5] + y]; }
      else change.place = fit.place;
    } else if (found.place && !State.now.place) change.place = found.place;
    State.set(change);
    open.add("picture");
    property();
    whole();
    say(at ? `${file.name} lies by ${world ? "its world file" : "its own tags"}.${fit.place ? "" : " They do not say where on the earth: tell the place."}` : `${file.name} is ${same ? "back" : "laid under the drawing. Bring it to scale now"}.${change.place && !at ? " The photo says where it was taken; that is taken as the place." : ""}`);
  }
  async function take_drawing(file) {
    if (file.size > 100e6) throw new Error(`${file.name} has ${Math.round(file.size / 1e6)} MB; 100 at most can be read here.`);
    const { state, ignored, pixels } = State.fromFile(await file.text());
    if (State.now.things.length && !(await asked("Put the drawing of the file in place of this one? Undo brings this one back."))) return;
    stop();
    if (pixels && state.picture) {
      const blob = await picture_of(pixels);
      if (blob) { bitmap = await createImageBitmap(blob).catch(() => null); await State.keepPicture(blob).catch(() => {}); }
    } else if (!state.picture) bitmap = null;
    State.replace(state);
    property();
    whole();
    say(`${file.name}: ${state.things.length} things.${ignored.length ? ` Left out: ${ignored.slice(0, 5).join("; ")}${ignored.length > 5 ? ` and ${ignored.length - 5} more` : ""}.` : ""}`);
  }
  function picture_of(data) {  // a data URL as a blob, without a request
    const match = /^data:(image\/(?:jpeg|png));base64,([A-Za-z0-9+/=]+)$/.exec(data);
    if (!match) return null;
    const raw = atob(match[2]);
    return new Blob([Uint8Array.from(raw, (c) => c.charCodeAt(0))], { type: match[1] });
  }
  async function take_files(files) {
    const list = [...files], world = list.find((file) => /\.(wld|pgw|jgw|tfw|jpgw|pngw|tifw)$/i.test(file.name));
    try {
      const drawing = list.find((file) => /\.(geo)?json$/i.test(file.name));
      const image = list.find((file) => /\.(png|jpe?g|tiff?|webp|bmp|gif)$/i.test(file.name) || file.type.startsWith("image/"));
      if (drawing) await take_drawing(drawing);
      else if (image) await take_picture(image, world);
      else throw new Error(world ? "A world file lies beside its picture: choose both together." : `${list.map((f) => f.name.slice(0, 60)).join(", ")}: a picture or a drawing.geojson can be opened here.`);
    } catch (fault) {
      say(fault.message || String(fault));
    }
  }

  /* ---- begin ---- */
  $("tools").append(...PAGE.things.map((kind) => {
    const mark = make("i", { class: kind.shape === "area" ? false : kind.shape });
    mark.style.borderColor = kind.colour;
    if (kind.shape !== "line") mark.style.background = kind.fill;
    return make("button", { type: "button", "data-kind": kind.name, "aria-pressed": "false", onclick: () => (doing && doing.thing === kind.name ? stop() : start(kind.name)) }, mark, kind.says);
  }));
  $("licences").textContent = PAGE.licences;
  $("undo").onclick = undo;
  $("redo").onclick = redo;
  $("save").onclick = save;
  $("open").onclick = () => $("file").click();
  $("file").onchange = () => { take_files($("file").files); $("file").value = ""; };
  $("put").onclick = atCross;
  $("back").onclick = takeBack;
  $("finish").onclick = () => keyToPen("Enter");
  $("stop").onclick = stop;
  $("square").onchange = options;
  $("closer").onclick = () => map.zoomIn(1, { animate: false });
  $("farther").onclick = () => map.zoomOut(1, { animate: false });
  $("whole").onclick = whole;
  addEventListener("dragover", (event) => event.preventDefault());
  addEventListener("drop", (event) => { event.preventDefault(); if (event.dataTransfer.files.length) take_files(event.dataTransfer.files); });
  addEventListener("keydown", (event) => {
    const typing = /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName) && event.target.type !== "checkbox";
    const control = event.ctrlKey || event.metaKey;
    if (control && !typing && event.key.toLowerCase() === "z") { event.preventDefault(); if (event.shiftKey) redo(); else takeBack(); }
    else if (control && !typing && event.key.toLowerCase() === "y") { event.preventDefault(); redo(); }
    else if (event.key === "Escape" && (doing || selected)) { event.preventDefault(); stop(); }
    else if (event.target === $("map") && event.key === " ") { event.preventDefault(); if (doing) atCross(); }
    else if (event.target === $("map") && event.key === "Delete" && selected) { const id = selected; stop(); State.remove(id); }
  });
  State.listen((state, why) => { lists(); paint(); if (why !== "change") { property(); form(); } });
  map.setView([0, 0], 20, { animate: false });
  map.on("move zoom resize", paint);
  const began = State.begin();
  draw.start();
  draw.setMode("static");
  draw.on("finish", finished);
  draw.on("change", changed);
  new ResizeObserver(() => { map.invalidateSize({ animate: false }); paint(); }).observe($("stage"));
  property();
  lists();
  whole();
  State.keptPicture().then(async (blob) => { if (blob && State.now.picture) { bitmap = await createImageBitmap(blob).catch(() => null); property(); paint(); } }).catch(() => {});
  if (began === "kept") say("This is the drawing as you left it in this browser.");
  else if (began === "opened") say("This is the property as its files have it. Correct it, then save.");
  else say("Begin with a picture to trace (an aerial photo or a scanned plan), or press Property line and draw on the grid.");
  if (began === "new") { open.add("picture"); property(); }
  return { choose, onScreen: (p) => { const at = map.latLngToContainerPoint(latLng(p)), box = $("map").getBoundingClientRect(); return [box.left + at.x, box.top + at.y]; } };
})();
