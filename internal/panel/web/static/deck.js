// The deck: one picture of the latest status, and the commands.
import { say, clock, distance, metresIn, paces, make } from "/static/say.js";
import * as live from "/static/live.js";
import * as sound from "/static/sound.js";
import { Line } from "/static/line.js";

const $ = (id) => document.getElementById(id);
const write = (id, text) => { const e = $(id); if (e.textContent !== text) e.textContent = text; };
const paired = document.body.dataset.paired === "yes";
const line = new Line($("line"));
let plan = -1, announced = null, spoken = "", askedAt = 0;
const stillFrom = ["pausing", "paused", "stopping", "stopped", "finished", "ready"];

// ---- what is shown

function show(s) {
  document.body.dataset.live = s ? "yes" : "no";
  $("stale").hidden = !!s;
  if (!s) {
    const seen = live.lastContact();
    write("stale-what", seen ? say("stale", { time: seen.toLocaleTimeString() }) : say("stale.first"));
    $("stale-more").hidden = !seen;
    for (const id of ["pace", "left", "next", "swum-time", "swum-distance", "water", "places", "place", "session"]) write(id, "–");
    document.body.dataset.state = "";
    write("state", say("state.none"));
    $("faults").replaceChildren();
    write("moves", "");
    for (const id of ["now-box", "left-box", "next-box"]) $(id).hidden = true;
    buttons(null);
    return;
  }
  document.body.dataset.state = s.state;
  $("simulated").hidden = !s.simulated;
  write("state", say("state." + s.state));
  write("session", [s.title, s.swimmer].filter(Boolean).join(" · ") || say("deck.nothing"));
  write("place", s.now && s.blocks > 1 ? say("deck.of", { n: s.block + 1, of: s.blocks }) : "");
  now(s);
  next(s);
  write("swum-time", clock(s.elapsed_s) + (s.blocks > 1 ? " " + say("deck.total", { time: clock(s.total_s), distance: distance(s.total_m, s.unit) }) : ""));
  write("swum-distance", distance(s.distance_m, s.unit));
  write("water", s.water_mps.toFixed(2) + " m/s" + (s.pace_text ? ` (${s.pace_text.replace(/\.\d$/, "")})` : ""));
  const places = s.places.filter((p) => p.pace_text);
  $("along").hidden = !places.length;
  write("places", places.map((p) => `${p.name} ${p.pace_text}`).join(", "));
  $("nudged").hidden = !s.nudge_s;
  write("nudge", (s.nudge_s > 0 ? "+" : "−") + Math.abs(s.nudge_s) + " s");
  const resting = stillFrom.includes(s.state) || (s.now && s.now.rest);
  write("moves", resting && s.water_moves ? say("deck.moves", { speed: s.water_mps.toFixed(2) }) : "");
  faults(s);
  buttons(s);
  announce(s);
  if (s.plan !== plan) fetchPlan(s.plan);
  else line.at(s.place_s, s.state === "count-in" ? undefined : s.water_mps);
}

// big writes a figure; words are set smaller than numbers.
function big(id, text) {
  write(id, text);
  $(id).classList.toggle("word", !/^[\d:.]+$/.test(text));
  $(id).dataset.length = text.length;
}

function now(s) {
  const per = say("deck.per", { unit: s.unit });
  $("now-box").hidden = !s.now;
  if (s.state === "count-in") {
    write("now-name", say("deck.counts"));
    big("pace", String(Math.ceil(s.count_in_s)));
    write("now-unit", say("deck.seconds"));
    $("left-box").hidden = true;
    return;
  }
  const b = s.now;
  $("left-box").hidden = !b;
  if (!b) return;
  write("now-name", name(b));
  big("pace", nowPace(s, b));
  write("now-unit", [b.rest ? "" : per, b.from !== b.to ? paces(b) : "", b.note].filter(Boolean).join(" · "));
  if (b.distance_m !== null) {
    big("left", String(Math.ceil(metresIn(s.block_left_m, s.unit))));
    write("left-unit", s.unit + (s.block_left_s === null ? "" : " · " + clock(s.block_left_s, true)));
  } else {
    big("left", s.block_left_s === null ? clock(s.block_s) : clock(s.block_left_s, true));
    write("left-unit", s.block_left_s === null ? say("deck.open") : "");
  }
  write("left-name", say(s.block_left_s === null && b.distance_m === null ? "deck.swum" : "deck.left"));
}

