/* What acts on the whole page: units, own place, tape measure, printing, and the start. */
/* ---- units, place, print ------------------------------------------------------------------ */
let bar = null;
function setUnits(k) {
  unit = k;
  byId("units-metric").setAttribute("aria-pressed", String(k === 0));
  byId("units-us").setAttribute("aria-pressed", String(k === 1));
  for (const put of onUnits) put();
  if (bar) bar.remove();
  bar = L.control.scale({ position: "bottomleft", metric: k === 0, imperial: k === 1, maxWidth: 140 }).addTo(map);
  if (place) showPlace();
  if (measuring) showMeasure();
  tidy();
}
let watch = null;
let place = null;
const you = L.layerGroup().addTo(map);
function showPlace() {
  const at = [place.latitude, place.longitude];
  you.clearLayers();
  you.addLayer(L.circle(at, { ...still, pane: "lines", radius: place.accuracy, color: plan.ink.accent, weight: 2, fillOpacity: 0.12 }));
  you.addLayer(L.circleMarker(at, { ...still, pane: "above", radius: 7, color: "#ffffff", weight: 3, fillColor: plan.ink.text, fillOpacity: 1 }));
  const near = plan.sensors.map((s) => [distance(at, s.at), s]).sort((a, b) => a[0] - b[0])[0];
  const sure = tr("Your place is known to ± {length}.", { length: length(place.accuracy) });
  announce(near ? tr("Sensor {sensor} is {length} {direction}.", { sensor: near[1].id, length: length(near[0]), direction: direction(at, near[1].at) }) + " " + sure : sure);
}
function locate() {
  if (watch !== null) {
    navigator.geolocation.clearWatch(watch);
    watch = place = null;
    you.clearLayers();
    announce("");
  } else if (!navigator.geolocation) {
    announce(tr("This device does not tell its place."));
  } else {
    announce(tr("Looking for your place …"));
    watch = navigator.geolocation.watchPosition(
      (fix) => {
        const first = place === null;
        place = fix.coords;
        showPlace();
        const at = L.latLng(place.latitude, place.longitude);
        if (first && L.latLngBounds(plan.bounds).pad(1).contains(at)) map.panInside(at, { padding: [80, 80] });
      },
      (fault) => {
        announce(fault.code === 1 ? tr("Your place was not shared. Allow location for this page, or use the ties.") : tr("Your place could not be found. Use the ties."));
        if (fault.code === 1) { navigator.geolocation.clearWatch(watch); watch = null; byId("locate").setAttribute("aria-pressed", "false"); }
      },
      { enableHighAccuracy: true, maximumAge: 2000, timeout: 20000 });
  }
  byId("locate").setAttribute("aria-pressed", String(watch !== null));
}

/* ---- measure ------------------------------------------------------------------------------ */
/* Points are tapped on the map (a tap on a mark takes the mark itself), or added at the cross in the
   middle from the keyboard; lengths are shown in both units. */
const tapeLayer = L.layerGroup().addTo(map);
const feet = (m) => {
  const inches = Math.round(m / 0.0254);
  return inches >= 12 ? tr("{feet} ft {inches} in", { feet: Math.floor(inches / 12), inches: inches % 12 }) : inches + " " + tr("in");
};
const lengths = (m) => (unit === 0 ? digits(m, 2) + " m (" + feet(m) + ")" : feet(m) + " (" + digits(m, 2) + " m)");
function showMeasure() {
  tapeLayer.clearLayers();
  const legs = measuring.slice(1).map((p, k) => distance(measuring[k], p));
  tapeLayer.addLayer(line(measuring, { pane: "above", color: "#ffffff", weight: 6, opacity: 0.9 }));
  tapeLayer.addLayer(line(measuring, { pane: "above", color: plan.ink.accent, weight: 3 }));
  for (const p of measuring) tapeLayer.addLayer(L.circleMarker(p, { ...still, pane: "above", radius: 5, color: plan.ink.accent, weight: 2, fillColor: "#ffffff", fillOpacity: 1 }));
  const total = legs.reduce((a, b) => a + b, 0);
  byId("measured").textContent = !measuring.length ? tr("Tap the first point.") : !legs.length ? tr("Tap the next point.")
    : legs.length === 1 ? lengths(total) + ", " + direction(measuring[0], measuring[1])
      : tr("{total} in {count} legs; the last {last}", { total: lengths(total), count: legs.length, last: lengths(legs[legs.length - 1]) });
  byId("measure-undo").disabled = !measuring.length;
}
function addPoint(at) {
  const point = Array.isArray(at) ? at : [at.lat, at.lng];
  measuring.push(point);
  showMeasure();
}
function measure() {
  if (!measuring) map.closePopup();
  measuring = measuring ? null : [];
  tapeLayer.clearLayers();
  byId("measuring").hidden = !measuring;
  byId("cross").hidden = !measuring;
  byId("measure").setAttribute("aria-pressed", String(Boolean(measuring)));
  map.getContainer().classList.toggle("tape", Boolean(measuring));
  if (map.getSize().x < 600) setHeight(measuring ? "low" : "middle");
  if (measuring) showMeasure();
}

