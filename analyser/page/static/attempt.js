// One attempt: debrief it again, delete it, bring it back.
import { ask, pause, say, send } from "./shared.js";

const debrief = document.getElementById("debrief");
debrief?.addEventListener("click", async () => {
  const flight = debrief.dataset.flight;
  debrief.disabled = true;
  try {
    await send("/api/readings/debrief", { flight });
    say("debriefing; this takes some seconds, more with many screenshots");
    for (;;) {
      await pause(700);
      const state = await ask("/api/readings/state", { flight });
      if (state.debrief === "done") { location.reload(); return; }
      if (state.debrief === "failed") { say(state.debrief_said || "the debrief failed"); break; }
    }
  } catch (error) {
    say(error.message);
  }
  debrief.disabled = false;
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
