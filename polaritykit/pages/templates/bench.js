// The bench of one pair: a setting is tried, seen in the sum and in one hit of both tracks, and heard.

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

// The same arithmetic as polaritykit/spectra/pair_sum.py: b is delayed and perhaps inverted, powers are summed in bands.
class PairSound {
  constructor(entry) {
    this.frequency = curves.frequency_hz;
    this.autoA = floats(curves.tracks[entry.reference]);
    this.autoB = floats(curves.tracks[entry.other]);
    this.cross = floats(entry.cross);
    this.aligned = entry.aligned_ms;
    this.re = new Float64Array(this.frequency.length);
    this.im = new Float64Array(this.frequency.length);
    this.turned = null;
  }

  // Cross-spectrum for a setting; it is stored with b advanced by `aligned`.
  turn(delayMs, invert) {
    const wanted = `${delayMs} ${invert}`;
    if (this.turned === wanted) return;
    this.turned = wanted;
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

// ---- one hit of both tracks, moving and turning over ----------------------------------------------------------
class WaveChart extends Chart {
  draw() {
    super.draw();
    this.waves = this.spec.waves.map((wave, index) => {
      const path = make("path", { class: `line wave t-${wave.tone}`, "data-label": wave.label });
      const lane = (this.box.bottom - this.box.top) / 2;
      let d = "";
      wave.samples.forEach((value, k) => {
        d += `${k ? "L" : "M"}${this.px(wave.from_ms + k * wave.step_ms).toFixed(1)} ${(-0.94 * lane * value).toFixed(1)}`;
      });
      path.setAttribute("d", d);
      const mover = make("g", { class: "mover" });
      mover.append(path);
      const holder = make("g", { transform: `translate(0 ${(this.box.top + this.box.bottom) / 2})` });
      holder.append(mover);
      this.plane.append(holder);
      return mover;
    });
    this.place(this.placed || []);
  }

  // Shift in ms and sign of each wave.
  place(placed) {
    this.placed = placed;
    const perMs = this.px(1) - this.px(0);
    placed.forEach(({ shift, sign }, k) => { this.waves[k].style.transform = `translate(${shift * perMs}px, 0px) scale(1, ${sign})`; });
  }
}

const soundOf = ({ samples, gain }) => {
  const view = new DataView(bytesOf(samples).buffer);
  return Float32Array.from({ length: view.byteLength / 2 }, (_, k) => (view.getInt16(2 * k, true) / 32768) * gain);
};
const excerptOf = (kept, pair) =>
  kept && kept.pairs.find((sounds) => sounds.reference === pair.reference && sounds.other === pair.other);

// ---- the bench of one pair -------------------------------------------------------------------------------
const WHOLE = [20, 20000];
const COHERENT = 0.3; // phase means little below
const hertz = (f) => (f >= 999.5 ? `${Number((f / 1000).toPrecision(3))} kHz` : `${Number(f.toPrecision(3))} Hz`);

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
    this.sources = pair.sources.length ? pair.sources : [{ home: "both tracks", label: "both tracks", band_hz: WHOLE, offset_ms: pair.offset_ms, notches: null }];
    this.source = this.sources[0];
    this.delay = 0;
    this.invert = false;
    this.listening = null;
    this.makeWaves();
    this.makeSum();
    this.makeTabs();
    this.makeControls();
    const excerpt = excerptOf(pageData.audio, pair);
    if (excerpt) this.listening = new Listening(this, excerpt);
    this.find(".silent").textContent = excerpt ? `Heard: both tracks around ${excerpt.around}. Starts quiet: turn monitors down first.`
      : pageData.audio ? "This pair has no sound on this page: the limit of size was reached before it."
      : "This page holds no sound: run the command with --audio to hear the pair.";
    if (pair.session_words) this.find(".session").textContent = pair.session_words;
    this.chooseSource(this.source);
    if (pair.session) this.set(pair.session);
  }

  makeWaves() {
    const excerpt = excerptOf(pageData.waves, this.pair);
    const figure = this.find(".waves");
    if (!excerpt) { figure.remove(); return; }
    const step = 1000 / pageData.waves.sample_rate;
    const sounds = [excerpt.a, excerpt.b].map((place) => pageData.waves.sounds[place]);
    const struck = excerpt.hit_s === null || excerpt.hit_s === undefined ? sounds[0].start_s + 0.008 : excerpt.hit_s;
    const reach = Math.min(32, Math.max(7, Math.abs(this.pair.offset_ms ?? 0) + 6));
    const names = [this.pair.reference, this.pair.other];
    const waves = sounds.map((sound, k) => {
      const samples = soundOf({ samples: sound.samples, gain: 1 });
      const top = samples.reduce((most, value) => Math.max(most, Math.abs(value)), 1e-9);
      return { label: names[k], tone: k ? "set" : "plain", from_ms: (sound.start_s - struck) * 1000, step_ms: step, samples: samples.map((value) => value / top) };
    });
    this.waveChart = new WaveChart(figure, {
      height: 180, low: 128, waves, keys: waves,
      x: { label: "ms", unit: "ms", min: -2, max: reach }, y: { label: "", min: -1, max: 1, ticks: [0] }, series: [], marks: [],
    });
    figure.querySelector("figcaption").textContent = `Both tracks: ${excerpt.around}`;
  }

