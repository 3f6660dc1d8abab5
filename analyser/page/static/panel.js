// View 3: gauges drawn on a picture with the mouse or the keyboard; what they read is shown while they are drawn.
import { ask, el, later, say, send, sendForBytes, svg, typing } from "./shared.js";
import { angleAt, convex, partAt, rayAt } from "./flat.js";

const title = document.getElementById("name");
const base = { panel: title.dataset.panel, picture: title.dataset.picture };
const stage = document.getElementById("stage");
const form = document.getElementById("gauge");
const field = (name) => document.getElementById(`g-${name}`);
const CORNERS = ["top left", "top right", "bottom right", "bottom left"];
let gauges = [];
let chosen = -1;
let picture = { width: 1, height: 1 };
let others = [];
let stamp = "";
let decimal = "";
let mode = ""; // "", "draw", "scale"
let board;
let dirty = false;
let turn = 0;
const lastRead = new Map();

// -- opening ---------------------------------------------------------------------------------------------------------

async function open() {
  const progress = document.getElementById("progress");
  try {
    const found = await ask("/api/panel", base);
    ({ gauges, stamp, others, decimal } = found);
    picture = found;
    board = svg("svg", { viewBox: `0 0 ${picture.width} ${picture.height}`, role: "group", "aria-label": "the picture with its gauges" },
      svg("image", { href: `/api/picture?${new URLSearchParams({ name: picture.reference })}`, width: picture.width, height: picture.height }));
    stage.replaceChildren(board);
    progress.hidden = true;
    document.getElementById("desk").hidden = false;
    zoom();
    board.addEventListener("pointerdown", press);
    board.addEventListener("pointermove", drag);
    board.addEventListener("pointerup", release);
    board.addEventListener("pointercancel", release);
    if (gauges.length) choose(0); else draw();
    if (!gauges.length) document.getElementById("how").textContent = "Drag over the picture to draw a gauge, or begin with proposals.";
    readAll();
  } catch (error) {
    progress.textContent = error.message;
    progress.classList.add("problem");
  }
}

// -- drawing ---------------------------------------------------------------------------------------------------------

const unitOfScreen = () => picture.width / board.getBoundingClientRect().width;

function draw(focus = null) {
  const held = focus ?? document.activeElement?.getAttribute?.("data-key");
  board.querySelectorAll("g.one, .rubber").forEach((old) => old.remove());
  const r = 7 * unitOfScreen();
  gauges.forEach((gauge, index) => {
    const points = gauge.corners.map((corner) => corner.join(",")).join(" ");
    const group = svg("g", { class: index === chosen ? "one chosen" : "one" });
    const body = svg("g", { tabindex: "0", role: "button", "data-key": `g${index}`, "aria-pressed": index === chosen ? "true" : "false",
      "aria-label": `${gauge.name || "gauge"}: ${gauge.kind}; the arrow keys move it` },
    svg("polygon", { class: "under", points }), svg("polygon", { class: "quad", points, "data-gauge": index }));
    group.append(body);
    const size = 13 * unitOfScreen();
    const label = svg("text", { x: gauge.corners[0][0], y: gauge.corners[0][1] - size * 0.45, "font-size": size });
    label.textContent = gauge.name;
    group.append(label);
    if (index === chosen) {
      for (const [place] of gauge.scale) {
        if (gauge.kind !== "dial") continue;
        const [[x1, y1], [x2, y2]] = rayAt(gauge, place);
        group.append(svg("line", { class: "ray", x1, y1, x2, y2 }));
      }
      gauge.corners.forEach(([x, y], corner) => {
        group.append(svg("g", { tabindex: "0", role: "button", "data-key": `c${corner}`,
          "aria-label": `${CORNERS[corner]} corner of ${gauge.name}, at ${Math.round(x)}, ${Math.round(y)}; the arrow keys move it` },
        svg("circle", { class: "grip", cx: x, cy: y, r: 2 * r, "data-corner": corner }), svg("circle", { class: "corner", cx: x, cy: y, r: r * 0.75, "data-corner": corner })));
      });
    }
    board.append(group);
  });
  if (held) board.querySelector(`[data-key="${held}"]`)?.focus({ preventScroll: true });
  drawGauges();
}

const todo = (gauge) => !gauge.reads.length ? "which column?"
  : ["dial", "tape"].includes(gauge.kind) && !gauge.more?.needles && gauge.scale.length < 2 ? "scale points"
  : needsUnit(gauge) && !gauge.unit && !gauge.units.length ? "which unit?" : "";

