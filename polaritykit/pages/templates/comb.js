// A comb whose inputs are live: the closed form of polaritykit/spectra/comb.py, on the same frequencies.
const live = pageData.live;
const liveBox = document.getElementById("live");

// Speed of sound between the temperatures that Python worked out.
function speedAt(celsius) {
  const { start, step, values } = live.speed_mps;
  const place = Math.min(values.length - 1.001, Math.max(0, (celsius - start) / step));
  const k = Math.floor(place);
  return values[k] + (place - k) * (values[k + 1] - values[k]);
}

function combLevel(frequency, delayMs, levelDb, inverted) {
  const amplitude = 10 ** (-Math.abs(levelDb) / 20);
  const cosine = Math.cos((2e-3 * Math.PI * frequency * delayMs));
  const power = 1 + amplitude ** 2 + (inverted ? -2 : 2) * amplitude * cosine;
  return 10 * Math.log10(Math.max(power, 1e-4));
}

class LiveComb {
  constructor(box) {
    this.box = box;
    this.field = (name) => box.querySelector(`[name=${name}]`);
    this.inverted = live.inverted;
    this.field("temperature_c").min = live.speed_mps.start;
    this.field("temperature_c").max = live.speed_mps.start + live.speed_mps.step * (live.speed_mps.values.length - 1);
    for (const name of ["path_m", "temperature_c", "level_db"]) this.field(name).value = live[name];
    this.field("path_slide").max = Math.max(3, Math.ceil(1.5 * live.path_m));
    this.chart = new Chart(box.querySelector(".live-chart"), {
      height: 260, low: 200, x: { label: "Hz", unit: "Hz", log: true, min: 20, max: 20000 }, y: { label: "dB", min: -30, max: 8, ticks: [-30, -24, -18, -12, -6, -3, 0, 3, 6] },
      series: [
        { label: "with these inputs", tone: "set", x: live.frequency_hz, y: [] },
        { label: "as asked for", tone: "recorded", x: live.frequency_hz, y: live.frequency_hz.map((f) => combLevel(f, live.delay_ms, live.level_db, live.inverted)) },
      ],
      marks: [],
    });
    this.field("path_slide").addEventListener("input", (event) => { this.field("path_m").value = event.target.value; this.show(); });
    for (const name of ["path_m", "temperature_c", "level_db"]) this.field(name).addEventListener("input", () => this.show());
    box.querySelector(".flip-comb").addEventListener("click", () => { this.inverted = !this.inverted; this.show(); });
    this.show();
  }

  show() {
    const path = Number(this.field("path_m").value) || 0;
    const level = Number(this.field("level_db").value) || 0;
    const celsius = Number(this.field("temperature_c").value);
    const delay = (path / speedAt(celsius)) * 1000;
    this.field("path_slide").value = path;
    this.delay = delay;
    const button = this.box.querySelector(".flip-comb");
    button.setAttribute("aria-pressed", this.inverted);
    this.chart.spec.series[0].y = live.frequency_hz.map((f) => combLevel(f, delay, level, this.inverted));
    const first = (this.inverted ? 1000 : 500) / delay;
    this.chart.spec.marks = [0, 1, 2].map((k) => first + (k * 1000) / delay).filter(Number.isFinite).map((x) => ({ x, kind: "notch" }));
    this.chart.update();
    const notch = Number.isFinite(first) ? `${Number(first.toPrecision(3))} Hz` : "none";
    this.box.querySelector(".live-words").textContent =
      `${fixed(delay, 3)} ms (${fixed((delay * live.sample_rate) / 1000, 1)} samples); first notch ${notch}${this.inverted ? ", and the low end cancels" : ""}.`;
  }
}
liveBox.comb = new LiveComb(liveBox);
