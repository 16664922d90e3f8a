"""The words and digits that page, tables and terminal share, so that one figure reads the same everywhere.

Conventions: a measured value is never printed with more digits than its uncertainty supports; a true minus
sign stands before negative values; ``None`` reads as a dash.
"""

import math
from collections.abc import Sequence
from typing import Any

#: Polarity -> sign shown in the session map: told apart by shape, not by colour.
GLYPHS = {"same": "=", "inverted": "ø", "unclear": "?"}
#: Fault -> words (`tracks[].faults`).
FAULTS = {
    "clipped": "clipped",
    "true_peak_over": "true peak over full scale",
    "silent": "silent",
    "dc_offset": "DC offset",
    "duplicate": "copy of another track",
    "hum": "mains hum",
    "unreadable": "unreadable",
    "not_finite": "holds samples that are no numbers",
    "too_short": "too short",
}
#: Relation -> words (`pairs[].relation`); sound through the air needs none.
RELATIONS = {
    "crosstalk": "The two share sound through a cable or the desk, not through the air.",
    "hum": "What the two share is mains hum only.",
    "copy": "The two are one and the same recording.",
}
#: Action -> words (`pairs[].advice.action`).
ACTIONS = {
    "leave": "leave as it is",
    "flip": "flip polarity",
    "delay": "delay",
    "flip_and_delay": "flip polarity and delay",
    "listen": "listen to both",
    "move": "move a mic",
}
_DASH = "–"


def number(value: float | None, decimals: int = 1, *, signed: bool = False) -> str:
    """Write a number with fixed decimals; a dash for None.

    Examples
    --------
    >>> number(-0.04), number(-3.14159, 2), number(2.0, signed=True), number(None)
    ('0.0', '−3.14', '+2.0', '–')
    """
    if value is None:
        return _DASH
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0.0:
        return text
    if value < 0:
        return "−" + text
    return "+" + text if signed else text


def decimals_for(std: float | None, most: int = 3) -> int:
    """Decimals that an uncertainty supports: as many as show its first significant digit.

    Examples
    --------
    >>> [decimals_for(std) for std in (0.2, 0.011, 0.0096, 3.0, 0.0, None)]
    [1, 2, 2, 0, 3, 1]
    """
    if std is None:
        return 1
    if std <= 0.0:
        return most
    exponent = math.floor(math.log10(float(f"{std:.0e}")))
    return max(0, min(most, -exponent))


def measured(value: float | None, std: float | None, unit: str, *, signed: bool = False) -> str:
    """Write a value with its uncertainty.

    Examples
    --------
    >>> measured(2.5713, 0.0096, "ms"), measured(-0.31, 0.1, "ms"), measured(3.0, None, "ms")
    ('2.57 ms ± 0.01', '−0.3 ms ± 0.1', '3.0 ms')
    """
    if value is None:
        return _DASH
    decimals = decimals_for(std)
    text = f"{number(value, decimals, signed=signed)} {unit}"
    if std is None:
        return text
    shown = max(float(f"{std:.0e}") if std > 0.0 else 0.0, 10.0**-decimals)
    return f"{text} ± {shown:.{decimals}f}"


def percent(share: float | None) -> str:
    """Write a confidence in percent; certainty is never claimed.

    Examples
    --------
    >>> percent(0.974), percent(0.9999), percent(None)
    ('97 %', '> 99 %', '–')
    """
    if share is None:
        return _DASH
    return "> 99 %" if share > 0.99 else f"{share * 100:.0f} %"


def certainty(pair: dict[str, Any]) -> str:
    """Write the confidence of a polarity; nothing where it is unclear, for then there is none to have.

    Examples
    --------
    >>> certainty({"polarity": "same", "confidence": 0.974})
    '97 %'
    >>> certainty({"polarity": "unclear", "confidence": 0.5})
    ''
    """
    known = pair["polarity"] != "unclear" and pair["confidence"] is not None
    return percent(pair["confidence"]) if known else ""


def frequency(hertz: float) -> str:
    """Write a frequency with three significant digits.

    Examples
    --------
    >>> frequency(194.55), frequency(1945.5), frequency(62.0)
    ('195 Hz', '1.95 kHz', '62 Hz')
    """
    return f"{hertz / 1000:.3g} kHz" if hertz >= 999.5 else f"{hertz:.3g} Hz"


def band(band_hz: list[float] | None) -> str:
    """Write a band as its two edges."""
    return _DASH if band_hz is None else f"{frequency(band_hz[0])} to {frequency(band_hz[1])}"


