"""Figures to the bytes of a picture, whatever letters names hold."""

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Ink, notes in the margin, sources and mics in every drawing.
INK, SOFT, SOURCE, MIC = "#1b2226", "#8a9298", "#a8380c", "#1d5f9e"


def image_bytes(figure: "Figure", kind: str) -> bytes:
    """Render a figure as ``png``, ``svg`` or ``pdf`` without a time stamp."""
    import matplotlib as mpl

    buffer = io.BytesIO()
    metadata = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
    with mpl.rc_context({"svg.hashsalt": "polaritykit"}), any_letters():
        figure.savefig(buffer, format=kind, dpi=130, metadata=metadata)
    return buffer.getvalue()


@contextmanager
def any_letters() -> Iterator[None]:
    """Draw names in scripts that the font lacks as boxes, without a warning for each letter."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph ")
        yield


def empty_figure(width: float, height: float, rows: int = 0, columns: int = 0) -> tuple["Figure", Any]:
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
