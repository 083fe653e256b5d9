// Forms about swimmers: each says where it goes and how; what was refused is said beside it, and what was done shows when the page comes again.
import { send } from "/static/live.js";

for (const form of document.querySelectorAll("form[data-to]")) form.addEventListener("submit", async (e) => {
  e.preventDefault();
  const { method, to, named, then } = form.dataset;
  const name = named ? encodeURIComponent(document.getElementById(named).value.trim()) : "";
  const body = {};
  for (const field of form.querySelectorAll("[name]")) {
    if (field.type === "checkbox") body[field.name] = field.checked;
    else if (field.type === "number") body[field.name] = Number(field.value);
    else body[field.name] = field.value;
  }
  try {
    const reply = await send(method, to + name, method === "DELETE" ? undefined : body);
    if (then) location.href = then + (name || encodeURIComponent(reply.session));
    else location.reload();
  } catch (p) { form.querySelector(".says").textContent = [p.title, p.do].filter(Boolean).join(" "); }
});
