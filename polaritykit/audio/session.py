"""Opens sessions: a folder, a list of files or one multichannel file become tracks on one clock.

Conventions: everything libsndfile reads, at its own rate and with all its channels.  A track is named
after its file's stem as it stands, plus ``.L``/``.R`` for a stereo file or ``.1``, ``.2``, … for more
channels; when a name is taken already, the later track gets `` (2)``, `` (3)``, … behind it.
"""

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from os import PathLike
from pathlib import Path

from polaritykit.audio.file_recording import FileRecording, FileSource
from polaritykit.audio.header import FileHeader, read_header, reason_of
from polaritykit.audio.records import FaultyTrack, Recorder, Session, SessionTrack
from polaritykit.audio.timeline import Placement, place
from polaritykit.base.errors import InputError, UsageError
from polaritykit.base.file_names import shown
from polaritykit.base.wording import listed

#: Names that mean sound (none hidden): what libsndfile reads, and common ones it does not, which are then
#: named as unreadable rather than passed over.
_AUDIO_NAME = re.compile(
    r"[^.].*\.(wav|wave|bwf|rf64|w64|flac|aiff?|aifc|caf|au|snd|ogg|oga|opus|mp[23]|sd2|voc|"
    r"m4a|aac|wma|wv|ape|alac|dsf|dff|mka)",
    re.IGNORECASE | re.DOTALL,  # a name may hold a line feed
)
#: Sample formats that can hold NaN and infinity.
_FLOATING = frozenset({"FLOAT", "DOUBLE"})
#: A shorter file holds no event with its surroundings.
MIN_TRACK_S = 0.1
#: A file this much shorter than the typical one is a stray (a slate, a click): the common span would throw
#: away nearly the whole session for it.
_MIN_SHARE_OF_MEDIAN = 0.1


@dataclass(frozen=True, kw_only=True)
class SessionFiles:
    """The heads of a session's files, before anything is placed."""

    request: "_Request"
    headers: tuple[FileHeader, ...]
    faulty: tuple[FaultyTrack, ...]


@dataclass(frozen=True, kw_only=True)
class _Request:
    """The files asked for, and what the whole is called."""

    name: str
    #: Resolved; holds all files.
    folder: Path
    #: As asked for: a user may be allowed to go there, though not along the whole resolved path.
    files: tuple[Path, ...]
    notes: tuple[str, ...]


def open_session(
    paths: str | PathLike[str] | Sequence[str | PathLike[str]],
    *,
    ignore_start_times: bool = False,
    min_tracks: int = 2,
    own_spans: bool = True,
) -> Session:
    """Open a session; only headers are read.

    Parameters
    ----------
    paths : path, or sequence of paths
        One folder (the audio files directly in it, in natural order; where there are none, those in the
        only folder in it that holds some), or files in the order wanted; text will do.
    ignore_start_times : bool
        Line up the files' first samples instead of placing them by their broadcast-wave start times.
    min_tracks : int
        Fewer usable tracks are an error.
    own_spans : bool
        Of files that do not cover the same time, look at all that two of them share at least (every other
        reads as zeros where it has nothing), not only at what all share.

    Returns
    -------
    Session
        Usable tracks, those left out with the reason, and sentences on what was done.

    Raises
    ------
    UsageError
        When nothing or a mixture of folders and files is asked for.
    InputError
        When a path does not exist, nothing can be read, too few tracks are usable, or the start times
        leave no common span.
    """
    files = read_files(paths, min_tracks=min_tracks)
    placement = place(
        files.headers, ignore_start_times=ignore_start_times, min_span_s=MIN_TRACK_S, own_spans=own_spans
    )
    return session_of(files, placement, ignore_start_times=ignore_start_times)


def read_files(
    paths: str | PathLike[str] | Sequence[str | PathLike[str]],
    *,
    min_tracks: int = 2,
) -> SessionFiles:
    """Read the heads of a session's files; errors as of `open_session`.

    Parameters
    ----------
    paths : path, or sequence of paths
        As of `open_session`.
    min_tracks : int
        Fewer usable tracks are an error.
    """
    request = _requested([Path(paths)] if isinstance(paths, str | PathLike) else [*map(Path, paths)])
    headers: list[FileHeader] = []
    faulty: list[FaultyTrack] = []
    for path in request.files:
        found = read_header(path)
        if isinstance(found, FileHeader):
            headers.append(found)
        else:
            faulty.append(found)
    headers, short = _without_short(headers)
    faulty += short
    _demand_tracks(request, headers, faulty, min_tracks)
    return SessionFiles(request=request, headers=tuple(headers), faulty=tuple(faulty))


