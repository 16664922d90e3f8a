"""Sessions laid out from the real recordings: a groove of a kit's own hits on all mics, and single drums.

Conventions and cautions
------------------------
The hits' files have no pre-roll: most begin within 0.2 ms of the stroke, softer ones up to 3 ms after it
(`late_cuts_ms`).  Laid on silence, every file would start a noise floor on all mics at one instant and
betray lag 0.  So a continuous coloured noise at the level that mic's files begin with lies under each track,
every file fades in before the sound it is known to bring, and out at its end.
"""

from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import numpy as np
from sessions_base import Hearing, Session, inject, pair_truths
from sessions_settled import (
    KIT_HOMES,
    KIT_MICS,
    SIGNED,
    WHOLE_CUT_MS,
    FirstBreak,
    first_breaks,
    hits_of,
    kit_breaks,
    late_cuts_ms,
)
from shared_data import shared_data_dir

#: Groups of mics for the harder kit sessions.
CLOSE_AND_OVERHEADS = tuple(m for m in KIT_MICS if not m.startswith("room"))
FAR_MICS = ("oh_left", "oh_right", "ride", "room_left", "room_right")
DRUM_HOMES = {"snare_10in": "top", "snare_14in": "top", "bass_drum_20in": "top"}

Score = list[tuple[float, str, float]]
Play = Callable[[np.random.Generator, float, tuple[str, ...]], Score]


def data_root() -> Path:
    """Folder of the real recordings (raises where absent)."""
    base = shared_data_dir()
    if base is None:
        raise FileNotFoundError("the real recordings are not beside this checkout")
    return base


def groove(rng: np.random.Generator, seconds: float, drums: tuple[str, ...]) -> Score:
    """One player's groove as (time s, drum, gain dB): backbeat, ghost notes, hat or ride, tom fills."""
    tempo = rng.uniform(92, 132)
    step = 60 / tempo / 4
    kicks = {0, 8} | set(rng.choice([2, 3, 6, 7, 10, 11, 14], size=3, replace=False).tolist())
    ghosts = set(rng.choice([3, 7, 9, 11, 15], size=2, replace=False).tolist())
    fills = [d for d in drums if d.startswith("tom")] + ["snare"]
    score: Score = []
    start = 0.6
    bar = 0
    while start + (bar + 1) * 16 * step < seconds - 1.0:
        cymbal = "ride" if bar % 8 >= 5 else "hihat_closed"
        is_fill = bar % 4 == 3
        for k in range(16):
            notes: list[tuple[str, float]] = []
            if is_fill and k >= 8:
                if rng.random() < 0.8:
                    notes.append((str(rng.choice(fills)), 0.0))
                if k in (8, 12):
                    notes.append(("kick", 0.0))
            else:
                notes += [("kick", 0.0)] * (k in kicks)
                notes += [("snare", 0.0)] * (k in (4, 12)) + [("snare", -9.0)] * (k in ghosts)
                notes += [(cymbal, 0.0 if k % 4 == 0 else -3.0)] * (k % 2 == 0)
            for drum, gain in notes:
                if drum in drums:
                    late = start + (bar * 16 + k) * step + rng.normal(0, 0.006)
                    score.append((float(late), drum, float(gain + rng.uniform(-3, 3))))
        bar += 1
    return sorted(score)


def pick_hits(folder: Path, home: str, *, whole: bool, split: str) -> list[str]:
    """Names of the hits in use: all or whole ones; every one, or the development or the report half."""
    names = [h for h, cut in late_cuts_ms(folder, home).items() if not whole or cut <= 2 * WHOLE_CUT_MS]
    halves = {"all": names, "development": names[0::2], "report": names[1::2] or names}
    return halves[split]


