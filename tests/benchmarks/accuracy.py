"""Accuracy of the estimator beside three textbook references, on sessions with exact or settled truth.

Run from the checkout: ``python tests/benchmarks/accuracy.py --quick``.  ``--split development`` uses other
hits, rooms and seeds than ``--split report``; numbers chosen on the one are reported on the other.
"""

# ruff: noqa: E402 - the folders of this checkout have to be found first

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parents[2]),
]

import sessions_continuous as continuous
import sessions_packages as packages
import sessions_sustained as sustained
from references import REFERENCES, Estimator
from scoring import (
    Comparison,
    Document,
    PairScore,
    answer_of,
    area_under_curve,
    calibration_error,
    closure_ms,
    compare,
    reliability,
    score_session,
    summarise,
)
from sessions_base import Session
from sessions_kit import CLOSE_AND_OVERHEADS, DRUM_HOMES, FAR_MICS, drums_session, kit_session
from sessions_rooms import RATE, simulated_kit
from sessions_roomy import equalised, roomy_kit_session, roomy_simulated
from shared_data import shared_data_dir
from tables import write_table


@dataclass(frozen=True, kw_only=True)
class Case:
    """A session to score, and what it is to be compared with."""

    session: Session
    #: The same session without flips and delays.
    untouched: Session | None = None
    #: Two sessions of disjoint hits, or halves of the take.
    halves: tuple[Session, Session] | None = None
    #: Extra numbers from the document (drift, steps, the bound), averaged over the group.
    extra: Callable[[Document], dict[str, float]] | None = None


@dataclass(frozen=True, kw_only=True)
class Group:
    """A set of cases; `cases(seeds, split)` makes them one at a time."""

    cases: Callable[[Sequence[int], str], Iterator[Case]]
    #: Seeds in a full and in a quick run.
    seeds: int
    quick: int
    needs_recordings: bool = False
    #: Which row of the accuracy goals the group stands for.
    goal: str = ""


@dataclass
class Tally:
    """What one estimator did on one group."""

    scores: list[PairScore] = field(default_factory=list)
    equivariance: list[Comparison] = field(default_factory=list)
    repeats: list[Comparison] = field(default_factory=list)
    closure: list[float] = field(default_factory=list)
    extras: list[dict[str, float]] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    audio_seconds: list[float] = field(default_factory=list)


# --- groups ----------------------------------------------------------------------------------------------


def in_halves(session: Session) -> tuple[Session, Session]:
    """First and second half of the take."""
    n = len(next(iter(session.tracks.values()))) // 2
    return (
        replace(session, tracks={k: x[:n] for k, x in session.tracks.items()}),
        replace(session, tracks={k: x[n:] for k, x in session.tracks.items()}),
    )


def kit_cases(seeds: Sequence[int], split: str, **options: Any) -> Iterator[Case]:
    """Real kit; every first seed also untouched, every second against the other half of the hits."""
    for k, seed in enumerate(seeds):
        session = kit_session(seed, split=split, **options)
        untouched = (
            kit_session(seed, split=split, flips=False, delays=False, **options) if k % 4 == 0 else None
        )
        halves = None
        if k % 4 == 1:
            first, second = (kit_session(seed, split=s, **options) for s in ("development", "report"))
            halves = (first, second)
        yield Case(session=session, untouched=untouched, halves=halves)


def few_mics_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Three to five mics of the kit, drawn anew each time."""
    for seed in seeds:
        rng = np.random.default_rng([seed, 5])
        size = int(rng.integers(3, 6))
        mics = tuple(sorted(rng.choice(CLOSE_AND_OVERHEADS, size=size, replace=False).tolist()))
        yield Case(session=kit_session(seed, split=split, mics=mics))


def without_drum_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """One drum never played."""
    drums = ("snare", "kick", "tom_1", "tom_4", "hihat_closed", "ride")
    for seed in seeds:
        left = tuple(d for d in drums if d != drums[seed % len(drums)])
        yield Case(session=kit_session(seed, split=split, mics=CLOSE_AND_OVERHEADS, drums=left))


def drum_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Single drums on four tracks; always with untouched twin and disjoint hits."""
    for seed in seeds:
        for drum in DRUM_HOMES:
            halves = tuple(drums_session(drum, seed, split=s) for s in ("development", "report"))
            yield Case(
                session=drums_session(drum, seed, split=split),
                untouched=drums_session(drum, seed, split=split, flips=False, delays=False),
                halves=(halves[0], halves[1]),
            )


