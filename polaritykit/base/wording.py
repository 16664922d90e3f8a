"""The words and digits that page, tables and terminal share, so that one figure reads the same everywhere.

Conventions: a measured value is never printed with more digits than its uncertainty supports; a true minus
sign stands before negative values; ``None`` reads as a dash.
"""

import math
from collections import Counter
from collections.abc import Sequence
from functools import lru_cache

#: Polarity -> sign shown in the session map: told apart by shape, not by colour.
GLYPHS = {"same": "=", "inverted": "ø", "unclear": "?"}


_DASH = "–"
#: No uncertainty is written finer than this: a micrometre, a microsecond.
_MOST_DECIMALS = 3
#: Rounded to one digit it may be off by this much (14.9 to 10 is more).
_MISSTATED = 0.2


def number(value: float | None, decimals: int = 1, *, signed: bool = False) -> str:
    """Write a number with fixed decimals; a dash for None.

    Parameters
    ----------
    value : float or None
    decimals : int
    signed : bool
        A plus sign before positive values.

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
    """Decimals that an uncertainty supports: one digit of it, two where one would misstate it.

    Examples
    --------
    >>> [decimals_for(std) for std in (0.2, 0.011, 0.0096, 14.9, 0.0, None)]
    [1, 2, 2, 0, 3, 1]
    """
    if std is None:
        return 1
    return max(0, min(most, _places_for(std))) if std > 0.0 else most


def _places_for(std: float) -> int:
    """Decimals an uncertainty supports; negative for tens, hundreds and so on."""
    one_digit = float(f"{std:.0e}")
    misstated = abs(one_digit - std) > _MISSTATED * std
    return -math.floor(math.log10(one_digit)) + misstated


@lru_cache(maxsize=1 << 16)
def measured(
    value: float | None, std: float | None, unit: str = "", *, decimals: int = 2, signed: bool = False
) -> str:
    """Write a value with its standard uncertainty, digits cut to what that supports.

    Parameters
    ----------
    value, std : float or None
        The value, and its standard uncertainty (None or 0: exact or not known).
    unit : str
        Printed behind.
    decimals : int
        Decimals when there is no uncertainty.
    signed : bool
        A plus sign before positive values.

    Examples
    --------
    >>> measured(2.5713, 0.0096, "ms"), measured(-0.31, 0.1, "ms"), measured(503.27, 14.9, "Hz")
    ('2.57 ± 0.01 ms', '−0.3 ± 0.1 ms', '503 ± 15 Hz')
    >>> measured(-1.0, None, "ms"), measured(None, 0.1, "ms")
    ('−1.00 ms', '–')
    """
    if value is None:
        return _DASH
    tail = f" {unit}" if unit else ""
    if std is None or not 1e-9 < std < math.inf:
        return number(value, decimals, signed=signed) + tail
    places = min(_MOST_DECIMALS, _places_for(std))
    return f"{number(round(value, places), max(places, 0), signed=signed)} ± {uncertainty(std, unit)}"


def uncertainty(std: float, unit: str = "") -> str:
    """Write a standard uncertainty as it stands behind a value.

    Examples
    --------
    >>> uncertainty(0.0096, "ms"), uncertainty(0.00001, "ms")
    ('0.01 ms', '0.001 ms')
    """
    places = min(_MOST_DECIMALS, _places_for(std)) if std > 0.0 else _MOST_DECIMALS
    shown = max(round(std, places), 10.0**-_MOST_DECIMALS)
    return f"{shown:.{max(places, 0)}f}{f' {unit}' if unit else ''}"


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


def frequency(hertz: float) -> str:
    """Write a frequency with three significant digits.

    Examples
    --------
    >>> frequency(194.55), frequency(1945.5), frequency(62.0)
    ('195 Hz', '1.95 kHz', '62 Hz')
    """
    return f"{hertz / 1000:.3g} kHz" if hertz >= 999.5 else f"{hertz:.3g} Hz"


def kilohertz(hertz: float) -> str:
    """Write a sample rate.

    Examples
    --------
    >>> kilohertz(48_000), kilohertz(44_100), kilohertz(11_025)
    ('48.0 kHz', '44.1 kHz', '11.0 kHz')
    """
    return f"{number(hertz / 1000)} kHz"


def centimetres(metres: float) -> str:
    """Write an uncertainty of tape.

    Examples
    --------
    >>> centimetres(0.01)
    '1.0 cm'
    """
    return f"{number(metres * 100)} cm"


def band(band_hz: list[float] | None) -> str:
    """Write a band as its two edges."""
    return _DASH if band_hz is None else f"{frequency(band_hz[0])} to {frequency(band_hz[1])}"


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
        counts = Counter(name for pair in left for name in pair)
        # Among equals the one that is met first.
        track = max(counts, key=counts.__getitem__)
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


def plural(count: int | str, word: str) -> str:
    """Write a count, or one that is written already, with its word.

    Examples
    --------
    >>> plural(1, "track"), plural(3, "track"), plural("0.5", "sample")
    ('1 track', '3 tracks', '0.5 samples')
    """
    return f"{count} {word}{'' if count in (1, '1') else 's'}"
