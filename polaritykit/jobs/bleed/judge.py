"""The bleed job: whether flipping or delaying a leaky microphone helps, where, and by how much.

Where one source is alone, the spectra of both mics and the cross-spectrum between them give its level in the
plain sum for any polarity and delay; the two sources together give the isolation.

Conventions: track 0 is the main mic with the wanted source, track 1 the leaky one with its own.  Isolation is
the level of the main mic's own source over the leaky mic's own, both in the sum ``main ± leaky``.  Delays are
of the leaky mic; negative ones delay the main mic.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from polaritykit.base.errors import UsageError
from polaritykit.base.types import BLOCK_SAMPLES, Recording
from polaritykit.jobs.bleed.advice import (
    reason,
    recommended_delay,
    recommended_invert,
    remarks,
    useful_octaves,
)
from polaritykit.jobs.bleed.findings import BleedFindings
from polaritykit.jobs.bleed.passages import OCTAVES_HZ, find_passages
from polaritykit.jobs.bleed.plain_sum import PlainSum
from polaritykit.jobs.bleed.settings import BleedSettings
from polaritykit.spectra.coherent_offset import spectral_offset
from polaritykit.spectra.pool import Spectra, SpectrumPool
from polaritykit.spectra.two_sources import moments, two_sources

_DEFAULTS = BleedSettings()
#: Frames of 0.17 s: longer than the leak's delay and most of the room's early sound.
_FRAME_S = 0.17
#: 20 ms is 7 m of air.
_LONGEST_LEAK_MS = 20.0


def analyse_bleed(
    recording: Recording,
    *,
    main_alone_s: Sequence[tuple[float, float]] = (),
    leaky_alone_s: Sequence[tuple[float, float]] = (),
    settings: BleedSettings = _DEFAULTS,
) -> BleedFindings:
    """Judge whether the leaky mic should be flipped or delayed.

    Parameters
    ----------
    recording : Recording
        Two tracks, main and leaky.
    main_alone_s, leaky_alone_s : sequence of (float, float)
        Times in seconds where one source is alone; found automatically where left out.
    settings : BleedSettings
        The goal among them.

    Returns
    -------
    BleedFindings
        Without options, and with the reason, when a source is never alone.

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
    passages = find_passages(recording, settings)
    passages = replace(
        passages,
        main_alone_s=tuple(main_alone_s) or passages.main_alone_s,
        leaky_alone_s=tuple(leaky_alone_s) or passages.leaky_alone_s,
    )
    found = BleedFindings(
        main=recording.track_names[0],
        leaky=recording.track_names[1],
        goal=settings.goal,
        passages=passages,
        centre_hz=OCTAVES_HZ,
    )
    main_source = _alone_spectra(recording, passages.main_alone_s, settings)
    leaky_source = _alone_spectra(recording, passages.leaky_alone_s, settings)
    if main_source and leaky_source:
        found = _judged(found, main_source, leaky_source, settings)
    else:
        found = _judged_together(found, recording, settings)
    found = replace(found, reason=reason(found))
    return replace(found, remarks=tuple(remarks(found, settings)))


def _judged(
    found: BleedFindings,
    main_source: list[Spectra],
    leaky_source: list[Spectra],
    settings: BleedSettings,
    *,
    told: tuple[bool, ...] = (True,) * len(OCTAVES_HZ),
) -> BleedFindings:
    plain_sum = PlainSum(main_source, leaky_source, found.passages, settings)
    recorded, flipped = plain_sum.option(invert=False), plain_sum.option(invert=True)
    reliable = tuple(one and other for one, other in zip(plain_sum.reliable(), told, strict=True))
    useful = useful_octaves(plain_sum, recorded, reliable, settings)
    invert = recommended_invert(flipped, useful, settings)
    delayed = recommended_delay(plain_sum, flipped if invert else recorded, settings)
    main_alone_db, isolation_in_main_db = plain_sum.in_mic_db(0)
    _, isolation_in_leaky_db = plain_sum.in_mic_db(1)
    from_leaky = spectral_offset(leaky_source, max_offset_ms=_LONGEST_LEAK_MS).offset_ms
    return replace(
        found,
        as_recorded=recorded,
        flipped=flipped,
        delayed=delayed,
        isolation_in_main_db=isolation_in_main_db,
        isolation_in_leaky_db=isolation_in_leaky_db,
        main_alone_level_db=main_alone_db,
        reliable=reliable,
        useful=useful,
        main_leak_ms=spectral_offset(main_source, max_offset_ms=_LONGEST_LEAK_MS).offset_ms,
        leaky_leak_ms=None if from_leaky is None else -from_leaky,
        recommended_invert=invert,
        recommended_delay_ms=None if delayed is None else delayed.delay_ms,
    )


def _judged_together(found: BleedFindings, recording: Recording, settings: BleedSettings) -> BleedFindings:
    """Judge by how the two sources' levels move, where one of them is never heard alone."""
    parted = two_sources(moments(recording), OCTAVES_HZ)
    found = replace(found, together=parted.reason)
    if parted.reason != "found":
        return found
    return _judged(found, parted.main, parted.leaky, settings, told=parted.told)


def _alone_spectra(
    recording: Recording, spans_s: Sequence[tuple[float, float]], settings: BleedSettings
) -> list[Spectra]:
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
    # Not shorter than a note: frames of one note are no independent witnesses.
    longest = max(round(settings.group_s * rate), sum(end - start for start, end in spans) // settings.groups)
    groups: list[Spectra] = []
    for start, end in spans:
        edges = np.linspace(start, end, max(1, (end - start) // longest) + 1).astype(int)
        for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            pool = SpectrumPool(2, rate, size, hop_samples=size // 2, workers=1)
            for at in range(first, last, BLOCK_SAMPLES):
                pool.update(recording.read(at, min(at + BLOCK_SAMPLES, last)))
            groups.append(pool.result())
    return groups
