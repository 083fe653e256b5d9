// Pairing: the code goes to the flume once; what comes back is a cookie that no script can read.
import { send } from "/static/live.js";

document.getElementById("pair").addEventListener("submit", async (e) => {
  e.preventDefault();
  try {
    await send("POST", "/api/v1/pair", { code: document.getElementById("code").value, device: document.getElementById("device").value });
    location.href = "/";
  } catch (p) { document.getElementById("says").textContent = [p.title, p.do].filter(Boolean).join(" "); }
});
