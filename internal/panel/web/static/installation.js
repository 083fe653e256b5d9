// The installation page: what the drive and the wall say now, and the paired devices.
import { say } from "/static/say.js";
import * as live from "/static/live.js";

const write = (id, text) => { const e = document.getElementById(id); if (e && e.textContent !== text) e.textContent = text; };

live.watch((s) => {
  const lost = s && s.faults.some((f) => f.code === "link-lost");
  write("link", s ? say(lost ? "installation.link.down" : "installation.link.up") : say("state.none"));
  write("rpm", s ? Math.round(s.rpm) + " rpm" : "–");
  write("water", s ? s.water_mps.toFixed(2) + " m/s" : "–");
  for (const key of ["stop", "stop_tried", "occupancy", "cover", "water_level"]) write("input-" + key, s ? say("installation." + s.inputs[key]) : "–");
});
live.start();

if (document.getElementById("standing")) {
  live.send("GET", "/api/v1/installation").then((c) => write("standing", say(c.standing.passed ? "course.passed" : "course.not", c.standing)), (p) => write("standing", p.title || ""));
}

for (const button of document.querySelectorAll("button[data-id]")) {
  button.addEventListener("click", async () => {
    try {
      await live.send("DELETE", "/api/v1/devices/" + encodeURIComponent(button.dataset.id));
      location.reload();
    } catch (p) { write("says", p.title || ""); }
  });
}
