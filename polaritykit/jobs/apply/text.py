"""What `apply` did and measured, in lines for the terminal.

Conventions: reads entries and documents only.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from polaritykit.base.file_names import shown
from polaritykit.base.wording import number, plural
from polaritykit.jobs.apply.gains import OctaveGain, PairGain
from polaritykit.jobs.apply.measure_again import MeasuredAgain
from polaritykit.recorders.words import clock_time

#: Gains shown in the terminal; ``applied.json`` has them all.
_MOST_SHOWN = 12
#: What rounds to nothing is neither gain nor loss.
_LEAST_SHOWN_DB = 0.05


def measured_again_text(again: MeasuredAgain) -> str:
    """Tell in lines what was predicted, what was measured, and what remains."""
    lines = _gain_lines(again.gains) + _octave_lines(again.octaves)
    if not again.remaining:
        return "\n".join([*lines, "Checked again: nothing is left to correct."])
    lines.append("Checked again, this is left:")
    for item in again.remaining:
        side = "late" if item.late_ms > 0 else "early"
        words = ["inverted"] * item.invert + [f"{abs(item.late_ms):.2f} ms {side}"] * bool(item.late_ms)
        lines.append(f"  {item.name}: {', '.join(words)}")
    return "\n".join(lines)


def copies_text(entries: Sequence[dict[str, Any]], place: Path) -> str:
    """Tell in lines what was done; limited samples and remarks are never left out."""
    changed = [
        entry
        for entry in entries
        if entry["invert"] or entry["delay_samples"] or entry.get("lined_up_s") is not None
    ]
    files = {entry["file"] for entry in entries}
    lines = [
        f"{plural(len(files), 'file')} written to {shown(place)}, {plural(len(changed), 'track')} changed."
    ]
    for entry in changed:
        words = ["flipped"] if entry["invert"] else []
        if entry["delay_samples"]:
            words.append(f"delayed by {entry['delay_ms']:.3f} ms ({entry['delay_samples']:.2f} samples)")
        if entry.get("lined_up_s") is not None:
            words.insert(0, _lined_up(entry))
        lines.append(f"  {entry['name']}: {', '.join(words)}")
    lines += [
        f"  {entry['name']}: {entry['limited_samples']} samples limited to full scale."
        for entry in entries
        if entry["limited_samples"]
    ]
    lines += [
        f"  {remark}" for remark in dict.fromkeys(text for entry in entries for text in entry["remarks"])
    ]
    if any(entry["delay_samples"] for entry in entries):
        lines.append(
            "Delays moved the start times of the files; not a sample of the sound was moved."
            if any(entry["start_samples"] is not None for entry in entries)
            else "Delays pad the start of a file and lengthen it by as much; start times are unchanged."
        )
    return "\n".join(lines)


def _lined_up(entry: dict[str, Any]) -> str:
    """Say what lining up did to a file."""
    start_s, ppm = entry["lined_up_s"], entry["resampled_ppm"] or 0.0
    said = f"first {clock_time(start_s)} left out" if start_s < 0.0 else f"begins {clock_time(start_s)} later"
    return said + (f" and resampled by {number(ppm, 2, signed=True)} ppm" if ppm else "") + " to line it up"


def _gain_lines(gains: tuple[PairGain, ...]) -> list[str]:
    if not gains:
        return ["No pair was changed whose gain could be measured again."]
    worst = max(abs(gain.measured_db - gain.predicted_db) for gain in gains)
    losses = sum(_is_loss(gain) for gain in gains)
    told = plural(len(gains) - losses, "promised gain")
    told += f" and {losses} {'loss' if losses == 1 else 'losses'} said before" if losses else ""
    lines = [f"Measured again: {told}, the worst {worst:.1f} dB off."]
    for gain in sorted(gains, key=lambda gain: -abs(gain.predicted_db))[:_MOST_SHOWN]:
        low, high = gain.band_hz
        lines.append(
            f"  {gain.reference} + {gain.other}, {gain.home} ({low:.0f} to {high:.0f} Hz): "
            f"{_said(gain)}, had {_db(gain.measured_db)}"
        )
    if len(gains) > _MOST_SHOWN:
        lines.append(f"  and {len(gains) - _MOST_SHOWN} more in applied.json")
    return lines


def _is_loss(gain: PairGain) -> bool:
    return gain.predicted_db <= -_LEAST_SHOWN_DB


def _said(gain: PairGain) -> str:
    """Say what was worked out before: a loss is called a loss."""
    if _is_loss(gain):
        return f"a loss of {-gain.predicted_db:.1f} dB was worked out"
    return f"promised {_db(gain.predicted_db)}"


def _octave_lines(octaves: tuple[OctaveGain, ...]) -> list[str]:
    if not octaves:
        return []
    lines = ["All tracks summed as they are, change by octave (worked out before, had):"]
    lines += [
        f"  {octave.centre_hz:7g} Hz  {_db(octave.predicted_db):>8}  {_db(octave.measured_db):>8}"
        for octave in octaves
    ]
    return lines


def _db(level_db: float) -> str:
    return f"{number(level_db, 1, signed=True)} dB"
