"""``polaritykit check``: the main job."""

import json
from pathlib import Path
from typing import Any

import click

from polaritykit.base.errors import EXIT_FINDINGS, UsageError


@click.command(name="check")
@click.argument(
    "session", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False), metavar="SESSION…"
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Report folder [default: NAME_report in this folder]."
)
@click.option("--overwrite", is_flag=True, help="Replace a report folder that exists.")
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print the report as JSON and nothing else; no folder without --out.",
)
@click.option(
    "--purpose",
    type=click.Choice(["kit", "pair", "general"]),
    help="What the tracks are for [default: from the tracks].",
)
@click.option("--anchor", metavar="TRACK", help="Track that keeps its timing [default: chosen].")
@click.option(
    "--linked", multiple=True, metavar="A,B", help="Two tracks that form a stereo image; may be given again."
)
@click.option(
    "--layout",
    type=click.Path(path_type=Path),
    metavar="PLAN.toml",
    help="Mic plan: offsets its distances make impossible are not believed.",
)
@click.option(
    "--plots",
    type=click.Choice(["png", "svg", "pdf"]),
    help="Write figures of the session and its pairs too.",
)
@click.option(
    "--audio",
    is_flag=True,
    help="Put excerpts of the session and of the pairs worth hearing into the page: 10 MB at most.",
)
@click.option(
    "--ignore-start-times", is_flag=True, help="Let all files start together, whatever their headers say."
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=10.0),
    metavar="S",
    help="Listen to so much of a long take only, spread over it [default: all].",
)
@click.option("-v", "--verbose", is_flag=True, help="Say all on the terminal, not just what fits a screen.")
@click.option(
    "--fail-on",
    type=click.Choice(["inverted", "any"]),
    help="Exit with 3 when a track is inverted, or when anything is to be corrected.",
)
def command(
    *,
    session: tuple[Path, ...],
    out: Path | None,
    overwrite: bool,
    as_json: bool,
    purpose: Any,
    anchor: str | None,
    linked: tuple[str, ...],
    layout: Path | None,
    plots: str | None,
    audio: bool,
    ignore_start_times: bool,
    seconds: float | None,
    verbose: bool,
    fail_on: str | None,
) -> int:
    """Check every pair of tracks of a session.

    SESSION is a folder of audio files, a list of files, or one multichannel file.

    \b
    polaritykit check kit_take3 --out take3 --audio
    polaritykit check take3/*.wav --anchor oh_left --fail-on inverted
    """  # noqa: D301 (click reads \b itself)
    from polaritykit.analysis import Settings, analyse
    from polaritykit.audio.records import Session
    from polaritykit.base.file_names import shown
    from polaritykit.base.terminal_safe import echo
    from polaritykit.base.whole_files import check_output_folder
    from polaritykit.commands.links import read_links, read_name
    from polaritykit.commands.terminal import progress_line, wants_emphasis
    from polaritykit.decide.findings import Findings
    from polaritykit.jobs.check.document import build_document, worth_looking
    from polaritykit.jobs.check.excerpts import WAVES, cut_excerpts
    from polaritykit.jobs.check.folder import write_report
    from polaritykit.jobs.check.second_look import look_again
    from polaritykit.jobs.check.session_sound import cut_session
    from polaritykit.jobs.check.text import summary_text
    from polaritykit.recorders.open import open_lined_up

    with progress_line(quiet=as_json) as progress:

        def opening(apart: frozenset[Path] = frozenset()) -> Session:
            return open_lined_up(
                session, ignore_start_times=ignore_start_times, apart=apart, progress=progress
            )

        def analysed(opened: Session) -> Findings:
            names = opened.recording.track_names
            return analyse(
                opened.recording,
                settings=Settings(listen_s=seconds),
                linked=read_links([shown(pair) for pair in linked], names) if linked else None,
                anchor=None if anchor is None else read_name(shown(anchor), names),
                purpose=purpose,
                offset_limits=plan_limits(layout, names) if layout is not None else None,
                progress=progress,
            )

        opened = opening()
        folder = out if out is not None else (None if as_json else Path(f"{opened.name}_report"))
        inputs = [path for path in session if path.is_dir()] or list(session)
        if folder is not None:
            check_output_folder(folder, inputs=inputs, overwrite=overwrite)
        opened, findings = look_again(opened, analysed(opened), reopen=opening, analyse=analysed)
        wanted_pairs = worth_looking(findings)
        document = build_document(
            findings,
            opened,
            waves=cut_excerpts(opened.recording, findings, wanted_pairs, WAVES),
            excerpts=cut_excerpts(opened.recording, findings, wanted_pairs) if audio else None,
            session_sound=cut_session(opened.recording, findings) if audio else None,
        )
        if folder is not None:
            write_report(folder, document, inputs=inputs, overwrite=overwrite, plots=plots)
    if as_json:
        echo(json.dumps(document, allow_nan=False, ensure_ascii=False))
    else:
        echo(summary_text(document, emphasis=wants_emphasis(), verbose=verbose))
        echo(f"Report: {shown(folder / 'report.html')}" if folder is not None else "")
    counts = document["summary"]["counts"]
    wanted = {"inverted": counts["flips"], "any": counts["flips"] + counts["delays"], None: 0}[fail_on]
    return EXIT_FINDINGS if wanted else 0


def plan_limits(plan: Path, names: tuple[str, ...]) -> dict[tuple[str, str], tuple[float, float]]:
    """Read the possible offsets of a session's tracks from a mic plan.

    Raises
    ------
    UsageError
        When the plan has fewer than two tracks of the session.
    """
    from polaritykit.jobs.layout.plan_file import load_plan
    from polaritykit.jobs.layout.predict import possible_offsets

    ranges = possible_offsets(load_plan(plan))
    limits = {(item.track_a, item.track_b): (item.low_ms, item.high_ms) for item in ranges}
    known = {pair: limit for pair, limit in limits.items() if set(pair) <= set(names)}
    if not known:
        raise UsageError(
            f"{plan} shares fewer than two tracks with this session ({', '.join(names)}): give each mic "
            'of the plan its track = "name".'
        )
    return known
