"""The bleed job's document as a page.

Conventions: reads the document only; a dash where an octave cannot tell the two sources apart.
"""

from polaritykit.base.types import Json
from polaritykit.base.wording import frequency, listed, number
from polaritykit.jobs.bleed.text import answer
from polaritykit.pages.view import JobView, Section, Table, ViewChart, octave_chart


def bleed_view(document: Json) -> JobView:
    """Make the view of a bleed document."""
    bleed = document["bleed"]
    headline, *rest = [line.strip().removeprefix("- ") for line in answer(bleed)]
    names = list(bleed["overall"]["isolation_db"]) if bleed["overall"] else []
    return JobView(
        job="Bleed",
        name=f"{bleed['main']} and {bleed['leaky']}",
        facts=f"{number(document['session']['duration_s'], 1)} s · {document['sample_rate'] / 1000:g} kHz · "
        f"goal {bleed['goal']}",
        headline=headline,
        sentences=(*rest, *document["notes"]),
        sections=(*((_isolation(bleed, names), _colour(bleed, names)) if names else ()), _passages(bleed)),
        tracks=(bleed["main"], bleed["leaky"]),
        cautions=(
            "A flip works on a leak below a quarter of 1/delay and in alternating bands above, nothing else.",
            "The numbers hold for these places of mics and sources; move one, and measure again.",
            "Turn monitors down before a cable or a polarity switch is changed.",
        ),
    )


#: What each line means, as on every page.
_TONES = {"as recorded": "recorded", "flipped": "inverted", "delayed": "set"}


def _words(name: str) -> str:
    return name.replace("_", " ")


def _isolation(bleed: Json, names: list[str]) -> Section:
    bands, overall = bleed["bands"], bleed["overall"]
    centres = [band["centre_hz"] for band in bands]
    changes = [name for name in names if name != "as_recorded"]
    isolation = {_words(name): [band["isolation_db"][name] for band in bands] for name in names}
    gains = {_words(name): [band["gain_db"][name] for band in bands] for name in changes}
    spread = {_words(name): [band["isolation_std_db"][name] for band in bands] for name in names}
    gain_spread = {_words(name): [band["gain_std_db"][name] for band in bands] for name in changes}
    columns = (
        "Octave",
        *(_words(name) for name in names),
        *(f"Gain, {_words(name)}" for name in changes),
        "Useful",
    )
    rows = [
        (frequency(band["centre_hz"]), *_cells(band, names, changes), "yes" if band["useful"] else "")
        for band in bands
    ]
    rows.append(("A-weighted", *_cells(overall, names, changes), ""))
    return Section(
        title=f"Isolation of {bleed['main']}'s own source over {bleed['leaky']}'s",
        sentences=("In the plain sum of both mics, with the setting named; ± is one standard uncertainty.",),
        charts=(
            ViewChart(
                caption="Isolation, dB; bars are one standard uncertainty",
                spec=octave_chart("dB", centres, isolation, tones=_TONES, stds=spread),
            ),
            ViewChart(
                caption="Gain against as recorded, dB",
                spec=octave_chart("dB", centres, gains, tones=_TONES, stds=gain_spread),
            ),
        ),
        table=Table(
            caption="Isolation in dB",
            columns=columns,
            rows=tuple(rows),
            numeric=tuple(range(1, 1 + len(names) + len(changes))),
        ),
    )


def _cells(row: Json, names: list[str], changes: list[str]) -> list[str]:
    def cell(value: float | None, std: float | None) -> str:
        if value is None:
            return "–"
        spread = "" if std is None else f" ± {number(std, 1)}"
        return number(value, 1, signed=True) + spread

    isolation = [cell(row["isolation_db"][name], row["isolation_std_db"][name]) for name in names]
    return isolation + [cell(row["gain_db"][name], row["gain_std_db"][name]) for name in changes]


def _colour(bleed: Json, names: list[str]) -> Section:
    """Show what each setting does to the wanted source's own level."""
    bands = bleed["bands"]
    centres = [band["centre_hz"] for band in bands]

    def change(band: Json, name: str) -> float | None:
        level, alone = band["level_db"]["main"][name], band["main_level_in_main_mic_db"]
        return None if level is None or alone is None else round(level - alone, 1)

    series = {_words(name): [change(band, name) for band in bands] for name in names}
    return Section(
        title=f"Colour of {bleed['main']}'s own source",
        sentences=("Its level in the sum of both mics against its own mic alone.",),
        charts=(
            ViewChart(
                caption="Level against its own mic alone, dB",
                spec=octave_chart("dB", centres, series, tones=_TONES),
            ),
        ),
    )


def _passages(bleed: Json) -> Section:
    rows = []
    for key, name in (("main_alone_s", bleed["main"]), ("leaky_alone_s", bleed["leaky"])):
        spans = [f"{number(start, 1)} to {number(end, 1)}" for start, end in bleed["passages"][key]]
        rows.append((f"{name} alone", f"{listed(spans, most=12)} s" if spans else "nowhere"))
    for key, words in (
        ("main_source_in_leaky_mic", f"{bleed['leaky']} hears {bleed['main']}'s source"),
        ("leaky_source_in_main_mic", f"{bleed['main']} hears {bleed['leaky']}'s source"),
    ):
        late = bleed["leak_ms"][key]
        rows.append((words, "–" if late is None else f"{number(late, 2)} ms late"))
    return Section(
        title="What it rests on",
        table=Table(caption="Passages and leaks", columns=("What", "Where"), rows=tuple(rows)),
    )
