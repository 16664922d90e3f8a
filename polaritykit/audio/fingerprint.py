"""Holds audio files against what a report says they were.

Conventions: the audio is hashed as decoded (`file_recording.audio_hash`), so that two containers of one sound
differ by their size, rate, channels and length only, which are compared first and cost nothing.
"""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from polaritykit.audio.file_recording import FileSource, audio_hash
from polaritykit.audio.header import FileHeader, read_header
from polaritykit.audio.records import FileFingerprint
from polaritykit.base.errors import InputError

_MOST_NAMED = 5


def demand_unchanged(files: Sequence[tuple[Path, str, FileFingerprint]]) -> None:
    """Refuse files that are no longer what they were.

    Parameters
    ----------
    files : sequence of (Path, str, FileFingerprint)
        Where each file lies, what to call it, and what it was.

    Raises
    ------
    InputError
        Naming the files that differ, and in what.
    """
    with ThreadPoolExecutor(min(len(files), os.cpu_count() or 1) or 1) as pool:
        found = list(pool.map(lambda item: _changes(item[0], item[2]), files))
    changed = [
        f"{name} ({', '.join(changes)})"
        for (_, name, _), changes in zip(files, found, strict=True)
        if changes
    ]
    if changed:
        more = f" and {len(changed) - _MOST_NAMED} more" if len(changed) > _MOST_NAMED else ""
        raise InputError(
            f"Changed since the report was made: {', '.join(changed[:_MOST_NAMED])}{more}; run check again, "
            "or put the files of that time back."
        )


def _changes(path: Path, was: FileFingerprint) -> list[str]:
    """Say in what a file differs; its sound is looked at where nothing else does."""
    header = read_header(path)
    if not isinstance(header, FileHeader):
        return ["cannot be read any more"]
    changes = [
        word
        for word, now, then in (
            ("sample rate", header.sample_rate_hz, was.sample_rate_hz),
            ("channels", header.channels, was.channels),
            ("length", header.frames, was.frames),
            ("start time", header.reference, was.start_samples),
            ("size in bytes", header.size_bytes, was.size_bytes),
        )
        if now != then
    ]
    source = FileSource(
        path=path,
        sample_rate_hz=header.sample_rate_hz,
        channels=header.channels,
        frames=header.frames,
        origin=0,
        first_row=0,
        floating=False,
    )
    return changes or ([] if audio_hash(source) == was.audio_sha256 else ["sound"])
