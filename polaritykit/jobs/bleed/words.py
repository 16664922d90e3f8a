"""The words of `bleed`: its codes and numbers as sentences, made in this one place.

Conventions: a reason is a clause without a full stop; the rest are sentences.
"""

from collections.abc import Iterator, Sequence

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.track_names import capital, the_source
from polaritykit.base.wording import frequency, listed, measured, number, percent
from polaritykit.jobs.bleed.advice import SIGMAS
from polaritykit.jobs.bleed.findings import BleedFindings, BleedOption
from polaritykit.jobs.bleed.passages import LEAST_TOTAL_S


def headline(found: BleedFindings) -> str:
    """Say what to do."""
    leaky = found.leaky
    if found.flip is not None:
        cause = {"wiring": f"its wiring is inverted against {_other(found, found.flip)}"}
        told = cause.get(found.polarity_code, f"that serves the {found.goal}")
        first = f"Flip {found.flip} (ø): {told}."
    else:
        first = {
            "alike": f"Leave the polarity of {leaky} as it is: both are wired alike.",
            "loses": f"Leave the polarity of {leaky} as it is: a flip would lose {found.goal}.",
            "listen": f"Compare both polarities of {leaky} by ear: single octaves change, the whole hardly.",
            "together": f"Leave {leaky} as it is: the two sources cannot be told apart.",
        }.get(found.polarity_code, f"Polarity decides nothing here: leave that of {leaky} as it is.")
    return f"{first} {_delay_words(found)}" if found.delay_ms else first


def _delay_words(found: BleedFindings) -> str:
    late = found.leaky if (found.delay_ms or 0.0) > 0.0 else found.main
    return f"Delay {late} by {number(abs(found.delay_ms or 0.0), 2)} ms, if its attack allows."


def _other(found: BleedFindings, track: str) -> str:
    return found.leaky if track == found.main else found.main


def why(found: BleedFindings) -> str:
    """Say what the advice rests on."""
    flipped, option = found.flipped, found.advised
    if flipped is None or option is None:
        return (
            "one of the two sources is never heard alone, and the take is too short to tell them apart"
            if found.together == "too_short"
            else "one of the two sources is never heard alone, and their levels never move apart"
        )
    sure = f"(confidence {percent(found.settled.confidence)})"
    wiring = {
        "same": f"what both hear says that they are wired alike {sure}",
        "inverted": f"what both hear says that they are wired against one another {sure}",
        "unclear": "how the two are wired stays open",
    }[found.settled.wiring]
    said = (
        f"this setting changes the {found.goal} by {_gain(option)}"
        if option.invert or option.delay_ms
        else f"flipping {found.leaky} would change the {found.goal} by {_gain(flipped)}"
    )
    return f"{wiring}; {said} (A-weighted)"


def _gain(option: BleedOption) -> str:
    return measured(option.overall_gain_db, option.overall_gain_std_db, "dB", decimals=1, signed=True)


