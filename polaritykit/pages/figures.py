"""Figures for a text, and any figure as the bytes of a picture.

Conventions: figures of their own (Agg canvas, no global state), nothing told by colour alone, names in any
letters.
"""

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from polaritykit.pages.view import JobView, ViewChart

STYLE = Path(__file__).parent / "templates" / "figures.mplstyle"
#: Notes in the margin, sources and mics in every drawing.
SOFT, SOURCE, MIC = "#8a9298", "#7a4f8f", "#1b2226"
#: What is drawn -> its colour and dash, in every figure and (`style.css`) on every page.
LOOKS = {
    "recorded": ("#6a7379", (0, (5, 2))),
    "set": ("#1d5f9e", "-"),
    "inverted": ("#a8380c", (0, (8, 2))),
    "plain": ("#1b2226", "-"),
    "other": ("#7a4f8f", ":"),
    "more": ("#3c7a4a", "-."),
}


def image_bytes(figure: "Figure", kind: str, dots_per_inch: int | None = None) -> bytes:
    """Render a figure as ``png``, ``svg`` or ``pdf`` without a time stamp, in the style of all figures.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    kind : {"png", "svg", "pdf"}
    dots_per_inch : int, optional
        Those of the style, fit for print, when left out.
    """
    import matplotlib as mpl

    buffer = io.BytesIO()
    metadata = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
    with figure_style(), any_letters():
        dpi = dots_per_inch or mpl.rcParams["savefig.dpi"]
        figure.savefig(buffer, format=kind, metadata=metadata, dpi=dpi)
    return buffer.getvalue()


def figure_name(*parts: str) -> str:
    """Join the parts of a figure's file name; what no file system likes becomes an underscore.

    Examples
    --------
    >>> figure_name("pair_01", "snare top", "a/b")
    'pair_01_snare_top_a_b'
    """
    return "_".join(re.sub(r"[^\w.-]+", "_", part)[:40].strip("_.") or "track" for part in parts)


@contextmanager
def figure_style() -> Iterator[None]:
    """Make and save figures in the one style, `templates/figures.mplstyle`."""
    import matplotlib as mpl

    with mpl.rc_context(fname=STYLE):
        yield


@contextmanager
def any_letters() -> Iterator[None]:
    """Draw names in scripts that the font lacks as boxes, without a warning for each letter."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph ")
        yield


def empty_figure(width: float, height: float, rows: int = 0, columns: int = 0) -> tuple["Figure", Any]:
    """Make a figure with one panel, or a flat list of them.

    Parameters
    ----------
    width, height : float
        Inches.
    rows, columns : int
        Of a list of panels; one panel without rows.
    """
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


def job_figures(view: "JobView") -> "tuple[Figure, ...]":
    """Draw each section's charts as one figure on white, for a text."""
    with figure_style():
        return tuple(_section_figure(section.charts) for section in view.sections if section.charts)


def _section_figure(charts: "tuple[ViewChart, ...]") -> "Figure":
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    columns = min(2, len(charts))
    rows = -(-len(charts) // columns)
    figure = Figure(figsize=(4.6 * columns, 2.9 * rows), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    for number, item in enumerate(charts, start=1):
        _draw(figure.add_subplot(rows, columns, number), item)
    return figure


def _draw(axes: Any, item: "ViewChart") -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator, NullFormatter

    x, y = item.spec["x"], item.spec["y"]
    if x.get("log"):
        axes.set_xscale("log")
    for place, series in enumerate(item.spec["series"]):
        colour, dash = LOOKS[series.get("tone") or ("plain", "other", "more")[place % 3]]
        axes.errorbar(
            series["x"],
            [float("nan") if value is None else value for value in series["y"]],
            yerr=[value or 0.0 for value in series["std"]] if "std" in series else None,
            color=colour,
            linestyle="none" if series.get("dots") else dash,
            linewidth=1.3,
            elinewidth=0.8,
            capsize=2 if "std" in series else 0,
            marker="o" if series.get("points") else None,
            markersize=3.5,
            label=series["label"],
        )
    axes.set(xlim=(x["min"], x["max"]), ylim=(y["min"], y["max"]), xlabel=x["label"], ylabel=y["label"])
    axes.set_title(item.caption)
    if x.get("ticks"):
        axes.set_xticks(x["ticks"])
        axes.xaxis.set_major_formatter(
            FuncFormatter(lambda value, _: f"{value / 1000:g}k" if value >= 1000 else f"{value:g}")
        )
        axes.xaxis.set_minor_formatter(NullFormatter())
    if y.get("ticks"):
        axes.set_yticks(y["ticks"])
    elif "dB" in y["label"]:  # whole steps that hold 0 dB
        axes.yaxis.set_major_locator(MultipleLocator(3 if y["max"] - y["min"] <= 24 else 6))
    axes.axhline(0.0, color=SOFT, linewidth=0.8, zorder=1)
    if len(item.spec["series"]) > 1:
        axes.legend()