function needsUnit(gauge) {
  const option = [...field("reads").options].find((each) => each.value === gauge.reads[0]);
  return ["readout", "dial", "tape"].includes(gauge.kind) && Boolean(option?.dataset.units) && !["throttle", "propellant_fraction"].includes(gauge.reads[0]);
}

function drawGauges() {
  const list = document.getElementById("gauges");
  const held = list.contains(document.activeElement) ? [...list.querySelectorAll("button")].indexOf(document.activeElement) : -1;
  list.replaceChildren(...gauges.map((gauge, index) => {
    const button = el("button", { type: "button", "aria-pressed": index === chosen ? "true" : "false" },
      el("span", {}, gauge.name || "without a name"), el("span", { class: todo(gauge) ? "todo" : "small" }, todo(gauge) || `${gauge.kind}, ${gauge.reads.join(" and ").replaceAll("_", " ")}`));
    button.addEventListener("click", () => choose(index));
    return el("li", {}, button);
  }));
  if (!gauges.length) list.replaceChildren(el("li", { class: "empty" }, "No gauge yet."));
  if (held >= 0) list.querySelectorAll("button")[Math.min(held, gauges.length - 1)]?.focus();
  document.getElementById("changed").textContent = dirty ? "not saved yet" : stamp ? "saved" : "";
}

function choose(index) {
  chosen = index;
  setMode("");
  fill();
  draw();
  drawReads();
  if (gauges[index]) readSoon();
}

function changed() {
  dirty = true;
  draw();
  readSoon();
}

// -- mouse -----------------------------------------------------------------------------------------------------------

function place(event) {
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(board.getScreenCTM().inverse());
  return [Math.min(picture.width, Math.max(0, point.x)), Math.min(picture.height, Math.max(0, point.y))];
}

const tidy = (number) => Math.round(number * 10) / 10;
let held = null;

function press(event) {
  if (event.button !== 0) return;
  const at = place(event);
  const gauge = gauges[chosen];
  if (mode === "scale" && gauge && !event.target.hasAttribute("data-corner")) { addScale(gauge.kind === "dial" ? tidy(angleAt(gauge, at)) : Math.round(partAt(gauge, at) * 1000) / 1000); event.preventDefault(); return; }
  const corner = event.target.getAttribute("data-corner");
  const body = event.target.getAttribute("data-gauge");
  if (mode !== "draw" && corner !== null) held = { what: "corner", corner: Number(corner), at, from: gauge.corners.map((each) => [...each]) };
  else if (mode !== "draw" && body !== null) {
    if (Number(body) !== chosen) choose(Number(body));
    held = { what: "gauge", at, from: gauges[chosen].corners.map((each) => [...each]) };
  } else held = { what: "new", at };
  board.setPointerCapture(event.pointerId);
  event.preventDefault();
}

function drag(event) {
  if (!held) return;
  const [x, y] = place(event);
  const dx = x - held.at[0], dy = y - held.at[1];
  if (held.what === "new") {
    board.querySelector(".rubber")?.remove();
    board.append(svg("rect", { class: "rubber", x: Math.min(x, held.at[0]), y: Math.min(y, held.at[1]), width: Math.abs(dx), height: Math.abs(dy) }));
    return;
  }
  const gauge = gauges[chosen];
  const moved = held.from.map(([cx, cy], index) => held.what === "gauge" || index === held.corner ? inside([cx + dx, cy + dy]) : [cx, cy]);
  if (convex(moved)) { gauge.corners = moved; held.moved = true; draw(); }
}

function release(event) {
  if (!held) return;
  const [x, y] = place(event);
  const done = held;
  held = null;
  board.querySelector(".rubber")?.remove();
  if (done.what === "new") {
    const [ox, oy] = done.at;
    if (Math.abs(x - ox) >= 8 && Math.abs(y - oy) >= 8) addGauge(Math.min(x, ox), Math.min(y, oy), Math.max(x, ox), Math.max(y, oy));
  } else if (done.moved) { fill(); changed(); }
}

const inside = ([x, y]) => [tidy(Math.min(picture.width, Math.max(0, x))), tidy(Math.min(picture.height, Math.max(0, y)))];

