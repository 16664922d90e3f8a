"""Whether kits are judged among very many tracks as they are alone: planted flips and offsets, found or not.

Simulated kits of known parts, with hidden flips and delays, are analysed each by itself and then all together
with tracks that share nothing (noises and music of random notes).  A struck source of more than 64 tracks is
looked for in the 64 that rise most with its strokes; ``--heard-in`` analyses with other numbers as well.

Run: ``python tests/benchmarks/side_by_side.py --kits 3 --tracks 100``.
"""

import argparse
import contextlib
import sys
from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from many_tracks import RATE, music, noise
from sessions_base import Session
from sessions_rooms import simulated_kit

from polaritykit import analyse_arrays
from polaritykit.decide.findings import PairFinding

#: An offset this near to one of a source's is that one's.
NEAR_MS = 0.3

Answers = Mapping[tuple[str, str], PairFinding]


def kits(count: int, first: int, seconds: float, mics: int) -> dict[str, Session]:
    """Make kits of known truth, by the word their tracks' names begin with."""
    return {
        f"kit{number + 1} ": simulated_kit(first + number, n_mics=mics, seconds=seconds)
        for number in range(count)
    }


def strangers(count: int, n: int, seed: int) -> Iterator[tuple[str, np.ndarray]]:
    """Yield tracks that share nothing with any other."""
    for number in range(count):
        rng = np.random.default_rng([seed, 9, number])
        made = music(rng, n) if number % 2 else noise(rng, n, colour=float(rng.uniform(0.0, 0.9)))
        yield f"other {number + 1}", made


@contextlib.contextmanager
def looked_for_in(most: int) -> Iterator[None]:
    """Look for each struck source in so many tracks at most."""
    from polaritykit.struck import sources

    kept = sources.MOST_TRACKS
    sources.MOST_TRACKS = most
    try:
        yield
    finally:
        sources.MOST_TRACKS = kept


def answers(tracks: Mapping[str, np.ndarray]) -> Answers:
    """Analyse tracks and return what is said of each pair."""
    return {(p.reference, p.other): p for p in analyse_arrays(tracks, sample_rate_hz=RATE).pairs}


def scored(session: Session, prefix: str, told: Answers) -> dict[str, np.ndarray]:
    """Count, of the pairs whose truth is known: those there are, and how many are answered and right."""
    counts = {key: np.zeros(2, int) for key in ("same", "inverted", "wrong", "offsets", "offsets off")}
    for pair in session.pairs:
        key = (prefix + pair.reference, prefix + pair.other)
        said = told[key]
        if pair.polarity is not None and not pair.disputed:
            counts[pair.polarity] += [said.polarity == pair.polarity, 1]
            counts["wrong"] += [said.polarity not in (pair.polarity, "unclear"), said.polarity != "unclear"]
        if pair.settled:
            counts["offsets"] += [said.offset_ms is not None, 1]
            if said.offset_ms is not None:
                true_ms = [one.offset_ms for one in pair.sources if one.offset_ms is not None]
                far = min(abs(said.offset_ms - one) for one in true_ms) > NEAR_MS
                counts["offsets off"] += [far, 1]
    return counts


def row(name: str, sessions: Mapping[str, Session], told: Iterable[Answers]) -> list[str]:
    """Sum up one way of analysing."""
    total: dict[str, np.ndarray] = {}
    strange = [0, 0]
    for found in told:
        for prefix, session in sessions.items():
            if not any(a.startswith(prefix) for a, _ in found):
                continue
            for key, pair in scored(session, prefix, found).items():
                total[key] = total.get(key, np.zeros(2, int)) + pair
        apart = [
            p for (a, b), p in found.items() if a.split(" ")[0] != b.split(" ")[0] or a.startswith("oth")
        ]
        strange = [strange[0] + sum(p.related for p in apart), strange[1] + len(apart)]
    return [name, *(f"{a} of {b}" for a, b in total.values()), f"{strange[0]} of {strange[1]}"]


def main() -> None:
    """Print one row for the kits alone, and one for each number of tracks looked in."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--kits", type=int, default=3)
    parser.add_argument("--mics", type=int, default=12, help="of each kit")
    parser.add_argument("--tracks", type=int, default=100, help="in all")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--first", type=int, default=101, help="seed of the first kit")
    parser.add_argument("--heard-in", nargs="+", type=int, default=[64], metavar="TRACKS")
    parser.add_argument("--markdown", action="store_true", help="write the table of DEVELOPERS.md")
    options = parser.parse_args()
    from tables import commit, write_table  # beside this program

    sessions = kits(options.kits, options.first, options.seconds, options.mics)
    header = [
        "analysed",
        "same told so",
        "inverted told so",
        "wrong, of those decided",
        "offsets given",
        "not within 0.3 ms of a source's",
        "strangers called related",
    ]
    print(f"commit {commit()}, {options.seconds:g} s, seeds from {options.first} on")
    print(" | ".join(header))
    named = {
        prefix: {prefix + name: np.asarray(track) for name, track in session.tracks.items()}
        for prefix, session in sessions.items()
    }
    rows = [row("each kit alone", sessions, map(answers, named.values()))]
    print(" | ".join(rows[-1]), flush=True)
    n = min(len(track) for tracks in named.values() for track in tracks.values())
    everything = {name: track[:n] for tracks in named.values() for name, track in tracks.items()}
    everything |= dict(strangers(options.tracks - len(everything), n, options.first))
    for most in options.heard_in:
        with looked_for_in(most):
            rows.append(
                row(f"{len(everything)} tracks, looked for in {most}", sessions, [answers(everything)])
            )
        print(" | ".join(rows[-1]), flush=True)
    if options.markdown:
        words = " ".join(word for word in sys.argv[1:] if word != "--markdown")
        write_table("side", f"python tests/benchmarks/side_by_side.py {words}".strip(), header, rows)


if __name__ == "__main__":
    main()
