"""What the settings do to simulated kits, judged by what every source alone brings to every mic.

Run from the checkout: ``python tests/benchmarks/corrections.py``.  Every kit comes with a twin: the same kit
with other flips and delays (0 to 4 ms) on its tracks.  ``--mode given`` hands true arrivals and signs to the
decision stage, ``--mode end-to-end`` the audio alone to an analysis, ``--mode real`` too, of hits of the open
kit.  ``--split development`` uses other rooms, hits and seeds than ``--split report``.  Parts written with
``--json`` are joined by ``--join``, and ``--markdown`` writes them into DEVELOPERS.md.

Conventions: as in `setting_scores`; the right flips alone are those of the setting without its shifts.
"""

# ruff: noqa: E402 - the folders of this checkout have to be found first

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]
sys.path.insert(1, str(Path(__file__).parents[1] / "support"))

from sessions_stems import LINKED, StemKit, injected, real_kit, stem_kit, twin
from setting_given import SETTLED, given_setting
from setting_matters import buses, copies_left, same_settings
from setting_scores import (
    FlipCount,
    Set,
    SourceOctave,
    alike,
    flips,
    harmed,
    mean_gain_db,
    own_mics,
    own_sum_change_db,
    source_octaves,
)
from shared_data import shared_data_dir

Decide = Callable[[StemKit], Set]


def given(kit: StemKit) -> Set:
    """Decide with arrivals and signs given."""
    return given_setting(kit)[0]


def end_to_end(kit: StemKit, *, anchor: str = "oh_left") -> Set:
    """Decide from the audio alone."""
    from polaritykit.analysis import analyse
    from polaritykit.audio.array_recording import ArrayRecording

    linked = tuple(pair for pair in LINKED if set(pair) <= set(kit.names))
    found = analyse(ArrayRecording(kit.tracks, kit.sample_rate_hz), anchor=anchor, linked=linked)
    return setting_of(found)


def setting_of(findings: Any) -> Set:
    """Take the setting from an analysis, in the order of its tracks."""
    from polaritykit.decide.flips import groups_of

    tracks, names = findings.corrections.tracks, findings.track_names
    decided = [p for p in findings.pairs if p.polarity != "unclear"]
    links = [LINKED[0], *((p.reference, p.other) for p in decided)]
    return Set(
        groups=groups_of(len(names), [(names.index(a), names.index(b)) for a, b in links]),
        signs=np.array([-1.0 if track.invert else 1.0 for track in tracks]),
        shifts_ms=np.array([track.shift_ms for track in tracks]),
        settled=np.array([track.reason in SETTLED for track in tracks]),
        said=frozenset((loss.home, loss.octave_hz) for track in tracks for loss in track.losses),
    )


@dataclass
class Tally:
    """All kits of one mode."""

    octaves: list[SourceOctave] = field(default_factory=list)
    twins: list[tuple[int, int]] = field(default_factory=list)
    twins_all: list[tuple[int, int]] = field(default_factory=list)
    own_sums_db: list[float] = field(default_factory=list)
    #: Flips and shifts above 0.1 ms that corrected copies would still get.
    again: list[tuple[int, int]] = field(default_factory=list)
    settled: int = 0
    close: int = 0
    harmed: list[str] = field(default_factory=list)
    flips: list[FlipCount] = field(default_factory=list)


def add(tally: Tally, kit: StemKit, seed: int, decide: Decide) -> None:
    """Judge one kit and its twin."""
    pair = []
    for recorded in (kit, twin(kit, seed)):
        setting = decide(recorded)
        octaves = source_octaves(recorded, setting)
        pair.append(octaves)
        tally.octaves += octaves
        tally.own_sums_db += own_sums(recorded, setting)
        tally.again.append(left_after(recorded, setting, decide))
        tally.flips.append(flips(recorded, setting))
        close = [k for k, name in enumerate(kit.names) if not name.startswith(("oh", "room"))]
        tally.settled += int(setting.settled[close].sum())
        tally.close += len(close)
        tally.harmed += [
            f"{recorded.name} {o.source} {o.centre_hz:g} Hz: own mics {o.mics_db - o.mics_flips_db:+.1f}, "
            f"whole sum {o.whole_db - o.whole_flips_db:+.1f} dB{', said' if o.said else ''}"
            for o in octaves
            if min(o.mics_db - o.mics_flips_db, o.whole_db - o.whole_flips_db) < -1
        ]
    tally.twins.append(alike(*pair, settled=True))
    tally.twins_all.append(alike(*pair, settled=False))


