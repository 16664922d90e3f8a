"""Writes the demo sessions: the same samples every time, each session with its truth beside the audio.

Conventions
-----------
audio
    FLAC, 16 bit; full scale 1.0 is 32767.
"""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.file_names import opened_as
from polaritykit.base.types import Progress
from polaritykit.base.whole_files import output_folder, write_file
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


def _write_flac(path: Path, samples: NDArray[np.int16], rate_hz: int) -> None:
    """Write to a path: where libsndfile calls back into Python, Ctrl-C would be swallowed."""
    import soundfile

    soundfile.write(opened_as(path), samples, rate_hz, format="FLAC", subtype="PCM_16", compression_level=1.0)


def write_demo(folder: Path, *, overwrite: bool = False, progress: Progress) -> tuple[Path, ...]:
    """Write every session into a folder of its own, all of them or none.

    Parameters
    ----------
    folder : Path
        Its parent must exist.
    overwrite : bool
        Replace an earlier demo there.
    progress : callable
        Called with the stage and the share of it done.

    Returns
    -------
    tuple of Path
        The folders of the sessions.

    Raises
    ------
    UsageError
        When the folder cannot be written to, or holds anything but an earlier demo that may be replaced.
    """
    with output_folder(folder, overwrite=overwrite) as filling:
        for number, (name, build) in enumerate(SESSIONS.items()):
            progress(f"making {name}", number / len(SESSIONS))
            place = filling / name
            place.mkdir()
            session = build()
            rendered = render(session)
            for microphone, samples in zip(session.microphones, quantise(rendered), strict=True):
                _write_flac(place / f"{microphone.name}.flac", samples, session.sample_rate_hz)
            stated = truth(session, rendered.gains)
            write_file(place / "truth.json", json.dumps(stated, indent=1, allow_nan=False) + "\n")
    return tuple(folder / name for name in SESSIONS)
