// The session report: filter and sort pairs, move in the map, and the bench on which a setting is tried.

// ---- numbers out of the document -------------------------------------------------------------------------
const curves = pageData.curves;
const bytesOf = (text) => Uint8Array.from(atob(text), (char) => char.charCodeAt(0));
const floats = (text) => {
  const view = new DataView(bytesOf(text).buffer);
  return Float64Array.from({ length: view.byteLength / 4 }, (_, k) => view.getFloat32(4 * k, true));
};
const shares = (text) => {
  const view = new DataView(bytesOf(text).buffer);
  return Array.from({ length: view.byteLength / 2 }, (_, k) => view.getInt16(2 * k, true) / 32767);
};
const gridOf = ({ start, step, count }) => Float64Array.from({ length: count }, (_, k) => start + step * k);

// The same arithmetic as polaritykit/summing.py: b is delayed and perhaps inverted, powers are summed in bands.
class PairSound {
  constructor(entry) {
    this.frequency = curves.frequency_hz;
    this.autoA = floats(curves.tracks[entry.reference]);
    this.autoB = floats(curves.tracks[entry.other]);
    this.cross = floats(entry.cross);
    this.aligned = entry.aligned_ms;
    this.re = new Float64Array(this.frequency.length);
    this.im = new Float64Array(this.frequency.length);
  }

  // Cross-spectrum for a setting; it is stored with b advanced by `aligned`.
  turn(delayMs, invert) {
    const sign = invert ? -1 : 1;
    for (let k = 0; k < this.frequency.length; k++) {
      const angle = -2e-3 * Math.PI * this.frequency[k] * (this.aligned + delayMs);
      const c = Math.cos(angle), s = Math.sin(angle), re = this.cross[2 * k], im = this.cross[2 * k + 1];
      this.re[k] = sign * (re * c - im * s);
      this.im[k] = sign * (re * s + im * c);
    }
  }

  sums(first, last) {
    let a = 0, b = 0, re = 0, im = 0;
    for (let k = first; k <= last; k++) { a += this.autoA[k]; b += this.autoB[k]; re += this.re[k]; im += this.im[k]; }
    return { a, b, re, im };
  }

  level({ a, b, re }) {
    const ratio = a + b > 0 ? (a + b + 2 * re) / (a + b) : 1;
    return 10 * Math.log10(Math.max(ratio, 10 ** (curves.floor_db / 10)));
  }

  overBands(measure) {
    return curves.bands.first.map((first, k) => measure(this.sums(first, curves.bands.last[k])));
  }

  response(delayMs, invert) {
    this.turn(delayMs, invert);
    return this.overBands((sums) => this.level(sums));
  }

  coherence() {
    this.turn(-this.aligned, false);
    return this.overBands(({ a, b, re, im }) => (a * b > 0 ? (re * re + im * im) / (a * b) : 0));
  }

  phase(delayMs, invert) {
    this.turn(delayMs, invert);
    return this.overBands(({ re, im }) => (Math.atan2(im, re) * 180) / Math.PI);
  }

  levelInBand([low, high], delayMs, invert) {
    this.turn(delayMs, invert);
    const inside = (f) => f >= low - 1e-6 && f <= high + 1e-6;
    const first = this.frequency.findIndex(inside);
    return first < 0 ? null : this.level(this.sums(first, this.frequency.findLastIndex(inside)));
  }
}

// ---- the bench of one pair -------------------------------------------------------------------------------
const WHOLE = [20, 20000];
const COHERENT = 0.3; // phase means little below

class Bench {
  constructor(host, pair) {
    this.pair = pair;
    this.host = host;
    host.append(document.getElementById("bench").content.cloneNode(true));
    host.bench = this;
    this.find = (selector) => host.querySelector(selector);
    const entry = curves.pairs[pair.curve];
    this.sound = new PairSound(entry);
    this.lags = Array.from(gridOf(curves.lag_ms));
    this.correlation = shares(entry.correlation);
    this.coherent = this.sound.coherence();
    this.sources = pair.sources.length ? pair.sources : [{ home: "both tracks", label: "both tracks", band_hz: WHOLE, offset_ms: pair.offset_ms }];
    this.source = this.sources[0];
    this.delay = 0;
    this.invert = false;
    this.listening = null;
    this.makeCharts();
    this.makeTabs();
    this.makeControls();
    const excerpt = pageData.audio && pageData.audio.pairs.find(
      (sounds) => sounds.reference === pair.reference && sounds.other === pair.other);
    if (excerpt) this.listening = new Listening(this, excerpt);
    this.chooseSource(this.source);
  }