def session_of(
    files: SessionFiles,
    placement: Placement,
    *,
    ignore_start_times: bool = False,
    recorders: tuple[Recorder, ...] = (),
) -> Session:
    """Put placed files together.

    Parameters
    ----------
    files : SessionFiles
    placement : Placement
        Of all of their headers.
    ignore_start_times : bool
        What was asked for.
    recorders : tuple of Recorder
        Where they did not start together.
    """
    headers, request = files.headers, files.request
    tracks = _tracks(headers, placement)
    recording = FileRecording(
        sources=_sources(headers, placement),
        track_names=[track.name for track in tracks],
        sample_rate_hz=placement.sample_rate_hz,
        start=placement.start,
        n_samples=placement.n_samples,
        spans=placement.spans,
    )
    remarks = [header.remark for header in headers if header.remark]
    left_out = [fault.remark for fault in files.faulty]
    return Session(
        name=request.name,
        folder=request.folder,
        files={path: _place_in(path, request.folder) for path in request.files},
        recording=recording,
        tracks=tracks,
        faulty=files.faulty,
        notes=(*request.notes, *left_out, *remarks, *placement.notes),
        start_times_ignored=ignore_start_times,
        recorders=recorders,
    )


def recording_of(headers: Sequence[FileHeader]) -> FileRecording:
    """Files that start together as a recording as long as the longest of them."""
    rate_hz = max(header.sample_rate_hz for header in headers)
    n_samples = max(header.frames * rate_hz // header.sample_rate_hz for header in headers)
    placement = Placement(
        sample_rate_hz=rate_hz,
        origins=(0,) * len(headers),
        start=0,
        n_samples=n_samples,
        spans=((0, n_samples),) * len(headers),
        notes=(),
        clocks=(None,) * len(headers),
    )
    return FileRecording(
        sources=_sources(headers, placement),
        track_names=[track.name for track in _tracks(headers, placement)],
        sample_rate_hz=rate_hz,
        start=0,
        n_samples=placement.n_samples,
        spans=placement.spans,
    )


def _requested(paths: Sequence[Path]) -> _Request:
    """Turn the paths into files in session order."""
    if not paths:
        raise UsageError("No session was given; name a folder, or the files to compare.")
    try:
        return _existing(paths)
    except OSError as error:
        place = error.filename or paths[0]
        raise InputError(f"{place} cannot be read ({reason_of(error)}); change that, or copy it.") from error


def _existing(paths: Sequence[Path]) -> _Request:
    """Files of the one folder, or as listed; raises OSError where one may not look."""
    for path in paths:
        if not path.exists():
            raise InputError(f"{path} does not exist; check the spelling.")
    folders = [path for path in paths if path.is_dir()]
    if not folders:
        return _requested_files(paths)
    if len(paths) > 1:
        raise UsageError(f"{folders[0]} is a folder; give one folder, or a list of files, not both.")
    name = shown(paths[0].resolve().name)
    folder = _audio_folder(paths[0])
    notes = () if folder is paths[0] else (f"The audio files lie in its folder {shown(folder.name)}.",)
    files = tuple(path for path in sorted(folder.iterdir(), key=natural_key) if is_audio(path))
    return _Request(name=name, folder=folder.resolve(), files=files, notes=notes)


def _audio_folder(folder: Path) -> Path:
    """Return the folder itself, or the only one in it that holds audio."""
    if _holds_audio(folder):
        return folder
    inner = [path for path in sorted(folder.iterdir(), key=natural_key) if path.is_dir()]
    nested = [path for path in inner if not path.name.startswith(".") and _holds_audio(path)]
    if len(nested) == 1:
        return nested[0]
    names = listed([shown(path.name) for path in nested], most=3) if nested else ""
    hint = f"name one of its folders, such as {names}" if nested else "name a folder that does"
    raise InputError(f"The folder {folder} holds no audio files; {hint}.")


def _requested_files(paths: Sequence[Path]) -> _Request:
    """Files as listed, each once."""
    files: dict[Path, Path] = {}
    twice = set()
    for path in paths:
        found = path.resolve()
        if found in files:
            twice.add(shown(path.name))
        files.setdefault(found, path)
    try:
        folder = Path(os.path.commonpath([path.parent.resolve() for path in files.values()]))
    except ValueError as error:
        raise UsageError("The files lie on different drives; copy them to one.") from error
    notes = [f"{name} was given more than once and is used once." for name in sorted(twice)]
    name = paths[0].stem if len(files) == 1 else folder.name or "session"
    return _Request(name=shown(name), folder=folder, files=tuple(files.values()), notes=tuple(notes))


def _place_in(path: Path, folder: Path) -> str:
    """Where a file lies below the session's folder; one that is a link keeps its own name."""
    return (path.parent.resolve() / path.name).relative_to(folder).as_posix()


def natural_key(path: Path) -> tuple[tuple[int, str], ...]:
    """Sort key by which ``track 2`` comes before ``track 10``.

    Examples
    --------
    >>> [path.name for path in sorted([Path("b10"), Path("B2"), Path("a")], key=natural_key)]
    ['a', 'B2', 'b10']
    """
    parts = re.split(r"([0-9]+)", path.name.casefold())
    return (*((int(part), "") if part.isdecimal() else (-1, part) for part in parts), (-1, path.name))


def is_audio(path: Path) -> bool:
    """Whether a file is audio by its name, hidden ones not."""
    return _AUDIO_NAME.fullmatch(path.name) is not None and path.is_file()


def _holds_audio(folder: Path) -> bool:
    try:
        return any(is_audio(path) for path in folder.iterdir())
    except OSError:
        return False


def _without_short(
    headers: Sequence[FileHeader],
) -> tuple[list[FileHeader], list[FaultyTrack]]:
    """Part the files that would shrink the common span to nothing from the others."""
    lengths = sorted(header.frames / header.sample_rate_hz for header in headers)
    least_s = MIN_TRACK_S
    if len(lengths) > 2:
        least_s = max(least_s, _MIN_SHARE_OF_MEDIAN * lengths[len(lengths) // 2])
    kept, short = [], []
    for header in headers:
        seconds = header.frames / header.sample_rate_hz
        if seconds >= least_s:
            kept.append(header)
            continue
        length = "holds no samples" if not header.frames else f"lasts only {seconds:.3f} s"
        remark = f"{header.name} was left out: it {length}."
        short.append(
            FaultyTrack(name=shown(header.path.stem), path=header.path, fault="too_short", remark=remark)
        )
    return kept, short


def _demand_tracks(
    request: _Request, headers: Sequence[FileHeader], faulty: Sequence[FaultyTrack], min_tracks: int
) -> None:
    count = sum(header.channels for header in headers)
    if count >= max(min_tracks, 1):
        return
    reasons = " ".join(fault.remark for fault in faulty[:3])
    if len(faulty) > 3:
        reasons += f" So were {len(faulty) - 3} more."
    if not count:
        raise InputError(f"{request.name} holds no track that can be used. {reasons}".strip())
    raise InputError(
        f"{request.name} holds only one usable track ({headers[0].name}); comparing needs at least "
        f"{min_tracks}, so add the other tracks. {reasons}".strip()
    )


def _tracks(headers: Sequence[FileHeader], placement: Placement) -> tuple[SessionTrack, ...]:
    names: set[str] = set()
    tracks = []
    start_s = Fraction(placement.start, placement.sample_rate_hz)
    for header, origin, clock in zip(headers, placement.origins, placement.clocks, strict=True):
        for channel in range(header.channels):
            name = _unused(_channel_name(header, channel), names)
            names.add(name)
            track = SessionTrack(
                name=name,
                path=header.path,
                size_bytes=header.size_bytes,
                channel=channel,
                channels=header.channels,
                file_rate_hz=header.sample_rate_hz,
                frames=header.frames,
                time_reference=header.reference,
                lead_s=clock.own_s(float(start_s))
                if clock
                else float(start_s - Fraction(origin, header.sample_rate_hz)),
                format=header.format,
                subtype=header.subtype,
            )
            tracks.append(track)
    return tuple(tracks)


def _channel_name(header: FileHeader, channel: int) -> str:
    stem = shown(header.path.stem)
    if header.channels == 1:
        return stem
    if header.channels == 2:
        return f"{stem}.{'LR'[channel]}"
    return f"{stem}.{channel + 1}"


def _unused(name: str, taken: set[str]) -> str:
    candidate, count = name, 1
    while candidate in taken:
        count += 1
        candidate = f"{name} ({count})"
    return candidate


def _sources(headers: Sequence[FileHeader], placement: Placement) -> list[FileSource]:
    sources = []
    row = 0
    for header, origin, clock in zip(headers, placement.origins, placement.clocks, strict=True):
        source = FileSource(
            path=header.path,
            sample_rate_hz=header.sample_rate_hz,
            channels=header.channels,
            frames=header.frames,
            origin=origin,
            first_row=row,
            floating=header.subtype in _FLOATING,
            clock=clock,
        )
        sources.append(source)
        row += header.channels
    return sources
