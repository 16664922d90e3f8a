"""The words of a check: faults, relations, advice and settings as sentences say them.

Conventions: they take parts of the document and return plain text; nothing is measured here.
"""

from collections.abc import Sequence
from typing import Any

from polaritykit.base.wording import decimals_for, measured, number, percent, uncertainty

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


def pad_sentence(louder: str, quieter: str, step_db: float, pad_db: int) -> str:
    """Say that a pad on one of two tracks is suspected.

    Parameters
    ----------
    louder, quieter : str
        Names of the tracks.
    step_db : float
        Between them, positive.
    pad_db : int
        The usual pad next to that.

    Examples
    --------
    >>> pad_sentence("oh_left", "oh_right", 9.8, 10)
    'oh_right is 9.8 dB quieter than oh_left, though both should hear alike: a 10 dB pad on one side?'
    """
    return (
        f"{quieter} is {number(step_db, 1)} dB quieter than {louder}, though both should hear alike: "
        f"a {pad_db} dB pad on one side?"
    )


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
    'over is 2.57 ± 0.01 ms late'
    >>> lateness({"reference": "top", "other": "over", "offset_ms": -2.571, "offset_std_ms": 0.01})
    'top is 2.57 ± 0.01 ms late'
    >>> kind = {"offset_kind": "direct_correlation"}
    >>> lateness({"reference": "top", "other": "over", "offset_ms": 2.571, "offset_std_ms": 0.01} | kind)
    'over is 2.57 ± 0.01 ms late by correlation'
    """
    offset, std = pair["offset_ms"], pair["offset_std_ms"]
    if offset is None:
        return "offset unclear"
    if std is not None and abs(offset) <= std:
        return f"together within {uncertainty(std, 'ms')}"
    late = pair["other"] if offset > 0 else pair["reference"]
    how = " by correlation" if pair.get("offset_kind") == "direct_correlation" else ""
    return f"{late} is {measured(abs(offset), std, 'ms')} late{how}"


def lined_up(pair: dict[str, Any]) -> dict[str, Any]:
    """Tell a pair's offset with the recorders lined up: what they add is told once, of them.

    Examples
    --------
    >>> pair = lined_up({"offset_ms": 2102.5, "offset_samples": 100920.0, "recorders_ms": 2100.0})
    >>> pair["offset_ms"], round(pair["offset_samples"], 6)
    (2.5, 120.0)
    """
    apart_ms = pair.get("recorders_ms") or 0.0
    if pair["offset_ms"] is None or not apart_ms:
        return pair
    left_ms = pair["offset_ms"] - apart_ms
    return pair | {
        "offset_ms": left_ms,
        "offset_samples": pair["offset_samples"] * left_ms / pair["offset_ms"],
    }


def advised(pair: dict[str, Any]) -> str:
    """Say what a pair's advice sets, and on which of its tracks.

    Examples
    --------
    >>> pair = {"reference": "top", "other": "over", "offset_std_ms": 0.01}
    >>> both = {"action": "flip_and_delay", "invert": True, "delay_ms": 2.571, "shift_ms": -2.571}
    >>> advised(pair | {"advice": both})
    'flip one of the two, delay top by 2.57 ms'
    >>> advised(pair | {"advice": {"action": "leave", "invert": False, "delay_ms": 0.0}})
    'leave as it is'
    """
    advice = pair["advice"]
    words = ["flip one of the two"] if advice["invert"] else []
    if advice["delay_ms"]:
        early = pair["other"] if advice["shift_ms"] > 0.0 else pair["reference"]
        decimals = decimals_for(pair["offset_std_ms"])
        words.append(f"delay {early} by {number(advice['delay_ms'], decimals)} ms")
    return ", ".join(words) or ACTIONS.get(advice["action"], advice["action"])


def setting(track: dict[str, Any], sample_rate_hz: int) -> str:
    """Say what to set on a track of ``corrections.tracks``, by signed shifts.

    Examples
    --------
    >>> setting({"invert": True, "shift_ms": 2.571}, 48_000)
    'flip polarity, delay 2.57 ms (123 samples)'
    >>> setting({"invert": False, "shift_ms": -0.771}, 48_000)
    'advance 0.77 ms (37 samples)'
    >>> setting({"invert": False, "shift_ms": 0.0}, 48_000)
    'nothing'
    """
    words = ["flip polarity"] if track["invert"] else []
    if round(track["shift_ms"], 6):
        samples = abs(track["shift_ms"]) * sample_rate_hz / 1000
        words.append(f"{shifted(track['shift_ms'])} ({number(samples, 0)} samples)")
    return ", ".join(words) or "nothing"


def desk(tracks: Sequence[dict[str, Any]], sample_rate_hz: int) -> str:
    """Say what a desk, which can only delay, sets instead of advancing a track; nothing where none is.

    Examples
    --------
    >>> desk([{"name": "room", "shift_ms": -4.292}, {"name": "kick", "shift_ms": 1.0}], 48_000)
    'cannot advance: delay all but room by 4.29 ms (206 samples) more'
    """
    earliest = min(tracks, key=lambda track: float(track["shift_ms"]), default=None)
    if earliest is None or round(earliest["shift_ms"], 6) >= 0.0:
        return ""
    by_ms = -earliest["shift_ms"]
    samples = number(by_ms * sample_rate_hz / 1000, 0)
    return (
        f"cannot advance: delay all but {earliest['name']} by {number(by_ms, 2)} ms ({samples} samples) more"
    )


def shifted(shift_ms: float) -> str:
    """Say a signed shift.

    Examples
    --------
    >>> shifted(-0.771), shifted(2.0), shifted(0.0)
    ('advance 0.77 ms', 'delay 2.00 ms', 'leave')
    """
    if not round(shift_ms, 6):
        return "leave"
    return f"{'advance' if shift_ms < 0.0 else 'delay'} {number(abs(shift_ms), 2)} ms"


def needs_setting(track: dict[str, Any]) -> bool:
    """Tell whether a track of ``corrections.tracks`` wants a switch or a shift."""
    return bool(track["invert"]) or round(track["shift_ms"], 6) != 0.0
