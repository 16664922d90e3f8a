"""Writes the corrected copy of one audio file: same container, sample format, rate and channels.

Conventions: the start time and every other chunk of a wave file are carried over as they are, for the
file still begins at the same moment; only what describes the old samples themselves (peak positions,
waveform overviews, checksums) is left out.  Other formats: `carry_parts`.
"""

import os
import shutil
import stat
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from polaritykit.audio.broadcast_wave import UNKNOWN_SIZE, WaveLayout, read_layout, read_start
from polaritykit.audio.opened import open_audio
from polaritykit.audio.other_clock import Clock
from polaritykit.audio.start_stamp import new_bext, stamped
from polaritykit.base.errors import InputError
from polaritykit.base.file_names import opened_as, shown
from polaritykit.base.wording import listed
from polaritykit.jobs.apply.carry_parts import carry_parts, copy_bytes, is_carried
from polaritykit.jobs.apply.lined_up import LinedUpSource
from polaritykit.jobs.apply.render import ChannelCorrection, Corrector

#: Depth of the integer sample formats; the logarithmic ones decode to 16 bits.
_BITS = {
    "PCM_S8": 8,
    "PCM_U8": 8,
    "PCM_16": 16,
    "PCM_24": 24,
    "PCM_32": 32,
    "ALAC_16": 16,
    "ALAC_20": 20,
    "ALAC_24": 24,
    "ALAC_32": 32,
    "ULAW": 16,
    "ALAW": 16,
}
#: Sample formats of a wave file that are written here, with their bytes per sample.
_WAVE_BYTES = {"PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
#: Chunks that describe the old samples themselves.
_STALE_CHUNKS = frozenset({b"PEAK", b"levl", b"MD5 "})
#: Eight times full scale: no encoder sees more, for one ends the whole process over what damage decodes to.
_MOST_ENCODED = 8.0
#: Samples rendered at a time (libsndfile's Vorbis writer takes no long ones).
_BLOCK_SAMPLES = 65_536
_SHORT_BLOCK_SAMPLES = 4_096


#: Chunks that tell places or times of the old file, which a lined-up copy has elsewhere.
_MOVED_CHUNKS = frozenset({b"iXML", b"cue ", b"plst", b"smpl"})
#: Place of TimeReferenceLow and -High in ``bext`` (EBU Tech 3285).
_TIME_REFERENCE_AT = 338


@dataclass(frozen=True, kw_only=True)
class Lining:
    """Where a file's recorder lies, and when its copy starts."""

    clock: Clock
    #: Of the copy, samples since midnight at its own rate; 0 where the reference tells none.
    start_samples: int


@dataclass(frozen=True, kw_only=True)
class CorrectedCopy:
    """What was written."""

    frames: int
    #: Samples limited to full scale, per channel.
    limited: tuple[int, ...]
    #: Sentences on what could not be kept.
    remarks: tuple[str, ...]


def write_corrected(
    source: Path,
    target: Path,
    corrections: Sequence[ChannelCorrection],
    *,
    lining: Lining | None = None,
    start_samples: int | None = None,
) -> CorrectedCopy:
    """Write a corrected copy.

    Parameters
    ----------
    source : Path
        Audio file.
    target : Path
        Where the copy goes; give a path from `output.output_folder` or `output.replacing`.
    corrections : sequence of ChannelCorrection
        One per channel of the file.
    lining : Lining, optional
        Where its recorder lies, and when the copy starts.
    start_samples : int, optional
        Start time to write into a wave file, samples since midnight; as it is when left out.

    Returns
    -------
    CorrectedCopy
        Its length, limited samples and remarks.  A file that needs no correction is copied bit for bit.

    Raises
    ------
    InputError
        When the source cannot be read, has another number of channels, or cannot hold a start time.
    """
    import soundfile

    try:
        with open_audio(source) as opened:
            if opened.channels != len(corrections):
                raise InputError(
                    f"{source} has {opened.channels} channels where the report has {len(corrections)}; "
                    "run check again on the session."
                )
            untouched = lining is None and start_samples is None
            if untouched and all(correction.is_none for correction in corrections):
                shutil.copyfile(source, target)
                _keep_mode(source, target)
                return CorrectedCopy(frames=opened.frames, limited=(0,) * opened.channels, remarks=())
            copy = _write(opened, source, target, corrections, lining=lining, start_samples=start_samples)
            _keep_mode(source, target)
            return copy
    except soundfile.LibsndfileError as error:
        raise InputError(
            f"{source} cannot be rendered ({error.error_string.rstrip('.').lower()})."
        ) from error
    except OSError as error:
        raise InputError(f"{source} cannot be rendered ({(error.strerror or '?').lower()}).") from error


def _write(
    opened: Any,
    source: Path,
    target: Path,
    corrections: Sequence[ChannelCorrection],
    *,
    lining: Lining | None,
    start_samples: int | None,
) -> CorrectedCopy:
    bits = _BITS.get(opened.subtype)
    read = _reader(opened, source, bits)
    seed = zlib.crc32(os.fsencode(source.name))
    lined_up = None if lining is None else _lined_up(opened, read, lining, bits, seed + 1)
    corrector = Corrector(
        read=lined_up.read if lined_up else read,
        frames=lined_up.frames if lined_up else opened.frames,
        corrections=corrections,
        bits=bits,
        seed=seed,
    )
    layout = read_layout(source)
    stale = _STALE_CHUNKS if lining is None else _STALE_CHUNKS | _MOVED_CHUNKS
    remarks = _moved_parts(layout, source) if lining is not None and layout is not None else []
    if layout is not None and layout.rest_bytes:
        remarks.append(
            f"{shown(source.name)} holds {layout.rest_bytes} bytes behind its last chunk; the copy does not."
        )
    if layout is not None and _written_here(opened, layout, source):
        cut = [shown(chunk.name.decode()) for chunk in layout.chunks if chunk.available < chunk.size]
        if cut:
            remarks.append(f"{shown(source.name)}: the copy does not have {listed(cut)}, which is cut off.")
        _write_wave(
            corrector,
            layout,
            source,
            target,
            subtype=opened.subtype,
            start_samples=start_samples,
            stale=stale,
        )
        if lining is not None:
            _set_start(target, lining.start_samples)
    elif start_samples is not None:
        raise InputError(
            f"{source} cannot hold a start time: only plain wave files can; leave --as-start-times out, and "
            "delays pad the start."
        )
    else:
        _write_through_libsndfile(corrector, opened, target)
        if layout is None:
            same_length = lining is None and corrector.output_frames == opened.frames
            parts = carry_parts(
                source, target, opened.format, same_length=same_length, same_clock=lining is None
            )
            if parts:
                remarks.append(f"{shown(source.name)}: the copy does not have {listed(parts, most=20)}.")
        else:
            remarks.append(
                f"{shown(source.name)} holds {opened.subtype} samples; its start time, names and markers "
                "could not be carried over."
            )
    if _is_lossy(opened.subtype):
        remarks.append(f"{shown(source.name)} is lossy ({opened.subtype}) and was encoded a second time.")
    more = lined_up.limited if lined_up else [0] * len(corrections)
    limited = tuple(old + new for old, new in zip(corrector.limited, more, strict=True))
    return CorrectedCopy(frames=corrector.output_frames, limited=limited, remarks=tuple(remarks))


def _reader(opened: Any, source: Path, bits: int | None) -> Callable[[int], NDArray[Any]]:
    """Read straight on; soundfile would seek after every read."""
    opened.seekable = lambda: False

    def read(n: int) -> NDArray[Any]:
        samples: NDArray[Any] = opened.read(n, dtype="int32" if bits else "float64", always_2d=True)
        if len(samples) < n:
            raise InputError(
                f"{source} is damaged or cut off; mend or replace it before applying corrections."
            )
        return samples

    return read


def _lined_up(
    opened: Any, read: Callable[[int], NDArray[Any]], lining: Lining, bits: int | None, seed: int
) -> LinedUpSource:
    return LinedUpSource(
        read=read,
        frames=opened.frames,
        clock=lining.clock,
        rate_hz=opened.samplerate,
        bits=bits,
        seed=seed,
    )


def _moved_parts(layout: WaveLayout, source: Path) -> list[str]:
    """Name the parts that tell places in the old file, which a lined-up copy does not have."""
    parts = [name.decode().strip() for name in sorted(_MOVED_CHUNKS) if layout.find(name) is not None]
    if not parts:
        return []
    return [f"{shown(source.name)}: the copy is lined up anew and does not have {listed(parts)}."]


def _set_start(target: Path, start_samples: int) -> None:
    """Write another start time into ``bext``, where there is one (EBU Tech 3285)."""
    layout = read_layout(target)
    bext = layout.find(b"bext") if layout is not None else None
    if layout is None or bext is None or bext.available < _TIME_REFERENCE_AT + 8:
        return
    with target.open("r+b") as file:
        file.seek(bext.offset + _TIME_REFERENCE_AT)
        file.write(struct.pack(layout.byte_order + "II", start_samples & 0xFFFFFFFF, start_samples >> 32))


def _is_lossy(subtype: str) -> bool:
    return subtype not in {*_BITS, "FLOAT", "DOUBLE"}


def _keep_mode(source: Path, target: Path) -> None:
    """Give the copy the permissions of the file; its owner, who measures it again, may always read it."""
    target.chmod(stat.S_IMODE(source.stat().st_mode) | stat.S_IRUSR)


def _written_here(opened: Any, layout: WaveLayout, source: Path) -> bool:
    """Tell whether the samples are stored plainly, as many bytes each as the format says."""
    fmt, data = layout.find(b"fmt "), layout.find(b"data")
    if opened.subtype not in _WAVE_BYTES or fmt is None or data is None or fmt.available < 16:
        return False
    with source.open("rb") as file:
        file.seek(fmt.offset + 12)
        (frame_bytes,) = struct.unpack(layout.byte_order + "H", file.read(2))
    return bool(frame_bytes == _WAVE_BYTES[opened.subtype] * opened.channels)


def _blocks(corrector: Corrector, block_samples: int) -> Any:
    total = corrector.output_frames
    for start in range(0, total, block_samples):
        yield corrector.render(start, min(start + block_samples, total))


def _write_through_libsndfile(corrector: Corrector, opened: Any, target: Path) -> None:
    import soundfile

    with soundfile.SoundFile(
        opened_as(target),
        "w",
        samplerate=opened.samplerate,
        channels=opened.channels,
        format=opened.format,
        subtype=opened.subtype,
        endian=opened.endian,
    ) as written:
        for name, value in {} if is_carried(opened.format) else opened.copy_metadata().items():
            setattr(written, name, value)
        for block in _blocks(corrector, _SHORT_BLOCK_SAMPLES):
            if _is_lossy(opened.subtype):
                np.clip(np.nan_to_num(block, copy=False), -_MOST_ENCODED, _MOST_ENCODED, out=block)
            written.write(block)


def _write_wave(
    corrector: Corrector,
    layout: WaveLayout,
    source: Path,
    target: Path,
    *,
    subtype: str,
    start_samples: int | None,
    stale: frozenset[bytes],
) -> None:
    """Copy the wave file chunk by chunk with new audio, then fill the sizes in."""
    missing = start_samples is not None and not (layout.find(b"bext") or _says_start(layout, source))
    order = layout.byte_order
    with source.open("rb") as old, target.open("wb") as new:
        new.write(layout.form + struct.pack(order + "I4s", UNKNOWN_SIZE, b"WAVE"))
        places: dict[bytes, tuple[int, int]] = {}
        for chunk in layout.chunks:
            is_audio = chunk.name == b"data" and b"data" not in places
            if chunk.name in stale or (not is_audio and chunk.available < chunk.size):
                continue
            if missing and start_samples is not None and chunk.name in (b"fmt ", b"data"):
                _write_chunk(new, b"bext", new_bext(start_samples, order), order)
                missing = False
            if start_samples is not None and chunk.name in (b"bext", b"iXML"):
                old.seek(chunk.offset)
                content = stamped(chunk.name, old.read(chunk.size), start_samples, order)
                _write_chunk(new, chunk.name, content, order)
                continue
            new.write(struct.pack(order + "4sI", chunk.name, min(chunk.size, UNKNOWN_SIZE)))
            offset = new.tell()
            if is_audio:
                for block in _blocks(corrector, _BLOCK_SAMPLES):
                    new.write(_encoded(block, subtype, order))
            else:
                copy_bytes(old, new, chunk.offset, chunk.size)
            size = new.tell() - offset
            places.setdefault(chunk.name, (offset, size))
            new.write(b"\0" * (size % 2))
        _fill_sizes(new, layout, places, corrector.output_frames)


def _says_start(layout: WaveLayout, source: Path) -> bool:
    return read_start(source, layout).ixml_samples is not None


def _write_chunk(new: BinaryIO, name: bytes, content: bytes, order: str) -> None:
    new.write(struct.pack(order + "4sI", name, len(content)) + content + b"\0" * (len(content) % 2))


def _fill_sizes(new: BinaryIO, layout: WaveLayout, places: dict[bytes, tuple[int, int]], frames: int) -> None:
    """Set the sizes and the sample count (``fact``; ``ds64`` of EBU Tech 3306)."""
    order = layout.byte_order
    total = new.tell() - 8
    offset, size = places[b"data"]
    ds64 = places.get(b"ds64")
    if ds64 is not None and layout.form in {b"RF64", b"BW64"}:
        new.seek(ds64[0])
        new.write(struct.pack("<QQ", total, size))
        if layout.form == b"RF64":
            new.write(struct.pack("<Q", frames))
        riff_size, data_size = UNKNOWN_SIZE, UNKNOWN_SIZE
    else:
        riff_size, data_size = total, size
        if total >= UNKNOWN_SIZE:
            raise InputError("With the delay the file outgrows what a plain wave file can hold (4 GB).")
    for position, value in ((4, riff_size), (offset - 4, data_size)):
        new.seek(position)
        new.write(struct.pack(order + "I", value))
    fact = places.get(b"fact")
    if fact is not None and fact[1] >= 4:
        new.seek(fact[0])
        new.write(struct.pack(order + "I", min(frames, UNKNOWN_SIZE)))


def _encoded(block: NDArray[Any], subtype: str, order: str) -> bytes:
    """Encode samples as a wave file stores them."""
    if subtype in {"FLOAT", "DOUBLE"}:
        return block.astype(f"{order}f{_WAVE_BYTES[subtype]}").tobytes()
    if subtype == "PCM_U8":
        return ((block >> 24) + 128).astype(np.uint8).tobytes()
    size = _WAVE_BYTES[subtype]
    raw = np.ascontiguousarray(block, f"{order}i4").view(np.uint8).reshape(-1, 4)
    return (raw[:, 4 - size :] if order == "<" else raw[:, :size]).tobytes()
