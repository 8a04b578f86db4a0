/* Where tags and names go on the map. */
/* Put every tag on the first free side of its spot, and every zone's name at the first of its places
   that is clear of tags, marks, tape distances and the buttons; a name without a free place is hidden. */
const TAG_AT = { up: [0, -26], right: [32, 0], left: [-32, 0], down: [0, 26] };
const apart = (r, t) => r.right <= t.left || t.right <= r.left || r.bottom <= t.top || t.bottom <= r.top;
const SHIFTS = [[0, 0], [18, 0], [-18, 0], [0, 7], [0, -7], [36, 0], [-36, 0]];
const boxAt = (x, y, w, h) => ({ left: x - w / 2, right: x + w / 2, top: y - h / 2, bottom: y + h / 2 });
const boxes = (selector) => [...document.querySelectorAll(selector)].map((n) => n.getBoundingClientRect()).filter((r) => r.width);
function tidyPins() {
  const nodes = pins.map((pin) => pin.getElement() && pin.getElement().firstChild).filter(Boolean);
  const spots = nodes.map((node) => node.querySelector(".spot").getBoundingClientRect());
  const tags = [];
  nodes.forEach((node, k) => {
    const size = node.querySelector(".tag").getBoundingClientRect();
    const [x, y] = [(spots[k].left + spots[k].right) / 2, (spots[k].top + spots[k].bottom) / 2];
    const at = (side) => {
      const [dx, dy] = TAG_AT[side];
      return boxAt(x + Math.sign(dx) * (12 + size.width / 2), y + Math.sign(dy) * (12 + size.height / 2), size.width, size.height);
    };
    const free = (side) => [...tags, ...spots.filter((_, i) => i !== k)].every((t) => apart(at(side), t));
    const side = Object.keys(TAG_AT).find(free);
    node.dataset.side = side || "up";
    const bare = !side && Boolean(plan.packed); // among hundreds it is a mark only, until one zooms in
    node.classList.toggle("bare", bare);
    if (!bare) tags.push(at(side || "up"));
  });
}
/* A fixture that is too close to something else to be tapped is a mark only, until one zooms in. */
function tidyGlyphs() {
  const far = map.getContainer().classList.contains("far");
  const taken = boxes(".pin, .pin .tag, .tools button, .layers, .hours, .measuring, .leaflet-popup");
  for (const node of document.querySelectorAll(".glyph")) {
    const r = node.getBoundingClientRect();
    const close = far || !taken.every((t) => apart(r, t));
    if (!close) taken.push(r);
    node.setAttribute("tabindex", close ? "-1" : "0");
    node.toggleAttribute("inert", close);
  }
}
/* A popup that the map's edge cuts, or whose cross lies under a button, is words only: the card holds the same. */
function tidyPopup() {
  const node = popup.isOpen() && popup.getElement();
  if (!node) return;
  const stage = map.getContainer().getBoundingClientRect();
  const r = node.getBoundingClientRect();
  const cross = node.querySelector(".leaflet-popup-close-button").getBoundingClientRect();
  const cut = r.top < stage.top || r.left < stage.left || r.right > stage.right || r.bottom > stage.bottom;
  node.toggleAttribute("inert", cut || !boxes(".tools button, .layers, .hours:not([hidden]), .measuring:not([hidden])").every((t) => apart(cross, t)));
}
/* While the map moves, fixtures and the popup slide under and over other things: no one taps them then. */
function restGlyphs() {
  const node = popup.isOpen() && popup.getElement();
  if (node && !node.contains(document.activeElement)) node.toggleAttribute("inert", true);
  for (const node of document.querySelectorAll(".glyph")) {
    if (node === document.activeElement) continue;
    node.setAttribute("tabindex", "-1");
    node.toggleAttribute("inert", true);
  }
}
function tidy() {
  tidyPins();
  tidyGlyphs();
  tidyPopup();
  writeDistances();
  const stage = map.getContainer().getBoundingClientRect();
  const taken = boxes(".pin .tag, .pin .spot, .tie-label span, .glyph svg, .tools button, .layers, .key:not([hidden]), .north, .leaflet-control-scale, .hours:not([hidden])");
  labels.forEach((label, k) => {
    const node = label.getElement() && label.getElement().firstChild;
    if (!node) return;
    const { width, height } = node.getBoundingClientRect();
    const own = zoneShapes[k].getElement().getBoundingClientRect();
    const fits = width <= 1.5 * own.width && height <= 1.25 * own.height;
    const places = plan.zones[k].label_places.map((at) => map.latLngToContainerPoint(at));
    const put = fits && SHIFTS.flatMap((by) => places.map((p) => p.add(by))).find((p) => {
      const r = boxAt(p.x + stage.left, p.y + stage.top, width, height);
      if (r.left < stage.left || r.right > stage.right || r.top < stage.top || r.bottom > stage.bottom) return false;
      if (!taken.every((t) => apart(r, t))) return false;
      taken.push(r);
      return true;
    });
    if (put) label.setLatLng(map.containerPointToLatLng(put));
    node.style.visibility = put ? "visible" : "hidden";
  });
}