function addGauge(left, top, right, bottom) {
  let number = gauges.length + 1;
  while (gauges.some((gauge) => gauge.name === `gauge_${number}`)) number += 1;
  const square = Math.abs((right - left) - (bottom - top)) < 0.25 * (right - left);
  gauges.push({ name: `gauge_${number}`, kind: square ? "dial" : "readout", reads: [], unit: "", units: [], scale: [], more: {},
    corners: [[left, top], [right, top], [right, bottom], [left, bottom]].map(inside) });
  dirty = true;
  choose(gauges.length - 1);
  say("a gauge is drawn; name it and say what it reads");
  field("name").focus();
  field("name").select();
}

function setMode(next) {
  mode = next;
  stage.classList.toggle("drawing", mode !== "");
  document.getElementById("draw").setAttribute("aria-pressed", mode === "draw" ? "true" : "false");
  field("click").setAttribute("aria-pressed", mode === "scale" ? "true" : "false");
}

// -- keys ------------------------------------------------------------------------------------------------------------

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

stage.addEventListener("keydown", (event) => {
  const key = event.target.getAttribute?.("data-key") ?? "";
  if (event.key in STEPS && key) {
    const [dx, dy] = STEPS[event.key].map((step) => step * (event.shiftKey ? 10 : 1));
    if (key[0] === "g" && Number(key.slice(1)) !== chosen) choose(Number(key.slice(1)));
    const gauge = gauges[chosen];
    const moved = gauge.corners.map(([x, y], index) => key[0] === "g" || index === Number(key.slice(1)) ? inside([x + dx, y + dy]) : [x, y]);
    if (convex(moved)) { gauge.corners = moved; fill(); changed(); } else say("the corners must go clockwise round the gauge");
    event.preventDefault();
  } else if ((event.key === "Enter" || event.key === " ") && key[0] === "g") {
    choose(Number(key.slice(1)));
    event.preventDefault();
  } else if (event.key === "Delete" && key) {
    if (key[0] === "g") choose(Number(key.slice(1)));
    remove();
    event.preventDefault();
  }
});

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "Escape" && mode) { setMode(""); say("as before"); return; }
  if (event.key === "n" && !typing(event) && board) { drawByKeys(); event.preventDefault(); }
});

function drawByKeys() {
  const [w, h] = [picture.width / 8, picture.height / 14];
  addGauge(picture.width / 2 - w, picture.height / 2 - h, picture.width / 2 + w, picture.height / 2 + h);
}

document.getElementById("draw").addEventListener("click", (event) => {
  if (event.detail === 0) drawByKeys(); // pressed by a key: drawn in the middle, to be moved by the arrow keys
  else { setMode(mode === "draw" ? "" : "draw"); say(mode ? "drag over the picture" : "as before"); }
});
document.getElementById("zoom").addEventListener("change", zoom);

function zoom() {
  board.style.width = `${100 * Number(document.getElementById("zoom").value)}%`;
  if (gauges.length) draw();
}

// -- the chosen gauge ------------------------------------------------------------------------------------------------

function fill() {
  const gauge = gauges[chosen];
  form.hidden = !gauge;
  if (!gauge) return;
  document.getElementById("gauge-legend").textContent = gauge.name || "gauge";
  if (document.activeElement !== field("name")) field("name").value = gauge.name;
  field("kind").value = gauge.kind;
  const ball = gauge.kind === "attitude";
  field("reads-box").hidden = ball;
  field("ball").hidden = !ball;
  if (!ball) field("reads").value = gauge.reads[0] ?? "";
  const units = [...field("reads").options].find((each) => each.value === gauge.reads[0])?.dataset.units ?? "";
  field("units").replaceChildren(...units.split("|").filter(Boolean).map((unit) => el("option", { value: unit })));
  field("unit-box").hidden = ball || gauge.kind === "lamp" || !units;
  if (document.activeElement !== field("unit")) field("unit").value = gauge.units.length ? gauge.units.join(", ") : gauge.unit;
  field("glass").checked = gauge.units.length > 0;
  field("glass").disabled = gauge.kind !== "readout";
  field("scale-box").hidden = !["dial", "tape"].includes(gauge.kind) || Boolean(gauge.more?.needles);
  field("scale-how").textContent = gauge.kind === "dial"
    ? "At which angle of the needle (degrees clockwise from up) it shows which value; straight between. Two at least."
    : "At which place along it (0 to 1) it shows which value. Two at least.";
  fillScale();
  fillCorners();
}

