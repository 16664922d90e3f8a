"""``polaritykit demo``: write the demo sessions."""

from pathlib import Path

import click

from polaritykit.base.file_names import shown
from polaritykit.base.terminal_safe import echo
from polaritykit.commands.terminal import progress_line
from polaritykit.jobs.demo.write import write_demo


@click.command(name="demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, readable=False))
@click.option("--overwrite", is_flag=True, help="Replace an earlier demo in that folder.")
def command(folder: Path, overwrite: bool) -> None:
    """Write the three demo sessions into DIR, each with its truth in truth.json.

    A drum kit of nine tracks, a stereo pair of two different microphones, and a
    voice and a guitar that leak into each other.  The same samples every time.

    \b
    polaritykit demo demo_sessions
    """  # noqa: D301 (click reads \b itself)
    with progress_line(quiet=False) as progress:
        written = write_demo(folder, overwrite=overwrite, progress=progress)
    for place in written:
        echo(f"written: {shown(place)}", err=True)
