// The whole session by ear: every track goes three ways at once, and a switch fades from one sum to another.
const SWITCH_S = 0.008; // time constant: heard as at once, without a click
const SESSION_WAYS = ["recorded", "flips", "all"];

class SessionSound {
  constructor(box, kept) {
    this.kept = kept;
    this.box = box;
    this.context = null;
    this.way = "recorded";
    this.muted = new Set();
    players.push(this);
    this.button = box.querySelector(".play");
    this.volume = box.querySelector(".volume");
    this.buttons = Array.from(box.querySelectorAll("[data-way]"));
    this.button.addEventListener("click", () => (this.context ? this.stop() : this.play()));
    this.volume.addEventListener("input", () => this.apply());
    for (const button of this.buttons) button.addEventListener("click", () => { this.way = button.dataset.way; this.apply(); });
    const mutes = box.querySelector(".mutes");
    for (const { track } of kept.sounds) {
      const label = element("label", "check");
      const tick = element("input");
      tick.type = "checkbox";
      tick.checked = true;
      tick.addEventListener("change", () => { this.muted[tick.checked ? "delete" : "add"](track); this.apply(); });
      label.append(tick, " ", element("bdi", "", track));
      mutes.append(label);
    }
    this.apply();
  }

  // The recorded sum plays at about -20 dBFS; all peaks together must fit.
  scale(sounds) {
    let peaks = 0, power = 0;
    const n = sounds[0].length;
    for (const sound of sounds) peaks += sound.reduce((most, value) => Math.max(most, Math.abs(value)), 0);
    for (let k = 0; k < n; k++) { let sum = 0; for (const sound of sounds) sum += sound[k]; power += sum * sum; }
    return Math.min(0.1 / Math.sqrt(power / n || 1), 1 / (peaks || 1));
  }

  play() {
    stopAll();
    const context = (this.context = new AudioContext());
    const sounds = this.kept.sounds.map(soundOf);
    const scale = this.scale(sounds);
    this.master = new GainNode(context, { gain: 0 });
    this.master.connect(context.destination);
    this.buses = SESSION_WAYS.map(() => new GainNode(context, { gain: 0 }));
    for (const bus of this.buses) bus.connect(this.master);
    this.tracks = this.kept.sounds.map(({ track }, k) => {
      const buffer = context.createBuffer(1, sounds[k].length, this.kept.sample_rate);
      buffer.copyToChannel(sounds[k], 0);
      const source = new AudioBufferSourceNode(context, { buffer, loop: true });
      const level = new GainNode(context, { gain: scale });
      const { invert, delay_ms: delay } = pageData.tracks[track] || { invert: false, delay_ms: 0 };
      const turned = new GainNode(context, { gain: invert ? -1 : 1 });
      const late = new DelayNode(context, { delayTime: delay / 1000, maxDelayTime: Math.max(0.1, delay / 1000) });
      source.connect(level);
      level.connect(this.buses[0]);
      level.connect(turned).connect(this.buses[1]);
      turned.connect(late).connect(this.buses[2]);
      return { track, source, level, scale };
    });
    this.apply();
    for (const { source } of this.tracks) source.start(context.currentTime + 0.05);
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
    this.box.querySelector(".volume-words").textContent = `${fixed(Number(this.volume.value), 0)} dB`;
    for (const button of this.buttons) button.setAttribute("aria-pressed", button.dataset.way === this.way);
    if (!this.context) return;
    const now = this.context.currentTime;
    const match = { recorded: 0, flips: this.kept.flips_gain_db, all: this.kept.all_gain_db };
    SESSION_WAYS.forEach((way, k) => this.buses[k].gain.setTargetAtTime(way === this.way ? 10 ** (match[way] / 20) : 0, now, SWITCH_S));
    for (const { track, level, scale } of this.tracks) level.gain.setTargetAtTime(this.muted.has(track) ? 0 : scale, now, SWITCH_S);
    this.master.gain.setTargetAtTime(10 ** (this.volume.value / 20), now, 0.02);
  }
}

const sessionBox = document.getElementById("session-sound");
if (sessionBox) sessionBox.sound = new SessionSound(sessionBox, pageData.audio.session);
