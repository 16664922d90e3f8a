"""The field list of DEVELOPERS.md, made from the jobs' schemas; run as a program it mends it.

A line holds one record: its fields, whole or as the name of another record below; comments follow it.
"""

import inspect
import re
import textwrap
from dataclasses import fields, is_dataclass
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from places import ROOT

from polaritykit.jobs.apply.schema import AppliedDocument
from polaritykit.jobs.archive.schema import ArchiveDocument
from polaritykit.jobs.bleed.schema import BleedDocument, SeveralDocument
from polaritykit.jobs.check.schema import Report
from polaritykit.jobs.comb.schema import CombDocument
from polaritykit.jobs.layout.schema import LayoutDocument
from polaritykit.jobs.pair.schema import PairDocument
from polaritykit.jobs.pulse.schema import PulseDocument
from polaritykit.jobs.recheck.schema import RecheckDocument

#: What writes it -> its model.
DOCUMENTS = {
    "check": Report,
    "pair": PairDocument,
    "bleed": BleedDocument,
    "bleed of three mics and more": SeveralDocument,
    "comb": CombDocument,
    "layout": LayoutDocument,
    "pulse read": PulseDocument,
    "recheck": RecheckDocument,
    "apply": AppliedDocument,
    "archive": ArchiveDocument,
}
BEGIN, END = "<!-- fields -->\n```\n", "```\n<!-- /fields -->\n"
_WORDS = {str: "text", int: "int", float: "number", bool: "bool", NoneType: "null", Any: "any"}


def shape(kind):
    """Write a type in a few words."""
    arguments = get_args(kind)
    match get_origin(kind):
        case origin if origin is Literal:
            return "|".join(f'"{word}"' for word in arguments)
        case origin if origin is Union or origin is UnionType:
            return "|".join(shape(part) for part in arguments)
        case origin if origin is tuple:
            several = arguments[1:] == (...,)
            return f"[{shape(arguments[0])}, …]" if several else f"[{', '.join(map(shape, arguments))}]"
        case origin if origin is dict:
            key = "name" if arguments[0] is str else shape(arguments[0])
            return f"{{{key}: {shape(arguments[1])}}}"
    return kind.__name__ if is_dataclass(kind) else _WORDS[kind]


def records_in(kind):
    """List the records that a type speaks of, in order."""
    if is_dataclass(kind):
        return [kind]
    return [record for part in get_args(kind) for record in records_in(part)]


def comments_of(record):
    """Field -> what its `#:` comment says, inherited ones included."""
    found = {}
    for base in reversed(record.__mro__[:-1]):
        lines: list[str] = []
        for line in map(str.strip, inspect.getsource(base).splitlines()):
            if line.startswith("#:"):
                lines.append(line[2:].strip())
                continue
            field = re.match(r"(\w+):", line)
            if field and lines:
                found[field[1]] = " ".join(lines)
            lines = []
    return found


def listed(model):
    """All records of one document, each once, the document first."""
    todo, seen, out = [model], set(), []
    while todo:
        record = todo.pop(0)
        if record in seen:
            continue
        seen.add(record)
        hints, comments = get_type_hints(record), comments_of(record)
        names = [field.name for field in fields(record)]
        # A field and its kind stay on one line.
        told = [f"{name}: {shape(hints[name])}".replace(" ", "\xa0") for name in names]
        text = f"{record.__name__}: {{{', '.join(told)}}}"
        lines = textwrap.wrap(
            text, 118, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False
        )
        out += [line.replace("\xa0", " ") for line in lines]
        out += [
            line
            for name in names
            if name in comments
            for line in textwrap.wrap(f"    {name}: {comments[name]}", 118, subsequent_indent="        ")
        ]
        todo = [inner for name in names for inner in records_in(hints[name])] + todo
    return out


def field_list():
    """Return the whole list."""
    return "\n\n".join("\n".join([f"# {name}", *listed(model)]) for name, model in DOCUMENTS.items()) + "\n"


def updated(text):
    """Return DEVELOPERS.md with the list as it should be."""
    before, rest = text.split(BEGIN)
    return before + BEGIN + field_list() + END + rest.split(END)[1]


if __name__ == "__main__":
    place = ROOT / "DEVELOPERS.md"
    place.write_text(updated(place.read_text(encoding="utf-8")), encoding="utf-8")
