"""Findings to one JSON-safe document, the only thing pages, tables and `apply` read.

Conventions: times in ms, levels in dB; enough digits that nothing measured is lost; fields as in `schema`.
"""

from datetime import datetime
from pathlib import Path
from typing import Any

from polaritykit.audio.excerpt import Sound
from polaritykit.audio.records import FaultyTrack, Session
from polaritykit.base.file_names import stored
from polaritykit.base.no_collection import no_collection
from polaritykit.base.spans import common_span, spans_of
from polaritykit.base.types import Json
from polaritykit.base.validate import plain, written
from polaritykit.decide.findings import Findings, PairFinding
from polaritykit.jobs.check.excerpts import Excerpts
from polaritykit.jobs.check.reasons import (
    advice_words,
    beyond_note,
    change_words,
    correction_clauses,
    correction_words,
    motion_notes,
    note_words,
    outvoted_words,
    pair_words,
    part_note,
)
from polaritykit.jobs.check.recorder_entries import recorder_entries
from polaritykit.jobs.check.schema import Report
from polaritykit.jobs.check.session_sound import SessionSound
from polaritykit.jobs.check.verdict import summarise
from polaritykit.jobs.check.words import pad_sentence
from polaritykit.levels.faults import level_advice, sum_advice, track_remarks
from polaritykit.pages.head import head, now
from polaritykit.recorders.parts import RecorderParts, span_start_s
from polaritykit.spectra.stored import Wanted, curves_entry, encode_samples

#: Bytes of the curves that are kept: with the words of 276 pairs (24 tracks) the page stays under 5 MB.
CURVE_BYTES = 2_600_000


@no_collection()
def build_document(
    findings: Findings,
    session: Session | None = None,
    *,
    curves: bool = True,
    waves: Excerpts | None = None,
    excerpts: Excerpts | None = None,
    session_sound: SessionSound | None = None,
    created: datetime | None = None,
) -> Json:
    """Make the document of one analysis.

    Parameters
    ----------
    findings : Findings
    session : Session, optional
        Where the tracks came from; without it the tracks have no files.
    curves : bool
        Keep the spectra of the pairs worth looking at.
    waves : Excerpts, optional
        One hit of each pair to see on the page.
    excerpts : Excerpts, optional
        To hear pairs on the page.
    session_sound : SessionSound, optional
        To hear all tracks on the page; goes with `excerpts`.
    created : datetime, optional
        Now when left out.

    Returns
    -------
    dict
        Fields as described in DEVELOPERS.md.
    """
    part_s, duration_s = findings.listened_s, findings.n_samples / findings.sample_rate_hz
    notes = [
        *(session.notes if session else ()),
        *([] if part_s is None else [part_note(part_s, duration_s)]),
        *motion_notes(findings.track_names, findings.motions),
        *map(beyond_note, findings.beyond_plan),
    ]
    parts = RecorderParts(session)
    pairs = [_pair(pair, findings, parts) for pair in findings.pairs]
    document = {
        **head("check"),
        "created": created.isoformat(timespec="seconds") if created else now(),
        "session": {
            "name": session.name if session else "arrays",
            **(stored(str(session.folder), "folder") if session else {"folder": None, "folder_base64": None}),
            "start_times_ignored": session.start_times_ignored if session else False,
            "duration_s": duration_s,
            "n_samples": findings.n_samples,
            "common_s": _common_s(session) if session else None,
            "listened_s": part_s,
            "purpose": findings.purpose,
        },
        "sample_rate": findings.sample_rate_hz,
        "notes": notes,
        "summary": summarise(findings),
        "files": _files(session) if session else [],
        "recorders": recorder_entries(session) if session else [],
        "span_start_s": span_start_s(session) if session else None,
        "tracks": _tracks(findings, session),
        "sources": [
            {**plain(source), "id": f"S{number + 1}", "times_s": [round(time, 4) for time in source.times_s]}
            for number, source in enumerate(findings.sources)
        ],
        "pairs": pairs,
        "corrections": _corrections(findings),
        "kit_sum": plain(findings.kit_sum),
        "served": [plain(source) for source in findings.served],
        "sum_peak": None if findings.sum_peak is None else plain(findings.sum_peak),
        "voices": [plain(voice) for voice in findings.voices],
        "pads": [plain(pad) for pad in findings.pads],
        "levels_advice": _levels_advice(findings),
        "curves": _curves(findings) if curves else None,
        "waves": None if waves is None else _audio(waves),
        "audio": None if excerpts is None else _audio(excerpts) | {"session": _session_sound(session_sound)},
        "settings": plain(findings.settings),
    }
    return written(document, Report)


