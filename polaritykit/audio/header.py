"""Reads the head of one audio file: rate, channels, how much of it decodes, and when it began.

Conventions: lengths in samples per channel at the file's own rate.  A file that cannot be used comes
back as a `FaultyTrack` with a sentence, not as an exception.
"""

import stat
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from polaritykit.audio.broadcast_wave import StartTime, missing_bytes, read_layout, read_start
from polaritykit.audio.opened import open_audio
from polaritykit.audio.records import FaultyTrack
from polaritykit.base.file_names import shown

#: Formats whose header can promise more than a cut-off file holds, so that the end must be tried.
_TRY_THE_END = frozenset({"FLAC", "MP3"})
#: libsndfile's length for a stream whose header tells none is far above this.
_NO_LENGTH = 2**48
#: An Ogg stream that claims more samples per byte than this (below 1 kB a second at 48 kHz) is counted.
_BELIEVED_SAMPLES_PER_BYTE = 48
_COUNTED_SAMPLES = 65_536
#: Below, nothing of the frequencies looked at is left; above, no converter works.
_RATES_HZ = range(4_000, 1_000_001)
#: A start later than this is no time of a day, however long after midnight a recorder ran on.
_LATEST_START_S = 7 * 24 * 3600


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
    def has_possible_start(self) -> bool:
        """False where the start is no time of a day."""
        return self.reference is None or self.reference <= _LATEST_START_S * self.sample_rate_hz

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
        found = path.stat()  # before opening, which a pipe may answer never
        if not stat.S_ISREG(found.st_mode) or not found.st_size:
            regular = stat.S_ISREG(found.st_mode)
            return fault("the file is empty (0 bytes)" if regular else "it is a device or a pipe, no file")
        layout = read_layout(path)
        start: StartTime | None = read_start(path, layout) if layout else None
        with open_audio(path) as opened:
            announced = opened.frames
            frames = _frames(opened, path, announced)
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
    if (reason := _not_usable(header)) is not None:
        return fault(reason)
    missing = 0 if layout is None else missing_bytes(layout)
    if not header.has_possible_start:
        header = replace(
            header, start=None, remark=f"{header.name} gives an impossible start time, which is not used."
        )
    if announced < _NO_LENGTH and (frames < announced or missing):
        return _cut_off(header)
    return header


def _not_usable(header: FileHeader) -> str | None:
    """Say what is wrong with a file that opens."""
    if header.format == "RAW":
        return "it has no header, only a name, to say what it holds"
    if header.sample_rate_hz not in _RATES_HZ:
        return (
            f"its sample rate is {header.sample_rate_hz} Hz, and {_RATES_HZ.start} to {_RATES_HZ[-1]} Hz are "
            "understood"
        )
    return None


def _frames(opened: Any, path: Path, announced: int) -> int:
    """Count the samples per channel that decode, tried where a header may promise more."""
    if opened.format in _TRY_THE_END and not _can_read(opened, announced - 1):
        return _readable_frames(path, announced)
    if opened.format == "OGG" and announced > _BELIEVED_SAMPLES_PER_BYTE * path.stat().st_size:
        return _counted_frames(opened, announced)
    return announced


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
    except (LibsndfileError, ValueError):  # the latter where a decoder finds itself behind the end
        return False


def _counted_frames(opened: Any, announced: int) -> int:
    """Decode a stream to its end, for its header and its seeking tell lies."""
    from soundfile import LibsndfileError

    opened.seekable = lambda: False  # soundfile would seek after every read
    count = 0
    try:
        while got := len(opened.read(_COUNTED_SAMPLES, dtype="float32")):
            count += got
    except LibsndfileError:
        pass
    return min(count, announced)


def _readable_frames(path: Path, announced: int) -> int:
    """Find by bisection how much of a cut-off file decodes."""
    good, bad = 0, announced - 1
    while bad - good > 1:
        middle = (good + bad) // 2
        with open_audio(path) as opened:
            if _can_read(opened, middle):
                good = middle
            else:
                bad = middle
    return good + 1
