"""What the corrections do to simulated kits, judged by what every source alone brings to every mic.

Run from the checkout: ``python tests/benchmarks/corrections.py``.  For each kit: are the decided tracks'
polarities right; does each source's level in the sum of all tracks, in that source's main octave, rise with
each close mic's setting and with all of them; is the gain measured on the corrected tracks what the spectra
promised.  ``--split development`` uses other rooms and seeds than ``--split report``.

Conventions: levels in dB of one source's own contributions, summed over all tracks at unity gain.
"""

# ruff: noqa: E402 - the folders of this checkout have to be found first

import argparse
import json
import pickle
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parents[2]),
]

from sessions_base import PairTruth, Session, cache_dir
from sessions_rooms import RATE, simulated_kit

#: Nominal octave centres (IEC 61260-1).
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)
#: A source matters in a mic when its energy there lies no further below the mic's loudest one.
MATTERS_DB = 20.0
FAR = ("oh_", "room_")


@dataclass(frozen=True, kw_only=True)
class Part:
    """One source alone, in its main octave: that of most energy in the track it has the largest share of."""

    name: str
    #: The track it has the largest share of.
    home: str
    centre_hz: float
    frequency_hz: np.ndarray
    #: Transform of its contribution to each track within the octave, shape (n_tracks, n_bins).
    spectra: np.ndarray
    #: Its energy in each track against that track's loudest source, dB.
    below_loudest_db: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Kit:
    """A simulated kit with the parts it is made of."""

    name: str
    tracks: Mapping[str, np.ndarray]
    flips: Mapping[str, int]
    parts: tuple[Part, ...]
    pairs: tuple[PairTruth, ...]


@dataclass(frozen=True, kw_only=True)
class Effect:
    """What one mic's setting does to one source."""

    kit: str
    source: str
    mic: str
    #: The mic is the one this source has the largest share of.
    own: bool
    centre_hz: float
    below_loudest_db: float
    invert: bool
    #: Delay against the anchor's.
    delay_ms: float
    #: Change of the source's level in the sum: this setting alone, and as the last of all settings.
    alone_db: float
    last_db: float


