"""Pictures of the accuracy benchmark: does the confidence hold, and does the ±."""

from collections.abc import Mapping, Sequence

import numpy as np
from scoring import PairScore, calibration_error, deviations, reliability


def draw_reliability(path: str, all_scores: Mapping[str, Sequence[PairScore]]) -> None:
    """Reliability diagram of every estimator over all groups together."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5, 5), layout="constrained")
    axes = figure.add_subplot()
    axes.plot([0, 1], [0, 1], color="0.7", linewidth=1)
    for name, scores in all_scores.items():
        bins = reliability(scores)
        if bins:
            error = calibration_error(bins)
            x, y = [b["confidence"] for b in bins], [b["right"] for b in bins]
            axes.plot(x, y, marker="o", label=f"{name} (calibration error {error:.3f})")
    axes.set(xlabel="confidence given", ylabel="share of polarities right", xlim=(0, 1.02), ylim=(0, 1.02))
    axes.legend(loc="lower right", fontsize="small")
    figure.savefig(path, dpi=120)


def draw_coverage(path: str, all_scores: Mapping[str, Sequence[PairScore]]) -> None:
    """Share of offsets within so many of their own ±, beside what a normal error gives."""
    from matplotlib.figure import Figure
    from scipy.stats import norm

    figure = Figure(figsize=(5, 5), layout="constrained")
    axes = figure.add_subplot()
    width = np.linspace(0, 4, 200)
    axes.plot(width, 2 * norm.cdf(width) - 1, color="0.7", linewidth=1, label="normal error")
    for name, scores in all_scores.items():
        rows = deviations(scores)
        if len(rows):
            ratio = np.sort(rows[:, 0] / np.maximum(rows[:, 1], 1e-9))
            held = np.searchsorted(ratio, width, side="right") / len(ratio)
            axes.plot(width, held, label=f"{name} ({len(ratio)} offsets)")
    axes.set(
        xlabel="times the ± told (1 std)", ylabel="share of true offsets inside", xlim=(0, 4), ylim=(0, 1)
    )
    axes.legend(loc="lower right", fontsize="small")
    figure.savefig(path, dpi=120)