def simulated_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Make simulated kits."""
    for k, seed in enumerate(seeds):
        session = simulated_kit(_other(seed, split))
        twin = simulated_kit(_other(seed, split), flips=False, delays=False) if k % 4 == 0 else None
        yield Case(session=session, untouched=twin, halves=in_halves(session) if k % 4 == 1 else None)


def roomy_kit_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Few far mics of the real kit; every second with its untouched twin."""
    for k, seed in enumerate(seeds):
        twin = roomy_kit_session(seed, split=split, flips=False, delays=False) if k % 2 == 0 else None
        yield Case(session=roomy_kit_session(seed, split=split), untouched=twin)


def roomy_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Simulate kits under far mics; every second with its untouched twin."""
    for k, seed in enumerate(seeds):
        at = _other(seed, split)
        twin = roomy_simulated(at, flips=False, delays=False) if k % 2 == 0 else None
        yield Case(session=roomy_simulated(at), untouched=twin)


def linear_phase_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Simulate kits, close and far mics by turns, some tracks through linear-phase equalisers."""
    for k, seed in enumerate(seeds):
        session = (roomy_simulated if k % 2 else simulated_kit)(_other(seed, split))
        rng = np.random.default_rng([seed, 3])
        yield Case(session=replace(session, tracks=equalised(session, rng)))


def large_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Twenty-four tracks of a minute."""
    for seed in seeds:
        yield Case(session=simulated_kit(_other(seed, split), n_mics=24, seconds=60))


def _other(seed: int, split: str) -> int:
    """Seeds of development and report never meet."""
    return seed + {"report": 0, "development": 10_000, "all": 20_000}[split]


def made_cases(seeds: Sequence[int], split: str, *, make: Callable[[int], Session]) -> Iterator[Case]:
    """Sessions of a continuous builder, with halves for every second."""
    for k, seed in enumerate(seeds):
        session = make(_other(seed, split))
        yield Case(session=session, halves=in_halves(session) if k % 2 else None)


def stereo_cases(seeds: Sequence[int], split: str, *, kind: str) -> Iterator[Case]:
    """Stereo pairs, sounds synthetic or (every second, where at hand) real."""
    real = packages.instruments(fetch=False) if seeds else []
    for k, seed in enumerate(seeds):
        session = continuous.stereo_session(_other(seed, split), kind, real=real if k % 2 else None)
        yield Case(session=session, halves=in_halves(session) if k % 2 else None)


def real_leak_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Speech and real instruments from packages through leaky mics."""
    sounds = packages.speech(fetch=False) + packages.instruments(fetch=False)
    for seed in seeds if len(sounds) > 1 else ():
        yield Case(session=continuous.leaky_session(_other(seed, split), real=sounds))


def ear_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Measured ear responses as spaced pairs."""
    measured = packages.ears(fetch=False)
    for seed in seeds if measured else ():
        yield Case(session=continuous.ear_session(_other(seed, split), measured))


def unrelated_cases(seeds: Sequence[int], split: str, *, kinds: tuple[str, ...]) -> Iterator[Case]:
    """Make takes with nothing in common, or only what is electrical."""
    for k, seed in enumerate(seeds):
        session = continuous.unrelated_session(_other(seed, split), kinds[k % len(kinds)])

        def named(document: Document, kind: str = kinds[k % len(kinds)]) -> dict[str, float]:
            if kind not in {"hum", "crosstalk"}:
                return {}
            marked = [
                p.get("relation") in {"hum", "crosstalk"} or not p["related"] for p in document["pairs"]
            ]
            return {f"{kind} named or denied": float(np.mean(marked))}

        yield Case(session=session, extra=named)


def unrelated_real_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Real speech and instruments, each in its own place; no two are made of one recording."""
    sounds = packages.speech(fetch=False)[:2] + packages.instruments(fetch=False, once=True)
    for seed in seeds if len(sounds) > 8 else ():
        yield Case(session=continuous.unrelated_session(_other(seed, split), "real", real=sounds))


def played_cases(seeds: Sequence[int], split: str, *, kinds: tuple[str, ...]) -> Iterator[Case]:
    """One player on four mics: long and short takes (3 to 5 s) at three rates."""
    for k, seed in enumerate(seeds):
        rng = np.random.default_rng([_other(seed, split), 43])
        turn, kind = k // len(kinds), kinds[k % len(kinds)]
        seconds = 20.0 if turn % 2 else float(rng.uniform(3, 5))
        rate = (RATE, 44_100, 44_100, RATE, 96_000, 96_000)[turn % 6]
        session = continuous.played_session(_other(seed, split), kind, seconds=seconds, rate_hz=rate)
        yield Case(session=session)


