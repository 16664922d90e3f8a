"""Document of a stereo pair to terminal text.

Conventions: reads the document only.
"""

from collections.abc import Iterator
from typing import Any

from polaritykit.base.wording import measured


def stereo_text(document: dict[str, Any]) -> str:
    """Text for the terminal: what to do, then what was measured."""
    return "\n".join([*_answer(document["pair"]), "", *_measured(document["pair"]), *document["notes"]])


def _answer(pair: dict[str, Any]) -> Iterator[str]:
    """Say what to do, then why, then the remarks."""
    said = pair["said"]
    yield said["headline"]
    yield f"  Why: {said['why']}."
    yield f"  {said['kind']}"
    if said["setting"]:
        yield f"  {said['setting']}"
    yield from (f"- {remark}" for remark in said["remarks"])


def _measured(pair: dict[str, Any]) -> Iterator[str]:
    if pair["offset_ms"] is not None:
        side = pair["other"] if pair["offset_ms"] >= 0 else pair["reference"]
        late = measured(abs(pair["offset_ms"]), max(pair["offset_std_ms"] or 0.0, 0.001), "ms")
        yield (
            f"Offset              {late}, {side} later: the paths differ by "
            f"{pair['path_difference_m']:.2f} m (by {pair['offset_method']})"
        )
    if pair["level_difference_db"] is None:
        return
    step_db = pair["level_difference_db"]
    yield f"Level difference    {step_db:+.1f} dB ({pair['other']} against {pair['reference']})"
    yield f"Correlation         {pair['correlation']:+.2f}"
    yield (
        f"Mono sum            {-pair['mono_sum_loss_db']:+.1f} dB against the power of both, flipped "
        f"{-pair['mono_sum_loss_flipped_db']:+.1f} dB"
    )
    worst = pair["worst_moment"]
    if worst:
        yield f"Worst moment        {-worst['mono_sum_loss_db']:+.1f} dB at {worst['time_s']:.1f} s"
    yield ""
    yield "octave Hz  level diff  coherence  phase°  mono sum  flipped"
    for octave in pair["octaves"]:
        yield (
            f"{octave['centre_hz']:>9g}  {octave['level_difference_db']:>+10.1f}  "
            f"{octave['coherence']:>9.2f}  {octave['phase_deg']:>6.0f}  "
            f"{-octave['mono_sum_loss_db']:>+8.1f}  {-octave['mono_sum_loss_flipped_db']:>+7.1f}"
        )
