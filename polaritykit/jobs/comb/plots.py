"""Response of a comb as a figure.

Conventions: each figure is its own `Figure`; no global state is touched.
"""

from typing import TYPE_CHECKING

import numpy as np

from polaritykit.base.hearing import HEARING_HZ
from polaritykit.base.types import Floats, Json
from polaritykit.pages.figures import MIC, SOFT, SOURCE, empty_figure
from polaritykit.spectra.comb import comb_response_db

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: The range of hearing begins here.


#: Deepest level drawn: a complete cancellation would have no end.
_FLOOR_DB = -40.0


def response_grid_hz(comb: Json, points: int = 1500) -> Floats:
    """Frequencies on which a curve is drawn: even on the log axis, with every notch and peak on it."""
    top = max(float(comb["up_to_hz"]), 2 * HEARING_HZ[0])
    marks = [hz for hz in (*comb["notches_hz"], *comb["peaks_hz"]) if HEARING_HZ[0] <= hz <= top]
    return np.union1d(np.geomspace(HEARING_HZ[0], top, points), np.asarray(marks, dtype=np.float64))


def response_db(comb: Json, frequency_hz: Floats) -> Floats:
    """Response of a comb in a document, cut off at the deepest level drawn."""
    level = comb_response_db(
        frequency_hz, comb["delay_ms"], comb["level_difference_db"], comb["polarity"] == "inverted"
    )
    return np.asarray(np.maximum(level, _FLOOR_DB), dtype=np.float64)


def comb_figure(comb: Json) -> "Figure":
    """Draw the summed response of one comb, the first notches marked."""
    figure, axes = empty_figure(9.0, 4.2)
    draw_response(axes, comb)
    for notch in [hz for hz in comb["notches_hz"] if hz >= HEARING_HZ[0]][:6]:
        axes.axvline(notch, color=SOURCE, linewidth=0.8, linestyle=":")
    axes.set_title(
        f"Sum of a sound and its copy {comb['delay_ms']:.3g} ms later, {comb['polarity']} polarity",
        fontsize=11,
    )
    return figure


def draw_response(axes: "Axes", comb: Json) -> None:
    """Draw the summed response of a comb into a panel."""
    frequency = response_grid_hz(comb)
    axes.semilogx(frequency, response_db(comb, frequency), color=MIC, linewidth=1.2)
    axes.axhline(0.0, color=SOFT, linewidth=0.8)
    axes.set_xlim(HEARING_HZ[0], frequency[-1])
    deepest = comb["notch_depth_db"]
    axes.set_ylim(_FLOOR_DB if deepest is None else max(_FLOOR_DB, -max(1.15 * deepest, 6.0)), 8.0)
    ticks = [hz for hz in (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000) if hz <= frequency[-1]]
    axes.set_xticks(ticks, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in ticks])
    axes.minorticks_off()
    axes.grid(color="#e4e2da", linewidth=0.6)
    axes.set_xlabel("frequency (Hz)", fontsize=8)
    axes.set_ylabel("dB", fontsize=8)
    axes.tick_params(labelsize=8)