def drift_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Two clocks."""
    for seed in seeds:
        session = continuous.drift_session(_other(seed, split))
        true_ppm = float(session.notes["drift_ppm"])  # type: ignore[arg-type] # notes are free-form

        def extra(document: Document, true_ppm: float = true_ppm) -> dict[str, float]:
            found = answer_of(document, "first", "second").get("drift_ppm")
            if found is None:
                return {"drift found": 0.0}
            return {
                "drift found": 1.0,
                "drift error ppm": abs(abs(found) - abs(true_ppm)),
                "drift sign right": float(np.sign(found) == np.sign(true_ppm)),
            }

        yield Case(session=session, extra=extra)


def step_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """One mic moved or switched during the take."""
    for seed in seeds:
        session = continuous.step_session(_other(seed, split))
        at = float(session.notes["step_s"])  # type: ignore[arg-type] # notes are free-form

        def extra(document: Document, at: float = at) -> dict[str, float]:
            result: dict[str, list[float]] = {
                "step found": [],
                "step within 2 s": [],
                "step where none is": [],
            }
            for pair in document["pairs"]:
                times = [c["time_s"] for c in pair.get("changes") or []]
                if "room" in (pair["reference"], pair["other"]):
                    result["step found"].append(float(bool(times)))
                    result["step within 2 s"].append(float(any(abs(t - at) <= 2 for t in times)))
                else:
                    result["step where none is"].append(float(bool(times)))
            return {k: float(np.mean(v)) for k, v in result.items() if v}

        yield Case(session=session, extra=extra)


def bound_cases(
    seeds: Sequence[int], split: str, *, snr_db: float, band_hz: tuple[float, float] | None
) -> Iterator[Case]:
    """Noise pairs whose error is compared with the Cramér-Rao bound (Quazi, 1981; flat band, equal SNR)."""
    s = 10 ** (snr_db / 10)
    low, high = band_hz or (0.0, RATE / 2)
    bound = 3 / (8 * np.pi**2 * 4096 / RATE) * (1 + 2 * s) / s**2 / (high**3 - low**3)
    for seed in seeds:
        session = continuous.bound_session(_other(seed, split), snr_db, band_hz)
        true_ms = float(session.notes["lag"]) / RATE * 1e3  # type: ignore[arg-type] # notes are free-form

        def extra(document: Document, true_ms: float = true_ms) -> dict[str, float]:
            offset = answer_of(document, "a", "b")["offset_ms"]
            if offset is None:
                return {"answered": 0.0}
            error = (offset - true_ms) * 1e-3
            return {"answered": 1.0, "variance over bound": error**2 / bound}

        yield Case(session=session, extra=extra)


def noise_cases(
    seeds: Sequence[int], split: str, *, snr_db: float, up_to_hz: float, seconds: float = 2.0
) -> Iterator[Case]:
    """Whole takes of noise against the Cramér-Rao bound (Quazi, 1981), and whether the told spread holds."""
    s = 10 ** (snr_db / 10)
    bound_s = np.sqrt(3 / (8 * np.pi**2 * seconds) * (1 + 2 * s) / s**2 / up_to_hz**3)
    for seed in seeds:
        session = sustained.noise_session(
            _other(seed, split), snr_db=snr_db, up_to_hz=up_to_hz, seconds=seconds
        )
        true_ms = float(session.notes["lag_ms"])  # type: ignore[arg-type] # notes are free-form

        def extra(document: Document, true_ms: float = true_ms) -> dict[str, float]:
            answer = answer_of(document, "a", "b")
            if answer["offset_ms"] is None:
                return {"answered": 0.0}
            error, std = abs(answer["offset_ms"] - true_ms), answer["offset_std_ms"]
            return {
                "answered": 1.0,
                "variance over bound": float((error * 1e-3 / bound_s) ** 2),
                "within 1 std": float(error <= std),
                "within 2 std": float(error <= 2 * std),
            }

        yield Case(session=session, extra=extra)


def saxophone_cases(seeds: Sequence[int], split: str, *, n_notes: int) -> Iterator[Case]:
    """One saxophone, two unlike mics; how often a change that is none is told."""
    for seed in seeds:
        session = sustained.saxophone_session(_other(seed, split), n_notes=n_notes)
        if session is not None:
            yield Case(
                session=session,
                extra=lambda document: {
                    "change where none is": float(any(p.get("changes") for p in document["pairs"])),
                    "drift where none is": float(any(p.get("drift_ppm") for p in document["pairs"])),
                },
            )


def _noise(snr_db: float, up_to_hz: float, seconds: float = 2.0) -> Group:
    cases = partial(noise_cases, snr_db=snr_db, up_to_hz=up_to_hz, seconds=seconds)
    return Group(cases=cases, seeds=40, quick=10, goal="whole takes of noise at the bound")


def _kit(goal: str, seeds: int, quick: int, **options: Any) -> Group:
    return Group(
        cases=partial(kit_cases, **options), seeds=seeds, quick=quick, needs_recordings=True, goal=goal
    )


def _made(goal: str, seeds: int, quick: int, make: Callable[[int], Session]) -> Group:
    return Group(cases=partial(made_cases, make=make), seeds=seeds, quick=quick, goal=goal)


def _bound(snr_db: float, band_hz: tuple[float, float] | None) -> Group:
    cases = partial(bound_cases, snr_db=snr_db, band_hz=band_hz)
    return Group(cases=cases, seeds=100, quick=30, goal="sub-sample offsets")


NEARBY = CLOSE_AND_OVERHEADS
GROUPS: dict[str, Group] = {
    "simulated": Group(cases=simulated_cases, seeds=16, quick=2, goal="simulated kits, RT60 0.2 to 0.8 s"),
    "kit-quiet": _kit("real kit, close and overheads", 10, 1, mics=NEARBY),
    "kit-70": _kit("real kit, noise -70 dB", 4, 1, mics=NEARBY, noise_db=-70),
    "kit-60": _kit("real kit, noise -60 dB", 4, 1, mics=NEARBY, noise_db=-60),
    "kit-50": _kit("real kit, noise -50 dB", 4, 1, mics=NEARBY, noise_db=-50),
    "kit-cut": _kit("real kit, late-cut hits too, all mics", 4, 1, whole=False),
    "kit-few": Group(
        cases=few_mics_cases, seeds=12, quick=2, needs_recordings=True, goal="three to five mics"
    ),
    "kit-roomy": Group(
        cases=roomy_kit_cases,
        seeds=12,
        quick=1,
        needs_recordings=True,
        goal="real kit, few far mics",
    ),
    "roomy": Group(cases=roomy_cases, seeds=12, quick=1, goal="simulated kits, seven mostly far mics"),
    "linear-phase": Group(cases=linear_phase_cases, seeds=8, quick=1, goal="filters that ring early"),
    "kit-far": _kit("far mics only", 4, 1, mics=FAR_MICS),
    "kit-less": Group(
        cases=without_drum_cases, seeds=6, quick=1, needs_recordings=True, goal="one drum missing"
    ),
    "drums": Group(cases=drum_cases, seeds=3, quick=1, needs_recordings=True, goal="overhead against top"),
    "spaced": Group(cases=partial(stereo_cases, kind="spaced"), seeds=12, quick=3, goal="stereo pairs"),
    "near-coincident": Group(
        cases=partial(stereo_cases, kind="near-coincident"), seeds=8, quick=2, goal="stereo pairs"
    ),
    "coincident": Group(
        cases=partial(stereo_cases, kind="coincident"), seeds=8, quick=2, goal="stereo pairs"
    ),
    "mismatched": Group(
        cases=partial(stereo_cases, kind="mismatched"), seeds=12, quick=3, goal="stereo pairs"
    ),
    "leaky": _made("two leaky mics, voice and strings", 12, 3, continuous.leaky_session),
    "leaky-real": Group(cases=real_leak_cases, seeds=12, quick=3, goal="two leaky mics, real sound"),
    "ears": Group(cases=ear_cases, seeds=16, quick=4, goal="measured responses as spaced pairs"),
    "direct-line": _made("direct line against amplifier", 12, 3, continuous.direct_line_session),
    "noise-strokes": Group(
        cases=partial(played_cases, kinds=("shaker", "brushes")), seeds=16, quick=4, goal="strokes of noise"
    ),
    "played": Group(
        cases=partial(played_cases, kinds=("strummed", "bass", "piano", "bowed", "brass")),
        seeds=20,
        quick=5,
        goal="between strokes and sustained",
    ),
    "unrelated": Group(
        cases=partial(unrelated_cases, kinds=("organ", "strings", "drums", "voice", "bowed", "shaker")),
        seeds=24,
        quick=6,
        goal="unrelated takes",
    ),
    "unrelated-real": Group(cases=unrelated_real_cases, seeds=24, quick=4, goal="unrelated takes"),
    "electrical": Group(
        cases=partial(unrelated_cases, kinds=("hum", "dither", "crosstalk")),
        seeds=12,
        quick=3,
        goal="unrelated takes",
    ),
    "drift": Group(cases=drift_cases, seeds=6, quick=1, goal="two clocks"),
    "step": Group(cases=step_cases, seeds=8, quick=2, goal="change during the take"),
    "bound-0": _bound(0, None),
    "bound-20": _bound(20, None),
    "bound-band": _bound(10, (1000.0, 4000.0)),
    "bound-voice": _bound(10, (300.0, 3000.0)),
    "noise-1k-faint": _noise(-10, 1000.0),
    "noise-3k-faint": _noise(-10, 3400.0),
    "noise-12k-faint": _noise(-10, 12_000.0),
    "noise-1k": _noise(10, 1000.0),
    "noise-3k": _noise(0, 3400.0),
    "noise-12k": _noise(20, 12_000.0),
    "noise-minute": Group(
        cases=partial(noise_cases, snr_db=0, up_to_hz=3400.0, seconds=60.0),
        seeds=8,
        quick=2,
        goal="whole takes of noise at the bound",
    ),
    "sax-phrases": Group(
        cases=partial(saxophone_cases, n_notes=8),
        seeds=32,
        quick=4,
        needs_recordings=True,
        goal="a source that moves with every note",
    ),
    "sax-notes": Group(
        cases=partial(saxophone_cases, n_notes=1),
        seeds=32,
        quick=8,
        needs_recordings=True,
        goal="a source that moves with every note",
    ),
    "large": Group(cases=large_cases, seeds=1, quick=1, goal="speed, 24 tracks of 60 s"),
}


# --- running ---------------------------------------------------------------------------------------------


def ours(tracks: Mapping[str, np.ndarray], sample_rate_hz: int) -> dict[str, object]:
    """Run the estimator of record."""
    import polaritykit
    from polaritykit.jobs.check.document import build_document

    return build_document(polaritykit.analyse_arrays(tracks, sample_rate_hz=sample_rate_hz))


def run_case(case: Case, estimate: Estimator, tally: Tally) -> None:
    """Add one case's scores to the tally."""
    session = case.session
    started = time.perf_counter()
    document: Document = estimate(session.tracks, session.sample_rate_hz)
    tally.seconds.append(time.perf_counter() - started)
    tally.audio_seconds.append(len(next(iter(session.tracks.values()))) / session.sample_rate_hz)
    tally.scores += score_session(session, document)
    tally.closure += closure_ms(document)
    if case.extra is not None:
        tally.extras.append(case.extra(document))
    if case.untouched is not None:
        other = estimate(case.untouched.tracks, session.sample_rate_hz)
        tally.equivariance += compare(case.untouched, other, session, document)
    if case.halves is not None:
        first, second = case.halves
        documents = [estimate(h.tracks, h.sample_rate_hz) for h in case.halves]
        tally.repeats += compare(first, documents[0], second, documents[1])


