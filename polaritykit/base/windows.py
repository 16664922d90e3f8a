"""Many short windows of a recording, in the order of time: those that lie together are read together.

What is looked at around strokes overlaps from one stroke, or one source, to the next; files are decoded
fastest on and on.  Windows are therefore sorted, neighbours are read at once, and each is cut out of that.
"""

from collections.abc import Callable, Sequence
from typing import TypeVar

from polaritykit.base.cores import on_cores
from polaritykit.base.processes import in_processes
from polaritykit.base.spans import Span
from polaritykit.base.types import Recording, Samples

#: Read at a time, of all tracks together; each core holds so much.
_BYTES = 4e7
#: Windows no further apart than this are read together: going to another place in a file costs as much as
#: decoding some thousand samples.
_GAP_SAMPLES = 2048

R = TypeVar("R")


def over_windows(
    work: Callable[[int, Samples], R],
    recording: Recording,
    windows: Sequence[Span],
    tracks: tuple[int, ...] | None = None,
    *,
    in_place: bool = False,
) -> list[R]:
    """Do some work for each of many windows of a recording, on all cores.

    Parameters
    ----------
    work : callable
        Called with the number of the window and its samples, shape (n_tracks, n); must keep no view of them,
        nor depend on the other windows, nor change anything but what it returns.
    recording : Recording
    windows : sequence of (int, int)
        First sample of each and the one after its last, in any order.
    tracks : tuple of int, optional
        Rows wanted, in session order; all when left out.
    in_place : bool
        The work may write into arrays of its caller, each window into places of its own.

    Returns
    -------
    list
        What the work returned, in the order of the windows.
    """
    count = len(recording.track_names) if tracks is None else len(tracks)
    most = int(_BYTES / (4 * max(count, 1)))

    def read(group: list[int]) -> list[R]:
        first, stop = min(windows[k][0] for k in group), max(windows[k][1] for k in group)
        sound = recording.read(first, stop, tracks)
        return [work(k, sound[:, windows[k][0] - first : windows[k][1] - first]) for k in group]

    groups = _together(windows, most)
    share_out = on_cores if in_place else in_processes
    found = dict(
        pair
        for group, told in zip(groups, share_out(read, groups), strict=True)
        for pair in zip(group, told, strict=True)
    )
    return [found[k] for k in range(len(windows))]


def _together(windows: Sequence[Span], most: int) -> list[list[int]]:
    """Group windows that lie near each other, no group longer than so many samples unless one window is."""
    groups: list[list[int]] = []
    first = stop = 0
    for k in sorted(range(len(windows)), key=lambda k: windows[k]):
        near = bool(groups) and windows[k][0] <= stop + _GAP_SAMPLES
        if near and max(stop, windows[k][1]) - first <= most:
            groups[-1].append(k)
            stop = max(stop, windows[k][1])
        else:
            groups.append([k])
            first, stop = windows[k]
    return groups