// nowPace is what is asked now: between two paces, what the water is to do at this moment.
function nowPace(s, b) {
  if (b.rest || b.from === b.to) return paces(b);
  return s.wish_mps > 0.2 ? clock((s.unit === "yd" ? 91.44 : 100) / s.wish_mps) : b.from;
}

const name = (b) => b.name + (b.of > 1 ? " " + say("deck.of", { n: b.round, of: b.of }) : "");

function next(s) {
  const begins = s.state === "count-in"; // what the count-in leads to is next
  const b = begins ? s.now : s.next, last = s.now && !b;
  write("next-label", s.now && !begins ? say("deck.next") : say("deck.first"));
  $("next-box").hidden = !b && !last;
  big("next", b ? (b.rest ? say("deck.rest") : b.from) : last ? say("deck.end") : "");
  const extent = b ? (b.open ? say("deck.open") : b.distance_m !== null ? distance(b.distance_m, s.unit) : clock(b.time_s)) : "";
  write("next-name", b ? [name(b), extent].join(" · ") : "");
  $("next-box").dataset.soon = s.now && s.block_left_s !== null && s.block_left_s <= 10 && s.state === "running" ? "yes" : "no";
}

function faults(s) {
  const key = JSON.stringify(s.faults);
  if ($("faults").dataset.key === key) return;
  $("faults").dataset.key = key;
  $("faults").replaceChildren(...s.faults.map((f) => make("div", { class: "notice" },
    make("strong", {}, f.what), [f.water, f.do].filter(Boolean).join(" "), " ", make("small", {}, `[${f.code}]`))));
}

async function fetchPlan(want) {
  plan = want;
  try {
    const curve = await live.send("GET", "/api/v1/plan");
    if (curve.plan !== plan) plan = curve.plan;
    const draws = curve.blocks.length > 1;
    $("line").hidden = !draws;
    line.show(draws ? curve : null);
    const s = live.status();
    line.at(s ? s.place_s : null);
  } catch { plan = -1; }
}

// ---- what is said and heard

// speak fills the one live region, once for each new thing.
function speak(text) {
  if (text !== spoken) write("says", (spoken = text));
}

function announce(s) {
  const a = s.announce, key = s.boot_id + (a ? a.at_ms : "");
  if (a && announced !== null && key !== announced && s.at_ms - a.at_ms < 1500) {
    sound.play(a.cue);
    const to = s.next && !s.next.rest ? s.next.from : "";
    if (a.in_s) speak(to ? say("cue.in.to", { cue: say("cue." + a.cue), n: a.in_s, pace: to }) : say("cue.in", { cue: say("cue." + a.cue), n: a.in_s }));
  }
  announced = key;
  if (s.ask && performance.now() - askedAt > 2000) {
    askedAt = performance.now();
    sound.play("still there?");
  }
  const moment = s.state + s.block;
  if (announce.moment !== undefined && announce.moment !== moment) {
    speak(say("state." + s.state) + (s.now ? `: ${name(s.now)}, ${paces(s.now)}` : ""));
    if (s.state === "stopped") sound.play("stop");
  }
  announce.moment = moment;
}

// ---- commands

const refused = (e) => speak(e && e.title ? [e.title, ...(e.problems || []).slice(0, 1).map((p) => p.text), e.detail].filter(Boolean).join(" ") : say("stale.first"));
const give = (what, more) => live.command(what, more).catch(refused);

