"""Groups of struck sound: the real kit's hits, single drums, simulated kits, near and far mics."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from running import Case, Group, in_halves, of_split
from sessions_base import Session
from sessions_kit import CLOSE_AND_OVERHEADS, DRUM_HOMES, FAR_MICS, drums_session, kit_session
from sessions_rooms import simulated_kit
from sessions_roomy import equalised, roomy_kit_session, roomy_simulated
from shared_data import shared_data_dir


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
        session = simulated_kit(of_split(seed, split))
        twin = simulated_kit(of_split(seed, split), flips=False, delays=False) if k % 4 == 0 else None
        yield Case(session=session, untouched=twin, halves=in_halves(session) if k % 4 == 1 else None)


def roomy_kit_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Few far mics of the real kit; every second with its untouched twin."""
    for k, seed in enumerate(seeds):
        twin = roomy_kit_session(seed, split=split, flips=False, delays=False) if k % 2 == 0 else None
        yield Case(session=roomy_kit_session(seed, split=split), untouched=twin)


def roomy_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Simulate kits under far mics; every second with its untouched twin."""
    for k, seed in enumerate(seeds):
        at = of_split(seed, split)
        twin = roomy_simulated(at, flips=False, delays=False) if k % 2 == 0 else None
        yield Case(session=roomy_simulated(at), untouched=twin)


def linear_phase_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Simulate kits, close and far mics by turns, some tracks through linear-phase equalisers."""
    for k, seed in enumerate(seeds):
        session = (roomy_simulated if k % 2 else simulated_kit)(of_split(seed, split))
        rng = np.random.default_rng([seed, 3])
        yield Case(session=replace(session, tracks=equalised(session, rng)))


def large_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Twenty-four tracks of a minute."""
    for seed in seeds:
        yield Case(session=simulated_kit(of_split(seed, split), n_mics=24, seconds=60))


def twin_cases(seeds: Sequence[int], split: str) -> Iterator[Case]:
    """Kits with their untouched twins: close mics, far mics and single drums by turns, real where at hand."""
    real = shared_data_dir() is not None
    makes: list[Callable[..., Session]] = [
        lambda seed, **options: simulated_kit(of_split(seed, split), **options),
        lambda seed, **options: roomy_simulated(of_split(seed, split), **options),
    ]
    if real:
        makes += [
            lambda seed, **options: kit_session(seed, split=split, mics=CLOSE_AND_OVERHEADS, **options),
            lambda seed, **options: roomy_kit_session(seed, split=split, **options),
        ]
    for k, seed in enumerate(seeds):
        make = makes[k % len(makes)]
        yield Case(session=make(seed), untouched=make(seed, flips=False, delays=False))


def _kit(goal: str, seeds: int, quick: int, **options: Any) -> Group:
    return Group(
        cases=partial(kit_cases, **options), seeds=seeds, quick=quick, needs_recordings=True, goal=goal
    )


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
    "large": Group(cases=large_cases, seeds=1, quick=1, goal="speed, 24 tracks of 60 s"),
    "twins": Group(
        cases=twin_cases,
        seeds=8,
        quick=2,
        goal="flips and delays injected: offsets move along, decisions stay",
    ),
}
