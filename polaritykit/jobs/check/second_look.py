"""Files that share no sound with any other though they should share a clock: sought in a second look.

Conventions: files are known by their paths.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from polaritykit.audio.records import Session
from polaritykit.decide.findings import Findings

#: More strangers than this are parts of a production that never sounded together, not recorders.
_MOST = 8


def look_again(
    session: Session,
    findings: Findings,
    *,
    reopen: Callable[[frozenset[Path]], Session],
    analyse: Callable[[Session], Findings],
) -> tuple[Session, Findings]:
    """Seek strangers over their whole takes; compare anew where one is found elsewhere.

    Parameters
    ----------
    session : Session
    findings : Findings
        Of this session.
    reopen : callable
        Opens the session with the given files apart.
    analyse : callable
        Analyses a session.

    Returns
    -------
    tuple of Session and Findings
        As given, but for what was searched, where nothing was found.
    """
    alone = strangers(session, findings)
    if not 0 < len(alone) <= _MOST:
        return session, findings
    again = reopen(alone)
    if any(recorder.state == "found" and set(recorder.files) & alone for recorder in again.recorders):
        return again, analyse(again)
    return replace(session, recorders=again.recorders or session.recorders), findings


def strangers(session: Session, findings: Findings) -> frozenset[Path]:
    """Files that sound and share nothing with any other, and were not sought yet."""
    path = {track.name: track.path for track in session.tracks}
    sought = {file for one in session.recorders if one.state != "reference" for file in one.files}
    sounding = {
        path[name]
        for name, levels in zip(findings.track_names, findings.levels, strict=True)
        if not {"silent", "duplicate"} & set(levels.faults)
    }
    known = {
        path[name]
        for pair in findings.pairs
        if (pair.related or pair.relation is not None) and path[pair.reference] != path[pair.other]
        for name in (pair.reference, pair.other)
    }
    return frozenset(sounding - known - sought)