def _audio(excerpts: Excerpts) -> dict[str, Any]:
    return {
        "sample_rate": excerpts.sample_rate_hz,
        "sounds": _sounds(excerpts.sounds),
        "pairs": [plain(pair) for pair in excerpts.pairs],
        "session": None,
    }


def _session_sound(found: SessionSound | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "sample_rate": found.sample_rate_hz,
        "start_s": round(found.start_s, 4),
        "flips_gain_db": found.flips_gain_db,
        "all_gain_db": found.all_gain_db,
        "sounds": _sounds(found.sounds),
    }


def _sounds(sounds: tuple[Sound, ...]) -> list[dict[str, Any]]:
    return [
        {
            "track": sound.track,
            "start_s": round(sound.start_s, 4),
            "gain": sound.gain,
            "samples": encode_samples(sound.samples),
        }
        for sound in sounds
    ]


def _levels_advice(findings: Findings) -> list[str]:
    sentences = list(level_advice(findings.track_names, findings.levels, findings.settings.levels))
    sentences += [pad_sentence(pad.louder, pad.quieter, pad.step_db, pad.pad_db) for pad in findings.pads]
    peak = findings.sum_peak
    if peak is not None:
        sentences.append(sum_advice(peak.dbtp, is_bound=peak.is_bound))
    return sentences


def _common_s(session: Session) -> tuple[float, float] | None:
    """Part that all files share, where that is not all; seconds of the session."""
    first, stop = common_span(spans_of(session.recording))
    if (first, stop) == (0, session.n_samples):
        return None
    return first / session.sample_rate_hz, stop / session.sample_rate_hz


def _files(session: Session) -> list[dict[str, Any]]:
    """Describe the files so that `apply` can tell whether they are still the same."""
    hashes: dict[Path, str] = dict(getattr(session.recording, "audio_hashes", {}))
    return [
        {
            **stored(session.files[path]),
            "size_bytes": track.size_bytes,
            "sample_rate": track.file_rate_hz,
            "channels": track.channels,
            "frames": track.frames,
            "start_samples": track.time_reference,
            "audio_sha256": hashes.get(path),
        }
        for path, track in {track.path: track for track in session.tracks}.items()
    ]


def _tracks(findings: Findings, session: Session | None) -> list[dict[str, Any]]:
    partner = {name: other for pair in findings.linked for name, other in (pair, pair[::-1])}
    files = {track.name: track for track in session.tracks} if session else {}
    met: dict[str, tuple[str, ...]] = dict(getattr(session.recording, "faults_met", {})) if session else {}
    out = []
    for name, levels in zip(findings.track_names, findings.levels, strict=True):
        file = files.get(name)
        entry = {
            "name": name,
            **(stored(session.files[file.path]) if file and session else {"file": None, "file_base64": None}),
            "channel": file.channel if file else 0,
            **plain(levels),
            "faults": sorted({*levels.faults, *met.get(name, ())}),
            "linked_with": partner.get(name),
            "remarks": list(track_remarks(levels, findings.settings.levels)),
        }
        out.append(entry)
    out += [_faulty(track, session) for track in session.faulty] if session else []
    return out


