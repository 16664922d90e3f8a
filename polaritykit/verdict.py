"""Findings to the verdict in words: what to do first, then how much was compared and how sure it is.

Conventions: one headline, then short sentences; a number is only given where it was measured.
"""

from typing import Any

from polaritykit.findings import Findings, PairFinding


def summarise(findings: Findings) -> dict[str, Any]:
    """Make the document's ``summary``.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    dict
        ``headline``, ``sentences`` and ``counts``.
    """
    pairs = findings.pairs
    related = [pair for pair in pairs if pair.related]
    decided = [pair for pair in related if pair.polarity != "unclear"]
    flips = [track for track in findings.corrections.tracks if track.invert]
    delays = [track for track in findings.corrections.tracks if track.delay_ms > 0]
    faults = [
        f"{name}: {', '.join(levels.faults)}"
        for name, levels in zip(findings.track_names, findings.levels, strict=True)
        if levels.faults
    ]
    sentences = [*_flip_sentences(findings, flips), *_delay_sentences(findings, delays)]
    sentences += _other_sentences(related, decided)
    if faults:
        sentences.append(f"Level or wiring faults: {'; '.join(faults)}.")
    return {
        "headline": _headline(related, decided, [t.name for t in flips], len(delays)),
        "sentences": sentences,
        "counts": {
            "pairs": len(pairs),
            "related": len(related),
            "decided": len(decided),
            "inverted": sum(pair.polarity == "inverted" for pair in decided),
            "flips": len(flips),
            "delays": len(delays),
        },
    }


def _headline(related: list[PairFinding], decided: list[PairFinding], flips: list[str], n_delays: int) -> str:
    if not related:
        return "No two tracks share sound: there is nothing to compare."
    parts = []
    if flips:
        parts.append(f"flip {_listed(flips)}")
    if n_delays:
        parts.append(f"{n_delays} delay{'s' if n_delays > 1 else ''} would line the tracks up")
    if parts:
        text = "; ".join(parts)
        return text[0].upper() + text[1:] + "."
    if not decided:
        return "Polarity could not be told for any pair; see the reasons."
    return "Nothing to correct: every pair that could be judged agrees."


def _listed(names: list[str], most: int = 6) -> str:
    shown = names[:most]
    text = shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
    return text if len(names) <= most else f"{', '.join(shown)} and {len(names) - most} more"


def _flip_sentences(findings: Findings, flips: list[Any]) -> list[str]:
    out = [f"Flip {track.name}: {track.why}." for track in flips]
    if flips and 2 * len(flips) >= len(findings.track_names):
        out.append("Relative polarity cannot tell which side of two equal groups is the one wired backwards.")
    outvoted = findings.corrections.outvoted
    seen = {item.why for item in outvoted}
    if outvoted:
        one = outvoted[0]
        rest = f" ({len(outvoted)} pairs in all)" if len(outvoted) > 1 else ""
        out.append(f"{one.reference} / {one.other}{rest}: {min(seen) if len(seen) == 1 else one.why}.")
    return out


def _delay_sentences(findings: Findings, delays: list[Any]) -> list[str]:
    if not delays:
        return []
    listed = ", ".join(f"{track.name} {track.delay_ms:.2f} ms" for track in delays)
    return [f"Delays against {findings.corrections.anchor}: {listed}."]


def _other_sentences(related: list[PairFinding], decided: list[PairFinding]) -> list[str]:
    out = []
    strong = sum(pair.grade == "strong" for pair in decided)
    if decided:
        out.append(
            f"{len(decided)} of {len(related)} related pairs have a clear polarity, {strong} of them by "
            "two or more sources."
        )
    unclear = [pair for pair in related if pair.polarity == "unclear"]
    if unclear:
        worst = unclear[0]
        out.append(
            f"Unclear: {len(unclear)} pair(s), such as {worst.reference} / {worst.other} ({worst.reason})."
        )
    return out
