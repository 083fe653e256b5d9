// Words and figures as a person reads them. All words are in words.json, which the server hands out as a module.
import { words } from "/static/words.js";

export function say(key, values = {}) {
  const text = words[key];
  if (text === undefined) throw new Error("no words for " + key);
  return text.replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

// clock writes whole seconds: 0:07, 12:30, 1:05:00. What is left is rounded up, so that it ends with 0:00.
export function clock(seconds, up = false) {
  const t = Math.max(0, up ? Math.ceil(seconds - 1e-6) : Math.round(seconds));
  const two = (n) => String(n).padStart(2, "0");
  const h = Math.floor(t / 3600), m = Math.floor(t / 60) % 60;
  return h ? `${h}:${two(m)}:${two(t % 60)}` : `${m}:${two(t % 60)}`;
}

export const metresIn = (m, unit) => (unit === "yd" ? m / 0.9144 : m); // exact: 1 yd is 0.9144 m
export const distance = (m, unit) => `${Math.round(metresIn(m, unit))} ${unit}`;

// paces of a block, without the unit: 1:50, or 1:50–1:40 where it changes.
export const paces = (b) => (b.rest ? say("deck.rest") : b.from === b.to ? b.from : `${b.from}–${b.to}`);

// make builds an element: make("button", {class: "main"}, "Go").
export function make(tag, attributes = {}, ...children) {
  const e = document.createElement(tag);
  for (const [k, v] of Object.entries(attributes)) {
    if (k.startsWith("on")) e.addEventListener(k.slice(2), v);
    else if (v === true) e.setAttribute(k, "");
    else if (v !== false && v !== undefined) e.setAttribute(k, v);
  }
  e.append(...children);
  return e;
}
