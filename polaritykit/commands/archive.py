"""``polaritykit archive``: many sessions at once."""

from itertools import chain
from pathlib import Path

import click

from polaritykit import __version__
from polaritykit.base.file_names import shown
from polaritykit.base.terminal_safe import echo
from polaritykit.base.types import Json


@click.command(name="archive")
@click.argument("root", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder of the archive [default: NAME_archive here]."
)
@click.option(
    "--workers", type=click.IntRange(1, 256), help="Sessions at a time [default: as cores and memory allow]."
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Check on the workers of this Dask scheduler, which see the same files.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=10.0),
    metavar="S",
    help="Listen to so much of each long take only, as check does [default: all].",
)
@click.option("--again", is_flag=True, help="Check all sessions, also those that did not change.")
@click.option("--json", "as_json", is_flag=True, help="Print the document as JSON and nothing else.")
def command(
    *,
    root: Path,
    out: Path | None,
    workers: int | None,
    scheduler: str | None,
    seconds: float | None,
    again: bool,
    as_json: bool,
) -> None:
    """Check all sessions below ROOT and say what comes again and again.

    Sessions are folders of audio and multichannel files. Each gets its report; one
    page lists them all, the worst first. A later run checks only what is new or
    changed; stopped half-way, it goes on there.

    \b
    polaritykit archive /shelf/2026 --out shelf_2026
    """  # noqa: D301 (click reads \b itself)
    from polaritykit.commands.terminal import progress_line
    from polaritykit.jobs.archive.across import across
    from polaritykit.jobs.archive.document import archive_document, archive_json, badness
    from polaritykit.jobs.archive.find import find_sessions
    from polaritykit.jobs.archive.journal import check_archive_folder, journal, still_holds, stored_records
    from polaritykit.jobs.archive.pool import run_pool, usual_workers
    from polaritykit.jobs.archive.records import SessionRecord
    from polaritykit.jobs.archive.text import archive_text

    out = out or Path(f"{shown(root.resolve().name)}_archive")
    check_archive_folder(out, root)
    with progress_line(quiet=as_json) as progress:
        progress("finding sessions", 0.0)
        options = () if seconds is None else ("--seconds", f"{seconds:g}")
        found = find_sessions(root, out, program=f"polaritykit {__version__}", options=options)
        requests = {request.session: request for request in found}

        def holds(record: SessionRecord) -> bool:
            request = requests.get(record.session)
            return request is not None and not again and still_holds(record, request)

        kept = stored_records(out, holds=holds)
        done_before = {record.session for record in kept}
        todo = [request for session, request in requests.items() if session not in done_before]
        with journal(out, kept) as add:
            if scheduler is not None:
                from polaritykit.jobs.archive.cluster import run_cluster

                done = run_cluster(todo, address=scheduler)
            else:
                done = run_pool(todo, workers=workers or usual_workers())
            for number, record in enumerate(done, start=1):
                add(record)
                progress(f"{number} of {len(todo)} sessions", number / len(todo))
    records = stored_records(out, order=badness)
    document = archive_document(shown(str(root)), records, across(records), kept=len(kept))
    write_archive(out, document)
    if as_json:
        for part in archive_json(document):
            echo(part, nl=False)
        echo("")
    else:
        echo(f"{archive_text(document)}\nIndex: {shown(out / 'index.html')}")


def write_archive(out: Path, document: Json) -> None:
    """Write tables, JSON and index of an archive.

    Parameters
    ----------
    out : Path
        Its folder.
    document : dict
    """
    from polaritykit.base.whole_files import write_file, write_parts
    from polaritykit.jobs.archive.document import archive_json
    from polaritykit.jobs.archive.page import archive_page
    from polaritykit.jobs.archive.text import archive_tables

    for name, lines in archive_tables(document):
        write_parts(out / name, lines)
    write_parts(out / "archive.json", chain(archive_json(document), "\n"))
    write_file(out / "index.html", archive_page(document))
