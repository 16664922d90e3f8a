// Line charts as inline SVG, drawn at the size they have so that text stays readable on a phone.
// A chart is a figure; its description holds x and y axes, series, marks (see page.chart in the Python source).
"use strict";

const SVG = "http://www.w3.org/2000/svg";

function make(name, attributes = {}, text = null) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text !== null) node.textContent = text;
  return node;
}

function element(name, className = "", text = null) {
  const node = document.createElement(name);
  if (className) node.className = className;
  if (text !== null) node.textContent = text;
  return node;
}

// Numbers as the Python side writes them: fixed decimals, true minus sign, no negative zero.
function fixed(value, decimals, signed = false) {
  const text = Math.abs(value).toFixed(decimals);
  if (Number(text) === 0) return text;
  return value < 0 ? "\u2212" + text : signed ? "+" + text : text;
}

function tickText(value, axis) {
  if (axis.log) return value >= 1000 ? value / 1000 + "k" : String(value);
  return fixed(value, Number.isInteger(value) ? 0 : Math.min(3, String(value).split(".")[1].length));
}

function ticksOf(axis, room) {
  if (axis.ticks) return axis.ticks.filter((value) => value >= axis.min && value <= axis.max);
  if (axis.log) {
    const all = [];
    for (let decade = 1; decade <= 1e6; decade *= 10)
      for (const step of room > 420 ? [1, 2, 5] : [1, 3]) all.push(step * decade);
    return all.filter((value) => value >= axis.min && value <= axis.max);
  }
  const rough = (axis.max - axis.min) / Math.max(3, room / 55);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * [1, 2, 5, 10].find((factor) => factor * power >= rough);
  const ticks = [];
  for (let k = Math.ceil(axis.min / step - 1e-9); k * step <= axis.max + 1e-9; k++)
    ticks.push(Number((k * step).toPrecision(10)));
  return ticks;
}

// What a line means has one look on every page: as recorded, with settings, inverted; the rest is ink.
const toneOf = (series, index) => series.tone || ["plain", "other", "more"][index % 3];
let clips = 0;

class Chart {
  constructor(figure, spec) {
    this.figure = figure;
    this.spec = spec;
    this.svg = make("svg", { role: "img" });
    this.readout = element("p", "readout");
    this.keys = element("p", "keys");
    figure.append(this.keys, this.svg, this.readout);
    figure.chart = this;
    this.svg.addEventListener("pointermove", (event) => this.probe(event));
    this.svg.addEventListener("pointerleave", () => this.probe(null));
    new ResizeObserver(() => this.draw()).observe(figure);
    this.draw();
  }

  scale(axis, from, to) {
    const bend = axis.log ? Math.log : (value) => value;
    const low = bend(axis.min);
    const factor = (to - from) / (bend(axis.max) - low);
    return (value) => from + (bend(value) - low) * factor;
  }

  draw() {
    const width = Math.max(260, Math.round(this.figure.clientWidth));
    const height = (width < 480 && this.spec.low) || this.spec.height || 230;
    this.box = { left: 46, right: width - 12, top: this.spec.marks.some((mark) => mark.label) ? 22 : 10, bottom: height - 38 };
    const { left, right, top, bottom } = this.box;
    this.px = this.scale(this.spec.x, left, right);
    this.py = this.scale(this.spec.y, bottom, top);
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.svg.setAttribute("height", height);
    this.svg.setAttribute("aria-label", this.summary());
    this.svg.replaceChildren();
    const clip = make("clipPath", { id: `clip${(clips += 1)}` });
    clip.append(make("rect", { x: left, y: top, width: right - left, height: bottom - top }));
    this.plane = make("g", { "clip-path": `url(#${clip.id})` });
    this.svg.append(clip);
    for (const band of this.spec.bands || []) this.shade(band);
    for (const value of ticksOf(this.spec.x, right - left)) {
      this.svg.append(make("line", { class: "axis", x1: this.px(value), x2: this.px(value), y1: top, y2: bottom }));
      this.svg.append(make("text", { x: this.px(value), y: bottom + 15, "text-anchor": "middle" }, tickText(value, this.spec.x)));
    }
    for (const value of ticksOf(this.spec.y, (bottom - top) * 1.6)) {
      this.svg.append(make("line", { class: value === 0 ? "zero" : "axis", x1: left, x2: right, y1: this.py(value), y2: this.py(value) }));
      this.svg.append(make("text", { x: left - 6, y: this.py(value) + 4, "text-anchor": "end" }, tickText(value, this.spec.y)));
    }
    this.svg.append(make("text", { x: right, y: height - 6, "text-anchor": "end" }, this.spec.x.label));
    this.svg.append(make("text", { x: 4, y: height - 6 }, this.spec.y.label));
    for (const area of this.spec.areas || []) {
      const edge = (levels) => area.x.map((x, k) => `${this.px(x).toFixed(1)} ${this.py(levels[k]).toFixed(1)}`);
      this.plane.append(make("path", { class: `area t-${area.tone}`, d: `M${[...edge(area.high), ...edge(area.low).reverse()].join("L")}Z` }));
    }
    this.paths = this.spec.series.map((series, index) => {
      const path = make("path", { class: `line l${index} t-${toneOf(series, index)}`, "data-label": series.label });
      if (series.std) this.plane.append(this.bars(series, index));
      this.plane.append(path);
      if (series.points) this.plane.append(this.rings(series, index));
      return path;
    });
    this.svg.append(this.plane);
    this.drawKeys();
    this.overlay = make("g");
    this.svg.append(this.overlay);
    this.update();
  }

