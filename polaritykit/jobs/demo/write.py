"""Writes the demo sessions: the same samples every time, each session with its truth beside the audio.

Conventions
-----------
audio
    FLAC, 16 bit; full scale 1.0 is 32767.
"""

import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.errors import UsageError
from polaritykit.base.whole_files import write_file
from polaritykit.jobs.demo.kit import drum_kit
from polaritykit.jobs.demo.session import Rendered, Session, render, truth
from polaritykit.jobs.demo.songs import leaky_vocal, stereo_pair

#: Session folder -> what builds it.
SESSIONS: dict[str, Callable[[], Session]] = {
    "drum_kit": drum_kit,
    "stereo_pair": stereo_pair,
    "leaky_vocal": leaky_vocal,
}


def quantise(rendered: Rendered) -> NDArray[np.int16]:
    """Round to 16 bit, ``(n_tracks, n_samples)``; the noise floors are the dither."""
    return np.round(rendered.tracks * 32767).astype(np.int16)


def _flac(samples: NDArray[np.int16], rate_hz: int) -> bytes:
    import soundfile

    held = io.BytesIO()
    soundfile.write(held, samples, rate_hz, format="FLAC", subtype="PCM_16", compression_level=1.0)
    return held.getvalue()


def write_demo(folder: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Write every session into its own folder, one session per step.

    Parameters
    ----------
    folder : Path
        Made when it is not there; its parent must exist.
    overwrite : bool
        Write into a folder that holds something already; only files of the demo's own names are replaced.

    Yields
    ------
    Path
        The folder of a session that has just been completed.

    Raises
    ------
    UsageError
        When the folder is not empty and `overwrite` is off, or cannot be written to.
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} exists and is no folder; choose another name.")
    if folder.is_dir() and any(folder.iterdir()) and not overwrite:
        raise UsageError(f"The folder {folder} is not empty; choose another, or use --overwrite.")
    for name, build in SESSIONS.items():
        place = folder / name
        try:
            folder.mkdir(exist_ok=True)
            place.mkdir(exist_ok=True)
        except OSError as error:
            reason = (error.strerror or "unknown reason").lower()
            raise UsageError(f"Cannot make {place}: {reason}; choose another place.") from error
        session = build()
        rendered = render(session)
        for microphone, samples in zip(session.microphones, quantise(rendered), strict=True):
            write_file(place / f"{microphone.name}.flac", _flac(samples, session.sample_rate_hz))
        stated = truth(session, rendered.gains)
        write_file(place / "truth.json", json.dumps(stated, indent=1, allow_nan=False) + "\n")
        yield place
