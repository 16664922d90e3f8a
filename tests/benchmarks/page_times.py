"""How large and how quick the page of a check is: size, height, opening a row, frames of a drag.

Promises: under 5 MB without audio, a row open within 150 ms, 95 of 100 frames of a drag within 33 ms, with 24
tracks.  On a busy machine frames wait; *its work* is the script and the layout of a frame alone, and
*processor* what the page's thread spends on a frame, drawing included, however long it waited.  Needs
Chromium, as the tests of the page do; the reports are kept in ``--cache``.

Run: ``python tests/benchmarks/page_times.py`` (2, 9 and 24 tracks; 48 take some minutes to check).
"""

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

from page_sessions import make_session

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

#: Opens rows one after the other, each with its bench, and leaves the last one open; times in ms.
MEASURE = """
const done = arguments[0];
const frame = () => new Promise((next) => requestAnimationFrame(() => setTimeout(next)));
const nap = (ms) => new Promise((next) => setTimeout(next, ms));
(async () => {
  const rows = [...document.querySelectorAll('#pair-list details.pair, #pair-rest details.pair')].filter(
    (row) => pageData.pairs[row.querySelector('.bench').dataset.pair].curve !== null).slice(0, 12);
  const opening = [];
  for (const row of rows) {
    row.scrollIntoView();
    await nap(120);
    const start = performance.now();
    row.querySelector('summary').click();
    while (!row.querySelector('.bench').bench) await new Promise((next) => setTimeout(next));
    await frame();
    opening.push(performance.now() - start);
    if (row !== rows.at(-1)) row.open = false;
  }
  window.dragged = rows.at(-1);
  done([opening, document.documentElement.scrollHeight]);
})();
"""

#: Drags the slider of the row left open: 120 frames.
DRAG = """
const done = arguments[0];
const frame = () => new Promise((next) => requestAnimationFrame(() => setTimeout(next)));
(async () => {
  const slide = window.dragged ? window.dragged.querySelector('.slide') : null;
  const drag = [], work = [];
  for (let k = 0; slide && k < 120; k++) {
    const start = performance.now();
    slide.value = 4 * Math.sin(k / 9);
    slide.dispatchEvent(new Event('input'));
    slide.getBoundingClientRect();
    work.push(performance.now() - start);
    await frame();
    drag.push(performance.now() - start);
  }
  done([drag, work]);
})();
"""


def _share(values: list[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))] if values else float("nan")


def _spent_s(browser: Any) -> float:
    """Processor time of the page's main thread so far."""
    metrics = browser.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    return next(metric["value"] for metric in metrics if metric["name"] == "TaskDuration")


def main() -> None:
    """Print one row per session."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--tracks", type=int, nargs="+", default=[2, 9, 24])
    parser.add_argument("--audio", action="store_true", help="with excerpts; the size limit is 10 MB more")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "polaritykit_pages")
    options = parser.parse_args()

    import headless
    from click.testing import CliRunner

    from polaritykit.commands.check import command

    with tempfile.TemporaryDirectory() as profile:
        browsers = headless.browser(profile)
        browser = next(browsers)
        head = (
            "tracks",
            "page MB",
            "height px",
            "open: median ms",
            "largest",
            "drag: median ms",
            "p95",
            "its work: p95",
            "processor",
            "first paint",
        )
        print("  ".join(head))
        for n_tracks in options.tracks:
            session = make_session(options.cache / f"{n_tracks}_tracks", n_tracks)
            report = options.cache / f"{n_tracks}_report{'_audio' if options.audio else ''}"
            if not (report / "report.html").is_file():
                sound = ["--audio"] if options.audio else []
                result = CliRunner().invoke(command, [str(session), "--out", str(report), *sound])
                if result.exception:
                    raise result.exception
            page = report / "report.html"
            browser.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
            browser.get(page.as_uri())
            opening, height = browser.execute_async_script(MEASURE)
            before = _spent_s(browser)
            drag, work = browser.execute_async_script(DRAG)
            spent_ms = (_spent_s(browser) - before) / max(1, len(drag)) * 1e3
            paint = browser.execute_script(
                "return performance.getEntriesByName('first-contentful-paint')[0].startTime"
            )
            figures = (
                page.stat().st_size / 1e6,
                height,
                _share(opening, 0.5),
                _share(opening, 1.0),
                _share(drag, 0.5),
                _share(drag, 0.95),
                _share(work, 0.95),
                spent_ms,
                paint,
            )
            cells = [
                f"{n_tracks:>6}",
                *(f"{value:>{len(name)}.4g}" for name, value in zip(head[1:], figures, strict=True)),
            ]
            print("  ".join(cells), flush=True)
        browsers.close()


if __name__ == "__main__":
    main()