def _percent(value: float | None) -> str:
    return "    -" if value is None else f"{100 * value:5.1f}"


HEADER = (
    f"{'group':16s} {'estimator':17s} decided wrong/judged disputed |"
    " nearest ms: med   95% <.05  <.1  <.3  <.5 | dominant: med   95%  <.1  <.3  <.5 | sources<.3 |"
    " equivariant sign/<.1 | repeats sign/<.3 | closed<.1 |  AUC  ECE | related | seconds"
)


def line(group: str, name: str, s: Mapping[str, Any], tally: Tally) -> str:
    """One estimator's line of one group."""

    def errors(e: Mapping[str, float] | None, *limits: float) -> str:
        if e is None:
            return " " * (16 + 5 * len(limits))
        near = " ".join(f"{100 * e[f'within_{t}']:4.0f}" for t in limits)
        return f"{e['median']:9.3f} {e['p95']:6.2f} {near}"

    def agree(a: Mapping[str, Any] | None, key: str) -> str:
        return "    -/    -" if a is None else f"{_percent(a['sign'])}/{_percent(a[key])}"

    auc = "   -" if s["auc"] is None else f"{s['auc']:.2f}"
    ece = "   -" if s["ece"] is None else f"{s['ece']:.3f}"
    nearest, dominant = errors(s["any"], 0.05, 0.1, 0.3, 0.5), errors(s["dominant"], 0.1, 0.3, 0.5)
    same = agree(s["equivariance"], "within_0.1")
    again = agree(s["repeats"], "within_0.3")
    return (
        f"{group:16s} {name:17s} {_percent(s['decided'])} {s['wrong']:6d}/{s['n_decided']:<6d} "
        f"{s['disputed_wrong']:>8s} | {nearest} | {dominant} "
        f"| {_percent(s['sources_right'])} | {same} | {again} "
        f"| {_percent(s['closure_within_0.1'])} | {auc} {ece} | {_percent(s['false_related'])} "
        f"| {np.mean(tally.seconds):.1f}"
    )


