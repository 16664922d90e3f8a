"""Reads the head of one audio file: rate, channels, how much of it decodes, and when it began.

Conventions: lengths in samples per channel at the file's own rate.  A file that cannot be used comes
back as a `FaultyTrack` with a sentence, not as an exception.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from polaritykit.audio.broadcast_wave import StartTime, missing_bytes, read_layout, read_start
from polaritykit.audio.records import FaultyTrack
from polaritykit.base.file_names import opened_as, shown

#: Formats whose header can promise more than a cut-off file holds, so that the end must be tried.
_TRY_THE_END = frozenset({"FLAC", "MP3"})
#: libsndfile's length for a stream whose header tells none is far above this.
_NO_LENGTH = 2**48


@dataclass(frozen=True, kw_only=True)
class FileHeader:
    """What the head of one readable audio file says."""

    path: Path
    size_bytes: int
    sample_rate_hz: int
    channels: int
    #: Samples per channel that can be decoded.
    frames: int
    format: str
    subtype: str
    start: StartTime | None
    #: What is odd about the file though it can be used, or None.
    remark: str | None

    @property
    def name(self) -> str:
        """Name of the file as it is shown."""
        return shown(self.path.name)

    @property
    def reference(self) -> int | None:
        """Start in samples since midnight at the file's rate; ``bext`` before iXML."""
        if self.start is None:
            return None
        if self.start.bext_samples is not None:
            return self.start.bext_samples
        seconds = self.ixml_s
        return None if seconds is None else round(seconds * self.sample_rate_hz)

    @property
    def ixml_s(self) -> Fraction | None:
        """Start in seconds since midnight as iXML tells it."""
        if self.start is None or self.start.ixml_samples is None:
            return None
        return Fraction(self.start.ixml_samples, self.start.ixml_rate_hz or self.sample_rate_hz)


def reason_of(error: OSError) -> str:
    """Return what the system says went wrong, for the middle of a sentence."""
    return (error.strerror or "unknown reason").lower()


def read_header(path: Path) -> FileHeader | FaultyTrack:
    """Read one file's head.

    Parameters
    ----------
    path : Path
        An existing file.

    Returns
    -------
    FileHeader or FaultyTrack
        A fault when the file cannot be used: a bad track is a result.
    """
    import soundfile

    def fault(reason: str) -> FaultyTrack:
        remark = f"{shown(path.name)} was left out: {reason}."
        return FaultyTrack(name=shown(path.stem), path=path, fault="unreadable", remark=remark)

    try:
        with path.open("rb") as file:
            if not file.read(1):
                return fault("the file is empty (0 bytes)")
        layout = read_layout(path)
        start: StartTime | None = read_start(path, layout) if layout else None
        with soundfile.SoundFile(opened_as(path)) as opened:
            announced = opened.frames
            frames = announced
            if opened.format in _TRY_THE_END and not _can_read(opened, announced - 1):
                frames = _readable_frames(path, announced)
            header = FileHeader(
                path=path,
                size_bytes=path.stat().st_size,
                sample_rate_hz=opened.samplerate,
                channels=opened.channels,
                frames=frames,
                format=opened.format,
                subtype=opened.subtype,
                start=start,
                remark=None,
            )
    except OSError as error:
        return fault(f"it cannot be opened ({reason_of(error)})")
    except soundfile.LibsndfileError as error:
        return fault(f"it cannot be read as audio ({error.error_string.rstrip('.').lower()})")
    missing = 0 if layout is None else missing_bytes(layout)
    if announced < _NO_LENGTH and (frames < announced or missing):
        return _cut_off(header)
    return header


def _cut_off(header: FileHeader) -> FileHeader:
    seconds = header.frames / header.sample_rate_hz
    remark = f"{header.name} is cut off: its header announces more than the {seconds:.3f} s it holds."
    return replace(header, remark=remark)


def _can_read(opened: Any, position: int) -> bool:
    from soundfile import LibsndfileError

    if position < 0:
        return True
    try:
        opened.seek(position)
        return len(opened.read(1, dtype="float32")) == 1
    except LibsndfileError:
        return False


def _readable_frames(path: Path, announced: int) -> int:
    """Find by bisection how much of a cut-off file decodes."""
    import soundfile

    good, bad = 0, announced - 1
    while bad - good > 1:
        middle = (good + bad) // 2
        with soundfile.SoundFile(opened_as(path)) as opened:
            if _can_read(opened, middle):
                good = middle
            else:
                bad = middle
    return good + 1
