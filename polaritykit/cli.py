"""The command line: finds the command, and turns exceptions into exit codes.

Each command lives in its own module under ``polaritykit.commands`` and is imported only when it is
asked for, so that ``polaritykit --help`` stays instant.
"""

import importlib
import os
import sys
from typing import Any

import click

from polaritykit import __version__
from polaritykit.base.errors import PolaritykitError

#: Command name -> one line for ``--help``; the module is ``polaritykit.commands.<name>``.
COMMANDS = {
    "check": "Check every pair of tracks of a session (the main job).",
    "pair": "Verify a stereo pair: wiring, spacing, tonal mismatch, mono sum.",
    "bleed": "Would flipping or delaying a leaky mic help, where, and by how much?",
    "comb": "Notches and ripple from a path difference, spacing or delay.",
    "layout": "A mic plan with positions: arrivals, levels and notches.",
    "pulse": "Make a line-check signal, or read absolute polarity back from its recording.",
    "apply": "Write corrected copies of the files, then measure them again.",
    "recheck": "Compare two reports of one set-up: what changed.",
    "demo": "Write the demo sessions.",
}


class _Commands(click.Group):
    """Group that imports a command's module only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Command names in the order of the work."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"polaritykit.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, importing none of them."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="polaritykit")
def root() -> None:
    """Tell whether the microphones of a session agree.

    Measures polarity and arrival time of every pair of tracks, what cancels in
    their sum, and which switch to flip or delay to set.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit with the documented code.

    Parameters
    ----------
    arguments : list of str, optional
        Command line without the program name; ``sys.argv`` when left out.
    """
    # Matrices here are small: waking the linear algebra's threads takes longer than the products.  The files
    # are read on all cores; whoever sets these variables is obeyed.
    for variable in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
    try:
        result: Any = root.main(args=arguments, prog_name="polaritykit", standalone_mode=False)
    except PolaritykitError as error:
        click.echo(f"polaritykit: {error}", err=True)
        sys.exit(error.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("polaritykit: stopped; nothing half-written was left behind.", err=True)
        sys.exit(130)
    sys.exit(result if isinstance(result, int) else 0)
