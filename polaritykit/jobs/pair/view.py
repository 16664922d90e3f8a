"""The pair job's document as a page.

Conventions: reads the document only; levels of the mono sum are gains against the power of both sides
(the negative of the document's losses), as in the terminal.
"""

from polaritykit.base.types import Json
from polaritykit.base.wording import frequency, measured, number
from polaritykit.pages.page import chart
from polaritykit.pages.view import JobView, Section, Table, ViewChart, around, octave_chart


def stereo_view(document: Json) -> JobView:
    """Make the view of a pair document."""
    pair = document["pair"]
    said = pair["said"]
    rest = (f"Why: {said['why']}.", said["kind"], *([said["setting"]] if said["setting"] else []))
    return JobView(
        job="Pair",
        name=f"{pair['reference']} and {pair['other']}",
        facts=f"{number(document['session']['duration_s'], 1)} s · {document['sample_rate'] / 1000:g} kHz",
        headline=said["headline"],
        sentences=(*rest, *said["remarks"], *document["notes"]),
        sections=(_measured(pair), _octaves(pair), _history(pair)),
        tracks=(pair["reference"], pair["other"]),
        cautions=(
            "Wiring here is relative: it says whether both sides agree, not which of the two is right.",
            "Turn monitors down before a cable or a polarity switch is changed.",
        ),
    )


def _measured(pair: Json) -> Section:
    rows = []
    if pair["offset_ms"] is not None:
        late = pair["other"] if pair["offset_ms"] >= 0 else pair["reference"]
        offset = measured(abs(pair["offset_ms"]), max(pair["offset_std_ms"] or 0.0, 0.001), "ms")
        how = pair["offset_method"]
        apart = number(pair["path_difference_m"], 2)
        rows.append(
            ("Offset", f"{late} hears the sound {offset} later: the paths differ by {apart} m (by {how})")
        )
    if pair["level_difference_db"] is not None:
        step = number(pair["level_difference_db"], 1, signed=True)
        plain, flipped = (_gain(pair[f"mono_sum_loss{kind}_db"]) for kind in ("", "_flipped"))
        rows += [
            ("Level", f"{pair['other']} {step} dB against {pair['reference']}"),
            ("Correlation", number(pair["correlation"], 2, signed=True)),
            ("Mono sum", f"{plain} dB against the power of both; {flipped} dB with {pair['other']} flipped"),
        ]
    if pair["worst_moment"]:
        worst = pair["worst_moment"]
        rows.append(
            ("Worst moment", f"{_gain(worst['mono_sum_loss_db'])} dB at {number(worst['time_s'], 1)} s")
        )
    return Section(
        title="Measured",
        table=Table(caption="Broadband", columns=("What", "How much"), rows=tuple(rows)),
    )


def _octaves(pair: Json) -> Section:
    octaves = pair["octaves"]
    centres = [octave["centre_hz"] for octave in octaves]

    def column(key: str, sign: float = 1.0) -> list[float | None]:
        return [sign * octave[key] + 0.0 for octave in octaves]

    sums = {
        "as recorded": column("mono_sum_loss_db", -1.0),
        f"{pair['other']} flipped": column("mono_sum_loss_flipped_db", -1.0),
    }
    tones = {"as recorded": "recorded", f"{pair['other']} flipped": "inverted"}
    shares = {"coherence": column("coherence"), "correlation as recorded": column("correlation")}
    charts = (
        ViewChart(
            caption="Mono sum against the power of both, dB",
            spec=octave_chart("dB", centres, sums, tones=tones),
        ),
        ViewChart(
            caption=f"Level of {pair['other']} against {pair['reference']}, dB",
            spec=octave_chart("dB", centres, {"level": column("level_difference_db")}),
        ),
        ViewChart(
            caption="Phase, the offset taken out, degrees",
            spec=octave_chart(
                "degrees",
                centres,
                {"phase": column("phase_deg")},
                limits=(-190, 190),
                dots=True,
                ticks=[-180, -90, 0, 90, 180],
                decimals=0,
            ),
        ),
        ViewChart(
            caption="Coherence and correlation",
            spec=octave_chart(
                "−1 to 1",
                centres,
                shares,
                tones={"correlation as recorded": "recorded"},
                limits=(-1.05, 1.05),
                ticks=[-1, -0.5, 0, 0.5, 1],
                decimals=2,
            ),
        ),
    )
    rows = tuple(
        (
            frequency(octave["centre_hz"]),
            number(octave["level_difference_db"], 1, signed=True),
            number(octave["coherence"], 2),
            number(octave["phase_deg"], 0, signed=True),
            number(octave["correlation"], 2, signed=True),
            _gain(octave["mono_sum_loss_db"]),
            _gain(octave["mono_sum_loss_flipped_db"]),
        )
        for octave in octaves
    )
    columns = ("Octave", "Level, dB", "Coherence", "Phase, °", "Correlation", "Mono sum, dB", "Flipped, dB")
    return Section(
        title="Octave by octave",
        charts=charts if octaves else (),
        table=Table(caption="Octaves", columns=columns, rows=rows, numeric=tuple(range(1, 7))),
    )


def _history(pair: Json) -> Section:
    history = pair["history"]
    times = [round((k + 0.5) * history["window_s"], 2) for k in range(len(history["correlation"]))]
    end = max(1.0, len(times) * history["window_s"])
    axis = {"label": "s", "unit": "s", "min": 0, "max": end}
    sums = [None if loss is None else -loss for loss in history["mono_sum_loss_db"]]
    low, high = around(sums, 3.0)
    return Section(
        title="Over time",
        charts=(
            ViewChart(
                caption="Correlation as recorded",
                spec=chart(
                    x=axis,
                    y={
                        "label": "−1 to 1",
                        "min": -1.05,
                        "max": 1.05,
                        "ticks": [-1, -0.5, 0, 0.5, 1],
                        "decimals": 2,
                    },
                    series=[
                        {"label": "correlation", "tone": "recorded", "x": times, "y": history["correlation"]}
                    ],
                ),
            ),
            ViewChart(
                caption="Mono sum against the power of both, dB",
                spec=chart(
                    x=axis,
                    y={"label": "dB", "min": low, "max": high},
                    series=[{"label": "mono sum", "tone": "recorded", "x": times, "y": sums}],
                ),
            ),
        ),
    )


def _gain(loss_db: float) -> str:
    return number(-loss_db, 1, signed=True)
