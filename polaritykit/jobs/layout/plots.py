"""Figures of comb and layout documents, each on a `Figure` of its own: curve, responses, plan to scale.

Conventions: nothing global is touched (no pyplot); frequencies on a logarithmic axis, levels in dB against
the louder signal alone; the plan is drawn from above (x right, y front) and from the side.
"""

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.spectra.comb import comb_response_db

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_Json = dict[str, Any]
_LOWEST_HZ = 20.0
#: More panels than this are not looked at; the table has the rest.
MOST_CHARTS = 24
#: Deepest level drawn: a complete cancellation would have no end.
_FLOOR_DB = -40.0
_INK, _SOFT, _SOURCE, _MIC = "#1b2226", "#8a9298", "#a8380c", "#1d5f9e"


def response_grid_hz(comb: _Json, points: int = 1500) -> Floats:
    """Frequencies on which a curve is drawn: even on the log axis, with every notch and peak on it."""
    top = max(float(comb["up_to_hz"]), 2 * _LOWEST_HZ)
    marks = [hz for hz in (*comb["notches_hz"], *comb["peaks_hz"]) if _LOWEST_HZ <= hz <= top]
    return np.union1d(np.geomspace(_LOWEST_HZ, top, points), np.asarray(marks, dtype=np.float64))


def response_db(comb: _Json, frequency_hz: Floats) -> Floats:
    """Response of a comb in a document, cut off at the deepest level drawn."""
    level = comb_response_db(
        frequency_hz, comb["delay_ms"], comb["level_difference_db"], comb["polarity"] == "inverted"
    )
    return np.asarray(np.maximum(level, _FLOOR_DB), dtype=np.float64)


def comb_figure(comb: _Json) -> "Figure":
    """Draw the summed response of one comb, the first notches marked."""
    figure, axes = _figure(9.0, 4.2)
    _draw_response(axes, comb)
    for notch in [hz for hz in comb["notches_hz"] if hz >= _LOWEST_HZ][:6]:
        axes.axvline(notch, color=_SOURCE, linewidth=0.8, linestyle=":")
    axes.set_title(
        f"Sum of a sound and its copy {comb['delay_ms']:.3g} ms later, {comb['polarity']} polarity",
        fontsize=11,
    )
    return figure


def charted_pairs(document: _Json) -> list[_Json]:
    """Pairs of a layout whose response is worth a picture, in the document's order."""
    return [pair for pair in document["pairs"] if pair["comb"] is not None and pair["of_interest"]]


