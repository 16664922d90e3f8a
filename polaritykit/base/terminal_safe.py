"""The one place of output to a terminal: nothing in a name or a report steers it, and no write fails unsaid.

Conventions: unsafe are the controls C0, DEL and C1 (ECMA-48), the bidirectional controls and the separators
of lines and paragraphs (Unicode 15, UAX #9 and PropList: Bidi_Control), and lone surrogates.  They are shown
as escapes.  Of the text that this program itself lays out, line feeds, tabs and bold stay.
"""

import os
import re
import sys
from typing import TextIO

from polaritykit.base.errors import OutputError

_UNSAFE = re.compile(r"[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
#: The only sequences of control codes that this program writes: bold and back (ECMA-48, SGR).
_KEPT = re.compile(r"(\x1b\[[01]m|[\n\t])")


def visible(text: str) -> str:
    r"""Return a text in which nothing steers a terminal, all on one line.

    Examples
    --------
    >>> visible("kick\x1b[2J\n.wav")
    'kick\\x1b[2J\\x0a.wav'
    >>> visible("Trommel größer 太鼓")
    'Trommel größer 太鼓'
    """
    return _UNSAFE.sub(_escape, text)


def _escape(match: re.Match[str]) -> str:
    code = ord(match[0])
    if 0xDC80 <= code <= 0xDCFF:  # a byte that is no valid UTF-8 (PEP 383)
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x20 else f"\\u{code:04x}"


def echo(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print a text that may hold names from outside.

    Parameters
    ----------
    text : str
        Lines as this program laid them out.
    err : bool
        To standard error, where a failure cannot be told to anybody.
    nl : bool
        End the line.

    Raises
    ------
    OutputError
        When standard output is closed, full or broken.
    """
    parts = _KEPT.split(text)
    safe = "".join(part if number % 2 else visible(part) for number, part in enumerate(parts))
    stream = sys.stderr if err else sys.stdout
    try:
        _write(stream, safe + "\n" * nl)
    except (OSError, ValueError) as error:  # ValueError: the stream was closed
        if not err:
            raise unprinted(error) from error


def unprinted(error: Exception) -> OutputError:
    """Return what to say when standard output takes nothing, and stop writing to it."""
    reason = getattr(error, "strerror", None) or "it is closed"
    stream = sys.__stdout__
    if stream is not None and sys.stdout is stream:
        # What is left in its buffer would fail once more when the interpreter ends.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
    return OutputError(
        f"The result could not be printed: standard output takes nothing ({reason.lower()}); "
        "use a place that can be written to."
    )


def _write(stream: TextIO | None, text: str) -> None:
    if stream is None:  # closed before the program began
        raise ValueError("no stream")
    coding = stream.encoding or "utf-8"
    stream.write(text.encode(coding, "backslashreplace").decode(coding))
    stream.flush()


def hold_closed_streams() -> None:
    """Put the null device where a standard stream was closed: no file opened later shall take its place."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
