// View 2: values beside their crops; c confirms, x sets aside, u undoes, typing corrects; the orbit follows what is typed.
import { ask, debriefed, el, later, pause, say, send, typing } from "./shared.js";

const flight = document.getElementById("name").dataset.flight;
const list = document.getElementById("list");
const input = document.getElementById("value");
const hint = document.getElementById("hint");
const tab = Math.random().toString(36).slice(2);
let values = [];
let found = 0;
let at = -1;
let turn = 0;
let busy = Promise.resolve();

const WORDS = {
  doubtful: "? doubtful", "set aside by the fit": "≠ does not fit", recovered: "~ recovered", "set aside": "– set aside", "": "read",
};
const DONE = { confirm: "✓ confirmed", correct: "✎ corrected", "set aside": "✕ set aside" };
const spoken = (name) => name.replaceAll("_", " ");

// -- loading ---------------------------------------------------------------------------------------------------------

async function load(start = 0) {
  const show = document.querySelector("input[name=show]:checked").value;
  const progress = document.getElementById("progress");
  for (;;) {
    let answer;
    try {
      answer = await ask("/api/readings", { flight, show, start });
    } catch (error) {
      progress.textContent = error.message;
      progress.classList.add("problem");
      progress.hidden = false;
      return;
    }
    if (answer.problem) {
      progress.textContent = answer.problem;
      progress.classList.add("problem");
      return;
    }
    if (answer.values) {
      progress.hidden = true;
      document.getElementById("bench").hidden = false;
      values = start ? values.concat(answer.values) : answer.values;
      found = answer.found;
      about(answer);
      drawList(start);
      return;
    }
    progress.hidden = false;
    progress.textContent = answer.state === "reading"
      ? (answer.total ? `reading screenshots: ${answer.done} of ${answer.total}` : "reading the flight")
      : "fitting the flight";
    await pause(400);
  }
}

function about(answer) {
  if (answer.name) document.getElementById("name").textContent = answer.name;
  if (answer.counts) counts(answer.counts);
  document.getElementById("report").hidden = !answer.report;
  if (answer.unfitted) document.getElementById("fit").textContent = answer.unfitted;
}

function counts(found) {
  document.getElementById("counts").textContent = `${found.open} to look at, ${found.decided} decided, ${found.all} in all`;
}

// -- the list --------------------------------------------------------------------------------------------------------

function cropAddress(value) {
  return `/api/readings/crop?${new URLSearchParams({ flight, source: value.source, box: value.crop.join(",") })}`;
}

function stateOf(value) {
  return value.decision ? [DONE[value.decision.action] ?? value.decision.action, "done"] : [WORDS[value.why] ?? value.why, value.why ? "open" : ""];
}

function item(value, index) {
  const [word, kind] = stateOf(value);
  const picture = value.crop
    ? el("img", { class: "thumb", src: cropAddress(value), alt: "", loading: "lazy", decoding: "async" })
    : el("span", { class: "cell" }, value.raw || "empty");
  return el("li", { role: "option", id: `v${index}`, "aria-selected": index === at ? "true" : "false" },
    picture,
    el("span", { class: "what" }, spoken(value.column), el("br"), el("span", { class: "when" }, `${value.met}`), el("span", { class: "aside" }, `, ${value.value || value.read || "no value"}`)),
    el("span", { class: `state ${kind}` }, word));
}

function drawList(start) {
  if (!start) list.replaceChildren();
  list.append(...values.slice(start).map((value, index) => item(value, start + index)));
  const more = document.getElementById("more");
  more.hidden = values.length >= found;
  more.textContent = `${values.length} of ${found} shown: more`;
  if (!values.length) {
    list.replaceChildren(el("li", { role: "option", "aria-disabled": "true" }, el("span", {}, ""), el("span", {}, "Nothing needs a look.")));
    choose(-1);
  } else if (!start) {
    const open = values.findIndex((value) => !value.decision);
    choose(Math.max(0, open), false);
  }
}

function redraw(index) {
  list.children[index]?.replaceWith(item(values[index], index));
}

function choose(index, announce = true) {
  const before = at;
  at = index;
  if (values[before]) list.children[before]?.setAttribute("aria-selected", "false");
  if (!values[at]) {
    list.setAttribute("aria-activedescendant", "");
    document.getElementById("current").textContent = "No value chosen";
    document.getElementById("evidence").replaceChildren();
    document.getElementById("verdict").textContent = "";
    document.getElementById("orbit").replaceChildren();
    return;
  }
  const chosen = list.children[at];
  chosen.setAttribute("aria-selected", "true");
  list.setAttribute("aria-activedescendant", chosen.id);
  if (announce) chosen.scrollIntoView({ block: "nearest" });
  drawWork();
}

// -- the value at hand -----------------------------------------------------------------------------------------------