def _faulty(track: FaultyTrack, session: Session) -> dict[str, Any]:
    empty = dict.fromkeys(
        (
            "peak_dbfs",
            "true_peak_dbtp",
            "rms_dbfs",
            "crest_db",
            "noise_floor_dbfs",
            "clip_dbfs",
            "hum_hz",
            "hum_dbfs",
        )
    )
    return {
        "name": track.name,
        **stored(session.files[track.path]),
        "channel": 0,
        **empty,
        "dc_offset": 0.0,
        "clipped_runs": 0,
        "clipped_samples": 0,
        "duplicate_of": None,
        "faults": [track.fault],
        "linked_with": None,
        "remarks": [track.remark],
    }


def _corrections(findings: Findings) -> dict[str, Any]:
    """Put the words beside the codes."""
    corrections = findings.corrections
    return plain(corrections) | {
        "tracks": [
            plain(track)
            | {
                "why": correction_words(track, corrections, findings.linked),
                "clauses": correction_clauses(track, corrections, findings.linked),
            }
            for track in corrections.tracks
        ],
        "outvoted": [plain(pair) | {"why": outvoted_words(pair)} for pair in corrections.outvoted],
    }


def _pair(pair: PairFinding, findings: Findings, parts: RecorderParts) -> dict[str, Any]:
    entry = plain(pair)
    entry["reason"] = pair_words(pair)
    if not pair.related and pair.cause is not None and pair.cause.code == "no_shared_sound":
        searched = parts.searched(pair.reference, pair.other, findings.settings.search_ms)
        entry["reason"] += f" (compared {searched})"
    entry["advice"] |= {"why": advice_words(pair, findings.corrections), "note": note_words(pair)}
    entry["changes"] = [plain(change) | {"what": change_words(change)} for change in pair.changes]
    entry["notches_hz"] = [round(notch, 2) for notch in pair.notches_hz]
    apart_ms = parts.offset_ms(pair.reference, pair.other)
    drift_ppm = parts.drift_ppm(pair.reference, pair.other)
    entry["recorders_ms"] = apart_ms
    if pair.offset_ms is not None:
        entry["offset_ms"] = pair.offset_ms + apart_ms
        entry["offset_samples"] = entry["offset_ms"] * 1e-3 * findings.sample_rate_hz
    else:
        entry["offset_samples"] = None
    if pair.related and (pair.drift_ppm is not None or drift_ppm):
        entry["drift_ppm"] = (pair.drift_ppm or 0.0) + drift_ppm
    gains = entry.pop("gains")
    entry["gain_db"] = (
        {
            "flipped": gains["flipped_db"],
            "aligned": gains["aligned_db"],
            "aligned_flipped": gains["aligned_flipped_db"],
        }
        if gains
        else None
    )
    return entry


def worth_looking(findings: Findings) -> tuple[PairFinding, ...]:
    """Pairs that deserve a picture: related ones, those that change something first, then by gain."""

    def weight(pair: PairFinding) -> tuple[bool, bool, float]:
        gains = pair.gains
        largest = max(abs(gains.flipped_db), abs(gains.aligned_db)) if gains else 0.0
        return (pair.advice.action not in ("leave", "listen"), pair.polarity == "inverted", largest)

    related = [pair for pair in findings.pairs if pair.related and pair.offset_ms is not None]
    return tuple(sorted(related, key=weight, reverse=True))


def _curves(findings: Findings) -> dict[str, Any]:
    index = {name: number for number, name in enumerate(findings.track_names)}
    wanted = [
        Wanted(
            pair=(index[pair.reference], index[pair.other]),
            aligned_ms=float(pair.offset_ms or 0.0),
            sources=tuple(
                (
                    None if source.polarity == "unclear" else source.offset_ms,
                    source.polarity == "inverted",
                )
                for source in pair.sources
            ),
        )
        for pair in worth_looking(findings)
    ]
    return curves_entry(findings.spectra, findings.track_names, wanted, most_characters=CURVE_BYTES)
