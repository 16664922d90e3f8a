"""What `polaritykit check` costs: processor time and memory by tracks, length and sample rate.

Each check is a process of its own, start-up, imports and report included; the audio is that of `speed.py`.
Processor time is told of all cores together, for it says on any number of them what an archive takes.

Run: ``python tests/benchmarks/costs.py --sizes 8x1 8x4 8x1x96000`` (tracks x minutes x rate, 48 kHz when left
out); with ``--markdown`` the table of README.md is written.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from speed import CORES, RATE, make_session, measure

#: Each doubled twice from the middle one: tracks, minutes, rate.
SIZES = ["4x1", "8x1", "16x1", "32x1", "8x4", "8x16", "8x1x96000", "8x1x192000"]
HEADER = ["tracks", "minutes", "kHz", "processor s", "per track-hour", "peak MB"]


def one_size(cache: Path, size: str) -> list[str]:
    """Check one session and return what it took."""
    words = size.split("x")
    tracks, minutes, rate = int(words[0]), float(words[1]), int(words[2]) if len(words) > 2 else RATE
    name = f"{tracks}x{minutes:g}" + (f"x{rate}" if rate != RATE else "")
    make_session(cache / name, tracks, minutes, rate)
    with tempfile.TemporaryDirectory() as out:
        command = [sys.executable, "-m", "polaritykit", "check", str(cache / name), "--overwrite"]
        _, cpu_s, peak_mb = measure([*command, "--out", out])
    hours = tracks * minutes / 60
    return [
        f"{tracks}",
        f"{minutes:g}",
        f"{rate / 1e3:g}",
        f"{cpu_s:.1f}",
        f"{cpu_s / hours:.0f} s",
        f"{peak_mb:.0f}",
    ]


def main() -> None:
    """Print a row per size."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--sizes", nargs="+", default=SIZES, metavar="TRACKSxMINUTES[xRATE]")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "polaritykit_speed")
    parser.add_argument("--markdown", action="store_true", help="write the table of README.md")
    options = parser.parse_args()
    from tables import README, commit, write_table  # beside this program

    print(f"{CORES} cores, commit {commit()}")
    print(*HEADER, sep="  ")
    rows = []
    for size in options.sizes:
        rows.append(one_size(options.cache, size))
        print(*rows[-1], sep="  ", flush=True)
    if options.markdown:
        words = " ".join(word for word in sys.argv[1:] if word != "--markdown")
        write_table(
            "costs", f"python tests/benchmarks/costs.py {words}".strip(), HEADER, rows, document=README
        )


if __name__ == "__main__":
    main()