def remark_words(found: BleedFindings) -> Iterator[str]:
    """Say where polarity acts, what a setting costs, and what helps when none does."""
    if found.flipped is None or found.as_recorded is None:
        yield (
            f"No {LEAST_TOTAL_S:g} s were found in which one mic's own source plays alone: name such "
            "times with --main-alone and --leaky-alone, or record a few bars of each alone."
        )
        return
    if found.together:
        yield (
            "One of the two sources is never heard alone: they were told apart by how their levels move, and "
            "octaves where they move together are left out."
        )
    option = found.advised
    if option is not None and (option.invert or option.delay_ms):
        yield from _changes(found, option)
    if found.flip is None or found.delay_ms:
        yield from _flip_by_octave(found, found.flipped)
    if found.polarity_code == "alike" and found.flipped.overall_gain_db > max(
        AUDIBLE_DB, SIGMAS * found.flipped.overall_gain_std_db
    ):
        yield (
            f"In the mix a flip of {found.leaky} would change the {found.goal} by {_gain(found.flipped)}, "
            "though nothing is wired backwards: a choice by ear, not a repair."
        )
    if found.as_checked is not None and found.as_checked is not option:
        yield (
            f"For the fullest sum of the two a check would set {_set_words(found, found.as_checked)}: that "
            f"changes the {found.goal} by {_gain(found.as_checked)}."
        )
    if found.cross_checks:
        told = listed([frequency(one.centre_hz) for one in found.cross_checks])
        most = max(one.difference_db for one in found.cross_checks)
        yield (
            f"Passages alone and levels that move differ by up to {number(most, 1)} dB on what a flip does "
            f"around {told}: the players moved, or a passage is not quite alone; the ± holds it."
        )
    if found.main_leak_ms is not None and found.main_leak_ms > 0.1:
        late, alike = number(found.main_leak_ms, 2), frequency(250.0 / found.main_leak_ms)
        yield (
            f"{capital(the_source(found.main))} reaches {found.leaky} {late} ms late: a flip changes all "
            f"below {alike} the same way; above, it helps in one band and hurts in the next."
        )
    if found.flip is None and found.delay_ms is None:
        yield (
            "What helps here is place, not polarity: each mic at least three times as far from the other's "
            "source as from its own (3:1, common practice), and its pattern's quiet side towards the other."
        )


def _set_words(found: BleedFindings, option: BleedOption) -> str:
    words = [f"{found.settled.flip or found.leaky} flipped"] if option.invert else []
    if option.delay_ms:
        late = found.leaky if option.delay_ms > 0.0 else found.main
        words.append(f"{late} {number(abs(option.delay_ms), 2)} ms later")
    return " and ".join(words)


def _changes(found: BleedFindings, option: BleedOption) -> Iterator[str]:
    """Say what the advised setting does to both sources, and what it costs."""
    gains = [gain for gain, sure in zip(option.gain_db, found.useful, strict=True) if sure]
    if gains and min(gains) > 0.0:
        yield f"Every octave that matters gains {found.goal}: {_span(gains)} dB."
    for name, changes in ((found.main, option.main_change_db), (found.leaky, option.leaky_change_db)):
        told = [
            (centre, change)
            for centre, change, sure in zip(found.centre_hz, changes, found.reliable, strict=True)
            if sure
        ]
        if told:
            span = _span([change for _, change in told])
            yield f"Octave by octave it changes {the_source(name)} by {span} dB."
    lost = [
        frequency(centre)
        for centre, change, sure in zip(found.centre_hz, option.main_change_db, found.useful, strict=True)
        if sure and change < -AUDIBLE_DB
    ]
    if lost:
        yield f"It costs {the_source(found.main)} more than 1 dB around {listed(lost)}."


def _span(values: Sequence[float]) -> str:
    low, high = number(min(values), 1, signed=True), number(max(values), 1, signed=True)
    return low if low == high else f"{low} to {high}"


def _flip_by_octave(found: BleedFindings, flipped: BleedOption) -> Iterator[str]:
    """Say in which octaves a flip alone acts, where it surely does."""
    sure = [
        (centre_hz, gain)
        for centre_hz, gain, std, matters in zip(
            found.centre_hz, flipped.gain_db, flipped.gain_std_db, found.reliable, strict=True
        )
        if matters and abs(gain) >= AUDIBLE_DB and abs(gain) > SIGMAS * std
    ]
    for verb, signed in (("gains", 1.0), ("loses", -1.0)):
        octaves = [(centre_hz, abs(gain)) for centre_hz, gain in sure if signed * gain > 0.0]
        if octaves:
            most = max(octaves, key=lambda one: one[1])
            names = listed([frequency(centre_hz) for centre_hz, _ in octaves], 8)
            by = f"{number(most[1], 1)} dB"
            by = f"by {by}" if len(octaves) == 1 else f"most around {frequency(most[0])}, by {by}"
            yield f"A flip alone {verb} {found.goal} around {names}, {by}."
