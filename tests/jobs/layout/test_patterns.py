"""Patterns and arrangements of mics against their textbook figures; pads, gains and loading."""

import math

import numpy as np
import pytest
from made_plan import arrival_of, pair_of, plan, template_plan

from polaritykit.jobs.layout.mic_patterns import loading_loss_db, pattern_gain
from polaritykit.jobs.layout.predict import predict_layout


# ORTF, NOS, DIN by their open trade names: spacing and angle; path difference and first notch of the sum for
# a source on the line of the mics, at 343.2 m/s.
@pytest.mark.parametrize(
    ("template", "microseconds", "null_hz"),
    [("ortf", 495.3, 1009), ("nos", 874.1, 572), ("din", 582.8, 858), ("ab", 1165.5, 429)],
)
def test_spaced_templates(template, microseconds, null_hz):
    """The starting files carry the published numbers."""
    layout = predict_layout(template_plan(template))
    side = pair_of(layout, "side", "left_mic", "right_mic")

    assert -1000 * side.offset_ms == pytest.approx(microseconds, abs=0.06)
    assert side.comb.notches_hz[0] == pytest.approx(null_hz, abs=1)
    assert side.three_to_one is None


@pytest.mark.parametrize(
    ("template", "between"), [("xy", 90), ("blumlein", 90), ("ortf", 110), ("nos", 90), ("din", 90)]
)
def test_angle_between_the_pair(template, between):
    """The angle of the two fronts (common definition of each set-up)."""
    left, right = template_plan(template).mics

    assert math.degrees(math.acos(np.dot(left.aim, right.aim))) == pytest.approx(between)


@pytest.mark.parametrize("template", ["xy", "blumlein", "mid-side"])
def test_coincident_templates_have_no_offset(template):
    """Coincident: 0 µs for every source."""
    assert [pair.offset_ms for pair in predict_layout(template_plan(template)).pairs] == [0.0] * 4


def test_blumlein_inverts_the_side_quadrants():
    """The gain is cos(φ ± 45°): opposite signs for |φ| > 45°, which is no wiring fault."""
    layout = predict_layout(template_plan("blumlein"))

    assert pair_of(layout, "centre", "left_mic", "right_mic").polarity == "same"
    for source in ("left", "right", "side"):  # 55°, 55° and 90° off the middle
        pair = pair_of(layout, source, "left_mic", "right_mic")
        assert pair.polarity == "inverted"
        assert "rear lobe" in pair.polarity_reason
    level = arrival_of(layout, "left", "left_mic").level_db
    assert level == pytest.approx(20 * math.log10(math.cos(math.radians(10)) / 3), abs=0.001)


def test_mid_side_decoding():
    """L = M + S, R = M − S; a side mic of the wrong polarity swaps left and right (algebra)."""
    from polaritykit.jobs.layout.paths import mic_gain

    drawn = template_plan("mid-side")
    mid, side = drawn.mics
    gains = {s.name: (mic_gain(mid, s.position_m), mic_gain(side, s.position_m)) for s in drawn.sources}

    for name, mirror in (("centre", "centre"), ("left", "right"), ("right", "left")):
        assert sum(gains[name]) == pytest.approx(gains[mirror][0] - gains[mirror][1])
    left_m, left_s = gains["left"]
    assert left_m + left_s > 2 * abs(left_m - left_s)
    # Swapped S: what was left = M + S becomes M − S, the old right.
    assert left_m + (-left_s) == left_m - left_s


@pytest.mark.parametrize(
    ("pattern", "null_deg", "rear", "side"),
    [
        ("omni", None, 1.0, 1.0),
        ("subcardioid", None, 0.5, 0.75),
        ("cardioid", 180, 0.0, 0.5),
        ("supercardioid", 125.3, -0.268, 0.366),
        ("hypercardioid", 109.5, -0.5, 0.25),
        ("figure-of-eight", 90, -1.0, 0.0),
    ],
)
def test_patterns(pattern, null_deg, rear, side):
    """Nulls, rear and side: algebra of p + (1 - p) cos; subcardioid 0.75 is one of several in use."""
    assert pattern_gain(pattern, 1.0) == pytest.approx(1.0)
    assert pattern_gain(pattern, -1.0) == pytest.approx(rear, abs=0.001)
    assert pattern_gain(pattern, 0.0) == pytest.approx(side, abs=0.001)
    if null_deg is not None:
        assert pattern_gain(pattern, math.cos(math.radians(null_deg))) == pytest.approx(0.0, abs=0.001)


@pytest.mark.parametrize(
    ("mic_ohm", "input_ohm", "loss_db"),
    [(150, 1500, -0.83), (150, 1000, -1.21), (200, 1000, -1.58), (50, 1000, -0.42), (50, 1500, -0.28)],
)
def test_loading_loss(mic_ohm, input_ohm, loss_db):
    """Voltage divider 20·log10(Zin/(Zin + Zs)), by hand."""
    assert loading_loss_db(mic_ohm, input_ohm) == pytest.approx(loss_db, abs=0.006)


def test_pad_gain_and_loading_enter_the_level():
    """10 dB of pad and 150 ohm into the usual 1500; a ratio under five is remarked."""
    layout = predict_layout(plan(
        ("source", "s", [0, 0, 1]), ("mic", "a", [1, 0, 1]),
        ("mic", "b", [-1, 0, 1], "pad_db = 10", "source_impedance_ohm = 150"),
        ("mic", "c", [0, 1, 1], "gain_db = 3", 'source_impedance_ohm = "600 ohm"'),
    ))  # fmt: skip

    assert pair_of(layout, "s", "a", "b").level_difference_db == pytest.approx(-10 - 0.828, abs=0.001)
    assert pair_of(layout, "s", "a", "c").level_difference_db == pytest.approx(3 - 2.923, abs=0.001)
    assert any("c: 600 ohm into 1500 ohm is a ratio of 2.5" in remark for remark in layout.remarks)
    assert not any(remark.startswith("b:") for remark in layout.remarks)


def test_null_of_a_pattern_is_unclear():
    """A figure-of-eight edge-on hears nothing: no level, no comb, polarity unclear with the reason."""
    layout = predict_layout(plan(
        ("source", "s", [0, 1, 1]), ("mic", "a", [0, 0, 1]),
        ("mic", "b", [0, 0, 1], 'pattern = "figure-of-eight"', "aim_deg = [90, 0]"),
    ))  # fmt: skip
    pair = layout.pairs[0]

    assert pair.polarity == "unclear"
    assert "null" in pair.polarity_reason
    assert pair.comb is None
    assert pair.level_difference_db is None
