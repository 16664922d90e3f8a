// The session report: ticks and values of the settings, pairs that open, filter and sort, and the map.

// ---- settings: ticks stay in the browser, values are copied -----------------------------------------------
const KEPT = `polaritykit ${pageData.key}`;
const ticks = Array.from(document.querySelectorAll(".tick input"));

// Some browsers keep nothing for files; the ticks then last as long as the page.
function remembered() {
  try { return new Set(JSON.parse(localStorage.getItem(KEPT)) || []); } catch { return new Set(); }
}

function showTicks() {
  const acting = ticks.filter((tick) => tick.closest("tr").matches(".flip, .shift"));
  const count = document.querySelector(".done-count");
  if (count) count.textContent = `${acting.filter((tick) => tick.checked).length} of ${acting.length} set`;
  for (const tick of ticks) tick.closest("tr").classList.toggle("done", tick.checked);
}

const done = remembered();
for (const tick of ticks) {
  tick.checked = done.has(tick.dataset.track);
  tick.addEventListener("change", () => {
    try { localStorage.setItem(KEPT, JSON.stringify(ticks.filter((each) => each.checked).map((each) => each.dataset.track))); } catch { /* not kept */ }
    showTicks();
  });
}
showTicks();

async function copy(text) {
  try { await navigator.clipboard.writeText(text); return true; } catch { /* the older way */ }
  const area = element("textarea", "sr", text);
  document.body.append(area);
  area.select();
  const copied = document.execCommand("copy");
  area.remove();
  return copied;
}

for (const button of document.querySelectorAll(".copy"))
  button.addEventListener("click", async () => {
    const copied = await copy(button.dataset.copy);
    button.focus();
    button.classList.toggle("copied", copied);
    setTimeout(() => button.classList.remove("copied"), 1200);
  });

// ---- pairs: open, filter, sort -----------------------------------------------------------------------------
const lists = Array.from(document.querySelectorAll(".pair-list"));
const panels = lists.flatMap((list) => Array.from(list.querySelectorAll(":scope > details.pair")));
const leave = document.querySelector("details.leave");

function fill(panel) {
  const host = panel.querySelector(".bench");
  if (host.childElementCount) return host.bench;
  const pair = pageData.pairs[Number(host.dataset.pair)];
  if (pair.curve === null || !curves) host.append(element("p", "soft", "No curves were kept for this pair: others gain more by a change."));
  else new Bench(host, pair);
  return host.bench;
}

for (const panel of panels) {
  panel.addEventListener("toggle", (event) => {
    if (event.target !== panel) return;
    if (panel.open) fill(panel);
    else {
      const { bench } = panel.querySelector(".bench");
      if (bench && bench.listening) bench.listening.stop();
    }
  });
}
if (leave) leave.addEventListener("toggle", (event) => {
  if (event.target !== leave || leave.open) return;
  for (const host of leave.querySelectorAll(".bench")) if (host.bench && host.bench.listening) host.bench.listening.stop();
});
addEventListener("pagehide", stopAll);

const filter = document.querySelector("form.filter");
const acts = (panel) => panel.parentElement.id === "pair-list";
const wanted = {
  all: () => true,
  act: acts,
  inverted: (panel) => panel.dataset.polarity === "inverted",
  unclear: (panel) => panel.dataset.polarity === "unclear",
};
const rank = {
  gain: (panel) => -panel.dataset.gain,
  order: (panel) => Number(panel.dataset.index),
  offset: (panel) => (panel.dataset.offset === "" ? Infinity : Number(panel.dataset.offset)),
  confidence: (panel) => -panel.dataset.confidence,
};
// "tom low" finds tom_low: what separates the parts of a name is not typed by everyone alike.
const parts = (text) => text.toLowerCase().split(/[\s_.\-]+/).filter(Boolean);
for (const panel of panels) panel.words = parts(panel.dataset.names).join(" ");

function arrange() {
  const { track, show, sort, count } = filter.elements;
  const typed = parts(track.value);
  let shown = 0;
  for (const panel of panels) {
    panel.hidden = !wanted[show.value](panel) || !typed.every((part) => panel.words.includes(part));
    if (!panel.hidden) shown += 1;
  }
  panels.sort((one, two) => rank[sort.value](one) - rank[sort.value](two) || one.dataset.index - two.dataset.index);
  for (const list of lists) list.append(...panels.filter((panel) => panel.parentElement === list));
  count.value = `${shown} of ${panels.length} pairs`;
  const nothing = document.querySelector(".nothing");
  nothing.hidden = shown > 0 || panels.length === 0;
  nothing.textContent = typed.length ? `No pair fits \u201c${track.value.trim()}\u201d; names are those of the session map.` : "No pair fits.";
  if (leave && (typed.length || show.value !== "all")) leave.open = true;
}
filter.addEventListener("input", arrange);
filter.addEventListener("submit", (event) => event.preventDefault());
arrange();

// ---- the map: one stop for the tab key, arrows move, Enter opens ---------------------------------------------
for (const map of document.querySelectorAll(".map")) {
  const links = Array.from(map.querySelectorAll("td a"));
  links.forEach((link, k) => (link.tabIndex = k === 0 ? 0 : -1));
  map.addEventListener("keydown", (event) => {
    const step = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[event.key];
    const from = event.target.closest("td a");
    if (!step || !from) return;
    event.preventDefault();
    let [row, column] = [from.closest("tr").rowIndex, from.closest("td").cellIndex];
    for (;;) {
      row += step[0];
      column += step[1];
      const cell = map.rows[row] && map.rows[row].cells[column];
      if (!cell || row === 0 || column === 0) return;
      const next = cell.querySelector("a");
      if (!next) continue;
      from.tabIndex = -1;
      next.tabIndex = 0;
      next.focus();
      return;
    }
  });
}

const afterButton = document.querySelector("button.after");
if (afterButton) afterButton.addEventListener("click", () => {
  const after = afterButton.getAttribute("aria-pressed") !== "true";
  afterButton.setAttribute("aria-pressed", after);
  for (const cell of document.querySelectorAll(".map td[data-left]")) {
    cell.dataset.now ??= cell.className;
    cell.className = after ? cell.dataset.left : cell.dataset.now;
    cell.classList.toggle("after", after);
    const label = cell.querySelector(".sr");
    label.dataset.now ??= label.textContent;
    const left = cell.querySelector(".left").textContent.trim().split(/\s+/)[1];
    const who = label.dataset.now.split(": polarity ")[0];
    label.textContent = after ? `${who}: polarity ${cell.dataset.left} after the settings${left ? `, ${left} ms` : ""}` : label.dataset.now;
  }
});

// ---- links open their row; going back closes it again ---------------------------------------------------------
let opened = null;
let wish = null;

function openPair() {
  const panel = location.hash.startsWith("#pair-") ? document.getElementById(location.hash.slice(1)) : null;
  if (opened && opened !== panel) opened.open = false;
  opened = panel;
  if (!panel) return;
  if (leave && leave.contains(panel)) leave.open = true;
  panel.hidden = false;
  panel.open = true;
  const bench = fill(panel);
  if (bench && wish === "session" && bench.pair.session) bench.set(bench.pair.session);
  wish = null;
  panel.querySelector("summary").focus({ preventScroll: true });
  panel.scrollIntoView();
}
for (const link of document.querySelectorAll("a[href^='#pair-']"))
  link.addEventListener("click", () => {
    wish = link.dataset.setting || null;
    if (location.hash === link.getAttribute("href")) setTimeout(openPair);
  });
addEventListener("hashchange", openPair);
openPair();
