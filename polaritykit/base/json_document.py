"""Reads JSON documents from outside: strict, bounded, and with nothing in them that steers a terminal.

Conventions: numbers are finite and whole ones fit 64 bits (RFC 8259 leaves the range to the reader); texts
are made visible (`terminal_safe`).  What a document must hold is for its reader to say.
"""

import json
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from polaritykit.base.errors import InputError
from polaritykit.base.terminal_safe import visible

_LARGEST = 2**63
#: What a document of another shape makes of code that takes its shape for granted.
_WRONG_SHAPE = (KeyError, TypeError, AttributeError, ValueError, IndexError, OverflowError, RecursionError)


def read_json_object(place: Path, hint: str) -> dict[str, Any]:
    """Read a JSON object.

    Parameters
    ----------
    place : Path
        A file, or a folder that holds ``report.json``.
    hint : str
        What to give instead, for the end of a sentence.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        When it cannot be read, is a device, or is no JSON object.
    """
    try:
        file = place / "report.json" if place.is_dir() else place
        if file.exists() and not file.is_file():
            raise InputError(f"{file} is a device or a pipe, no file; {hint}.")
        text = file.read_text(encoding="utf-8-sig")
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise InputError(f"{error.filename or place} cannot be read ({reason}); {hint}.") from error
    except ValueError as error:
        raise InputError(f"{place} is no report: it is not valid JSON; {hint}.") from error
    try:
        document = json.loads(text, parse_int=_whole, parse_float=_finite, parse_constant=_refused)
        found = _visible(document)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{file} is no report: it is not valid JSON; {hint}.") from error
    if not isinstance(found, dict):
        raise InputError(f"{file} is no report of polaritykit; {hint}.")
    return found


@contextmanager
def shape_demanded(place: Path) -> Iterator[None]:
    """Say of a document that it is not what it should be, where its shape is taken for granted.

    Raises
    ------
    InputError
        In the place of the exception that a missing field or a wrong type makes.
    """
    try:
        yield
    except _WRONG_SHAPE as error:
        what = visible(f"{type(error).__name__}: {error}")[:120]
        raise InputError(
            f"{place} is not as polaritykit writes it ({what}); run check again and give its report."
        ) from error


def _whole(digits: str) -> int:
    if len(digits) > 20 or abs(int(digits)) >= _LARGEST:
        raise ValueError("a number of too many digits")
    return int(digits)


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError("a number that is too large")
    return value


def _refused(name: str) -> float:
    raise ValueError(f"{name} is no JSON")


def _visible(value: Any) -> Any:
    if isinstance(value, str):
        return visible(value)
    if isinstance(value, list):
        return [_visible(item) for item in value]
    if isinstance(value, dict):
        return {visible(key): _visible(item) for key, item in value.items()}
    return value
