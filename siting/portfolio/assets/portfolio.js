"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const P = data.points, S = data.words, canvas = document.getElementById("map"), ctx = canvas.getContext("2d");
  const panel = document.getElementById("panel"), tip = document.getElementById("count");
  const CELL = 46, RAD = Math.PI / 180;
  const X = new Float64Array(P.length), Y = new Float64Array(P.length);
  P.forEach((p, i) => { X[i] = p[0] / 360 + 0.5; Y[i] = 0.5 - Math.log(Math.tan(Math.PI / 4 + p[1] * RAD / 2)) / (2 * Math.PI); });
  let view = null, drawn = [], chosen = -1, width = 0, height = 0;
  const bounds = () => {
    let a = Infinity, b = Infinity, c = -Infinity, d = -Infinity;
    for (let i = 0; i < P.length; i++) { a = Math.min(a, X[i]); b = Math.min(b, Y[i]); c = Math.max(c, X[i]); d = Math.max(d, Y[i]); }
    return P.length ? [a, b, c, d] : [0, 0, 1, 1];
  };
  const fit = ([a, b, c, d]) => {
    const span = Math.max((c - a) / (width - 80), (d - b) / (height - 80), 1e-9);
    view = { x: (a + c) / 2, y: (b + d) / 2, k: 1 / span };
    draw();
  };
  const colour = (p) => p[2] === null ? data.colours[0] : data.colours[1 + data.breaks.filter((b) => p[2] > b).length];
  const screen = (i) => [(X[i] - view.x) * view.k + width / 2, (Y[i] - view.y) * view.k + height / 2];
  function group() {
    const cells = new Map();
    for (let i = 0; i < P.length; i++) {
      const [x, y] = screen(i);
      if (x < -CELL || y < -CELL || x > width + CELL || y > height + CELL) continue;
      // Cells hang on the ground, not on the screen, so that groups do not change while it moves.
      const key = Math.floor(X[i] * view.k / CELL) + ":" + Math.floor(Y[i] * view.k / CELL);
      const cell = cells.get(key);
      if (cell) cell.push(i); else cells.set(key, [i]);
    }
    return [...cells.values()];
  }
  function draw() {
    ctx.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
    ctx.fillStyle = "#f4f1ea"; ctx.fillRect(0, 0, width, height);
    drawn = [];
    for (const ids of group()) {
      let best = ids[0], n = 0, sx = 0, sy = 0;
      for (const i of ids) { n += P[i][7]; const [x, y] = screen(i); sx += x; sy += y; if ((P[i][2] ?? -Infinity) > (P[best][2] ?? -Infinity)) best = i; }
      const x = sx / ids.length, y = sy / ids.length, r = n === 1 ? 6 : Math.min(22, 9 + 2.2 * Math.log2(n));
      ctx.beginPath();
      if (n === 1) { ctx.rect(x - r, y - r, 2 * r, 2 * r); } else { ctx.arc(x, y, r, 0, 2 * Math.PI); }
      ctx.fillStyle = colour(P[best]); ctx.fill();
      ctx.lineWidth = ids.includes(chosen) ? 4 : 1.5; ctx.strokeStyle = "#20302b"; ctx.stroke();
      if (n > 1) { ctx.fillStyle = "#10201b"; ctx.font = "600 12px system-ui, sans-serif"; ctx.textAlign = "center"; ctx.textBaseline = "middle"; const t = n > 9999 ? Math.round(n / 1000) + "k" : String(n); ctx.lineWidth = 4; ctx.strokeStyle = "#fff"; ctx.strokeText(t, x, y); ctx.fillText(t, x, y); }
      drawn.push({ x, y, r, ids, n });
    }
    scale();
    tip.textContent = S.shown.replace("{n}", drawn.reduce((a, d) => a + d.n, 0));
  }
  function scale() {
    const lat = Math.atan(Math.sinh(Math.PI * (1 - 2 * view.y))), perPixel = 40075016.7 * Math.cos(lat) / view.k;
    let m = 10 ** Math.floor(Math.log10(perPixel * 120)); if (m * 5 < perPixel * 120) m *= 5; else if (m * 2 < perPixel * 120) m *= 2;
    ctx.fillStyle = "#20302b"; ctx.fillRect(14, height - 18, m / perPixel, 3);
    ctx.font = "12px system-ui, sans-serif"; ctx.textAlign = "left"; ctx.textBaseline = "alphabetic";
    ctx.fillText(m >= 1000 ? m / 1000 + " km" : m + " m", 14, height - 24);
  }
  const line = (name, value) => { const dt = document.createElement("dt"), dd = document.createElement("dd"); dt.textContent = name; dd.textContent = value; return [dt, dd]; };
  const number = (v, unit) => v === null ? S.unknown : v.toLocaleString("en", { maximumFractionDigits: Math.abs(v) < 10 ? 1 : 0 }) + " " + unit;
  function show(i) {
    const p = P[i]; chosen = i; panel.replaceChildren();
    const h = document.createElement("h2"); h.textContent = p[5] || p[6]; panel.append(h);
    const dl = document.createElement("dl");
    if (p[7] > 1) { dl.append(...line(S.properties, String(p[7]))); }
    else { dl.append(...line(S.id, p[6]), ...line(S.status, p[8]), ...line(S.sensors, String(p[4]))); }
    dl.append(...line(S.value, number(p[2], p[10] + S.year)), ...line(S.saved, number(p[3] === null ? null : p[3] * data.volume.factor, data.volume.unit + S.year)));
    panel.append(dl);
    if (p[9]) { const a = document.createElement("a"); a.href = "handoff/" + p[9] + "/map.html"; a.textContent = S.open; panel.append(a); }
    draw();
  }
  const at = (e) => { const r = canvas.getBoundingClientRect(), x = e.clientX - r.left, y = e.clientY - r.top; return [x, y, drawn.findLast((d) => Math.hypot(d.x - x, d.y - y) < d.r + 4)]; };
  const zoom = (f, x, y) => { view.x += (x - width / 2) / view.k * (1 - 1 / f); view.y += (y - height / 2) / view.k * (1 - 1 / f); view.k *= f; draw(); };
  let drag = null;
  canvas.addEventListener("pointerdown", (e) => { drag = { x: e.clientX, y: e.clientY, moved: false }; canvas.setPointerCapture(e.pointerId); });
  canvas.addEventListener("pointermove", (e) => {
    if (!drag) { canvas.style.cursor = at(e)[2] ? "pointer" : "grab"; return; }
    const dx = e.clientX - drag.x, dy = e.clientY - drag.y;
    if (Math.hypot(dx, dy) > 3) drag.moved = true;
    if (drag.moved) { view.x -= dx / view.k; view.y -= dy / view.k; drag.x = e.clientX; drag.y = e.clientY; draw(); }
  });
  canvas.addEventListener("pointerup", (e) => {
    const moved = drag && drag.moved; drag = null; if (moved) return;
    const hit = at(e)[2]; if (!hit) return;
    if (hit.ids.length === 1) { show(hit.ids[0]); return; }
    let a = Infinity, b = Infinity, c = -Infinity, d = -Infinity;
    for (const i of hit.ids) { a = Math.min(a, X[i]); b = Math.min(b, Y[i]); c = Math.max(c, X[i]); d = Math.max(d, Y[i]); }
    if (c - a < 1e-10 && d - b < 1e-10) show(hit.ids[0]); else fit([a, b, c, d]);
  });
  canvas.addEventListener("wheel", (e) => { e.preventDefault(); const r = canvas.getBoundingClientRect(); zoom(Math.exp(-e.deltaY / 400), e.clientX - r.left, e.clientY - r.top); }, { passive: false });
  canvas.addEventListener("keydown", (e) => {
    const step = { ArrowLeft: [-60, 0], ArrowRight: [60, 0], ArrowUp: [0, -60], ArrowDown: [0, 60] }[e.key];
    if (step) { view.x += step[0] / view.k; view.y += step[1] / view.k; draw(); }
    else if (e.key === "+" || e.key === "=") zoom(1.4, width / 2, height / 2);
    else if (e.key === "-") zoom(1 / 1.4, width / 2, height / 2);
    else return;
    e.preventDefault();
  });
  document.getElementById("in").addEventListener("click", () => zoom(1.6, width / 2, height / 2));
  document.getElementById("out").addEventListener("click", () => zoom(1 / 1.6, width / 2, height / 2));
  document.getElementById("all").addEventListener("click", () => fit(bounds()));
  document.getElementById("find").addEventListener("input", (e) => {
    const word = e.target.value.trim().toLowerCase(); if (!word) return;
    const i = P.findIndex((p) => p[6].toLowerCase().startsWith(word) || p[5].toLowerCase().includes(word));
    if (i >= 0) { view = { x: X[i], y: Y[i], k: Math.max(view.k, 40075016.7 / 0.6) }; show(i); }
  });
  document.getElementById("top").addEventListener("click", (e) => {
    const row = e.target.closest("button[data-i]"); if (!row) return;
    const i = Number(row.dataset.i); view = { x: X[i], y: Y[i], k: Math.max(view.k, 40075016.7 / 0.6) }; show(i);
    canvas.scrollIntoView({ block: "nearest" });
  });
  function size() {
    const r = canvas.getBoundingClientRect(); width = r.width; height = r.height;
    canvas.width = Math.round(width * devicePixelRatio); canvas.height = Math.round(height * devicePixelRatio);
    if (view) draw(); else fit(bounds());
  }
  new ResizeObserver(size).observe(canvas); size();
})();
