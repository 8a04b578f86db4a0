/* The field page: what the crew does and finds, sensor by sensor, kept on this device and handed on as one file. */
const FIELD = plan.field;
const METRIC_US = FIELD.units === "us" ? 1 : 0;
const told = (pair) => (typeof pair === "string" ? pair : pair[METRIC_US]);
const span = (metres) => {
  const edge = plan.length[METRIC_US];
  return digits(metres * edge.factor, 2) + " " + edge.label;
};
const two = (n) => String(n).padStart(2, "0");
const clock = (at) => at.getFullYear() + "-" + two(at.getMonth() + 1) + "-" + two(at.getDate()) + "T" + two(at.getHours()) + ":" + two(at.getMinutes());
const shownTime = (text) => (/^\d{4}-\d\d-\d\dT/.test(text) ? text.replace("T", " ") : text);
const SHOWN = { yes: tr("yes"), no: tr("no"), left: tr("left"), right: tr("right"), device: tr("device") };
const shownWord = (word) => SHOWN[word] || word;
const STEP_OF = (id) => FIELD.sensors[id].steps;
const ids = FIELD.order;

/* ---- kept on the device ---------------------------------------------------------------------
   One row per answer: plan, property, sensor, name, value, at (when), by (which device), other (what
   another device says, where it differs). Emptied answers stay as empty rows: a merge must see them. */
const answers = new Map();
const keyOf = (sensor, name) => sensor + "\n" + name;
const answer = (sensor, name) => answers.get(keyOf(sensor, name));
const valueOf = (sensor, name) => (answer(sensor, name) || { value: "" }).value;
let base = null;
let device = "";
let earlier = [];
const stored = { words: tr("Opening what is kept on this device …"), bad: false };
const stateOf = (words, bad) => { Object.assign(stored, { words, bad: Boolean(bad) }); showStored(); };
const NOT_KEPT = tr("This browser keeps nothing for this page: save the file before you close it.");
const asPromise = (request) => new Promise((good, bad) => { request.onsuccess = () => good(request.result); request.onerror = () => bad(request.error); });
function openBase() {
  return new Promise((good, bad) => {
    const request = indexedDB.open("siting-field", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("answers", { keyPath: ["plan", "sensor", "name"] });
    request.onsuccess = () => good(request.result);
    request.onerror = () => bad(request.error);
    request.onblocked = () => bad(new Error("blocked"));
  });
}
/* Strict: written through to the disk, so that a battery that dies a second later takes nothing along. */
const writing = () => {
  try { return base.transaction("answers", "readwrite", { durability: "strict" }); } catch { return base.transaction("answers", "readwrite"); }
};
function keep(rows) {
  for (const row of rows) answers.set(keyOf(row.sensor, row.name), row);
  refresh();
  if (!base) { unsaved = true; stateOf(NOT_KEPT, true); return Promise.resolve(); }
  return new Promise((done) => {
    const failed = (why) => { unsaved = true; stateOf(tr("Not kept on this device ({why}): save the file now.", { why }), true); done(); };
    try {
      const work = writing();
      for (const row of rows) work.objectStore("answers").put(row);
      work.oncomplete = () => { stateOf(tr("Kept on this device, {time}.", { time: shownTime(clock(new Date())).slice(11) })); done(); };
      work.onabort = work.onerror = () => failed(work.error ? work.error.name : "error");
    } catch (fault) { failed(fault.name); }
  });
}
const rowOf = (sensor, name, value) => ({ plan: FIELD.plan, property: FIELD.property, sensor, name, value, at: new Date().toISOString(), by: device });
const set = (sensor, name, value) => keep([rowOf(sensor, name, value)]);
async function openKept() {
  const fresh = [...crypto.getRandomValues(new Uint8Array(4))].map((b) => b.toString(16).padStart(2, "0")).join("");
  device = fresh;
  try {
    base = await openBase();
    base.onversionchange = () => base.close();
    const rows = await asPromise(base.transaction("answers").objectStore("answers").getAll());
    const own = rows.find((r) => r.plan === "" && r.name === "device");
    device = own ? own.value : fresh;
    if (!own) writing().objectStore("answers").put({ plan: "", property: "", sensor: "", name: "device", value: fresh });
    for (const row of rows) if (row.plan === FIELD.plan && FIELD.sensors[row.sensor] && !answers.has(keyOf(row.sensor, row.name))) answers.set(keyOf(row.sensor, row.name), row);
    earlier = rows.filter((r) => r.property === FIELD.property && r.plan && r.plan !== FIELD.plan && r.value !== "");
    stateOf(answers.size ? tr("Kept on this device: what was answered before is here.") : tr("What you answer is kept on this device as you type."));
    if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => {});
  } catch {
    base = null;
    stateOf(NOT_KEPT, true);
  }
  if (!byId("field").hidden) open_(openId);
  refresh();
}