@cache
def _bed(folder: Path, mic: str) -> tuple[np.ndarray, float]:
    """Colour (all-pole, from the quietest tail) and level of the noise a mic's files begin with.

    The level is what six in ten files begin with, held at 72 dB below the mic's loudest sample at most.
    """
    from scipy.linalg import solve_toeplitz

    quiet = (np.inf, np.zeros(1))
    heads, peak = [], 0.0
    for drum in sorted(p for p in folder.iterdir() if p.is_dir()):
        hits, rate = hits_of(drum)
        for files in hits.values():
            tail = files[mic][-rate // 10 :]
            quiet = min(quiet, (float(np.std(tail)), tail), key=lambda q: q[0])
            heads.append(float(np.std(files[mic][1 : rate // 2000])))
            peak = max(peak, float(np.max(np.abs(files[mic]))))
    lowest, tail = quiet
    level = float(np.clip(np.percentile(heads, 60), lowest, max(lowest, peak * 10 ** (-72 / 20))))
    lags = np.array([np.dot(tail[: len(tail) - k], tail[k:]) for k in range(17)])
    poles = solve_toeplitz(lags[:-1] * np.r_[1.0001, np.ones(15)], -lags[1:])
    return np.r_[1.0, poles], level


def bed_noise(folder: Path, mic: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Continuous noise coloured like the mic's own."""
    from scipy.signal import lfilter

    poles, level = _bed(folder, mic)
    noise = lfilter([1.0], poles, rng.standard_normal(n + 4000))[4000:]
    return noise * (level / np.std(noise))


def laid(
    *,
    folder: Path,
    homes: Mapping[str, str],
    breaks: Mapping[str, Mapping[str, FirstBreak]],
    mics: tuple[str, ...],
    score: Score,
    choice: Mapping[str, list[str]],
    rng: np.random.Generator,
    n: int,
) -> tuple[dict[str, np.ndarray], dict[str, dict[str, float]]]:
    """All mics of the score, and each drum's energy on each mic."""
    tracks = {m: np.zeros(n) for m in mics}
    energy = {d: dict.fromkeys(mics, 0.0) for d in homes}
    bags: dict[str, list[str]] = {d: [] for d in homes}
    for time_s, drum, gain_db in score:
        if not bags[drum]:
            bags[drum] = list(rng.permutation(choice[drum]))
        hit = bags[drum].pop()
        hits, rate = hits_of(folder / drum)
        at = round(time_s * rate)
        for mic in mics:
            x = hits[hit][mic][: n - at] * 10 ** (gain_db / 20)
            lead_ms = _fade_in_ms(breaks[drum].get(mic), home=mic == homes[drum])
            x = _faded(x, max(2, int(lead_ms * 1e-3 * rate)), int(0.06 * rate))
            tracks[mic][at : at + len(x)] += x
            energy[drum][mic] += float(np.dot(x, x))
    return tracks, energy


def _fade_in_ms(heard: FirstBreak | None, *, home: bool) -> float:
    """Length of a file's fade-in: short of its first break; 1.5 ms where that is not settled."""
    if home:
        return 0.1
    return float(np.clip(0.7 * heard.arrival_ms, 0.1, 2.5)) if heard is not None and heard.settled else 1.5


def _faded(x: np.ndarray, n_in: int, n_out: int) -> np.ndarray:
    """Raised-cosine ends."""
    x = x.copy()
    n_in, n_out = min(n_in, len(x)), min(n_out, len(x))
    x[:n_in] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(n_in) / n_in)
    x[len(x) - n_out :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(n_out) / n_out)
    return x


def hearings(
    breaks: Mapping[str, Mapping[str, FirstBreak]],
    energy: Mapping[str, Mapping[str, float]],
    unknown: Mapping[str, str],
) -> dict[str, dict[str, Hearing]]:
    """Settled arrivals and signs with the energies of this session; `unknown[drum]` is a mic cut too late."""
    result: dict[str, dict[str, Hearing]] = {}
    for drum, per_mic in energy.items():
        result[drum] = {}
        for mic, e in per_mic.items():
            found = breaks[drum].get(mic)
            known = found is not None and found.settled and unknown.get(drum) != mic
            result[drum][mic] = Hearing(
                arrival_ms=found.arrival_ms if found and known else None,
                sign=found.sign or None if found and known and drum in (*SIGNED, *DRUM_HOMES) else None,
                energy=e,
            )
    return result


def kit_session(
    seed: int,
    *,
    noise_db: float | None = None,
    mics: tuple[str, ...] | None = None,
    drums: tuple[str, ...] | None = None,
    flips: bool = True,
    delays: bool = True,
    seconds: float = 60,
    whole: bool = True,
    split: str = "all",
    play: Play = groove,
) -> Session:
    """Lay a groove of the kit's hits on every mic, with hidden flips and delays.

    Parameters
    ----------
    noise_db
        White noise added to each track, dB against the track's peak; None leaves the mics' own noise.
    whole
        Use only hits whose file begins within 0.4 ms of the stroke.  Otherwise all hits are used, and the
        arrival of a tom on its own mic is not scored, since half of its files lost it.
    split
        ``"development"`` or ``"report"`` take disjoint halves of each drum's hits.
    play
        What is played.
    """
    folder = data_root() / "kit"
    mics = KIT_MICS if mics is None else mics
    drums = tuple(KIT_HOMES) if drums is None else drums
    rng = np.random.default_rng([seed, {"all": 0, "development": 1, "report": 2}[split]])
    homes = {d: KIT_HOMES[d] for d in drums}
    breaks = kit_breaks()
    rate = 44100
    n = int(seconds * rate)
    score = play(rng, seconds, drums)
    choice = {d: pick_hits(folder / d, homes[d], whole=whole, split=split) for d in drums}
    tracks, energy = laid(
        folder=folder, homes=homes, breaks=breaks, mics=mics, score=score, choice=choice, rng=rng, n=n
    )
    noise = {}
    for mic in mics:
        bed = bed_noise(folder, mic, n, rng)
        hiss = rng.standard_normal(n)
        if noise_db is not None:
            bed = bed + hiss * np.max(np.abs(tracks[mic])) * 10 ** (noise_db / 20)
        tracks[mic] += bed
        noise[mic] = float(np.dot(bed, bed))
    made, signs, shifts = inject(tracks, rate, rng, flips=flips, delays=delays)
    unknown = {d: homes[d] for d in drums if d == "kick" or (not whole and d.startswith("tom"))}
    return Session(
        name=f"kit seed {seed} {split}",
        sample_rate_hz=rate,
        tracks=made,
        pairs=pair_truths(hearings(breaks, energy, unknown), signs, shifts, noise_energy=noise),
        flips=signs,
        delays_ms=shifts,
        notes={"score": score, "noise_db": noise_db},
    )


def drums_session(
    drum: str,
    seed: int,
    *,
    noise_db: float | None = None,
    flips: bool = True,
    delays: bool = True,
    seconds: float = 30,
    split: str = "all",
) -> Session:
    """One drum struck about twice a second on its three mics, with hidden flips and delays."""
    folder = data_root() / "drums"
    rng = np.random.default_rng([seed, {"all": 0, "development": 1, "report": 2}[split]])
    mics = ("top", "bottom", "overhead_left", "overhead_right")
    # Top against bottom is not settled: nobody wrote down how the two heads and the switch stood.
    found = first_breaks(folder / drum, "top")
    breaks = {drum: {mic: b for mic, b in found.items() if mic != "bottom"}}
    rate = 44100
    n = int(seconds * rate)
    score: Score = []
    time_s = 0.5
    while time_s < seconds - 1.6:
        score.append((time_s, drum, float(rng.uniform(-3, 3))))
        time_s += float(rng.uniform(0.3, 0.9))
    choice = {drum: pick_hits(folder / drum, "top", whole=False, split=split)}
    tracks, energy = laid(
        folder=folder,
        homes={drum: "top"},
        breaks={drum: found},
        mics=mics,
        score=score,
        choice=choice,
        rng=rng,
        n=n,
    )
    noise = {}
    for mic in mics:
        bed = bed_noise(folder, mic, n, rng)
        hiss = rng.standard_normal(n)
        if noise_db is not None:
            bed = bed + hiss * np.max(np.abs(tracks[mic])) * 10 ** (noise_db / 20)
        tracks[mic] += bed
        noise[mic] = float(np.dot(bed, bed))
    made, signs, shifts = inject(tracks, rate, rng, flips=flips, delays=delays)
    return Session(
        name=f"{drum} seed {seed} {split}",
        sample_rate_hz=rate,
        tracks=made,
        pairs=pair_truths(hearings(breaks, energy, {}), signs, shifts, noise_energy=noise),
        flips=signs,
        delays_ms=shifts,
        notes={"score": score, "noise_db": noise_db},
    )
