"""What is left of a pair once the session's settings are made.

Conventions: reads parts of the document; a delay of *b* against *a* adds to the offset.
"""

from collections.abc import Mapping
from typing import Any

_TURNED = {"same": "inverted", "inverted": "same", "unclear": "unclear"}


def session_setting(a: Mapping[str, Any] | None, b: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Turn the session's settings of both tracks into one of the second against the first.

    Examples
    --------
    >>> early = {"invert": False, "delay_ms": 2.5}
    >>> late = {"invert": True, "delay_ms": 0.5}
    >>> session_setting(early, late)
    {'invert': True, 'delay': -2.0}
    """
    if a is None or b is None:
        return None
    return {"invert": a["invert"] != b["invert"], "delay": b["delay_ms"] - a["delay_ms"]}


def left_over(pair: Mapping[str, Any], setting: Mapping[str, Any] | None) -> dict[str, Any]:
    """Polarity and offset of a pair with that setting.

    Examples
    --------
    >>> left_over({"polarity": "inverted", "offset_ms": 2.5}, {"invert": True, "delay": -2.0})
    {'polarity': 'same', 'offset_ms': 0.5}
    """
    polarity, offset = pair["polarity"], pair["offset_ms"]
    if setting is None:
        return {"polarity": polarity, "offset_ms": offset}
    return {
        "polarity": _TURNED[polarity] if setting["invert"] else polarity,
        "offset_ms": None if offset is None else offset + setting["delay"],
    }
