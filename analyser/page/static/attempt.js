// One attempt: debrief it again, delete it, bring it back. The buttons rest until this script can answer them.
import { debriefed, say, send } from "./shared.js";

const debrief = document.getElementById("debrief");
debrief?.addEventListener("click", async () => {
  const trouble = await debriefed(debrief.dataset.flight, debrief);
  if (trouble) say(trouble);
  else location.reload();
});

const remove = document.getElementById("remove");
remove?.addEventListener("click", async () => {
  try {
    await send("/api/attempts", { attempt: Number(remove.dataset.attempt), action: remove.dataset.action });
    location.reload();
  } catch (error) {
    say(error.message);
  }
});

for (const button of [debrief, remove]) if (button) button.disabled = false;
