"""A recording streamed from audio files: decoding, a common clock, resampling, and nothing kept.

Conventions: as in `array_recording`; positions on the common clock are whole samples, of the file's own rate
or of the session's, counted from one zero (midnight, or the files' common start).
"""

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from math import gcd
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np

from polaritykit.audio.array_recording import make_finite
from polaritykit.audio.opened import open_audio
from polaritykit.audio.other_clock import Clock, read_stretched
from polaritykit.base.spans import Span
from polaritykit.base.types import Samples

#: Output samples the resampler works on at a time; bounds memory and makes its margins cheap.
_CELL_SAMPLES = 32_768
#: Samples decoded at a time for the hash alone, outside the span that the session looks at.
_HASHED_SAMPLES = 65_536
#: What a pass decodes is kept for reading again up to this many bytes: a minute of 48 tracks.
_KEPT_BYTES = 6e8
#: Input samples on either side of a cell: the resampler's impulse response reaches 104 (measured for
#: ratios of 1 to 17, down to −140 dB).
_MARGIN_SAMPLES = 256


@dataclass(frozen=True, kw_only=True)
class FileSource:
    """One audio file's place in a session."""

    path: Path
    sample_rate_hz: int
    channels: int
    #: Samples per channel that can be decoded.
    frames: int
    #: Position of the file's first sample on the common clock, in samples at its own rate.
    origin: int
    #: Row of its first channel in the session.
    first_row: int
    #: True for formats that can hold NaN or infinity.
    floating: bool
    #: Where it lies if its recorder did not start with the session; `origin` is 0 then.
    clock: Clock | None = None


class _FileReader:
    """Decodes one file at its own rate, zeros outside; one thread at a time.

    Damage met on the way gives zeros and is noted in `faults` as ``(channel, fault)``.
    """

    def __init__(self, source: FileSource, *, hashing: bool = False) -> None:
        self.source = source
        self.faults: set[tuple[int, str]] = set()
        self._handle: Any = None
        self._opened_by = os.getpid()
        self._position = 0
        # SHA-256 (FIPS 180-4): the fastest of the standard library's where the processor helps with it.
        self._hash = hashlib.sha256()
        self._hashing = hashing
        #: Samples hashed so far.
        self._hashed = 0
        #: Where damage begins depends on how much was asked for at a time.
        self._damaged = False

    def read(self, start: int, stop: int, into: Samples | None = None) -> Samples:
        """Return samples ``[start, stop)`` on the common clock at the file's rate, ``(n, channels)``.

        Where they are to be put `into`, that is one piece of memory.
        """
        frames = np.empty((stop - start, self.source.channels), np.float32) if into is None else into
        first = max(start - self.source.origin, 0)
        last = max(min(stop - self.source.origin, self.source.frames), first)
        offset = min(first + self.source.origin - start, len(frames))
        frames[:offset], frames[offset + last - first :] = 0.0, 0.0
        if first < last:
            self._hash_up_to(first)
            if not self._decode(first, frames[offset : offset + last - first]):
                self.faults.update((channel, "unreadable") for channel in range(self.source.channels))
            if self.source.floating:
                self.faults.update((channel, "not_finite") for channel in make_finite(frames))
        return frames

    def _decode(self, first: int, out: Samples) -> bool:
        """Fill `out` from sample `first` on; False where damage left zeros in it."""
        from soundfile import LibsndfileError

        try:
            got = self._decode_from(first, out)
        except (LibsndfileError, OSError):
            self.close()
            got = 0
        self._position = first + got
        out[got:] = 0.0
        if self._hashing and first == self._hashed:
            self._hash.update(out.astype("<f4", copy=False).data)
            self._hashed += len(out)
            self._damaged |= got < len(out)
        return got == len(out)

    def _hash_up_to(self, stop: int) -> None:
        """Decode what lies before the part that is wanted, for the hash alone."""
        while self._hashing and self._hashed < stop:
            n = min(_HASHED_SAMPLES, stop - self._hashed)
            self._decode(self._hashed, np.empty((n, self.source.channels), np.float32))

    def whole_hash(self) -> str:
        """Decode what is left of the file and return the hash of all of it, damage taken as it was met."""
        self._hash_up_to(self.source.frames)
        return self._hash.hexdigest()

    def audio_hash(self) -> str:
        """Return the hash that `audio_hash` gives, which only a damaged file has to be read again for."""
        whole = self.whole_hash()
        return audio_hash(self.source) if self._damaged else whole

    def _decode_from(self, first: int, out: Samples) -> int:
        if self._opened_by != os.getpid():  # a copy of that process: the place in the file is shared with it
            self.close()
        if self._handle is None:
            self._handle = open_audio(self.source.path)
            self._opened_by = os.getpid()
            self._position = 0
            # Otherwise soundfile seeks after every read, which costs time and breaks MP3 streams.
            self._handle.seekable = lambda: False
        if self._position != first:
            self._handle.seek(first)
        # Straight into that memory: of short reads, making sure of an array takes a third of the time.
        return int(self._handle.buffer_read_into(out, dtype="float32"))

    def close(self) -> None:
        """Let go of the file; the next read opens it again."""
        if self._handle is not None:
            self._handle.close()
            self._handle = None


