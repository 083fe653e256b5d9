// Forms about swimmers: each says where it goes and how; what was refused is said beside it, and what was done shows when the page comes again.
import { send } from "/static/live.js";

const words = (p) => [p.title, p.do].filter(Boolean).join(" ");

for (const form of document.querySelectorAll("form[data-to]")) form.addEventListener("submit", async (e) => {
  e.preventDefault();
  const { method, to, named, then } = form.dataset;
  const name = named ? encodeURIComponent(document.getElementById(named).value.trim()) : "";
  const swims = form.querySelector(".swims")?.checked ? "?swims" : "";
  const body = {};
  for (const field of form.querySelectorAll("[name]")) {
    if (field.type === "checkbox") body[field.name] = field.checked;
    else if (field.type === "number") body[field.name] = Number(field.value);
    else body[field.name] = field.value;
  }
  try {
    const reply = await send(method, to + name + swims, method === "DELETE" ? undefined : body);
    const session = reply.session ? encodeURIComponent(reply.session) + "?swimmer=" + encodeURIComponent(reply.swimmer) : "";
    if (then) location.href = then + (name || session);
    else location.reload();
  } catch (p) { form.querySelector(".says").textContent = words(p); }
});

// What cannot be taken back asks for a name, written out.
for (const form of document.querySelectorAll("form[data-sure]")) {
  const field = form.querySelector(".sure"), button = form.querySelector("button");
  field.addEventListener("input", () => { button.disabled = field.value.trim() !== form.dataset.sure; });
}

document.getElementById("import")?.addEventListener("change", async (e) => {
  const file = e.target.files[0];
  if (!file) return;
  try {
    await send("POST", "/api/v1/swimmers", await file.text(), "text/plain");
    location.reload();
  } catch (p) {
    document.getElementById("import-says").textContent = words(p);
    e.target.value = "";
  }
});
