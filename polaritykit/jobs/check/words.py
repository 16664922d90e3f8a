"""The words of a check: faults, relations, advice and settings as sentences say them.

Conventions: they take parts of the document and return plain text; nothing is measured here.
"""

from typing import Any

from polaritykit.base.wording import decimals_for, measured, number, percent

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
