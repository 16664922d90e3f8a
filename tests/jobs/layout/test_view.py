"""The plan on the page: to scale, patterns as textbooks give them, names inside the drawing."""

import math

import pytest

from polaritykit.jobs.layout.view import plan_views


def _mic(name, position, *, pattern="cardioid", aim=(1.0, 0.0, 0.0), polarity="same"):
    return {
        "name": name,
        "position_m": list(position),
        "pattern": pattern,
        "aim": list(aim),
        "polarity": polarity,
    }


def _document(*mics):
    return {
        "sources": [{"name": "drum", "position_m": [0.0, 0.0, 0.5]}],
        "mics": list(mics),
        "surfaces": [{"normal": [0.0, 0.0, 1.0], "point_m": [0.0, 0.0, 0.0]}],
        "arrivals": [
            {"source": "drum", "mic": mic["name"], "distance_m": math.dist([0, 0, 0.5], mic["position_m"])}
            for mic in mics
        ],
    }


def test_the_plan_is_to_scale():
    """Seen from above 0.3 m and 0.4 m are as 3 to 4 in the drawing, at a right angle, front up."""
    above, side = plan_views(_document(_mic("a", (0.3, 0.0, 0.5)), _mic("b", (0.0, 0.4, 0.5))))
    (drum,), (a, b) = above["sources"], above["mics"]

    assert (a["y"], b["x"]) == (drum["y"], drum["x"])
    assert (drum["y"] - b["y"]) / (a["x"] - drum["x"]) == pytest.approx(4 / 3, abs=0.01)
    assert above["spans"][0]["label"] == "0.30 m"
    assert above["surfaces"] == []  # the floor is seen edge-on from the side only
    assert len(side["surfaces"]) == 1


@pytest.mark.parametrize(
    ("pattern", "front", "rear"),
    [("omni", 1.0, 1.0), ("cardioid", 1.0, 0.0), ("figure-of-eight", 1.0, 1.0)],
)
def test_patterns_are_the_textbooks(pattern, front, rear):
    """|p + (1 − p) cos θ| on axis and behind."""
    above, _ = plan_views(_document(_mic("a", (0.3, 0.0, 0.5), pattern=pattern)))
    mic = above["mics"][0]
    points = [tuple(map(float, pair.split(","))) for pair in mic["pattern"].split()]

    assert points[0][0] - mic["x"] == pytest.approx(24 * front, abs=0.1)
    assert mic["x"] - points[24][0] == pytest.approx(24 * rear, abs=0.1)


def test_names_stay_inside_and_beside_one_another():
    """Eight mics in one spot: every name within the drawing, no two on one another."""
    mics = [_mic(f"microphone_{k}", (0.3 + 0.002 * k, 0.0, 0.5), polarity="inverted") for k in range(8)]
    for view in plan_views(_document(*mics)):
        boxes = [
            (each["x"], each["y"] - 11, each["x"] + 7.0 * len(each["text"]), each["y"] + 3)
            for each in view["labels"]
        ]
        for k, box in enumerate(boxes):
            assert box[0] >= 0
            assert box[2] <= view["width"]
            for other in boxes[:k]:
                assert min(box[2], other[2]) <= max(box[0], other[0]) or min(box[3], other[3]) <= max(
                    box[1], other[1]
                )
        assert all(each["text"].endswith("ø") for each in view["labels"] if each["kind"] == "mic")