function fillScale() {
  const gauge = gauges[chosen];
  const box = field("scale");
  if (box.contains(document.activeElement) && box.children.length === gauge.scale.length) return;
  box.replaceChildren(...gauge.scale.map((pair, index) => {
    const angle = el("input", { value: pair[0], inputmode: "decimal", "aria-label": `${gauge.kind === "dial" ? "angle" : "place"} of scale point ${index + 1}` });
    const value = el("input", { value: pair[1], inputmode: "text", "aria-label": `value at scale point ${index + 1}`, "data-value": index });
    const gone = el("button", { type: "button", class: "faint", "aria-label": `remove scale point ${index + 1}` }, "remove");
    angle.addEventListener("input", () => { const number = Number(angle.value.replace("−", "-")); if (angle.value.trim() && Number.isFinite(number)) { pair[0] = number; changed(); } });
    value.addEventListener("input", () => { pair[1] = value.value.trim(); changed(); });
    gone.addEventListener("click", () => { gauge.scale.splice(index, 1); fillScale(); changed(); field("add").focus(); });
    return el("li", {}, el("label", {}, gauge.kind === "dial" ? "angle, deg" : "place", angle), el("label", {}, "value", value), gone);
  }));
}

function addScale(where) {
  const gauge = gauges[chosen];
  gauge.scale.push([where, ""]);
  fillScale();
  changed();
  document.querySelector(`[data-value="${gauge.scale.length - 1}"]`)?.focus();
  say(`a scale point at ${where}${gauge.kind === "dial" ? " degrees" : ""}: type its value`);
}

function fillCorners() {
  const gauge = gauges[chosen];
  const box = field("corners");
  if (box.contains(document.activeElement)) return;
  box.replaceChildren(...gauge.corners.flatMap((corner, index) => [0, 1].map((axis) => {
    const input = el("input", { value: corner[axis], inputmode: "decimal" });
    input.addEventListener("input", () => {
      const number = Number(input.value);
      const moved = gauge.corners.map((each) => [...each]);
      moved[index][axis] = number;
      if (input.value.trim() && Number.isFinite(number) && convex(moved)) { gauge.corners = moved; changed(); input.removeAttribute("aria-invalid"); } else input.setAttribute("aria-invalid", "true");
    });
    return el("label", {}, `${CORNERS[index]}, ${axis ? "down" : "across"}`, input);
  })));
}

function onField(name, event, change) {
  field(name).addEventListener(event, () => {
    const gauge = gauges[chosen];
    if (!gauge) return;
    change(gauge);
    fill();
    changed();
  });
}

function readUnit(gauge) {
  const given = field("unit").value.split(",").map((unit) => unit.trim()).filter(Boolean);
  if (field("glass").checked && gauge.kind === "readout") { gauge.units = given; gauge.unit = ""; } else { gauge.units = []; gauge.unit = given[0] ?? ""; }
}

onField("name", "input", (gauge) => { gauge.name = field("name").value; });
onField("kind", "change", (gauge) => {
  gauge.kind = field("kind").value;
  if (gauge.kind === "attitude") { gauge.reads = ["pitch", "roll"]; gauge.unit = ""; gauge.units = []; } else if (gauge.reads.length > 1) gauge.reads = [];
  if (gauge.kind !== "readout" && gauge.units.length) { gauge.unit = gauge.units[0]; gauge.units = []; }
});
onField("reads", "change", (gauge) => {
  gauge.reads = field("reads").value ? [field("reads").value] : [];
  if (/^gauge_\d+$/.test(gauge.name) && gauge.reads[0] && !gauges.some((other) => other.name === gauge.reads[0])) gauge.name = gauge.reads[0];
  const known = [...field("reads").options].find((each) => each.value === gauge.reads[0])?.dataset.units?.split("|") ?? [];
  if (!known.includes(gauge.unit)) gauge.unit = "";
  gauge.units = gauge.units.filter((unit) => known.includes(unit));
});
onField("unit", "input", readUnit);
onField("glass", "change", readUnit);
field("click").addEventListener("click", () => {
  setMode(mode === "scale" ? "" : "scale");
  say(mode === "scale" ? "click where the needle would point, then type the value" : "as before");
});
field("add").addEventListener("click", () => addScale(gauges[chosen].scale.length ? tidy(Math.max(...gauges[chosen].scale.map(([where]) => where)) + (gauges[chosen].kind === "dial" ? 45 : 0.25)) : gauges[chosen].kind === "dial" ? -135 : 0));
field("here").addEventListener("click", async () => {
  const gauge = gauges[chosen];
  const raw = await pointing(gauge);
  if (raw === null) say("no needle can be told here yet");
  else addScale(raw);
});
field("remove").addEventListener("click", remove);

