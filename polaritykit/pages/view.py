"""What the page of a smaller job shows, as plain values; and that view as a page.

A job's own module turns its document into a `JobView`; nothing here knows which job it is.

Conventions: charts are those of `page.chart`; cells and sentences are ready to be read.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from polaritykit.pages.page import chart, render


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table; `numeric` columns are set to the right."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ViewChart:
    """A chart under its caption."""

    caption: str
    spec: dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading with sentences, charts side by side, and a table."""

    title: str
    sentences: tuple[str, ...] = ()
    charts: tuple[ViewChart, ...] = ()
    table: Table | None = None
    #: Shown under its heading when asked for.
    folded: bool = False


@dataclass(frozen=True, kw_only=True)
class Sound:
    """An audio file beside the page."""

    file: str
    caption: str


@dataclass(frozen=True, kw_only=True)
class JobView:
    """One page: the answer first."""

    job: str
    name: str
    facts: str
    headline: str
    sentences: tuple[str, ...]
    sections: tuple[Section, ...]
    cautions: tuple[str, ...]
    #: To be played from the page, one after the other at one volume.
    sounds: tuple[Sound, ...] = ()
    #: Tracks that figures are named by.
    tracks: tuple[str, ...] = ()
    #: What `bench.js` draws and plays of two tracks.
    bench: Mapping[str, Any] | None = None
    #: What the live inputs of a comb begin with (`comb.js`).
    live: Mapping[str, Any] | None = None


def job_page(view: JobView) -> str:
    """Render the view as one self-contained page."""
    charts: dict[str, Any] = {}
    keys = []
    for section in view.sections:
        row = []
        for item in section.charts:
            row.append(f"chart{len(charts)}")
            charts[row[-1]] = item.spec
        keys.append(row)
    scripts, styles = ["charts.js"], ["style.css"]
    if view.live:
        scripts.append("comb.js")
    if view.bench:
        scripts += ["bench.js", "two_tracks.js"]
        styles.append("report.css")
    return render(
        "job.html",
        data={"charts": charts, "live": view.live, **(view.bench or {})},
        scripts=tuple(scripts),
        styles=tuple(styles),
        view=view,
        keys=keys,
    )


def octave_chart(
    label: str,
    centres: Sequence[float],
    series: Mapping[str, Sequence[float | None]],
    *,
    tones: Mapping[str, str] | None = None,
    stds: Mapping[str, Sequence[float | None]] | None = None,
    limits: tuple[float, float] | None = None,
    dots: bool = False,
    **axis: Any,
) -> dict[str, Any]:
    """Describe a chart over octaves, a value each.

    Parameters
    ----------
    label : str
        Of the upright axis.
    centres : sequence of float
        Octave centres in Hz.
    series : mapping of str to sequence
        Label to values; None where unknown.
    tones : mapping of str to str, optional
        Label to what is drawn (see `page.chart`); plain ink where left out.
    stds : mapping of str to sequence, optional
        Label to standard uncertainties, drawn as bars.
    limits : (float, float), optional
        Of the upright axis; ±3 or what the values need, in steps of 3, when left out.
    dots : bool
        No lines between the values.
    **axis
        More of the upright axis (`ticks`, `decimals`).
    """
    stds = stds or {}
    reached = [
        value + side * (std or 0.0)
        for name, values in series.items()
        for value, std in zip(values, stds.get(name) or [None] * len(values), strict=True)
        if value is not None
        for side in (-1.0, 1.0)
    ]
    low, high = limits or around(reached, 3.0)
    return chart(
        x={"label": "Hz", "unit": "Hz", "log": True, "min": 22, "max": 22_500, "ticks": list(centres)},
        y={"label": label, "min": low, "max": high, **axis},
        series=[
            {
                "label": name,
                "tone": (tones or {}).get(name, "plain" if len(series) == 1 else None),
                "x": list(centres),
                "y": list(values),
                "points": True,
                "dots": dots,
                **({"std": list(stds[name])} if name in stds else {}),
            }
            for name, values in series.items()
        ],
    )


def around(values: Sequence[float | None], least: float, step: float = 3.0) -> tuple[float, float]:
    """Limits of an axis that hold all values and ±least, in whole steps.

    Parameters
    ----------
    values : sequence of float or None
        None is left out.
    least : float
        The axis reaches this far either way at least.
    step : float

    Examples
    --------
    >>> around([-7.2, None, 2.0], 3.0)
    (-9.0, 3.0)
    """
    known = [value for value in values if value is not None]
    low = min([-least, *known])
    high = max([least, *known])
    return math.floor(low / step) * step, math.ceil(high / step) * step
