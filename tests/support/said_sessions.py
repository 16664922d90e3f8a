"""Documents of ten sessions in which much is wrong, for the sentences that are said of it."""

import tempfile
from collections.abc import Iterator
from contextlib import redirect_stdout
from io import StringIO
from json import loads
from pathlib import Path

import numpy as np
import soundfile
from places import DEMO_AUDIO, PACKAGE

from polaritykit import analyse_arrays
from polaritykit.cli import main
from polaritykit.jobs.check.document import build_document

_RATE = 16_000


def documents() -> Iterator[tuple[str, dict]]:
    """Yield name and document of each session: the demo's by all commands, and made ones."""
    checked = {}
    for folder in ("drum_kit", "stereo_pair", "leaky_vocal"):
        checked[folder] = _printed("check", DEMO_AUDIO / folder)
        yield f"check {folder}", checked[folder]
    stereo, weak = DEMO_AUDIO / "stereo_pair", DEMO_AUDIO / "leaky_vocal"
    yield "pair", _printed("pair", stereo / "pair_left.flac", stereo / "pair_right.flac")
    yield "bleed", _printed("bleed", weak / "01_voice.flac", weak / "02_guitar.flac")
    yield "comb", _printed("comb", "--delay", "1 ms", "--polarity", "inverted")
    yield "layout", _printed("layout", PACKAGE / "jobs" / "layout" / "templates" / "kit.toml")
    for name, tracks in made_tracks().items():
        yield name, build_document(analyse_arrays(tracks, sample_rate_hz=_RATE))
    with tempfile.TemporaryDirectory() as place:
        pulse = Path(place) / "pulse.wav"
        with redirect_stdout(StringIO()):
            _code("pulse", "make", pulse)
        yield "pulse read", _printed("pulse", "read", pulse)
        noise = Path(place) / "noise.wav"
        soundfile.write(noise, 0.1 * np.random.default_rng(1).standard_normal(_RATE * 3), _RATE)
        yield "pulse read noise", _printed("pulse", "read", noise)
        for name in ("old", "new"):
            with redirect_stdout(StringIO()):
                _code("check", stereo, "--out", Path(place) / name)
        yield "recheck", _printed("recheck", Path(place) / "old", Path(place) / "new")
        yield "apply", _printed("apply", Path(place) / "old", "--out", Path(place) / "copies")


def made_tracks() -> dict[str, dict[str, np.ndarray]]:
    """Sessions of little sound and much trouble."""
    rng = np.random.default_rng(7)
    length = 6 * _RATE
    times = np.arange(length) / _RATE
    near, far = rng.standard_normal((2, length)) * 0.1
    tone = 0.2 * np.sin(2 * np.pi * 440 * times)
    hum = 0.01 * sum(np.sin(2 * np.pi * 50 * k * times) / k for k in range(1, 9))
    faint = rng.standard_normal((3, length)) * 0.003
    half = length // 2
    return {
        "strangers": {"left": near, "right": far},
        "a steady note": {"mic": tone + faint[0], "line": -tone + faint[1]},
        "hum only": {"a": hum + faint[0], "b": hum + faint[1]},
        "two copies": {"snare": near, "snare.dup1": np.roll(near, 64), "room": -np.roll(near, 30) + far},
        "clipped, silent, with DC": {
            "hot": np.clip(20 * near, -1, 1),
            "dead": np.zeros(length),
            "tilted": near + 0.02,
        },
        "turned half way": {"a": near, "b": np.r_[near[:half], -near[half:]] + faint[0]},
        "one pad": {
            "oh_left": near + faint[0],
            "oh_right": 0.316 * near + faint[1],
            "kick": np.roll(near, -40),
        },
        "two equal groups": {
            "a": near,
            "b": near + faint[0],
            "c": -near + faint[1],
            "d": -near + faint[2],
        },
    }


def _code(*arguments: object) -> object:
    try:
        main([str(argument) for argument in arguments])
    except SystemExit as stopped:
        return stopped.code
    return None


def _printed(*arguments: object) -> dict:
    told = StringIO()
    with redirect_stdout(told):
        _code(*arguments, "--json")
    document: dict = loads(told.getvalue())
    return document
