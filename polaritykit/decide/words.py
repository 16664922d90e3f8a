"""Reason codes of settings and their numbers in words; the one place where these sentences are made.

Conventions: a reason is a clause without a full stop; several are joined by semicolons.
"""

from collections.abc import Sequence

from polaritykit.base.wording import frequency, number
from polaritykit.decide.setting import Flip, Loss, Shift


def flip_words(flip: Flip, names: Sequence[str]) -> str:
    """Say why a track is flipped; empty where it is not."""
    if not flip.invert or flip.reason is None:
        return ""
    if flip.reason == "copy":
        return f"flips with {_name(flip.about, names)}, of which it is a copy"
    said = f"inverted against {flip.against} other track{'s' if flip.against > 1 else ''}"
    if flip.reason == "underside":
        said += ", as a mic under a drum is by nature: flip it for the sum, no cable needs mending"
    if flip.reason == "one_source":
        said += (
            f" for {_name(flip.about, names)} alone: flip it for the sum; before mending a cable see whether "
            "this mic hears it from its other side"
        )
    return said + (" (or all the others of its group)" if flip.tie else "")


def shift_words(shift: Shift, track: int, anchor: int | None, names: Sequence[str]) -> str:
    """Say why a track is shifted, or why not; empty where there is nothing to tell."""
    heard = _heard(shift, track, anchor, names)
    gain = f"{number(shift.gain_db, 1, signed=True)} dB"
    about = _name(shift.about, names)
    lag = number(abs(shift.late_s or 0.0) * 1e3, 1)
    words = {
        "coincide": heard,
        "fuller": f"{heard}; set for a fuller sum close by ({gain} in its own mics and the anchor)",
        "octave": (
            "its own source was not found often enough by itself: set for the fullest sum in its own octave "
            f"({gain} with the anchor)"
        ),
        "own_sum": f"set to {about}, which is on the same source ({gain} in the sum of the two)",
        "image": f"moves with {about}: a stereo pair is never shifted against itself",
        "along": f"moves with {about}, which is on the same source; their own distance serves as it is",
        "copy": _copy(shift, about),
        "together": "",
        "anchor": "",
        "small_gain": f"{heard}, but its own source would gain too little to hear ({gain})",
        "harm": f"{heard}, but with that shift {_cost(shift.loss, names)}: it is left",
        "far": _far(shift, anchor, names),
        "unrelated": "shares no sound with the anchor: not judged",
        "sign_open": _open(shift),
        "no_arrival": "its own source has no clear first arrival in it and in the anchor: no shift is judged",
        "faulty": "silent or unusable: not judged",
        "echo": f"a copy of {about}, {lag} ms late, as a printed echo is: left",
        "alone": "no two tracks share sound: not judged",
    }
    return words[shift.reason]


def loss_words(losses: Sequence[Loss], names: Sequence[str]) -> str:
    """Say what a setting costs; empty where that is nothing."""
    return "; ".join(f"with all settings {_cost(loss, names)}" for loss in losses)


def _cost(loss: Loss | None, names: Sequence[str]) -> str:
    if loss is None:
        return "its own sum would lose"
    return (
        f"{_name(loss.home, names)} loses {number(-loss.change_db, 1)} dB around {frequency(loss.octave_hz)}"
    )


def _heard(shift: Shift, track: int, anchor: int | None, names: Sequence[str]) -> str:
    if shift.late_s is None:
        return "its lateness is not known"
    word = "earlier" if shift.late_s < 0 else "later"
    own = "its own source" if shift.about in (None, track) else f"the source of {_name(shift.about, names)}"
    return f"hears {own} {number(abs(shift.late_s) * 1e3, 2)} ms {word} than {_name(anchor, names)}"


def _far(shift: Shift, anchor: int | None, names: Sequence[str]) -> str:
    if shift.late_s is not None and shift.late_s > 0.0:
        late = number(shift.late_s * 1e3, 1)
        return f"far ({late} ms later than {_name(anchor, names)}): keeps its lateness"
    return "hears all sources about alike, as a mic for the room does: keeps its lateness"


def _open(shift: Shift) -> str:
    if shift.either_s is None:
        return "its polarity is unclear: not judged, compare both positions by ear"
    one, two = (f"{number(value * 1e3, 2, signed=True)} ms" for value in shift.either_s)
    return f"its polarity is unclear: listen to both, shifted by {one} as it is and by {two} flipped"


def _copy(shift: Shift, about: str) -> str:
    if not shift.late_s:
        return f"a copy of {about}: moves with it"
    return f"a copy of {about}, {lateness_words(shift.late_samples or 0.0)}: brought onto it"


def lateness_words(samples: float) -> str:
    """Say how late a copy is.

    Examples
    --------
    >>> lateness_words(64.0), lateness_words(-0.5)
    ('64 samples late', '0.5 samples early')
    """
    size = abs(samples)
    text = number(size, 0 if abs(size - round(size)) < 0.05 else 1)
    return f"{text} sample{'' if text == '1' else 's'} {'late' if samples > 0 else 'early'}"


def _name(track: int | None, names: Sequence[str]) -> str:
    return names[track] if track is not None else "the anchor"
