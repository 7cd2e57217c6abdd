"use strict";
// The viewer, the scale tool, single keys and the draft. Without it the page still shows, decides and keeps drafts.

const $ = (id) => document.getElementById(id);
const viewer = $("viewer"), sheet = $("sheet"), picture = $("picture"), marks = $("marks"), form = $("decision");
const view = { x: 0, y: 0, zoom: 1, turn: 0, light: 1 };
const fitted = { zoom: 1, keeps: false };

// --- what is seen --------------------------------------------------------------------------------------------

function apply() {
  sheet.style.transform = `translate(${view.x}px, ${view.y}px) rotate(${view.turn}deg) scale(${view.zoom})`;
  if (picture) picture.style.filter = `brightness(${view.light})`;
}

function size() {
  return [picture.naturalWidth, picture.naturalHeight];
}

function fit() {
  if (!picture || !picture.naturalWidth) return;
  const [w, h] = size(), box = viewer.getBoundingClientRect();
  const [tw, th] = view.turn % 180 ? [h, w] : [w, h];
  fitted.zoom = Math.min(box.width / tw, box.height / th);
  view.zoom = fitted.zoom;
  centre(w / 2, h / 2, box.width / 2, box.height / 2);
}

// Put the picture's point (px, py) at the viewer's point (vx, vy).
function centre(px, py, vx, vy) {
  const a = (view.turn * Math.PI) / 180, c = Math.cos(a) * view.zoom, s = Math.sin(a) * view.zoom;
  view.x = vx - (c * px - s * py);
  view.y = vy - (s * px + c * py);
  apply();
}

function under(vx, vy) {
  const a = (view.turn * Math.PI) / 180, x = (vx - view.x) / view.zoom, y = (vy - view.y) / view.zoom;
  return [Math.cos(a) * x + Math.sin(a) * y, -Math.sin(a) * x + Math.cos(a) * y];
}

function middle() {
  const box = viewer.getBoundingClientRect();
  return [box.width / 2, box.height / 2];
}

function zoom(factor, at) {
  const [vx, vy] = at || middle(), [px, py] = under(vx, vy);
  view.zoom = Math.min(Math.max(view.zoom * factor, fitted.zoom / 2), fitted.zoom * 60);
  centre(px, py, vx, vy);
  if (view.zoom > 1) detail();
}

// Past one to one the page fetches the photograph in full, and lays it where the smaller one lay.
function detail() {
  const small = picture.getAttribute("src");
  if (!small.endsWith("/view")) return;
  const whole = new Image();
  whole.addEventListener("load", () => {
    if (picture.getAttribute("src") !== small) return;
    const ratio = whole.naturalWidth / picture.naturalWidth;
    if (ratio < 1.05) return;
    view.zoom /= ratio;
    fitted.zoom /= ratio;
    tool.points = tool.points.map(([x, y]) => [x * ratio, y * ratio]);
    if (tool.cross) tool.cross = tool.cross.map((v) => v * ratio);
    fitted.keeps = true;
    picture.src = whole.src;
  });
  whole.src = small.replace("/view", "/full");
}

function turn() {
  const [vx, vy] = middle(), [px, py] = under(vx, vy);
  view.turn = (view.turn + 90) % 360;
  centre(px, py, vx, vy);
}

function light(factor) {
  view.light = Math.min(Math.max(view.light * factor, 0.2), 5);
  apply();
}

function reset() {
  view.turn = 0;
  view.light = 1;
  fit();
}

function show(button) {
  for (const b of document.querySelectorAll("[data-photograph]")) b.removeAttribute("aria-current");
  button.setAttribute("aria-current", "true");
  picture.dataset.region = button.dataset.region;
  picture.alt = `${button.querySelector("img").alt} of specimen ${form ? form.dataset.case : ""}`;
  picture.src = `/photograph/${button.dataset.photograph}/view`;
  again();
}

