"""A strict reader of TOML tables: every value is checked, and every fault names file, key and remedy.

Conventions: a number without unit is in the unit its key names (``position_m``: metres); a string carries
its own unit ("34 cm").  A key nobody asked for is a fault, so that a misspelt one is not silently ignored.
"""

import difflib
import math
from typing import Any, NoReturn

from polaritykit.base.errors import InputError, UsageError
from polaritykit.base.quantities import parse

#: No length, level, angle or impedance of a set-up comes near.
_LARGEST = 1e6


class TomlTable:
    """One table of a TOML document, and where it stands.

    Parameters
    ----------
    values : object
        What the TOML parser gave; anything but a table is a fault.
    file : str
        Name of the file, for messages.
    where : str
        Place in the file, e.g. ``mic 'oh_left'``; empty at the top.
    """

    def __init__(self, values: object, file: str, where: str = "") -> None:
        self._file = file
        self._where = where
        self._asked: list[str] = []
        if not isinstance(values, dict):
            raise InputError(
                f"{file}: {where} must be a table like [{where}] with keys, not {_kind(values)}."
            )
        self._values: dict[str, Any] = values

    def fault(self, key: str, what: str) -> NoReturn:
        """Raise an InputError on a key, in one form for all."""
        place = f"{self._where}, " if self._where else ""
        raise InputError(f"{self._file}: {place}{key}: {what}")

    def name_place(self, where: str) -> None:
        """Say better where this table stands, once its name is known."""
        self._where = where

    def has(self, key: str) -> bool:
        """Whether the key is given."""
        self._asked.append(key)
        return key in self._values

    def text(self, key: str, default: str | None = None) -> str:
        """Return a non-empty string; None as default makes the key compulsory."""
        value = self._get(key, default, "a text in quotes")
        if not isinstance(value, str):
            self.fault(key, f"must be a text in quotes, not {_kind(value)}.")
        if not value.strip() and default != "":
            self.fault(key, "is empty; write a name.")
        if not value.isprintable():
            self.fault(key, "holds control characters; write plain letters.")
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str) -> str:
        """Return one of some words.

        Parameters
        ----------
        key : str
        choices : tuple of str
        default : str
            Where the key is left out.
        """
        value = self.text(key, default)
        if value not in choices:
            close = difflib.get_close_matches(value, choices, n=1)
            hint = f"; did you mean '{close[0]}'?" if close else "."
            self.fault(key, f"'{value}' is not one of {', '.join(choices)}{hint}")
        return value

    def number(
        self,
        key: str,
        quantity: str | None,
        default: float | None,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> float | None:
        """Return a number in a range, or None where left out and there is no default.

        Parameters
        ----------
        key : str
            Key.
        quantity : str or None
            What `quantities.parse` calls it, for a value written with its unit; None: a bare number only.
        default : float or None
            When the key is missing.
        low, high : float
            Allowed range, both included.
        """
        if not self.has(key):
            return default
        value = self._quantity(key, self._values[key], quantity)
        if not low <= value <= high:
            span = f"{low:g} or more" if high == math.inf else f"between {low:g} and {high:g}"
            self.fault(key, f"is {value:g}; it must be {span}.")
        return value

    def needed_number(self, key: str, quantity: str, low: float = -math.inf, high: float = math.inf) -> float:
        """As `number`, but the key is compulsory.

        Parameters
        ----------
        key, quantity : str
        low, high : float
            Range, both ends allowed.
        """
        self._get(key, None, "a number")
        value = self.number(key, quantity, None, low, high)
        if value is None:  # unreachable: _get has raised
            self.fault(key, "is missing.")
        return value

    def vector(self, key: str, quantity: str = "length", size: int = 3) -> tuple[float, ...]:
        """Return a list of numbers.

        Parameters
        ----------
        key, quantity : str
        size : int
            How many.
        """
        value = self._get(key, None, f"a list of {size} numbers")
        if not isinstance(value, list) or len(value) != size:
            given = f"a list of {len(value)}" if isinstance(value, list) else _kind(value)
            self.fault(key, f"must be a list of {size} numbers, not {given}.")
        return tuple(self._quantity(key, item, quantity) for item in value)

    def names(self, key: str, size: int | None = None) -> tuple[str, ...]:
        """Return a list of names, of one length or any."""
        wanted = "names" if size is None else f"{size} names"
        value = self._get(key, None, f"a list of {wanted}")
        right = isinstance(value, list) and all(isinstance(item, str) for item in value)
        if not right or (size is not None and len(value) != size):
            self.fault(key, f"must be a list of {wanted} in quotes.")
        return tuple(value)

    def raw(self, key: str) -> object:
        """Return the value as parsed, None where it is missing."""
        return self._values[key] if self.has(key) else None

    def table(self, key: str) -> "TomlTable | None":
        """Return a table inside this one, or None."""
        return (
            TomlTable(self._values[key], self._file, f"{self._where}.{key}".lstrip("."))
            if self.has(key)
            else None
        )

    def tables(self, key: str) -> tuple["TomlTable", ...]:
        """Return a list of tables, empty where there is none."""
        value = self.raw(key)
        if value is None:
            return ()
        if not isinstance(value, list):
            self.fault(key, f"must be written as [[{key}]] once for each, not as {_kind(value)}.")
        return tuple(TomlTable(item, self._file, f"{key} {i}") for i, item in enumerate(value, start=1))

    def done(self) -> None:
        """Complain about a key that nobody asked for."""
        for key in self._values:
            if key not in self._asked:
                close = difflib.get_close_matches(key, self._asked, n=1)
                hint = f"did you mean '{close[0]}'?" if close else f"known: {', '.join(sorted(self._asked))}."
                self.fault(key, f"is not a key of a plan here; {hint}")

    def _get(self, key: str, default: object, what: str) -> Any:
        if self.has(key):
            return self._values[key]
        if default is None:
            self.fault(key, f"is missing; add {key} = {what}.")
        return default

    def _quantity(self, key: str, value: object, quantity: str | None) -> float:
        if isinstance(value, str) and quantity is not None:
            try:
                return parse(value, quantity)
            except UsageError as error:
                self.fault(key, str(error))
        if isinstance(value, bool) or not isinstance(value, int | float):
            wanted = "a number" if quantity is None else "a number or a text with a unit"
            self.fault(key, f"must be {wanted}, not {_kind(value)}.")
        if not -_LARGEST <= value <= _LARGEST:  # NaN too
            self.fault(key, "is not a finite number, or beyond all set-ups; write how much it is.")
        return float(value)


def _kind(value: object) -> str:
    """Say what a TOML value is."""
    if isinstance(value, bool):
        return "true or false"
    kinds = {str: "a text", int: "a number", float: "a number", list: "a list", dict: "a table"}
    return kinds.get(type(value), "a date or time")