def source_parts(session: Session) -> tuple[Part, ...]:
    """Reduce the parts of a session's sound to their main octaves."""
    from scipy.fft import next_fast_len, rfft, rfftfreq

    sound: Mapping[str, Mapping[str, np.ndarray]] = session.notes["parts"]  # type: ignore[assignment]
    names = list(session.tracks)
    energy = {s: {m: float(np.dot(x, x)) for m, x in heard.items()} for s, heard in sound.items()}
    n = next_fast_len(len(next(iter(session.tracks.values()))) + RATE // 10, real=True)
    frequency = rfftfreq(n, 1 / RATE)
    found = []
    for source, heard in sound.items():
        share = {m: energy[source][m] / sum(e[m] for e in energy.values()) for m in names}
        home = max(names, key=lambda m: share[m])
        spectra = {m: rfft(heard[m].astype(np.float64), n) for m in names}
        power = np.abs(spectra[home]) ** 2
        bands = [np.abs(np.log2(np.maximum(frequency, 1e-9) / c)) <= 0.5 for c in OCTAVES_HZ]
        main = int(np.argmax([power[band].sum() for band in bands]))
        below = {
            m: 10 * np.log10(max(energy[source][m], 1e-30) / max(e[m] for e in energy.values()))
            for m in names
        }
        found.append(
            Part(
                name=source,
                home=home,
                centre_hz=OCTAVES_HZ[main],
                frequency_hz=frequency[bands[main]],
                spectra=np.stack([spectra[m][bands[main]] for m in names]).astype(np.complex64),
                below_loudest_db=below,
            )
        )
    return tuple(found)


def kit_of(seed: int, **options: Any) -> Kit:
    """Simulate a kit; kept in the cache."""
    label = "-".join(f"{key}{value}" for key, value in sorted(options.items()))
    path = cache_dir() / f"corrections-3-{seed}-{label}.pickle"
    if path.exists():
        kit: Kit = pickle.loads(path.read_bytes())
        return kit
    session = simulated_kit(seed, delays=False, keep_parts=True, **options)
    kit = Kit(
        name=session.name,
        tracks=session.tracks,
        flips=session.flips,
        parts=source_parts(session),
        pairs=session.pairs,
    )
    path.write_bytes(pickle.dumps(kit))
    return kit


def level_db(part: Part, signs: np.ndarray, delays_ms: np.ndarray) -> float:
    """Level of one source in the sum of all tracks, each with a sign and a delay."""
    turns = signs[:, None] * np.exp(-2j * np.pi * part.frequency_hz * delays_ms[:, None] * 1e-3)
    return float(10 * np.log10(np.sum(np.abs((turns * part.spectra).sum(axis=0)) ** 2)))


def polarity_score(
    names: Sequence[str], flips: Mapping[str, int], inverts: Mapping[str, bool], groups: Sequence[set[str]]
) -> tuple[int, int, list[str]]:
    """Decided tracks, those right up to one sign per group of decided pairs, and the wrong ones."""
    decided, wrong = 0, []
    for group in groups:
        members = [name for name in names if name in group]
        said = [(-1 if inverts[m] else 1) * flips[m] for m in members]
        common = 1 if sum(said) >= 0 else -1
        decided += len(members)
        wrong += [m for m, sign in zip(members, said, strict=True) if sign != common]
    return decided, decided - len(wrong), wrong


def decided_groups(findings: Any) -> list[set[str]]:
    """Tracks connected by pairs whose polarity is decided."""
    groups: list[set[str]] = []
    for pair in findings.pairs:
        if pair.polarity != "unclear":
            touched = [g for g in groups if g & {pair.reference, pair.other}]
            groups = [g for g in groups if g not in touched]
            groups.append(set().union({pair.reference, pair.other}, *touched))
    return groups


def effects(kit: Kit, findings: Any) -> list[Effect]:
    """Every source in every close mic in whose sound it matters, where that mic is set at all."""
    names = list(kit.tracks)
    settings = {track.name: track for track in findings.corrections.tracks}
    anchor = findings.corrections.anchor
    # The anchor's delay is common to all: against it a mic that is left alone has none.
    common = settings[anchor].delay_ms if anchor else 0.0
    signs = np.array([-1.0 if settings[m].invert else 1.0 for m in names])
    delays = np.array([settings[m].delay_ms - common for m in names])
    found = []
    for part in kit.parts:
        plain = level_db(part, np.ones(len(names)), np.zeros(len(names)))
        whole = level_db(part, signs, delays)
        for k, mic in enumerate(names):
            if mic.startswith(FAR) or part.below_loudest_db[mic] < -MATTERS_DB:
                continue
            if signs[k] > 0 and abs(delays[k]) < 1e-6:
                continue
            only = np.arange(len(names)) == k
            alone = level_db(part, np.where(only, signs, 1.0), np.where(only, delays, 0.0))
            rest = level_db(part, np.where(only, 1.0, signs), np.where(only, 0.0, delays))
            found.append(
                Effect(
                    kit=kit.name,
                    source=part.name,
                    mic=mic,
                    own=part.home == mic,
                    centre_hz=part.centre_hz,
                    below_loudest_db=part.below_loudest_db[mic],
                    invert=bool(signs[k] < 0),
                    delay_ms=float(delays[k]),
                    alone_db=alone - plain,
                    last_db=whole - rest,
                )
            )
    return found


def set_changes(kit: Kit, findings: Any) -> dict[str, float]:
    """Change of every source's level in the sum by the whole set of corrections."""
    settings = {track.name: track for track in findings.corrections.tracks}
    signs = np.array([-1.0 if settings[m].invert else 1.0 for m in kit.tracks])
    delays = np.array([settings[m].delay_ms for m in kit.tracks])
    n = len(signs)
    return {
        part.name: level_db(part, signs, delays) - level_db(part, np.ones(n), np.zeros(n))
        for part in kit.parts
    }


def promise_errors(kit: Kit, findings: Any) -> list[float]:
    """Gain had less gain promised, for all pairs that were set and all octaves of the whole sum."""
    from polaritykit.audio.array_recording import ArrayRecording
    from polaritykit.evidence.first_pass import pooled_spectra
    from polaritykit.jobs.apply.gains import Measured, kept_gains, kept_octaves
    from polaritykit.jobs.apply.render import ChannelCorrection, Corrector

    names = tuple(kit.tracks)
    settings = {track.name: track for track in findings.corrections.tracks}
    rendered = {}
    for name, x in kit.tracks.items():
        left = x.astype(np.float64)[:, None]
        state = {"at": 0}

        def read(n: int, left: np.ndarray = left, state: dict[str, int] = state) -> np.ndarray:
            state["at"] += n
            return left[state["at"] - n : state["at"]]

        corrector = Corrector(
            read=read,
            frames=len(x),
            corrections=[
                ChannelCorrection(invert=settings[name].invert, delay_samples=settings[name].delay_samples)
            ],
        )
        rendered[name] = corrector.render(0, corrector.output_frames)[:, 0]
    longest = max(len(x) for x in rendered.values())
    rendered = {name: np.pad(x, (0, longest - len(x))) for name, x in rendered.items()}
    before = Measured(names=names, spectra=pooled_spectra(ArrayRecording(kit.tracks, RATE)))
    after = Measured(names=names, spectra=pooled_spectra(ArrayRecording(rendered, RATE)))
    applied = [
        {"name": name, "invert": settings[name].invert, "delay_ms": settings[name].delay_ms} for name in names
    ]
    pairs = [
        {
            "reference": pair.reference,
            "other": pair.other,
            "sources": [{"home": s.home, "band_hz": s.band_hz} for s in pair.sources],
        }
        for pair in findings.pairs
        if pair.related
    ]
    kept = (*kept_gains(pairs, before, after, applied), *kept_octaves(before, after, applied))
    return [item.had_db - item.promised_db for item in kept]


@dataclass
class Tally:
    """All kits of a run."""

    decided: int = 0
    right: int = 0
    tracks: int = 0
    wrong: list[str] = field(default_factory=list)
    effects: list[Effect] = field(default_factory=list)
    sets: list[tuple[str, str, float]] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)


