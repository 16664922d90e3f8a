"""The demo sessions, made once for all tests, and what their files state."""

import json
from functools import cache

import numpy as np
from places import DEMO_AUDIO

from polaritykit.jobs.demo import write as demo
from polaritykit.jobs.demo.room import Microphone, Room

COMMITTED = DEMO_AUDIO
RATE_HZ = 48000
ROOM = Room(size_m=(6.4, 6.2, 2.9), rt60_s=0.35)


def seeded(seed=1):
    """Draw the same numbers each time."""
    return np.random.RandomState(seed)


@cache
def made(name):
    """Make a session, once for all tests."""
    return demo.SESSIONS[name]()


def stated_by(name):
    """Read what lies beside the committed files."""
    return json.loads((COMMITTED / name / "truth.json").read_text(encoding="utf-8"))


def placed_mic(position_m, aim, omni_share, **changes):
    """Place a microphone; usual limits where none are given."""
    given = {"highpass_hz": 20, "lowpass_hz": 18000, "peak_dbfs": -8, "noise_dbfs": -75} | changes
    return Microphone(name="m", position_m=position_m, aim=aim, omni_share=omni_share, **given)