/* ---- checks: the limits are those of the readings sheet, written into this page ------------- */
const NUMBER = /^[-+]?(\d+([.,]\d*)?|[.,]\d+)$/;
const PARTS = /^(?:(\d+)[ -]+)?(\d+)\/(\d+)$/;
function amount(text, column) {
  const plain = text.trim().replace("−", "-");
  if (NUMBER.test(plain)) return Number(plain.replace(",", "."));
  const parts = column.unit === "in" && plain.match(PARTS);
  return parts && Number(parts[3]) ? Number(parts[1] || 0) + Number(parts[2]) / Number(parts[3]) : NaN;
}
/* A length or number in our unit; NaN where it is empty or no number. */
function figure(sensor, head) {
  const text = valueOf(sensor, head);
  return text.trim() ? amount(text, FIELD.columns[head]) * FIELD.columns[head].factor : NaN;
}
const moment = (sensor, name) => { const text = valueOf(sensor, name); return text ? new Date(text.length > 10 ? text : text + "T00:00") : null; };
/* What the columns of one name say together: feet and inches. */
function metresOf(sensor, name) {
  const heads = FIELD.heads[name] || [];
  const known = heads.map((h) => figure(sensor, h)).filter((v) => !Number.isNaN(v));
  return known.length ? known.reduce((a, b) => a + b, 0) : NaN;
}
function cellFault(sensor, head) {
  const column = FIELD.columns[head];
  const text = valueOf(sensor, head).trim();
  if (!text || column.kind === "text") return "";
  if (column.kind === "word") return column.allowed.includes(text) ? "" : tr("One of: {words}.", { words: column.allowed.map(shownWord).join(", ") });
  if (column.kind === "flag") return ["yes", "no"].includes(text) ? "" : tr("yes or no.");
  if (column.kind === "time") {
    const year = Number(text.slice(0, 4));
    return moment(sensor, head) && !Number.isNaN(moment(sensor, head).getTime()) && year >= FIELD.years[0] && year <= FIELD.years[1] ? "" : tr("A date of {first} to {last}.", { first: FIELD.years[0], last: FIELD.years[1] });
  }
  const value = figure(sensor, head);
  if (Number.isNaN(value)) return tr("Write {words}.", { words: column.says });
  const pair = FIELD.heads[column.name];
  if (pair.length > 1) {
    const [feet, inches] = pair;
    if (head === inches && valueOf(sensor, feet).trim() && value >= FIELD.columns[feet].factor) return tr("Inches below 12.");
    if (head === feet && valueOf(sensor, inches).trim() && !Number.isInteger(amount(text, column))) return tr("Whole feet beside inches.");
    const all = metresOf(sensor, column.name);
    return all < column.low || all > column.high ? tr("Feet and inches together: {words}.", { words: FIELD.columns[feet].says }) : "";
  }
  return (column.low !== null && value < column.low) || (column.high !== null && value > column.high) ? tr("Write {words}.", { words: column.says }) : "";
}
function readingFault(sensor, n) {
  const name = "reading_" + n;
  const value = figure(sensor, name);
  if (Number.isNaN(value)) return "";
  const unit_ = valueOf(sensor, "reading_unit");
  if (!unit_) return tr("Choose the unit of the readings.");
  const [low, high] = FIELD.unit_ranges[unit_] || [null, null];
  if ((low !== null && value < low) || (high !== null && value > high)) {
    const hint = unit_ === "%" && value > 0 && value < 1 ? " " + tr("It looks like m3/m3.") : unit_ === "m3/m3" && value > 1 ? " " + tr("It looks like per cent.") : unit_ === "kPa" && value < 0 ? " " + tr("Write tension without its minus sign.") : "";
    return (high === null ? tr("{low} {unit} or more.", { low, unit: unit_ }) : tr("{low} to {high} {unit}.", { low, high, unit: unit_ })) + hint;
  }
  return moment(sensor, name + "_at") ? "" : tr("Write when it was read.");
}
function timeFault(sensor, name) {
  const at = moment(sensor, name);
  if (!at) return "";
  const order = ["buried_on", "soaked_at", "reading_1_at", "reading_2_at", "reading_3_at"];
  const before = order.slice(0, order.indexOf(name)).map((n) => [moment(sensor, n), n]).filter(([t]) => t && t > at);
  return before.length ? { buried_on: tr("This is before the burial."), soaked_at: tr("This is before the soaking."), reading_1_at: tr("This is before reading 1."), reading_2_at: tr("This is before reading 2.") }[before[0][1]] : "";
}
function placeFault(sensor) {
  const [lat, lon] = [figure(sensor, "lat"), figure(sensor, "lon")];
  if (Number.isNaN(lat) && Number.isNaN(lon)) return "";
  if (Number.isNaN(lat) || Number.isNaN(lon)) return tr("Both coordinates, or none.");
  const [y, x] = FIELD.at;
  if (Math.abs(lat - y) < FIELD.far_deg && Math.abs(lon - x) < FIELD.far_deg) return "";
  return Math.abs(lat - x) < FIELD.far_deg && Math.abs(lon - y) < FIELD.far_deg ? tr("Latitude and longitude are swapped.") : tr("This is not on the property: check the signs and digits.");
}
function faultOf(sensor, head) {
  const own = cellFault(sensor, head);
  if (own) return own;
  const reading = head.match(/^reading_(\d)$/);
  if (reading) return readingFault(sensor, reading[1]);
  if (FIELD.columns[head].kind === "time") return timeFault(sensor, head);
  return head === "lat" || head === "lon" ? placeFault(sensor) : "";
}

