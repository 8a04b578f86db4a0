/* Sun through the day and the season: sliders that choose among the embedded pictures. */
const SEASON = { label: tr("Mean of the season"), url: plan.overlays.sun.url };
const sliders = { sun: [SEASON, ...plan.sun.months], day: 0 };
const shadeFrames = () => plan.sun.days[sliders.day].frames;
function slider(id, title, frames, start, show) {
  const input = make("input", { type: "range", id, min: 0, max: frames().length - 1, step: 1, value: start });
  const out = make("output", { for: id, class: "reading" });
  const put = () => {
    const frame = frames()[input.valueAsNumber];
    out.textContent = frame.label;
    input.setAttribute("aria-valuetext", frame.label);
    show(frame);
  };
  input.addEventListener("input", put);
  return { input, put, node: make("div", { class: "slide" }, make("label", { for: id, text: title }), out, input) };
}
function sunControls() {
  if (!plan.sun.days.length) return;
  const months = slider("sun-month", tr("Direct sun"), () => sliders.sun, 0, (f) => pictures.sun.setUrl(f.url));
  const noon = () => Math.max(0, shadeFrames().findIndex((f) => f.label === "12:00"));
  const hours = slider("sun-hour", tr("Shade at"), shadeFrames, noon(), (f) => pictures.shade.setUrl(f.url));
  hours.node.append(make("span", { class: "small", text: tr("By the sun’s own time: it is highest at 12:00.") }));
  const day = make("select", { id: "sun-day", "aria-label": tr("Day of the year") },
    ...plan.sun.days.map((d, k) => make("option", { value: k, text: d.label })));
  day.addEventListener("change", () => {
    const label = shadeFrames()[hours.input.valueAsNumber].label;
    sliders.day = Number(day.value);
    hours.input.max = shadeFrames().length - 1;
    const same = shadeFrames().findIndex((f) => f.label === label);
    hours.input.value = same >= 0 ? same : noon();
    hours.put();
  });
  hours.node.prepend(day);
  months.put();
  hours.put();
  byId("hours").append(months.node, hours.node);
  Object.assign(sliders, { months, hours });
}
function showSunControls() {
  if (!sliders.months) return;
  const on = (layer) => map.hasLayer(layer);
  sliders.months.node.hidden = !on(pictures.sun);
  sliders.hours.node.hidden = !on(pictures.shade);
  byId("hours").hidden = !on(pictures.sun) && !on(pictures.shade);
}

