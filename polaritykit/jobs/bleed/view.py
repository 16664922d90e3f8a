"""The bleed job's document as a page.

Conventions: reads the document only; a dash where an octave cannot tell the two sources apart.
"""

from polaritykit.base.track_names import the_source
from polaritykit.base.types import Json
from polaritykit.base.wording import frequency, listed, number
from polaritykit.pages.view import JobView, Section, Table, ViewChart, octave_chart


def bleed_view(document: Json) -> JobView:
    """Make the view of a bleed document."""
    bleed = document["bleed"]
    said = bleed["said"]
    names = list(bleed["overall"]["isolation_db"]) if bleed["overall"] else []
    return JobView(
        job="Bleed",
        name=f"{bleed['main']} and {bleed['leaky']}",
        facts=f"{number(document['session']['duration_s'], 1)} s · {document['sample_rate'] / 1000:g} kHz · "
        f"goal {bleed['goal']}",
        headline=said["headline"],
        sentences=(f"Why: {said['why']}.", *said["remarks"], *document["notes"]),
        sections=(*((_isolation(bleed, names), _colour(bleed, names)) if names else ()), _passages(bleed)),
        tracks=(bleed["main"], bleed["leaky"]),
        cautions=(
            "A flip works on a leak below a quarter of 1/delay and in alternating bands above, nothing else.",
            "The numbers hold for these places of mics and sources; move one, and measure again.",
            "Turn monitors down before a cable or a polarity switch is changed.",
        ),
    )


def several_view(document: Json) -> JobView:
    """Make the view of a bleed document of three or more mics."""
    bleed = document["bleed"]
    said, mics = bleed["said"], bleed["mics"]
    sections = [_leaks_into(bleed, mic) for mic in mics if any(one["mic"] == mic for one in bleed["leaks"])]
    if bleed["flipped"]:
        sections.append(_flips_of_mics(bleed))
    return JobView(
        job="Bleed",
        name=listed(mics),
        facts=f"{number(document['session']['duration_s'], 1)} s · {document['sample_rate'] / 1000:g} kHz · "
        f"goal {bleed['goal']} of {mics[0]}",
        headline=said["headline"],
        sentences=(f"Why: {said['why']}.", *said["remarks"], *document["notes"]),
        sections=tuple(sections),
        tracks=tuple(mics),
        cautions=(
            "The numbers hold for these places of mics and sources; move one, and measure again.",
            "Turn monitors down before a cable or a polarity switch is changed.",
        ),
    )


def _leaks_into(bleed: Json, mic: str) -> Section:
    """Show how far the others lie under a mic's own source."""
    leaks = [one for one in bleed["leaks"] if one["mic"] == mic]
    rows = [
        (
            frequency(centre_hz),
            *(_with_std(leak["isolation_db"][k], leak["isolation_std_db"][k]) for leak in leaks),
        )
        for k, centre_hz in enumerate(bleed["centre_hz"])
    ]
    whole = (_with_std(one["overall_isolation_db"], one["overall_isolation_std_db"]) for one in leaks)
    rows.append(("A-weighted", *whole))
    return Section(
        title=f"What leaks into {mic}",
        sentences=(f"Isolation of {the_source(mic)} over each other source in this mic alone.",),
        charts=(
            ViewChart(
                caption="Isolation, dB; bars are one standard uncertainty",
                spec=octave_chart(
                    "dB",
                    bleed["centre_hz"],
                    {one["source"]: one["isolation_db"] for one in leaks},
                    stds={one["source"]: one["isolation_std_db"] for one in leaks},
                ),
            ),
        ),
        table=Table(
            caption="Isolation in dB",
            columns=("Octave", *(f"over {the_source(one['source'])}" for one in leaks)),
            rows=tuple(rows),
            numeric=tuple(range(1, 1 + len(leaks))),
        ),
    )


