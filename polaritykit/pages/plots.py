"""The charts of a smaller job's page as matplotlib figures, to put into a text.

Conventions: as in `plots`: figures of their own (Agg canvas, no global state), nothing told by colour alone.
"""

from typing import TYPE_CHECKING, Any

from polaritykit.pages.view import JobView, ViewChart

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def job_figures(view: JobView) -> "tuple[Figure, ...]":
    """Draw each section's charts as one figure on white, for a text."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figures = []
    for section in view.sections:
        if not section.charts:
            continue
        columns = min(2, len(section.charts))
        rows = -(-len(section.charts) // columns)
        figure = Figure(figsize=(4.6 * columns, 2.9 * rows), layout="constrained", facecolor="white")
        FigureCanvasAgg(figure)
        for number, item in enumerate(section.charts, start=1):
            _draw(figure.add_subplot(rows, columns, number), item)
        figures.append(figure)
    return tuple(figures)


def _draw(axes: Any, item: ViewChart) -> None:
    from matplotlib.ticker import FuncFormatter, NullFormatter

    styles = (("#1d5f9e", "-"), ("#a8380c", "--"), ("#3c7a4a", ":"), ("#7a4f8f", "-."))
    x, y = item.spec["x"], item.spec["y"]
    if x.get("log"):
        axes.set_xscale("log")
    for series, (colour, dash) in zip(item.spec["series"], styles, strict=False):
        levels = [float("nan") if value is None else value for value in series["y"]]
        axes.plot(
            series["x"],
            levels,
            color=colour,
            linestyle="none" if series.get("dots") else dash,
            linewidth=1.3,
            marker="o" if series.get("points") else None,
            markersize=3.5,
            label=series["label"],
        )
    axes.set(xlim=(x["min"], x["max"]), ylim=(y["min"], y["max"]), xlabel=x["label"], ylabel=y["label"])
    axes.set_title(item.caption, fontsize=8, loc="left")
    if x.get("ticks"):
        axes.set_xticks(x["ticks"])
        axes.xaxis.set_major_formatter(
            FuncFormatter(lambda value, _: f"{value / 1000:g}k" if value >= 1000 else f"{value:g}")
        )
        axes.xaxis.set_minor_formatter(NullFormatter())
    if y.get("ticks"):
        axes.set_yticks(y["ticks"])
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_fontsize(8)
    axes.grid(color="#e4e2da", linewidth=0.6)
    axes.tick_params(labelsize=7)
    if len(item.spec["series"]) > 1:
        axes.legend(fontsize=7, frameon=False)
