"""Spoiled small texts of `endurance.py`.

Start times in wave files, documents of the smaller commands given for a report, and what this program itself
leaves in folders (markers, slips, journals).
"""

import contextlib
import copy
import json
import os
import shutil
import struct

from corpus import DAMAGE, RATE, digests, encoded, sound
from endurance_spoiled import ODD, called, cli, holders, in_batches

from polaritykit.audio.header import FileHeader, read_header
from polaritykit.base.errors import PolaritykitError
from polaritykit.base.unfinished import PREFIX, clear_up
from polaritykit.base.whole_files import check_output_folder
from polaritykit.jobs.apply.copy_file import write_corrected
from polaritykit.jobs.apply.render import ChannelCorrection
from polaritykit.jobs.archive.journal import stored_records

IXML = (
    b'<?xml version="1.0" encoding="UTF-8"?><BWFXML><IXML_VERSION>2.10</IXML_VERSION><TAKE>7</TAKE><SPEED>'
    b"<TIMESTAMP_SAMPLE_RATE>%d</TIMESTAMP_SAMPLE_RATE>"
    b"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
    b"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>%d</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED></BWFXML>"
)
#: What a text may hold in a number's place.
WORDS = (
    b"9" * 5000,
    b"-1",
    b"1e9",
    b"",
    b"\0",
    b"<",
    b"&#x1b;",
    b"\xff\xfe",
    b" " * 100,
    b"99999999999999999999",
)


def _with_starts(wave, bext, ixml):
    """Put both chunks before the audio (EBU Tech 3285; iXML is a de-facto standard)."""
    chunks = b"".join(
        struct.pack("<4sI", name, len(content)) + content + bytes(len(content) % 2)
        for name, content in ((b"bext", bext), (b"iXML", ixml))
    )
    return wave[:4] + struct.pack("<I", len(wave) - 8 + len(chunks)) + wave[8:12] + chunks + wave[12:]


def _spoiled_text(text, chance):
    """Put a word in the place of a number or of anything."""
    start = chance.randrange(len(text))
    if chance.random() < 0.7:
        digits = [place for place, byte in enumerate(text) if chr(byte).isdigit()]
        start = chance.choice(digits or [start])
    return text[:start] + chance.choice(WORDS) + text[start + chance.randrange(8) :]


def starts(work, seconds, chance, counts):
    """Attack what tells when a file began, and the copies that carry it."""
    wave = encoded("16.wav", sound(0.05), work / "made")

    def attack(place, chance, count):
        bext = bytearray(602) + b"A=PCM,F=48000\r\n"
        bext[338:346] = struct.pack("<Q", 13 * 3600 * RATE)
        ixml = IXML % (RATE, 13 * 3600 * RATE)
        if chance.random() < 0.6:
            ixml = _spoiled_text(ixml, chance)
        if chance.random() < 0.6:
            edge = chance.randrange(330, 350)
            bext[edge : edge + chance.randrange(1, 12)] = chance.randbytes(chance.randrange(12))
        content = _with_starts(wave, bytes(bext), ixml)
        if chance.random() < 0.3:
            content = DAMAGE["bytes"](content, chance)
        path = place / "a.wav"
        path.write_bytes(content)
        header = read_header(path)
        count("executions")
        if isinstance(header, FileHeader):
            _ = header.reference, header.ixml_s, header.has_possible_start
            with contextlib.suppress(PolaritykitError):
                write_corrected(path, place / "b.wav", [ChannelCorrection(invert=True)] * header.channels)
        if path.read_bytes() != content:
            count("changed inputs", "start")

    with contextlib.chdir(work):
        in_batches(attack, seconds, chance, counts)


def _short_documents(work):
    """Run the smaller commands once; their documents and their folders."""
    out = work / "short"
    out.mkdir()
    pair = [str(path) for path in sorted((work / "clean").iterdir())[:2]]
    runs = {
        "pair": ["pair", *pair],
        "bleed": ["bleed", *pair],
        "comb": ["comb", "--delay", "1 ms"],
        "layout": ["layout", str(work / "plan.toml")],
        "pulse": ["pulse", "read", *pair],
        "recheck": ["recheck", str(work / "report"), str(work / "report")],
    }
    for name, arguments in runs.items():
        code, said = called([*arguments, "--out", str(out / name)])
        assert code == 0, said
    documents = [path.read_bytes() for path in sorted(out.glob("*/*.json"))]
    code, said = called(["archive", str(work / "clean"), "--out", str(work / "archived"), "--workers", "1"])
    assert code == 0, said
    return [*documents, (work / "archived" / "archive.json").read_bytes()], out / "comb"


def _spoiled(text, chance):
    """Return a document with odd values in odd places, or spoiled bytes."""
    if chance.random() < 0.4:
        return DAMAGE["bytes"](text, chance)
    document = json.loads(text)
    for _ in range(chance.randint(1, 3)):
        holder, key = chance.choice(list(holders(document)))
        holder[key] = copy.deepcopy(chance.choice(ODD))
    return json.dumps(document).encode()


def documents(work, seconds, chance, counts):
    """Give documents of other commands for a report; spoil markers, slips and journals."""
    texts, made = _short_documents(work)
    marker = (made / ".polaritykit-folder.json").read_bytes()
    journal = (work / "archived" / "archive.jsonl").read_bytes()
    slip = json.dumps({"program": "polaritykit", "place": "out"}).encode()

    def of_a_command(place, chance, count):
        path = place / "report.json"
        path.write_bytes(
            _spoiled(chance.choice(texts), chance) if chance.random() < 0.9 else chance.choice(texts)
        )
        commands = (
            ["recheck", path, "report", "--json"],
            ["apply", path, "--out", "copies", "--overwrite"],
            ["layout", "plan.toml", "--against", path, "--json"],
        )
        cli(chance.choice(commands), count)

    def of_a_folder(place, chance, count):
        """Nothing of the user's goes with a spoiled marker or slip."""
        place = place / "folder"
        shutil.rmtree(place, ignore_errors=True)
        out = place / "out"
        shutil.copytree(made, out)
        (out / "mine.wav").write_bytes(b"mine")
        (out / ".polaritykit-folder.json").write_bytes(_spoiled(marker, chance))
        holder = place / f"{PREFIX}x"
        (holder / "old").mkdir(parents=True, exist_ok=True)
        (holder / "old" / "mine.wav").write_bytes(b"mine")
        (holder / ".polaritykit-run.json").write_bytes(_spoiled(slip, chance))
        os.utime(holder, (0, 0))
        clear_up(place)
        with contextlib.suppress(PolaritykitError):
            check_output_folder(out, inputs=[], overwrite=True)
            count("failures", "a folder with a user's file would be replaced")
        count("executions")
        mine = [path for path in place.rglob("mine.wav") if path.read_bytes() == b"mine"]
        if len(mine) != 2:
            count("changed inputs", "a user's file beside a spoiled marker or slip")

    def of_an_archive(place, chance, count):
        (place / "archive.jsonl").write_bytes(_spoiled(journal, chance) + b"\n" + journal)
        if not len(stored_records(place)):
            count("failures", "a whole record behind a spoiled one is not read")
        count("executions")

    def attack(place, chance, count):
        chance.choice((of_a_command, of_a_folder, of_an_archive))(place, chance, count)

    with contextlib.chdir(work):
        clean = digests(work / "clean")
        in_batches(attack, seconds, chance, counts)
        counts["changed inputs"] += digests(work / "clean") != clean


SMALL = {"starts": starts, "documents": documents}