// press gives a command and closes the button for a moment: a wet finger bounces.
function press(button, what, more) {
  button.disabled = true;
  give(what, more).finally(() => setTimeout(() => { const s = live.status(); buttons(s, true); }, what === "nudge" ? 120 : 500));
}

// each button: its command, the states in which it is there, what it carries.
const all = [
  { id: "here", what: "here", on: (s) => s.ask, more: {} },
  { id: "reset", what: "reset", on: (s) => s.state === "stopped" },
  { id: "start", ask: true, on: (s) => ["ready", "finished"].includes(s.state) },
  { id: "turn", turn: true, on: (s) => ["paused", "finished"].includes(s.state) && s.may.includes("swimmer") && s.blocks > 0 && $("turn-people").children.length > 0 },
  { id: "again", ask: true, again: true, on: (s) => ["ready", "finished"].includes(s.state) && s.again },
  { id: "cancel", what: "start", on: (s) => s.state === "count-in" },
  { id: "on", what: "on", on: (s) => s.may.includes("on") },
  { id: "pause", what: "pause", on: (s) => s.state === "running" },
  { id: "resume", what: "resume", on: (s) => ["pausing", "paused"].includes(s.state) },
  { id: "back", what: "back", on: (s) => ["running", "paused"].includes(s.state) },
  { id: "skip", what: "skip", on: (s) => ["running", "paused"].includes(s.state) },
  { id: "slower", what: "nudge", more: { s_per_100: 1 }, on: (s) => ["running", "paused"].includes(s.state) },
  { id: "faster", what: "nudge", more: { s_per_100: -1 }, on: (s) => ["running", "paused"].includes(s.state) },
  { id: "finish", what: "finish", on: (s) => s.may.includes("finish") },
];

let steady = null;

function buttons(s, again = false) {
  if (!paired) return;
  $("lay").hidden = !s || !s.may.includes("lay-out");
  for (const b of all) {
    const e = $("do-" + b.id), show = !!s && b.on(s);
    if (e.hidden === show || again) {
      e.hidden = !show;
      e.disabled = false;
    }
    if (b.id === "start") e.disabled = !s || !s.may.includes("start");
  }
  if (!s) return;
  $("do-steady").disabled = !s.may.includes("steady");
  $("lay-out").disabled = !s.may.includes("lay-out");
}

// ask is the list of what must be true before water starts: facts where there are facts, and what only a person can see.
function ask(s, go) {
  const i = s.inputs, fact = (id, good, text) => make("li", { class: "fact" }, make("span", { "aria-hidden": "true" }, good ? "✓" : "✗"), make("span", {}, text));
  const facts = [fact("who", true, say("check.swimmer", { session: s.title || say("do.steady"), swimmer: s.swimmer || say("deck.anybody") }))];
  const wired = (key, value, words) => {
    const v = value === "good" ? "good" : value === "absent" ? "absent" : "bad";
    facts.push(fact(key, v !== "bad", say(words + v)));
  };
  wired("stop", i.stop_tried, "check.stop.");
  wired("cover", i.cover, "check.cover.");
  wired("water_level", i.water_level, "check.level.");
  $("check-facts").replaceChildren(...facts);
  const boxes = ["check.outlet", "check.earshot"].concat(s.confirm && !steady ? ["check.confirm"] : []);
  const ready = () => { $("check-do").disabled = ![...$("check-asked").querySelectorAll("input")].every((b) => b.checked); };
  $("check-asked").replaceChildren(...boxes.map((key) => make("li", {}, make("label", {}, make("input", { type: "checkbox", id: key, onchange: ready }), say(key)))));
  ready();
  $("check").returnValue = "";
  $("check").onclose = () => { if ($("check").returnValue === "go") go(s.confirm); };
  $("check").showModal();
}

