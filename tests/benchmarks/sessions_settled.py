"""First breaks of the real recordings: when, and with which sign, each mic first hears each drum.

The method has nothing in common with correlation between mics: the hits of one drum are aligned by their
*home* mic alone, averaged with equal peak, and on each mic's average the first lobe is taken (threshold,
then its extremum, then the moment it reaches a tenth of that).  An arrival counts as *settled* only if
three disjoint sets of hits and two thresholds agree within 0.15 ms, and a quarter of the lobe is reached
within 0.35 ms (a slow first motion has no moment one could name).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from shared_data import shared_data_dir

#: Home mic of each drum in the kit.
KIT_HOMES = {
    "snare": "snare_top",
    "kick": "kick",
    "tom_1": "tom_1",
    "tom_4": "tom_4",
    "hihat_closed": "hihat",
    "ride": "ride",
}
KIT_MICS = (
    "kick",
    "snare_top",
    "snare_bottom",
    "hihat",
    "tom_1",
    "tom_4",
    "ride",
    "oh_left",
    "oh_right",
    "room_left",
    "room_right",
)
#: Drums whose first motion means something: a cymbal's first lobe lasts 0.1 ms and its sign is chance.
SIGNED = ("snare", "kick", "tom_1", "tom_4")
#: A hit whose file begins later than this (against the drum's least cut hit) is not whole.
WHOLE_CUT_MS = 0.2
#: Hits cut by up to this still serve for mics that hear the drum later than that.
WIDE_CUT_MS = 0.9


@dataclass(frozen=True, kw_only=True)
class FirstBreak:
    """Settled arrival of a drum at a mic, relative to the start of the aligned average."""

    arrival_ms: float
    #: Sign of the first motion, 0 where the groups of hits do not agree.
    sign: int
    spread_ms: float
    settled: bool


@cache
def hits_of(folder: Path) -> tuple[Mapping[str, np.ndarray], int]:
    """Every hit under a folder: `{hit: {mic: samples}}` and the sample rate."""
    import soundfile

    hits: dict[str, dict[str, np.ndarray]] = {}
    rate = 0
    for path in sorted(folder.glob("*.flac")):
        hit, mic, _ = path.name.split(".")
        samples, rate = soundfile.read(path, always_2d=True)
        names = [mic] if samples.shape[1] == 1 else [f"{mic}_left", f"{mic}_right"]
        hits.setdefault(hit, {}).update(zip(names, samples.T, strict=True))
    return hits, rate


@cache
def late_cuts_ms(folder: Path, home: str) -> Mapping[str, float]:
    """How much later than the drum's least cut hit each file begins, from its far mics' first breaks.

    Infinite where no far mic tells.

    The files have no pre-roll and many begin after the stroke, by up to a few milliseconds: the home mic's
    onset is then missing while the far mics, which hear it later, are whole.
    """
    hits, rate = hits_of(folder)
    names = sorted(hits)
    span = int(0.025 * rate)
    picks = np.full((len(names), len(hits[names[0]])), np.nan)
    for i, hit in enumerate(names):
        for j, mic in enumerate(sorted(hits[hit])):
            x = hits[hit][mic][:span]
            found = _first_lobe(x, rate, 4.0 * float(np.std(x[:12])), 0.04)
            if mic != home and found is not None and found[0] > 0.4:
                picks[i, j] = found[0]
    usable = picks[:, np.isfinite(picks).sum(axis=0) >= max(2, len(names) // 2)]
    seen = np.isfinite(usable).any(axis=1)
    shift = np.zeros(int(seen.sum()))
    for _ in range(5):
        left = usable[seen] - shift[:, None]
        shift += np.nanmedian(left - np.nanmedian(left, axis=0), axis=1)
    cuts = np.full(len(names), np.inf)
    cuts[seen] = shift.max() - shift
    return dict(zip(names, cuts.tolist(), strict=True))


def _first_lobe(
    average: np.ndarray, rate: int, least: float, level: float, share: float = 0.1
) -> tuple[float, int] | None:
    """Time (ms) at which the first lobe reaches a share of its extremum, and its sign."""
    early = average[: int(0.012 * rate)]
    peak = np.max(np.abs(early))
    above = np.flatnonzero(np.abs(early) > max(level * peak, least))
    if peak == 0 or above.size == 0:
        return None
    start = int(above[0])
    sign = 1 if early[start] > 0 else -1
    lobe = sign * early[start:]
    ends = np.flatnonzero(lobe <= 0)
    stop = int(ends[0]) if ends.size else len(lobe)
    reach = share * float(np.max(lobe[:stop]))
    first = start + int(np.argmax(lobe[:stop] >= reach))
    while first > 0 and sign * early[first - 1] > reach:
        first -= 1
    if first == 0:
        return 0.0, sign
    before, after = sign * early[first - 1], sign * early[first]
    return (first - 1 + (reach - before) / (after - before)) / rate * 1e3, sign


@cache
def first_breaks(folder: Path, home: str) -> Mapping[str, FirstBreak]:
    """Settled first breaks on every mic of one drum (see the module's text).

    A pick that lies within the part some of its hits have lost is taken again from whole hits alone.
    """
    cuts = late_cuts_ms(folder, home)
    hits, _ = hits_of(folder)
    result = {}
    for mic in sorted(hits[next(iter(cuts))]):
        for limit in (WIDE_CUT_MS, WHOLE_CUT_MS):
            names = [hit for hit, cut in cuts.items() if cut <= limit]
            found = _break_of(folder, home, mic, names)
            if found is not None and (limit == WHOLE_CUT_MS or found.arrival_ms > limit + 0.2):
                result[mic] = found
                break
    return result


def _break_of(folder: Path, home: str, mic: str, names: list[str]) -> FirstBreak | None:
    """First break of one mic over these hits and three disjoint groups of them."""
    hits, rate = hits_of(folder)
    cuts = late_cuts_ms(folder, home)
    span, pad = int(0.025 * rate), int(0.005 * rate)
    fade = np.minimum(1.0, np.arange(span)[::-1] / pad)
    n_groups = min(3, len(names))
    picks = []
    for group in [names, *(names[k::n_groups] for k in range(n_groups))]:
        rows = []
        for hit in group:
            x = hits[hit][mic][:span] * fade / np.max(np.abs(hits[hit][home][:span]))
            late = round(cuts[hit] * 1e-3 * rate)
            rows.append(np.concatenate([np.zeros(late), x, np.zeros(pad - late)]))
        mean = np.mean(rows, axis=0)
        noise = 0.0 if mic == home else 3.0 * float(np.std(mean[:12]))
        picks += [_first_lobe(mean, rate, noise, level) for level in (0.02, 0.06)]
        if group is names:
            whole = _first_lobe(mean, rate, noise, 0.02, share=0.25)
    good = [p for p in picks if p is not None]
    if len(good) < len(picks) or whole is None:
        return None
    times = np.array([p[0] for p in good])
    arrival = float(np.median(times))
    spread = float(np.max(np.abs(times - arrival)))
    slow = abs(whole[0] - arrival) > 0.35
    one_sign = len({p[1] for p in good}) == 1
    return FirstBreak(
        arrival_ms=arrival,
        sign=good[0][1] if one_sign else 0,
        spread_ms=spread,
        settled=spread <= 0.15 and len(names) > 1 and not slow,
    )


def kit_breaks() -> Mapping[str, Mapping[str, FirstBreak]]:
    """`{drum: {mic: first break}}` of the kit; empty where the recordings are absent."""
    base = shared_data_dir()
    if base is None:
        return {}
    return {drum: first_breaks(base / "kit" / drum, home) for drum, home in KIT_HOMES.items()}
