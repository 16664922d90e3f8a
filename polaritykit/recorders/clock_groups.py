"""Which files of a session share a clock.

Conventions: files are known by their place in the session; the rule stands in the package's text.
"""

from collections.abc import Collection, Sequence
from fractions import Fraction

from polaritykit.audio.header import FileHeader
from polaritykit.audio.timeline import start_s

#: Exports and recorders cut the tracks of one take alike; two people do not stop two devices so near.
_SAME_LENGTH_S = Fraction(1, 100)


def clock_groups(
    headers: Sequence[FileHeader], *, ignore_start_times: bool = False, apart: Collection[int] = ()
) -> tuple[tuple[int, ...], ...]:
    """Group files by their clock.

    Parameters
    ----------
    headers : sequence of FileHeader
    ignore_start_times : bool
        Whatever their heads say.
    apart : collection of int
        Files that are not believed to share a clock with any other.

    Returns
    -------
    tuple of tuple of int
        Places of the files; the group with most tracks first, the longest of those.
    """
    groups: list[list[int]] = []
    for place, header in enumerate(headers):
        for group in groups:
            first = headers[group[0]]
            if not {place, group[0]} & {*apart} and _alike(first, header, ignore=ignore_start_times):
                group.append(place)
                break
        else:
            groups.append([place])
    return tuple(
        tuple(group)
        for group in sorted(
            groups,
            key=lambda group: (
                -sum(headers[place].channels for place in group),
                -max(_length_s(headers[place]) for place in group),
            ),
        )
    )


def _alike(a: FileHeader, b: FileHeader, *, ignore: bool) -> bool:
    starts = (None, None) if ignore else (start_s(a), start_s(b))
    if starts[0] != starts[1]:
        return False
    return bool(starts[0]) or abs(_length_s(a) - _length_s(b)) <= _SAME_LENGTH_S


def _length_s(header: FileHeader) -> Fraction:
    return Fraction(header.frames, header.sample_rate_hz)