def own_sums(kit: StemKit, setting: Set) -> list[float]:
    """Least change of the own sum of every two mics on one source."""
    found = []
    for number in range(len(kit.stems)):
        mics = own_mics(kit, number)
        found += [own_sum_change_db(kit, a, b, setting) for k, a in enumerate(mics) for b in mics[:k]]
    return found


def corrected(kit: StemKit, setting: Set) -> StemKit:
    """Apply a setting: flips, and shifts with the earliest at zero."""
    later = setting.shifts_ms - setting.shifts_ms.min()
    return injected(
        kit,
        {name: int(sign) for name, sign in zip(kit.names, setting.signs, strict=True)},
        dict(zip(kit.names, later.tolist(), strict=True)),
    )


def left_after(kit: StemKit, setting: Set, decide: Decide) -> tuple[int, int]:
    """Flips and shifts above 0.1 ms that corrected copies would get."""
    again = decide(corrected(kit, setting))
    flips = min(int((again.signs < 0).sum()), int((again.signs > 0).sum()))
    return flips, int((np.abs(again.shifts_ms) > 0.1).sum())


def summary(tally: Tally) -> dict[str, Any]:
    """Make the rows of one mode."""
    count = len(tally.octaves)
    whole, mics = harmed(tally.octaves, whole=True), harmed(tally.octaves, whole=False)
    alike_set, alike_all = (np.sum(found, axis=0) for found in (tally.twins, tally.twins_all))
    return {
        "flips set that are right": np.sum([f.right for f in tally.flips], axis=0).tolist(),
        "flips set of tracks not tied to the anchor, right among them": np.sum(
            [f.apart for f in tally.flips], axis=0
        ).tolist(),
        "flips there are that are set": np.sum([f.found for f in tally.flips], axis=0).tolist(),
        "close mics whose shift is settled": [tally.settled, tally.close],
        "twins alike where set in both": alike_set.tolist(),
        "twins alike, all": alike_all.tolist(),
        "mean gain over the right flips, dB": mean_gain_db(tally.octaves),
        "harmed in own mics with overheads": [len(mics), count],
        "harmed in the sum of all tracks": [len(whole), count],
        "of these said": [sum(o.said for o in whole), len(whole)],
        "octaves said that lose less than 0.5 dB": [
            sum(o.said and o.least_db > -0.5 for o in tally.octaves),
            sum(o.said for o in tally.octaves),
        ],
        "least own sum of two mics, dB": min(tally.own_sums_db, default=0.0),
        "flips left in corrected copies": sum(flips for flips, _ in tally.again),
        "shifts above 0.1 ms left": sum(shifts for _, shifts in tally.again),
    }


def cell(value: Any) -> str:
    """Write one figure, with its denominator."""
    if isinstance(value, list):
        part, whole = value
        return f"{part} of {whole}" + (f" ({100 * part / whole:.0f} %)" if whole else "")
    return f"{value:.2f}" if isinstance(value, float) else "–" if value is None else str(value)


#: Row -> what DECISIONS of the decision stage ask for.
GOALS = {
    "twins alike where set in both": "≥ 99 %, from audio ≥ 95 %",
    "twins alike, all": "≥ 75 %",
    "mean gain over the right flips, dB": "≥ 1.4",
    "harmed in the sum of all tracks": "≤ 2 %",
    "of these said": "all",
    "least own sum of two mics, dB": "≥ −0.5",
    "flips left in corrected copies": "0",
    "shifts above 0.1 ms left": "0",
    "flips set that are right": "all",
    **{
        f"largest change of a shift by {what}, ms": "0"
        for what in (
            "order of tracks",
            "an unrelated track",
            "an unrelated track with onsets",
            "gains",
            "names",
        )
    },
    "a copy with its original, dB over it alone": "6",
}


