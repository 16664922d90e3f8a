"""One session checked in a process of its own, and what came of it as one record.

Conventions: runs where the files are, which on a cluster is another machine; never raises for what is wrong
with a session: that is its result.
"""

import json
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

from polaritykit.base.file_names import restored, shown
from polaritykit.base.track_names import short_names
from polaritykit.jobs.archive.find import report_folder
from polaritykit.jobs.archive.records import PairRecord, Request, SessionRecord, TrackRecord

_PREFIX = "polaritykit: "
#: Of what a process said last.
_MOST_CHARACTERS = 300
_running: set[subprocess.Popen[bytes]] = set()
_lock = threading.Lock()


def check_session(request: Request) -> SessionRecord:
    """Check one session in its own process; an earlier report of it is replaced.

    Parameters
    ----------
    request : Request

    Returns
    -------
    SessionRecord
        With the reason where the check failed.
    """
    report = Path(request.report)
    try:
        report.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        return failure(request, f"{error.strerror}: {shown(report.parent)}")
    command = [sys.executable, "-m", "polaritykit", "check", request.source, *request.options]
    code, said = _run([*command, "--out", request.report, "--overwrite"])
    if code < 0:
        return failure(request, f"stopped by signal {-code}; not enough memory is the usual cause")
    if code:
        last = said.strip().rpartition("\n")[2].removeprefix(_PREFIX)[:_MOST_CHARACTERS]
        return failure(request, last or f"ended with exit code {code}")
    try:
        return _record(request, json.loads((report / "report.json").read_bytes()))
    except (OSError, ValueError, KeyError, TypeError) as error:
        return failure(request, f"its report cannot be read ({error})")


def stop_all() -> None:
    """Stop the checks that run in this process's care."""
    with _lock:
        for process in _running:
            process.terminate()


def failure(request: Request, reason: str) -> SessionRecord:
    """Record a session that could not be checked.

    Parameters
    ----------
    request : Request
    reason : str
        In a sentence.
    """
    return SessionRecord(
        session=request.session,
        made_by=request.made_by,
        files=request.files,
        status="failed",
        reason=reason,
        report=None,
        headline="Could not be checked.",
        duration_s=0.0,
        flips=0,
        delays=0,
        unclear=0,
        tracks=(),
        pairs=(),
    )


def _run(command: list[str]) -> tuple[int, str]:
    """Exit code of a process and what it said of errors; it ends with this one."""
    process = subprocess.Popen(  # noqa: S603 — our own program, no shell
        command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    with _lock:
        _running.add(process)
    try:
        _, errors = process.communicate()
    finally:
        process.kill()
        with _lock:
            _running.discard(process)
    return process.returncode, errors.decode("utf-8", "replace")


def _record(request: Request, report: dict[str, Any]) -> SessionRecord:
    names = [track["name"] for track in report["tracks"]]
    short = dict(zip(names, short_names(names), strict=True))
    settings = {track["name"]: track for track in report["corrections"]["tracks"]}
    hashes = {
        restored(entry["file"], entry["file_base64"]): entry["audio_sha256"] for entry in report["files"]
    }
    related = [pair for pair in report["pairs"] if pair["related"]]
    return SessionRecord(
        session=request.session,
        made_by=request.made_by,
        files=tuple(
            # A report names files relative to its folder, the archive relative to its root.
            replace(stamp, audio_sha256=hashes.get(Path(stamp.file).name))
            for stamp in request.files
        ),
        status="checked",
        reason=None,
        report=report_folder(request.session),
        headline=report["summary"]["headline"],
        duration_s=report["session"]["duration_s"],
        flips=report["summary"]["counts"]["flips"],
        delays=report["summary"]["counts"]["delays"],
        unclear=sum(pair["polarity"] == "unclear" for pair in related),
        tracks=tuple(
            _track(short[track["name"]], track, settings.get(track["name"])) for track in report["tracks"]
        ),
        pairs=tuple(
            PairRecord(
                reference=short[pair["reference"]],
                other=short[pair["other"]],
                polarity=pair["polarity"],
                confidence=pair["confidence"],
                offset_ms=pair["offset_ms"],
                offset_std_ms=pair["offset_std_ms"],
            )
            for pair in related
        ),
    )


def _track(name: str, track: dict[str, Any], setting: dict[str, Any] | None) -> TrackRecord:
    return TrackRecord(
        name=name,
        invert=bool(setting and setting["invert"]),
        flip_reason=setting["flip_reason"] if setting else None,
        shift_ms=setting["shift_ms"] if setting else 0.0,
        status=setting["status"] if setting else "not judged",
        faults=tuple(track["faults"]),
    )
