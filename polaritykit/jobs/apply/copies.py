"""Writes the corrected copies of a session, several files at a time, and tells what was done.

Conventions: delays of a report are in ms; each file turns them into samples of its own rate.
"""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from typing import Any

from polaritykit.audio.header import FileHeader, read_header
from polaritykit.audio.other_clock import Clock
from polaritykit.audio.timeline import start_s
from polaritykit.base.errors import InputError
from polaritykit.base.file_names import shown, stored
from polaritykit.jobs.apply.copy_file import CorrectedCopy, Lining, write_corrected
from polaritykit.jobs.apply.file_jobs import FileJob, TrackSetting
from polaritykit.jobs.apply.render import ChannelCorrection


def source_paths(jobs: Sequence[FileJob], folder: Path) -> tuple[Path, ...]:
    """Return where the files of the jobs lie: in the session's folder, wherever the report points.

    Parameters
    ----------
    jobs : sequence of FileJob
        From `apply_plan.file_jobs`, which lets no path through that leads upwards.
    folder : Path
        The session's; it may be a link itself.

    Raises
    ------
    InputError
        When one is not there, or is or lies behind a link that leads out of the folder.
    """
    paths = tuple(folder / job.file for job in jobs)
    home = folder.resolve()
    for path in paths:
        if not path.is_file():
            raise InputError(f"{path} does not exist; say where the session's files lie with --session.")
        if not path.resolve().is_relative_to(home):
            raise InputError(
                f"{path} leads out of the session's folder by a link and is not read; put the file itself "
                "there, then run check again."
            )
    return paths


def write_copies(
    jobs: Sequence[FileJob],
    *,
    sources: Sequence[Path],
    folder: Path,
    whole_samples: bool = False,
    as_start_times: bool = False,
) -> list[dict[str, Any]]:
    """Write all copies.

    Parameters
    ----------
    jobs : sequence of FileJob
        From `apply_plan.file_jobs`.
    sources : sequence of Path
        Their files, from `source_paths`.
    folder : Path
        An empty folder from `output.output_folder`.
    whole_samples : bool
        Round every delay to a whole sample of the file, so that samples are only moved.
    as_start_times : bool
        Move the files' start times by whole samples instead of the sound in them.

    Returns
    -------
    list of dict
        What was done, track by track: the ``tracks`` of ``applied.json``.

    Raises
    ------
    InputError
        When a file cannot be rendered, or cannot hold what is to become its start time.
    """
    reference_s = _reference_start_s(jobs, sources)
    earliest_s = _earliest_s(sources) if as_start_times else Fraction(0)

    def write(job: FileJob, source: Path) -> list[dict[str, Any]]:
        header = read_header(source)
        if not isinstance(header, FileHeader):
            raise InputError(header.remark)
        rate_hz = header.sample_rate_hz
        made = [
            _correction(setting, rate_hz, whole_samples=whole_samples or as_start_times)
            for setting in job.settings
        ]
        lining = _lining(job, header, reference_s, whole_samples=whole_samples)
        start = None
        corrections = made
        # What another recorder made is rendered anew in any case: its delay goes along.
        if as_start_times and lining is None:
            base = round(earliest_s * rate_hz) if header.reference is None else header.reference
            start = base + _common_delay(made, source)
            corrections = [ChannelCorrection(invert=one.invert) for one in made]
        target = folder / job.target
        target.parent.mkdir(parents=True, exist_ok=True)
        copy = write_corrected(source, target, corrections, lining=lining, start_samples=start)
        return _entries(job, made, copy, rate_hz, lining=lining, start_samples=start)

    with ThreadPoolExecutor(min(len(jobs), os.cpu_count() or 1)) as pool:
        futures = [pool.submit(write, job, source) for job, source in zip(jobs, sources, strict=True)]
        try:
            return [entry for future in futures for entry in future.result()]
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise


