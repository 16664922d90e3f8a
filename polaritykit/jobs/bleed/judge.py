"""The bleed job: whether flipping or delaying a leaky microphone helps, where, and by how much.

Where one source is alone, the spectra of both mics and the cross-spectrum between them give its level in the
plain sum for any polarity and delay; the two sources together give the isolation.  Flip and delay are
searched together; how the two are wired, and which of them is flipped, is what a check of the two says.

Conventions: track 0 is the main mic with the wanted source, track 1 the leaky one with its own.  Isolation is
the level of the main mic's own source over the leaky mic's own, both in the sum ``main ± leaky``.  Delays are
of the leaky mic; negative ones delay the main mic.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from polaritykit.analysis import analyse
from polaritykit.base.errors import UsageError
from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.types import BLOCK_SAMPLES, Floats, Recording
from polaritykit.decide.worth import LEAST_SHIFT_S
from polaritykit.jobs.bleed.advice import SIGMAS, advised, useful_octaves
from polaritykit.jobs.bleed.findings import BleedFindings, BleedOption, CrossCheck, Goal, Settled
from polaritykit.jobs.bleed.passages import OCTAVES_HZ, find_passages
from polaritykit.jobs.bleed.plain_sum import PlainSum
from polaritykit.spectra.coherent_offset import spectral_offset
from polaritykit.spectra.pool import Spectra, SpectrumPool
from polaritykit.spectra.several_sources import parted
from polaritykit.spectra.two_sources import TwoSources, two_sources

#: Frames of 0.17 s: longer than the leak's delay and most of the room's early sound.
_FRAME_S = 0.17
#: 20 ms is 7 m of air.
_LONGEST_LEAK_MS = 20.0
#: Groups of frames for the bootstrap, and their least length: frames of one note are no independent
#: witnesses.
_GROUPS, _GROUP_S = 40, 0.7
#: Takes up to this long are parted both ways, 8 MB a minute.
_CROSS_CHECKED_S = 600.0


def analyse_bleed(
    recording: Recording,
    *,
    goal: Goal = "isolation",
    main_alone_s: Sequence[tuple[float, float]] = (),
    leaky_alone_s: Sequence[tuple[float, float]] = (),
) -> BleedFindings:
    """Judge whether the leaky mic should be flipped or delayed.

    Parameters
    ----------
    recording : Recording
        Two tracks, main and leaky.
    goal : {"isolation", "fullness"}
        The main mic's own source over the leaky mic's, or the most of the former.
    main_alone_s, leaky_alone_s : sequence of (float, float)
        Times in seconds where one source is alone; found automatically where left out.

    Returns
    -------
    BleedFindings
        Without options when the two sources cannot be told apart.

    Raises
    ------
    UsageError
        Not two tracks, or a passage that is too short or outside the take.
    """
    if len(recording.track_names) != 2:
        raise UsageError(
            f"Bleed is judged between two tracks, not {len(recording.track_names)}: name the main and the "
            "leaky one."
        )
    passages = find_passages(recording)
    passages = replace(
        passages,
        main_alone_s=tuple(main_alone_s) or passages.main_alone_s,
        leaky_alone_s=tuple(leaky_alone_s) or passages.leaky_alone_s,
    )
    main_source = _alone_spectra(recording, passages.main_alone_s)
    leaky_source = _alone_spectra(recording, passages.leaky_alone_s)
    found = BleedFindings(
        main=recording.track_names[0],
        leaky=recording.track_names[1],
        goal=goal,
        passages=passages,
        centre_hz=OCTAVES_HZ,
        settled=settled_by_check(recording),
    )
    if found.settled.wiring != "unclear":
        inverted = found.settled.wiring == "inverted"
        found = replace(
            found,
            polarity_code="wiring" if inverted else "alike",
            flip=(found.settled.flip or found.leaky) if inverted else None,
        )
    if not (main_source and leaky_source):
        return judged_together(found, recording)
    short = recording.n_samples <= _CROSS_CHECKED_S * recording.sample_rate_hz
    other = two_sources(parted(recording), OCTAVES_HZ) if short else None
    return _judged(found, main_source, leaky_source, other=other)


def settled_by_check(recording: Recording) -> Settled:
    """Say what a check of the two tracks settles: how they are wired, which is flipped, and their delay.

    Parameters
    ----------
    recording : Recording
    """
    findings = analyse(recording)
    pair, tracks = findings.pairs[0], findings.corrections.tracks
    shift_ms = tracks[1].shift_ms - tracks[0].shift_ms
    return Settled(
        wiring=pair.polarity,
        confidence=pair.confidence,
        related=pair.related,
        flip=next((track.name for track in tracks if track.invert), None),
        delay_ms=shift_ms if abs(shift_ms) >= LEAST_SHIFT_S * 1e3 else 0.0,
    )


def judged_together(found: BleedFindings, recording: Recording) -> BleedFindings:
    """Judge by how the two sources' levels move, where one of them is never heard alone.

    Parameters
    ----------
    found : BleedFindings
        With the tracks, the passages and what is settled.
    recording : Recording
    """
    both = two_sources(parted(recording), OCTAVES_HZ)
    found = replace(found, together=both.reason)
    if both.reason != "found":
        return found
    return _judged(found, both.main, both.leaky, told=both.told)


def _judged(
    found: BleedFindings,
    main_source: list[Spectra],
    leaky_source: list[Spectra],
    *,
    told: tuple[bool, ...] = (True,) * len(OCTAVES_HZ),
    other: TwoSources | None = None,
) -> BleedFindings:
    plain_sum = PlainSum(main_source, leaky_source, found.passages, found.goal)
    recorded = plain_sum.option(invert=False)
    reliable = tuple(one and sure for one, sure in zip(plain_sum.reliable(), told, strict=True))
    differ = _differences_db(plain_sum.option(invert=True), other, reliable)
    doubt = np.where(np.isfinite(differ), differ / 2.0, 0.0)
    flipped = plain_sum.option(invert=True, doubt_db=doubt)
    main_alone_db, isolation_in_main_db = plain_sum.in_mic_db(0)
    _, isolation_in_leaky_db = plain_sum.in_mic_db(1)
    from_leaky = spectral_offset(leaky_source, max_offset_ms=_LONGEST_LEAK_MS).offset_ms
    unsure = 2.0 * np.maximum(np.asarray(flipped.main_change_std_db), np.asarray(flipped.leaky_change_std_db))
    found = replace(
        found,
        as_recorded=recorded,
        flipped=flipped,
        isolation_in_main_db=isolation_in_main_db,
        isolation_in_leaky_db=isolation_in_leaky_db,
        main_alone_level_db=main_alone_db,
        reliable=reliable,
        useful=useful_octaves(plain_sum, recorded, reliable),
        cross_checks=tuple(
            CrossCheck(centre_hz=centre, difference_db=float(away))
            for centre, away, std in zip(OCTAVES_HZ, differ, unsure, strict=True)
            if np.isfinite(away) and away > max(AUDIBLE_DB, SIGMAS / 2.0 * std)
        ),
        main_leak_ms=spectral_offset(main_source, max_offset_ms=_LONGEST_LEAK_MS).offset_ms,
        leaky_leak_ms=None if from_leaky is None else -from_leaky,
    )
    return _searched(found, plain_sum, doubt)


def _searched(found: BleedFindings, plain_sum: PlainSum, doubt: Floats) -> BleedFindings:
    """Search flip and delay together, and advise."""
    settled = found.settled
    inverts = {"same": (False,), "inverted": (True,)}.get(settled.wiring, (False, True))
    invert, delay_ms = plain_sum.best(inverts, found.useful, preferred_ms=settled.delay_ms)
    best = plain_sum.option(invert=invert, delay_ms=delay_ms, doubt_db=doubt)
    found = advised(found, plain_sum, best)
    checked = settled.flip is not None, settled.delay_ms
    known = {(False, 0.0), (True, 0.0)}
    if checked not in known and settled.wiring != "unclear":
        known.add(checked)
        option = plain_sum.option(invert=checked[0], delay_ms=checked[1], doubt_db=doubt)
        found = replace(found, as_checked=option)
    return found if (invert, delay_ms) in known else replace(found, best=best)


def _differences_db(flipped: BleedOption, other: TwoSources | None, reliable: tuple[bool, ...]) -> Floats:
    """How far passages alone and moving levels differ on what a flip does, per octave; NaN where untold."""
    if other is None or other.reason != "found":
        return np.full(len(OCTAVES_HZ), np.nan)
    own = np.array([flipped.main_change_db, flipped.leaky_change_db])
    away = np.abs(own - other.flip_db).max(axis=0)
    return np.where(np.asarray(other.told) & np.asarray(reliable), away, np.nan)


def _alone_spectra(recording: Recording, spans_s: Sequence[tuple[float, float]]) -> list[Spectra]:
    """Spectra of the passages in groups of about equal length."""
    rate = recording.sample_rate_hz
    size = 2 ** round(np.log2(_FRAME_S * rate))
    spans = [(round(start_s * rate), round(end_s * rate)) for start_s, end_s in spans_s]
    for (start, end), (start_s, end_s) in zip(spans, spans_s, strict=True):
        if start < 0 or end > recording.n_samples or end - start < size:
            raise UsageError(
                f"The passage from {start_s:g} to {end_s:g} s must lie within the take "
                f"(0 to {recording.n_samples / rate:g} s) and last {size / rate:.2f} s or more."
            )
    longest = max(round(_GROUP_S * rate), sum(end - start for start, end in spans) // _GROUPS)
    groups: list[Spectra] = []
    for start, end in spans:
        edges = np.linspace(start, end, max(1, (end - start) // longest) + 1).astype(int)
        for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            pool = SpectrumPool(2, rate, size, hop_samples=size // 2)
            for at in range(first, last, BLOCK_SAMPLES):
                pool.update(recording.read(at, min(at + BLOCK_SAMPLES, last)))
            groups.append(pool.result())
    return groups
