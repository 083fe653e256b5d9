// The link to the flume: the status stream, whether it is fresh, and commands. A status older than staleAfter is no status.
const staleAfter = 2500; // ms; one comes at least every second

let latest = null, at = 0, everAt = null, fresh = false;
const watchers = [];

export const status = () => (fresh ? latest : null);
export const lastContact = () => everAt;
export function watch(f) { watchers.push(f); }
const tell = () => { for (const f of watchers) f(status()); };

function take(text) {
  latest = JSON.parse(text);
  at = performance.now();
  everAt = new Date();
  fresh = true;
  tell();
}

let stream = null;
function connect() {
  stream?.close();
  stream = new EventSource("/api/v1/events");
  stream.addEventListener("status", (e) => take(e.data));
}

export function start() {
  connect();
  tell();
  let triedAt = performance.now();
  setInterval(() => {
    const now = performance.now();
    if (fresh && now - at > staleAfter) {
      fresh = false;
      tell();
    }
    // A browser reconnects by itself, but not after every kind of failure.
    if (!fresh && now - triedAt > 3000) {
      triedAt = now;
      connect();
    }
  }, 250);
  addEventListener("pageshow", (e) => { if (e.persisted) connect(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden && !fresh) connect(); });
}

// send makes a request and gives what came back; a refusal is thrown as {code, title, detail}.
export async function send(method, path, body, type = "application/json") {
  const options = { method, headers: {}, cache: "no-store" };
  if (body !== undefined) {
    options.body = type === "application/json" ? JSON.stringify(body) : body;
    options.headers["Content-Type"] = type;
  }
  const reply = await fetch(path, options);
  const text = await reply.text();
  const json = (reply.headers.get("Content-Type") || "").includes("json") ? JSON.parse(text) : text;
  if (!reply.ok) throw json;
  return json;
}

// command carries what was seen, so that a press for another moment does nothing.
export function command(what, more = {}) {
  const s = status();
  if (!s) return Promise.reject({ code: "stale" });
  return send("POST", "/api/v1/" + what, { seen: { boot_id: s.boot_id, swim_id: s.swim_id, seq: s.seq, at_ms: s.at_ms }, ...more });
}

// stop is sent until it is heard. It needs no status and no code.
export async function stop(failed) {
  for (let tries = 1; ; tries++) {
    try {
      const reply = await fetch("/api/v1/stop", { method: "POST", keepalive: true, signal: AbortSignal.timeout(2000) });
      if (reply.ok) return;
    } catch { /* again */ }
    failed(tries);
    await new Promise((r) => setTimeout(r, 300));
  }
}