/* ---- tapes: where the sensor lies by them, as the readings are judged at the office ---------- */
const T = FIELD.tape;
/* Least squares from a start; ties as {at, metres, normal (of an edge) or null}, in metres from the planned point. */
function solve(ties, start) {
  let [x, y] = start;
  const leftAt = (px, py) => ties.map((t) => t.metres - (t.normal ? (px - t.at[0]) * t.normal[0] + (py - t.at[1]) * t.normal[1] : Math.hypot(px - t.at[0], py - t.at[1])));
  const sum = (values) => values.reduce((a, v) => a + v * v, 0);
  let damp = 1e-6;
  let a = 0, b = 0, c = 0;
  for (let turn = 0; turn < 200; turn++) {
    let gx = 0, gy = 0;
    a = b = c = 0;
    const left = leftAt(x, y);
    ties.forEach((t, k) => {
      const reach = Math.max(Math.hypot(x - t.at[0], y - t.at[1]), 1e-9);
      const [ux, uy] = t.normal || [(x - t.at[0]) / reach, (y - t.at[1]) / reach];
      a += ux * ux; b += ux * uy; c += uy * uy;
      gx += ux * left[k]; gy += uy * left[k];
    });
    const det = (a + damp) * (c + damp) - b * b;
    const [dx, dy] = [((c + damp) * gx - b * gy) / det, ((a + damp) * gy - b * gx) / det];
    if (sum(leftAt(x + dx, y + dy)) <= sum(left)) { x += dx; y += dy; damp = Math.max(damp / 10, 1e-12); } else damp *= 10;
    if (Math.hypot(dx, dy) < 1e-9 || damp > 1e6) break;
  }
  const left = leftAt(x, y);
  const det = a * c - b * b;
  const spare = ties.length - 2;
  const scatter = spare > 0 ? Math.sqrt(sum(left) / spare) : 0;
  const error = det > 1e-8 * (a + c) ** 2 ? Math.max(T.sigma, scatter) * Math.sqrt((a + c) / det) : Infinity;
  return { x, y, left, misfit: sum(left), error };
}
function gpsOf(sensor) {
  const [lat, lon] = [figure(sensor, "lat"), figure(sensor, "lon")];
  if (Number.isNaN(lat) || Number.isNaN(lon) || placeFault(sensor)) return null;
  const [north, east] = offset(plan.sensors.find((s) => s.id === sensor).at, [lat, lon]);
  const stated = metresOf(sensor, "gps_error");
  return { x: east, y: north, error: Number.isNaN(stated) ? T.gps_error : stated };
}
/* {fault} or {fix, words} or null where nothing was taped. */
function tapes(sensor) {
  const all = FIELD.sensors[sensor].ties.map((t) => ({ ...t, metres: metresOf(sensor, "tie_" + t.n) }));
  const ties = all.filter((t) => !Number.isNaN(t.metres));
  const gps = gpsOf(sensor);
  if (!ties.length) return gps ? { fix: gps, how: tr("the phone") } : null;
  if (ties.length < 2) return { fault: gps ? "" : tr("One tape does not fix a point: tape the next one too."), fix: gps, how: tr("the phone") };
  const misses = (m) => tr("The tapes miss each other by {gap} where {usual} is usual: one was misread, or taken from another point. Measure again.", { gap: span(m), usual: span(T.sigma) });
  let fix;
  if (ties.some((t) => t.normal)) {
    fix = solve(ties, [0, 0]);
    const worst = Math.max(...fix.left.map(Math.abs));
    if (worst > T.blunder * T.sigma) return { fault: misses(worst) };
  } else {
    const [one, other] = ties;
    const [bx, by] = [other.at[0] - one.at[0], other.at[1] - one.at[1]];
    const reach = Math.hypot(bx, by);
    const gap = Math.max(reach - one.metres - other.metres, Math.abs(one.metres - other.metres) - reach);
    if (gap > T.blunder * T.sigma) return { fault: tr("These two tapes do not meet ({gap} short): one was misread, or taken from another point. Measure again.", { gap: span(gap) }) };
    const along = (one.metres ** 2 - other.metres ** 2 + reach ** 2) / (2 * reach);
    const off = Math.max(Math.sqrt(Math.max(one.metres ** 2 - along ** 2, 0)), 1e-3);
    const [ux, uy] = [bx / reach, by / reach];
    const both = [1, -1].map((turn) => solve(ties, [one.at[0] + along * ux - turn * off * uy, one.at[1] + along * uy + turn * off * ux]));
    const better = both[0].misfit <= both[1].misfit ? both[0] : both[1];
    const worse = better === both[0] ? both[1] : both[0];
    const apart = Math.hypot(both[0].x - both[1].x, both[0].y - both[1].y);
    const side = valueOf(sensor, "side");
    if (apart < T.same * Math.min(Math.max(both[0].error, both[1].error), 10 * T.sigma)) fix = better;
    else if (ties.length > 2 && worse.misfit - better.misfit > (T.blunder * T.sigma) ** 2) fix = better;
    else if (side) fix = side === "left" ? both[0] : both[1];
    else if (gps) {
      const gaps = both.map((f) => Math.hypot(f.x - gps.x, f.y - gps.y));
      if (Math.abs(gaps[0] - gaps[1]) > T.sure * gps.error) fix = gaps[0] < gaps[1] ? both[0] : both[1];
    }
    if (!fix) return { fault: tr("Two places {gap} apart fit these tapes: choose the side, or tape a third one.", { gap: span(apart) }) };
    const worst = Math.max(...fix.left.map(Math.abs));
    if (ties.length > 2 && worst > T.blunder * T.sigma) return { fault: misses(worst) };
    const swapped = [other, one].map((t) => Math.hypot(t.at[0], t.at[1]));
    if (ties.length === 2 && Math.hypot(fix.x, fix.y) >= T.far && Math.max(Math.abs(swapped[0] - one.metres), Math.abs(swapped[1] - other.metres)) < T.near) return { fault: tr("They lead to the plan only when they are exchanged: are these two tapes swapped?") };
  }
  if (gps) {
    const gap = Math.hypot(gps.x - fix.x, gps.y - fix.y);
    if (gap > T.agree * Math.hypot(gps.error, fix.error)) return { fault: tr("Tapes and phone lie {gap} apart, more than their errors explain: one of them is wrong.", { gap: span(gap) }) };
  }
  return { fix, how: tr("these tapes") };
}
function tapeWords(sensor) {
  const found = tapes(sensor);
  if (!found) return ["", false];
  if (found.fault) return [found.fault, true];
  if (!found.fix) return ["", false];
  const away = Math.hypot(found.fix.x, found.fix.y);
  const towards = WINDS[Math.round(Math.atan2(found.fix.x, found.fix.y) / (Math.PI / 4) + 8) % 8];
  const fields = { how: found.how, length: span(away), direction: towards, error: span(found.fix.error) };
  return [away > 0.005 ? tr("By {how} it lies {length} {direction} from the plan; error of this {error}.", fields) : tr("By {how} it lies {length} from the plan; error of this {error}.", fields), false];
}
function tieWords(sensor, n) {
  const tie = FIELD.sensors[sensor].ties.find((t) => t.n === n);
  const built = metresOf(sensor, "tie_" + n);
  if (Number.isNaN(built)) return "";
  const by = built - tie.planned;
  const length_ = { length: span(Math.abs(by)) };
  return Math.abs(by) < 0.005 ? tr("as planned") : by > 0 ? tr("{length} longer than the plan", length_) : tr("{length} shorter than the plan", length_);
}

