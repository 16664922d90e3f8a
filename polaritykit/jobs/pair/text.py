"""Document of a stereo pair to terminal text.

Conventions: reads the document only.
"""

from collections.abc import Iterator
from typing import Any

from polaritykit.base.wording import measured, number


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
    step, correlation = _signed(pair["level_difference_db"]), _signed(pair["correlation"], 2)
    yield f"Level difference    {step} dB ({pair['other']} against {pair['reference']})"
    yield f"Correlation         {correlation}"
    yield (
        f"Mono sum            {_signed(-pair['mono_sum_loss_db'])} dB against the power of both, flipped "
        f"{_signed(-pair['mono_sum_loss_flipped_db'])} dB"
    )
    worst = pair["worst_moment"]
    if worst:
        yield f"Worst moment        {_signed(-worst['mono_sum_loss_db'])} dB at {worst['time_s']:.1f} s"
    yield ""
    yield "octave Hz  level diff  coherence  phase°  mono sum  flipped"
    for octave in pair["octaves"]:
        yield (
            f"{octave['centre_hz']:>9g}  {_signed(octave['level_difference_db']):>10}  "
            f"{octave['coherence']:>9.2f}  {number(octave['phase_deg'], 0):>6}  "
            f"{_signed(-octave['mono_sum_loss_db']):>8}  {_signed(-octave['mono_sum_loss_flipped_db']):>7}"
        )


def _signed(value: float, decimals: int = 1) -> str:
    return number(value, decimals, signed=True)
