"""The public names as a type checker sees them: checked by mypy, never run.

An ignore that is not needed fails too (``warn_unused_ignores``): a wrong request must stay an error.
"""

from pathlib import Path
from typing import assert_type

import numpy as np

import polaritykit
from polaritykit.audio.records import Session
from polaritykit.decide.findings import Findings


def requests() -> None:
    """Hold right and wrong requests; nobody calls this, so that importing the file asks for nothing."""
    assert_type(polaritykit.__version__, str)

    session = polaritykit.open_session("my_session")
    assert_type(session, Session)
    polaritykit.open_session(Path("my_session"), min_tracks=1)
    polaritykit.open_session(["kick.wav", Path("snare.wav")], ignore_start_times=True)
    polaritykit.open_session(3)  # type: ignore[arg-type]
    polaritykit.open_session("my_session", ignore_start_time=True)  # type: ignore[call-arg]

    findings = polaritykit.analyse(
        session.recording, anchor="kick", linked=(("left", "right"),), purpose="kit"
    )
    assert_type(findings, Findings)
    assert_type([track.invert for track in findings.corrections.tracks], list[bool])
    assert_type([pair.offset_ms for pair in findings.pairs], list[float | None])
    polaritykit.analyse(session.recording, purpose="choir")  # type: ignore[arg-type]
    polaritykit.analyse(session.recording, anker="kick")  # type: ignore[call-arg]

    noise = np.zeros(48_000)
    assert_type(polaritykit.analyse_arrays({"top": noise, "over": noise}, sample_rate_hz=48_000), Findings)
    polaritykit.analyse_arrays({"top": noise, "over": noise})  # type: ignore[call-arg]
    polaritykit.analyse_arrays({"top": noise}, sample_rate_hz=48_000, rate=1)  # type: ignore[call-arg]
    polaritykit.analyze  # type: ignore[attr-defined]  # noqa: B018
