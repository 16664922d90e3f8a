"""Document → matplotlib figures to put into a text: the session map, and a panel per pair.

Conventions: every function draws on the figure it is given or on its own (Agg canvas, no global state), reads
the document only, and returns the figure; the caller saves it.  Nothing is told apart by colour alone.
"""

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from polaritykit.base.hearing import HEARING_HZ
from polaritykit.base.types import Floats
from polaritykit.base.wording import GLYPHS, band, decimals_for, number, percent
from polaritykit.jobs.check.words import lateness, lined_up
from polaritykit.pages.figures import LOOKS
from polaritykit.spectra.pair_sum import band_coherence, band_phase_deg, summed_response
from polaritykit.spectra.records import FrequencyBands
from polaritykit.spectra.stored import StoredPair, stored_bands, stored_pair

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Document = dict[str, Any]

_INVERTED, _INK, _SOFT = "#a8380c", "#1b2226", "#555f66"
_FACES = {"same": "#eeece4", "inverted": "#f9e3d8", "unclear": "#ffffff"}
#: Lowest level shown, as on the page.
_FLOOR_DB = -21.0
#: Phase means little where the coherence is lower than this.
_COHERENT = 0.3


def session_map(document: Document, figure: "Figure | None" = None) -> "Figure":
    """Draw the tracks × tracks map: polarity sign, offset in ms, confidence.

    A cell tells how the track of its column arrives against the track of its row.

    Parameters
    ----------
    document : dict
        The document of a check.
    figure : matplotlib.figure.Figure, optional
        Drawn on as it is; a new one of fitting size otherwise.

    Returns
    -------
    matplotlib.figure.Figure
    """
    names = [track["name"] for track in document["tracks"]]
    side = max(4.0, 1.6 + 0.62 * len(names))
    figure = figure or _new_figure((side + 1.2, side * 0.8 + 1.2))
    axes = figure.add_subplot()
    for pair in map(lined_up, document["pairs"]):
        if pair["related"]:
            a, b = names.index(pair["reference"]), names.index(pair["other"])
            _draw_cell(axes, (a, b), pair, 1.0)
            _draw_cell(axes, (b, a), pair, -1.0)
    labels = [_short(name) for name in names]
    axes.set_xticks(range(len(names)), labels, rotation=90)
    axes.set_yticks(range(len(names)), labels)
    axes.set(xlim=(-0.5, len(names) - 0.5), ylim=(len(names) - 0.5, -0.5))
    axes.tick_params(length=0, labelsize=8, top=True, labeltop=True, bottom=False, labelbottom=False)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_xlabel(
        "column against row, ms (positive: the column is late)   = same   ø inverted   ? unclear", fontsize=8
    )
    return figure


def pair_panel(document: Document, reference: str, other: str, figure: "Figure | None" = None) -> "Figure":
    """Draw one pair: correlation, summed response, phase and coherence.

    Parameters
    ----------
    document : dict
        The document of a check; its ``curves`` must hold the pair.
    reference, other : str
        Names of the two tracks, in the document's order.
    figure : matplotlib.figure.Figure, optional
        Drawn on as it is; a new one otherwise.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    KeyError
        The document keeps no curves of this pair.
    """
    key = (reference, other)
    entries = {(entry["reference"], entry["other"]): entry for entry in document["curves"]["pairs"]}
    pair = lined_up(next(pair for pair in document["pairs"] if (pair["reference"], pair["other"]) == key))
    stored = stored_pair(document["curves"], entries[key])
    bands = stored_bands(document["curves"])
    figure = figure or _new_figure((9.0, 6.5))
    grid = figure.add_gridspec(3, 2, height_ratios=(3, 2, 2))
    figure.suptitle(_title(pair), fontsize=10)
    seen = (entries[key].get("notches") or [{"notches_hz": ()}])[0]["notches_hz"]
    _draw_response(figure.add_subplot(grid[0, :]), pair, stored, bands, notches=seen)
    _draw_correlation(figure.add_subplot(grid[1:, 0]), pair, stored)
    offset = pair["offset_ms"] or 0.0
    coherence = band_coherence(stored.spectra, bands, offset_ms=offset)
    _draw_phase(figure.add_subplot(grid[1, 1]), stored, bands, coherence)
    axes = figure.add_subplot(grid[2, 1])
    axes.semilogx(bands.centre_hz, coherence, color=_INK, linewidth=1)
    axes.set(ylim=(0, 1.02), xlim=HEARING_HZ, ylabel="coherence", xlabel="Hz")
    _tidy(axes)
    return figure


def _new_figure(size: tuple[float, float]) -> "Figure":
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def _draw_cell(axes: "Axes", place: tuple[int, int], pair: dict[str, Any], sign: float) -> None:
    from matplotlib.patches import Rectangle

    row, column = place
    polarity = pair["polarity"]
    axes.add_patch(
        Rectangle(
            (column - 0.47, row - 0.47),
            0.94,
            0.94,
            facecolor=_FACES[polarity],
            edgecolor=_INVERTED if polarity == "inverted" else "#d5d3cb",
            hatch="///" if polarity == "unclear" else None,
            linewidth=1.2 if polarity == "inverted" else 0.6,
        )
    )
    offset = pair["offset_ms"]
    decimals = decimals_for(pair["offset_std_ms"], most=2)
    words = "" if offset is None else number(sign * offset, decimals, signed=True)
    text = (
        f"{GLYPHS[polarity]} {words}\n{percent(pair['confidence']) if pair['confidence'] is not None else ''}"
    )
    backing = {"facecolor": "white", "edgecolor": "none", "pad": 1.0} if polarity == "unclear" else None
    axes.text(column, row, text, ha="center", va="center", fontsize=7, color=_INK, bbox=backing)


