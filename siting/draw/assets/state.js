/* What is drawn and told: kept in the browser at every change, saved to a file, read from one.
 * A state is never changed: every change makes a new one, and undo takes the one before. */
"use strict";
const State = ((page) => {
  const KEY = `siting-draw:${page.key}`;
  const MOST = { things: 20000, corners: 400000, text: 200, undo: 300 };
  const LAYERS = new Set(page.things.map((thing) => thing.layer));
  const empty = () => ({ name: page.name, units: page.units, place: null, picture: null, things: [], told: {} });

  let now = empty(), past = [], future = [], listeners = [], last = 0;

  const next = () => { last += 1; return `t${last}`; };
  function tell(why) { for (const listener of listeners) listener(now, why); }
  function set(change, { keep = true } = {}) {
    if (keep) { past.push(now); if (past.length > MOST.undo) past.shift(); future = []; }
    now = { ...now, ...change };
    store();
    tell("change");
  }
  function step(from, to) {
    if (!from.length) return false;
    to.push(now);
    now = from.pop();
    store();
    tell("step");
    return true;
  }

  let full = false;
  function store() {
    try {
      localStorage.setItem(KEY, JSON.stringify({ last, now }));
      full = false;
    } catch {
      full = true;
    }
  }

  /* Pictures are too large for the store of small texts. */
  function base() {
    return new Promise((done, fail) => {
      const asked = indexedDB.open("siting-draw", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("pictures");
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => fail(asked.error);
    });
  }
  async function keepPicture(blob) {
    const store = (await base()).transaction("pictures", "readwrite").objectStore("pictures");
    return new Promise((done, fail) => {
      const asked = blob ? store.put(blob, KEY) : store.delete(KEY);
      asked.onsuccess = () => done();
      asked.onerror = () => fail(asked.error);
    });
  }
  async function keptPicture() {
    const store = (await base()).transaction("pictures").objectStore("pictures");
    return new Promise((done) => {
      const asked = store.get(KEY);
      asked.onsuccess = () => done(asked.result || null);
      asked.onerror = () => done(null);
    });
  }

  const isNumber = (value) => typeof value === "number" && Number.isFinite(value);
  function plain(value) {  // a value of a column: a number, yes or no, or a short text
    if (isNumber(value) || typeof value === "boolean") return value;
    // eslint-disable-next-line no-control-regex
    return typeof value === "string" ? value.replace(/[\u0000-\u001f\u007f\u2028\u2029\u202a-\u202e\u2066-\u2069]/g, " ").trim().slice(0, MOST.text) : undefined;
  }
  const values = (from) => Object.fromEntries(Object.entries(from || {}).slice(0, 100)
    .map(([name, value]) => [name.slice(0, 60), plain(value)]).filter(([name, value]) => value !== undefined && name !== "__proto__"));

  /* The file: GeoJSON in degrees, all that is not a shape in "siting_drawing", which comes first. */
  function toFile(state, picture) {
    const place = state.place || { lat: 0, lon: 0 };
    const degrees = (p) => Plane.toDegrees(p, place).map((v) => Math.round(v * 1e10) / 1e10);
    const ring = (points) => [...points, points[0]].map(degrees);
    const geometry = (shape) => {
      if (shape.type === "point") return { type: "Point", coordinates: degrees(shape.at) };
      if (shape.type === "line") {
        const lines = shape.parts.map((points) => points.map(degrees));
        return lines.length === 1 ? { type: "LineString", coordinates: lines[0] } : { type: "MultiLineString", coordinates: lines };
      }
      const areas = shape.parts.map((part) => part.map(ring));
      return areas.length === 1 ? { type: "Polygon", coordinates: areas[0] } : { type: "MultiPolygon", coordinates: areas };
    };
    const features = state.things.map((thing) => ({
      type: "Feature",
      properties: { layer: page.of[thing.kind].layer, drawn_as: thing.kind, ...page.of[thing.kind].sets, ...thing.values },
      geometry: geometry(thing.shape),
    }));
    const { things, ...rest } = state;
    const head = { version: 1, ...rest, ...(picture ? { pixels: picture } : {}) };
    return { type: "FeatureCollection", siting_drawing: head, features };
  }

  /* Read a file of ours, or any GeoJSON whose features say their layer. Throws in plain words. */
  function fromFile(text) {
    let found;
    try { found = JSON.parse(text); } catch { throw new Error("This file is no drawing: it is not JSON, or it is cut short."); }
    if (!found || found.type !== "FeatureCollection" || !Array.isArray(found.features)) throw new Error("This file is no drawing: it holds no features.");
    if (found.features.length > MOST.things) throw new Error(`This file holds ${found.features.length} things; ${MOST.things} at most can be drawn here.`);
    const head = found.siting_drawing && typeof found.siting_drawing === "object" ? found.siting_drawing : {};
    const said = head.place && isNumber(head.place.lat) && isNumber(head.place.lon) ? { lat: head.place.lat, lon: head.place.lon } : null;
    const first = said || (isNumber(head.version) ? { lat: 0, lon: 0 } : middle(found.features));  // ours, its place not told yet
    const ignored = [];
    const things = [];
    let corners = 0;
    found.features.forEach((feature, i) => {
      const thing = read(feature, first);
      if (typeof thing === "string") { ignored.push(`${i + 1}: ${thing}`); return; }
      corners += Plane.corners(thing.shape);
      things.push(thing);
    });
    if (corners > MOST.corners) throw new Error(`This file holds ${corners} corners; ${MOST.corners} at most can be drawn here.`);
    const state = {
      ...empty(),
      name: plain(head.name) || page.name,
      units: head.units === "us" || head.units === "metric" ? head.units : page.units,
      place: said || (things.length && !isNumber(head.version) ? first : null),
      picture: pictureOf(head.picture),
      told: told(head.told),
      things,
    };
    return { state, ignored, pixels: typeof head.pixels === "string" && head.pixels.startsWith("data:image/") ? head.pixels : null };
  }
  function middle(features) {
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    const walk = (c) => {
      if (!Array.isArray(c)) return;
      if (isNumber(c[0]) && isNumber(c[1])) {
        box[0] = Math.min(box[0], c[0]); box[1] = Math.min(box[1], c[1]);
        box[2] = Math.max(box[2], c[0]); box[3] = Math.max(box[3], c[1]);
      } else c.forEach(walk);
    };
    features.forEach((f) => walk(f && f.geometry && f.geometry.coordinates));
    const place = { lon: (box[0] + box[2]) / 2, lat: (box[1] + box[3]) / 2 };
    return isNumber(place.lat) && Math.abs(place.lat) <= 85 && Math.abs(place.lon) <= 180 ? place : { lat: 0, lon: 0 };
  }
  function pictureOf(from) {
    const fit = from && Array.isArray(from.at) && from.at.length === 6 && from.at.every(isNumber) && isNumber(from.width) && isNumber(from.height);
    return fit ? { at: from.at, width: from.width, height: from.height, scaled: !!from.scaled, turned: !!from.turned, name: plain(from.name) || "" } : null;
  }
  function told(from) {  // two levels: tables of values, and lists of values
    const clean = (value) => {
      if (Array.isArray(value)) return value.slice(0, 400).map((v) => (Array.isArray(v) ? v.slice(0, 10).map((w) => plain(w) ?? null) : plain(v) ?? null));
      return plain(value);
    };
    const tables = Object.entries(from || {}).slice(0, 20).map(([name, table]) => {
      if (!table || typeof table !== "object") return [name, {}];
      return [name, Object.fromEntries(Object.entries(table).slice(0, 400).map(([key, value]) => [key.slice(0, 60), key === "text" && typeof value === "string" ? value : key === "minutes" ? values(value) : clean(value)])
        .filter(([key, value]) => value !== undefined && key !== "__proto__"))];
    });
    return Object.fromEntries(tables.filter(([name]) => name !== "__proto__"));
  }
  function read(feature, place) {
    const properties = (feature && feature.properties) || {};
    const geometry = feature && feature.geometry;
    if (!geometry || !Array.isArray(geometry.coordinates)) return "it has no shape";
    const kind = kindOf(properties);
    if (!kind) return `its layer is "${String(properties.layer).slice(0, 40)}", which is none of ours`;
    const point = (c) => {
      if (!isNumber(c[0]) || !isNumber(c[1]) || Math.abs(c[0]) > 540 || Math.abs(c[1]) > 90) throw new Error("coordinates");
      return Plane.toMetres(c, place);
    };
    const ring = (points) => {
      const all = points.map(point);
      const closed = all.length > 1 && Plane.distance(all[0], all[all.length - 1]) < 1e-6;
      return closed ? all.slice(0, -1) : all;
    };
    let shape;
    const c = geometry.coordinates;
    try {
      if (geometry.type === "Point") shape = { type: "point", at: point(c) };
      else if (geometry.type === "MultiPoint" && c.length === 1) shape = { type: "point", at: point(c[0]) };
      else if (geometry.type === "LineString") shape = { type: "line", parts: [c.map(point)] };
      else if (geometry.type === "MultiLineString") shape = { type: "line", parts: c.map((p) => p.map(point)) };
      else if (geometry.type === "Polygon") shape = { type: "area", parts: [c.map(ring)] };
      else if (geometry.type === "MultiPolygon") shape = { type: "area", parts: c.map((p) => p.map(ring)) };
      else return `a shape of the kind ${String(geometry.type).slice(0, 30)} cannot be drawn here`;
    } catch {
      return "its coordinates are no longitudes and latitudes";
    }
    const sizes = Plane.paths(shape);
    const least = shape.type === "area" ? 3 : shape.type === "line" ? 2 : 1;
    if (!sizes.length || sizes.some(({ points }) => points.length < least)) return "its shape has too few corners";
    const { layer, drawn_as: _drawn, ...rest } = properties;
    const fixed = page.of[kind].sets;
    const own = Object.fromEntries(Object.entries(values(rest)).filter(([name]) => !(name in fixed)));
    return { id: next(), kind, shape, values: own };
  }
  function kindOf(properties) {
    const drawn = page.of[properties.drawn_as];
    if (drawn && Object.prototype.hasOwnProperty.call(page.of, properties.drawn_as) && drawn.layer === properties.layer) return drawn.name;
    if (!LAYERS.has(properties.layer)) return null;
    const fits = page.things.filter((t) => t.layer === properties.layer);
    const exact = fits.find((t) => Object.keys(t.sets).length && Object.entries(t.sets).every(([k, v]) => properties[k] === v));
    return (exact || fits.find((t) => !Object.keys(t.sets).length) || fits[fits.length - 1]).name;
  }

  return {
    get now() { return now; },
    get full() { return full; },
    get canUndo() { return past.length > 0; },
    get canRedo() { return future.length > 0; },
    listen: (listener) => listeners.push(listener),
    set, next, toFile, fromFile, keepPicture, keptPicture, MOST,
    undo: () => step(past, future),
    redo: () => step(future, past),
    thing: (id) => now.things.find((thing) => thing.id === id),
    add: (thing) => set({ things: [...now.things, thing] }),
    put: (thing) => set({ things: now.things.map((one) => (one.id === thing.id ? thing : one)) }),
    remove: (id) => set({ things: now.things.filter((one) => one.id !== id) }),
    answer: (table, name, value) => set({ told: { ...now.told, [table]: { ...now.told[table], [name]: value } } }),
    begin() {  // what the browser kept, else what the page was made with
      try {
        const kept = JSON.parse(localStorage.getItem(KEY));
        if (kept && kept.now && Array.isArray(kept.now.things)) { last = kept.last; now = kept.now; return "kept"; }
      } catch { /* nothing was kept, or it cannot be read */ }
      if (page.opened) { now = fromFile(JSON.stringify(page.opened)).state; return "opened"; }
      return "new";
    },
    anew() { State.replace(page.opened ? fromFile(JSON.stringify(page.opened)).state : empty()); },
    replace(state) { past.push(now); future = []; now = state; store(); tell("replace"); },
  };
})(PAGE);