  makeCharts() {
    const x = { label: "Hz", unit: "Hz", log: true, min: 20, max: 20000 };
    const centres = curves.bands.centre_hz;
    this.recorded = this.sound.response(0, false);
    const notches = this.pair.notches_hz.map((notch) => ({ x: notch, kind: "notch" }));
    this.sumChart = new Chart(this.find(".sum"), {
      height: 300, x, y: { label: "dB", min: curves.floor_db, max: 6, ticks: [-30, -24, -18, -12, -6, -3, 0, 3, 6] },
      series: [
        { label: "with this setting", x: centres, y: this.recorded },
        { label: "as recorded", x: centres, y: this.recorded },
      ],
      marks: notches,
    });
    if (notches.length) this.sumChart.figure.append(element("p", "soft note", "\u25b2 notches predicted for the recorded offset"));
    const offset = this.pair.offset_ms ?? 0;
    const shown = this.lags.map((lag) => lag >= Math.min(0, offset) - 3 && lag <= Math.max(0, offset) + 3);
    const within = this.correlation.filter((_, k) => shown[k]).map(Math.abs);
    const reach = Math.max(0.02, 1.1 * Math.max(...within));
    this.correlationChart = new Chart(this.find(".correlation"), {
      height: 210,
      x: { label: "lag of the second track, ms", unit: "ms", min: Math.max(this.lags[0], Math.min(0, offset) - 3), max: Math.min(this.lags.at(-1), Math.max(0, offset) + 3) },
      y: { label: "correlation", min: -reach, max: reach, decimals: 2 },
      series: [{ label: "correlation", x: this.lags, y: this.correlation }], marks: [],
    });
    this.correlationChart.figure.append(element("p", "soft note", "solid upright line: the lag this setting makes up for; on the dashed one the direct sounds coincide"));
    this.phaseChart = new Chart(this.find(".phase"), {
      height: 210, x, y: { label: "degrees", min: -180, max: 180, ticks: [-180, -90, 0, 90, 180], decimals: 0 },
      series: [{ label: "phase", x: centres, y: [], dots: true }], marks: [],
    });
    this.coherenceChart = new Chart(this.find(".coherence"), {
      height: 210, x, y: { label: "0 to 1", min: 0, max: 1, ticks: [0, 0.25, 0.5, 0.75, 1], decimals: 2 },
      series: [{ label: "coherence", x: centres, y: this.coherent }], marks: [],
    });
  }

  makeTabs() {
    const list = this.find(".tabs");
    list.hidden = this.sources.length < 2;
    this.tabs = this.sources.map((source) => {
      const tab = element("button");
      tab.type = "button";
      tab.setAttribute("role", "tab");
      tab.append(element("bdi", "", source.label));
      tab.addEventListener("click", () => this.chooseSource(source));
      list.append(tab);
      return tab;
    });
    list.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (!step) return;
      const next = (this.sources.indexOf(this.source) + step + this.sources.length) % this.sources.length;
      this.chooseSource(this.sources[next]);
      this.tabs[next].focus();
      event.preventDefault();
    });
  }

  makeControls() {
    const pair = this.pair;
    this.slide = this.find(".slide");
    this.typed = this.find(".delay");
    const reach = Math.max(5, Math.ceil(1.5 * Math.abs(pair.offset_ms ?? 0)));
    for (const input of [this.slide, this.typed]) { input.min = -reach; input.max = reach; }
    this.find(".other-name").textContent = pair.other;
    this.find(".flip").addEventListener("click", () => this.set({ invert: !this.invert }));
    this.slide.addEventListener("input", () => this.set({ delay: Number(this.slide.value) }));
    this.typed.addEventListener("change", () => this.set({ delay: Number(this.typed.value) || 0 }));
    const button = (selector, setting) => {
      this.find(selector).hidden = setting === null;
      if (setting) this.find(selector).addEventListener("click", () => this.set(setting));
    };
    button(".recorded", { delay: 0, invert: false });
    button(".advised", pair.advised);
    button(".session", pair.session);
    this.find(".align").addEventListener("click", () => this.set({ delay: -this.source.offset_ms }));
  }

  chooseSource(source) {
    this.source = source;
    this.sources.forEach((each, k) => {
      this.tabs[k].setAttribute("aria-selected", each === source);
      this.tabs[k].tabIndex = each === source ? 0 : -1;
    });
    const band = source.band_hz || WHOLE;
    this.levelRecorded = this.sound.levelInBand(band, 0, false);
    this.sumChart.spec.bands = [{ from: band[0], to: band[1] }];
    this.sumChart.draw();
    this.find(".align").hidden = source.offset_ms === null;
    this.find(".band-words").replaceChildren(
      "Level of the sum in the band of ", element("bdi", "", source.home), ` (${hertz(band[0])} to ${hertz(band[1])}, shaded)`);
    this.show();
  }

  // Delays are kept to 0.001 ms: finer than any offset is known.
  set({ delay = this.delay, invert = this.invert }) {
    const limit = Number(this.slide.max);
    this.delay = Math.min(limit, Math.max(-limit, Math.round(delay * 1000) / 1000));
    this.invert = invert;
    this.show();
  }

  show() {
    const { delay, invert, pair } = this;
    this.find(".flip").setAttribute("aria-pressed", invert);
    this.find(".flip-words").replaceChildren(
      "Polarity of ", element("bdi", "", pair.other), ": ", element("strong", "", invert ? "flipped" : "as recorded"));
    this.slide.value = delay;
    this.slide.setAttribute("aria-valuetext", `${fixed(delay, 2)} ms`);
    if (Number(this.typed.value) !== delay || this.typed.value === "") this.typed.value = delay;
    const samples = fixed((Math.abs(delay) * pageData.sample_rate) / 1000, 1);
    this.find(".delay-words").replaceChildren(...(delay === 0 ? ["no delay"] : [
      "delay ", element("bdi", "", delay < 0 ? pair.reference : pair.other), ` by ${fixed(Math.abs(delay), 3)} ms (${samples} samples)`]));
    this.sumChart.spec.series[0].y = this.sound.response(delay, invert);
    this.sumChart.update();
    const phase = this.sound.phase(delay, invert);
    this.phaseChart.spec.series[0].y = phase.map((degrees, k) => (this.coherent[k] >= COHERENT ? degrees : null));
    this.phaseChart.update();
    const offset = this.source.offset_ms;
    this.correlationChart.spec.marks = [
      { x: -delay, kind: "now" },
      ...(offset === null ? [] : [{ x: offset, label: `direct sound ${this.source.offset_words || ""}` }]),
    ];
    this.correlationChart.update();
    const now = this.sound.levelInBand(this.source.band_hz || WHOLE, delay, invert);
    const decibels = (value) => (value === null ? "\u2013" : `${fixed(value, 1, true)} dB`);
    this.find(".level-recorded").textContent = decibels(this.levelRecorded);
    this.find(".level-now").textContent = decibels(now);
    this.find(".level-change").textContent = decibels(now === null ? null : now - this.levelRecorded);
    if (this.listening) this.listening.apply();
  }
}