def _draw_response(
    axes: "Axes",
    pair: dict[str, Any],
    stored: StoredPair,
    bands: FrequencyBands,
    *,
    notches: Sequence[float],
) -> None:
    advice = pair["advice"] or {"invert": False, "shift_ms": 0.0}
    delay = advice["shift_ms"]
    recorded = summed_response(stored.spectra, bands)
    grey, dash = LOOKS["recorded"]
    axes.semilogx(bands.centre_hz, recorded, color=grey, linestyle=dash, linewidth=1.1, label="as recorded")
    if advice["invert"] or delay:
        advised = summed_response(stored.spectra, bands, delay_ms=delay, invert=advice["invert"])
        axes.semilogx(bands.centre_hz, advised, color=LOOKS["set"][0], linewidth=1.4, label="with settings")
    floor = _FLOOR_DB
    if notches:
        axes.plot(
            notches, [floor + 0.8] * len(notches), "^", color=_INK, markersize=4, label="predicted and seen"
        )
    for source in pair["sources"][:1]:
        if source["band_hz"]:
            axes.axvspan(*source["band_hz"], color=_FACES["same"], zorder=0)
            axes.set_title(f"Shaded: the source's band, {band(source['band_hz'])}", fontsize=8, loc="right")
    axes.set(xlim=HEARING_HZ, ylim=(floor, 9), ylabel="sum, dB re power sum", xlabel="Hz")
    axes.set_yticks([-18, -12, -6, -3, 0, 3, 6, 9])
    axes.legend(fontsize=8, loc="lower left", frameon=False)
    _tidy(axes)


def _draw_correlation(axes: "Axes", pair: dict[str, Any], stored: StoredPair) -> None:
    offset = pair["offset_ms"]
    low, high = min(0.0, offset or 0.0) - 3.0, max(0.0, offset or 0.0) + 3.0
    shown = (stored.lag_ms >= low) & (stored.lag_ms <= high)
    axes.plot(stored.lag_ms[shown], stored.correlation[shown], color=LOOKS["recorded"][0], linewidth=1)
    axes.axhline(0.0, color=_SOFT, linewidth=0.6)
    if offset is not None:
        axes.axvline(offset, color=_INK, linestyle="--", linewidth=1)
        axes.set_title("dashed: direct sound; a peak downwards means inverted", fontsize=8, loc="right")
    axes.set(xlim=(low, high), xlabel=f"lag of {_plain(_short(pair['other']))}, ms", ylabel="correlation")
    _tidy(axes)


def _draw_phase(axes: "Axes", stored: StoredPair, bands: FrequencyBands, coherence: Floats) -> None:
    phase = np.where(coherence >= _COHERENT, band_phase_deg(stored.spectra, bands), np.nan)
    axes.semilogx(bands.centre_hz, phase, ".", color=LOOKS["recorded"][0], markersize=2)
    axes.set(ylim=(-190, 190), xlim=HEARING_HZ, ylabel="phase, degrees")
    axes.set_yticks([-180, -90, 0, 90, 180])
    _tidy(axes)


def _tidy(axes: "Axes") -> None:
    axes.grid(color="#e4e2da", linewidth=0.6)
    axes.tick_params(labelsize=8)
    axes.xaxis.label.set_fontsize(8)
    axes.yaxis.label.set_fontsize(8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    if axes.get_xscale() == "log":
        from matplotlib.ticker import FuncFormatter, NullFormatter

        axes.set_xticks([20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000])
        axes.xaxis.set_major_formatter(
            FuncFormatter(lambda value, _: f"{value / 1000:g}k" if value >= 1000 else f"{value:g}")
        )
        axes.xaxis.set_minor_formatter(NullFormatter())


def _title(pair: dict[str, Any]) -> str:
    short = pair | {"reference": _short(pair["reference"]), "other": _short(pair["other"])}
    sure = "" if pair["confidence"] is None else f" ({percent(pair['confidence'])})"
    line = f"{short['reference']} / {short['other']}: polarity {pair['polarity']}{sure}, {lateness(short)}"
    return _plain(line + (f"\n{pair['reason']}" if pair["reason"] else ""))


def _short(name: str) -> str:
    return _plain(name if len(name) <= 24 else name[:23] + "…")


def _plain(text: str) -> str:
    """Make any name safe to draw: no formula set from its dollar signs, a box for what the font lacks."""
    known = _drawable()
    drawn = "".join(char if char == "\n" or ord(char) in known else "□" for char in text)
    return drawn.replace("\\$", "$").replace("$", "\\$")


@cache
def _drawable() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties())).get_charmap())