function step(by) {
  const all = [...document.querySelectorAll("[data-photograph]")];
  const now = all.findIndex((b) => b.hasAttribute("aria-current"));
  if (all.length > 1) show(all[(now + by + all.length) % all.length]);
}

function mark(kind, attributes) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", kind);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  marks.append(element);
}

function draw() {
  marks.replaceChildren();
  if (!picture || !picture.naturalWidth) return;
  const [w, h] = size();
  const region = picture.dataset.region.split(" ").map(Number);
  if (region.length === 4)
    mark("rect", { x: region[0] * w, y: region[1] * h, width: region[2] * w, height: region[3] * h, class: "region" });
  const r = 4 / view.zoom;
  tool.points.forEach(([x, y], i) => mark("circle", { cx: x, cy: y, r, class: i > 1 ? "body" : "scale" }));
  for (const i of [0, 2])
    if (tool.points[i + 1]) {
      const [[x1, y1], [x2, y2]] = [tool.points[i], tool.points[i + 1]];
      mark("line", { x1, y1, x2, y2, class: i ? "body" : "scale" });
    }
  if (tool.on && tool.cross) {
    const [x, y] = tool.cross, d = 12 / view.zoom;
    mark("line", { x1: x - d, y1: y, x2: x + d, y2: y });
    mark("line", { x1: x, y1: y - d, x2: x, y2: y + d });
  }
}

// --- the scale tool: two points on a known length, then the two ends of the body ---------------------------------

const tool = { on: false, points: [], cross: null };
const ASK = [
  "Click the first end of the known length on the scale; with the keyboard, move the cross with the arrows and press Enter.",
  "Now its other end.",
  "Now one end of the body.",
  "Now its other end.",
];

function measure(on) {
  tool.on = on;
  tool.cross = on ? under(...middle()) : null;
  viewer.classList.toggle("measures", on);
  $("measure").setAttribute("aria-pressed", String(on));
  $("measuring").hidden = !on && !tool.points.length;
  if (on) {
    tell();
    viewer.focus();
  }
  draw();
}

function again() {
  tool.points = [];
  if (tool.on) tell();
  draw();
}

function point(at) {
  if (tool.points.length === 4) tool.points = [];
  tool.points.push(at);
  tell();
  draw();
}

function distance(i) {
  const [[x1, y1], [x2, y2]] = [tool.points[i], tool.points[i + 1]];
  return Math.hypot(x2 - x1, y2 - y1);
}

function tell() {
  if (tool.points.length < 4) {
    $("measured").textContent = ASK[tool.points.length];
    return;
  }
  const known = Number($("known").value.replace(",", ".")), scale = distance(0);
  if (!(known > 0) || !(scale > 0)) {
    $("measured").textContent = "Write the known length in millimetres, and put its two ends apart.";
    return;
  }
  const length = (distance(2) / scale) * known;
  $("measured").textContent = `Length ${length.toFixed(2)} mm, at ${(scale / known).toFixed(1)} pixels a millimetre.`;
  if (form) {
    form.elements.length_mm.value = length.toFixed(2);
    compare();
    soon();
  }
}

function compare() {
  const e = form.elements, length = Number(e.length_mm.value.replace(",", "."));
  const said = e.taxon.value.trim().toLowerCase();
  $("size").textContent = "";
  if (!(length > 0) || !said) return;
  const fits = (row, column) => !row[column] || !e[column].value || row[column] === e[column].value;
  const rows = JSON.parse(form.dataset.sizes).filter(
    (r) => r.taxon.toLowerCase() === said && ["life_stage", "sex", "feeding"].every((c) => fits(r, c))
  );
  if (!rows.length) return;
  if (rows.length > 3) {
    $("size").textContent = "Choose stage and sex to set the length beside the table of sizes.";
    return;
  }
  const lows = rows.map((r) => Number(r.low || 0) * 0.6), highs = rows.map((r) => Number(r.high || 1e9) * 1.4);
  const low = Math.min(...lows), high = Math.max(...highs);
  const bounds = rows.map((r) => `${r.low || "?"} to ${r.high || "?"} mm (${[r.life_stage, r.sex, r.feeding].filter(Boolean).join(" ")}, ${r.measured}; ${r.source})`);
  const verdict = length < low || length > high ? "outside even the wide bounds: look again" : "within wide bounds";
  $("size").textContent = `${length} mm is ${verdict}. Table: ${bounds.join("; ")}. A flag, never a veto.`;
}