def audio_hash(source: FileSource) -> str:
    """Return the hash of all samples of a file: the one that a pass over a recording makes on its way.

    Parameters
    ----------
    source : FileSource
        Its place does not matter.

    Returns
    -------
    str
        SHA-256 in hexadecimal digits of the samples as decoded, before resampling and placement: 32-bit
        floats, little-endian, channels interleaved.  Steps of a fixed length that do not decode count as
        zeros from where they fail.
    """
    reader = _FileReader(source, hashing=True)
    try:
        return reader.whole_hash()
    finally:
        reader.close()


class _Resampler:
    """A file read at the session's rate, in cells aligned to where both clocks tick together.

    Both clocks start at zero, so cell *k* begins on a whole sample of either; every cell is resampled
    on its own with margins, which makes random access give the very samples that streaming gives.
    The resampler's linear-phase filter has its delay taken out (less than 10⁻⁴ sample, measured).
    """

    def __init__(self, reader: _FileReader, rate_hz: int) -> None:
        own_rate_hz = reader.source.sample_rate_hz
        common = gcd(own_rate_hz, rate_hz)
        ticks = max(_CELL_SAMPLES * common // rate_hz, 1)
        self._reader = reader
        self._rates = own_rate_hz, rate_hz
        self._cell_in = ticks * own_rate_hz // common
        self._cell_out = ticks * rate_hz // common
        margin_ticks = -(-_MARGIN_SAMPLES * common // own_rate_hz)
        self._margin_in = margin_ticks * own_rate_hz // common
        self._margin_out = margin_ticks * rate_hz // common
        self._kept_cell: int | None = None
        self._kept: Samples = np.zeros((0, 0), np.float32)
        self._raw: Samples = self._kept

    def read(self, start: int, stop: int) -> Samples:
        """Return samples ``[start, stop)`` on the common clock at the session's rate, ``(n, channels)``."""
        frames = np.empty((stop - start, self._reader.source.channels), np.float32)
        position = start
        while position < stop:
            cell, offset = divmod(position, self._cell_out)
            n = min(self._cell_out - offset, stop - position)
            frames[position - start : position - start + n] = self._cell(cell)[offset : offset + n]
            position += n
        return frames

    def _cell(self, cell: int) -> Samples:
        if cell != self._kept_cell:
            import soxr

            first = cell * self._cell_in - self._margin_in
            last = (cell + 1) * self._cell_in + self._margin_in
            overlap = 2 * self._margin_in
            if self._kept_cell is not None and cell == self._kept_cell + 1:
                fresh = self._reader.read(first + overlap, last)
                self._raw = np.concatenate([self._raw[-overlap:], fresh])
            else:
                self._raw = self._reader.read(first, last)
            out = soxr.resample(self._raw, *self._rates, quality="HQ")
            self._kept = out[self._margin_out : self._margin_out + self._cell_out]
            self._kept_cell = cell
        return self._kept


class _OtherClock:
    """A file of another recorder by the session's clock, in cells that do not depend on what is asked."""

    def __init__(self, reader: _FileReader, clock: Clock, rate_hz: int) -> None:
        self._reader, self._clock, self._rate_hz = reader, clock, rate_hz
        self._step = reader.source.sample_rate_hz / rate_hz * clock.pace
        self._kept_cell: int | None = None
        self._kept: Samples = np.zeros((0, 0), np.float32)

    def read(self, start: int, stop: int) -> Samples:
        """Return samples ``[start, stop)`` on the common clock at the session's rate, ``(n, channels)``."""
        frames = np.empty((stop - start, self._reader.source.channels), np.float32)
        position = start
        while position < stop:
            cell, offset = divmod(position, _CELL_SAMPLES)
            n = min(_CELL_SAMPLES - offset, stop - position)
            frames[position - start : position - start + n] = self._cell(cell)[offset : offset + n]
            position += n
        return frames

    def _cell(self, cell: int) -> Samples:
        if cell != self._kept_cell:
            own_s = self._clock.own_s(cell * _CELL_SAMPLES / self._rate_hz)
            self._kept = read_stretched(
                self._reader.read,
                first=own_s * self._reader.source.sample_rate_hz,
                step=self._step,
                count=_CELL_SAMPLES,
            )
            self._kept_cell = cell
        return self._kept


_View = _FileReader | _Resampler | _OtherClock


class FileRecording:
    """A recording streamed from files; memory does not grow with its length.

    Parameters
    ----------
    sources : sequence of FileSource
        The files in session order.
    track_names : sequence of str
        One name per channel of all files.
    sample_rate_hz : int
        Session rate; files with another rate are resampled.
    start : int
        Start of the span looked at on the common clock, in samples at the session's rate.
    n_samples : int
        Length of that span.
    spans : sequence of (int, int)
        Where in it each file lies.
    """

    def __init__(
        self,
        *,
        sources: Sequence[FileSource],
        track_names: Sequence[str],
        sample_rate_hz: int,
        start: int,
        n_samples: int,
        spans: Sequence[Span],
    ) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.track_names = tuple(track_names)
        self.n_samples = n_samples
        self._sources = tuple(sources)
        self.spans = tuple(
            span for source, span in zip(sources, spans, strict=True) for _ in range(source.channels)
        )
        self._start = start
        self._faults: dict[int, set[str]] = {}
        self._audio_hashes: dict[Path, str] = {}
        #: All samples, once a pass has gone through a short session.
        self._kept: Samples | None = None
        self._random = [(*self._open(source), Lock()) for source in self._sources]
        #: Row to the number of its file and its channel in it.
        self._file_of = {
            source.first_row + channel: (number, channel)
            for number, source in enumerate(self._sources)
            for channel in range(source.channels)
        }

    @property
    def faults_met(self) -> dict[str, tuple[str, ...]]:
        """Faults in what was handed out so far: track name to ``not_finite`` and ``unreadable``."""
        return {self.track_names[row]: tuple(sorted(faults)) for row, faults in sorted(self._faults.items())}

    @property
    def audio_hashes(self) -> Mapping[Path, str]:
        """Hash of each file's samples (`audio_hash`), once `blocks` has yielded everything."""
        return dict(self._audio_hashes)

    def _open(self, source: FileSource, *, hashing: bool = False) -> tuple[_FileReader, _View]:
        reader = _FileReader(source, hashing=hashing)
        if source.clock is not None:
            return reader, _OtherClock(reader, source.clock, self.sample_rate_hz)
        if source.sample_rate_hz == self.sample_rate_hz:
            return reader, reader
        return reader, _Resampler(reader, self.sample_rate_hz)

    def _note_faults(self, reader: _FileReader) -> None:
        for channel, fault in reader.faults:
            self._faults.setdefault(reader.source.first_row + channel, set()).add(fault)

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None) -> Samples:
        """Return samples ``[start, stop)`` of the given rows; zeros outside the span.

        Safe to call from several threads.

        Parameters
        ----------
        start, stop : int
            Samples of the session; places outside the span read as zeros.
        tracks : tuple of int, optional
            Rows wanted, in session order; all when left out.
        """
        count = len(self.track_names) if tracks is None else len(tracks)
        out = np.zeros((count, max(stop - start, 0)), np.float32)
        first, last = max(start, 0), min(stop, self.n_samples)
        if first >= last:
            return out
        if self._kept is not None:
            rows = slice(None) if tracks is None else list(tracks)
            out[:, first - start : last - start] = self._kept[rows, first:last]
            return out
        inside = out[:, first - start : last - start]
        wanted: dict[int, list[tuple[int, int]]] = {}
        for place, row in enumerate(range(count) if tracks is None else tracks):
            number, channel = self._file_of[row]
            wanted.setdefault(number, []).append((place, channel))
        for number, rows_of_file in wanted.items():
            reader, view, lock = self._random[number]
            with lock:
                if view is reader and reader.source.channels == len(rows_of_file) == 1:
                    reader.read(
                        self._start + first, self._start + last, into=inside[rows_of_file[0][0], :, None]
                    )
                else:
                    frames = view.read(self._start + first, self._start + last)
                    for place, channel in rows_of_file:
                        inside[place] = frames[:, channel]
                self._note_faults(reader)
        return out

    def blocks(self, block_samples: int) -> Iterator[tuple[int, Samples]]:
        """Yield ``(start, samples)`` over the whole span once; the last block may be shorter.

        The files of a block are decoded in parallel, one block ahead of the caller.  The first pass also
        hashes the files, what lies outside the span included.
        """
        hashing = not self._audio_hashes
        shape = len(self.track_names), self.n_samples
        keep = self._kept is None and 4.0 * shape[0] * shape[1] <= _KEPT_BYTES
        kept = np.empty(shape, np.float32) if keep else None
        opened = [self._open(source, hashing=hashing) for source in self._sources]
        workers = min(len(opened), os.cpu_count() or 1)
        # A few groups per worker: files of unlike formats decode at unlike speeds.
        n_groups = min(len(opened), 4 * workers)
        groups = [opened[index::n_groups] for index in range(n_groups)]
        try:
            with ThreadPoolExecutor(workers, thread_name_prefix="decode") as pool:

                def submit(start: int) -> tuple[Samples, list[Future[None]]]:
                    n = min(block_samples, self.n_samples - start)
                    if kept is not None:
                        block = kept[:, start : start + n]
                    else:
                        block = np.empty((len(self.track_names), n), np.float32)
                    return block, [pool.submit(self._fill, group, start, block) for group in groups]

                coming = submit(0)
                for start in range(0, self.n_samples, block_samples):
                    block, futures = coming
                    for future in futures:
                        future.result()
                    if start + block_samples < self.n_samples:
                        coming = submit(start + block_samples)
                    yield start, block
                if hashing:
                    hashes = list(pool.map(lambda item: item[0].audio_hash(), opened))
                    paths = (source.path for source in self._sources)
                    self._audio_hashes = dict(zip(paths, hashes, strict=True))
                self._kept = kept if kept is not None else self._kept
        finally:
            for reader, _ in opened:
                self._note_faults(reader)
                reader.close()

    def _fill(self, group: Sequence[tuple[_FileReader, _View]], start: int, block: Samples) -> None:
        first = self._start + start
        for reader, view in group:
            rows = block[reader.source.first_row :][: reader.source.channels]
            if len(rows) == 1 and view is reader:
                reader.read(first, first + block.shape[1], into=rows.T)
            else:
                rows[:] = view.read(first, first + block.shape[1]).T

    def close(self) -> None:
        """Let go of all files and samples; reading opens them again."""
        self._kept = None
        for reader, _, lock in self._random:
            with lock:
                reader.close()
