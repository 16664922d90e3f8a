"""The command line: finds the command, and turns exceptions into exit codes.

Each command lives in its own module under ``polaritykit.commands`` and is imported only when it is
asked for, so that ``polaritykit --help`` stays instant.
"""

import importlib
import os
import signal
import sys
from typing import Any

import click

from polaritykit import __version__
from polaritykit.base.errors import InputError, OutputError, PolaritykitError
from polaritykit.base.interrupt import stopped_by_signals
from polaritykit.base.terminal_safe import echo, hold_closed_streams, unprinted, visible

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
    "archive": "Check all sessions below a folder; what comes again and again.",
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
        if cmd_name not in COMMANDS:
            if ctx.resilient_parsing:  # a shell asks while somebody types
                return None
            raise click.exceptions.NoSuchCommand(cmd_name, possibilities=COMMANDS, ctx=ctx)
        module = importlib.import_module(f"polaritykit.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, importing none of them."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
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
    hold_closed_streams()
    with stopped_by_signals() as signals:
        try:
            code = _run(arguments, signals)
        except KeyboardInterrupt:  # while the sentence was printed
            code = _stopped(signals)
    sys.exit(code)


def _run(arguments: list[str] | None, signals: list[int]) -> int:
    """Run the command line; return the exit code."""
    try:
        result: Any = root.main(args=arguments, prog_name="polaritykit", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        echo(error.format_message(), err=True)
        return error.exit_code
    except click.ClickException as error:
        echo(visible(_usage_sentence(error)), err=True)
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        return _stopped(signals)
    except Exception as error:
        if signals:  # a library made another exception of it
            return _stopped(signals)
        known = _in_our_words(error)
        if known is None:
            raise
        echo(f"polaritykit: {visible(str(known))}", err=True)
        return known.exit_code
    return result if isinstance(result, int) else 0


def _usage_sentence(error: click.ClickException) -> str:
    """Say what was mistyped in one sentence, with the nearest that there is."""
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "polaritykit"
    near = getattr(error, "possibilities", None)
    said = error.message if near else error.format_message()
    said = f"{said[0].lower()}{said[1:].rstrip('.')}" + (f" (nearest: {near[0]})" if near else "")
    return f"{command}: {said}; see {command} --help."


def _in_our_words(error: Exception) -> PolaritykitError | None:
    """Return the sentence for an exception; None for what nobody foresaw."""
    if isinstance(error, PolaritykitError):
        return error
    if isinstance(error, BrokenPipeError) or (isinstance(error, OSError) and error.filename is None):
        return unprinted(error)  # the help, which click prints
    if isinstance(error, OSError):
        reason = (error.strerror or "unknown reason").lower()
        return InputError(f"{os.fsdecode(error.filename)} cannot be used ({reason}); name another place.")
    if isinstance(error, MemoryError):
        return OutputError("There is not enough memory for this; give fewer or shorter tracks at a time.")
    return None


def _stopped(signals: list[int]) -> int:
    echo("polaritykit: stopped; nothing half-written was left behind.", err=True)
    return 128 + (signals[-1] if signals else signal.SIGINT)
