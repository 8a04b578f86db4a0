/* Draws the plan on the map, and the panel beside it. All text goes in as text, never as markup. */
const plan = JSON.parse(document.getElementById("plan").textContent);
if (plan.packed) unpack(plan);
const SVG = "http://www.w3.org/2000/svg";
const byId = (id) => document.getElementById(id);
const marks = plan.marks;
const onUnits = [];
let unit = plan.units === "us" ? 1 : 0;

/* ---- words: every message whole, {fields} filled in, turned by the plan's dictionary ---------- */
const filled = (text, fields) => text.replace(/\{(\w+)\}/g, (mark, name) => (fields && name in fields ? fields[name] : mark));
const tr = (message, fields) => filled(plan.words[message] || message, fields);
function trn(one, many, count, fields) {
  const form = plan.plural[count < 200 ? count : 100 + (count % 100)];
  return filled((plan.words[one] || [one, many])[form], { count, ...fields });
}
const digits = (value, decimals) => value.toFixed(decimals).replace(".", plan.point);

/* ---- small tools -------------------------------------------------------------------------- */
function make(tag, options, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(options || {})) {
    if (key === "text") node.textContent = value;
    else if (key === "on") for (const [name, f] of Object.entries(value)) node.addEventListener(name, f);
    else node.setAttribute(key, value);
  }
  node.append(...children);
  return node;
}
function draw(tag, attributes, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes || {})) node.setAttribute(key, value);
  node.append(...children);
  return node;
}
/* A text that follows the unit switch; pairs are [metric, US]. */
function say(pair, tag) {
  const node = make(tag || "bdi");
  const put = () => { node.textContent = typeof pair === "string" ? pair : pair[unit]; };
  put();
  if (typeof pair !== "string") onUnits.push(put);
  return node;
}
const now = (pair) => (typeof pair === "string" ? pair : pair[unit]);
const brief = (text, most) => ([...text].length > most ? [...text].slice(0, most - 1).join("") + "…" : text);
function length(metres) {
  const edge = plan.length[unit];
  const value = metres * edge.factor;
  return digits(value, value < 100 ? edge.decimals : 0) + " " + edge.label;
}
function offset(from, to) {
  return [(to[0] - from[0]) * plan.metres_per_degree[0], (to[1] - from[1]) * plan.metres_per_degree[1]];
}
const WINDS = [tr("to the north"), tr("to the north-east"), tr("to the east"), tr("to the south-east"), tr("to the south"), tr("to the south-west"), tr("to the west"), tr("to the north-west")];
function direction(from, to) {
  const [north, east] = offset(from, to);
  return WINDS[Math.round(Math.atan2(east, north) / (Math.PI / 4) + 8) % 8];
}
const distance = (from, to) => Math.hypot(...offset(from, to));
function inRing(point, ring) {
  let inside = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
    const [a, b] = [ring[i], ring[j]];
    if (a[0] > point[0] !== b[0] > point[0] &&
        point[1] < ((b[1] - a[1]) * (point[0] - a[0])) / (b[0] - a[0]) + a[1]) inside = !inside;
  }
  return inside;
}
const inShape = (point, shape) => shape.some((rings) => rings.filter((r) => inRing(point, r)).length % 2 === 1);
const announce = (text) => { byId("status").textContent = text; };

