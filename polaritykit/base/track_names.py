"""What track names tell by trade habit: stereo partners, overheads, far mics, mics under a drum.

Names never decide a measurement; they only choose what is kept together, what keeps its timing, and words.
"""

import re
from collections.abc import Sequence
from functools import lru_cache

_SIDE = re.compile(
    r"^(?P<stem>.*?)(?P<gap>[ ._-]*)(?P<side>left|right|links|rechts|l|r)(?P<tail>\)?)$", re.IGNORECASE
)
_LEFT = {"left", "links", "l"}
_MID_SIDE = re.compile(
    r"^(?P<stem>.*?)(?P<gap>[ ._-]*)(?P<side>mid|side|mitte|seite|m|s)(?P<tail>\)?)$", re.IGNORECASE
)
_MID = {"mid", "mitte", "m"}
_OVERHEAD = re.compile(r"(^|[^a-z])(oh|ohs|over|overs|overhead|overheads)([^a-z]|$)", re.IGNORECASE)
_ROOM = re.compile(r"(^|[^a-z])(room|rooms|amb|ambience|ambient|hall|far)([^a-z]|$)", re.IGNORECASE)

_UNDERSIDE = re.compile(r"(^|[^a-z])(bot|bottom|btm|under|underside|below|beneath)([^a-z]|$)", re.IGNORECASE)

_DIRECT = re.compile(r"(^|[^a-z])(di|direct|line)([^a-z]|$)", re.IGNORECASE)

#: Where a mic stands at its source, and what it is: not the source's name.
_PLACES = re.compile(
    r"top|bot|bottom|btm|under|underside|in|out|inside|outside|close|near|mic|di|line|l|r|left|right",
    re.IGNORECASE,
)
#: A name of fewer letters names no source.
_LEAST_LETTERS = 3
#: What a recorder or a workstation puts behind a name: takes and dates, and the mark of a copy.
_TAKE = re.compile(r"([ ._-]+\d+)+$")
_COPY = re.compile(r"[ ._-]*(dup|copy)[ ._-]*\d*$", re.IGNORECASE)
_GAPS = re.compile(r"([ ._-]+)")
#: From so many tracks on, a word before or behind all their names is the session's, not the mics'.
_MANY = 4


def short_names(names: Sequence[str]) -> tuple[str, ...]:
    """Names without what all of them have in common: takes, dates, the session's name.

    Parts between gaps (blank, dot, dash, underscore) are left out whole.  A part of letters only goes where
    there are at least four tracks: ``snare_top`` and ``snare_bottom`` stay as they are.  Where a name would
    be left without a letter, or two would become one, all stay as they are.

    Parameters
    ----------
    names : sequence of str
        All tracks of a session.

    Returns
    -------
    tuple of str
        In the same order, each once.

    Examples
    --------
    >>> short_names(["kick_01-240612_1432", "OH L_01-240612_1432"])
    ('kick', 'OH L')
    >>> short_names(["snare_top", "snare_bottom"])
    ('snare_top', 'snare_bottom')
    """
    parts = [_GAPS.split(name) for name in names]
    ahead = _common([part[::2] for part in parts])
    behind = _common([part[::-2] for part in parts])
    short = tuple("".join(part[2 * ahead : len(part) - 2 * behind]) for part in parts)
    sound = len(set(short)) == len(short) and all(any(letter.isalpha() for letter in name) for name in short)
    return short if sound else tuple(names)


def _common(words: Sequence[Sequence[str]]) -> int:
    """How many words all begin with, each list keeping at least one."""
    count = 0
    if len(words) < 2:
        return count
    for several in zip(*(word[:-1] for word in words), strict=False):
        first = several[0].casefold()
        if any(word.casefold() != first for word in several):
            break
        if len(words) < _MANY and not any(letter.isdigit() for letter in first):
            break
        count += 1
    return count