// turn asks who swims next, the one after who swims now first: all of them as buttons that a wet finger hits.
function turn() {
  const s = live.status();
  if (!s || !s.may.includes("swimmer")) return;
  const list = $("turn-people"), now = [...list.children].findIndex((li) => li.firstChild.dataset.name === s.swimmer);
  for (const li of [...list.children].slice(0, now + 1)) list.append(li);
  for (const b of list.querySelectorAll("button")) {
    b.disabled = b.dataset.name === s.swimmer;
    b.onclick = () => {
      $("turn").close();
      live.command("swimmer", { swimmer: b.dataset.name }).then((done) => {
        $("lay-swimmer").value = b.dataset.name;
        speak([say("turn.done", { name: b.dataset.name }), ...(done.warnings || []).map((w) => w.what)].join(" "));
      }, refused);
    };
  }
  $("turn").showModal();
}

function startAsked(again) {
  const s = live.status();
  if (s && s.may.includes("start")) ask(s, (confirm) => give("start", { again, confirm }));
}

function layOut() {
  const swimmer = $("lay-swimmer").value, name = $("lay-session").value;
  live.command("lay-out", { session: name, swimmer }).then(
    (done) => speak([say("lay.done", { title: $("lay-session").selectedOptions[0].textContent.trim() }), ...(done.warnings || []).map((w) => w.what)].join(" ")), refused);
}

function steadyWater() {
  const s = live.status(), pace = $("steady-pace").value.trim();
  if (!s) return;
  if (s.state === "running") { give("steady", { pace }); return; }
  steady = pace;
  ask({ ...s, title: say("do.steady") + " " + pace }, () => give("steady", { pace }));
  steady = null;
}

function stopNow() {
  const b = $("stop");
  b.dataset.sending = "yes";
  write("stop-more", say("do.stop.sending"));
  live.stop(() => { write("stop-more", say("do.stop.sending")); speak(say("do.stop.failed")); })
    .then(() => { delete b.dataset.sending; write("stop-more", say("do.stop.more")); });
}

$("stop-form").addEventListener("submit", (e) => { e.preventDefault(); stopNow(); });
if (paired) {
  for (const b of all) {
    $("do-" + b.id).addEventListener("click", (e) => (b.turn ? turn() : b.ask ? startAsked(!!b.again) : press(e.currentTarget, b.what, b.more)));
  }
  $("lay-out").addEventListener("click", layOut);
  $("lay-look").addEventListener("click", () => { location.href = "/sessions/" + encodeURIComponent($("lay-session").value) + "?swimmer=" + encodeURIComponent($("lay-swimmer").value); });
  $("do-steady").addEventListener("click", steadyWater);
}

const keys = { " ": ["on", "pause", "resume"], n: ["skip"], b: ["back"], "+": ["slower"], "-": ["faster"], f: ["finish"], h: ["here"] };
addEventListener("keydown", (e) => {
  if (e.key === "Escape" && !$("check")?.open && !$("turn")?.open) { stopNow(); return; }
  if (!paired || e.repeat || e.ctrlKey || e.metaKey || e.altKey || e.target.closest("input, select, textarea, dialog") || (e.key === " " && e.target.closest("button, a"))) return;
  for (const id of keys[e.key.toLowerCase()] || []) {
    const button = $("do-" + id);
    if (id === "here" && button.hidden) give("here");
    else if (!button.hidden && !button.disabled) { button.click(); e.preventDefault(); return; }
  }
});

$("sound").addEventListener("click", async () => {
  await sound.toggle();
  write("sound", say(sound.on() ? "sound.on" : "sound.off"));
  $("sound").setAttribute("aria-pressed", String(sound.on()));
});

// A page in front is asked to keep the screen awake, where the browser can do that.
async function awake() {
  try { await navigator.wakeLock?.request("screen"); } catch { /* the footer says what to do */ }
}
document.addEventListener("visibilitychange", () => { if (!document.hidden) awake(); });
awake();

live.watch(show);
live.start();