/* ---- print -------------------------------------------------------------------------------- */
let seen = null;
function beforePrint() {
  if (byId("field").hidden === false) return;
  seen = { at: map.getCenter(), zoom: map.getZoom(), open: byId("layers").open };
  const whole = map.getBounds().contains(plan.bounds);
  const shown = whole ? L.latLngBounds(plan.bounds) : map.getBounds().pad(-0.1);
  document.documentElement.classList.add("printing");
  byId("layers").open = true;
  map.closePopup();
  map.invalidateSize({ animate: false });
  map.fitBounds(shown, { padding: [14, 14], animate: false });
}
function afterPrint() {
  if (!seen) return;
  document.documentElement.classList.remove("printing");
  byId("layers").open = seen.open;
  map.invalidateSize({ animate: false });
  map.setView(seen.at, seen.zoom, { animate: false });
  seen = null;
}
/* What the open legend and the buttons cover of the map. */
function clearance(above) {
  const list = byId("layers");
  const wide = map.getSize().x > 600;
  const right = WIDE.matches && list.open ? list.offsetWidth + 22 : 12;
  return { paddingTopLeft: [wide ? 104 : 30, (above || 0) + (wide ? 12 : 60)], paddingBottomRight: [right, wide ? 66 : 40] };
}
const fit = () => map.fitBounds(plan.bounds, { ...clearance(), animate: false });

/* ---- start -------------------------------------------------------------------------------- */
byId("name").textContent = plan.name;
byId("closer").addEventListener("click", () => map.zoomIn(1));
byId("farther").addEventListener("click", () => map.zoomOut(1));
byId("whole").addEventListener("click", fit);
byId("locate").addEventListener("click", locate);
byId("measure").addEventListener("click", measure);
byId("measure-add").addEventListener("click", () => addPoint(map.getCenter()));
byId("measure-undo").addEventListener("click", () => { measuring.pop(); showMeasure(); });
byId("measure-end").addEventListener("click", () => { measure(); byId("measure").focus(); });
byId("print").addEventListener("click", () => window.print());
byId("units-metric").addEventListener("click", () => setUnits(0));
byId("units-us").addEventListener("click", () => setUnits(1));
byId("taller").addEventListener("click", () => step(1));
byId("shorter").addEventListener("click", () => step(-1));
document.addEventListener("keydown", (e) => { if (e.key !== "Escape") return;
  if (measuring) { measure(); byId("measure").focus(); } else if (!card.hidden) closeCard();
});
window.addEventListener("beforeprint", beforePrint);
window.addEventListener("afterprint", afterPrint);
map.getContainer().setAttribute("aria-label", tr("Map of the property; arrow keys move it, plus and minus zoom"));
map.getContainer().setAttribute("role", "region");
map.on("click", (e) => { if (measuring) { addPoint(e.latlng); return; } const why = reasonsAt(e.latlng); if (why.length) openAt(e.latlng, why); });
map.on("zoomstart movestart", restGlyphs);
map.on("zoomend moveend", tidy);
/* Small marks when the whole property is in view, so that they do not cover it. */
function sizeMarks() {
  const metres = distance(...[[0, 0], [60, 0]].map((p) => { const at = map.containerPointToLatLng(p); return [at.lat, at.lng]; })) / 60;
  const far = metres > 0.22;
  map.getContainer().classList.toggle("far", far);
  for (const dot of heads) dot.setRadius(far ? 1.8 : 4.5).setStyle({ weight: far ? 0 : 1 });
}
map.on("zoomend", sizeMarks);
map.on("popupopen popupclose", tidy);
panel();
sunControls();
setHeight("middle");
layerList();
fit();
outline.addTo(map);
apply();
setUnits(unit);