const hertz = (f) => (f >= 999.5 ? `${Number((f / 1000).toPrecision(3))} kHz` : `${Number(f.toPrecision(3))} Hz`);

// ---- hear it: a -> delay A -> master; b -> polarity -> delay B -> master ------------------------------------
class Listening {
  constructor(bench, excerpt) {
    this.bench = bench;
    this.excerpt = excerpt;
    const sounds = [excerpt.a, excerpt.b].map((k) => this.decode(pageData.audio.sounds[k]));
    this.samples = sounds;
    // As recorded the sum plays at -20 dBFS for a level of 0 dB; quieter where peaks would not fit.
    const peaks = sounds.reduce((sum, one) => sum + one.reduce((most, value) => Math.max(most, Math.abs(value)), 0), 0);
    const scale = Math.min(0.1 / Math.sqrt(this.power(0, false) || 1), 1 / (peaks || 1));
    this.samples = sounds.map((one) => one.map((value) => value * scale));
    this.loudness = this.power(0, false);
    this.context = null;
    const box = bench.find(".listen");
    box.hidden = false;
    bench.find(".around").textContent = excerpt.around;
    this.volume = bench.find(".volume");
    this.matched = bench.find(".matched");
    this.button = bench.find(".play");
    this.button.addEventListener("click", () => (this.context ? this.stop() : this.play()));
    this.volume.addEventListener("input", () => this.apply());
    this.matched.addEventListener("change", () => this.apply());
  }

  decode({ samples, gain }) {
    const view = new DataView(bytesOf(samples).buffer);
    return Float32Array.from({ length: view.byteLength / 2 }, (_, k) => (view.getInt16(2 * k, true) / 32768) * gain);
  }

  // Mean square of the sum as it will be heard, to the nearest sample.
  power(delayMs, invert) {
    const [a, b] = this.samples;
    const shift = Math.round((delayMs * pageData.audio.sample_rate) / 1000);
    const sign = invert ? -1 : 1;
    let total = 0;
    for (let k = 0; k < a.length; k++) total += (a[k] + sign * (b[k - shift] || 0)) ** 2;
    return total / a.length;
  }