function drawWork() {
  const value = values[at];
  document.getElementById("current").textContent = `${spoken(value.column)}, ${value.met}`;
  const evidence = document.getElementById("evidence");
  const facts = el("dl", { class: "facts2" });
  const fact = (name, text) => { if (text) facts.append(el("dt", {}, name), el("dd", {}, text)); };
  fact("seen", value.raw || "nothing");
  fact("read as", value.read && value.read !== value.raw ? value.read : "");
  if (!value.read && value.offer) fact("would be", value.offer);
  fact("worth now", value.decision ? (value.value || "set aside") : "");
  fact("why", [value.why === "set aside by the fit" ? "" : value.reason, value.fit].filter(Boolean).join("; "));
  if (value.suggestion) {
    const take = value.instead ? el("button", { type: "button", id: "take" }, `Type ${value.instead} `, el("kbd", {}, "s")) : null;
    take?.addEventListener("click", suggest);
    facts.append(el("dt", {}, "perhaps"), el("dd", {}, value.suggestion, take ? el("br") : null, take));
  }
  fact("from", `${value.source}${value.typed ? ` line ${value.row}` : ""}${value.gauge ? `, gauge ${value.gauge}` : ""}`);
  if (value.decision) fact("by hand", `${DONE[value.decision.action].slice(2)}${value.decision.value ? ` as ${value.decision.value}` : ""}${value.decision.by ? ` by ${value.decision.by}` : ""}, ${value.decision.when.slice(0, 16).replace("T", " ")}`);
  const shown = value.crop
    ? el("figure", {}, el("img", { class: "crop", src: cropAddress(value), alt: `${spoken(value.column)} in ${value.source}; seen: ${value.raw || "nothing"}` }))
    : value.line ? lineTable(value) : el("p", { class: "note" }, "There is no picture of this value.");
  evidence.replaceChildren(shown, facts);
  input.value = value.decision?.action === "correct" ? value.decision.value : value.offer;
  input.setAttribute("aria-label", `the right ${spoken(value.column)}`);
  document.getElementById("unit").textContent = value.unit && !input.value.includes(value.unit) ? value.unit : "";
  tell("");
  showOrbit();
}

/** Put the value that the fit suggests into the field; keeping it is a step of its own. */
function suggest() {
  if (!values[at]?.instead) return;
  input.value = values[at].instead;
  input.focus();
  input.dispatchEvent(new Event("input"));
}

function lineTable(value) {
  const { header, cells, mark } = value.line;
  const wide = el("table", {}, el("caption", { class: "aside" }, `line ${value.row} of ${value.source}`),
    el("thead", {}, el("tr", {}, ...header.map((name, index) => el("th", { scope: "col", "data-mark": index === mark }, name)))),
    el("tbody", {}, el("tr", {}, ...cells.map((cell, index) => el("td", { "data-mark": index === mark }, cell)))));
  const box = el("div", { class: "scroll line", tabindex: "0", role: "region", "aria-label": `line ${value.row} of ${value.source}` }, wide);
  requestAnimationFrame(() => { const cell = box.querySelector("td[data-mark]"); if (cell) box.scrollLeft = Math.max(0, cell.offsetLeft - box.clientWidth / 2); });
  return box;
}

function tell(text, wrong = false) {
  hint.textContent = text;
  hint.classList.toggle("wrong", wrong);
  if (wrong) input.setAttribute("aria-invalid", "true"); else input.removeAttribute("aria-invalid");
}

// -- the orbit -------------------------------------------------------------------------------------------------------

const showOrbit = later(async () => {
  const value = values[at];
  if (!value) return;
  const mine = ++turn;
  try {
    const meaning = await ask("/api/readings/orbit", { flight, source: value.source, row: value.row, column: value.column });
    if (mine === turn) drawOrbit(meaning, false);
  } catch (error) {
    if (mine === turn) document.getElementById("orbit").replaceChildren(el("p", { class: "note" }, error.message));
  }
}, 120);

const tryIt = later(async () => {
  const value = values[at];
  const text = input.value.trim();
  if (!value || !text) { tell(""); return; }
  const mine = ++turn;
  try {
    const meaning = await send("/api/readings/try", { flight, tab, turn: mine, source: value.source, row: value.row, column: value.column, action: "correct", text });
    if (mine !== turn || meaning.late) return;
    tell(`means ${meaning.value}`);
    drawOrbit(meaning, true);
  } catch (error) {
    if (mine === turn) tell(error.message, true);
  }
}, 220);

function drawOrbit(meaning, tried) {
  const box = document.getElementById("orbit");
  const orbit = meaning.orbit;
  if (!orbit) { box.replaceChildren(el("p", { class: "note" }, meaning.why)); return; }
  const rows = orbit.rows.map((row) => el("tr", {}, el("th", { scope: "row" }, row.name), el("td", {}, tried ? row.before : row.after),
    tried ? el("td", {}, row.after) : null, tried ? el("td", { class: row.change ? "change" : "" }, row.change || "same") : null));
  const head = el("tr", {}, el("th", { scope: "col" }, el("span", { class: "aside" }, "figure")), el("th", { scope: "col" }, "now"),
    tried ? el("th", { scope: "col" }, "as typed") : null, tried ? el("th", { scope: "col" }, "change") : null);
  box.replaceChildren(el("p", { class: "small" }, orbit.title),
    rows.length ? el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "the orbit's figures" }, el("table", {}, el("caption", { class: "aside" }, orbit.title), el("thead", {}, head), el("tbody", {}, ...rows))) : "",
    orbit.said ? el("p", { role: "status" }, `${orbit.said[0].toUpperCase()}${orbit.said.slice(1)}.`) : "",
    orbit.expected ? el("p", { class: "small" }, `The orbit asks for ${orbit.expected} here.`) : "",
    el("p", { class: "small" }, "Fitted to this coast's own readings; ± and pairs of bounds are 95 % intervals. The debrief also joins the coasts by the burns between them."));
}

