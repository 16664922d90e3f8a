"""A mic plan limits what is believed: the triangle inequality says what sound in air cannot do."""

import json

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from polaritykit.analysis import analyse
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.errors import UsageError
from polaritykit.commands.check import command as check
from polaritykit.commands.check import plan_limits
from polaritykit.commands.layout import command as layout

RATE = 48_000
PLAN = """
[room]
temperature_c = 20
[[source]]
name = "voice"
position_m = [0, 0.5, 0]
[[mic]]
name = "near"
position_m = [0, 0, 0]
[[mic]]
name = "far"
position_m = [1, 0, 0]
"""


def tracks(late_samples):
    """One noise on two tracks, the second later and 6 dB down."""
    noise = 0.1 * np.random.default_rng(3).standard_normal(4 * RATE + late_samples)
    return {"near": noise[late_samples:], "far": 0.5 * noise[: len(noise) - late_samples]}


@pytest.fixture
def plan(tmp_path):
    """Write a plan of two mics one metre apart: 2.91 ms at 343.2 m/s."""
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def test_limits_from_a_plan(plan):
    """A metre is 1000/343.2 ms at 20 °C (Cramer 1993); the tape's and the air's uncertainty come on top."""
    (limits,) = plan_limits(plan, ("near", "far")).values()

    assert limits[0] == -limits[1]
    assert 1000 / 343.3 < limits[1] < 1.1 * 1000 / 343.3


@pytest.mark.parametrize(("late_samples", "believed"), [(96, True), (480, False)])
def test_only_the_possible_is_believed(plan, late_samples, believed):
    """2 ms can be one metre of air, 10 ms cannot; the note then says what was left out."""
    recording = ArrayRecording(tracks(late_samples), RATE)
    findings = analyse(recording, offset_limits=plan_limits(plan, recording.track_names))
    pair = findings.pairs[0]

    assert pair.related is believed
    if believed:
        assert pair.offset_ms == pytest.approx(2.0, abs=0.01)
        assert pair.polarity == "same"
        assert findings.beyond_plan == ()
    else:
        assert pair.polarity == "unclear"
        assert {(found.track, found.dropped > 0) for found in findings.beyond_plan} <= {
            ("near", True),
            ("far", True),
        }
        assert findings.beyond_plan


def test_check_with_a_plan(plan, tmp_path):
    """The option reaches the analysis, and a plan of other tracks is refused."""
    folder = tmp_path / "take"
    folder.mkdir()
    for name, samples in tracks(480).items():
        soundfile.write(folder / f"{name}.wav", samples, RATE, subtype="FLOAT")
    result = CliRunner().invoke(
        check, [str(folder), "--layout", str(plan), "--json"], catch_exceptions=False, standalone_mode=False
    )
    assert json.loads(result.stdout)["pairs"][0]["related"] is False

    other = tmp_path / "other.toml"
    other.write_text(PLAN.replace('"near"', '"top"'), encoding="utf-8")
    with pytest.raises(UsageError, match="shares fewer than two tracks"):
        plan_limits(other, ("near", "far"))


def test_a_plan_folder_is_replaced(plan, tmp_path):
    """``layout --out … --overwrite`` replaces what ``layout`` wrote, and nothing else."""
    arguments = [str(plan), "--out", str(tmp_path / "out")]
    CliRunner().invoke(layout, arguments, catch_exceptions=False)
    assert CliRunner().invoke(layout, arguments).exception is not None
    result = CliRunner().invoke(layout, [*arguments, "--overwrite"], catch_exceptions=False)

    assert result.exit_code == 0
    assert (tmp_path / "out" / "report.json").is_file()
