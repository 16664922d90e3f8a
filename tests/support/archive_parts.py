"""Requests and records of made-up sessions."""

from polaritykit.jobs.archive.records import FileStamp, PairRecord, Request, SessionRecord, TrackRecord


def request(name, out="/nowhere", *, modified_ns=1):
    """Ask for one session of one file."""
    return Request(
        session=name,
        files=(FileStamp(file=f"{name}/a.wav", size_bytes=10, modified_ns=modified_ns),),
        source=f"/shelf/{name}",
        report=f"{out}/{name}",
        made_by="test",
    )


def track(name, *, invert=False, flip_reason="inverted", faults=()):
    """Describe one track."""
    return TrackRecord(
        name=name,
        invert=invert,
        flip_reason=flip_reason if invert else None,
        shift_ms=0.0,
        status="agrees",
        faults=tuple(faults),
    )


def pair(reference, other, offset_ms, std_ms=0.01):
    """Describe one pair."""
    return PairRecord(
        reference=reference,
        other=other,
        polarity="same",
        confidence=0.99,
        offset_ms=offset_ms,
        offset_std_ms=std_ms,
    )


def record(asked, *, tracks=(), pairs=(), status="checked", reason=None, flips=0):
    """Tell what came of a request."""
    return SessionRecord(
        session=asked.session,
        made_by=asked.made_by,
        files=asked.files,
        status=status,
        reason=reason,
        report=f"sessions/{asked.session}" if status == "checked" else None,
        headline="Nothing to correct.",
        duration_s=60.0,
        flips=flips,
        delays=0,
        unclear=0,
        tracks=tuple(tracks),
        pairs=tuple(pairs),
    )