// -- deciding --------------------------------------------------------------------------------------------------------

function decide(action) {
  const value = values[at];
  if (!value) return;
  const text = action === "correct" ? input.value.trim() : "";
  if (action === "correct" && !text) { tell("type the value first; to leave one out, set it aside", true); return; }
  const index = at;
  tryIt.cancel();
  busy = busy.then(async () => {
    try {
      const answer = await send("/api/readings/decide", { flight, source: value.source, row: value.row, column: value.column, action, text });
      if (answer.value) values[index] = { ...value, ...answer.value, why: answer.value.why || value.why };
      redraw(index);
      counts(answer.counts);
      say(`${spoken(value.column)} at ${value.met}: ${{ confirm: "confirmed", correct: `corrected to ${answer.value?.value ?? text}`, "set aside": "set aside", undo: "as it was read" }[action]}; ${answer.counts.open} to look at`);
      if (index === at) {
        if (action !== "undo" && values[index + 1]) choose(index + 1); else { list.children[at]?.setAttribute("aria-selected", "true"); drawWork(); }
      }
      if (action === "correct") list.focus({ preventScroll: true });
      watchFit();
    } catch (error) {
      tell(error.message, true);
      say(error.message);
    }
  });
}

let watching = false;
async function watchFit() {
  if (watching) return;
  watching = true;
  const fit = document.getElementById("fit");
  fit.textContent = "fitting the whole flight again";
  try {
    for (;;) {
      await pause(600);
      const state = await ask("/api/readings/state", { flight });
      if (state.state === "ready") { fit.textContent = state.unfitted || "the whole flight is fitted with what was decided"; showOrbit(); break; }
      if (state.state === "failed") { fit.textContent = state.problem; break; }
    }
  } catch (error) { fit.textContent = error.message; }
  watching = false;
}

// -- keys and buttons ------------------------------------------------------------------------------------------------

const ACTIONS = { c: "confirm", x: "set aside", u: "undo" };

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || document.getElementById("bench").hidden) return;
  if (event.target === input) {
    if (event.key === "Escape") { drawWork(); list.focus(); event.preventDefault(); }
    return;
  }
  if (typing(event) || !(event.target === document.body || event.target.closest("#bench, main"))) return;
  const onControl = event.target.closest("button, a, summary, input");
  if (event.key === "s") { suggest(); event.preventDefault(); }
  else if (event.key in ACTIONS) { decide(ACTIONS[event.key]); event.preventDefault(); }
  else if (event.key === "j" || (event.key === "ArrowDown" && !onControl)) { go(1); event.preventDefault(); }
  else if (event.key === "k" || (event.key === "ArrowUp" && !onControl)) { go(-1); event.preventDefault(); }
  else if (event.key === "Home" && event.target === list) { choose(0); event.preventDefault(); }
  else if (event.key === "End" && event.target === list) { choose(values.length - 1); event.preventDefault(); }
  else if (event.key === "Enter" && !onControl && values[at]) { input.focus(); input.select(); event.preventDefault(); }
  else if (/^[0-9.+T-]$/.test(event.key) && !onControl && values[at]) { input.value = ""; input.focus(); } // the key itself goes into the field
});

function go(step) {
  if (values[at + step]) choose(at + step);
  else say(step > 0 ? "that is the last one" : "that is the first one");
}

list.addEventListener("click", (event) => {
  const index = [...list.children].indexOf(event.target.closest("li"));
  if (values[index]) choose(index);
});
input.addEventListener("input", () => { document.getElementById("unit").textContent = /[A-Za-z%°]/.test(input.value) ? "" : values[at]?.unit ?? ""; tryIt(); });
document.getElementById("correct").addEventListener("submit", (event) => { event.preventDefault(); decide("correct"); });
for (const button of document.querySelectorAll("[data-do]")) button.addEventListener("click", () => decide(button.dataset.do));
for (const button of document.querySelectorAll("[data-go]")) button.addEventListener("click", () => go(Number(button.dataset.go)));
for (const radio of document.querySelectorAll("input[name=show]")) radio.addEventListener("change", () => { at = -1; load(); });
document.getElementById("more").addEventListener("click", () => load(values.length));

document.getElementById("debrief").addEventListener("click", async (event) => {
  const told = document.getElementById("debrief-said");
  told.hidden = true;
  const trouble = await debriefed(flight, event.currentTarget);
  told.hidden = !trouble;
  told.textContent = trouble;
  if (!trouble) document.getElementById("report").hidden = false;
  say(trouble ? "the debrief failed" : "the debrief is ready, and the attempt is in the logbook");
});

load();