def linked_pairs(names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Pairs of names that differ only in left and right, whatever take and date stand behind.

    Copies (``.dup1``) are pairs of their own.

    Examples
    --------
    >>> linked_pairs(["kick", "oh_left", "oh_right", "room.L", "room.R", "bell"])
    (('oh_left', 'oh_right'), ('room.L', 'room.R'))
    >>> linked_pairs(["OH L_03", "OH R_04", "OH L.dup1", "OH R.dup1"])
    (('OH L_03', 'OH R_04'), ('OH L.dup1', 'OH R.dup1'))
    """
    sides: dict[tuple[str, str, int], dict[str, str]] = {}
    parts = [_GAPS.split(name) for name in names]
    behind = _common([part[::-2] for part in parts])
    for name, part in zip(names, parts, strict=True):
        own = "".join(part[: len(part) - 2 * behind])
        copy = _COPY.search(own)
        match = _SIDE.match(_TAKE.sub("", own[: copy.start()] if copy else own))
        if match is None:
            continue
        # "bell" is no left side of "be": a bare letter needs a gap before it.
        side = match["side"].lower()
        if len(side) == 1 and not match["gap"]:
            continue
        stem = re.sub(r"^\d+[ ._-]*", "", match["stem"]).lower()
        key = (stem, copy[0].lower() if copy else "", min(len(side), 2))
        # Of several takes the first of each side.
        sides.setdefault(key, {}).setdefault("left" if side in _LEFT else "right", name)
    return tuple((pair["left"], pair["right"]) for pair in sides.values() if len(pair) == 2)


def mid_and_side(a: str, b: str) -> tuple[str, str] | None:
    """Two names that differ only in mid and side, mid first; None where they do not.

    Examples
    --------
    >>> mid_and_side("oh_side", "oh_mid"), mid_and_side("room.M", "room.S"), mid_and_side("toms", "tom")
    (('oh_mid', 'oh_side'), ('room.M', 'room.S'), None)
    """
    read: dict[str, tuple[str, str]] = {}
    for name in (a, b):
        match = _MID_SIDE.match(_TAKE.sub("", name))
        if match is None or (len(match["side"]) == 1 and not match["gap"]):
            return None
        stem = re.sub(r"^\d+[ ._-]*", "", match["stem"]).lower()
        read["mid" if match["side"].lower() in _MID else "side"] = (stem, name)
    if len(read) < 2 or read["mid"][0] != read["side"][0]:
        return None
    return read["mid"][1], read["side"][1]


@lru_cache(maxsize=4096)
def source_name(track: str) -> str:
    """Name a source by the track that is home to it: without its number, its take and where the mic stood.

    Examples
    --------
    >>> source_name("02_snare_top"), source_name("01 Kick In_01-240612_1432"), source_name("tom.low")
    ('snare', 'kick', 'tom low')
    >>> source_name("07"), source_name("top"), source_name("oh_left")
    ('07', 'top', 'oh_left')
    """
    words = [word for word in re.split(r"[ ._-]+", _TAKE.sub("", _COPY.sub("", track))) if word]
    kept = " ".join(word for word in words if not word.isdecimal() and not _PLACES.fullmatch(word)).lower()
    return track if len(kept) < _LEAST_LETTERS or is_overhead(track) or is_room(track) else kept


def source_names(tracks: Sequence[str]) -> list[str]:
    """Name several sources; those that would sound the same are told apart by their tracks.

    Examples
    --------
    >>> source_names(["01_kick", "a"]), source_names(["gtr 1", "gtr 2"])
    (['the kick', 'a'], ['the gtr (in gtr 1)', 'the gtr (in gtr 2)'])
    """
    names = [source_name(track) for track in tracks]
    return [
        track
        if _is_no_word(name, track)
        else f"the {name} (in {track})"
        if names.count(name) > 1
        else f"the {name}"
        for name, track in zip(names, tracks, strict=True)
    ]


def _is_no_word(name: str, track: str) -> bool:
    """Whether a track's name was kept because nothing in it names a source."""
    return name == track and (len(track) < _LEAST_LETTERS or is_overhead(track) or is_room(track))


def the_source(track: str) -> str:
    """Name one source, as a sentence does."""
    return source_names([track])[0]


def capital(words: str) -> str:
    """Begin a sentence with a source; a track's own name stays as it is.

    Examples
    --------
    >>> capital("the kick"), capital("oh_left")
    ('The kick', 'oh_left')
    """
    return "T" + words[1:] if words.startswith("the ") else words


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