// --- hands -----------------------------------------------------------------------------------------------------

if (picture) {
  picture.addEventListener("load", () => {
    $("nopicture").hidden = true;
    picture.hidden = false;
    if (fitted.keeps) apply();
    else fit();
    fitted.keeps = false;
    draw();
  });
  picture.addEventListener("error", () => { $("nopicture").hidden = false; picture.hidden = true; marks.replaceChildren(); });
  if (picture.complete) picture.dispatchEvent(new Event(picture.naturalWidth ? "load" : "error"));
  window.addEventListener("resize", fit);

  const fingers = new Map();
  const place = (event) => { const box = viewer.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
  let moved = 0;
  viewer.addEventListener("wheel", (event) => { event.preventDefault(); zoom(event.deltaY < 0 ? 1.2 : 1 / 1.2, place(event)); draw(); }, { passive: false });
  viewer.addEventListener("pointerdown", (event) => { fingers.set(event.pointerId, place(event)); moved = 0; viewer.setPointerCapture(event.pointerId); });
  viewer.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = place(event), others = [...fingers].filter(([id]) => id !== event.pointerId).map(([, p]) => p);
    moved += Math.hypot(now[0] - before[0], now[1] - before[1]);
    if (others.length) {
      const [o] = others, gap = (p) => Math.hypot(p[0] - o[0], p[1] - o[1]) || 1;
      zoom(gap(now) / gap(before), [(now[0] + o[0]) / 2, (now[1] + o[1]) / 2]);
    } else {
      view.x += now[0] - before[0];
      view.y += now[1] - before[1];
      apply();
    }
    fingers.set(event.pointerId, now);
  });
  const lift = (event) => {
    if (fingers.delete(event.pointerId) && event.type === "pointerup" && tool.on && moved < 5) point(under(...place(event)));
    draw();
  };
  viewer.addEventListener("pointerup", lift);
  viewer.addEventListener("pointercancel", lift);
}

const DO = {
  in: () => zoom(1.3), out: () => zoom(1 / 1.3), turn, bright: () => light(1.15), dark: () => light(1 / 1.15), reset,
  measure: () => measure(!tool.on), again,
};
document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  if (button.dataset.do && picture) { DO[button.dataset.do](); draw(); }
  if (button.dataset.photograph && picture) show(button);
  if (button.dataset.copy) {
    const text = $(button.dataset.copy);
    text.select();
    const done = () => { button.textContent = "Copied"; };
    if (navigator.clipboard) navigator.clipboard.writeText(text.value).then(done, () => {});
    else if (document.execCommand("copy")) done();
  }
});

// --- keys ------------------------------------------------------------------------------------------------------

const KEYS = {
  j: () => step(1), k: () => step(-1), "+": DO.in, "=": DO.in, "-": DO.out, 0: DO.reset, r: DO.turn, b: DO.bright, B: DO.dark, m: DO.measure,
  n: () => form && form.elements.taxon.select(), c: () => $("look") && $("look").click(), q: () => { location.href = "/"; },
};
const ARROWS = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
const hotkeys = $("hotkeys");
if (hotkeys) {
  hotkeys.checked = localStorage.getItem("hotkeys") !== "off";
  hotkeys.addEventListener("change", () => localStorage.setItem("hotkeys", hotkeys.checked ? "on" : "off"));
}