/* ---- the clock: it runs from the time of the soaking that is kept, open or closed ------------ */
function waiting(sensor) {
  const soaked = moment(sensor, "soaked_at");
  if (!soaked || Number.isNaN(soaked.getTime()) || valueOf(sensor, "reading_1").trim()) return null;
  const due = new Date(soaked.getTime() + 3600000 * FIELD.sensors[sensor].wait_h);
  const left = due - Date.now();
  const minutes = Math.ceil(Math.abs(left) / 60000);
  const time = (minutes >= 60 ? Math.floor(minutes / 60) + " h " : "") + (minutes % 60) + " min";
  return { left, words: left > 0 ? tr("Read from {due} on: {time} left.", { due: shownTime(clock(due)), time }) : tr("Read it now: it was due at {due}.", { due: shownTime(clock(due)) }) };
}
function earlyWords(sensor, n) {
  const [soaked, at] = [moment(sensor, "soaked_at"), moment(sensor, "reading_" + n + "_at")];
  if (!soaked || !at || at < soaked) return "";
  const hours = (at - soaked) / 3600000;
  return hours + 0.5 < FIELD.sensors[sensor].wait_h ? tr("Read {hours} h after the soaking, where the plan asks for {wait} h: read again later.", { hours: hours.toFixed(0), wait: FIELD.sensors[sensor].wait_h }) : "";
}