  play() {
    for (const other of document.querySelectorAll(".bench"))
      if (other.bench && other.bench.listening && other.bench.listening.context) other.bench.listening.stop();
    const context = (this.context = new AudioContext());
    const source = (samples) => {
      const buffer = context.createBuffer(1, samples.length, pageData.audio.sample_rate);
      buffer.copyToChannel(samples, 0);
      return new AudioBufferSourceNode(context, { buffer, loop: true });
    };
    const [a, b] = this.samples.map(source);
    this.delayA = new DelayNode(context, { maxDelayTime: 1 });
    this.delayB = new DelayNode(context, { maxDelayTime: 1 });
    this.polarity = new GainNode(context);
    this.master = new GainNode(context, { gain: 0 });
    a.connect(this.delayA).connect(this.master);
    b.connect(this.polarity).connect(this.delayB).connect(this.master);
    this.master.connect(context.destination);
    this.apply();
    a.start();
    b.start();
    this.button.textContent = "Stop";
    this.button.setAttribute("aria-pressed", true);
  }

  stop() {
    this.context.close();
    this.context = null;
    this.button.textContent = "Play";
    this.button.setAttribute("aria-pressed", false);
  }

  apply() {
    const { delay, invert } = this.bench;
    this.bench.find(".volume-words").textContent = `${fixed(Number(this.volume.value), 0)} dB`;
    if (!this.context) return;
    this.polarity.gain.value = invert ? -1 : 1;
    this.delayB.delayTime.value = Math.max(0, delay) / 1000;
    this.delayA.delayTime.value = Math.max(0, -delay) / 1000;
    // At most 12 dB are made up: what cancels completely stays quiet.
    const match = this.matched.checked ? Math.min(4, Math.sqrt(this.loudness / this.power(delay, invert))) : 1;
    this.master.gain.setTargetAtTime(match * 10 ** (this.volume.value / 20), this.context.currentTime, 0.02);
  }
}

// ---- pairs: open, filter, sort -----------------------------------------------------------------------------
const list = document.getElementById("pair-list");
const panels = Array.from(list.querySelectorAll("details.pair"));

for (const panel of panels) {
  panel.addEventListener("toggle", () => {
    const host = panel.querySelector(".bench");
    if (!panel.open || host.childElementCount) return;
    const pair = pageData.pairs[Number(host.dataset.pair)];
    if (pair.curve === null) host.append(element("p", "soft", "No curves were kept for this pair."));
    else new Bench(host, pair);
  });
}

const filter = document.querySelector("form.filter");
const wanted = {
  all: () => true,
  act: (panel) => panel.dataset.act === "yes",
  inverted: (panel) => panel.dataset.polarity === "inverted",
  unclear: (panel) => panel.dataset.polarity === "unclear",
};
const rank = {
  gain: (panel) => -panel.dataset.gain,
  order: (panel) => Number(panel.dataset.index),
  offset: (panel) => (panel.dataset.offset === "" ? Infinity : Number(panel.dataset.offset)),
  confidence: (panel) => -panel.dataset.confidence,
};

function arrange() {
  const { track, show, sort, count } = filter.elements;
  const text = track.value.trim().toLowerCase();
  let shown = 0;
  for (const panel of panels) {
    panel.hidden = !wanted[show.value](panel) || !panel.dataset.names.toLowerCase().includes(text);
    if (!panel.hidden) shown += 1;
  }
  panels.sort((one, two) => rank[sort.value](one) - rank[sort.value](two) || one.dataset.index - two.dataset.index);
  list.append(...panels);
  count.value = `${shown} of ${panels.length} pairs`;
}
filter.addEventListener("input", arrange);
filter.addEventListener("submit", (event) => event.preventDefault());
arrange();

// ---- the map: one stop for the tab key, arrows move, Enter opens ---------------------------------------------
const links = Array.from(document.querySelectorAll(".map td a"));
const place = (link) => [link.closest("tr").rowIndex, link.closest("td").cellIndex];
links.forEach((link, k) => (link.tabIndex = k === 0 ? 0 : -1));

document.querySelector(".map").addEventListener("keydown", (event) => {
  const step = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[event.key];
  const from = event.target.closest("td a");
  if (!step || !from) return;
  event.preventDefault();
  const rows = event.currentTarget.rows;
  let [row, column] = place(from);
  for (;;) {
    row += step[0];
    column += step[1];
    const cell = rows[row] && rows[row].cells[column];
    if (!cell || row === 0 || column === 0) return;
    const next = cell.querySelector("a");
    if (!next) continue;
    from.tabIndex = -1;
    next.tabIndex = 0;
    next.focus();
    return;
  }
});

function openPair() {
  const panel = location.hash.startsWith("#pair-") && document.getElementById(location.hash.slice(1));
  if (!panel) return;
  panel.hidden = false;
  panel.open = true;
  panel.querySelector("summary").focus({ preventScroll: true });
  panel.scrollIntoView();
}
for (const link of links) link.addEventListener("click", () => setTimeout(openPair));
openPair();
