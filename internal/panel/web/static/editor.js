// The editor: the plain text of a session is what is edited, always; the lines are a view of the part of it between lines = """ and """.
// What is wrong, and what each line comes to, is said by the same checker that the command line has.
import { say, clock, distance, make, metresIn } from "/static/say.js";
import * as live from "/static/live.js";
import { Line } from "/static/line.js";

const $ = (id) => document.getElementById(id);
const area = $("text"), list = $("lines"), main = $("main");
const line = new Line($("line"));
let asLines = "";
let proposed = null; // the text as a change of the whole session would leave it, until that is kept or dropped

// ---- the text and its lines

// part finds the lines in the text: what is before, the lines, what is behind, and the number of the first line in the file.
function part(text) {
  const m = /^lines[ \t]*=[ \t]*"""(\r?\n)?/m.exec(text);
  if (!m) return null;
  const from = m.index + m[0].length, to = text.indexOf('"""', from);
  if (to < 0) return null;
  return { before: text.slice(0, from), lines: text.slice(from, to).replace(/\n$/, "").split("\n"), behind: text.slice(to), first: text.slice(0, from).split("\n").length };
}

const rows = () => [...list.querySelectorAll("input")].map((i) => i.value.replace(/"""/g, '""'));

function fromRows() {
  const p = part(area.value);
  area.value = p.before + rows().join("\n") + "\n" + p.behind;
  changed();
}

function row(text) {
  const field = make("input", { "aria-label": "", value: text, spellcheck: "false", autocapitalize: "off", autocomplete: "off" });
  const li = make("li", {}, field, make("span", { class: "tools" },
    tool("editor.up", "↑", () => li.previousElementSibling?.before(li)),
    tool("editor.down", "↓", () => li.nextElementSibling?.after(li)),
    tool("editor.double", twoSheets(), () => li.after(row(field.value))),
    tool("editor.delete", "✕", () => { const near = li.nextElementSibling || li.previousElementSibling; li.remove(); near?.querySelector("input").focus(); })),
    make("p", { class: "words" }));
  field.addEventListener("input", () => fromRows());
  field.addEventListener("keydown", (e) => {
    if (e.key !== "Enter") return;
    e.preventDefault();
    const below = row("");
    li.after(below);
    number();
    below.querySelector("input").focus();
    fromRows();
  });
  return li;
}

function tool(word, sign, act) {
  return make("button", { type: "button", "data-word": word, onclick: (e) => { act(); number(); fromRows(); if (e.currentTarget.isConnected) e.currentTarget.focus(); } }, make("span", { "aria-hidden": "true" }, sign));
}

// twoSheets is drawn, as few fonts have a sign for it.
function twoSheets() {
  const space = "http://www.w3.org/2000/svg", svg = document.createElementNS(space, "svg"), path = document.createElementNS(space, "path");
  svg.setAttribute("viewBox", "0 0 20 20");
  svg.setAttribute("class", "sign");
  path.setAttribute("d", "M3 3H13V13H3ZM7 13V17H17V7H13");
  svg.append(path);
  return svg;
}

// number names every row and its tools for those who hear the page.
function number() {
  [...list.children].forEach((li, i) => {
    const name = say("editor.line", { n: i + 1 });
    li.querySelector("input").setAttribute("aria-label", name);
    for (const b of li.querySelectorAll("button")) b.setAttribute("aria-label", say(b.dataset.word) + ": " + name);
  });
}

function toRows() {
  const p = part(area.value);
  $("only-text").hidden = !!p || area.value.trim() === "";
  $("as-lines").hidden = !asLines;
  $("add").hidden = !p;
  list.replaceChildren(...(p ? p.lines.map(row) : []));
  number();
}

// ---- what the checker says

let timer = 0, asked = 0;
function changed() {
  drop();
  clearTimeout(timer);
  timer = setTimeout(() => check(false), 250);
}

async function check(simulate) {
  const mine = ++asked;
  const query = "?swimmer=" + encodeURIComponent($("for").value) + (simulate ? "&simulate" : "");
  let good = null, bad = null;
  try { good = await live.send("POST", "/api/v1/rehearse" + query, proposed ?? area.value, "application/toml"); } catch (p) { bad = p; }
  if (mine !== asked) return;
  if (proposed === null) showLines(good, bad);
  showCurve(good, bad);
}

// mistakesOf are the mistakes in the text, or the one reason why it could not be looked at.
const mistakesOf = (bad) => (bad ? bad.problems || [{ line: 0, col: 0, text: [bad.title || say("stale.first"), bad.detail].filter(Boolean).join(" ") }] : []);

// showLines says beside each line what it comes to, or what is wrong with it.
function showLines(good, bad) {
  const p = part(area.value), mistakes = mistakesOf(bad);
  const inRow = (n) => (p && n >= p.first && n < p.first + p.lines.length ? list.children[n - p.first] : null);
  for (const li of list.children) { li.className = ""; li.querySelector(".words").textContent = ""; li.querySelector("input").removeAttribute("aria-invalid"); }
  const elsewhere = [];
  for (const m of mistakes) {
    const li = inRow(m.line);
    if (!li) { elsewhere.push(m); continue; }
    li.className = "wrong";
    li.querySelector("input").setAttribute("aria-invalid", "true");
    li.querySelector(".words").append(`${m.col}: ${m.text} `);
  }
  $("mistakes").replaceChildren(...elsewhere.map((m) => make("p", { class: "notice" }, (m.line ? `${m.line}:${m.col}: ` : "") + m.text)));
  if (bad) return;
  for (const e of good.explained) {
    const li = inRow(e.line);
    if (li) li.querySelector(".words").textContent = e.words;
  }
}

// showCurve shows what the whole comes to: as it stands, or as a change would leave it.
function showCurve(good, bad) {
  if (bad) {
    $("totals").textContent = say("editor.mistakes", { n: mistakesOf(bad).length });
    $("warnings").replaceChildren();
    $("asks").replaceChildren();
    line.show(null);
    return;
  }
  asLines = good.as_lines || "";
  $("as-lines").hidden = !asLines;
  $("title").textContent = good.title;
  $("totals").textContent = say("editor.totals", {
    time: clock(good.total_s), distance: distance(good.total_m, good.unit), asked: clock(good.asked_total_s), asked_m: distance(good.asked_total_m, good.unit) });
  $("warnings").replaceChildren(...good.warnings.map((w) => make("p", { class: "notice" }, w.text)));
  $("asks").replaceChildren(...good.asks_in_words.map((text) => make("p", {}, text)), ...good.asks.cautions.map((c) => make("p", { class: "notice" }, c.text)));
  line.show(good.curve);
  $("rehearsed").textContent = good.was_simulated ? say("editor.simulated", {
    distance: distance(good.simulated.total_m, good.unit), time: clock(good.simulated.total_s), error: good.simulated.worst_speed_error_mps.toFixed(2) }) : "";
  table(good);
}

function table(r) {
  const cell = (text, kind) => make("td", kind ? { class: kind } : {}, text);
  const both = (s, m) => `${clock(s)} · ${metresIn(m, r.unit).toFixed(0)} ${r.unit}`;
  $("blocks").tBodies[0].replaceChildren(...r.blocks.slice(0, 2000).map((b) => make("tr", {},
    cell(clock(b.start_s)), cell(b.name + (b.of > 1 ? " " + say("deck.of", { n: b.round, of: b.of }) : "")), cell(both(b.asked_s, b.asked_m)),
    cell(both(b.duration_s, b.distance_m)), cell(b.pace_text || say("deck.rest")))));
}

// ---- the whole session

// setKey changes a key of the head of the file, or adds it after format.
function setKey(key, value) {
  const has = new RegExp(`^${key}[ \\t]*=[ \\t]*"(?:[^"\\\\\\n]|\\\\.)*"`, "m");
  const text = `${key} = ${JSON.stringify(value)}`;
  if (has.test(area.value)) area.value = area.value.replace(has, () => text);
  else area.value = area.value.replace(/^(format[ \t]*=.*)$/m, (f) => f + "\n" + text);
  changed();
}

const otherUnit = () => ($("unit").value === "yd" ? "m" : "yd");

function readHead() {
  const get = (key) => new RegExp(`^${key}[ \\t]*=[ \\t]*("(?:[^"\\\\\\n]|\\\\.)*")`, "m").exec(area.value)?.[1];
  try { $("session-title").value = JSON.parse(get("title") || '""'); } catch { /* as it was */ }
  $("unit").value = get("unit") === '"yd"' ? "yd" : "m";
  $("change-unit").textContent = say("change.to." + otherUnit());
}

// ---- changes of the whole session

// propose asks for the text as a change would leave it, and shows that; the text itself stays until somebody says so.
async function propose(how) {
  drop();
  const mine = area.value;
  try {
    const text = await live.send("POST", "/api/v1/scale?" + how, mine, "application/toml");
    if (area.value !== mine) return; // somebody wrote on meanwhile
    const before = mine.split("\n"), after = text.split("\n");
    const rows = after.flatMap((l, i) => (l === before[i] ? [] : [make("li", {}, make("del", {}, before[i] ?? ""), make("ins", {}, l))]));
    if (!rows.length) { $("change-says").textContent = say("change.nothing"); return; }
    proposed = text;
    $("changes").replaceChildren(...rows);
    $("change").hidden = $("previewed").hidden = false;
    check(false);
    $("change").scrollIntoView({ block: "nearest" });
  } catch (p) { $("change-says").textContent = mistakesOf(p).map((m) => (m.line ? `${m.line}:${m.col}: ` : "") + m.text).join(" "); }
}

// drop forgets a change that was not kept.
function drop() {
  $("change").hidden = $("previewed").hidden = true;
  $("change-says").textContent = "";
  proposed = null;
}

const figure = (id) => encodeURIComponent($(id).value);
$("change-shorter").addEventListener("click", () => propose("shorter=" + figure("change-percent")));
$("change-slower").addEventListener("click", () => propose("slower=" + figure("change-seconds")));
$("change-faster").addEventListener("click", () => propose("slower=-" + figure("change-seconds")));
$("change-unit").addEventListener("click", () => propose("unit=" + otherUnit()));
$("change-drop").addEventListener("click", () => { drop(); check(false); $("change-shorter").focus(); });
$("change-keep").addEventListener("click", () => {
  area.value = proposed;
  toRows();
  readHead();
  drop();
  check(false);
  $("change-shorter").focus();
});

const refused = (p) => { $("says").textContent = p && p.title ? [p.title, p.do || p.detail].filter(Boolean).join(" ") : say("stale.first"); };

$("session-title").addEventListener("input", () => setKey("title", $("session-title").value));
$("unit").addEventListener("change", () => { setKey("unit", $("unit").value); readHead(); });
area.addEventListener("input", () => { toRows(); readHead(); changed(); });
$("add").addEventListener("click", () => { list.append(row("")); number(); list.lastElementChild.querySelector("input").focus(); fromRows(); });
$("as-lines").addEventListener("click", () => { drop(); area.value = asLines; toRows(); check(false); });
$("for").addEventListener("change", () => check(false));
$("rehearse").addEventListener("click", () => check(true));
$("keep").addEventListener("click", async () => {
  const name = $("name").value.trim();
  try {
    await live.send("PUT", "/api/v1/sessions/" + encodeURIComponent(name), area.value, "application/toml");
    if (name !== main.dataset.name || main.dataset.demo === "true") location.href = "/sessions/" + encodeURIComponent(name);
    else $("says").textContent = say("editor.kept", { name });
  } catch (p) { refused(p); check(false); }
});
$("remove")?.addEventListener("click", async () => {
  if (!confirm(say("editor.remove.sure", { name: main.dataset.name }))) return;
  try { await live.send("DELETE", "/api/v1/sessions/" + encodeURIComponent(main.dataset.name)); location.href = "/sessions"; } catch (p) { refused(p); }
});
$("lay")?.addEventListener("click", async () => {
  try {
    const s = await live.send("GET", "/api/v1/status");
    await live.send("POST", "/api/v1/lay-out", { seen: { boot_id: s.boot_id, swim_id: s.swim_id, seq: s.seq, at_ms: s.at_ms }, session: main.dataset.name, swimmer: $("for").value });
    location.href = "/";
  } catch (p) { refused(p); }
});

readHead();
toRows();
check(false);