def add(tally: Tally, kit: Kit) -> None:
    """Analyse one kit as ``check`` does and judge what it would set."""
    from polaritykit.analysis import analyse
    from polaritykit.audio.array_recording import ArrayRecording

    findings = analyse(ArrayRecording(kit.tracks, RATE))
    inverts = {track.name: track.invert for track in findings.corrections.tracks}
    decided, right, wrong = polarity_score(list(kit.tracks), kit.flips, inverts, decided_groups(findings))
    tally.tracks += len(kit.tracks)
    tally.decided += decided
    tally.right += right
    tally.wrong += [f"{kit.name}: {name}" for name in wrong]
    tally.effects += effects(kit, findings)
    tally.sets += [(kit.name, source, change) for source, change in set_changes(kit, findings).items()]
    tally.errors += promise_errors(kit, findings)


def changes_summary(values: Sequence[float]) -> dict[str, float]:
    """Share raised, share that loses less than is heard, and the worst."""
    found = np.asarray(values)
    if not len(found):
        return {"n": 0}
    return {
        "n": len(found),
        "raised": float(np.mean(found > 0)),
        "not_lowered_0.1": float(np.mean(found > -0.1)),
        "not_lowered_1": float(np.mean(found > -1)),
        "median_db": float(np.median(found)),
        "worst_db": float(found.min()),
    }


def summary(tally: Tally) -> dict[str, Any]:
    """All numbers of a run."""
    own = [e for e in tally.effects if e.own]
    return {
        "tracks": tally.tracks,
        "decided": tally.decided,
        "right_of_decided": tally.right / max(tally.decided, 1),
        "own_source_last": changes_summary([e.last_db for e in own]),
        "own_source_delayed": changes_summary([e.last_db for e in own if e.delay_ms]),
        "all_sources_last": changes_summary([e.last_db for e in tally.effects]),
        "own_source_alone": changes_summary([e.alone_db for e in own]),
        "all_sources_alone": changes_summary([e.alone_db for e in tally.effects]),
        "whole_set": changes_summary([change for _, _, change in tally.sets]),
        "promise_worst_db": float(np.max(np.abs(tally.errors), initial=0.0)),
        "promises": len(tally.errors),
    }


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the options and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--split", choices=["development", "report"], default="report")
    parser.add_argument("--mics", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--wrong", action="store_true", help="list wrong tracks, and sources that lose")
    parser.add_argument("--json", metavar="FILE")
    options = parser.parse_args(arguments)
    tally = Tally()
    first = {"report": 0, "development": 10_000}[options.split]
    for seed in range(first + 1, first + options.seeds + 1):
        add(tally, kit_of(seed, n_mics=options.mics, seconds=options.seconds))
    found = summary(tally)
    print(f"split {options.split}, {options.seeds} kits of {options.seconds:g} s")
    for key, value in found.items():
        if isinstance(value, dict):
            said = "  ".join(f"{k} {v:.3f}" if isinstance(v, float) else f"{k} {v}" for k, v in value.items())
            print(f"  {key:20} {said}")
        else:
            print(f"  {key:20} {value:.4g}")
    if options.wrong:
        print_wrong(tally)
    if options.json:
        Path(options.json).write_text(json.dumps(found, indent=1), encoding="utf-8")


def print_wrong(tally: Tally) -> None:
    """List wrong tracks, and where a source loses."""
    for line in tally.wrong:
        print(f"    wrong polarity  {line}")
    for e in sorted(tally.effects, key=lambda e: e.last_db):
        if e.last_db <= 0:
            print(
                f"    {e.last_db:+6.2f} dB (alone {e.alone_db:+6.2f})  {e.kit}: {e.source} in {e.mic}"
                f"{' (own)' if e.own else ''} {e.centre_hz:g} Hz, {e.below_loudest_db:.0f} dB, "
                f"{'flip ' if e.invert else ''}{e.delay_ms:+.2f} ms"
            )
    for kit, source, change in sorted(tally.sets, key=lambda item: item[2]):
        if change <= 0:
            print(f"    {change:+6.2f} dB  {kit}: {source} by the whole set")


if __name__ == "__main__":
    main()