def joined(one: dict[str, Any], two: dict[str, Any]) -> dict[str, Any]:
    """Add up two parts of one mode: counts add, means weigh by source-octaves, else the worst counts."""
    sizes = [rows.get("harmed in own mics with overheads", [0, 0])[1] for rows in (one, two)]
    out = one | two
    for key in set(one) & set(two):
        a, b = one[key], two[key]
        if isinstance(a, list):
            out[key] = [x + y for x, y in zip(a, b, strict=True)]
        elif key.startswith("mean"):
            out[key] = float(np.average([a, b], weights=sizes))
        elif isinstance(a, int):
            out[key] = a + b
        else:
            out[key] = min(a, b) if key.startswith("least") else max(a, b)
    return out


def markdown(files: Sequence[str]) -> None:
    """Write the table of DEVELOPERS.md from parts."""
    from tables import write_table

    parts = [json.loads(Path(name).read_text(encoding="utf-8")) for name in files]
    columns: dict[str, dict[str, Any]] = {}
    for part in parts:
        for mode, rows in part["modes"].items():
            columns[mode] = joined(columns[mode], rows) if mode in columns else rows
    keys = list(dict.fromkeys(key for rows in columns.values() for key in rows))
    command = " ; ".join(part["command"] for part in parts)
    rows = [[key, GOALS.get(key, ""), *(cell(columns[mode].get(key)) for mode in columns)] for key in keys]
    write_table("corrections", command, ["property", "goal", *columns], rows)


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the options and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument(
        "--first", type=int, default=1, help="seed to begin with, so that parts can be joined"
    )
    parser.add_argument("--split", choices=["development", "report"], default="report")
    parser.add_argument("--mode", choices=["given", "end-to-end", "both", "real"], default="both")
    parser.add_argument("--mics", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument(
        "--invariance", action="store_true", help="what must not matter, copies and buses, on the first kit"
    )
    parser.add_argument("--only-invariance", action="store_true", help="that alone")
    parser.add_argument("--wrong", action="store_true", help="list source-octaves that lose")
    parser.add_argument("--json", metavar="FILE")
    parser.add_argument("--join", metavar="FILE", nargs="+", default=[], help="parts to make the table of")
    parser.add_argument("--markdown", action="store_true", help="write the table of DEVELOPERS.md")
    options = parser.parse_args(arguments)
    if options.join:
        markdown(options.join)
        return
    first = {"report": 0, "development": 10_000}[options.split] + options.first
    seeds = range(first, first + options.seeds)
    modes: dict[str, Decide] = {"given": given, "end-to-end": end_to_end, "real": end_to_end}
    wanted = ["given", "end-to-end"] if options.mode == "both" else [options.mode]
    if "real" in wanted and (shared_data_dir() is None or not (shared_data_dir() / "kit").is_dir()):
        parser.error("--mode real needs the open kit: POLARITYKIT_SHARED_DATA names the folder that holds it")
    found: dict[str, Any] = {}
    print(f"split {options.split}, seeds {seeds[0]} to {seeds[-1]} and a twin each, {options.seconds:g} s")
    for mode in () if options.only_invariance else wanted:
        tally = Tally()
        for seed in seeds:
            kit = (
                real_kit(seed, seconds=options.seconds, split=options.split)
                if mode == "real"
                else stem_kit(seed, seconds=options.seconds, n_mics=options.mics)
            )
            add(tally, kit, seed, modes[mode])
        found[mode] = summary(tally)
        print(f"{mode}:")
        print("\n".join(f"  {key:60} {cell(value)}" for key, value in found[mode].items()))
        if options.wrong:
            print("\n".join(f"    {line}" for line in tally.harmed))
    if options.invariance or options.only_invariance:
        kit = stem_kit(first, seconds=options.seconds, n_mics=options.mics)
        changed = same_settings(kit, first, end_to_end)
        rows: dict[str, Any] = {
            f"largest change of a shift by {what}, ms": ms for what, ms in changed.items()
        }
        rows["a copy with its original, dB over it alone"] = copies_left(kit)
        rows |= buses(twin(kit, first), end_to_end)
        print("\n".join(f"  {key:66} {cell(value)}" for key, value in rows.items()))
        found.setdefault("end-to-end", {}).update(rows)
    if options.json:
        words = list(arguments or sys.argv[1:])
        del words[words.index("--json") : words.index("--json") + 2]
        run_as = " ".join(["tests/benchmarks/corrections.py", *words])
        run = {"command": f"python {run_as}", "modes": found}
        Path(options.json).write_text(json.dumps(run, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
