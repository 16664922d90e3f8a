"""The archive as its user meets it: made, stopped, gone on with, and looked at."""

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from polaritykit.cli import main

RATE = 8000


def code(*arguments):
    """Exit code of a command line."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def table(path):
    """Rows of a CSV file by their headings."""
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    """Three sessions, of which two have the same mic wired backwards, and one that cannot be read."""
    root = tmp_path_factory.mktemp("shelf")
    for number, sign in enumerate((-1, -1, 1)):
        rng = np.random.default_rng(number)
        heard = rng.normal(size=2 * RATE) * 0.1
        folder = root / f"session <b>{number}"
        folder.mkdir()
        for name, sound in (("oh left", heard), ("oh right", sign * heard), ("room", np.roll(heard, 9))):
            noise = rng.normal(size=len(sound)) * 0.003
            soundfile.write(folder / f"{name}_t{number}.wav", sound + noise, RATE, subtype="PCM_24")
    (root / "broken").mkdir()
    for name in ("a.wav", "b.wav"):
        (root / "broken" / name).write_text("no audio")
    return root


def test_archive_of_a_shelf(shelf, tmp_path, capsys):
    """Reports, an index, tables; a failure is recorded and the rest goes on; nothing is done twice."""
    out = tmp_path / "archive"
    before = {path: path.read_bytes() for path in shelf.rglob("*.wav")}

    assert code("archive", shelf, "--out", out, "--workers", 2) == 0

    told = capsys.readouterr().out
    document = json.loads((out / "archive.json").read_text(encoding="utf-8"))
    page = (out / "index.html").read_text(encoding="utf-8")
    assert document["counts"]["sessions"] == 4
    assert document["counts"]["failed"] == 1
    assert document["sessions"][0]["session"] == "broken"
    assert "2 of 3 sessions need a flip; 1 could not be checked." in told
    assert "is inverted in 2 of 3 sessions" in told
    assert [item["sessions"] for item in document["across"]["inverted"]] == [3]
    for session in document["sessions"][1:]:
        assert (out / session["report"] / "report.html").is_file()
        assert all(len(stamp["audio_sha256"]) == 64 for stamp in session["files"])
    assert "<b>" not in page
    assert "session &lt;b&gt;0" in page
    rows = table(out / "tracks.csv")
    assert len(rows) == 9
    assert sum(row["invert"] == "true" for row in rows) == 2
    assert document["sessions"][0]["reason"] in {row["fault"] for row in table(out / "faults.csv")}
    assert {path: path.read_bytes() for path in shelf.rglob("*.wav")} == before

    times = {path: path.stat().st_mtime_ns for path in out.rglob("report.json")}
    changed = next(shelf.glob("session*1/room*.wav"))
    os.utime(changed, ns=(1, changed.stat().st_mtime_ns + 10**9))
    assert code("archive", shelf, "--out", out, "--json") == 0
    again = json.loads(capsys.readouterr().out)
    assert again["counts"]["kept"] == 2
    remade = [path for path, then in times.items() if path.stat().st_mtime_ns != then]
    assert len(remade) == 1


def test_stopped_and_gone_on_with(shelf, tmp_path):
    """What was done stays whole, what was being done leaves nothing, and the next run does the rest."""
    out = tmp_path / "archive"
    command = [
        sys.executable,
        "-m",
        "polaritykit",
        "archive",
        str(shelf),
        "--out",
        str(out),
        "--workers",
        "1",
    ]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, start_new_session=True)
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and not list(out.rglob("report.json")):
        time.sleep(0.02)
    process.terminate()
    process.communicate(timeout=60)

    assert process.returncode == 128 + signal.SIGTERM
    for report in out.rglob("report.json"):
        json.loads(report.read_text(encoding="utf-8"))
    assert list(out.rglob(".unfinished-*")) == []
    assert code("archive", shelf, "--out", out) == 0
    document = json.loads((out / "archive.json").read_text(encoding="utf-8"))
    assert document["counts"]["sessions"] == 4
    assert len({session["session"] for session in document["sessions"]}) == 4


def test_part_of_long_takes(shelf, tmp_path, capsys):
    """The option reaches every check, and what was made with another one is made again."""
    root = tmp_path / "root"
    (root / "one").mkdir(parents=True)
    for path in next(shelf.glob("session*0")).glob("*.wav"):
        samples, rate = soundfile.read(path)
        soundfile.write(root / "one" / path.name, np.tile(samples, 12), rate)
    out = tmp_path / "archive"

    assert code("archive", root, "--out", out, "--seconds", 10, "--json") == 0
    (first,) = json.loads(capsys.readouterr().out)["sessions"]
    report = json.loads((out / first["report"] / "report.json").read_text(encoding="utf-8"))
    assert report["session"]["listened_s"] == pytest.approx(10.0, abs=0.5)
    assert code("archive", root, "--out", out, "--seconds", 20, "--json") == 0
    again = json.loads(capsys.readouterr().out)
    assert again["counts"]["kept"] == 0
    assert again["sessions"][0]["made_by"] == first["made_by"].replace("10", "20")