/* ---- what is shown -------------------------------------------------------------------------- */
const shown = [];
let openId = "";
const ticked = (sensor) => STEP_OF(sensor).filter((s) => valueOf(sensor, "tick/" + s.id) === "yes").length;
const wrongIn = (sensor) => Object.keys(FIELD.columns).filter((head) => faultOf(sensor, head)).length + (tapeWords(sensor)[1] ? 1 : 0);
const differing = () => [...answers.values()].filter((row) => row.other);
const photosOf = (sensor) => [...answers.values()].filter((row) => row.sensor === sensor && row.name.startsWith("photo/") && row.value);
function showStored() {
  const node = byId("field-kept");
  if (node) { node.textContent = stored.words; node.classList.toggle("wrong", stored.bad); }
  const count = new Set([...answers.values()].filter((r) => r.value !== "").map((r) => r.sensor)).size;
  byId("field-open").textContent = count ? tr("Field ({count} begun)", { count }) : tr("Field");
}
function refresh() { for (const put of shown) put(); showStored(); }
function live(node, put) {
  const run = () => put(node);
  run();
  shown.push(run);
  return node;
}
const hint = (words, bad) => live(make("p", { class: "hint", role: "status" }), (node) => {
  const text = words();
  if (node.textContent !== text) node.textContent = text;
  node.hidden = !text;
  node.classList.toggle("wrong", Boolean(bad && bad()));
});
/* Where another device says something else: both are shown, nobody chooses in silence. */
function conflict(sensor, name) {
  return live(make("div", { class: "differs", role: "group", "aria-label": tr("Two devices differ") }), (node) => {
    const row = answer(sensor, name);
    node.hidden = !(row && row.other);
    if (node.hidden) { node.replaceChildren(); return; }
    const word = (v) => shownTime(v === "" ? tr("nothing") : shownWord(v));
    const when = (r) => shownTime(clock(new Date(r.at)));
    node.replaceChildren(make("p", { text: tr("Two devices differ: {mine} ({when}) and {theirs} ({then}).", { mine: word(row.value), when: when(row), theirs: word(row.other.value), then: when(row.other) }) }),
      make("button", { type: "button", text: tr("Take {answer}", { answer: word(row.value) }), on: { click: () => settle(row, row.value) } }),
      make("button", { type: "button", text: tr("Take {answer}", { answer: word(row.other.value) }), on: { click: () => settle(row, row.other.value) } }));
  });
}
const settle = (row, value) => set(row.sensor, row.name, value).then(() => open_(openId));
const bound = (sensor, head) => "field-" + sensor + "-" + head;
function entry(sensor, head) {
  const column = FIELD.columns[head];
  const id = bound(sensor, head);
  const words = column.label + (column.unit ? ", " + column.unit : "");
  let input;
  if (column.kind === "word" || column.kind === "flag") {
    input = make("select", { id }, make("option", { value: "", text: "–" }), ...(column.kind === "flag" ? ["yes", "no"] : column.allowed).map((w) => make("option", { value: w, text: shownWord(w) })));
  } else if (column.kind === "text") input = make("textarea", { id, rows: "2" });
  else if (column.kind === "time") input = make("input", { id, type: column.day ? "date" : "datetime-local" });
  else input = make("input", { id, type: "text", inputmode: "decimal", autocomplete: "off" });
  input.value = valueOf(sensor, head);
  input.addEventListener(input.tagName === "SELECT" ? "change" : "input", () => {
    const rows = [rowOf(sensor, head, input.value)];
    const reading = head.match(/^reading_\d$/);
    if (reading && input.value.trim() && !valueOf(sensor, head + "_at")) rows.push(rowOf(sensor, head + "_at", clock(new Date())));
    if (reading && input.value.trim() && !valueOf(sensor, "reading_unit")) rows.push(rowOf(sensor, "reading_unit", "%"));
    keep(rows);
    for (const row of rows.slice(1)) { const node = byId(bound(sensor, row.name)); if (node) node.value = row.value; }
  });
  const fault = hint(() => faultOf(sensor, head), () => true);
  fault.id = id + "-fault";
  input.setAttribute("aria-describedby", fault.id);
  live(input, () => input.setAttribute("aria-invalid", String(Boolean(faultOf(sensor, head)))));
  const parts = [make("label", { for: id, text: words }), input];
  if (column.kind === "time" && !column.day) parts.push(make("button", { type: "button", text: tr("Now"), "aria-label": tr("Now: {what}", { what: column.label }), on: { click: () => { input.value = clock(new Date()); set(sensor, head, input.value); } } }));
  return make("div", { class: parts.length > 2 ? "entry timed" : "entry" }, ...parts, fault, conflict(sensor, head));
}
function stepNode(sensor, step, number) {
  const id = "tick-" + sensor + "-" + step.id;
  const box = make("input", { type: "checkbox", id });
  box.checked = valueOf(sensor, "tick/" + step.id) === "yes";
  box.addEventListener("change", () => {
    const rows = [rowOf(sensor, "tick/" + step.id, box.checked ? "yes" : "")];
    if (box.checked && step.stamps && !valueOf(sensor, step.stamps)) {
      const at = clock(new Date());
      rows.push(rowOf(sensor, step.stamps, FIELD.columns[step.stamps].day ? at.slice(0, 10) : at));
      byId(bound(sensor, step.stamps)).value = rows[1].value;
    }
    keep(rows);
  });
  const more = { tapes: tapePart, reading: readingPart }[step.id];
  return make("li", { class: "step" }, make("div", { class: "tick" }, box, make("label", { for: id, text: number + ". " + step.title })),
    make("p", { class: "small" }, told(step.words)), ...(more ? more(sensor) : step.fields.map((head) => entry(sensor, head))));
}
function tapePart(sensor) {
  const { ties, side } = FIELD.sensors[sensor];
  const each = ties.map((t) => make("div", { class: "tie" },
    make("p", {}, make("strong", { text: tr("Tape {number}", { number: t.n }) }), " ", t.normal ? tr("from {point}: plan {length}, the shortest from the edge", { point: t.from, length: told(t.told) }) : tr("from {point}: plan {length}", { point: t.from, length: told(t.told) })),
    make("div", { class: "pair" }, ...FIELD.heads["tie_" + t.n].map((head) => entry(sensor, head))),
    hint(() => tieWords(sensor, t.n))));
  const sided = ties.length > 1 && !ties.some((t) => t.normal) ? [entry(sensor, "side"), make("p", { class: "small", text: side === "left" ? tr("Plan: on the left.") : tr("Plan: on the right.") })] : [];
  return [...each, ...sided, hint(() => tapeWords(sensor)[0], () => tapeWords(sensor)[1]), gpsPart(sensor)];
}
function gpsPart(sensor) {
  const status = make("p", { class: "hint", role: "status" });
  let watching = null;
  const stop = () => { if (watching !== null) navigator.geolocation.clearWatch(watching); watching = null; button_.textContent = tr("Position from this phone"); };
  const button_ = make("button", { type: "button", text: tr("Position from this phone") });
  button_.addEventListener("click", () => {
    if (watching !== null) { stop(); return; }
    if (!navigator.geolocation) { status.textContent = tr("This device does not tell its place."); return; }
    let best = Infinity;
    status.textContent = tr("Looking for your place: hold the phone over the sensor …");
    button_.textContent = tr("Stop");
    watching = navigator.geolocation.watchPosition((fix) => {
      const { latitude, longitude, accuracy } = fix.coords;
      const head = FIELD.heads.gps_error[0];
      const column = FIELD.columns[head];
      if (accuracy > column.high) { status.textContent = tr("Known only to ± {length}: too coarse to write down. Wait, or use the tapes.", { length: span(accuracy) }); return; }
      if (accuracy >= best) return;
      best = accuracy;
      const error = Math.max(accuracy / column.factor, 0.01).toFixed(2);
      const rows = [["lat", latitude.toFixed(7)], ["lon", longitude.toFixed(7)], [head, error]].map(([name, value]) => rowOf(sensor, name, value));
      keep(rows);
      for (const row of rows) byId(bound(sensor, row.name)).value = row.value;
      status.textContent = tr("Known to ± {length}. Leave it running to get it better; a tape is better still.", { length: span(accuracy) });
    }, (fault) => { status.textContent = fault.code === 1 ? tr("Your place was not shared. Allow location for this page, or use the tapes.") : tr("Your place could not be found. Use the tapes."); if (fault.code === 1) stop(); },
    { enableHighAccuracy: true, maximumAge: 0, timeout: 30000 });
  });
  const put = ["lat", "lon", ...FIELD.heads.gps_error].map((head) => entry(sensor, head));
  return make("details", { class: "gps" }, make("summary", { text: tr("Position by GPS") }), make("p", { class: "small", text: tr("A phone is right to some metres, a tape to some centimetres: write both where you can.") }), button_, status, ...put);
}
function readingPart(sensor) {
  const one = (n) => [entry(sensor, "reading_" + n), entry(sensor, "reading_" + n + "_at"), hint(() => earlyWords(sensor, n))];
  const clock_ = hint(() => { const now_ = waiting(sensor); return now_ ? now_.words : ""; }, () => false);
  clock_.classList.add("timer");
  return [clock_, entry(sensor, "reading_unit"), ...one(1),
    make("details", {}, make("summary", { text: tr("Second and third reading, rain since") }), ...one(2), ...one(3), entry(sensor, "watered_since"), ...FIELD.heads.rain_since.map((head) => entry(sensor, head)))];
}
function photoPart(sensor) {
  const input = make("input", { type: "file", accept: "image/*", multiple: "", id: "field-photos-" + sensor });
  const status = make("p", { class: "hint", role: "status" });
  input.addEventListener("change", () => {
    for (const file of input.files) {
      if (!file.type.startsWith("image/")) { status.textContent = tr("That file is not a picture."); continue; }
      const reader = new FileReader();
      reader.addEventListener("load", () => smaller(reader.result, (url) => {
        if (!url) { status.textContent = tr("That picture could not be read."); return; }
        set(sensor, "photo/" + device + "-" + Date.now().toString(36) + Math.floor(performance.now()).toString(36), url);
      }, { longest: 1280, quality: 0.7 }));
      reader.addEventListener("error", () => { status.textContent = tr("That picture could not be read."); });
      reader.readAsDataURL(file);
    }
    input.value = "";
  });
  const list = live(make("div", { class: "photos" }), (node) => {
    const found = photosOf(sensor);
    if (node.dataset.shown === found.map((r) => r.name).join()) return;
    node.dataset.shown = found.map((r) => r.name).join();
    node.replaceChildren(...found.map((row, k) => make("figure", {}, make("img", { class: "photo", src: row.value, alt: tr("Photo {number} of sensor {sensor}", { number: k + 1, sensor }) }),
      make("button", { type: "button", text: tr("Remove photo {number}", { number: k + 1 }), on: { click: () => set(sensor, row.name, "") } }))));
  });
  return make("li", { class: "step" }, make("h3", { text: tr("Photos and notes") }), make("label", { for: input.id, text: tr("Photos: the hole with the tape in it, then filled in") }), input, status, list, entry(sensor, "note"));
}
function progress(sensor) {
  const steps = STEP_OF(sensor).length;
  const [done, wrong, wait] = [ticked(sensor), wrongIn(sensor), waiting(sensor)];
  return tr("{done} of {steps} done", { done, steps }) + (wrong ? "; " + tr("look at {count}", { count: wrong }) : "") + (wait && done < steps ? ". " + wait.words : "");
}
function listView() {
  const rows = ids.map((id, k) => {
    const words = live(make("span", { class: "small" }), (node) => { node.textContent = progress(id); });
    return make("li", {}, make("button", { type: "button", class: "stop", id: "stop-" + id, on: { click: () => open_(id, true) } }, make("strong", { text: (k + 1) + ". " + id }), " ", make("bdi", { text: tr("{zone}, valve {valve}", { zone: FIELD.sensors[id].zone, valve: FIELD.sensors[id].valve }) }), words));
  });
  const save = make("button", { type: "button", id: "field-save", class: "main", text: tr("Save field.json"), on: { click: saveFile } });
  const share = navigator.canShare && navigator.canShare({ files: [new File(["{}"], "field.json", { type: "application/json" })] })
    ? [make("button", { type: "button", text: tr("Send field.json"), on: { click: () => navigator.share({ files: [fieldFile()] }).catch(() => {}) } })] : [];
  const merge = make("input", { type: "file", accept: ".json,application/json", id: "field-merge" });
  const said = make("p", { class: "hint", role: "status", id: "field-merged" });
  merge.addEventListener("change", () => { const [file] = merge.files; if (file) file.text().then((text) => { said.textContent = mergeText(text); merge.value = ""; }); });
  const old = earlier.length ? [make("p", { class: "hint wrong" }, tr("This device also holds answers for an earlier plan of this property."), " ", make("button", { type: "button", text: tr("Save those as a file"), on: { click: () => handOver(new File([fileText(earlier)], "field-earlier.json", { type: "application/json" })) } }))] : [];
  return [make("p", { class: "small", text: FIELD.walk }), make("ol", { class: "stops" }, ...rows),
    hint(() => { const n = differing().length; return n ? trn("{count} answer differs between devices ({sensors}): open and choose.", "{count} answers differ between devices ({sensors}): open and choose.", n, { sensors: [...new Set(differing().map((r) => r.sensor))].join(", ") }) : ""; }, () => true),
    hint(() => { const n = ids.reduce((a, id) => a + wrongIn(id), 0); return n ? trn("{count} answer needs a second look: red in its list.", "{count} answers need a second look: red in its list.", n) : ""; }, () => true),
    make("div", { class: "acts" }, save, ...share), make("p", { class: "small", text: tr("One file with answers and photos. Send it as you send anything; the office reads it with: siting commission RESULTS --readings field.json --out RESULTS") }), ...old,
    make("label", { for: merge.id, text: tr("Bring in the field.json of another phone") }), merge, said];
}
function sensorView(sensor) {
  const place_ = ids.indexOf(sensor);
  const next = ids[place_ + 1];
  const at = FIELD.sensors[sensor];
  return [make("p", {}, make("bdi", { text: tr("{zone}, valve {valve}", { zone: at.zone, valve: at.valve }) })), live(make("p", { class: "small" }), (node) => { node.textContent = progress(sensor); }),
    make("p", { class: "cautions", text: plan.panel.cautions[0] }),
    make("ol", { class: "steps" }, ...STEP_OF(sensor).map((step, k) => stepNode(sensor, step, k + 1)), photoPart(sensor)),
    make("div", { class: "acts" }, make("button", { type: "button", text: tr("All sensors"), on: { click: () => open_("", true) } }),
      ...(next ? [make("button", { type: "button", class: "main", text: tr("Next: {sensor}", { sensor: next }), on: { click: () => open_(next, true) } })] : []))];
}
function open_(id, focus) {
  openId = id;
  shown.length = 0;
  byId("field-title").textContent = id ? tr("Sensor {sensor}", { sensor: id }) : trn("Field: {count} sensor", "Field: {count} sensors", ids.length);
  byId("field-body").replaceChildren(...(id ? sensorView(id) : listView()));
  byId("field-list").hidden = !id;
  showStored();
  if (focus) { byId("field").scrollTop = 0; byId("field-title").focus({ preventScroll: true }); }
}
function openField() {
  document.querySelector(".app").hidden = true;
  byId("field").hidden = false;
  open_(openId, true);
}
function closeField() {
  byId("field").hidden = true;
  document.querySelector(".app").hidden = false;
  map.invalidateSize({ animate: false });
  byId("field-open").focus();
}

