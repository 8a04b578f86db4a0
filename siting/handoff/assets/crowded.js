/* A page with many zones or trees: what only stands is drawn on canvas, and anything is found by name. */
/* Puts what was packed to load less back into the plan, before anything is drawn. */
function unpack(plan) {
  const { corner, trees, heads, head, texts } = plan.packed;
  const at = (list, k) => [corner[0] + list[k] / 1e7, corner[1] + list[k + 1] / 1e7];
  for (let k = 0; k < trees.length; k += 3) plan.ground.trees.push({ trunk: at(trees, k), crown: [], radius: trees[k + 2] / 10 });
  for (let k = 0; k < heads.length; k += 2) plan.fixtures.push({ kind: "head", label: head, name: null, valve: null, at: at(heads, k) });
  for (const z of plan.zones) z.rows = z.rows.flatMap((n, k) => (k % 2 ? [] : [[texts[n], texts[z.rows[k + 1]]]]));
}
/* A canvas that lets taps through to what lies below it. */
const Glass = L.Canvas.extend({
  _initContainer() {
    L.Canvas.prototype._initContainer.call(this);
    this._container.style.pointerEvents = "none";
  },
});
for (const pane of ["ground", "keep", "solid", "lines", "above"]) map._paneRenderers[pane] = new Glass({ pane, padding: 0.2 });
keepout.eachLayer((layer) => layer.setStyle({ fillColor: marks.keepout, fillOpacity: 0.18 })); // a canvas knows no hatching
const crown = { ...still, pane: "solid", color: marks.crown_edge, weight: 1.2, fillColor: marks.crown, fillOpacity: 0.28 };
for (const t of plan.ground.trees) if (t.radius) trees.addLayer(L.circle(t.trunk, { ...crown, radius: t.radius }));

/* Trees and heads are drawn from near by only, and only those in view: from afar they would cover the zones. */
function drawnNear(group, layers, from) {
  let seen = new Set(layers.slice(0, 1)); // one stays: a group without any is none to the list of layers
  for (const layer of layers.slice(1)) group.removeLayer(layer);
  map.on("moveend", () => {
    const view = map.getZoom() < from ? null : map.getBounds().pad(0.3);
    const now = new Set(view ? layers.filter((layer) => view.contains(layer.getLatLng())) : []);
    for (const layer of seen) if (!now.has(layer)) group.removeLayer(layer);
    for (const layer of now) if (!seen.has(layer)) group.addLayer(layer);
    seen = now;
  });
}
drawnNear(trees, trees.getLayers().filter((layer) => layer.getLatLng), 17);
drawnNear(fixtures, heads, 18);

/* What can be looked for: its name in small letters, what to call it, and what to do. */
const lookedFor = [
  ...plan.sensors.map((s) => ["sensor " + tr("sensor") + " " + s.id, tr("Sensor {sensor}", { sensor: s.id }), () => { go(s.at); pick(s, true); }]),
  ...plan.zones.map((z) => ["zone " + z.zone + " valve " + (z.values.valve || "") + " controller " + (z.values.controller || "") + " " + tr("Zone") + " " + tr("Valve") + " " + tr("Controller"), tr("Zone {zone}", { zone: z.zone }), () => {
    map.fitBounds(L.latLngBounds(z.shape.flat(2)), { maxZoom: 20, animate: false });
    showCard(tr("Zone {zone}", { zone: z.zone }), zoneCard(z), true);
  }]),
  ...plan.fixtures.filter((f) => f.name && f.kind !== "head").map((f) => [f.kind.replace("_", " ") + " " + f.name, now(f.label) + " " + f.name, () => { map.setView(f.at, 20, { animate: false }); }]),
].map(([words, title, open]) => [words.toLowerCase(), title, open]);
const MOST_FOUND = 12;
function findBox() {
  const input = make("input", { type: "search", id: "find", autocomplete: "off", placeholder: tr("A zone, valve, sensor or controller") });
  Object.assign(input.style, { minHeight: "44px", width: "100%", fontSize: "16px", boxSizing: "border-box" });
  const found = make("ul", { class: "found" });
  const told = make("p", { class: "small", role: "status" });
  const look = () => {
    const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
    const whole = ([, title]) => title.toLowerCase().endsWith(" " + words[words.length - 1]); // of that very name
    const hits = words.length ? lookedFor.filter(([name]) => words.every((w) => name.includes(w))).sort((a, b) => whole(b) - whole(a)) : [];
    told.textContent = !words.length ? "" : hits.length ? (hits.length > MOST_FOUND ? tr("{count} found, the first {listed} are listed", { count: hits.length, listed: MOST_FOUND }) : tr("{count} found", { count: hits.length })) : tr("Nothing is called that.");
    found.replaceChildren(...hits.slice(0, MOST_FOUND).map(([, title, open]) => make("li", {}, opens(title, open))));
  };
  input.addEventListener("input", look);
  input.addEventListener("keydown", (e) => { const first = found.querySelector("button"); if (e.key === "Enter" && first) first.click(); });
  return make("form", { role: "search", on: { submit: (e) => e.preventDefault() } }, make("label", { for: "find", text: tr("Find") }), input, told, found);
}
byId("panel-body").prepend(findBox());