def responses_figure(document: _Json) -> "Figure":
    """Draw one panel per pair of interest, up to `MOST_CHARTS`: the summed response of its source."""
    pairs = charted_pairs(document)[:MOST_CHARTS]
    rows = max((len(pairs) + 1) // 2, 1)
    figure, axes = _figure(11.0, 2.4 * rows + 0.4, rows=rows, columns=2)
    for pair, panel in zip(pairs, axes, strict=False):
        _draw_response(panel, pair["comb"])
        panel.set_title(_words(f"{pair['source']}: {pair['a']} + {pair['b']}"), fontsize=9)
    for panel in axes[len(pairs) :]:
        panel.set_visible(False)
    return figure


def plan_figure(document: _Json) -> "Figure":
    """Draw the plan to scale, from above and from the side."""
    figure, (above, side) = _figure(11.0, 6.0, rows=1, columns=2)
    for axes, (across, up), title in (
        (above, (0, 1), "From above (m): front is up"),
        (side, (1, 2), "From the side (m): front is right"),
    ):
        _draw_points(axes, document, across, up)
        axes.set_aspect("equal", adjustable="datalim")
        axes.set_title(title, fontsize=10)
        axes.grid(color="#e4e2da", linewidth=0.6)
        axes.set_axisbelow(True)
        axes.margins(0.18)
    with _any_letters():
        figure.draw_without_rendering()
    for axes, across, up in ((above, 0, 1), (side, 1, 2)):
        _draw_labels(axes, document, across, up)
    return figure


def image_bytes(figure: "Figure", kind: str) -> bytes:
    """Render a figure as ``png``, ``svg`` or ``pdf`` without a time stamp."""
    import matplotlib as mpl

    buffer = io.BytesIO()
    metadata = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
    with mpl.rc_context({"svg.hashsalt": "polaritykit"}), _any_letters():
        figure.savefig(buffer, format=kind, dpi=130, metadata=metadata)
    return buffer.getvalue()


@contextmanager
def _any_letters() -> Iterator[None]:
    """Draw names in scripts that the font lacks as boxes, without a warning for each letter."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph ")
        yield


def _figure(width: float, height: float, rows: int = 0, columns: int = 0) -> tuple["Figure", Any]:
    """Make a figure with one panel, or a flat list of them."""
    from matplotlib.figure import Figure

    if not rows:
        figure = Figure(figsize=(width, height), layout="constrained")
        return figure, figure.add_subplot()
    # Fixed margins (inches): working them out takes longer than drawing dozens of panels.
    figure = Figure(figsize=(width, height))
    figure.subplots_adjust(
        left=0.6 / width, right=1 - 0.15 / width, top=1 - 0.35 / height, bottom=0.5 / height,
        hspace=0.55, wspace=0.13,
    )  # fmt: skip
    return figure, list(figure.subplots(rows, columns, squeeze=False).flat)


def _draw_response(axes: "Axes", comb: _Json) -> None:
    frequency = response_grid_hz(comb)
    axes.semilogx(frequency, response_db(comb, frequency), color=_MIC, linewidth=1.2)
    axes.axhline(0.0, color=_SOFT, linewidth=0.8)
    axes.set_xlim(_LOWEST_HZ, frequency[-1])
    deepest = comb["notch_depth_db"]
    axes.set_ylim(_FLOOR_DB if deepest is None else max(_FLOOR_DB, -max(1.15 * deepest, 6.0)), 8.0)
    ticks = [hz for hz in (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000) if hz <= frequency[-1]]
    axes.set_xticks(ticks, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in ticks])
    axes.minorticks_off()
    axes.grid(color="#e4e2da", linewidth=0.6)
    axes.set_xlabel("frequency (Hz)", fontsize=8)
    axes.set_ylabel("dB", fontsize=8)
    axes.tick_params(labelsize=8)


def _draw_points(axes: "Axes", document: _Json, across: int, up: int) -> None:
    """Draw sources as dots, mics as triangles with their aim, surfaces seen edge-on as lines."""
    for surface in document["surfaces"]:
        normal, point = surface["normal"], surface["point_m"]
        if abs(normal[across]) + abs(normal[up]) > 1e-9 and abs(normal[3 - across - up]) < 1e-9:
            axes.axline(
                (point[across], point[up]),
                (point[across] - normal[up], point[up] + normal[across]),
                color=_SOFT,
                linewidth=2,
            )
    for source in document["sources"]:
        axes.plot(source["position_m"][across], source["position_m"][up], "o", color=_SOURCE, markersize=8)
    for mic in document["mics"]:
        place = (mic["position_m"][across], mic["position_m"][up])
        axes.plot(*place, "^", color=_MIC, markersize=7)
        if mic["aim"] is not None and mic["pattern"] != "omni":
            tip = (place[0] + 0.25 * mic["aim"][across], place[1] + 0.25 * mic["aim"][up])
            axes.annotate("", xy=tip, xytext=place, arrowprops={"arrowstyle": "->", "color": _MIC})


def _draw_labels(axes: "Axes", document: _Json, across: int, up: int) -> None:
    """Write the names beside their points, each where it covers the least of what is there.

    The axes' limits must be final.
    """
    things = [(source["name"], source, _SOURCE) for source in document["sources"]]
    things += [
        (mic["name"] + (" ø" if mic["polarity"] == "inverted" else ""), mic, _MIC) for mic in document["mics"]
    ]
    to_points = 72 / axes.get_figure(root=True).dpi  # type: ignore[union-attr] # the axes stand in a figure
    dots = [
        axes.transData.transform((thing["position_m"][across], thing["position_m"][up])) * to_points
        for _, thing, _ in things
    ]
    taken = [(x - 5, y - 5, x + 5, y + 5) for x, y in dots]
    for (name, thing, colour), dot in zip(things, dots, strict=True):
        width = 5.0 * len(name)
        spots = [(right, rise) for rise in (4, -12, 14, -22, 24, -32, 34) for right in (7.0, -7.0 - width)]
        boxes = [(dot[0] + x, dot[1] + y, dot[0] + x + width, dot[1] + y + 9) for x, y in spots]
        best = min(range(len(boxes)), key=lambda i: (sum(_overlap(boxes[i], box) for box in taken), i))
        taken.append(boxes[best])
        axes.annotate(
            _words(name),
            (thing["position_m"][across], thing["position_m"][up]),
            xytext=spots[best],
            textcoords="offset points",
            fontsize=8,
            color=colour,
        ).set_in_layout(False)


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Area that two boxes (left, bottom, right, top) share."""
    return max(min(a[2], b[2]) - max(a[0], b[0]), 0.0) * max(min(a[3], b[3]) - max(a[1], b[1]), 0.0)


def _words(name: str) -> str:
    """Keep a name from being read as mathematics."""
    return name.replace("$", r"\$")
