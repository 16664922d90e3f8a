"""Groups of sustained sound: stereo pairs, leaky mics, drift, noise at the bound, unrelated takes."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np
import sessions_continuous as continuous
import sessions_packages as packages
import sessions_players as players
import sessions_sustained as sustained
from running import Case, Group, in_halves, of_split
from scoring import Document, answer_of
from sessions_base import Session
from sessions_rooms import RATE


def made_cases(seeds: Sequence[int], split: str, *, make: Callable[[int], Session]) -> Iterator[Case]:
    """Sessions of a continuous builder, with halves for every second."""
    for k, seed in enumerate(seeds):
        session = make(of_split(seed, split))
        yield Case(session=session, halves=in_halves(session) if k % 2 else None)


def stereo_cases(seeds: Sequence[int], split: str, *, kind: str) -> Iterator[Case]:
    """Stereo pairs, sounds synthetic or (every second, where at hand) real."""
    real = packages.instruments(fetch=False) if seeds else []
    for k, seed in enumerate(seeds):
        session = continuous.stereo_session(of_split(seed, split), kind, real=real if k % 2 else None)
        yield Case(session=session, halves=in_halves(session) if k % 2 else None)


def real_leak_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Speech and real instruments from packages through leaky mics."""
    sounds = packages.speech(fetch=False) + packages.instruments(fetch=False)
    for seed in seeds if len(sounds) > 1 else ():
        yield Case(session=continuous.leaky_session(of_split(seed, split), real=sounds))


def ear_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Measured ear responses as spaced pairs."""
    measured = packages.ears(fetch=False)
    for seed in seeds if measured else ():
        yield Case(session=continuous.ear_session(of_split(seed, split), measured))


def unrelated_cases(seeds: Sequence[int], split: str, *, kinds: tuple[str, ...]) -> Iterator[Case]:
    """Make takes with nothing in common, or only what is electrical."""
    for k, seed in enumerate(seeds):
        session = continuous.unrelated_session(of_split(seed, split), kinds[k % len(kinds)])

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
        yield Case(session=continuous.unrelated_session(of_split(seed, split), "real", real=sounds))


def played_cases(seeds: Sequence[int], split: str, *, kinds: tuple[str, ...]) -> Iterator[Case]:
    """One player on four mics: long and short takes (3 to 5 s) at three rates."""
    for k, seed in enumerate(seeds):
        rng = np.random.default_rng([of_split(seed, split), 43])
        turn, kind = k // len(kinds), kinds[k % len(kinds)]
        seconds = 20.0 if turn % 2 else float(rng.uniform(3, 5))
        rate = (RATE, 44_100, 44_100, RATE, 96_000, 96_000)[turn % 6]
        session = continuous.played_session(of_split(seed, split), kind, seconds=seconds, rate_hz=rate)
        yield Case(session=session)


def drift_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Two clocks."""
    for seed in seeds:
        session = continuous.drift_session(of_split(seed, split))
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
        session = continuous.step_session(of_split(seed, split))
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
        session = continuous.bound_session(of_split(seed, split), snr_db, band_hz)
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
            of_split(seed, split), snr_db=snr_db, up_to_hz=up_to_hz, seconds=seconds
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
        session = sustained.saxophone_session(of_split(seed, split), n_notes=n_notes)
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


def _made(goal: str, seeds: int, quick: int, make: Callable[[int], Session]) -> Group:
    return Group(cases=partial(made_cases, make=make), seeds=seeds, quick=quick, goal=goal)


def _bound(snr_db: float, band_hz: tuple[float, float] | None) -> Group:
    cases = partial(bound_cases, snr_db=snr_db, band_hz=band_hz)
    return Group(cases=cases, seeds=100, quick=30, goal="sub-sample offsets")


GROUPS: dict[str, Group] = {
    "spaced": Group(cases=partial(stereo_cases, kind="spaced"), seeds=12, quick=3, goal="stereo pairs"),
    "players": _made("sustained sound in rooms, near and far", 24, 4, players.players_session),
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
}
