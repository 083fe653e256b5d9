// The installer's course: what the server tells is drawn, and what the installer answers is sent. All pages see the same part; the server keeps it.
import { say, make } from "/static/say.js";
import * as live from "/static/live.js";

const $ = (id) => document.getElementById(id);
const write = (e, text) => { if (e.textContent !== text) e.textContent = text; };
const speak = (text) => write($("says"), text);

let mark = "", shown = null, lastContact = performance.now();

// look asks again and again; that somebody asks is how the server knows that somebody is there.
async function look() {
  try {
    const reply = await fetch("/api/v1/installation?mark=" + encodeURIComponent(mark), { cache: "no-store", signal: AbortSignal.timeout(3000) });
    if (reply.status === 200) {
      const state = await reply.json();
      mark = state.mark;
      draw(state);
    }
    if (reply.status === 200 || reply.status === 204) lastContact = performance.now();
  } catch { /* said below */ }
  $("lost").hidden = performance.now() - lastContact < 2500;
  setTimeout(look, shown?.going ? 300 : 1000);
}

async function act(what, body = {}) {
  try {
    if (what === "begin" || what === "answer") { // a press that comes late does nothing
      const seen = live.status();
      if (!seen) throw { title: say("course.lost") };
      body = { ...body, at_ms: seen.at_ms };
    }
    const done = await live.send("POST", "/api/v1/installation/" + what, body);
    speak(done.name ? say("course.recorded", { name: done.name }) : "");
    return true;
  } catch (p) {
    speak([p.title, p.do].filter(Boolean).join(" ") || say("course.lost"));
    return false;
  }
}

// said is a line of the course as a list item: what was answered, what is good, what is not.
function said(text) {
  const kind = text.startsWith("> ") ? "answer" : /^ {2}BAD/.test(text) ? "bad" : /^ {2}good/.test(text) ? "good" : "";
  const words = text.replace(/^> /, "").replace(/^ {2}(BAD|good) +/, "").trim();
  const item = make("li", { class: kind });
  if (kind === "good" || kind === "bad") item.append(make("strong", {}, say("course." + kind)), " ");
  item.append(words);
  return item;
}

function draw(state) {
  const before = shown;
  shown = state;
  write($("standing"), state.trouble || say(state.standing.passed ? "course.passed" : "course.not", state.standing));
  $("standing-box").dataset.passed = state.standing.passed ? "yes" : "no";
  drawGoing(state.going, before?.going);
  drawLast(state);
  drawNext(state);
  for (const [id, safety] of [["safety", true], ["others", false]]) drawParts($(id), state.parts.filter((p) => p.safety === safety), state);
  drawWater(state);
  $("records").replaceChildren(...state.reports.map((name) => make("li", {},
    make("a", { href: `/installation/records/${name}.html` }, name), " ", make("a", { href: `/installation/records/${name}.json`, "aria-label": `${name}, ${say("course.records.json")}` }, say("course.records.json")))));
}

function drawGoing(going, before) {
  $("going").hidden = !going;
  if (!going) return;
  write($("going-title"), going.title);
  const list = $("lines");
  if (before?.part !== going.part || going.lines.length < list.children.length || going.lines.length >= 400) list.replaceChildren();
  for (const text of going.lines.slice(list.children.length)) list.append(said(text));
  if (going.lines.length !== before?.lines.length || before?.part !== going.part) $("said").scrollTop = $("said").scrollHeight;
  const q = going.question;
  $("waits").hidden = !!q;
  $("ask").hidden = !q;
  if (!q || q.id === before?.question?.id) return;
  const same = $("question").textContent === q.text;
  write($("question"), q.text);
  $("wrong").hidden = !q.again;
  write($("wrong"), q.again ? going.lines.at(-1).trim() : "");
  const choices = q.choices ?? [];
  $("choices").hidden = choices.length === 0;
  $("free").hidden = choices.length > 0;
  $("watch").hidden = !q.timed || choices.length > 0;
  $("choices").replaceChildren(...choices.map((c) => make("button", { type: "button", class: choices.length === 1 ? "main" : "", onclick: () => answer(q.id, c) }, c)));
  if (!same || !q.again) $("answer").value = "";
  (choices.length > 0 ? $("choices").firstElementChild : $("answer")).focus({ preventScroll: true });
  $("ask").scrollIntoView({ block: "end" });
}

async function answer(id, text) {
  for (const b of $("ask").querySelectorAll("button")) b.disabled = true;
  if (await act("answer", { question: id, answer: text })) $("ask").hidden = true;
  for (const b of $("ask").querySelectorAll("button")) b.disabled = false;
}

$("ask").addEventListener("submit", (e) => {
  e.preventDefault();
  const q = shown?.going?.question;
  if (q && $("answer").value.trim()) answer(q.id, $("answer").value);
});