def lateness(pair: dict[str, Any]) -> str:
    """Say which of a pair hears the sound later, and by how much.

    Examples
    --------
    >>> lateness({"reference": "top", "other": "over", "offset_ms": 2.571, "offset_std_ms": 0.01})
    'over is 2.57 ms ± 0.01 late'
    >>> lateness({"reference": "top", "other": "over", "offset_ms": -2.571, "offset_std_ms": 0.01})
    'top is 2.57 ms ± 0.01 late'
    """
    offset, std = pair["offset_ms"], pair["offset_std_ms"]
    if offset is None:
        return "offset unclear"
    if std is not None and abs(offset) <= std:
        return f"together within {measured(abs(offset), std, 'ms').split('± ')[-1]} ms"
    late = pair["other"] if offset > 0 else pair["reference"]
    return f"{late} is {measured(abs(offset), std, 'ms')} late"


def advised(pair: dict[str, Any]) -> str:
    """Say what a pair's advice sets, and on which of its tracks.

    Examples
    --------
    >>> pair = {"reference": "top", "other": "over", "offset_ms": 2.571, "offset_std_ms": 0.01}
    >>> advised(pair | {"advice": {"action": "flip_and_delay", "invert": True, "delay_ms": 2.571}})
    'flip one of the two, delay top by 2.57 ms'
    >>> advised(pair | {"advice": {"action": "leave", "invert": False, "delay_ms": 0.0}})
    'leave as it is'
    """
    advice = pair["advice"]
    words = ["flip one of the two"] if advice["invert"] else []
    if advice["delay_ms"]:
        early = pair["reference"] if (pair["offset_ms"] or 0.0) > 0.0 else pair["other"]
        decimals = decimals_for(pair["offset_std_ms"])
        words.append(f"delay {early} by {number(advice['delay_ms'], decimals)} ms")
    return ", ".join(words) or ACTIONS.get(advice["action"], advice["action"])


def listed(names: Sequence[str], most: int = 6) -> str:
    """Join names as one says them; what is left out is counted.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b", "c"]), listed(["a", "b", "c", "d", "e"], most=3)
    ('a', 'a, b and c', 'a, b, c and 2 more')
    """
    shown = list(names[:most]) if len(names) > most + 1 else list(names)
    if len(names) > len(shown):
        return f"{', '.join(shown)} and {len(names) - most} more"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def listed_pairs(pairs: Sequence[tuple[str, str]], most: int = 6) -> str:
    """Join pairs, those of one track together, the track with most of them first.

    Examples
    --------
    >>> listed_pairs([("a", "b"), ("a", "c"), ("d", "a"), ("b", "d")])
    'a with b, c and d; b with d'
    """
    left, parts = list(pairs), []
    while left:
        names = [name for pair in left for name in pair]
        track = max(dict.fromkeys(names), key=names.count)
        partners = [b if a == track else a for a, b in left if track in (a, b)]
        parts.append(f"{track} with {listed(partners, most)}")
        left = [pair for pair in left if track not in pair]
    return "; ".join(parts)


def by_reason(items: Sequence[tuple[str, str, str]], most: int = 6) -> list[tuple[str, int, str]]:
    """Gather (track, track, reason) by their reason, the commonest first: (reason, pairs, who).

    Examples
    --------
    >>> by_reason([("a", "b", "faint"), ("a", "c", "faint"), ("b", "c", "too few hits")])
    [('faint', 2, 'a with b and c'), ('too few hits', 1, 'b with c')]
    """
    found: dict[str, list[tuple[str, str]]] = {}
    for a, b, reason in items:
        found.setdefault(reason, []).append((a, b))
    ordered = sorted(found.items(), key=lambda item: -len(item[1]))
    return [(reason, len(pairs), listed_pairs(pairs, most)) for reason, pairs in ordered]


def plural(count: int, word: str) -> str:
    """Write a count with its word.

    Examples
    --------
    >>> plural(1, "track"), plural(3, "track")
    ('1 track', '3 tracks')
    """
    return f"{count} {word}{'' if count == 1 else 's'}"


def setting(track: dict[str, Any]) -> str:
    """Say what to set on a track of ``corrections.tracks``.

    Examples
    --------
    >>> setting({"invert": True, "delay_ms": 2.571, "delay_samples": 123.4})
    'flip polarity, delay 2.57 ms (123 samples)'
    >>> setting({"invert": False, "delay_ms": 0.0, "delay_samples": 0})
    'nothing'
    """
    words = ["flip polarity"] if track["invert"] else []
    if track["delay_ms"] > 0.0:
        words.append(f"delay {number(track['delay_ms'], 2)} ms ({number(track['delay_samples'], 0)} samples)")
    return ", ".join(words) or "nothing"


def needs_setting(track: dict[str, Any]) -> bool:
    """Tell whether a track of ``corrections.tracks`` wants a switch or a delay."""
    return bool(track["invert"]) or track["delay_ms"] > 0.0