def extras_line(extras: Sequence[Mapping[str, float]]) -> str:
    """Averages of a group's extra numbers."""
    keys = sorted({k for e in extras for k in e})
    return "; ".join(f"{k} {np.mean([e[k] for e in extras if k in e]):.3g}" for k in keys)


def snare_heads(scores: Sequence[PairScore]) -> str | None:
    """Tell of the one pair of the kit whose truth every hit shows: snare top against bottom."""
    heads = {"snare_top", "snare_bottom"}
    rows = [s for s in scores if {s.reference, s.other} == heads and s.polarity_known]
    if not rows:
        return None
    right = sum(bool(s.polarity_right) for s in rows)
    near = sum(s.error_dominant_ms is not None and s.error_dominant_ms <= 0.3 for s in rows)
    sure = np.median([s.confidence for s in rows if s.confidence is not None] or [0.0])
    n = len(rows)
    return f"snare top/bottom: right {right}/{n}, within 0.3 ms {near}/{n}, confidence {sure:.2f}"


def draw_reliability(path: str, all_scores: Mapping[str, Sequence[PairScore]]) -> None:
    """Reliability diagram of every estimator over all groups together."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5, 5), layout="constrained")
    axes = figure.add_subplot()
    axes.plot([0, 1], [0, 1], color="0.7", linewidth=1)
    for name, scores in all_scores.items():
        bins = reliability(scores)
        if bins:
            error = calibration_error(bins)
            x, y = [b["confidence"] for b in bins], [b["right"] for b in bins]
            axes.plot(x, y, marker="o", label=f"{name} (calibration error {error:.3f})")
    axes.set(xlabel="confidence given", ylabel="share of polarities right", xlim=(0, 1.02), ylim=(0, 1.02))
    axes.legend(loc="lower right", fontsize="small")
    figure.savefig(path, dpi=120)


def run_group(group: Group, chosen: Mapping[str, Estimator], options: argparse.Namespace) -> dict[str, Tally]:
    """Run every chosen estimator on every case of a group."""
    count = options.seeds or (group.quick if options.quick else group.seeds)
    tallies = {n: Tally() for n in chosen}
    for case in group.cases(range(1, count + 1), options.split):
        for name, estimate in chosen.items():
            run_case(case, estimate, tallies[name])
    return tallies


def show_group(group_name: str, name: str, tally: Tally, *, wrong: bool) -> dict[str, Any]:
    """Print one estimator's lines of one group; return its summary."""
    summary = summarise(tally.scores, tally.equivariance, tally.repeats, tally.closure)
    print(line(group_name, name, summary, tally), flush=True)
    more = [extras_line(tally.extras)] if any(tally.extras) else []
    more += [] if summary["strong"] is None else [f"graded strong {_percent(summary['strong'])} % of decided"]
    more += [text] if (text := snare_heads(tally.scores)) else []
    for text in more:
        print(f"{'':34s}{text}", flush=True)
    if wrong:
        print_wrong(tally.scores)
    return summary | {
        "extras": more,
        "seconds": float(np.mean(tally.seconds)),
        "audio_seconds": float(np.mean(tally.audio_seconds)),
    }


