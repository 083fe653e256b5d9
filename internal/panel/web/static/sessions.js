// The list of sessions: a file is taken in under its own name, if it has no mistakes.
import { send } from "/static/live.js";

const says = document.getElementById("says");
document.getElementById("import")?.addEventListener("change", async (e) => {
  const file = e.target.files[0];
  if (!file) return;
  const name = file.name.replace(/\.toml$/i, "").replace(/[^\p{L}\p{N} _-]+/gu, "-").slice(0, 60);
  try {
    await send("PUT", "/api/v1/sessions/" + encodeURIComponent(name), await file.text(), "application/toml");
    location.href = "/sessions/" + encodeURIComponent(name);
  } catch (p) {
    says.textContent = [p.title, ...(p.problems || []).map((m) => `${file.name}:${m.line}:${m.col}: ${m.text}`)].join(" ");
  }
});
