"""Every sentence that users see of ten sessions, collected into one file that is read by a person.

Run as ``PYTHONPATH=.:tests/support python tests/support/sentences.py FILE``.
"""

import re
import sys
from pathlib import Path

from polaritykit.base.types import Json

#: Fields that hold words, in any document.
_WORDS = {
    "headline", "sentences", "notes", "why", "reason", "note", "remarks", "levels_advice", "around", "what",
    "polarity_reason", "wiring_reason", "first_notch_note", "reasons",
}  # fmt: skip


def sentences_of(document: Json) -> set[str]:
    """Collect what a document says in words; numbers and names stay in."""
    found: set[str] = set()
    _collect(document, found, said=False)
    return found


def _collect(value: object, found: set[str], *, said: bool) -> None:
    if isinstance(value, dict):
        for key, item in value.items():
            _collect(item, found, said=key in _WORDS)
    elif isinstance(value, list | tuple):
        for item in value:
            _collect(item, found, said=said)
    elif isinstance(value, str) and said and " " in value:
        found.add(value)


_COUNTED = "track|pair|shift|session|file|octave"
#: What no sentence may hold: keys of documents, two minus signs, empty uncertainties, what nobody says.
FAULTS = {
    "a key instead of words": re.compile(r"\b[a-z]+_(offset|peak|sum|arrival|octave|gain)\b"),
    "a hyphen for a minus": re.compile(r"(?<![\w.])-\d"),
    "minus nothing": re.compile(r"[-−]0\.0+\b(?! ?[1-9])"),
    "plus or minus nothing": re.compile(r"± 0(\.0+)?\b(?!\.?\d)"),
    "one of several": re.compile(rf"(?<![\d.,])\b1 ({_COUNTED})s\b"),
    "several of one": re.compile(rf"\b([2-9]|\d\d+) ({_COUNTED})\b(?!-)"),
    "a track that hears a source of its own": re.compile(r"\bown sources?\b"),
    "two stops": re.compile(r"(?<!\.)\.\.(?!\.)|;;|,,| ,| ;"),
    "None or nan": re.compile(r"\b(None|nan|inf)\b"),
}  # fmt: skip


def faults_of(sentence: str) -> list[str]:
    """Name what is wrong with a sentence, as far as a program can tell."""
    return [name for name, pattern in FAULTS.items() if pattern.search(sentence)]


if __name__ == "__main__":
    from said_sessions import documents

    said = {sentence for _, document in documents() for sentence in sentences_of(document)}
    Path(sys.argv[1]).write_text("\n".join(sorted(said)) + "\n", encoding="utf-8")