document.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.ctrlKey && form) { event.preventDefault(); $("send").click(); return; }
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const inViewer = document.activeElement === viewer;
  if (event.key === "Escape") { document.activeElement.blur(); if (tool.on) measure(false); return; }
  if (inViewer && ARROWS[event.key] && picture) {
    event.preventDefault();
    const [dx, dy] = ARROWS[event.key], far = event.shiftKey ? 40 : 8;
    if (tool.on) { const a = (view.turn * Math.PI) / 180, s = -far / 4 / view.zoom; tool.cross = [tool.cross[0] + s * (dx * Math.cos(a) + dy * Math.sin(a)), tool.cross[1] + s * (-dx * Math.sin(a) + dy * Math.cos(a))]; }
    else { view.x += dx * far * 4; view.y += dy * far * 4; apply(); }
    draw();
    return;
  }
  if (inViewer && event.key === "Enter" && tool.on) { event.preventDefault(); point([...tool.cross]); return; }
  const typing = event.target.closest("input:not([type=radio]):not([type=checkbox]), select, textarea");
  if (typing || (!inViewer && hotkeys && !hotkeys.checked)) return;
  const radio = form && form.querySelector(`[data-key="${CSS.escape(event.key)}"]`);
  if (radio && event.key !== "0") { event.preventDefault(); radio.checked = true; radio.focus(); changed(); return; }
  if (KEYS[event.key]) { event.preventDefault(); KEYS[event.key](); if (picture) draw(); }
});

// --- the form and its draft -----------------------------------------------------------------------------------------

const kept = form && `draft ${form.dataset.reader} ${form.dataset.case}`;
let timer = 0;

function changed() {
  const outcome = form.elements.outcome.value;
  for (const part of form.querySelectorAll("[data-for]")) part.hidden = part.dataset.for !== (outcome || "named");
  compare();
  soon();
}

function entries() {
  const fields = new URLSearchParams(new FormData(form));
  fields.set("then", "stay");
  return fields;
}

function soon() {
  clearTimeout(timer);
  localStorage.setItem(kept, entries().toString());
  timer = setTimeout(keep, 1200);
}

async function keep() {
  try {
    const answer = await fetch("/case/draft", { method: "POST", body: entries() });
    if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
    $("kept").textContent = "Draft kept.";
    localStorage.removeItem(kept);
  } catch {
    $("kept").textContent = "No connection to the desk: your draft is kept in this browser, and sent when the desk is back.";
    timer = setTimeout(keep, 10000);
  }
}

function written(text) {
  const fields = new URLSearchParams(text);
  for (const name of ["form_token", "id", "key", "then"]) fields.delete(name);
  return fields.toString();
}

// What was entered while the desk could not be reached comes back, unless the page brings it or faults of its own.
function restore() {
  const text = localStorage.getItem(kept);
  if (!text || $("faults")) return;
  if (written(text) === written(entries().toString())) { localStorage.removeItem(kept); return; }
  const fields = new URLSearchParams(text);
  for (const element of form.elements) {
    if (!element.name || element.type === "hidden" || !element.name.length) continue;
    const values = fields.getAll(element.name);
    if (element.type === "radio" || element.type === "checkbox") element.checked = values.includes(element.value);
    else if (values.length) element.value = values[0];
  }
  $("kept").textContent = "What you entered before the connection was lost is back.";
}

if (form) {
  restore();
  form.addEventListener("input", changed);
  let sent = false;
  form.addEventListener("submit", (event) => {
    if (sent) { event.preventDefault(); return; }
    sent = true;
    clearTimeout(timer);
    localStorage.setItem(kept, entries().toString());
    setTimeout(() => { sent = false; }, 4000);
  });
  const outcome = form.elements.outcome.value;
  for (const part of form.querySelectorAll("[data-for]")) part.hidden = part.dataset.for !== (outcome || "named");
  compare();
  if ($("faults")) $("faults").focus();
}
// A case that was saved needs no draft any more.
const said = document.querySelector(".said a");
if (said) localStorage.removeItem(`draft ${said.dataset.reader} ${said.textContent}`);
