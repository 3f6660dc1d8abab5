// Takes a screenshot into the folder and opens it to draw a new panel on.
import { answer, reach } from "./shared.js";

const form = document.getElementById("upload");
const hint = document.getElementById("hint");
const MOST = 40_000_000;

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const file = form.elements.picture.files[0];
  hint.classList.remove("wrong");
  try {
    if (file.size > MOST) throw new Error("this picture is larger than 40 MB; save it as PNG or JPEG");
    hint.textContent = "taking it in";
    const address = `/api/panel/picture?${new URLSearchParams({ called: form.elements.called.value })}`;
    const found = await answer(await reach(address, { method: "POST", headers: { "content-type": "application/octet-stream" }, body: file }));
    location.href = `/panel?${new URLSearchParams({ picture: found.picture })}`;
  } catch (error) {
    hint.textContent = error.message;
    hint.classList.add("wrong");
  }
});
