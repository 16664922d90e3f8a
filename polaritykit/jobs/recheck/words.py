"""What changed between two reports, in sentences."""

from polaritykit.base.wording import listed, plural
from polaritykit.jobs.recheck.compare import Recheck


def sentences(result: Recheck) -> list[str]:
    """Say the differences in words: what is worse or better than the last advice, then track by track."""
    out = _verdict(result)
    out += [f"{name} is in the old report only." for name in result.missing]
    out += [f"{name} is in the new report only." for name in result.new]
    for track in result.tracks:
        if track.turned:
            out.append(f"{track.name} has turned: its polarity against the others is the other one now.")
        if track.later_ms is not None:
            word = "later" if track.later_ms > 0 else "earlier"
            out.append(
                f"{track.name} hears {abs(track.later_ms):.2f} ms {word} than before: "
                "a delay was set, its link has another latency, or the mic was moved."
            )
        if track.level_change_db is not None:
            out.append(
                f"{track.name} is {track.level_change_db:+.1f} dB against before: gain, a pad (10 or 20 dB, "
                "common practice) or the playing."
            )
        out += [f"{track.name}: new fault, {fault}." for fault in track.faults_new]
        out += [f"{track.name}: fault gone, {fault}." for fault in track.faults_gone]
    if not out:
        out.append(f"Nothing changed in {plural(result.compared, 'pair')} that both reports answer.")
    return out


def _verdict(result: Recheck) -> list[str]:
    parts = []
    for verdict, words in (("worse", "Worse than before"), ("better", "Better")):
        names = [track.name for track in result.tracks if track.verdict == verdict]
        if names:
            parts.append(f"{words}: {listed(names)}")
    return [". ".join(parts) + "."] if parts else []
