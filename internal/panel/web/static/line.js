// The line of water: a session as speed over time. Height is speed, hatching is the kind, the thick line is the water as delivered.
import { say, clock } from "/static/say.js";

const space = "http://www.w3.org/2000/svg";
const kinds = ["warm-up", "main", "drill", "recovery", "cool-down", ""];

function shape(tag, attributes, parent) {
  const e = document.createElementNS(space, tag);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  parent?.append(e);
  return e;
}

// pattern makes the hatching of a kind.
function pattern(kind, id, parent) {
  const p = shape("pattern", { id, width: 10, height: 10, patternUnits: "userSpaceOnUse" }, parent);
  const draw = (d) => shape("path", { d, class: "hatch" }, p);
  switch (kind) {
    case "warm-up": draw("M-2 12L12 -2M-7 7L7 -7M3 17L17 3"); break;
    case "cool-down": draw("M-2 -2L12 12M-7 3L7 17M3 -7L17 7"); break;
    case "main": draw("M2.5 0V10M7.5 0V10"); break;
    case "drill": draw("M-2 12L12 -2M-2 -2L12 12"); break;
    case "recovery": draw("M0 5H10"); break;
    default: shape("circle", { cx: 5, cy: 5, r: 1.4, class: "dot" }, p);
  }
}

let serial = 0;

export class Line {
  constructor(figure) {
    this.figure = figure;
    this.box = figure.querySelector(".drawing");
    this.legend = figure.querySelector(".legend");
    this.id = "hatch" + ++serial;
    this.curve = null;
    this.place = null;
    new ResizeObserver(() => this.draw()).observe(this.box);
  }

  show(curve) {
    this.curve = curve && curve.speed_mps.length > 1 ? curve : null;
    this.draw();
  }

  // at moves the swimmer and lets the delivered water grow.
  at(place, water) {
    this.place = place;
    if (!this.curve || !this.svg) return;
    if (place !== null && this.curve.water_mps && water !== undefined) {
      const last = this.curve.speed_mps.length - 1;
      const i = Math.min(last, Math.max(0, Math.round((place / this.curve.total_s) * last)));
      let from = i;
      if (this.last !== undefined && i > this.last && i - this.last < last / 50) from = this.last + 1;
      for (; from <= i; from++) this.curve.water_mps[from] = water;
      this.last = i;
      this.swum.setAttribute("d", this.path(this.curve.water_mps));
    }
    this.mark();
  }

  x(s) { return this.left + (s / this.curve.total_s) * (this.width - this.left - 14); }
  y(v) { return this.height - 20 - (v / this.top) * (this.height - 44); }

  path(speeds) {
    let d = "", down = false;
    const step = this.curve.total_s / (this.curve.speed_mps.length - 1);
    speeds.forEach((v, i) => {
      if (v === null) { down = false; return; }
      d += (down ? "L" : "M") + this.x(i * step).toFixed(1) + " " + this.y(v).toFixed(1);
      down = true;
    });
    return d;
  }

  draw() {
    this.svg?.remove();
    this.svg = null;
    const c = this.curve;
    if (!c) { this.legend?.replaceChildren(); return; }
    this.width = this.box.clientWidth;
    this.height = this.box.clientHeight;
    if (!this.width || !this.height) return;
    this.left = 52;
    this.top = Math.max(...c.speed_mps) * 1.06;
    const svg = (this.svg = shape("svg", { viewBox: `0 0 ${this.width} ${this.height}`, role: "img", "aria-label": say("deck.line") }));
    const defs = shape("defs", {}, svg);
    kinds.forEach((k, i) => pattern(k, this.id + i, defs));
    this.guides(svg);
    const step = c.total_s / (c.speed_mps.length - 1);
    for (const b of c.blocks) {
      const from = b.start_s, to = b.start_s + b.duration_s;
      if (from > 0) shape("path", { d: `M${this.x(from)} ${this.y(0)}V${this.y(0) + 7}`, class: "edge" }, svg);
      if (b.rest) continue;
      let d = `M${this.x(from).toFixed(1)} ${this.y(0)}`;
      for (let i = Math.ceil(from / step); i * step <= to && i < c.speed_mps.length; i++) d += `L${this.x(i * step).toFixed(1)} ${this.y(c.speed_mps[i]).toFixed(1)}`;
      d += `L${this.x(to).toFixed(1)} ${this.y(0)}Z`;
      shape("path", { d, fill: `url(#${this.id}${Math.max(0, kinds.indexOf(b.kind))})` }, svg);
    }
    shape("path", { d: `M${this.left} ${this.y(0)}H${this.width - 14}`, class: "ground" }, svg);
    shape("path", { d: this.path(c.speed_mps), class: "plan" }, svg);
    this.swum = shape("path", { d: c.water_mps ? this.path(c.water_mps) : "", class: "swum" }, svg);
    this.marker = shape("g", {}, svg);
    shape("path", { d: `M0 16V${this.y(0)}`, class: "place" }, this.marker);
    shape("path", { d: "M0 23L-11 2H11Z", class: "swimmer" }, this.marker);
    this.box.replaceChildren(svg);
    this.mark();
    this.explain();
  }

  // guides name the fastest and the slowest pace, and the end.
  guides(svg) {
    const c = this.curve;
    const paced = c.blocks.filter((b) => !b.rest && b.pace_s_per_100m);
    const ends = [...new Set([Math.min(...paced.map((b) => b.pace_s_per_100m)), Math.max(...paced.map((b) => b.pace_s_per_100m))])];
    let lastY = -99;
    for (const s of ends) {
      if (!isFinite(s)) continue;
      const y = this.y(100 / s);
      shape("path", { d: `M${this.left} ${y}H${this.width - 14}`, class: "guide" }, svg);
      if (Math.abs(y - lastY) < 16) continue;
      lastY = y;
      shape("text", { x: this.left - 8, y: y + 5, "text-anchor": "end", class: "quiet" }, svg).textContent = clock(s * (c.unit === "yd" ? 0.9144 : 1));
    }
    shape("text", { x: this.width - 14, y: this.height - 2, "text-anchor": "end", class: "quiet" }, svg).textContent = clock(c.total_s);
    shape("text", { x: this.left, y: this.height - 2, class: "quiet" }, svg).textContent = "0:00";
  }

  mark() {
    if (!this.svg) return;
    if (this.place === null || this.place === undefined) { this.marker.setAttribute("visibility", "hidden"); return; }
    this.marker.setAttribute("visibility", "visible");
    this.marker.setAttribute("transform", `translate(${this.x(this.place).toFixed(1)} 0)`);
  }

  // explain writes the legend: the kinds that are there, in words.
  explain() {
    if (!this.legend) return;
    const there = kinds.filter((k) => this.curve.blocks.some((b) => !b.rest && b.kind === k));
    const items = there.map((k) => this.sample(say("kind." + k), (s) => shape("rect", { width: 30, height: 16, fill: `url(#${this.id}${kinds.indexOf(k)})` }, s)));
    if (this.curve.blocks.some((b) => b.rest)) items.push(this.sample(say("kind.rest"), () => {}));
    if (this.curve.water_mps) items.push(this.sample(say("deck.delivered"), (s) => shape("path", { d: "M2 8H28", class: "swum" }, s), "swum-sample"));
    this.legend.replaceChildren(...items);
  }

  sample(word, draw, kind = "") {
    const li = document.createElement("li");
    draw(shape("svg", { viewBox: "0 0 30 16", "aria-hidden": "true", class: kind }, li));
    li.append(word);
    return li;
  }
}
