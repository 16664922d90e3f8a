"""The words of `bleed` for three or more mics: codes and numbers as sentences.

Conventions: as in `words`.
"""

from collections.abc import Iterator, Mapping, Sequence

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.track_names import the_source
from polaritykit.base.wording import frequency, listed, measured, number
from polaritykit.jobs.bleed.advice import SIGMAS
from polaritykit.jobs.bleed.findings import Leak, MicsSetting, SeveralFindings


def several_headline(found: SeveralFindings) -> str:
    """Say what to do."""
    setting = found.advised
    flips = setting.flips if setting is not None else found.wiring_flips
    delays = setting.delays_ms if setting is not None else {}
    if not (flips or delays):
        return "Leave polarity and timing of all mics as they are."
    parts = []
    if flips:
        parts.append(f"Flip {listed(list(flips))} (ø)")
    parts += [part if not parts else part[0].lower() + part[1:] for part in _moves(found.mics, delays)]
    return f"{' and '.join(parts)}."


def _moves(mics: Sequence[str], delays_ms: Mapping[str, float]) -> Iterator[str]:
    """Say what moves against most mics: where all but one are delayed alike, that one comes earlier."""
    late = [round(delays_ms.get(name, 0.0), 4) for name in mics]
    # Among equals what is left as it is: a delay that is not there need not be set.
    most = max(dict.fromkeys(late), key=lambda value: (late.count(value), value == 0.0))
    later = [f"{m} by {number(ms - most, 2)} ms" for m, ms in zip(mics, late, strict=True) if ms > most]
    earlier = [f"{m} by {number(most - ms, 2)} ms" for m, ms in zip(mics, late, strict=True) if ms < most]
    if earlier:
        desk = [f"{m} by {number(ms, 2)} ms" for m, ms in zip(mics, late, strict=True) if ms > 0.0]
        yield f"Advance {listed(earlier)} (on a desk delay {listed(desk)})"
    if later:
        yield f"Delay {listed(later)}"


def several_why(found: SeveralFindings) -> str:
    """Say what the answer rests on."""
    wired = (
        f"a check finds {listed(list(found.wiring_flips))} wired backwards"
        if found.wiring_flips
        else "a check finds nothing wired backwards"
    )
    if found.wiring_open:
        wired += f" and leaves {listed(list(found.wiring_open))} open"
    if found.advised is None:
        return f"{wired}; {_untold(found)}"
    if not (found.advised.flips or found.advised.delays_ms):
        return f"{wired}, and no flip or delay surely gains {found.goal}"
    return f"{wired}; this changes the {found.goal} of {the_source(found.mics[0])} by {_gain(found.advised)}"


def _untold(found: SeveralFindings) -> str:
    return {
        "too_short": "the take is too short to tell the sources apart",
        "never_apart": "the sources' levels never move apart, so nothing tells them apart",
        "found": "in no octave do the levels of all sources move apart",
    }[found.reason]


def _gain(setting: MicsSetting) -> str:
    gain = measured(setting.overall_gain_db, setting.overall_gain_std_db, "dB", decimals=1, signed=True)
    return f"{gain} (A-weighted)"


def several_remarks(found: SeveralFindings) -> Iterator[str]:
    """Say how much leaks where, what flips do, and what is not known."""
    for mic in found.mics:
        told = [leak for leak in found.leaks if leak.mic == mic and leak.overall_isolation_db is not None]
        if told:
            yield f"In {mic}, under {the_source(mic)}: {listed([_leak(leak) for leak in told])} (A-weighted)."
    for mic, setting in zip(found.mics, found.flipped, strict=bool(found.flipped)):
        gain, std = setting.overall_gain_db, setting.overall_gain_std_db
        if abs(gain) >= AUDIBLE_DB and abs(gain) > SIGMAS * std:
            verb = "gain" if gain > 0 else "lose"
            change = measured(abs(gain), std, "dB", decimals=1)
            yield f"A flip of {mic} alone would {verb} {found.goal}: {change} (A-weighted)."
    unknown = [
        frequency(centre_hz)
        for centre_hz, *row in zip(found.centre_hz, *found.told, strict=True)
        if found.told and not all(row)
    ]
    if unknown and found.reason == "found":
        yield f"Around {listed(unknown, 8)} not all sources move apart: what is not known is left out there."
    if found.reason == "never_apart":
        yield "Let each of them play a few bars alone, or check two mics at a time with such passages named."


def _leak(leak: Leak) -> str:
    isolation = measured(leak.overall_isolation_db, leak.overall_isolation_std_db, "dB", decimals=1)
    late = "" if leak.late_ms is None else f", {number(leak.late_ms, 2)} ms late"
    return f"{the_source(leak.source)} by {isolation}{late}"