  makeSum() {
    this.recorded = this.sound.response(0, false);
    this.sumChart = new Chart(this.find(".sum"), {
      height: 260, low: 185, x: { label: "Hz", unit: "Hz", log: true, min: 20, max: 20000 },
      y: { label: "dB", min: -21, max: 9, ticks: [-21, -18, -12, -6, -3, 0, 3, 6, 9] },
      series: [
        { label: "with this setting", tone: "set", x: curves.bands.centre_hz, y: this.recorded },
        { label: "as recorded", tone: "recorded", x: curves.bands.centre_hz, y: this.recorded },
      ],
      marks: [],
    });
    this.find(".more-charts").addEventListener("toggle", () => this.show());
  }

  // Correlation, phase and coherence are drawn once they are unfolded.
  makeMore() {
    const x = { label: "Hz", unit: "Hz", log: true, min: 20, max: 20000 };
    const centres = curves.bands.centre_hz;
    this.coherent = this.sound.coherence();
    const offset = this.pair.offset_ms ?? 0;
    const shown = this.lags.map((lag) => lag >= Math.min(0, offset) - 3 && lag <= Math.max(0, offset) + 3);
    const within = this.correlation.filter((_, k) => shown[k]).map(Math.abs);
    const reach = Math.max(0.02, 1.1 * Math.max(...within, 0));
    this.correlationChart = new Chart(this.find(".correlation"), {
      height: 210,
      x: { label: "lag of the second track, ms", unit: "ms", min: Math.max(this.lags[0], Math.min(0, offset) - 3), max: Math.min(this.lags.at(-1), Math.max(0, offset) + 3) },
      y: { label: "correlation", min: -reach, max: reach, decimals: 2 },
      series: [{ label: "correlation", tone: "recorded", x: this.lags, y: this.correlation }], marks: [],
    });
    this.correlationChart.figure.append(element("p", "soft note", "solid upright line: the lag this setting makes up for; on the dashed one the direct sounds coincide"));
    this.phaseChart = new Chart(this.find(".phase"), {
      height: 210, x, y: { label: "degrees", min: -190, max: 190, ticks: [-180, -90, 0, 90, 180], decimals: 0 },
      series: [{ label: "phase", tone: "set", x: centres, y: [], dots: true }], marks: [],
    });
    this.coherenceChart = new Chart(this.find(".coherence"), {
      height: 210, x, y: { label: "0 to 1", min: 0, max: 1.02, ticks: [0, 0.25, 0.5, 0.75, 1], decimals: 2 },
      series: [{ label: "coherence", tone: "plain", x: centres, y: this.coherent }], marks: [],
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
    // The range holds every setting that the page names, with room to overshoot.
    const named = [pair.offset_ms, pair.session && pair.session.delay, ...this.sources.map((source) => source.offset_ms)];
    this.reach = Math.max(5, Math.ceil(1.2 * Math.max(...named.map((value) => Math.abs(value ?? 0)))));
    for (const input of [this.slide, this.typed]) { input.min = -this.reach; input.max = this.reach; }
    this.find(".other-name").textContent = pair.other;
    this.find(".flip").addEventListener("click", () => this.set({ invert: !this.invert }));
    this.slide.addEventListener("input", () => this.set({ delay: Number(this.slide.value) }));
    this.typed.addEventListener("change", () => this.set({ delay: Number(this.typed.value) || 0 }));
    this.presets = [
      [this.find(".session"), () => pair.session],
      [this.find(".recorded"), () => ({ delay: 0, invert: false })],
      [this.find(".meet"), () => (this.source.offset_ms === null ? null : { delay: -this.source.offset_ms, invert: this.invert })],
    ];
    for (const [button, setting] of this.presets) button.addEventListener("click", () => this.set(setting()));
  }

  chooseSource(source) {
    this.source = source;
    this.sources.forEach((each, k) => {
      this.tabs[k].setAttribute("aria-selected", each === source);
      this.tabs[k].tabIndex = each === source ? 0 : -1;
    });
    const band = source.band_hz || WHOLE;
    this.levelRecorded = this.sound.levelInBand(band, 0, false);
    const whole = band[0] <= WHOLE[0] && band[1] >= WHOLE[1];
    this.sumChart.spec.bands = whole ? [] : [{ from: band[0], to: band[1] }];
    const { notches_hz: notches, low_end_hz: low } = source.notches || { notches_hz: [], low_end_hz: null };
    this.sumChart.spec.marks = notches.map((notch) => ({ x: notch, kind: "notch" }));
    this.sumChart.draw();
    this.find(".notch-words").textContent = [
      notches.length ? "\u25b2 notches as recorded that this source's delay predicts." : "",
      low === null ? "" : `As recorded the low end cancels, up to about ${hertz(low)}.`,
    ].join(" ").trim();
    this.find(".meet").hidden = source.offset_ms === null;
    const edges = `${hertz(band[0])} to ${hertz(band[1])}`;
    this.find(".band-words").replaceChildren(...(whole ? [`Sum from ${edges}`] : ["Sum in the band of ", element("bdi", "", source.home), ` (${edges}, shaded)`]));
    this.show();
  }

  // Delays are kept to 0.001 ms: finer than any offset is known.
  set({ delay = this.delay, invert = this.invert }) {
    this.delay = Math.min(this.reach, Math.max(-this.reach, Math.round(delay * 1000) / 1000));
    this.invert = invert;
    this.show();
  }

  is(setting) {
    return Boolean(setting) && setting.invert === this.invert && Math.abs(setting.delay - this.delay) < 0.0011;
  }

  show() {
    const { delay, invert, pair } = this;
    this.find(".flip").setAttribute("aria-pressed", invert);
    this.find(".flip-words").replaceChildren(element("bdi", "", pair.other), " ", element("strong", "", invert ? "flipped" : "as recorded"));
    for (const [button, setting] of this.presets) {
      button.setAttribute("aria-pressed", this.is(setting()));
      if (button.classList.contains("session")) button.hidden = setting() === null;
    }
    this.slide.value = delay;
    this.slide.setAttribute("aria-valuetext", `${fixed(delay, 2)} ms`);
    if (Number(this.typed.value) !== delay || this.typed.value === "") this.typed.value = delay;
    const samples = fixed((Math.abs(delay) * pageData.sample_rate) / 1000, 1);
    this.find(".delay-words").replaceChildren(...(delay === 0 ? ["no delay"] : [
      "delay ", element("bdi", "", delay < 0 ? pair.reference : pair.other), ` by ${fixed(Math.abs(delay), 3)} ms (${samples} samples)`]));
    if (this.waveChart) this.waveChart.place([{ shift: Math.max(0, -delay), sign: 1 }, { shift: Math.max(0, delay), sign: invert ? -1 : 1 }]);
    this.sumChart.spec.series[0].y = this.sound.response(delay, invert);
    this.sumChart.update();
    const now = this.sound.levelInBand(this.source.band_hz || WHOLE, delay, invert);
    const decibels = (value) => (value === null ? "\u2013" : `${fixed(value, 1, true)} dB`);
    this.find(".level-recorded").textContent = decibels(this.levelRecorded);
    this.find(".level-now").textContent = decibels(now);
    this.find(".level-change").textContent = decibels(now === null ? null : now - this.levelRecorded);
    if (this.find(".more-charts").open) this.showMore();
    if (this.listening) this.listening.apply();
  }

  showMore() {
    if (!this.phaseChart) this.makeMore();
    const phase = this.sound.phase(this.delay, this.invert);
    this.phaseChart.spec.series[0].y = phase.map((degrees, k) => (this.coherent[k] >= COHERENT ? degrees : null));
    this.phaseChart.update();
    const offset = this.source.offset_ms;
    this.correlationChart.spec.marks = [
      { x: -this.delay, kind: "now" },
      ...(offset === null ? [] : [{ x: offset, label: `direct sound ${this.source.offset_words || ""}` }]),
    ];
    this.correlationChart.update();
  }
}

// ---- hear it: a -> delay A -> master; b -> polarity -> delay B -> master ------------------------------------
class Listening {
  constructor(bench, excerpt) {
    this.bench = bench;
    this.excerpt = excerpt;
    const sounds = [excerpt.a, excerpt.b].map((k) => soundOf(pageData.audio.sounds[k]));
    this.samples = sounds;
    // As recorded the sum plays at -20 dBFS for a level of 0 dB; quieter where peaks would not fit.
    const peaks = sounds.reduce((sum, one) => sum + one.reduce((most, value) => Math.max(most, Math.abs(value)), 0), 0);
    const scale = Math.min(0.1 / Math.sqrt(this.power(0, false) || 1), 1 / (peaks || 1));
    this.samples = sounds.map((one) => one.map((value) => value * scale));
    this.loudness = this.power(0, false);
    this.context = null;
    players.push(this);
    const box = bench.find(".listen");
    box.hidden = false;
    this.volume = bench.find(".volume");
    this.matched = bench.find(".matched");
    this.button = bench.find(".play");
    this.button.hidden = false;
    this.button.addEventListener("click", () => (this.context ? this.stop() : this.play()));
    this.volume.addEventListener("input", () => this.apply());
    this.matched.addEventListener("change", () => this.apply());
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
    stopAll();
    const context = (this.context = new AudioContext());
    const source = (samples) => {
      const buffer = context.createBuffer(1, samples.length, pageData.audio.sample_rate);
      buffer.copyToChannel(samples, 0);
      return new AudioBufferSourceNode(context, { buffer, loop: true });
    };
    const [a, b] = this.samples.map(source);
    this.delayA = new DelayNode(context, { maxDelayTime: Math.max(1, this.bench.reach / 1000) });
    this.delayB = new DelayNode(context, { maxDelayTime: Math.max(1, this.bench.reach / 1000) });
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
    if (!this.context) return;
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

// One thing sounds at a time; what is folded away is silent.
const players = [];
function stopAll() {
  for (const player of players) player.stop();
}
