"""What track names tell by trade habit: stereo partners, overheads, far mics, mics under a drum.

Names never decide a measurement; they only choose what is kept together, what keeps its timing, and words.
"""

import re
from collections.abc import Sequence

_SIDE = re.compile(
    r"^(?P<stem>.*?)(?P<gap>[ ._-]*)(?P<side>left|right|links|rechts|l|r)(?P<tail>\)?)$", re.IGNORECASE
)
_LEFT = {"left", "links", "l"}
_OVERHEAD = re.compile(r"(^|[^a-z])(oh|ohs|over|overs|overhead|overheads)([^a-z]|$)", re.IGNORECASE)
_ROOM = re.compile(r"(^|[^a-z])(room|rooms|amb|ambience|ambient|hall|far)([^a-z]|$)", re.IGNORECASE)

_UNDERSIDE = re.compile(r"(^|[^a-z])(bot|bottom|btm|under|underside|below|beneath)([^a-z]|$)", re.IGNORECASE)

_DIRECT = re.compile(r"(^|[^a-z])(di|direct|line)([^a-z]|$)", re.IGNORECASE)


def linked_pairs(names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Pairs of names that differ only in left and right.

    Examples
    --------
    >>> linked_pairs(["kick", "oh_left", "oh_right", "room.L", "room.R", "bell"])
    (('oh_left', 'oh_right'), ('room.L', 'room.R'))
    """
    sides: dict[tuple[str, int], dict[str, str]] = {}
    for name in names:
        match = _SIDE.match(name)
        if match is None:
            continue
        # "bell" is no left side of "be": a bare letter needs a gap before it.
        side = match["side"].lower()
        if len(side) == 1 and not match["gap"]:
            continue
        stem = re.sub(r"^\d+[ ._-]*", "", match["stem"]).lower()
        sides.setdefault((stem, min(len(side), 2)), {})["left" if side in _LEFT else "right"] = name
    return tuple((pair["left"], pair["right"]) for pair in sides.values() if len(pair) == 2)


def is_overhead(name: str) -> bool:
    """Whether a name reads as an overhead mic."""
    return _OVERHEAD.search(name.replace("_", " ")) is not None


def is_room(name: str) -> bool:
    """Whether a name reads as a room mic."""
    return _ROOM.search(name.replace("_", " ")) is not None


def is_underside(name: str) -> bool:
    """Whether a name reads as a mic under a drum, which hears it from its other side.

    Examples
    --------
    >>> is_underside("03_snare_bottom"), is_underside("snare_top")
    (True, False)
    """
    return _UNDERSIDE.search(name.replace("_", " ")) is not None


def is_direct(name: str) -> bool:
    """Whether a name reads as a direct line.

    Examples
    --------
    >>> is_direct("bass DI"), is_direct("midi")
    (True, False)
    """
    return _DIRECT.search(name.replace("_", " ")) is not None
