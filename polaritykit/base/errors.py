"""Exceptions, each with the exit code the command line gives for it.

Conventions: a message is one sentence that names what is wrong, where, and what to do about it.
A bad *request* raises; a bad *track* is a result (named in the report while the rest goes on).

Exit codes: 0 nothing to correct, 1 unexpected fault, 2 usage, 3 findings (only with ``--fail-on``),
4 input unreadable, 5 output cannot be written (full disk, closed standard output).
"""

from typing import ClassVar


class PolaritykitError(Exception):
    """Base of every error this package raises on purpose."""

    exit_code: ClassVar[int] = 1


class UsageError(PolaritykitError):
    """The request itself cannot be carried out (option, argument, output folder)."""

    exit_code: ClassVar[int] = 2


class InputError(PolaritykitError):
    """An input file or folder cannot be read or holds nothing to work on."""

    exit_code: ClassVar[int] = 4


class OutputError(PolaritykitError):
    """What was worked out cannot be written or printed: a full disk, a closed stream."""

    exit_code: ClassVar[int] = 5


#: Exit code when ``--fail-on`` is given and findings reach that level.
EXIT_FINDINGS = 3
