"""Predictions of a mic plan: geometry with known answers, images against a simulator, uncertainties."""

import json
import math

import numpy as np
import pytest
from made_plan import arrival_of, pair_of, plan, template_plan
from simulated_room import lag_and_ratio, simulate

from polaritykit.jobs.layout.document import layout_document
from polaritykit.jobs.layout.mic_patterns import PATTERNS
from polaritykit.jobs.layout.predict import possible_offsets, predict_layout


def test_sign_of_offset_and_level():
    """Mic b is 1 m further than a: 1/343.2 s later (positive) and 6.02 dB softer (negative)."""
    layout = predict_layout(
        plan(("source", "s", [0, 0, 1]), ("mic", "a", [0, 1, 1]), ("mic", "b", [0, 2, 1]))
    )
    pair = layout.pairs[0]

    assert (pair.a, pair.b) == ("a", "b")
    assert pair.offset_ms == pytest.approx(1000 / 343.2)
    assert pair.level_difference_db == pytest.approx(-20 * math.log10(2))
    assert pair.polarity == "same"


def test_swapping_two_mics_negates_the_offset_and_keeps_the_polarity():
    """The convention of the whole package."""
    parts = [("source", "s", [0, 0, 1]),
             ("mic", "a", [0, 1, 1], 'polarity = "inverted"'), ("mic", "b", [1, 2, 1])]  # fmt: skip
    one, other = predict_layout(plan(*parts)).pairs[0], predict_layout(plan(parts[0], *parts[:0:-1])).pairs[0]

    assert (other.a, other.b) == ("b", "a")
    assert other.offset_ms == pytest.approx(-one.offset_ms)
    assert other.level_difference_db == pytest.approx(-one.level_difference_db)
    assert other.polarity == one.polarity == "inverted"


SOURCE = [2.0, 3.0, 1.5]

MICS = {
    "near": ([2.5, 3.2, 1.2], None, "omni"),
    "far": ([4.0, 4.5, 2.0], [-1, -1, 0], "cardioid"),
    "side": ([2.2, 4.4, 1.0], [1, 0, 0], "supercardioid"),
    "rear": ([3.5, 2.0, 2.2], [1, -1, 0.5], "hypercardioid"),
    "eight": ([1.0, 1.5, 0.6], [-1, -0.5, 0.2], "figure-of-eight"),
    "wide": ([0.7, 3.1, 2.9], [0.2, 1, 0], "subcardioid"),
}


def drawn_up(speed, room=""):
    """Draw up the plan that the simulator gets, at the simulator's speed of sound."""
    parts = [("source", "s", SOURCE)]
    for name, (position, aim, pattern) in MICS.items():
        more = [f'pattern = "{pattern}"']
        if aim is not None:
            more.append(f"aim_at = {[float(p + a) for p, a in zip(position, aim, strict=True)]}")
        parts.append(("mic", name, position, *more))
    return predict_layout(plan(*parts, room=f"speed_of_sound_mps = {speed}\n{room}"))


def test_arrivals_against_the_simulator():
    """Distances and first-order patterns: within 1 µs and 0.1 dB of the free-field room, signs included."""
    responses, speed = simulate(SOURCE, [(p, aim, PATTERNS[pattern]) for p, aim, pattern in MICS.values()])
    layout = drawn_up(speed)

    for name, response in zip(MICS, responses, strict=True):
        if name == "near":
            continue
        lag_s, ratio = lag_and_ratio(responses[0], response)
        pair = pair_of(layout, "s", "near", name)
        assert pair.offset_ms / 1000 == pytest.approx(lag_s, abs=1e-6)
        assert pair.level_difference_db == pytest.approx(20 * math.log10(abs(ratio)), abs=0.1)
        assert pair.polarity == ("same" if ratio > 0 else "inverted")
    assert {pair.polarity for pair in layout.pairs if pair.a == "near"} == {"same", "inverted"}


def test_floor_image_against_the_simulator():
    """First-order floor image: delay within 1 µs, level within 0.1 dB, sign, for every pattern."""
    mics = [(p, aim, PATTERNS[pattern]) for p, aim, pattern in MICS.values()]
    free, speed = simulate(SOURCE, mics)
    floored, _ = simulate(SOURCE, mics, floor=True)
    layout = drawn_up(speed, "[room.floor]\n")

    for name, direct, both in zip(MICS, free, floored, strict=True):
        bounce = arrival_of(layout, "s", name).bounces[0]
        n = max(len(direct), len(both))
        image = np.pad(both, (0, n - len(both))) - np.pad(direct, (0, n - len(direct)))
        lag_s, ratio = lag_and_ratio(direct, image)
        assert bounce.offset_ms / 1000 == pytest.approx(lag_s, abs=1e-6)
        assert bounce.level_difference_db == pytest.approx(20 * math.log10(abs(ratio)), abs=0.1)
        assert bounce.comb.inverted == (ratio < 0)


def test_wall_image_with_absorption():
    """A wall at y = −1 behind a source at y = 1: 4 m further than the direct metre, half left."""
    layout = predict_layout(plan(
        ("source", "s", [0, 1, 1]), ("mic", "m", [0, 2, 1]),
        room="speed_of_sound_mps = 343.2\n"
        "[room.wall]\npoint_m = [0, -1, 0]\nnormal = [0, 2, 0]\nreflection = 0.5",
    ))  # fmt: skip
    bounce = layout.arrivals[0].bounces[0]

    assert bounce.surface == "wall"
    assert bounce.offset_ms == pytest.approx(4000 / 343.2)
    assert bounce.level_difference_db == pytest.approx(20 * math.log10(0.5 / 5))


