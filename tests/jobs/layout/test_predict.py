"""Mic plans: geometry with known answers, patterns, images, tapes, and a session held against the plan."""

import itertools
import json
import math

import numpy as np
import pytest
from simulated_room import lag_and_ratio, simulate

from polaritykit.base.errors import InputError
from polaritykit.jobs.layout.against import compare
from polaritykit.jobs.layout.document import layout_document
from polaritykit.jobs.layout.mic_patterns import PATTERNS, loading_loss_db, pattern_gain
from polaritykit.jobs.layout.plan_file import read_plan
from polaritykit.jobs.layout.predict import possible_offsets, predict_layout
from polaritykit.jobs.layout.records import PlanPoint, Tape
from polaritykit.jobs.layout.tape import solve_positions
from polaritykit.spectra.stored import encode


def plan(*parts, room="speed_of_sound_mps = 343.2", head=""):
    """Plan from (kind, name, position, more TOML)."""
    text = f"{head}\n[room]\n{room}\n"
    for kind, name, position, *more in parts:
        text += f'[[{kind}]]\nname = "{name}"\nposition_m = {list(position)}\n' + "\n".join(more) + "\n"
    return read_plan(text)


def pair_of(layout, source, a, b):
    """Find one predicted pair."""
    return next(pair for pair in layout.pairs if (pair.source, pair.a, pair.b) == (source, a, b))


def arrival_of(layout, source, mic):
    """Find one predicted arrival."""
    return next(item for item in layout.arrivals if (item.source, item.mic) == (source, mic))


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


# --- tapes ---

POINTS = {
    "a": (0.0, 0.0, 1.5),
    "b": (1.3, 0.2, 1.1),
    "c": (0.4, 1.9, 0.7),
    "d": (1.1, 1.2, 2.0),
    "e": (-0.6, 0.9, 0.4),
}


def tapes(noise_m=0.0, seed=0):
    """All distances between the points, rounded by nobody."""
    rng = np.random.default_rng(seed)
    return tuple(
        Tape(a=a, b=b, length_m=math.dist(POINTS[a], POINTS[b]) + rng.normal(0, noise_m))
        for a, b in itertools.combinations(POINTS, 2)
    )


def test_positions_from_tapes():
    """Three known points, not in the way of the others' side: the rest is found (trilateration)."""
    points = tuple(
        PlanPoint(
            name=n,
            position_m=p if n in "abc" else None,
            roughly_m=None if n in "abc" else (p[0], p[1] + 0.3, p[2]),
        )
        for n, p in POINTS.items()
    )
    solved = solve_positions(points, tapes(), 0.01)

    np.testing.assert_allclose(solved.positions_m, list(POINTS.values()), atol=1e-6)
    assert max(abs(fit.residual_m) for fit in solved.tapes) < 1e-6
    assert not solved.free_to_move


def test_tapes_alone_give_the_distances():
    """Without any position the set-up may turn, but every distance is right, and heights are not known."""
    solved = solve_positions(tuple(PlanPoint(name=n) for n in POINTS), tapes(), 0.01)
    found = np.linalg.norm(solved.positions_m[:, None] - solved.positions_m[None], axis=2)

    np.testing.assert_allclose(
        found, [[math.dist(p, q) for q in POINTS.values()] for p in POINTS.values()], atol=1e-6
    )
    assert solved.free_to_move
    assert solved.free_in_height


def test_uncertainty_of_solved_positions():
    """Spread over 60 noisy tape sets against the covariance of the least squares (Gauss-Markov)."""
    points = tuple(
        PlanPoint(name=n, position_m=p if n in "abc" else None, roughly_m=None if n in "abc" else p)
        for n, p in POINTS.items()
    )
    runs = [solve_positions(points, tapes(0.01, seed), 0.01) for seed in range(60)]
    spread = np.std([run.positions_m[3:].ravel() for run in runs], axis=0)
    predicted = np.sqrt(np.diag(runs[0].covariance_m2))[9:]

    np.testing.assert_allclose(spread, predicted, rtol=0.35)  # 3 sigma of a std from 60 runs


def test_a_misread_tape_is_named():
    """One tape read 20 cm too long stands out, though the fit bends towards it (Baarda's test)."""
    wrong = list(tapes())
    wrong[4] = Tape(a=wrong[4].a, b=wrong[4].b, length_m=wrong[4].length_m + 0.2)
    # Heights are known: enough is redundant to tell which tape it is.
    known = solve_positions(
        tuple(PlanPoint(name=n, height_m=p[2]) for n, p in POINTS.items()), tuple(wrong), 0.01
    )

    assert [(fit.a, fit.b) for fit in known.tapes if fit.suspect] == [(wrong[4].a, wrong[4].b)]
    assert not any(
        fit.suspect
        for fit in solve_positions(tuple(PlanPoint(name=n) for n in POINTS), tapes(0.01), 0.01).tapes
    )


