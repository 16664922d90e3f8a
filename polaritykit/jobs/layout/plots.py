"""Figures of a mic plan's document, each on a `Figure` of its own: responses, plan to scale.

Conventions: nothing global is touched (no pyplot); frequencies on a logarithmic axis, levels in dB against
the louder signal alone; the plan is drawn from above (x right, y front) and from the side.
"""

from typing import TYPE_CHECKING

from polaritykit.base.types import Json
from polaritykit.jobs.comb.plots import draw_response
from polaritykit.pages.figures import MIC, SOFT, SOURCE, any_letters, empty_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


#: More panels than this are not looked at; the table has the rest.
MOST_CHARTS = 24


def charted_pairs(document: Json) -> list[Json]:
    """Pairs of a layout whose response is worth a picture, in the document's order."""
    return [pair for pair in document["pairs"] if pair["comb"] is not None and pair["of_interest"]]


def responses_figure(document: Json) -> "Figure":
    """Draw one panel per pair of interest, up to `MOST_CHARTS`: the summed response of its source."""
    pairs = charted_pairs(document)[:MOST_CHARTS]
    rows = max((len(pairs) + 1) // 2, 1)
    figure, axes = empty_figure(11.0, 2.4 * rows + 0.4, rows=rows, columns=2)
    for pair, panel in zip(pairs, axes, strict=False):
        draw_response(panel, pair["comb"])
        panel.set_title(_words(f"{pair['source']}: {pair['a']} + {pair['b']}"), fontsize=9)
    for panel in axes[len(pairs) :]:
        panel.set_visible(False)
    return figure


def plan_figure(document: Json) -> "Figure":
    """Draw the plan to scale, from above and from the side."""
    figure, (above, side) = empty_figure(11.0, 6.0, rows=1, columns=2)
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
    with any_letters():
        figure.draw_without_rendering()
    for axes, across, up in ((above, 0, 1), (side, 1, 2)):
        _draw_labels(axes, document, across, up)
    return figure


def _draw_points(axes: "Axes", document: Json, across: int, up: int) -> None:
    """Draw sources as dots, mics as triangles with their aim, surfaces seen edge-on as lines."""
    for surface in document["surfaces"]:
        normal, point = surface["normal"], surface["point_m"]
        if abs(normal[across]) + abs(normal[up]) > 1e-9 and abs(normal[3 - across - up]) < 1e-9:
            axes.axline(
                (point[across], point[up]),
                (point[across] - normal[up], point[up] + normal[across]),
                color=SOFT,
                linewidth=2,
            )
    for source in document["sources"]:
        axes.plot(source["position_m"][across], source["position_m"][up], "o", color=SOURCE, markersize=8)
    for mic in document["mics"]:
        place = (mic["position_m"][across], mic["position_m"][up])
        axes.plot(*place, "^", color=MIC, markersize=7)
        if mic["aim"] is not None and mic["pattern"] != "omni":
            tip = (place[0] + 0.25 * mic["aim"][across], place[1] + 0.25 * mic["aim"][up])
            axes.annotate("", xy=tip, xytext=place, arrowprops={"arrowstyle": "->", "color": MIC})


def _draw_labels(axes: "Axes", document: Json, across: int, up: int) -> None:
    """Write the names beside their points, each where it covers the least of what is there.

    The axes' limits must be final.
    """
    things = [(source["name"], source, SOURCE) for source in document["sources"]]
    things += [
        (mic["name"] + (" ø" if mic["polarity"] == "inverted" else ""), mic, MIC) for mic in document["mics"]
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