/** Where the needle or the bar stands on the reference, as the server sees it. */
async function pointing(gauge) {
  const trial = { ...gauge, reads: gauge.reads.length ? gauge.reads : ["throttle"], unit: "", units: [], scale: gauge.kind === "dial" ? [[-180, 0], [180, 1]] : [[0, 0], [1, 1]] };
  trial.reads = ["throttle"];
  try {
    const found = await send("/api/panel/read", { ...base, decimal, gauges: [trial], only: [trial.name], pictures: [picture.reference] });
    const number = /-?\d+(?:\.\d+)?/.exec(found.readings[0]?.raw ?? "");
    return number ? (gauge.kind === "dial" ? Number(number[0]) : Math.round(Number(number[0]) * 10) / 1000) : null;
  } catch { return null; }
}

function remove() {
  const [gone] = gauges.splice(chosen, 1);
  if (!gone) return;
  say(`${gone.name} is removed`);
  dirty = true;
  lastRead.delete(gone.name);
  choose(Math.min(chosen, gauges.length - 1));
}

// -- what is read ----------------------------------------------------------------------------------------------------

const complete = (gauge) => gauge.name.trim() && !todo(gauge);
let offset = 0;

function tried() {
  const step = Math.max(1, Math.floor(others.length / 5));
  return [...new Set([0, 1, 2, 3, 4].map((index) => others[(offset + index * step) % others.length]).filter(Boolean))];
}

const readSoon = later(() => read(gauges[chosen]), 300);

async function read(gauge) {
  if (!gauge) return;
  const state = document.getElementById("reads-state");
  if (!complete(gauge)) { state.textContent = `${gauge.name || "this gauge"} is not complete: ${todo(gauge) || "a name"}`; lastRead.delete(gauge.name); drawReads(); return; }
  const mine = ++turn;
  state.textContent = "reading";
  const ready = gauges.filter(complete);
  try {
    const own = await send("/api/panel/read", { ...base, decimal, gauges: ready, only: [gauge.name], pictures: [picture.reference] });
    if (mine !== turn) return;
    lastRead.set(gauge.name, own.readings);
    drawReads();
    for (const name of tried()) {
      const more = await send("/api/panel/read", { ...base, decimal, gauges: ready, only: [gauge.name], pictures: [name] });
      if (mine !== turn) return;
      lastRead.get(gauge.name)?.push(...more.readings);
      drawReads();
    }
    state.textContent = "";
  } catch (error) {
    if (mine !== turn) return;
    state.textContent = error.message;
    lastRead.delete(gauge.name);
    drawReads();
  }
}

async function readAll() {
  const ready = gauges.filter(complete);
  if (!ready.length) return;
  try {
    const found = await send("/api/panel/read", { ...base, decimal, gauges: ready, only: [], pictures: [picture.reference] });
    for (const gauge of ready) if (!lastRead.has(gauge.name)) lastRead.set(gauge.name, found.readings.filter((each) => each.gauge === gauge.name));
    drawReads();
  } catch (error) { document.getElementById("reads-state").textContent = error.message; }
}

const crops = new Map();

async function cropOf(gauge, name, image) {
  const key = JSON.stringify([gauge.corners, name]);
  if (!crops.has(key)) {
    crops.set(key, "");
    try { crops.set(key, await asData(await sendForBytes("/api/panel/crop", { ...base, decimal, gauges: [gauge], only: [gauge.name], pictures: [name] }))); } catch { crops.delete(key); return; }
    if (crops.size > 200) crops.delete(crops.keys().next().value);
  }
  const bitmap = crops.get(key);
  if (bitmap) paint(image, bitmap);
}

async function asData(blob) { return createImageBitmap(blob); }

function paint(canvas, bitmap) {
  canvas.width = bitmap.width;
  canvas.height = bitmap.height;
  canvas.getContext("2d").drawImage(bitmap, 0, 0);
}

