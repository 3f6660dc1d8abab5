// What the views share: asking the server, saying what happened, making elements without ever writing markup.

const said = document.getElementById("said");
let sayLess;

/** Say something short; a screen reader reads it out. */
export function say(text) {
  said.textContent = text;
  clearTimeout(sayLess);
  sayLess = setTimeout(() => { said.textContent = ""; }, 5000);
}

/** An element with attributes and children; text stays text. */
export function el(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}

/** An SVG element. */
export function svg(name, attributes = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export class Problem extends Error {}

async function answer(response) {
  let found = null;
  try { found = await response.json(); } catch { /* no JSON: told below */ }
  if (!response.ok) throw new Problem(found?.problem ?? `the page answered ${response.status}`);
  return found;
}

async function reach(address, options) {
  try {
    return await fetch(address, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Problem("the page can't be reached: is `analyser page` still running?");
  }
}

/** Ask for something. */
export async function ask(address, parts = {}) {
  const query = new URLSearchParams(parts).toString();
  return answer(await reach(query ? `${address}?${query}` : address, {}));
}

/** Send something; what it answers. */
export async function send(address, found, signal) {
  return answer(await reach(address, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(found), signal }));
}

/** Send something; the bytes it answers. */
export async function sendForBytes(address, found, signal) {
  const response = await reach(address, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(found), signal });
  if (!response.ok) throw new Problem("no picture");
  return response.blob();
}

export { answer, reach };

/** Call `action` once `wait` ms have passed without another call. */
export function later(action, wait) {
  let timer;
  const delayed = (...values) => { clearTimeout(timer); timer = setTimeout(() => action(...values), wait); };
  delayed.cancel = () => clearTimeout(timer);
  return delayed;
}

/** Whether keys typed now are text. */
export function typing(event) {
  const target = event.target;
  return target instanceof HTMLInputElement && !["checkbox", "radio", "button"].includes(target.type) || target instanceof HTMLSelectElement || target instanceof HTMLTextAreaElement;
}

/** Debrief a flight anew and wait for it: "" once it is done, else what went wrong. The button rests meanwhile. */
export async function debriefed(flight, button) {
  button.disabled = true;
  try {
    await send("/api/readings/debrief", { flight });
    say("debriefing; this takes some seconds, more with many screenshots");
    for (;;) {
      await pause(700);
      const state = await ask("/api/readings/state", { flight });
      if (state.debrief === "done") return "";
      if (state.debrief === "failed") return state.debrief_said || "the debrief failed";
    }
  } catch (error) {
    return error.message;
  } finally {
    button.disabled = false;
  }
}

export const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });
