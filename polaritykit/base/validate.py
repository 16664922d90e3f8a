"""Documents held against their models: the one way a document is written, and the one way it is read.

A job's `schema` holds its document as frozen dataclasses; msgspec holds the JSON against them.

Conventions: strict in both directions (no text for a number, no field missing); a field that is not in the
model is passed over when read, so that newer reports stay readable, and a fault of the program when written.
"""

import json
import math
import re
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from typing import Any, TypeVar, cast

from polaritykit.base.errors import InputError
from polaritykit.base.types import Json

T = TypeVar("T")

#: Of every document; raised when a field changes meaning.  1: first version.
SCHEMA_VERSION = 1


@dataclass(frozen=True, kw_only=True)
class Program:
    """What wrote a document."""

    name: str
    version: str


@dataclass(frozen=True, kw_only=True)
class TrackFile:
    """One track of a smaller job and where it lies."""

    name: str
    file: str
    file_base64: str | None = None
    channel: int


@dataclass(frozen=True, kw_only=True)
class _Version:
    schema_version: int


def written(document: Mapping[str, Any], model: type) -> Json:
    """Return a document as JSON holds it, once it is exactly what its model says.

    Parameters
    ----------
    document : mapping
        Tuples and numpy numbers may be in it.
    model : type
        Frozen dataclass of the document.

    Raises
    ------
    ValueError
        A number is not finite, or document and model differ: a fault of the program.
    """
    import msgspec

    safe: Json = json_safe(document)
    try:
        again = _plain(msgspec.convert(safe, model))
    except msgspec.ValidationError as error:
        raise ValueError(f"{model.__name__}: {_sentence(str(error))}") from error
    if again != safe:
        raise ValueError(f"{model.__name__} and its document differ at {_difference(safe, again)}")
    return safe


def read(content: bytes, model: type, *, name: str, advice: str) -> Json:
    """Read a document.

    Parameters
    ----------
    content : bytes
        JSON in UTF-8, with or without a byte order mark.
    model : type
        Frozen dataclass of the document.
    name : str
        What to call it in a message.
    advice : str
        What to do when it cannot be read, as the end of a sentence.

    Returns
    -------
    dict
        All fields of the model; those that earlier versions did not write have their defaults.

    Raises
    ------
    InputError
        It is not JSON, of another schema version, or a field is missing or of another kind.
    """
    import msgspec

    content = content.removeprefix(b"\xef\xbb\xbf")
    try:
        version = msgspec.json.decode(content, type=_Version).schema_version
        if version != SCHEMA_VERSION:
            raise InputError(
                f"{name} has schema version {version}, this program reads {SCHEMA_VERSION}; {advice}."
            )
        return cast("Json", _plain(msgspec.json.decode(content, type=model)))
    except msgspec.ValidationError as error:
        raise InputError(f"{name} is not what is wanted: {_sentence(str(error))}; {advice}.") from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"{name} is not valid JSON; {advice}.") from error


def converted(plain: Any, model: type[T]) -> T:
    """Return plain values as their record.

    Parameters
    ----------
    plain : JSON value
    model : type
        Frozen dataclass.

    Raises
    ------
    ValueError
        They are not what the model says.
    """
    import msgspec

    try:
        return msgspec.convert(plain, model)
    except msgspec.ValidationError as error:
        raise ValueError(_sentence(str(error))) from error


def decoded(line: bytes, model: type[T]) -> T:
    """Return a line of JSON as its record.

    Parameters
    ----------
    line : bytes
        In UTF-8; escapes of lone surrogates (names in bytes that are no text) come back as they were.
    model : type
        Frozen dataclass.

    Raises
    ------
    ValueError
        It is no JSON, or not what the model says.
    """
    import msgspec

    try:
        return msgspec.json.decode(line, type=model)
    except (msgspec.DecodeError, UnicodeDecodeError):  # it takes no lone surrogates, and is ten times as fast
        return converted(json.loads(line), model)


def plain(record: Any) -> Json:
    """Return a record made by its constructor as dictionaries, as `dataclasses.asdict` does.

    Parameters
    ----------
    record : dataclass instance
        Numpy numbers may be in it, arrays not.
    """
    import msgspec

    made: Json = msgspec.to_builtins(record, enc_hook=lambda number: number.item())
    return made


def indented(document: Json) -> str:
    """Return JSON text of a document, indented by one."""
    import msgspec

    # The standard library indents in Python and takes twenty times as long.
    text: str = msgspec.json.format(json.dumps(document, allow_nan=False, ensure_ascii=False), indent=1)
    return text


#: Leaves of a document that are as JSON holds them; looked for first, since they are most of it.
_SAFE = frozenset({str, int, bool, type(None)})
_LEAVES = _SAFE | {float}


def json_safe(value: Any) -> Any:
    """Copy with tuples as lists and numpy numbers as Python's; a number that is not finite is a fault."""
    kind = type(value)
    if kind in _SAFE or (kind is float and math.isfinite(value)):
        return value
    # Leaves are told here: a call for each is most of what a document of many pairs takes.
    if isinstance(value, Mapping):
        return {str(k): v if type(v) in _SAFE else json_safe(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [v if type(v) in _SAFE else json_safe(v) for v in value]
    if isinstance(value, str | int):
        return value
    if hasattr(value, "item"):
        return json_safe(value.item())
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"a number that is not finite ({number}) was about to enter a document")
    return number


def _plain(found: Any) -> Any:
    """Return what msgspec made, defaults included: msgspec itself leaves out what was not given."""
    kind = type(found)
    if kind in _LEAVES:
        return found
    if kind is list or kind is tuple:
        return [v if type(v) in _LEAVES else _plain(v) for v in found]
    if kind is dict:
        return {key: _plain(item) for key, item in found.items()}
    names = _field_names(cast("Hashable", kind))
    return (
        {name: v if type(v := getattr(found, name)) in _LEAVES else _plain(v) for name in names}
        if names
        else found
    )


@cache
def _field_names(kind: Hashable) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind)) if is_dataclass(kind) else ()


#: Kinds as msgspec names them -> words.
_KINDS = {
    "float": "a number",
    "int": "a whole number",
    "str": "text",
    "bool": "true or false",
    "array": "a list",
    "object": "an object",
    "null": "null",
}


def _sentence(message: str) -> str:
    """Say in words which field is wrong, and how; msgspec tells it in text only."""
    text, _, where = message.partition(" - at ")
    place = re.sub(r"[`$]|`key` in ", "", where).lstrip(".")
    lacks = re.fullmatch(r"Object missing required field `(\w+)`", text)
    if lacks:
        return f"{place + '.' if place else ''}{lacks[1]} is missing"
    wrong = re.fullmatch(r"Expected `([^`]+)`(?: of length (\d+))?, got (?:`([^`]+)`|(\d+))", text)
    if wrong:
        wanted = " or ".join(_KINDS.get(kind, kind) for kind in wrong[1].split(" | "))
        length = f" of {wrong[2]}" if wrong[2] else ""
        given = _KINDS.get(wrong[3], wrong[3]) if wrong[3] else f"one of {wrong[4]}"
        return f"{place or 'it'} should be {wanted}{length} and is {given}"
    value = re.fullmatch(r"Invalid enum value (.+)", text)
    return f"{place} is {value[1]}, which is no word of it" if value else f"{place or 'it'}: {text}"


def _difference(written_: Any, known: Any, place: str = "") -> str:
    """Return the first place where two plain values differ."""
    if isinstance(written_, dict) and isinstance(known, dict):
        for key in [*written_, *known]:
            if key not in written_ or key not in known:
                return f"{place}.{key}".lstrip(".")
            if written_[key] != known[key]:
                return _difference(written_[key], known[key], f"{place}.{key}")
    if isinstance(written_, list) and isinstance(known, list):
        for number, (one, other) in enumerate(zip(written_, known, strict=False)):
            if one != other:
                return _difference(one, other, f"{place}[{number}]")
    return place.lstrip(".")