function drawLast(state) {
  const last = state.last;
  $("last").hidden = !last || !!state.going;
  if (!last || state.going) return;
  write($("last-title"), `${last.title}: ${say("course.verdict." + last.verdict)}`);
  $("last").dataset.verdict = last.verdict;
  write($("last-why"), last.why ?? "");
  $("last-why").hidden = !last.why;
  $("last-lines").replaceChildren(...last.lines.map(said));
}

// drawNext offers the first part that is still to be passed.
function drawNext(state) {
  const next = state.parts.find((p) => (p.verdict !== "passed" && p.verdict !== "not fitted") || p.changed);
  $("next").hidden = !next || !!state.going;
  if (next) {
    write($("next"), say("course.next", next));
    $("next").dataset.part = next.id;
  }
}
$("next").addEventListener("click", () => begin($("next").dataset.part));

async function begin(part) {
  if (await act("begin", { part })) $("going").scrollIntoView({ block: "start" });
}

function finding(f) {
  const how = f.note ? "noted" : f.good ? "good" : "bad";
  const item = make("li", { class: how }, make("strong", {}, say("course." + how)), ` ${f.what}: ${f.value}`);
  if (f.bound && f.bound !== f.value) item.append(" ", make("span", { class: "quiet" }, `(${say("course.bound", f)})`));
  if (f.do && !f.good) item.append(make("br"), f.do);
  return item;
}

function drawParts(list, parts, state) {
  const open = new Set([...list.querySelectorAll("details[open]")].map((d) => d.dataset.part));
  list.replaceChildren(...parts.map((p) => {
    const findings = p.findings ?? [];
    const item = make("li", { "data-verdict": p.verdict },
      make("div", { class: "part-head" }, make("h3", {}, p.title), make("span", { class: "tag" }, say("course.verdict." + p.verdict))),
      make("p", {}, [say("course.minutes", { n: p.minutes }), p.at].filter(Boolean).join(" · ")));
    if (p.changed) item.append(make("p", { class: "changed" }, say("course.changed")));
    if (findings.length > 0) {
      item.append(make("details", { "data-part": p.id, open: open.has(p.id) },
        make("summary", {}, findings.length === 1 ? say("course.finding") : say("course.findings", { n: findings.length })),
        make("ul", { class: "findings" }, ...findings.map(finding))));
    }
    const word = p.at ? say("course.again") : say("course.begin");
    item.append(make("p", {}, make("button", { type: "button", id: "begin-" + p.id, disabled: !!state.going, "aria-label": `${word}: ${p.title}`, onclick: () => begin(p.id) }, word)));
    return item;
  }));
}

function drawWater(state) {
  const number = (text) => make("td", { class: "number" }, text);
  $("water-box").hidden = !state.water;
  if (state.water) $("water").replaceChildren(...state.water.points.map((p) => make("tr", {}, number(p.rpm.toFixed(0)), number(p.water_mps.toFixed(3)), number(`${p.low_mps.toFixed(3)}–${p.high_mps.toFixed(3)}`))));
  write($("run-out"), state.run_out ? say("course.run-out", { m: state.run_out.inertia_m.toFixed(2), ci: state.run_out.ci_m.toFixed(2) }) : "");
  $("places-box").hidden = !state.places?.length;
  $("places").replaceChildren(...(state.places ?? []).map((p) => make("tr", {}, make("td", {}, p.name), number(p.from_outlet_m.toFixed(2)), number(p.share.toFixed(3)))));
}

$("leave").addEventListener("click", () => act("leave"));
$("record").addEventListener("click", () => act("record"));

// The watch for floats: a press at each mark, and the time is in the field.
let since = 0;
$("watch-do").addEventListener("click", () => {
  if (!since) {
    since = performance.now();
    write($("watch-do"), say("course.watch.stop"));
    return;
  }
  const took = ((performance.now() - since) / 1000).toFixed(2);
  since = 0;
  write($("watch-do"), say("course.watch.start"));
  write($("watch-time"), took);
  $("answer").value = ($("answer").value.trim() + " " + took).trim();
});
setInterval(() => { if (since) write($("watch-time"), ((performance.now() - since) / 1000).toFixed(1)); }, 100);

// Stop is the panel's own: it asks nothing, and is sent until it is heard.
const stopNow = () => {
  write($("stop-more"), say("do.stop.sending"));
  live.stop(() => speak(say("do.stop.failed"))).then(() => write($("stop-more"), say("do.stop.more")));
};
$("stop-form").addEventListener("submit", (e) => { e.preventDefault(); stopNow(); });
addEventListener("keydown", (e) => { if (e.key === "Escape") stopNow(); });

live.watch((s) => {
  const turns = s && Math.abs(s.rpm) > 5;
  $("motor").dataset.turns = turns ? "yes" : "no";
  write($("motor"), !s ? say("state.none") : turns ? say("course.motor", { rpm: Math.round(s.rpm) }) : say("course.rest"));
});
live.start();
look();