@pytest.mark.parametrize(("other", "level_db"), [([0, 3, 0], -9.542), ([3, 0, 1], -10.0)])
def test_three_to_one_has_two_exact_figures(other, level_db):
    """In line three times as far: −9.54 dB; side by side at 3:1: −10.0 dB. Neither leaves 1 dB of ripple."""
    source, near = ([0, 0, 0], [0, 1, 0]) if level_db > -10 else ([0, 0, 0], [0, 0, 1])
    layout = predict_layout(plan(("source", "s", source), ("mic", "near", near), ("mic", "far", other)))
    pair = layout.pairs[0]

    assert pair.level_difference_db == pytest.approx(level_db, abs=0.001)
    assert pair.comb.ripple_db > 5.6
    if level_db == -10.0:
        assert pair.three_to_one.kept
        assert pair.three_to_one.ratio == pytest.approx(3.0)
    else:
        assert not pair.three_to_one.kept
        assert any("Closer than 3:1" in remark and "+2.5" in remark for remark in layout.remarks)


def test_other_side_of_a_drum_inverts_only_that_source():
    """Under a snare the head moves the other way (common practice); its switch makes both mics agree."""
    layout = predict_layout(template_plan("kit"))

    assert pair_of(layout, "snare", "snare_top", "snare_bottom").polarity == "same"
    assert pair_of(layout, "kick", "snare_top", "snare_bottom").polarity == "inverted"


def test_uncertainty_of_offsets_by_monte_carlo():
    """First-order propagation against 4000 random set-ups with coordinates off by tape/√2."""
    source, a, b = np.array([0.2, 1.0, 1.1]), np.array([0.0, 0.0, 1.5]), np.array([1.2, 0.3, 1.0])
    pair = predict_layout(plan(("source", "s", source.tolist()), ("mic", "a", a.tolist()),
                               ("mic", "b", b.tolist()))).pairs[0]  # fmt: skip
    rng = np.random.default_rng(3)
    s, p, q = (x + rng.normal(0, 0.01 / math.sqrt(2), (4000, 3)) for x in (source, a, b))
    near, far = np.linalg.norm(p - s, axis=1), np.linalg.norm(q - s, axis=1)

    assert pair.offset_std_ms == pytest.approx(np.std(1000 * (far - near) / 343.2), rel=0.05)
    assert pair.level_difference_std_db == pytest.approx(np.std(20 * np.log10(near / far)), rel=0.05)


def test_uncertainty_of_the_floor_bounce_by_monte_carlo():
    """As above for the image, which moves up when the source moves down."""
    source, mic = np.array([0.0, 0.0, 0.8]), np.array([0.3, 0.0, 1.8])
    layout = predict_layout(plan(("source", "s", source.tolist()), ("mic", "m", mic.tolist()),
                                 room="speed_of_sound_mps = 343.2\n[room.floor]"))  # fmt: skip
    rng = np.random.default_rng(3)
    s, m = (x + rng.normal(0, 0.01 / math.sqrt(2), (4000, 3)) for x in (source, mic))
    late = np.linalg.norm(m - s * [1, 1, -1], axis=1) - np.linalg.norm(m - s, axis=1)

    assert layout.arrivals[0].bounces[0].comb.delay_std_ms == pytest.approx(
        np.std(1000 * late / 343.2), rel=0.05
    )


def test_no_sound_can_exceed_the_possible_offsets():
    """Triangle inequality: 500 random places, none outside; one in line with the mics comes near the end."""
    a, b = [0.0, 0.0, 1.0], [1.0, 0.5, 1.4]
    (found,) = possible_offsets(plan(("source", "s", [0, 2, 1]), ("mic", "a", a), ("mic", "b", b)))
    rng = np.random.default_rng(0)
    places = rng.uniform(-4, 4, (500, 3))
    offsets = 1000 * (np.linalg.norm(places - b, axis=1) - np.linalg.norm(places - a, axis=1)) / 343.2
    far = np.array(a) - 3 * np.subtract(b, a)
    end = 1000 * (math.dist(far, b) - math.dist(far, a)) / 343.2

    assert found.low_ms < offsets.min() < offsets.max() < found.high_ms
    assert end < found.high_ms < end + 4 * 0.01 / 343.2 * 1000 + 1e-9
    assert found.planned_ms[0][0] == "s"


def test_document_is_json():
    """No NaN, no infinity, every array a list; complete cancellation is null with a flag."""
    layout = predict_layout(template_plan("blumlein"))
    document = json.loads(json.dumps(layout_document(layout, sample_rate_hz=48000), allow_nan=False))
    centre = document["pairs"][0]["comb"]

    assert centre["complete_cancellation"] is True
    assert centre["notch_depth_db"] is None


@pytest.mark.parametrize(("height_m", "told"), [(1.2, False), (2.1, True)])
def test_a_mic_over_heads_gets_a_caution(height_m, told):
    """Common practice, no source: secured, hung by qualified people, local rules first."""
    layout = predict_layout(
        plan(("source", "s", [0, 0, 1]), ("mic", "a", [0.3, 0, 1]), ("mic", "b", [0, 0.4, height_m]))
    )

    assert any("local rules come first" in remark for remark in layout.remarks) is told