def _flips_of_mics(bleed: Json) -> Section:
    """Show what a flip of each mic alone does to every source."""
    rows = []
    for mic, one in zip(bleed["mics"], bleed["flipped"], strict=True):
        for source in bleed["mics"]:
            cells = zip(one["change_db"][source], one["change_std_db"][source], strict=True)
            rows.append((mic, the_source(source), *(_with_std(*cell) for cell in cells)))
    return Section(
        title="What a flip of one mic does",
        sentences=("Change of each source's level in the sum of all mics, against as recorded.",),
        table=Table(
            caption="Change in dB",
            columns=("Flipped", "Source", *(frequency(one) for one in bleed["centre_hz"])),
            rows=tuple(rows),
            numeric=tuple(range(2, 2 + len(bleed["centre_hz"]))),
        ),
    )


def _with_std(value: float | None, std: float | None) -> str:
    if value is None:
        return "–"
    spread = "" if std is None else f" ± {number(max(std, 0.1), 1)}"
    return number(value, 1, signed=True) + spread


#: What each line means, as on every page.
_TONES = {"as recorded": "recorded", "flipped": "inverted", "as checked": "other", "best": "set"}


def _words(name: str) -> str:
    return name.replace("_", " ")


def _isolation(bleed: Json, names: list[str]) -> Section:
    bands, overall = bleed["bands"], bleed["overall"]
    centres = [band["centre_hz"] for band in bands]
    changes = [name for name in names if name != "as_recorded"]
    full = bleed["goal"] == "fullness"
    goal = {_words(name): [_goal(band, name, full=full)[0] for band in bands] for name in names}
    gains = {_words(name): [band["gain_db"][name] for band in bands] for name in changes}
    spread = {_words(name): [_goal(band, name, full=full)[1] for band in bands] for name in names}
    gain_spread = {_words(name): [band["gain_std_db"][name] for band in bands] for name in changes}
    columns = (
        "Octave",
        *(_words(name) for name in names),
        *(f"Gain, {_words(name)}" for name in changes),
        "Useful",
    )
    rows = [
        (frequency(band["centre_hz"]), *_cells(band, names, changes, full), "yes" if band["useful"] else "")
        for band in bands
    ]
    rows.append(("A-weighted", *_cells(overall, names, changes, full), ""))
    return Section(
        title=f"Level of {bleed['main']}'s own source"
        if full
        else f"Isolation of {the_source(bleed['main'])} over {the_source(bleed['leaky'])}",
        sentences=("In the plain sum of both mics, with the setting named; ± is one standard uncertainty.",),
        charts=(
            ViewChart(
                caption="Level, dBFS" if full else "Isolation, dB; bars are one standard uncertainty",
                spec=octave_chart("dBFS" if full else "dB", centres, goal, tones=_TONES, stds=spread),
            ),
            ViewChart(
                caption="Gain against as recorded, dB",
                spec=octave_chart("dB", centres, gains, tones=_TONES, stds=gain_spread),
            ),
        ),
        table=Table(
            caption="Level in dBFS" if full else "Isolation in dB",
            columns=columns,
            rows=tuple(rows),
            numeric=tuple(range(1, 1 + len(names) + len(changes))),
        ),
    )


def _goal(row: Json, name: str, *, full: bool) -> tuple[float | None, float | None]:
    """Value of the goal under a setting, with its uncertainty where it has one of its own."""
    if full:
        return row["level_db"]["main"][name], None
    return row["isolation_db"][name], row["isolation_std_db"][name]


def _cells(row: Json, names: list[str], changes: list[str], full: bool) -> list[str]:
    def cell(value: float | None, std: float | None) -> str:
        if value is None:
            return "–"
        spread = "" if std is None else f" ± {number(std, 1)}"
        return number(value, 1, signed=True) + spread

    goal = [cell(*_goal(row, name, full=full)) for name in names]
    return goal + [cell(row["gain_db"][name], row["gain_std_db"][name]) for name in changes]


def _colour(bleed: Json, names: list[str]) -> Section:
    """Show what each setting does to the wanted source's own level."""
    bands = bleed["bands"]
    centres = [band["centre_hz"] for band in bands]

    def change(band: Json, name: str) -> float | None:
        level, alone = band["level_db"]["main"][name], band["main_level_in_main_mic_db"]
        return None if level is None or alone is None else round(level - alone, 1)

    series = {_words(name): [change(band, name) for band in bands] for name in names}
    return Section(
        title=f"Colour of {the_source(bleed['main'])}",
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
