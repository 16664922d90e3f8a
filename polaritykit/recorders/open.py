"""Opens a session whose files may come from several recorders, lined up by what they heard.

Conventions: as in `audio.records.Recorder`.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from polaritykit.audio.other_clock import Clock
from polaritykit.audio.records import FaultyTrack, Recorder, Session
from polaritykit.audio.session import MIN_TRACK_S, SessionFiles, read_files, session_of
from polaritykit.audio.timeline import place, place_by_sound, start_s
from polaritykit.base.errors import InputError
from polaritykit.base.file_names import shown
from polaritykit.base.types import Progress
from polaritykit.recorders.clock_groups import clock_groups

if TYPE_CHECKING:
    from polaritykit.recorders.locate import Located

#: Shorter spans tell too little of all pairs at once.
_LEAST_SPAN_S = 20.0


def _quiet(stage: str, share: float) -> None:
    """No progress wanted."""
    del stage, share


def open_lined_up(
    paths: str | PathLike[str] | Sequence[str | PathLike[str]],
    *,
    ignore_start_times: bool = False,
    min_tracks: int = 2,
    apart: Collection[Path] = (),
    own_spans: bool = True,
    progress: Progress = _quiet,
) -> Session:
    """Open a session; files that do not share a clock are listened to.

    Parameters
    ----------
    paths : path, or sequence of paths
        As of `audio.session.open_session`.
    ignore_start_times : bool
        Do not look where the heads say.
    min_tracks : int
        Fewer usable tracks are an error.
    apart : collection of Path
        Files that are not believed to share a clock with any other.
    own_spans : bool
        As of `open_session`.
    progress : callable, optional
        Called with the stage and the share of it done.

    Returns
    -------
    Session
        On the clock of the largest group of files; `Session.recorders` is empty where all share a clock and
        lie where their heads put them.

    Raises
    ------
    UsageError, InputError
        As of `open_session`.
    """
    files = read_files(paths, min_tracks=min_tracks)
    alone = {number for number, header in enumerate(files.headers) if header.path in apart}
    groups = clock_groups(files.headers, ignore_start_times=ignore_start_times, apart=alone)
    if len(groups) == 1:
        return _by_heads(files, ignore_start_times=ignore_start_times, own_spans=own_spans)
    from polaritykit.recorders.locate import locate  # most sessions have one clock

    located = locate(files.headers, groups, ignore_start_times=ignore_start_times, progress=progress)
    recorders = tuple(item.recorder for item in located if not item.as_placed)
    recorders = () if len(recorders) == 1 else recorders
    if not any(recorder.state == "found" for recorder in recorders):
        return _by_heads(
            files, ignore_start_times=ignore_start_times, own_spans=own_spans, recorders=recorders
        )
    clocks = {path: clock for item in located for path, clock in _clocks(item).items()}
    return line_up(
        files, clocks, recorders=recorders, ignore_start_times=ignore_start_times, own_spans=own_spans
    )


def open_again(
    paths: Sequence[Path],
    clocks: Mapping[Path, Clock | None],
    *,
    ignore_start_times: bool,
    within_s: tuple[float, float] | None,
) -> Session:
    """Open files whose places are known.

    Parameters
    ----------
    paths : sequence of Path
    clocks : mapping
        Clock of each file that does not lie where its head puts it.
    ignore_start_times : bool
        What was asked for then.
    within_s : tuple of float or None
        Span to look at, after the reference's first sample; all that two of them share when None.

    Returns
    -------
    Session
    """
    files = read_files(paths)
    reference = next(
        (header for header in files.headers if clocks.get(header.path) is None), files.headers[0]
    )
    zero_s = start_s(reference)
    placed: list[Clock | None] = []
    for header in files.headers:
        clock, own_s = clocks.get(header.path), start_s(header)
        if clock is None and own_s is not None and zero_s is not None and not ignore_start_times:
            clock = Clock(start_s=float(own_s - zero_s))
        placed.append(clock)
    placement = place_by_sound(
        files.headers, placed, min_span_s=MIN_TRACK_S, own_spans=True, within_s=within_s
    )
    return session_of(files, placement, ignore_start_times=ignore_start_times)


def _by_heads(
    files: SessionFiles,
    *,
    ignore_start_times: bool,
    own_spans: bool,
    recorders: tuple[Recorder, ...] = (),
) -> Session:
    placement = place(
        files.headers, ignore_start_times=ignore_start_times, min_span_s=MIN_TRACK_S, own_spans=own_spans
    )
    return session_of(files, placement, ignore_start_times=ignore_start_times, recorders=recorders)


def _clocks(item: "Located") -> dict[Path, Clock | None]:
    """Clock of each file of a recorder: by its sound, else by its head, else from the reference's start."""
    recorder = item.recorder
    clock = None
    if recorder.state == "found" and not item.as_placed:
        clock = recorder.clock
    elif recorder.header_start_s:
        clock = Clock(start_s=recorder.header_start_s)
    return dict.fromkeys(recorder.files, clock)


def line_up(
    files: SessionFiles,
    clocks: dict[Path, Clock | None],
    *,
    recorders: tuple[Recorder, ...],
    ignore_start_times: bool,
    own_spans: bool,
) -> Session:
    """Put files on the reference's clock.

    Parameters
    ----------
    files : SessionFiles
    clocks : dict
        Clock of each file; None for those of the reference.
    recorders : tuple of Recorder
        As they were found.
    ignore_start_times : bool
        What was asked for.
    own_spans : bool
        As of `open_session`.

    Returns
    -------
    Session
        Recorders that would leave less than 20 s that all have in common are left out.
    """
    files = _with_common_span(files, clocks, recorders)
    placement = place_by_sound(
        files.headers,
        [clocks[header.path] for header in files.headers],
        min_span_s=MIN_TRACK_S,
        own_spans=own_spans,
    )
    return session_of(files, placement, ignore_start_times=ignore_start_times, recorders=recorders)


def _with_common_span(
    files: SessionFiles, clocks: dict[Path, Clock | None], recorders: tuple[Recorder, ...]
) -> SessionFiles:
    """Leave out what would leave too little to all others, the smallest groups first."""

    def span(paths: Collection[Path]) -> tuple[float, float]:
        edges = []
        for header in files.headers:
            if header.path in paths:
                clock = clocks[header.path] or Clock(start_s=0.0)
                edges.append((clock.start_s, clock.session_s(header.frames / header.sample_rate_hz)))
        return max(first for first, _ in edges), min(last for _, last in edges)

    kept = {path for path, clock in clocks.items() if clock is None}
    least_s = min(_LEAST_SPAN_S, *(last - first for first, last in [span(kept)]))
    out: list[FaultyTrack] = []
    groups = [recorder.files for recorder in recorders]
    groups += [(path,) for path in clocks if not any(path in group for group in groups)]
    for group in groups:
        first, last = span(kept | set(group))
        if set(group) <= kept or last - first >= least_s:
            kept |= set(group)
            continue
        for path in group:
            remark = (
                f"{shown(path.name)} was left out of the comparison: all the others and it share "
                f"{max(last - first, 0.0):.1f} s; check it with fewer of them."
            )
            out.append(FaultyTrack(name=shown(path.stem), path=path, fault="too_short", remark=remark))
    headers = tuple(header for header in files.headers if header.path in kept)
    if sum(header.channels for header in headers) < 2:
        raise InputError(" ".join(fault.remark for fault in out))
    return replace(files, headers=headers, faulty=(*files.faulty, *out))
