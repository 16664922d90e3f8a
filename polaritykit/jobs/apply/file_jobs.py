"""From a report's document to what is done to each file; reads no audio and writes nothing.

Conventions: a file is named as the document names it, relative to the session's folder; a track that is
not to be changed keeps an empty setting, so that the copies are a whole session again.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import PurePath
from typing import Any, Literal

from polaritykit.audio.other_clock import Clock
from polaritykit.audio.records import FileFingerprint
from polaritykit.base.errors import InputError, UsageError
from polaritykit.base.file_names import restored, shown

#: Faults of tracks that were left out of the session.
_LEFT_OUT = frozenset({"unreadable", "too_short"})

#: As libsndfile reads them.
_MOST_CHANNELS = 1024
#: Sound goes 343 m in this time: no set-up needs more.
_LONGEST_DELAY_MS = 1000.0
#: No take is longer than a day, and beyond this a clock is a wrong sample rate.
_LONGEST_START_S, _LARGEST_DRIFT_PPM = 86_400.0, 1000.0

#: What is set: nothing (copies as recorded), the flips, the delays, or all.
Chosen = Literal["none", "flips", "delays", "all"]


@dataclass(frozen=True, kw_only=True)
class TrackSetting:
    """What is done to one track."""

    name: str
    invert: bool
    #: ≥ 0; later.
    delay_ms: float
    #: Why its samples are moved by whole ones only, if they are: its own tops are flat, or its partner's.
    whole: Literal["clipped", "partner"] | None = None


@dataclass(frozen=True, kw_only=True)
class FileJob:
    """One file and the settings of its channels, in order."""

    #: Its place in the session, by its very bytes.
    file: str
    #: Name of the copy, relative to the output folder.
    target: str
    #: What the file was when the report was made.
    fingerprint: FileFingerprint
    settings: tuple[TrackSetting, ...]
    #: Where its recorder lies on the time line of the reference's files, where it is to be lined up.
    clock: Clock | None = None


def file_jobs(
    document: dict[str, Any], *, chosen: Chosen = "all", names: Sequence[str] = ()
) -> tuple[FileJob, ...]:
    """Gather the corrections by file.

    Parameters
    ----------
    document : dict
        A report, as `commands.report_file` reads it.
    chosen : {"none", "flips", "delays", "all"}
        Corrections that are made.
    names : sequence of str
        Correct these tracks only; all when empty.

    Returns
    -------
    tuple of FileJob
        Every usable file of the session, in order.

    Raises
    ------
    UsageError
        When a name is no track of the report.
    InputError
        When the report names no files, a setting that cannot be made, or names that cannot be read.
    """
    tracks = [track for track in document["tracks"] if not _LEFT_OUT & set(track["faults"])]
    _demand_known(names, [track["name"] for track in tracks])
    corrections = {entry["name"]: entry for entry in document["corrections"]["tracks"]}
    files: dict[str, dict[int, TrackSetting]] = {}
    clipped = {track["name"] for track in tracks if "clipped" in track["faults"]}
    try:
        for track in tracks:
            setting = _setting(track["name"], corrections.get(track["name"]), chosen, names)
            if setting.delay_ms:
                setting = replace(setting, whole=_whole(track, clipped))
            files.setdefault(_file(track), {})[_channel(track)] = setting
        fingerprints = _fingerprints(document)
        clocks = _clocks(document) if chosen in ("delays", "all") else {}
    except ValueError as error:
        raise InputError(f"The report cannot be applied ({error}); run check again.") from error
    jobs = []
    targets: set[str] = set()
    for file, channels in files.items():
        target = _target(file)
        if target.casefold() in targets:
            raise InputError(
                f"Two files of the session would both be written as {target}; rename one of them."
            )
        targets.add(target.casefold())
        if file not in fingerprints and document["session"].get("listened_s"):
            raise InputError(
                "The report was made from a part of the audio (--seconds); run check on all of it first."
            )
        if file not in fingerprints:
            raise InputError(
                f"The report does not tell what {file} was when it was made, so nobody can say whether it is "
                "still the same; run check again."
            )
        settings = tuple(
            channels.get(channel, TrackSetting(name="", invert=False, delay_ms=0.0))
            for channel in range(max(channels) + 1)
        )
        clock = clocks.get(file) if not names or _is_named(settings, names) else None
        jobs.append(
            FileJob(file=file, target=target, fingerprint=fingerprints[file], settings=settings, clock=clock)
        )
    return tuple(jobs)


def _is_named(settings: Sequence[TrackSetting], names: Sequence[str]) -> bool:
    return any(setting.name in map(shown, names) for setting in settings)


def _clocks(document: dict[str, Any]) -> dict[str, Clock]:
    """Clock of each file that was found elsewhere than its head puts it."""
    found = {}
    own = {track["name"]: track for track in document["tracks"]}
    for recorder in document.get("recorders") or ():
        if recorder["state"] != "found":
            continue
        start_s, drift_ppm = float(recorder["start_s"]), float(recorder["drift_ppm"])
        if abs(start_s) > _LONGEST_START_S or abs(drift_ppm) > _LARGEST_DRIFT_PPM:
            raise ValueError(f"a recorder that started {start_s} s later, {drift_ppm} ppm fast")
        for name in recorder["tracks"]:
            if name in own:
                found[_file(own[name])] = Clock(start_s=start_s, drift_ppm=drift_ppm)
    return found


def _whole(track: dict[str, Any], clipped: set[str]) -> Literal["clipped", "partner"] | None:
    """Why a track is moved by whole samples: between them an interpolator would round its flat tops.

    The sides of a stereo pair are moved alike.
    """
    if track["name"] in clipped:
        return "clipped"
    return "partner" if track.get("linked_with") in clipped else None


def _fingerprints(document: dict[str, Any]) -> dict[str, FileFingerprint]:
    """Fingerprint of each file that has one; version 0.1.0 wrote none."""
    return {
        restored(entry["file"], entry["file_base64"]): FileFingerprint(
            size_bytes=entry["size_bytes"],
            sample_rate_hz=entry["sample_rate"],
            channels=entry["channels"],
            frames=entry["frames"],
            start_samples=entry["start_samples"],
            audio_sha256=entry["audio_sha256"],
        )
        for entry in document["files"]
        if entry["audio_sha256"]
    }


def _file(track: dict[str, Any]) -> str:
    if track["file"] is None:
        raise ValueError(f"no file for {track['name']}")
    return restored(track["file"], track["file_base64"])


def _channel(track: dict[str, Any]) -> int:
    channel = track["channel"]
    if not isinstance(channel, int) or not 0 <= channel < _MOST_CHANNELS:
        raise ValueError(f"channel {channel} of {track['name']}")
    return channel


def _setting(
    name: str, correction: dict[str, Any] | None, chosen: Chosen, names: Sequence[str]
) -> TrackSetting:
    if correction is None or (names and name not in map(shown, names)):
        return TrackSetting(name=name, invert=False, delay_ms=0.0)
    delay_ms = float(correction["delay_ms"])
    if not 0 <= delay_ms <= _LONGEST_DELAY_MS:
        raise ValueError(f"a delay of {delay_ms} ms for {name}")
    return TrackSetting(
        name=name,
        invert=bool(correction["invert"]) and chosen in ("flips", "all"),
        delay_ms=delay_ms if chosen in ("delays", "all") else 0.0,
    )


def _demand_known(names: Sequence[str], known: Sequence[str]) -> None:
    for name in map(shown, names):
        if name not in known:
            close = get_close_matches(name, known, n=1)
            hint = f"did you mean {close[0]}?" if close else f"the tracks are {', '.join(known)}."
            raise UsageError(f"The report has no track {name!r}; {hint}")


def _target(file: str) -> str:
    """Name of the copy: the file's place in the session, and none outside, whoever wrote the report."""
    path = PurePath(file)
    if path.anchor or file.startswith("/") or ".." in path.parts or not path.parts:
        raise InputError(
            f"The report names {file!r}, which is no place in the session's folder; run check again."
        )
    return path.as_posix()
