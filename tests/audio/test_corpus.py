"""Formats, kinds of damage and names, all with all: read as far as there is sound, or named; nothing changed.

What must hold is README.md's: a bad track is no error, inputs are never changed, names steer nothing.
"""

import json
import os
import random
import tracemalloc
from contextlib import suppress
from pathlib import Path

import pytest
from corpus import DAMAGE, FORMATS, NAMES, RATE, digests, encoded, soon, sound

from polaritykit.audio.header import FileHeader, read_header
from polaritykit.base.errors import InputError
from polaritykit.cli import main
from polaritykit.jobs.apply.copy_file import write_corrected
from polaritykit.jobs.apply.render import ChannelCorrection

SECONDS = 0.2
#: A hundred times what a file of 0.2 s decodes to.
MOST_BYTES = 8 * 100 * SECONDS * RATE
pytestmark = pytest.mark.skipif(os.name != "posix", reason="names of any bytes, alarms")


@pytest.mark.parametrize("extension", FORMATS)
def test_every_damage_of_a_format(tmp_path, extension):
    """Its head is read within bounds of time and memory, and a copy is made of it or refused."""
    clean = encoded(extension, sound(SECONDS), tmp_path / f"clean.{extension}")
    readable = set()
    for number, (damage, spoil) in enumerate([*DAMAGE.items(), *[("bytes", DAMAGE["bytes"])] * 9]):
        path = tmp_path / f"{number}.{extension}"
        path.write_bytes(content := spoil(clean, random.Random(number)))
        tracemalloc.start()
        with soon():
            header = read_header(path)
            if isinstance(header, FileHeader):
                readable.add(damage)
                with pytest.MonkeyPatch.context() as patched:
                    patched.chdir(tmp_path)
                    with suppress(InputError):
                        write_corrected(
                            path, Path("copy"), [ChannelCorrection(invert=True)] * header.channels
                        )
            else:
                assert path.name in header.remark
        assert tracemalloc.get_traced_memory()[1] < MOST_BYTES, damage
        tracemalloc.stop()
        assert path.read_bytes() == content, damage
    assert "none" in readable
    assert not readable & {"empty", "text"}


def strict(text):
    """Parse by RFC 8259, which knows no NaN and no infinity."""

    def refuse(word):
        raise AssertionError(word)

    return json.loads(text, parse_constant=refuse)


def test_every_name_in_one_session(capsysbinary, tmp_path):
    """Good files and spoiled ones, each with such a name: all are tracks, or named as left out."""
    folder = tmp_path / "session"
    folder.mkdir()
    kinds = [name for name in DAMAGE if name != "none"]
    for number, name in enumerate(NAMES):
        extension = list(FORMATS)[number]
        content = encoded(extension, sound(0.3, seed=number), tmp_path / "made")
        place = os.fsencode(folder) + b"/" + name
        Path(os.fsdecode(place + b"." + extension.encode())).write_bytes(content)
        spoiled = DAMAGE[kinds[number % len(kinds)]](content, random.Random(number))
        Path(os.fsdecode(place + b"~." + extension.encode())).write_bytes(spoiled)
    before = digests(folder)

    with pytest.raises(SystemExit) as stopped:
        main(["check", str(folder), "--json"])
    said = capsysbinary.readouterr()
    assert stopped.value.code == 0, said.err
    document = strict(said.out)
    assert len(document["tracks"]) == 2 * len(NAMES)
    good = [track for track in document["tracks"] if "~" not in track["name"]]
    assert [track["name"] for track in good if "unreadable" in track["faults"]] == []
    # No control of ECMA-48 and no bidirectional control of UAX #9 but line feeds reaches the terminal.
    for text in (said.out.decode(), said.err.decode()):
        assert not {"\x1b", "\x9b", "\u202e", "\u2066"} & set(text)
    assert digests(folder) == before


@pytest.mark.parametrize("name", ["a.raw", "a.au", "a.vox"])
def test_endings_that_promise_no_header(tmp_path, name):
    """Samples without a header are guessed by nothing but the name: not read; a wave file so called is."""
    path = tmp_path / name
    path.write_bytes(b"not audio at all\n" * 1000)
    assert "was left out" in read_header(path).remark
    path.write_bytes(encoded("16.wav", sound(SECONDS), tmp_path / "a.wav"))
    assert read_header(path).frames == SECONDS * RATE