def test_open_tapes_are_refused():
    """Too few distances leave a point free; a mirror image with other distances is ambiguous."""
    few = tuple(tape for tape in tapes() if "e" not in (tape.a, tape.b)) + tapes()[3:4]
    with pytest.raises(InputError, match="leave 'e' free to move"):
        solve_positions(tuple(PlanPoint(name=n) for n in POINTS), few, 0.01)
    two_sided = (
        PlanPoint(name="a", position_m=(0, 0, 1)),
        PlanPoint(name="b", position_m=(2, 0, 1)),
        PlanPoint(name="c", height_m=1.0),
        PlanPoint(name="d", position_m=(1, 5, 1)),
    )
    lengths = (Tape(a="a", b="c", length_m=1.5), Tape(a="b", b="c", length_m=1.5))
    with pytest.raises(InputError, match="equally well"):
        solve_positions(two_sided, lengths, 0.01)


# --- possible offsets ---


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


# --- against a session ---


def report_for(layout, *, change=None, rate=48000):
    """Make a check's document that agrees with a plan; `change` alters (source, a, b, entry)."""
    pairs, homes = {}, {}
    for source in layout.plan.sources:
        heard = [item for item in layout.arrivals if item.source == source.name]
        homes[source.name] = min(heard, key=lambda item: item.distance_m).mic
    for pair in layout.pairs:
        entry = {
            "home": homes[pair.source],
            "hits": 20,
            "offset_ms": pair.offset_ms,
            "offset_std_ms": 0.005,
            "polarity": pair.polarity,
            "confidence": 0.98,
        }
        if change is not None:
            change(pair, entry)
        pairs.setdefault((pair.a, pair.b), []).append(entry)
    return {
        "schema_version": 1,
        "sample_rate": rate,
        "session": {"name": "take 1"},
        "tracks": [{"name": mic.track} for mic in layout.plan.mics],
        "sources": [],
        "pairs": [{"reference": a, "other": b, "sources": entries} for (a, b), entries in pairs.items()],
    }


def kit():
    """Four mics and three sources in general positions."""
    return predict_layout(plan(
        ("source", "snare", [0.25, 0, 0.65]), ("source", "kick", [0, 0.45, 0.3]),
        ("source", "tom", [-0.5, 0.1, 0.6]),
        ("mic", "top", [0.3, 0.05, 0.8]), ("mic", "out", [0, 0.9, 0.35]), ("mic", "rack", [-0.5, 0.2, 0.75]),
        ("mic", "over", [0.1, 0.1, 1.7]),
    ))  # fmt: skip


def test_a_session_that_agrees():
    """Nothing is named where measurement and plan are the same."""
    layout = kit()
    found = compare(layout, report_for(layout))

    assert {lag.verdict for lag in found.lags} == {"agrees"}
    assert all(pair.disagrees == () for pair in found.pairs)
    assert found.missing == ()


def test_reversed_pairs_are_turned():
    """The report's order of the two tracks does not matter."""
    layout = kit()
    report = report_for(layout)
    for pair in report["pairs"]:
        pair["reference"], pair["other"] = pair["other"], pair["reference"]
        for source in pair["sources"]:
            source["offset_ms"] = -source["offset_ms"]

    assert all(pair.disagrees == () for pair in compare(layout, report).pairs)


def test_latency_of_a_digital_link():
    """64 samples on one track, the same for every source: a latency, on that track only."""

    def change(pair, entry):
        entry["offset_ms"] += {pair.b: 1, pair.a: -1}.get("over", 0) * 64 / 48

    layout = kit()
    found = compare(layout, report_for(layout, change=change))
    (lag,) = [lag for lag in found.lags if lag.verdict != "agrees"]

    assert (lag.mic, lag.verdict) == ("over", "latency")
    assert lag.lag_samples == pytest.approx(64, abs=0.5)
    assert "64 samples" in lag.why
    assert all(("offset" in pair.disagrees) == ("over" in (pair.a, pair.b)) for pair in found.pairs)


def test_a_mic_that_moved():
    """The overhead hangs 25 cm from where it was planned: the sources change unequally."""
    layout = kit()
    place = [0.35, 0.1, 1.7]

    def change(pair, entry):
        source = next(s for s in layout.plan.sources if s.name == pair.source)
        mic = next(m for m in layout.plan.mics if m.name == "over")
        moved = (
            1000
            * (math.dist(place, source.position_m) - math.dist(mic.position_m, source.position_m))
            / 343.2
        )
        entry["offset_ms"] += {pair.b: 1, pair.a: -1}.get("over", 0) * moved

    (lag,) = [
        lag for lag in compare(layout, report_for(layout, change=change)).lags if lag.verdict != "agrees"
    ]

    assert (lag.mic, lag.verdict) == ("over", "moved")