/* ---- one file out, other files in ------------------------------------------------------------ */
function fileText(rows) {
  const list = rows.map(({ sensor, name, value, at, by, other, plan: from }) => ({ sensor, name, value, at, by, ...(other ? { other } : {}), ...(from === FIELD.plan ? {} : { plan: from }) }));
  list.sort((a, b) => (a.sensor + "\n" + a.name < b.sensor + "\n" + b.name ? -1 : 1));
  const zones_ = Object.fromEntries(ids.map((id) => [id, FIELD.sensors[id].zone]));
  return JSON.stringify({ format: FIELD.format, property: FIELD.property, plan: rows.length ? rows[0].plan : FIELD.plan, units: FIELD.units, zones: zones_, saved_at: new Date().toISOString(), answers: list }, null, 1) + "\n";
}
const fieldFile = () => new File([fileText([...answers.values()])], "field.json", { type: "application/json" });
function handOver(file) {
  const url = URL.createObjectURL(file);
  const link = make("a", { href: url, download: file.name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
}
function saveFile() {
  handOver(fieldFile());
  unsaved = false;
  const time = { time: shownTime(clock(new Date())).slice(11) };
  stateOf(base ? tr("field.json was handed to your downloads, {time}. It stays here too.", time) : tr("field.json was handed to your downloads, {time}.", time));
}
const isRow = (r) => r && typeof r === "object" && ["sensor", "name", "value", "at", "by"].every((k) => typeof r[k] === "string") && FIELD.sensors[r.sensor] && (!r.name.startsWith("photo/") || r.value === "" || /^data:image\/[a-z.+-]+;base64,[A-Za-z0-9+/=]+$/.test(r.value)) && !Number.isNaN(Date.parse(r.at));
/* Of one device the later answer counts; of two devices an empty one gives way, a tick of either counts, and else both are kept. */
function merged(mine, theirs) {
  const later = theirs.at > mine.at ? theirs : mine;
  if (mine.value === theirs.value) return mine.other ? mine : { ...later, other: theirs.other };
  if (mine.by === theirs.by) return { ...later, other: later === mine ? mine.other : undefined };
  if (mine.value === "" || theirs.value === "") return mine.value === "" ? theirs : mine;
  return { ...mine, other: { value: theirs.value, at: theirs.at, by: theirs.by } };
}
function mergeText(text) {
  let file;
  try { file = JSON.parse(text); } catch { return tr("That file cannot be read: is it a field.json?"); }
  if (!file || file.format !== FIELD.format || !Array.isArray(file.answers)) return tr("That is no field.json of this program.");
  if (file.property !== FIELD.property) return tr("That file is of another property.");
  if (file.plan !== FIELD.plan) return tr("That file was filled in on the map of another plan of this property: hand it to the office as it is.");
  const rows = file.answers.filter(isRow).map((r) => ({ plan: FIELD.plan, property: FIELD.property, sensor: r.sensor, name: r.name, value: r.value, at: r.at, by: r.by, ...(r.other && isRow({ ...r, ...r.other }) ? { other: { value: r.other.value, at: r.other.at, by: r.other.by } } : {}) }));
  const changed = rows.map((theirs) => { const mine = answer(theirs.sensor, theirs.name); return mine ? merged(mine, theirs) : theirs; }).filter((row) => row !== answer(row.sensor, row.name));
  const before = differing().length;
  keep(changed);
  const left = file.answers.length - rows.length;
  const more = differing().length - before;
  const words = [trn("{count} answer read.", "{count} answers read.", rows.length),
    more ? trn("{count} differs from this device: choose.", "{count} differ from this device: choose.", more) : tr("None differs from this device."),
    ...(left ? [tr("{count} could not be read.", { count: left })] : [])].join(" ");
  const body = byId("field-body").scrollTop;
  if (!openId) refresh();
  byId("field-body").scrollTop = body;
  return words;
}
byId("field-open").addEventListener("click", openField);
byId("field-close").addEventListener("click", closeField);
byId("field-list").addEventListener("click", () => open_("", true));
setInterval(() => { if (!byId("field").hidden) refresh(); }, 15000);
document.addEventListener("visibilitychange", () => { if (!document.hidden && !byId("field").hidden) refresh(); });
openKept();
