// View 1: the list follows the filters as they are typed; at most two attempts are picked. All of it works without a script too.
import { later, reach, say } from "./shared.js";

const filters = document.getElementById("filters");
const list = document.getElementById("attempts");
const picked = [];
let turn = 0;

async function show(address, focus) {
  const mine = ++turn;
  list.setAttribute("aria-busy", "true");
  const target = new URL(address, location.href);
  const part = new URL(target);
  part.searchParams.set("part", "1");
  try {
    const response = await reach(part, {});
    const text = await response.text();
    if (mine !== turn || !response.ok) return;
    // markup of our own server, in which every text of a flight is escaped; scripts in it would not run
    list.replaceChildren(...new DOMParser().parseFromString(text, "text/html").body.childNodes);
    history.replaceState(null, "", target);
    for (const name of ["sort", "down"]) filters.elements[name].value = target.searchParams.get(name) ?? filters.elements[name].value;
    keepPicks();
    say(document.getElementById("count")?.textContent ?? "no attempts");
    if (focus) list.querySelector(focus)?.focus();
  } catch (error) {
    say(error.message);
  } finally {
    list.removeAttribute("aria-busy");
  }
}

const follow = later(() => show(`/?${new URLSearchParams(new FormData(filters))}`), 200);
filters.addEventListener("input", follow);
filters.addEventListener("submit", (event) => { event.preventDefault(); follow.cancel(); show(`/?${new URLSearchParams(new FormData(filters))}`); });

list.addEventListener("click", (event) => {
  const link = event.target.closest("thead a, .pages a");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  const place = [...list.querySelectorAll("thead a")].indexOf(link);
  show(link.href, place >= 0 ? `thead th:nth-child(${place + 2}) a` : ".pages a");
});

function keepPicks() {
  for (const box of list.querySelectorAll("input[name=pick]")) box.checked = picked.includes(box.value);
  const button = document.getElementById("compare");
  if (button) button.disabled = picked.length !== 2;
  for (const hidden of list.querySelectorAll("input[type=hidden][name=pick]")) hidden.remove();
  const form = document.getElementById("picks");
  for (const value of picked) {
    if (form && !list.querySelector(`input[type=checkbox][value="${value}"]`)) {
      const hidden = document.createElement("input");
      Object.assign(hidden, { type: "hidden", name: "pick", value });
      form.append(hidden);
    }
  }
}

list.addEventListener("change", (event) => {
  if (event.target.name !== "pick") return;
  const value = event.target.value;
  const at = picked.indexOf(value);
  if (at >= 0) picked.splice(at, 1);
  if (event.target.checked) picked.push(value);
  while (picked.length > 2) picked.shift();
  keepPicks();
  say(picked.length === 2 ? "two attempts picked: compare them" : picked.length === 1 ? "one attempt picked; pick another" : "none picked");
});

for (const box of list.querySelectorAll("input[name=pick]:checked")) picked.push(box.value);
keepPicks();
