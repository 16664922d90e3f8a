"""``polaritykit demo``: write the demo sessions."""

from pathlib import Path

import click

from polaritykit.jobs.demo.write import write_demo


@click.command(name="demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, readable=False))
@click.option("--overwrite", is_flag=True, help="Write into a folder that is not empty.")
def command(folder: Path, overwrite: bool) -> None:
    """Write the three demo sessions into DIR, each with its truth in truth.json.

    A drum kit of nine tracks, a stereo pair of two different microphones, and a
    voice and a guitar that leak into each other.  The same samples every time.
    """
    for place in write_demo(folder, overwrite=overwrite):
        click.echo(f"written: {place}", err=True)
