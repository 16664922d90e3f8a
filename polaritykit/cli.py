"""The command line: finds the command, and turns exceptions into exit codes.

Each command lives in its own module under ``polaritykit.commands`` and is imported only when it is
asked for, so that ``polaritykit --help`` stays instant.
"""

import importlib
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import click

from polaritykit import __version__
from polaritykit.base.errors import PolaritykitError
from polaritykit.base.file_names import shown

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


@contextmanager
def _stopped_by_signals() -> Iterator[list[int]]:
    """Turn a request to end into the exception that Ctrl-C is, so that what is half-written is cleared away.

    Further signals do not disturb that.  Yields the list that the signals are put into.
    """
    met: list[int] = []
    handlers: dict[int, Any] = {}

    def stop(number: int, _frame: Any) -> None:
        found = sys.exception()
        while found is not None:
            if isinstance(found, KeyboardInterrupt):
                return  # clearing up already
            found = found.__context__
        # Raised anew each time: where C code calls back, an exception may be swallowed.
        met.append(number)
        raise KeyboardInterrupt

    try:
        if threading.current_thread() is threading.main_thread():  # others may not set handlers
            for wanted in (signal.SIGINT, signal.SIGTERM):
                if signal.getsignal(wanted) is not signal.SIG_IGN:
                    handlers[wanted] = signal.signal(wanted, stop)
        yield met
    finally:
        for each, handler in handlers.items():
            signal.signal(each, handler)


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
    with _stopped_by_signals() as signals:
        sys.exit(_run(arguments, signals))


def _run(arguments: list[str] | None, signals: list[int]) -> int:
    """Run the command line; return the exit code."""
    try:
        result: Any = root.main(args=arguments, prog_name="polaritykit", standalone_mode=False)
    except PolaritykitError as error:
        click.echo(f"polaritykit: {shown(str(error))}", err=True)
        return error.exit_code
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("polaritykit: stopped; nothing half-written was left behind.", err=True)
        return 128 + (signals[-1] if signals else signal.SIGINT)
    return result if isinstance(result, int) else 0
