"""The plan of a layout document to scale, as shapes for the page: from above and from the side.

Conventions: reads the document only; every coordinate is in units of the drawing, x to the right, y down.
The page's own style colours the shapes, so that the plan follows dark and print.
"""

import math
from collections.abc import Sequence
from typing import Any

from polaritykit.base.types import Json
from polaritykit.base.wording import number
from polaritykit.jobs.layout.mic_patterns import pattern_gain

#: Units of the drawing: a view's width, its height at most, margin around the outermost point, character.
_WIDTH, _MOST_HEIGHT, _LEAST_HEIGHT, _MARGIN, _LETTER = 560.0, 520.0, 220.0, 64.0, 7.0
#: A pattern's radius on axis.
_RADIUS = 24.0

Box = tuple[float, float, float, float]


def plan_views(document: Json) -> list[dict[str, Any]]:
    """Lay out both views.

    Parameters
    ----------
    document : dict
        Of a layout.

    Returns
    -------
    list of dict
        ``title``, ``width``, ``height``; ``grid`` and ``surfaces`` (lines), ``sources``, ``mics`` (with their
        ``pattern`` as a path and their ``aim`` as a line), ``spans`` (each source to its nearest mic, with
        the distance) and ``labels``.
    """
    return [
        _view(document, (0, 1), "From above, in metres; the front is up"),
        _view(document, (1, 2), "From the side, in metres; the front is right"),
    ]


class _Scale:
    """Metres in the plane of a view to units of the drawing."""

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        across, up = ([point[k] for point in points] for k in (0, 1))
        span = max(max(across) - min(across), 0.4), max(max(up) - min(up), 0.4)
        inner = _WIDTH - 2 * _MARGIN, _MOST_HEIGHT - 2 * _MARGIN
        self.per_m = min(inner[0] / span[0], inner[1] / span[1])
        self.height = max(_LEAST_HEIGHT, self.per_m * span[1] + 2 * _MARGIN)
        self._centre = (max(across) + min(across)) / 2, (max(up) + min(up)) / 2

    def at(self, point: Sequence[float]) -> tuple[float, float]:
        x = _WIDTH / 2 + (point[0] - self._centre[0]) * self.per_m
        return round(x, 1), round(self.height / 2 - (point[1] - self._centre[1]) * self.per_m, 1)

    def metres(self, axis: int) -> tuple[float, float]:
        """Range that the drawing shows."""
        half = (_WIDTH if axis == 0 else self.height) / 2 / self.per_m
        return self._centre[axis] - half, self._centre[axis] + half


def _view(document: Json, plane: tuple[int, int], title: str) -> dict[str, Any]:
    def flat(vector: Sequence[float]) -> tuple[float, float]:
        return vector[plane[0]], vector[plane[1]]

    things = [*document["sources"], *document["mics"]]
    scale = _Scale([flat(thing["position_m"]) for thing in things])
    dots = [scale.at(flat(thing["position_m"])) for thing in things]
    n_sources = len(document["sources"])
    spans = _spans(document, {thing["name"]: dot for thing, dot in zip(things, dots, strict=True)})
    mics = [_microphone(mic, dot, flat) for mic, dot in zip(document["mics"], dots[n_sources:], strict=True)]
    return {
        "title": title,
        "width": round(_WIDTH),
        "height": round(scale.height),
        "grid": _grid(scale),
        "surfaces": _surfaces(document, plane, scale),
        "sources": [{"x": x, "y": y} for x, y in dots[:n_sources]],
        "mics": mics,
        "spans": spans,
        "labels": _labels(
            things, dots, spans={span["source"]: span["label"] for span in spans}, height=scale.height
        ),
    }


def _grid(scale: _Scale) -> list[dict[str, Any]]:
    """Lines at whole steps of a size that leaves some fifty units between them."""
    step = next(size for size in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 1e9) if size * scale.per_m >= 50.0)
    lines = []
    for axis in (0, 1):
        low, high = scale.metres(axis)
        for place in range(math.ceil(low / step), math.floor(high / step) + 1):
            x, y = scale.at((place * step, place * step))
            ends = (x, 0.0, x, round(scale.height)) if axis == 0 else (0.0, y, round(_WIDTH), y)
            # The corner keeps one label.
            crowded = (x < 40.0) if axis == 0 else (y > scale.height - 16.0 or y < 14.0)
            label = "" if crowded else number(place * step, 1)
            lines.append({"ends": ends, "upright": axis == 0, "label": label})
    return lines


