/* A page with many zones or trees: what only stands is drawn on canvas, and anything is found by name. */
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

/* Trunks are points when far away, so that they do not cover the map. */
const trunks = trees.getLayers().filter((layer) => layer instanceof L.CircleMarker && !(layer instanceof L.Circle));
const sizeTrunks = () => { const radius = map.getZoom() < 18 ? 0.5 : 3; for (const trunk of trunks) if (trunk.options.radius !== radius) trunk.setRadius(radius); };
map.on("zoomend", sizeTrunks);

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
    const hits = words.length ? lookedFor.filter(([name]) => words.every((w) => name.includes(w))) : [];
    told.textContent = !words.length ? "" : hits.length ? (hits.length > MOST_FOUND ? tr("{count} found, the first {listed} are listed", { count: hits.length, listed: MOST_FOUND }) : tr("{count} found", { count: hits.length })) : tr("Nothing is called that.");
    found.replaceChildren(...hits.slice(0, MOST_FOUND).map(([, title, open]) => make("li", {}, opens(title, open))));
  };
  input.addEventListener("input", look);
  input.addEventListener("keydown", (e) => { const first = found.querySelector("button"); if (e.key === "Enter" && first) first.click(); });
  return make("form", { role: "search", on: { submit: (e) => e.preventDefault() } }, make("label", { for: "find", text: tr("Find") }), input, told, found);
}
byId("panel-body").prepend(findBox());