  // One standard uncertainty each way; series stand side by side so that bars do not hide one another.
  bars(series, index) {
    let path = "";
    series.x.forEach((x, k) => {
      const y = series.y[k], std = series.std[k];
      if (y === null || y === undefined || !std) return;
      const at = this.px(x) + this.aside(index);
      path += `M${at} ${this.py(y - std)}V${this.py(y + std)}M${at - 3} ${this.py(y - std)}h6M${at - 3} ${this.py(y + std)}h6`;
    });
    return make("path", { class: `bar t-${toneOf(series, index)}`, d: path });
  }

  aside(index) {
    return this.spec.series.some((series) => series.std) ? (index - (this.spec.series.length - 1) / 2) * 7 : 0;
  }

  shade(band) {
    const { left, right, top, bottom } = this.box;
    const from = Math.max(left, this.px(Math.max(band.from, this.spec.x.min)));
    const to = Math.max(from + 2, Math.min(right, this.px(band.to)));
    this.svg.append(make("rect", { class: "shade", x: from, width: Math.max(0, to - from), y: top, height: bottom - top }));
  }

  drawKeys() {
    this.keys.replaceChildren();
    const shown = this.spec.keys || this.spec.series;
    if (shown.length < 2) return;
    shown.forEach((series, index) => {
      const key = element("span");
      const swatch = make("svg", { viewBox: "0 0 30 10", "aria-hidden": "true" });
      swatch.append(make("line", { class: `line t-${toneOf(series, index)}`, x1: 0, x2: 30, y1: 5, y2: 5 }));
      key.append(swatch, series.label);
      this.keys.append(key);
    });
  }

  // Values or marks have changed: only what moves is drawn again.
  update() {
    this.spec.series.forEach((series, index) => {
      if (this.paths[index].drawn === series.y) return;
      this.paths[index].drawn = series.y;
      this.paths[index].setAttribute("d", this.path(series, this.aside(index)));
    });
    this.svg.setAttribute("aria-label", this.summary());
    this.overlay.replaceChildren();
    const { left, right, top, bottom } = this.box;
    for (const mark of this.spec.marks) {
      if (mark.x < this.spec.x.min || mark.x > this.spec.x.max) continue;
      const at = this.px(mark.x);
      if (mark.kind === "notch") {
        this.overlay.append(make("path", { class: "notch", d: `M${at} ${bottom - 8}l-4 8h8z` }));
        continue;
      }
      this.overlay.append(make("line", { class: `mark ${mark.kind || ""}`, x1: at, x2: at, y1: top, y2: bottom }));
      if (!mark.label) continue;
      const anchor = at > (left + right) / 2 ? "end" : "start";
      this.overlay.append(make("text", { x: at + (anchor === "end" ? -4 : 4), y: top - 6, "text-anchor": anchor }, mark.label));
    }
  }

  // Lines leave the frame where they are higher or lower: a level along its edge would be invented.
  path(series, aside = 0) {
    let pen = "M";
    let path = "";
    series.x.forEach((x, k) => {
      const y = series.y[k];
      if (y === null || y === undefined || x < this.spec.x.min || x > this.spec.x.max) { pen = "M"; return; }
      path += `${pen}${(this.px(x) + aside).toFixed(2)} ${this.py(y).toFixed(3)}`;
      pen = "L";
      if (series.dots) { path += "h2"; pen = "M"; }
    });
    return path;
  }

  // Few values are marked by rings, so that one between two unknown ones is seen.
  rings(series, index) {
    let path = "";
    series.x.forEach((x, k) => {
      const y = series.y[k];
      if (y !== null && y !== undefined) path += `M${(this.px(x) + this.aside(index) - 3).toFixed(2)} ${this.py(y).toFixed(2)}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0`;
    });
    return make("path", { class: `ring t-${toneOf(series, index)}`, d: path });
  }

  summary() {
    const caption = this.figure.querySelector("figcaption");
    const marks = this.spec.marks.filter((mark) => mark.label).map((mark) => mark.label);
    return [caption ? caption.textContent : "", ...marks].filter(Boolean).join(". ");
  }

  probe(event) {
    this.svg.querySelectorAll(".probe").forEach((line) => line.remove());
    this.readout.textContent = "";
    if (event === null || !this.spec.series[0]) return;
    const bounds = this.svg.getBoundingClientRect();
    const at = ((event.clientX - bounds.left) * this.svg.viewBox.baseVal.width) / bounds.width;
    const xs = this.spec.series[0].x;
    let best = 0;
    xs.forEach((x, k) => { if (Math.abs(this.px(x) - at) < Math.abs(this.px(xs[best]) - at)) best = k; });
    const { top, bottom } = this.box;
    this.svg.append(make("line", { class: "probe", x1: this.px(xs[best]), x2: this.px(xs[best]), y1: top, y2: bottom }));
    const decimals = this.spec.y.decimals ?? 1;
    const values = this.spec.series
      .filter((series) => series.y[best] !== null && series.y[best] !== undefined)
      .map((series) => `${series.label} ${fixed(series.y[best], decimals)}`);
    this.readout.textContent = [`${Number(xs[best].toPrecision(3))} ${this.spec.x.unit || ""}`, ...values].join(" · ");
  }
}

const pageData = JSON.parse(document.getElementById("data").textContent);
for (const figure of document.querySelectorAll("[data-chart]"))
  new Chart(figure, pageData.charts[figure.dataset.chart]);
