"""A kill at any byte of the journal loses the line that was being written, and no other."""

import errno
import gc
import json
import os
from pathlib import Path

import pytest
from archive_parts import record, request, track

from polaritykit.base.errors import OutputError, UsageError
from polaritykit.jobs.archive.across import across
from polaritykit.jobs.archive.document import archive_document, archive_json, badness
from polaritykit.jobs.archive.journal import (
    JOURNAL,
    check_archive_folder,
    journal,
    still_holds,
    stored_records,
)
from polaritykit.jobs.archive.records import SessionRecord
from polaritykit.jobs.archive.text import archive_tables


def test_cut_anywhere_whole_lines_stay(tmp_path):
    """Every length of the file is tried."""
    records = [record(request(f"s{number}"), tracks=[track("kick \udcff")]) for number in range(2)]
    with journal(tmp_path) as add:
        for item in records:
            add(item)
    content = (tmp_path / JOURNAL).read_bytes()
    first = content.index(b"\n") + 1

    assert list(stored_records(tmp_path)) == records
    for length in range(0, len(content), 7):
        (tmp_path / JOURNAL).write_bytes(content[:length])
        kept = {item.session: item for item in stored_records(tmp_path)}
        assert set(kept) == ({"s0"} if length >= first - 1 else set())
        assert all(kept[name] == records[0] for name in kept)


def test_the_last_word_on_a_session_counts(tmp_path):
    """And what is taken up stands in the new journal."""
    with journal(tmp_path) as add:
        add(record(request("s"), flips=1))
        add(record(request("s"), flips=2))
    kept = stored_records(tmp_path)
    with journal(tmp_path, kept):
        pass

    assert [item.flips for item in stored_records(tmp_path)] == [2]
    assert len((tmp_path / JOURNAL).read_bytes().splitlines()) == 1


def test_what_holds(tmp_path):
    """Same size and time, same program, and the report is there; failures are tried again."""
    asked = request("s", tmp_path)
    (tmp_path / "s").mkdir()
    (tmp_path / "s" / "report.json").write_text("{}")
    good = record(asked)

    assert still_holds(good, asked)
    assert not still_holds(good, request("s", tmp_path, modified_ns=2))
    assert not still_holds(good, request("s", tmp_path / "elsewhere"))
    assert not still_holds(record(asked, status="failed", reason="gone"), asked)


def test_lines_of_other_programs_are_passed_over(tmp_path):
    """Valid JSON that is no record."""
    with journal(tmp_path) as add:
        add(record(request("s")))
    with (tmp_path / JOURNAL).open("a") as file:
        file.write(json.dumps({"session": 3}) + "\n[]\n\n")

    assert [item.session for item in stored_records(tmp_path)] == ["s"]


def test_a_folder_that_is_no_archive_is_refused(tmp_path):
    """Nothing of the user's is written into, and nothing below the root."""
    root = tmp_path / "shelf"
    root.mkdir()
    other = tmp_path / "other"
    other.mkdir()
    (other / "mine.txt").write_text("mine")

    with pytest.raises(UsageError, match="holds something else than an archive"):
        check_archive_folder(other, root)
    with pytest.raises(UsageError, match="which is read; choose one outside"):
        check_archive_folder(root / "out", root)
    with pytest.raises(UsageError, match="which is read; choose another"):
        check_archive_folder(tmp_path, root)
    with pytest.raises(UsageError, match="exists and is no folder"):
        check_archive_folder(other / "mine.txt", root)
    with pytest.raises(UsageError, match="does not exist; make it"):
        check_archive_folder(tmp_path / "no" / "out", root)
    check_archive_folder(tmp_path / "new", root)


def test_records_are_told_the_worst_first_and_never_held_together(tmp_path):
    """However many sessions there are: those alive at a time are counted among all objects."""
    with journal(tmp_path) as add:
        for number in range(20):
            add(record(request(f"s{number}"), tracks=[track("kick", faults=["hum"])], flips=number % 3))

    def alive():
        return sum(isinstance(thing, SessionRecord) for thing in gc.get_objects())

    gc.collect()
    before = alive()
    records = stored_records(tmp_path, order=badness)
    document = archive_document("shelf", records, across(records), kept=0)
    parts = []
    for part in archive_json(document):
        parts.append(part)
        assert alive() - before <= 2
    for _, lines in archive_tables(document):
        for _ in lines:
            assert alive() - before <= 2

    told = json.loads("".join(parts))
    assert len(told["sessions"]) == told["counts"]["sessions"] == len(records) == 20
    flips = [session["flips"] for session in told["sessions"]]
    assert flips == sorted(flips, reverse=True)
    assert told["counts"]["need_a_flip"] == 13
    assert sum(1 for _ in records) == 20  # again, from the start


def test_a_journal_that_vanishes_is_said(tmp_path):
    """What is read again may be gone by then."""
    with journal(tmp_path) as add:
        add(record(request("s")))
    records = stored_records(tmp_path)
    (tmp_path / JOURNAL).unlink()

    with pytest.raises(OutputError, match="cannot be read again"):
        list(records)


def test_a_folder_that_cannot_be_made_is_the_request_not_the_input(tmp_path, monkeypatch):
    """Exit code 2 as for every output folder; tests may run as root, whom modes do not bind."""

    def refuse(path, exist_ok):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), f"{path} {exist_ok}")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(UsageError, match="permission denied; choose another place"), journal(tmp_path / "o"):
        pass