def test_wiring_and_other_side():
    """All sources inverted at one mic: wiring; one source only: its other side."""
    layout = kit()
    flip = {"same": "inverted", "inverted": "same"}

    def wiring(pair, entry):
        if "rack" in (pair.a, pair.b):
            entry["polarity"] = flip[entry["polarity"]]

    def one_side(pair, entry):
        if "rack" in (pair.a, pair.b) and pair.source == "kick":
            entry["polarity"] = flip[entry["polarity"]]

    wired = [
        pair
        for pair in compare(layout, report_for(layout, change=wiring)).pairs
        if "polarity" in pair.disagrees
    ]
    sided = [
        pair
        for pair in compare(layout, report_for(layout, change=one_side)).pairs
        if "polarity" in pair.disagrees
    ]
    assert len(wired) == 9
    assert all("rack has the other polarity for every source" in pair.reasons[0] for pair in wired)
    assert len(sided) == 3
    assert all("other side" in pair.reasons[0] for pair in sided)


@pytest.mark.parametrize(
    ("step_db", "words"), [(10, "a pad of 10 dB"), (20.8, "a pad of 20 dB"), (6, "preamp gain")]
)
def test_level_steps(step_db, words):
    """Pads are 10 or 20 dB (common practice); other steps are gain."""
    layout = kit()
    report = report_for(layout)
    homes = {s["home"] for pair in report["pairs"] for s in pair["sources"]}
    home_of = {"top": "snare", "out": "kick", "rack": "tom"}
    for home in homes:
        arrivals = [
            {"track": item.mic, "level_db": item.level_db - 30 - (step_db if item.mic == "over" else 0)}
            for item in layout.arrivals
            if item.source == home_of[home]
        ]
        report["sources"].append({"home": home, "arrivals": arrivals})
    found = [pair for pair in compare(layout, report).pairs if "level" in pair.disagrees]

    assert len(found) == 9
    assert all(
        pair.b == "over" and words in pair.reasons[0] and "over is" in pair.reasons[0] for pair in found
    )


def spectra_report(layout, cross):
    """Make a report that keeps flat spectra and this cross-spectrum for the first pair."""
    report = report_for(layout)
    pair = layout.pairs[0]
    report["curves"] = {
        "frequency_hz": (5.0 * np.arange(len(cross))).tolist(),
        "lag_ms": {"start": 0.0, "step": 1.0, "count": 1},
        "tracks": {pair.a: encode(np.ones(len(cross))), pair.b: encode(np.ones(len(cross)))},
        "pairs": [{"reference": pair.a, "other": pair.b, "aligned_ms": 0.0, "cross": encode(cross),
                   "correlation": encode(np.zeros(1))}],
    }  # fmt: skip
    return report


def test_notches_of_the_measured_sum():
    """Two equal tracks a planned delay apart show the notches; a diffuse sum does not, and it is said."""
    layout = predict_layout(
        plan(("source", "s", [0, 0, 1]), ("mic", "a", [0, 1, 1]), ("mic", "b", [0, 1.5, 1]))
    )
    frequency = np.arange(0, 24000, 5.0)
    clean = np.exp(-2j * np.pi * frequency * layout.pairs[0].offset_ms / 1000)

    seen = compare(layout, spectra_report(layout, clean)).pairs[0]
    assert seen.seen_notches_hz == pytest.approx(seen.planned_notches_hz)
    filled = compare(layout, spectra_report(layout, 0.1 * clean)).pairs[0]
    assert filled.seen_notches_hz == ()
    assert "notches" in filled.disagrees
    assert "reflections" in filled.reasons[-1]


def test_missing_tracks():
    """What the report does not know is listed; nothing in common is refused."""
    layout = kit()
    report = report_for(layout)
    report["tracks"] = report["tracks"][:3]
    report["pairs"] = [pair for pair in report["pairs"] if "over" not in (pair["reference"], pair["other"])]

    assert compare(layout, report).missing == ("over",)
    with pytest.raises(InputError, match="fewer than two names in common"):
        compare(layout, report | {"tracks": [{"name": "x"}]})


def test_document_is_json():
    """No NaN, no infinity, every array a list; complete cancellation is null with a flag."""
    layout = predict_layout(template_plan("blumlein"))
    document = json.loads(json.dumps(layout_document(layout, sample_rate_hz=48000), allow_nan=False))
    centre = document["pairs"][0]["comb"]

    assert centre["complete_cancellation"] is True
    assert centre["notch_depth_db"] is None


def template_plan(name):
    """Read a starting file at 343.2 m/s, the speed of the published numbers."""
    from polaritykit.commands.layout import _PLANS

    text = (_PLANS / f"{name}.toml").read_text(encoding="utf-8")
    head, _, rest = text.partition("[room]")
    lines = [line for line in rest.splitlines() if not line.startswith(("temperature_c", "humidity_percent"))]
    return read_plan(head + "[room]\nspeed_of_sound_mps = 343.2\n" + "\n".join(lines))


@pytest.mark.parametrize(("height_m", "told"), [(1.2, False), (2.1, True)])
def test_a_mic_over_heads_gets_a_caution(height_m, told):
    """Common practice, no source: secured, hung by qualified people, local rules first."""
    layout = predict_layout(
        plan(("source", "s", [0, 0, 1]), ("mic", "a", [0.3, 0, 1]), ("mic", "b", [0, 0.4, height_m]))
    )

    assert any("local rules come first" in remark for remark in layout.remarks) is told