def show_all(pooled: Mapping[str, Sequence[PairScore]]) -> dict[str, Any]:
    """Print the calibration over all groups together."""
    print("\nAll groups together")
    results = {}
    for name, scores in pooled.items():
        judged = [s for s in scores if s.polarity_right is not None and s.confidence is not None]
        right = [s.confidence for s in judged if s.polarity_right]
        wrong = [s.confidence for s in judged if not s.polarity_right]
        bins = reliability(scores)
        error, area = calibration_error(bins), area_under_curve(right, wrong)
        texts = ["-" if x is None else f"{x:.3f}" for x in (error, area)]
        print(f"{name:17s} {len(wrong)}/{len(judged)} wrong, calibration error {texts[0]}, AUC {texts[1]}")
        results[name] = {"ece": error, "auc": area, "reliability": bins}
    return results


def run(options: argparse.Namespace) -> dict[str, Any]:
    """Run the chosen groups and print them; return everything that was measured."""
    estimators: dict[str, Estimator] = {"ours": ours, **REFERENCES}
    chosen = {n: e for n, e in estimators.items() if not options.estimator or n in options.estimator}
    pooled: dict[str, list[PairScore]] = {n: [] for n in chosen}
    results: dict[str, Any] = {}
    print(HEADER, flush=True)
    for group_name in options.group or list(GROUPS):
        group = GROUPS[group_name]
        if group.needs_recordings and shared_data_dir() is None:
            print(f"{group_name}: skipped, the real recordings are not here")
            continue
        tallies = run_group(group, chosen, options)
        if not any(t.seconds for t in tallies.values()):
            print(f"{group_name}: skipped, its package is not in the cache (run with --fetch)")
            continue
        results[group_name] = {"goal": group.goal}
        for name, tally in tallies.items():
            results[group_name][name] = show_group(group_name, name, tally, wrong=options.wrong)
            pooled[name] += tally.scores
    results["all"] = show_all(pooled)
    if options.diagram:
        draw_reliability(options.diagram, pooled)
    return results