function drawReads() {
  const gauge = gauges[chosen];
  const box = document.getElementById("reads");
  const readings = gauge ? lastRead.get(gauge.name) ?? [] : [];
  const mine = el("ul", { class: "readgrid" }, ...readings.map((each) => {
    const image = el("canvas", { role: "img", "aria-label": `${gauge.name} in ${each.picture}`, width: "1", height: "1" });
    if (!each.missing) cropOf(gauge, each.picture, image);
    const short = each.picture.split("/").pop();
    return el("li", {}, each.missing ? null : image, el("span", { class: "value" }, each.value || "nothing"), el("br"),
      el("span", { class: each.doubt || each.missing ? "doubt" : "small" }, each.missing || each.doubt || (each.probability === null ? "" : `sure to ${(100 * each.probability).toFixed(1)} %`)), el("br"),
      el("span", { class: "small" }, `${gauge.reads.length > 1 ? `${each.column}, ` : ""}${each.picture === picture.reference ? "this picture" : short}${each.raw && each.raw !== each.value ? `; seen ${each.raw}` : ""}`));
  }));
  const rest = gauges.filter((other) => other !== gauge && lastRead.get(other.name)?.length);
  const table = rest.length ? el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "the other gauges" }, el("table", {}, el("caption", {}, "The other gauges, on this picture"),
    el("tbody", {}, ...rest.flatMap((other) => lastRead.get(other.name).filter((each) => each.picture === picture.reference).map((each) => el("tr", {}, el("th", { scope: "row" }, other.name),
      el("td", {}, each.column.replaceAll("_", " ")), el("td", { class: "mono" }, each.value || "nothing"), el("td", { class: each.doubt || each.missing ? "doubt" : "small" }, each.missing || each.doubt || "sure"))))))) : null;
  const another = others.length > 5 && readings.length ? el("button", { type: "button", id: "another" }, "Try other screenshots") : null;
  another?.addEventListener("click", () => { offset += 1; read(gauges[chosen]); });
  box.replaceChildren(...[mine, another, table].filter(Boolean));
}

// -- proposals and saving --------------------------------------------------------------------------------------------

document.getElementById("propose").addEventListener("click", async (event) => {
  const button = event.currentTarget;
  button.disabled = true;
  say("looking for windows and round gauges");
  try {
    const found = await ask("/api/panel/proposals", base);
    const free = found.gauges.filter((one) => !gauges.some((other) => overlap(one.corners, other.corners) > 0.3));
    for (const one of free) {
      let name = one.name, number = 2;
      while (gauges.some((other) => other.name === name)) name = `${one.name}_${number++}`;
      gauges.push({ ...one, name });
    }
    say(free.length ? `${free.length} gauges proposed: check each` : "nothing new stands out; draw the gauges by hand");
    if (free.length) { dirty = true; choose(gauges.length - free.length); readAll(); }
  } catch (error) { say(error.message); }
  button.disabled = false;
});

function overlap(one, two) {
  const box = (corners) => [Math.min(...corners.map(([x]) => x)), Math.min(...corners.map(([, y]) => y)), Math.max(...corners.map(([x]) => x)), Math.max(...corners.map(([, y]) => y))];
  const [a, b, c, d] = box(one), [e, f, g, h] = box(two);
  const shared = Math.max(0, Math.min(c, g) - Math.max(a, e)) * Math.max(0, Math.min(d, h) - Math.max(b, f));
  return shared / Math.min((c - a) * (d - b), (g - e) * (h - f));
}

document.getElementById("save").addEventListener("click", async (event) => {
  const button = event.currentTarget;
  const hint = document.getElementById("hint");
  const unfinished = gauges.find((gauge) => !complete(gauge));
  hint.classList.remove("wrong");
  if (unfinished) {
    hint.textContent = `${unfinished.name || "a gauge without a name"} is not complete: ${todo(unfinished) || "a name"}. complete it or remove it`;
    hint.classList.add("wrong");
    choose(gauges.indexOf(unfinished));
    return;
  }
  button.disabled = true;
  try {
    const called = document.getElementById("called")?.value ?? "";
    const found = await send("/api/panel/save", { ...base, called, decimal, gauges, stamp });
    stamp = found.stamp;
    dirty = false;
    hint.textContent = found.kept ? `saved; the file before is kept as ${found.kept}` : "saved";
    say("the panel is saved");
    if (!base.panel) { location.href = `/panel?${new URLSearchParams({ panel: found.panel })}`; return; }
    drawGauges();
  } catch (error) {
    hint.textContent = error.message;
    hint.classList.add("wrong");
  }
  button.disabled = false;
});

addEventListener("beforeunload", (event) => { if (dirty) event.preventDefault(); });
addEventListener("resize", later(() => board && draw(), 150));

open();
