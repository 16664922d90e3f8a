"""What to do about bleed: flip, leave, delay, or rather move a mic; each only with a gain that is certain.

Conventions: as in `polaritykit.jobs.bleed.judge`.
"""

from collections.abc import Iterator

import numpy as np

from polaritykit.jobs.bleed.findings import BleedFindings, BleedOption
from polaritykit.jobs.bleed.plain_sum import PlainSum
from polaritykit.jobs.bleed.settings import BleedSettings


def useful_octaves(
    plain_sum: PlainSum, recorded: BleedOption, reliable: tuple[bool, ...], settings: BleedSettings
) -> tuple[bool, ...]:
    """Reliable octaves that matter for the main mic's own source (A-weighted).

    Parameters
    ----------
    plain_sum : PlainSum
    recorded : BleedOption
        The sum as recorded.
    reliable : tuple of bool
        Octaves that can tell the two sources apart.
    settings : BleedSettings
    """
    level_db = plain_sum.a_weighted_db(recorded.main_level_db)
    strong = level_db > level_db.max() - settings.useful_range_db
    return tuple(bool(one and sure) for one, sure in zip(strong, reliable, strict=True))


def recommended_invert(
    flipped: BleedOption, useful: tuple[bool, ...], settings: BleedSettings
) -> bool | None:
    """Flip (True), leave (False: a flip would lose), or None where neither gains more than its uncertainty.

    An octave must gain, and the whole must gain too: no octave is bought with the others.

    Parameters
    ----------
    flipped : BleedOption
        The sum with the leaky mic flipped.
    useful : tuple of bool
        From `useful_octaves`.
    settings : BleedSettings
    """
    for sign, answer in ((1.0, True), (-1.0, False)):
        octave = any(
            sign * gain >= settings.min_gain_db and sign * gain > settings.min_sigmas * std
            for gain, std, matters in zip(flipped.gain_db, flipped.gain_std_db, useful, strict=True)
            if matters
        )
        overall = sign * flipped.overall_gain_db
        if (
            octave
            and overall >= settings.min_overall_db
            and overall > settings.min_sigmas * flipped.overall_gain_std_db
        ):
            return answer
    return None


def recommended_delay(
    plain_sum: PlainSum, polarity: BleedOption, settings: BleedSettings
) -> BleedOption | None:
    """Give the chosen polarity the best delay, where that gains surely and enough.

    Parameters
    ----------
    plain_sum : PlainSum
    polarity : BleedOption
        The chosen polarity without a delay.
    settings : BleedSettings
    """
    delay_ms = plain_sum.best_delay_ms(invert=polarity.invert)
    delayed = plain_sum.option(invert=polarity.invert, delay_ms=delay_ms)
    gain_db, std_db = plain_sum.extra_gain(delayed, polarity)
    return delayed if gain_db >= settings.min_gain_db and gain_db > settings.min_sigmas * std_db else None


def reason(found: BleedFindings) -> str:
    """One sentence for the recommendation."""
    flipped = found.flipped
    if flipped is None:
        return (
            "one of the two sources is never heard alone, and the take is too short to tell them apart"
            if found.together == "too_short"
            else "one of the two sources is never heard alone, and their levels never move apart"
        )
    gain = f"{flipped.overall_gain_db:+.1f} ± {flipped.overall_gain_std_db:.1f} dB"
    if found.recommended_invert is True:
        return f"flipping changes the {found.goal} by {gain} (A-weighted)"
    if found.recommended_invert is False:
        return f"flipping would change the {found.goal} by {gain} (A-weighted)"
    return (
        f"flipping changes the {found.goal} by only {gain} (A-weighted), with no sure gain in a useful octave"
    )


def remarks(found: BleedFindings, settings: BleedSettings) -> Iterator[str]:
    """Sentences on where polarity acts, on delay, and on what helps when neither does."""
    if found.flipped is None or found.as_recorded is None:
        yield (
            f"No {settings.min_total_s:g} s were found in which one mic's own source plays alone: name such "
            "times with --main-alone and --leaky-alone, or record a few bars of each alone."
        )
        return
    if found.together:
        yield (
            "One of the two sources is never heard alone: they were told apart by how their levels move, and "
            "octaves where they move together are left out."
        )
    yield from _on_octaves(found, settings)
    if found.main_leak_ms is not None and found.main_leak_ms > 0.1:
        yield (
            f"{found.leaky} hears the source of {found.main} {found.main_leak_ms:.2f} ms late: polarity acts "
            f"alike below {250.0 / found.main_leak_ms:.0f} Hz, and in alternating bands above."
        )
    if found.delayed is not None:
        late = found.leaky if found.delayed.delay_ms > 0 else found.main
        yield (
            f"Delaying {late} by {abs(found.delayed.delay_ms):.2f} ms changes the {found.goal} by "
            f"{found.delayed.overall_gain_db:+.1f} ± {found.delayed.overall_gain_std_db:.1f} dB against as "
            "recorded. Listen for what it does to the attack."
        )
    if not found.recommended_invert and found.delayed is None:
        yield (
            "What helps here is place, not polarity: each mic at least three times as far from the other's "
            "source as from its own (3:1, common practice), and its pattern's quiet side towards the other."
        )


def _on_octaves(found: BleedFindings, settings: BleedSettings) -> Iterator[str]:
    flipped = found.flipped
    if flipped is None:
        return
    sure = [
        (centre_hz, gain)
        for centre_hz, gain, std, matters in zip(
            found.centre_hz, flipped.gain_db, flipped.gain_std_db, found.useful, strict=True
        )
        if matters and abs(gain) >= settings.min_gain_db and abs(gain) > settings.min_sigmas * std
    ]
    for verb, signed in (("gains", 1.0), ("loses", -1.0)):
        octaves = [(centre_hz, abs(gain)) for centre_hz, gain in sure if signed * gain > 0.0]
        if octaves:
            most = max(octaves, key=lambda one: one[1])
            names = ", ".join(f"{centre_hz:g}" for centre_hz, _ in octaves)
            yield (
                f"Flipping {verb} {found.goal} in the octaves at {names} Hz, "
                f"most at {most[0]:g} Hz ({np.round(most[1], 1):.1f} dB)."
            )