def _surfaces(
    document: Json, plane: tuple[int, int], scale: _Scale
) -> list[tuple[float, float, float, float]]:
    """Surfaces seen edge-on, as lines beyond the drawing's edges."""
    lines = []
    for surface in document["surfaces"]:
        normal, point = surface["normal"], surface["point_m"]
        a, b = normal[plane[0]], normal[plane[1]]
        if math.hypot(a, b) < 1e-9 or abs(normal[3 - sum(plane)]) > 1e-9:
            continue
        far = 50.0 / math.hypot(a, b)
        at = point[plane[0]], point[plane[1]]
        ends = [scale.at((at[0] - side * far * b, at[1] + side * far * a)) for side in (-1, 1)]
        lines.append((*ends[0], *ends[1]))
    return lines


def _microphone(mic: Json, dot: tuple[float, float], flat: Any) -> dict[str, Any]:
    """Place a mic with its pattern, cut by the plane of the view, and its aim."""
    aim = flat(mic["aim"]) if mic["aim"] is not None else (0.0, 0.0)
    length = math.hypot(*aim)
    steps = [2 * math.pi * k / 48 for k in range(48)]
    gains = [abs(pattern_gain(mic["pattern"], aim[0] * math.cos(t) + aim[1] * math.sin(t))) for t in steps]
    outline = " ".join(
        f"{dot[0] + _RADIUS * gain * math.cos(t):.1f},{dot[1] - _RADIUS * gain * math.sin(t):.1f}"
        for t, gain in zip(steps, gains, strict=True)
    )
    reach = 1.35 * _RADIUS
    tip = (round(dot[0] + reach * aim[0], 1), round(dot[1] - reach * aim[1], 1))
    aimed = length > 0.2 and mic["pattern"] != "omni"
    return {"x": dot[0], "y": dot[1], "pattern": outline, "aim": (*dot, *tip) if aimed else None}


def _spans(document: Json, dots: dict[str, tuple[float, float]]) -> list[dict[str, Any]]:
    """Each source to the mic that is nearest to it."""
    spans = []
    for source in document["sources"]:
        near = min(
            (item for item in document["arrivals"] if item["source"] == source["name"]),
            key=lambda item: item["distance_m"],
            default=None,
        )
        if near is None:
            continue
        a, b = dots[source["name"]], dots[near["mic"]]
        spans.append(
            {"source": source["name"], "ends": (*a, *b), "label": f"{number(near['distance_m'], 2)} m"}
        )
    return spans


def _labels(
    things: Sequence[Json],
    dots: Sequence[tuple[float, float]],
    *,
    spans: dict[str, str],
    height: float,
) -> list[dict[str, Any]]:
    """Write names beside their points (sources with the way to their nearest mic), where they cover least."""
    taken = [(x - 6, y - 6, x + 6, y + 6) for x, y in dots]
    labels = []
    for thing, (x, y) in zip(things, dots, strict=True):
        name = thing["name"] + (" ø" if thing.get("polarity") == "inverted" else "")
        shown = name if len(name) <= 24 else name[:23] + "…"
        is_mic = "pattern" in thing
        if not is_mic and thing["name"] in spans:
            shown += f" {spans[thing['name']]}"
        wide = _LETTER * len(shown)
        spots = [
            (x + (9 if right else -9 - wide), y + fall)
            for fall in (4, -10, 18, -24, 32, -38, 46, -52)
            for right in (True, False)
        ]
        boxes = [(left, base - 11, left + wide, base + 3) for left, base in spots]
        best = min(
            range(len(boxes)),
            key=lambda k: (
                sum(_overlap(boxes[k], box) for box in taken) + 99.0 * _outside(boxes[k], height),
                k,
            ),
        )
        taken.append(boxes[best])
        left, base = spots[best]
        labels.append(
            {
                "x": round(left, 1),
                "y": round(base, 1),
                "text": shown,
                "kind": "mic" if is_mic else "source",
            }
        )
    return labels


def _overlap(a: Box, b: Box) -> float:
    """Area that two boxes (left, top, right, bottom) share."""
    return max(min(a[2], b[2]) - max(a[0], b[0]), 0.0) * max(min(a[3], b[3]) - max(a[1], b[1]), 0.0)


def _outside(box: Box, height: float) -> float:
    """How far a box reaches over the drawing's edge."""
    return sum(max(0.0, over) for over in (-box[0], -box[1], box[2] - _WIDTH, box[3] - height))