def _reference_start_s(jobs: Sequence[FileJob], sources: Sequence[Path]) -> Fraction:
    """Start time of the files that others are lined up with; 0 where they tell none."""
    if all(job.clock is None for job in jobs):
        return Fraction(0)
    headers = [read_header(source) for job, source in zip(jobs, sources, strict=True) if job.clock is None]
    starts = [start_s(header) for header in headers if isinstance(header, FileHeader)]
    return next((start for start in starts if start is not None), Fraction(0))


def _lining(job: FileJob, header: FileHeader, reference_s: Fraction, *, whole_samples: bool) -> Lining | None:
    if job.clock is None:
        return None
    rate_hz = header.sample_rate_hz
    start = round(reference_s * rate_hz)
    # The start time counts whole samples of this file: what that rounds is left to the sound.
    begin_s = job.clock.start_s - float(Fraction(start, rate_hz) - reference_s)
    if whole_samples:
        return Lining(clock=Clock(start_s=round(begin_s * rate_hz) / rate_hz), start_samples=start)
    return Lining(
        clock=Clock(start_s=begin_s, drift_ppm=job.clock.drift_ppm),
        start_samples=start,
    )


def _earliest_s(sources: Sequence[Path]) -> Fraction:
    """Where files without a start time are placed: at the earliest one, or at zero."""
    headers = [read_header(source) for source in sources]
    known = [
        Fraction(header.reference, header.sample_rate_hz)
        for header in headers
        if isinstance(header, FileHeader) and header.reference is not None
    ]
    return min(known, default=Fraction(0))


def _common_delay(corrections: Sequence[ChannelCorrection], source: Path) -> int:
    """Delay of all channels of one file, which has one start time."""
    delays = {correction.whole_samples for correction in corrections}
    if len(delays) > 1:
        raise InputError(
            f"{source} holds channels with different delays and has one start time only; leave "
            "--as-start-times out, or split the file."
        )
    return delays.pop()


def _correction(setting: TrackSetting, rate_hz: int, *, whole_samples: bool) -> ChannelCorrection:
    samples = setting.delay_ms * 1e-3 * rate_hz
    whole = whole_samples or setting.whole is not None
    return ChannelCorrection(invert=setting.invert, delay_samples=float(round(samples)) if whole else samples)


def _entries(
    job: FileJob,
    corrections: Sequence[ChannelCorrection],
    copy: CorrectedCopy,
    rate_hz: int,
    *,
    lining: Lining | None,
    start_samples: int | None,
) -> list[dict[str, Any]]:
    return [
        {
            "name": setting.name,
            **stored(job.target),
            "channel": channel,
            "invert": correction.invert,
            # As done: rounded for whole samples and start times.
            "delay_ms": (correction.whole_samples + correction.fraction) / rate_hz * 1e3,
            "delay_samples": correction.whole_samples + correction.fraction,
            "lined_up_s": lining.clock.start_s if lining else None,
            "resampled_ppm": -lining.clock.drift_ppm if lining else None,
            "limited_samples": limited,
            "start_samples": start_samples,
            "remarks": [*copy.remarks, *_rounded(setting, correction, rate_hz)],
        }
        for channel, (setting, correction, limited) in enumerate(
            zip(job.settings, corrections, copy.limited, strict=True)
        )
    ]


def _rounded(setting: TrackSetting, correction: ChannelCorrection, rate_hz: int) -> list[str]:
    """Say why a clipped track and its partner are moved by whole samples."""
    away = abs(setting.delay_ms * 1e-3 * rate_hz - correction.delay_samples)
    if setting.whole is None or away < 1e-3:
        return []
    name = shown(setting.name)
    because = {
        "clipped": f"{name} is clipped: it was moved by whole samples, so that flat tops stay flat",
        "partner": f"{name} was moved by whole samples, as its clipped stereo partner was",
    }
    return [f"{because[setting.whole]} ({away:.2f} samples off)."]