def table_of(results: Mapping[str, Any]) -> tuple[list[str], list[list[str]]]:
    """Header and rows for DEVELOPERS.md: the estimator of record, group by group."""

    def within(errors: Mapping[str, float] | None) -> str:
        return (
            ""
            if errors is None
            else " / ".join(f"{100 * errors[f'within_{t}']:.0f}" for t in (0.1, 0.3)) + " %"
        )

    rows = [
        [
            name,
            f"{100 * s['decided']:.0f} %" if s["decided"] is not None else "",
            f"{s['wrong']} of {s['n_decided']}",
            within(s["any"]),
            within(s["dominant"]),
            "" if s["ece"] is None else f"{s['ece']:.3f}",
        ]
        for name, group in results.items()
        if name != "all" and (s := group.get("ours")) is not None
    ]
    offsets = "offsets within 0.1 / 0.3 ms of a source that sounds"
    return ["group", "decided", "wrong", offsets, "of the leading one", "calibration error"], rows


def print_wrong(scores: Sequence[PairScore]) -> None:
    """List every wrong polarity and every offset more than 0.3 ms from all true sources."""
    for s in scores:
        far = s.decided and s.settled and s.error_any_ms is not None and s.error_any_ms > 0.3
        if s.polarity_right is False or far or (s.truly_related is False and s.called_related):
            print(f"    {s}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the options and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--group", action="append", choices=list(GROUPS), help="may be given again")
    parser.add_argument(
        "--estimator", action="append", choices=["ours", *REFERENCES], help="may be given again"
    )
    parser.add_argument("--seeds", type=int, help="sessions per group instead of the group's own number")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--split", choices=["development", "report", "all"], default="report")
    parser.add_argument("--wrong", action="store_true", help="list wrong answers")
    parser.add_argument("--fetch", action="store_true", help="fetch the packages with real sound first")
    parser.add_argument("--json", metavar="FILE")
    parser.add_argument("--markdown", action="store_true", help="write the table of DEVELOPERS.md")
    parser.add_argument("--diagram", metavar="FILE", help="reliability diagram (PNG, SVG or PDF)")
    options = parser.parse_args(arguments)
    if options.fetch:
        for source in (packages.instruments, packages.speech, packages.ears):
            print(f"{source.__name__}: {len(source(fetch=True))}")
    results = run(options)
    if options.markdown:
        words = sys.argv[1:] if arguments is None else arguments
        command = " ".join(["python tests/benchmarks/accuracy.py", *(w for w in words if w != "--markdown")])
        write_table("accuracy", command, *table_of(results))
    if options.json:
        Path(options.json).write_text(json.dumps(results, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