/* ---- layers of the map -------------------------------------------------------------------- */
["base", "ground", "picture", "zones", "keep", "solid", "lines", "above"].forEach((name, k) => {
  map.createPane(name).style.zIndex = 300 + 20 * k;
});
const hatch = draw("svg", { class: "aside", "aria-hidden": "true" },
  draw("defs", {}, draw("pattern",
    { id: "hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
    draw("rect", { width: 1.6, height: 7, fill: marks.keepout }))));
document.body.append(hatch);

const still = { interactive: false };
const shape = (polygons, style) => L.polygon(polygons, { ...still, smoothFactor: 0.2, ...style });
const group = (layers) => L.layerGroup(layers);
const outline = shape(plan.boundary, { pane: "ground", color: marks.boundary, weight: 2.5, fillColor: plan.ink.card, fillOpacity: 1 });
const paving = group(plan.ground.paving.map((p) => shape(p, { pane: "ground", color: marks.paving_edge, weight: 1, fillColor: marks.paving, fillOpacity: 1 })));
const buildings = group(plan.ground.buildings.map((p) => shape(p, { pane: "solid", color: marks.building_edge, weight: 2, fillColor: marks.building, fillOpacity: 1 })));
const trees = group(plan.ground.trees.flatMap((t) => [
  ...(t.crown.length ? [shape(t.crown, { pane: "solid", color: marks.crown_edge, weight: 1.2, fillColor: marks.crown, fillOpacity: 0.28 })] : []),
  L.circleMarker(t.trunk, { ...still, pane: "solid", radius: 3, stroke: false, fillColor: marks.trunk, fillOpacity: 1 }),
]));
const keepout = group(plan.ground.keepout.map((k) => shape(k.shape, { pane: "keep", color: marks.keepout, weight: 1.2, opacity: 0.8, fillColor: "url(#hatch)", fillOpacity: 0.7 })));
const admissible = group(plan.ground.admissible.map((p) => shape(p, { pane: "keep", color: marks.admissible, weight: 1.4, fillColor: marks.admissible, fillOpacity: 0.22 })));
const reserves = group(plan.ground.reserves.map((r) => L.circleMarker(r.at, { ...still, pane: "above", radius: 6, color: marks.sensor, weight: 2.5, dashArray: "3 3", fillColor: "#ffffff", fillOpacity: 0.9 }).bindTooltip(r.label, { permanent: true, direction: "right", className: "reserve" })));
const line = (points, style) => L.polyline(points, { ...still, pane: "lines", lineCap: "round", ...style });
const drawn = (name, style) => group((plan.ground.lines[name] || []).map((l) => line(l, { color: marks[name], ...style })));
const utilities = drawn("utility", { weight: 3, dashArray: "9 4 2 4" });
const paths = drawn("traffic", { weight: 3, dashArray: "1 7" });
const routes = (kind) => plan.routes.filter((r) => r.kind === kind);
const trench = group(routes("trench").map((r) => line(r.line, { color: marks.trench, weight: 6, opacity: 0.8 })));
const wire = group(routes("wire").map((r) => line(r.line, { color: "#ffd9d2", weight: 2.2, dashArray: "7 6" })));
const ties = group(plan.sensors.flatMap((s) => s.ties.flatMap((t) => [
  line(t.line, { color: marks.tie, weight: 1.4, dashArray: "3 5" }),
  L.circleMarker(t.line[0], { ...still, pane: "lines", radius: 4.5, color: marks.tie, weight: 2, fillColor: "#ffffff", fillOpacity: 1 }),
])));
const pictures = Object.fromEntries(Object.entries(plan.overlays).map(([key, o]) =>
  [key, L.imageOverlay(o.url, o.bounds, { pane: "picture", opacity: 0.85, alt: plan.scales[key] ? plan.scales[key].title : tr("Aerial photo") })]));
const bases = plan.basemaps.map((b) => [b.label, L.tileLayer(b.url, { pane: "base", maxNativeZoom: b.max_zoom, maxZoom: 24, attribution: b.attribution })]);
if (pictures.aerial) {
  Object.assign(pictures.aerial.options, { pane: "base", opacity: 1 });
  bases.unshift([tr("Aerial photo"), pictures.aerial]);
}
if (plan.basemaps.length) L.control.attribution({ prefix: false, position: "bottomleft" }).addTo(map);
if (plan.sun.days.length) {
  const first = plan.sun.days[0].frames[0];
  pictures.shade = L.imageOverlay(first.url, first.bounds, { pane: "picture", opacity: 0.85, alt: plan.scales.shade.title });
}

/* Marks of fixtures: shape and letter, so that they need no colour. */
function glyph(kind, size) {
  const box = { width: size, height: size, viewBox: "0 0 24 24", "aria-hidden": "true" };
  const style = { fill: marks[kind] || marks.other, stroke: "#ffffff", "stroke-width": 1.6 };
  const letter = (t, y) => { const n = draw("text", { x: 12, y, "text-anchor": "middle", "font-size": 13, "font-weight": 700, fill: "#ffffff" }); n.textContent = t; return n; };
  if (kind === "controller") return draw("svg", box, draw("rect", { x: 2, y: 2, width: 20, height: 20, rx: 2, ...style }), letter("C", 17));
  if (kind === "valve_box") return draw("svg", box, draw("path", { d: "M6 2h12l5 10-5 10H6L1 12z", ...style }), letter("V", 17));
  if (kind === "downspout") return draw("svg", box, draw("path", { d: "M1 2h22L12 23z", ...style }), letter("D", 14));
  if (kind === "head") return draw("svg", box, draw("circle", { cx: 12, cy: 12, r: 6, ...style }));
  return draw("svg", box, draw("path", { d: "M12 3 21 12 12 21 3 12z", ...style }));
}
const heads = [];
const fixtures = group(plan.fixtures.map((f) => {
  if (f.kind === "head") {
    const dot = L.circleMarker(f.at, { ...still, pane: "above", radius: 3.5, color: "#ffffff", weight: 1, fillColor: marks.head, fillOpacity: 1 });
    heads.push(dot);
    return dot;
  }
  const name = f.name || f.label;
  const icon = L.divIcon({ html: glyph(f.kind, 24), className: "glyph " + f.kind, iconSize: [28, 28] });
  return button(L.marker(f.at, { icon }), f.label + " " + name, () => openAt(f.at, [
    make("p", { class: "popup-title" }, say(f.label)),
    ...(f.name ? [make("p", {}, say(f.name))] : []),
    ...(f.valve ? [make("p", {}, tr("Valve {valve}", { valve: f.valve }))] : []),
  ], 10));
}));

/* Anything that can be tapped can also be reached and opened from the keyboard. */
function button(layer, label, open) {
  const middle = () => (layer.getLatLng ? layer.getLatLng() : layer.getCenter());
  layer.on("click", (e) => {
    L.DomEvent.stopPropagation(e);
    if (measuring) addPoint(layer.getLatLng ? middle() : e.latlng);
    else open(e.latlng, false);
  });
  layer.on("add", () => {
    const node = layer.getElement();
    node.setAttribute("tabindex", "0");
    node.setAttribute("role", "button");
    node.setAttribute("aria-label", label);
    node.addEventListener("keydown", (e) => {
      if (e.key !== "Enter" && e.key !== " ") return;
      e.preventDefault();
      e.stopPropagation();
      if (measuring) { addPoint(middle()); return; }
      opener = node;
      open(null, true);
    });
  });
  return layer;
}
let opener = null;
let measuring = null;
const popup = L.popup({ minWidth: 150, autoPanPaddingBottomRight: [10, 40] });
function openAt(at, children, lift) {
  const narrow = map.getSize().x < 600;
  Object.assign(popup.options, { offset: L.point(0, -(lift || 0)), maxWidth: narrow ? 200 : 270,
    autoPanPaddingTopLeft: narrow ? [10, 60] : [115, 12] });
  popup.setLatLng(at).setContent(make("div", {}, ...children)).openOn(map);
}
function reasonsAt(at) {
  const point = [at.lat, at.lng];
  const found = map.hasLayer(keepout) ? plan.ground.keepout.filter((k) => inShape(point, k.shape)) : [];
  return found.length ? [make("p", {}, make("strong", { text: tr("Keep clear here") })), make("ul", {}, ...found.map((k) => make("li", {}, say(k.reason))))] : [];
}

/* Zones */
const zoneShapes = plan.zones.map((z) => button(
  L.polygon(z.shape, { pane: "zones", smoothFactor: 0.2, color: marks.zone_edge, weight: 1.4, fillColor: z.colour, fillOpacity: 0.82 }),
  tr("Zone {zone}", { zone: z.zone }) + ", " + now(z.rows[2][1]),
  (at, keyboard) => {
    const here = at || L.latLng(z.label_at);
    openAt(here, [make("p", { class: "popup-title" }, say(tr("Zone {zone}", { zone: z.zone }))), make("p", {}, say(z.rows[2][1])), make("p", {}, say(z.rows[1][1])), ...reasonsAt(here)]);
    showCard(tr("Zone {zone}", { zone: z.zone }), zoneCard(z), keyboard);
  }));
const labels = plan.zones.map((z) => { // moved by tidy() to the first of its places that is free
  const html = make("span", {}, say(brief(z.zone, 22)));
  return L.marker(z.label_at, { ...still, keyboard: false, pane: "above", icon: L.divIcon({ html, className: "zone-label", iconSize: [0, 0] }) });
});
const zones = group([...zoneShapes, ...labels]);

/* Sensors */
const picked = L.layerGroup().addTo(map);
const distances = L.layerGroup().addTo(map);
let chosen = null;
const pins = plan.sensors.map((s) => {
  const html = make("div", { class: "pin" }, make("span", { class: "tag", text: s.id }), make("span", { class: "stem" }), make("span", { class: "spot" }));
  const icon = L.divIcon({ html, className: "", iconSize: [28, 28] });
  return button(L.marker(s.at, { icon, zIndexOffset: 1000, riseOnHover: true }), tr("Sensor {sensor}", { sensor: s.id }) + ", " + now(s.summary), (_, keyboard) => pick(s, keyboard));
});
const sensors = group(pins);
function pick(s, keyboard) {
  const reach = L.latLngBounds([s.at, ...s.ties.map((t) => t.line[0])]);
  if (s.ties.length && map.getBoundsZoom(reach.pad(0.5)) > map.getZoom()) map.fitBounds(reach.pad(0.08), { ...clearance(100), maxZoom: 22, animate: false });
  openAt(s.at, [
    make("p", { class: "popup-title", text: tr("Sensor {sensor}", { sensor: s.id }) }), make("p", {}, say(s.summary)),
  ], 46);
  showCard(tr("Sensor {sensor}", { sensor: s.id }), sensorCard(s), keyboard);
  for (const t of s.ties) picked.addLayer(line(t.line, { color: marks.tie, weight: 3 }));
  chosen = s;
  pins[plan.sensors.indexOf(s)].getElement().firstChild.classList.add("picked");
  tidy();
}
/* The tape distance on every tie of the chosen sensor, moved along the tie until it is clear. */
function writeDistances() {
  distances.clearLayers();
  if (!chosen) return;
  const spot = map.latLngToContainerPoint(chosen.at);
  const mark = pins[plan.sensors.indexOf(chosen)].getElement();
  const placed = [spot, spot.add(TAG_AT[(mark && mark.firstChild.dataset.side) || "up"])];
  const stage = map.getContainer().getBoundingClientRect();
  const over = popup.isOpen() ? popup.getElement().getBoundingClientRect() : { left: 0, right: 0, top: 0, bottom: 0 };
  const covered = (p) => p.x + stage.left > over.left - 40 && p.x + stage.left < over.right + 40 && p.y + stage.top > over.top - 14 && p.y + stage.top < over.bottom + 14;
  for (const t of chosen.ties) {
    const along = (f) => [0, 1].map((k) => f * t.line[0][k] + (1 - f) * t.line[1][k]);
    const clear = (f) => { const p = map.latLngToContainerPoint(along(f)); return !covered(p) && placed.every((q) => Math.abs(p.x - q.x) > 84 || Math.abs(p.y - q.y) > 26); };
    const at = along([0.75, 0.5, 0.9, 0.35, 1].find(clear) || 0.75);
    placed.push(map.latLngToContainerPoint(at));
    const icon = L.divIcon({ html: say(t.cells[2], "span"), className: "tie-label", iconSize: [0, 0] });
    distances.addLayer(L.marker(at, { ...still, keyboard: false, icon, zIndexOffset: 500 }));
  }
}
function unpick() {
  chosen = null;
  picked.clearLayers();
  distances.clearLayers();
  for (const pin of pins) if (pin.getElement()) pin.getElement().firstChild.classList.remove("picked");
}

/* ---- layer switches and legend ------------------------------------------------------------ */
const box = () => ({ width: 26, height: 18, viewBox: "0 0 26 18", "aria-hidden": "true" });
const patch = (style) => draw("svg", box(), draw("rect", { x: 1.5, y: 1.5, width: 23, height: 15, ...style }));
const stroke = (...styles) => draw("svg", box(), ...styles.map((s) => draw("path", { d: "M1 9H25", fill: "none", ...s })));
const ramp = (key, id) => {
  const stops = plan.scales[key].colours.map((c, k, all) => draw("stop", { offset: k / (all.length - 1), "stop-color": c }));
  return [draw("defs", {}, draw("linearGradient", { id }, ...stops)), draw("rect", { width: 100, height: 12, fill: "url(#" + id + ")" })];
};
function scale(key, where) {
  const s = plan.scales[key];
  return make("div", { class: "scale" },
    make("div", { text: s.title + ", " + s.unit }),
    draw("svg", { viewBox: "0 0 100 12", preserveAspectRatio: "none", role: "img", "aria-label": tr("{title} from {low} to {high} {unit}", { title: s.title, low: s.ticks[0], high: s.ticks[s.ticks.length - 1], unit: s.unit }) }, ...ramp(key, where + "-" + key)),
    make("div", { class: "ticks" }, ...s.ticks.map((t) => make("span", { text: t }))));
}
const pinPatch = draw("svg", box(), draw("rect", { x: 3, y: 0, width: 20, height: 10, rx: 2, fill: marks.sensor }), draw("path", { d: "M13 10v3", stroke: marks.sensor, "stroke-width": 2 }), draw("circle", { cx: 13, cy: 15, r: 2.5, fill: marks.sensor }));
const LAYERS = [
  { label: tr("Sensors"), layer: sensors, on: true, mark: pinPatch },
  { label: tr("Zones by water need"), layer: zones, on: true, mark: patch({ fill: plan.scales.need.colours[4], stroke: marks.zone_edge, "stroke-width": 1.4 }), scale: "need" },
  { label: tr("Direct sun"), layer: pictures.sun, on: false, mark: patch({ fill: plan.scales.sun.colours[6] }), scale: "sun", picture: true },
  ...(pictures.shade ? [{ label: tr("Shade by the hour"), layer: pictures.shade, on: false, mark: patch({ fill: plan.scales.sun.colours[1] }), scale: "shade", picture: true }] : []),
  { label: tr("Dryness"), layer: pictures.dryness, on: false, mark: patch({ fill: plan.scales.dryness.colours[5] }), scale: "dryness", picture: true },
  { label: tr("Keep clear (tap for why)"), layer: keepout, on: false, mark: patch({ fill: "url(#hatch)", stroke: marks.keepout }) },
  ...(pictures.rank ? [{ label: tr("Rank of dryness"), layer: pictures.rank, on: false, mark: patch({ fill: plan.scales.rank.colours[7] }), scale: "rank", picture: true }] : []),
  ...(pictures.moved ? [
    { label: tr("Dryness before the readings"), layer: pictures.before, on: false, mark: patch({ fill: plan.scales.dryness.colours[7] }), scale: "dryness", picture: true },
    { label: tr("Where readings and map disagree"), layer: pictures.moved, on: false, mark: patch({ fill: plan.scales.moved.colours[7] }), scale: "moved", picture: true },
  ] : []),
  { label: tr("Reserve points"), layer: reserves, on: false, mark: draw("svg", box(), draw("circle", { cx: 13, cy: 9, r: 6, fill: "#ffffff", stroke: marks.sensor, "stroke-width": 2.5, "stroke-dasharray": "3 3" })) },
  { label: tr("Ground that meets every setback"), layer: admissible, on: false, mark: patch({ fill: marks.admissible, "fill-opacity": 0.3, stroke: marks.admissible }) },
  { label: tr("Ties to fixed corners"), layer: ties, on: true, mark: stroke({ stroke: marks.tie, "stroke-width": 1.6, "stroke-dasharray": "3 4" }) },
  { label: tr("Trench"), layer: trench, on: true, mark: stroke({ stroke: marks.trench, "stroke-width": 6 }) },
  { label: tr("Wire"), layer: wire, on: true, mark: stroke({ stroke: marks.trench, "stroke-width": 8 }, { stroke: "#ffd9d2", "stroke-width": 2.2, "stroke-dasharray": "6 5" }) },
  { label: tr("Buried pipes and cables, as drawn"), layer: utilities, on: true, mark: stroke({ stroke: marks.utility, "stroke-width": 3, "stroke-dasharray": "9 4 2 4" }) },
  { label: tr("Paths that people tread"), layer: paths, on: true, mark: stroke({ stroke: marks.traffic, "stroke-width": 3, "stroke-dasharray": "1 5", "stroke-linecap": "round" }) },
  { label: tr("Buildings"), layer: buildings, on: true, mark: patch({ fill: marks.building, stroke: marks.building_edge, "stroke-width": 2 }) },
  { label: tr("Paving"), layer: paving, on: true, mark: patch({ fill: marks.paving, stroke: marks.paving_edge }) },
  { label: tr("Trees"), layer: trees, on: true, mark: draw("svg", box(), draw("circle", { cx: 13, cy: 9, r: 8, fill: marks.crown, "fill-opacity": 0.35, stroke: marks.crown_edge }), draw("circle", { cx: 13, cy: 9, r: 2, fill: marks.trunk })) },
  { label: tr("Fixtures"), layer: fixtures, on: true, mark: glyph("other", 20) },
  ...bases.map(([label, layer], k) => ({ label, layer, on: k === 0, base: true, mark: patch({ fill: marks.crown_edge, stroke: marks.building_edge }) })),
];
const WIDE = window.matchMedia("(min-width: 1500px)");
const KINDS = { controller: tr("Controller"), valve_box: tr("Valve box"), head: tr("Sprinkler head"), downspout: tr("Downspout"), other: tr("Other fixture") };
function layerList() {
  const rows = LAYERS.filter((entry) => !entry.layer.getLayers || entry.layer.getLayers().length).flatMap((entry) => {
    const input = make("input", { type: "checkbox" });
    input.checked = entry.on;
    entry.input = input;
    input.addEventListener("change", () => {
      for (const kind of ["picture", "base"]) if (entry[kind] && input.checked) for (const other of LAYERS) if (other[kind] && other !== entry) other.input.checked = false;
      apply();
    });
    entry.legend = entry.scale ? scale(entry.scale, "legend") : null;
    return [make("label", { class: "switch" }, input, entry.mark, make("span", { text: entry.label })), ...(entry.legend ? [entry.legend] : [])];
  });
  const kinds = Object.keys(KINDS).filter((k) => plan.fixtures.some((f) => f.kind === k));
  byId("layer-list").append(...rows, ...kinds.map((k) => make("div", { class: "kind" }, glyph(k, 20), make("span", { text: KINDS[k] }))));
  byId("layers").open = WIDE.matches;
}
function apply() {
  const covered = LAYERS.some((e) => e.picture && e.input.checked);
  for (const entry of LAYERS) {
    if (!entry.input) continue;
    if (entry.input.checked !== map.hasLayer(entry.layer)) entry.input.checked ? entry.layer.addTo(map) : entry.layer.remove();
    if (entry.legend) entry.legend.hidden = !entry.input.checked || (entry.scale === "need" && covered);
  }
  const keys = LAYERS.filter((e) => e.legend && !e.legend.hidden).map((e) => scale(e.scale, "key"));
  byId("key").replaceChildren(...keys);
  byId("key").hidden = !keys.length;
  showSunControls();
  /* Over a photo everything is laid on thin. */
  const photo = LAYERS.some((e) => e.base && e.input && e.input.checked);
  outline.setStyle({ fillOpacity: photo ? 0 : 1 });
  for (const solid of [buildings, paving]) solid.eachLayer((s) => s.setStyle({ fillOpacity: photo ? 0.2 : 1 }));
  for (const z of zoneShapes) z.setStyle({ fillOpacity: covered ? 0 : photo ? 0.5 : 0.82 });
  sizeMarks();
  tidy();
}
/* ---- panel -------------------------------------------------------------------------------- */
const facts = (rows) => make("dl", {}, ...rows.flatMap(([label, text]) => [make("dt", { text: label }), make("dd", {}, say(text))]));
function table(head, rows, caption, first) {
  return make("div", { class: "wide", tabindex: "0", role: "group", "aria-label": caption }, make("p", { class: "caption", text: caption }), make("table", { "aria-label": caption },
    make("thead", {}, make("tr", {}, ...head.map((h) => make("th", { scope: "col" }, say(h))))),
    make("tbody", {}, ...rows.map((cells, r) => make("tr", cells[1] === "" ? { class: "lead" } : {}, ...cells.map((c, k) =>
      make("td", {}, k === 0 && first ? first(c, r) : say(c))))))));
}
/* The need is in the map's colours and in every zone's own card. */
const fewer = (cells) => cells.filter((_, k) => k !== plan.panel.zone_table.need);
const opens = (text, f) => make("button", { type: "button", class: "link", on: { click: f } }, say(brief(text, 40)));
const go = (at) => map.setView(at, Math.max(map.getZoom(), map.getBoundsZoom(plan.bounds) + 1), { animate: false });
function copyRow([label, text]) {
  const code = make("code", { text });
  const copy = make("button", { type: "button", text: tr("Copy"), "aria-label": tr("Copy {what}", { what: label }) });
  copy.addEventListener("click", () => {
    const done = () => { copy.textContent = tr("Copied"); setTimeout(() => { copy.textContent = tr("Copy"); }, 1500); };
    const byHand = () => {
      const range = document.createRange();
      range.selectNodeContents(code);
      getSelection().removeAllRanges();
      getSelection().addRange(range);
      if (document.execCommand("copy")) done();
    };
    if (navigator.clipboard) navigator.clipboard.writeText(text).then(done, byHand); else byHand();
  });
  return make("div", {}, make("div", { class: "small", text: label }), make("div", { class: "copy" }, code, copy));
}
function sensorCard(s) {
  return [
    ...plan.panel.cautions.slice(0, 1).map((t) => make("p", { class: "cautions" }, say(t.split(". ")[0].replace(/\.?$/, ".")), " ",
      make("button", { type: "button", class: "link", text: tr("All cautions"), on: { click: () => showPart("cautions") } }))),
    facts(s.rows),
    make("h3", { text: tr("From the hole to the threshold") }), make("ol", {}, ...s.steps.map((t) => make("li", {}, say(t)))),
    ...(s.ties.length ? [table(plan.panel.tie_table.head.slice(1), s.ties.map((t) => t.cells), tr("Ties: tape distances from fixed points"))] : []),
    ...(s.reserves.length ? [table([tr("Reserve"), tr("From {sensor}", { sensor: s.id }), tr("Towards"), tr("From point 1"), tr("From point 2"), tr("Rank")], s.reserves, tr("Reserve points, for when the shovel meets rock"))] : []),
    make("h3", { text: tr("Coordinates") }), ...s.places.map(copyRow),
    make("h3", { text: tr("Photo") }), photoSlot(s),
  ];
}
/* A picture of the hole: it never leaves the device, and is kept only in a saved copy of this page. */
const LONGEST = 1600;
const kept = JSON.parse(byId("photos").textContent);
const photos = new Map(Object.entries(kept).filter(([, url]) => /^data:image\/[a-z.+-]+;base64,[A-Za-z0-9+/=]+$/.test(url)));
let unsaved = false;
window.addEventListener("beforeunload", (e) => { if (unsaved && navigator.userActivation && navigator.userActivation.hasBeenActive) e.preventDefault(); });
/* Large pictures are made smaller, so that a copy of the page stays small enough to send. */
function smaller(url, done, { longest = LONGEST, quality = 0.85 } = {}) {
  const picture = new Image();
  picture.addEventListener("load", () => {
    const share = longest / Math.max(picture.naturalWidth, picture.naturalHeight);
    if (share >= 1) { done(url); return; }
    const canvas = make("canvas", { width: Math.round(picture.naturalWidth * share), height: Math.round(picture.naturalHeight * share) });
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    done(canvas.toDataURL("image/jpeg", quality));
  });
  picture.addEventListener("error", () => done(null));
  picture.src = url;
}
function saveCopy() {
  const tag = "script"; // written apart, because this is itself within such an element
  const start = "<" + tag + ' type="application/json" id="photos">';
  const at = pristine.indexOf(start) + start.length;
  const text = JSON.stringify(Object.fromEntries(photos)).replace(/[<>&]/g, (c) => "\\u" + c.charCodeAt(0).toString(16).padStart(4, "0"));
  const page = "<!DOCTYPE html>\n" + pristine.slice(0, at) + text + pristine.slice(pristine.indexOf("</" + tag + ">", at));
  const url = URL.createObjectURL(new Blob([page], { type: "text/html" }));
  const link = make("a", { href: url, download: "map-with-photos.html" });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
  unsaved = false;
  announce(tr("A copy of this map with its photos was handed to your downloads."));
}
function photoSlot(s) {
  const shown = make("div", {});
  const input = make("input", { type: "file", accept: "image/*", id: "photo-" + s.id });
  const say_ = (text) => shown.replaceChildren(make("p", { text }));
  const show = () => {
    const url = photos.get(s.id);
    if (!url) { shown.replaceChildren(); return; }
    shown.replaceChildren(make("img", { class: "photo", src: url, alt: tr("Your photo of sensor {sensor}", { sensor: s.id }) }),
      make("button", { type: "button", text: tr("Remove photo"), on: { click: () => { photos.delete(s.id); unsaved = true; input.value = ""; show(); } } }),
      make("button", { type: "button", class: "save-copy", text: tr("Save a copy of this map with its photos"), on: { click: saveCopy } }));
  };
  input.addEventListener("change", () => {
    const [file] = input.files;
    if (!file) return;
    if (!file.type.startsWith("image/")) { say_(tr("That file is not a picture.")); return; }
    const reader = new FileReader();
    reader.addEventListener("load", () => smaller(reader.result, (url) => {
      if (!url) { say_(tr("That picture could not be read.")); return; }
      photos.set(s.id, url);
      unsaved = true;
      show();
    }));
    reader.addEventListener("error", () => say_(tr("That picture could not be read.")));
    reader.readAsDataURL(file);
  });
  show();
  return make("div", {}, make("label", { for: input.id, text: tr("Photo of the hole with the tape in it") }), input, shown,
    make("p", { class: "small", text: tr("It is not sent anywhere, and it is lost when this page is closed or loaded anew, unless you save a copy of the map with its photos. To keep photos with your answers, use Field. Keep the picture in the camera too.") }));
}
function zoneCard(z) {
  const s = plan.sensors.find((other) => other.id === z.values.sensor_id);
  return [facts(z.rows), ...(s ? [make("p", {}, opens(tr("Show sensor {sensor}", { sensor: s.id }), () => { go(s.at); pick(s, true); }))] : [])];
}
const card = make("section", { class: "card", hidden: "" });
function showCard(title, children, keyboard) {
  unpick();
  const head = make("h2", { tabindex: "-1" }, say(title));
  const close = make("button", { type: "button", text: tr("Close"), on: { click: closeCard } });
  card.replaceChildren(make("div", { class: "card-top" }, head, close), ...children);
  card.hidden = false;
  if (byId("panel").dataset.height === "low") setHeight("middle");
  byId("panel-body").scrollTop = 0;
  if (keyboard) head.focus({ preventScroll: true });
}
function closeCard() {
  const inside = card.contains(document.activeElement);
  card.hidden = true;
  unpick();
  map.closePopup();
  if (inside && opener && opener.isConnected) opener.focus();
  tidy();
}
function chart() {
  const p = plan.panel;
  const steps = p.choices.slice(0, -1);
  if (!steps.length) return [];
  const known = steps.map((c) => (c.feasible ? c.value_of_next : null));
  const ends = steps.map((c, i) => (known[i] === null ? [null, null] : [c.value_of_next_low, c.value_of_next_high]));
  const every = [...known, ...ends.flat()].map((v) => v || 0);
  const low = Math.max(0, ...every.map((v) => -v));
  const top = Math.max(known.includes(null) ? Math.max(0.5 * low, 1e-9) : 1e-9, ...every);
  const [width, high, gap] = [360, 128, 26];
  const k = (high - 2 * gap) / (top + low);
  const zero = gap + top * k;
  const each = width / steps.length;
  const note = (x, y, t, more) => { const n = draw("text", { x, y, "text-anchor": "middle", "font-size": Math.max(9, Math.min(14, each / 4.4)), fill: plan.ink.text, ...more }); n.textContent = t; return n; };
  const suffix = (n) => (n % 100 > 10 && n % 100 < 14 ? "th" : { 1: "st", 2: "nd", 3: "rd" }[n % 10] || "th");
  const nth = (n) => tr("{number}{th}", { number: n, th: suffix(n) });
  const money = (v) => {
    const size = Math.abs(v).toLocaleString(plan.locale, { maximumFractionDigits: Math.abs(v) < 10 ? 1 : 0 });
    return size === "0" ? size : (v < 0 ? "−" : "+") + size;
  };
  const bars = steps.flatMap((c, i) => {
    const [v, x, w] = [known[i], i * each + each / 2, Math.min(54, 0.6 * each)];
    const name = note(x, high + 14, nth(c.n + 1));
    if (v === null) return [draw("rect", { x: x - w / 2, y: gap, width: w, height: zero - gap || 20, fill: "url(#hatch)", stroke: marks.keepout }), note(x, gap - 8, tr("needed"), { "font-weight": 700 }), name];
    const y = v >= 0 ? zero - v * k : zero;
    const [least, most] = ends[i].map((end) => (end === null ? v : end));
    const [up, down] = [zero - Math.max(v, most, 0) * k, zero - Math.min(v, least, 0) * k];
    const whisker = most > least ? [draw("path", { d: "M" + x + " " + (zero - most * k) + "V" + (zero - least * k) + "M" + (x - 5) + " " + (zero - most * k) + "h10M" + (x - 5) + " " + (zero - least * k) + "h10", fill: "none", stroke: plan.ink.text, "stroke-width": 1.5 })] : [];
    return [draw("rect", { x: x - w / 2, y, width: w, height: Math.max(1.5, Math.abs(v) * k), fill: v > 0 ? plan.scales.need.colours[5] : plan.scales.dryness.colours[4] }),
      ...whisker, note(x, v >= 0 ? up - 6 : down + 15, money(v), { "font-weight": 700 }), name];
  });
  const told = steps.map((c, i) => nth(c.n + 1) + ": " + (known[i] === null ? tr("needed") : ends[i][1] > ends[i][0] ? tr("{value} ({low} to {high})", { value: money(known[i]), low: money(ends[i][0]), high: money(ends[i][1]) }) : money(known[i]))).join("; ");
  return [
    make("h3", { text: tr("What one more sensor is worth, {currency} a year", { currency: p.currency }) }),
    draw("svg", { class: "chart", viewBox: "0 0 " + width + " " + (high + 24), role: "img", "aria-label": told },
      draw("path", { d: "M0 " + zero + "H" + width, stroke: plan.ink.quiet }), ...bars),
    make("p", { class: "small", text: tr("Above the line it brings more than it costs; below, less. Thin lines: the range over scenarios. “Needed”: with one fewer, a zone would be too dry.") }),
  ];
}
/* What moves the result: one bar per input, from its value at the lower to that at the higher setting. */
function moveChart() {
  const { bars, measure, base, table: beside } = plan.panel.moves;
  if (!bars.length) return [];
  const values = bars.flatMap((b) => [b.base, ...b.ends.map((e) => e.value)]).filter((v) => v !== null);
  const [least, most] = [Math.min(...values), Math.max(...values)];
  const [width, side, row] = [360, 52, 40];
  const x = (v) => side + ((v - least) / (most - least || 1)) * (width - 2 * side);
  const colours = [plan.scales.dryness.colours[6], plan.scales.need.colours[6]];
  const label = (at, y, text, anchor, more) => { const n = draw("text", { x: at, y, "text-anchor": anchor, "font-size": 12, fill: plan.ink.text, ...more }); n.textContent = text; return n; };
  const middle = bars[0].base === null ? x(least) : x(bars[0].base);
  const parts = bars.flatMap((b, k) => {
    const y = k * row;
    return [label(0, y + 12, brief(b.name, 40), "start", { "font-weight": 600 }), ...b.ends.flatMap((e, i) => {
      if (e.value === null) return [label(middle + 6, y + 29, tr("{setting}: limit not kept", { setting: brief(e.setting, 14) }), "start")];
      const left = Math.min(middle, x(e.value));
      return [draw("rect", { x: left, y: y + 17, width: Math.max(1, Math.abs(x(e.value) - middle)), height: 16, fill: colours[i] }),
        label(x(e.value) + (x(e.value) >= middle ? 4 : -4), y + 29, brief(e.setting, 14), x(e.value) >= middle ? "start" : "end")];
    })];
  });
  const high = bars.length * row;
  const told = bars.map((b) => b.name + ": " + b.ends.map((e) => e.setting + " " + (e.value === null ? tr("limit not kept") : now(e.told))).join(", ")).join("; ");
  return [
    make("h3", { text: tr("What moves the result: {measure}", { measure }) }),
    draw("svg", { class: "chart", viewBox: "0 0 " + width + " " + high, role: "img", "aria-label": told },
      ...parts, draw("path", { d: "M" + middle + " 14V" + high, stroke: plan.ink.text, "stroke-width": 1.2 })),
    make("p", { class: "small" }, tr("The upright line is the plan:"), " ", say(base), ". ", tr("One input at a time, the sensors where they are.")),
    make("details", { class: "more-words" }, make("summary", { text: tr("The same as a table") }), table(beside.head, beside.rows, tr("What moves the result"))),
  ];
}
function showPart(id) {
  byId(id).scrollIntoView();
  byId(id).querySelector("h2").focus({ preventScroll: true });
}
function section(id, title, ...children) {
  return make("section", { id, "aria-label": title }, make("h2", { text: title, tabindex: "-1" }), ...children);
}
function panel() {
  const p = plan.panel;
  const list = (items) => make("ul", {}, ...items.map((t) => make("li", p.english.includes(t) ? { lang: "en" } : {}, say(t))));
  const parts = [
    section("answer", tr("How many sensors, and why"), make("p", { id: "headline" }, say(p.headline)), ...chart(),
      make("details", { class: "more-words" }, make("summary", { text: tr("The whole answer") }), make("p", { id: "whole-answer" }, say(p.answer))),
      table(p.choice_table.head, p.choice_table.rows, tr("Every number of sensors that was weighed")),
      ...(p.option_table.rows.length ? [table(p.option_table.head, p.option_table.rows, tr("Regret: what a choice costs a year beyond the best for how things turn out"))] : []),
      ...(p.control_table.rows.length ? [table(p.control_table.head, p.control_table.rows, tr("Kinds of control, on the same weather"))] : [])),
    section("sensor-list", tr("Sensors"), table([tr("Sensor"), tr("Where"), tr("Governs")],
      plan.sensors.map((s) => [s.id, s.summary, s.rows[2][1]]), tr("Tap a sensor for depth, ties and threshold"),
      (c, r) => opens(c, () => { const s = plan.sensors[r]; go(s.at); pick(s, true); })),
      ...(p.tie_table.rows.length ? [table(p.tie_table.head, p.tie_table.rows, tr("Ties: tape distances from fixed points"))] : [])),
    section("zone-list", tr("Zones and run times"), table(fewer(p.zone_table.head), p.zone_table.rows.map(fewer), tr("Minutes for the timer; a zone opens its details"),
      (c, r) => opens(c, () => { const z = plan.zones[r]; go(z.label_at); openAt(z.label_at, [make("p", { class: "popup-title" }, say(tr("Zone {zone}", { zone: z.zone }))), make("p", {}, say(z.rows[2][1]))]); showCard(tr("Zone {zone}", { zone: z.zone }), zoneCard(z), true); })),
      ...(p.month_table.rows.length ? [table(p.month_table.head, p.month_table.rows, tr("Minutes of an event by month, each program led by its seasonal adjustment")),
        ...(p.month_table.note ? [make("p", { class: "small", text: p.month_table.note })] : [])] : [])),
    section("savings", tr("Water and money"), make("p", {}, say(p.savings.claim)), facts(p.savings.rows), ...moveChart()),
    section("rests", tr("What this rests on"), list(p.assumptions)),
  ];
  const cautions = section("cautions", tr("Before you dig"), list(p.cautions));
  cautions.className = "cautions";
  const assumed = p.warnings.length ? [section("assumed", tr("Assumed, repaired or not met"), list(p.warnings))] : [];
  /* After a visit to the field: what to do comes first, all else behind it. */
  const todo = p.do_now.length ? [section("do-now", tr("What to do now, the most urgent first"), list(p.do_now))] : [];
  const all = [...todo, ...parts, cautions, ...assumed];
  const jump = make("nav", { class: "jump", "aria-label": tr("Parts of the plan") }, ...[...(todo.length ? [["do-now", tr("Now")]] : []), ["cautions", tr("Cautions")], ["sensor-list", tr("Sensors")], ["zone-list", tr("Zones")], ["savings", tr("Savings")], ["answer", tr("Why")]].map(([id, text]) =>
    make("button", { type: "button", text, on: { click: () => showPart(id) } })));
  byId("panel-body").append(jump, card, ...all, make("p", { class: "small", text: tr("Map drawn with Leaflet 1.9.4 (BSD 2-clause licence). Works without a network.") }));
}
const HEIGHTS = ["low", "middle", "high"];
function setHeight(name) {
  byId("panel").dataset.height = name;
  byId("taller").disabled = name === "high";
  byId("shorter").disabled = name === "low";
  map.invalidateSize({ animate: false });
}
function step(by) {
  const k = HEIGHTS.indexOf(byId("panel").dataset.height) + by;
  setHeight(HEIGHTS[Math.min(2, Math.max(0, k))]);
}
