"""How late each close mic hears its own source against the anchor, and what delay comes of it.

Conventions: lateness in seconds against the anchor, None for tracks that are left alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from polaritykit.base.track_names import is_room
from polaritykit.base.types import Floats
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.delay import Setting, align
from polaritykit.decide.findings import Rule
from polaritykit.decide.settings import AdviceSettings, AlignmentSettings
from polaritykit.evidence.source import SourceEvidence
from polaritykit.spectra.main_octave import SumTarget

Pairs = Mapping[tuple[int, int], Conclusion]


@dataclass(frozen=True, kw_only=True)
class OwnArrival:
    """A track's own source against the anchor."""

    #: None where its own source was not found by itself.
    late_s: float | None
    #: Track the source is at home on.
    home: int
    target: SumTarget | None


def lateness(
    names: tuple[str, ...],
    pairs: Pairs,
    evidence: tuple[SourceEvidence, ...],
    *,
    signs: Floats,
    targets: tuple[SumTarget, ...],
    linked: tuple[tuple[str, str], ...],
    anchor: int | None,
    settings: AdviceSettings,
    alignment: AlignmentSettings,
) -> tuple[list[float | None], list[str], dict[int, Rule]]:
    """How late each track is taken to be, and why.

    Parameters
    ----------
    names : tuple of str
    pairs : mapping of (a, b), a < b, to Conclusion
    evidence : tuple of SourceEvidence
    signs : ndarray, shape (n_tracks,)
        ±1 by the flips.
    targets : tuple of SumTarget
        Of the tracks; those of the sources are with the evidence.
    linked : pairs of names that move together
    anchor : int or None
    settings : AdviceSettings
    alignment : AlignmentSettings

    Returns
    -------
    tuple
        Lateness and reason per track; the rule behind the delay of each track that may have one.
    """
    late: list[float | None] = [None] * len(names)
    why = [""] * len(names)
    if anchor is None:
        return late, why, {}
    partner = {name: other for pair in linked for name, other in (pair, pair[::-1])}
    own: dict[int, OwnArrival] = {}
    for index, name in enumerate(names):
        if index == anchor or partner.get(name) == names[anchor]:
            late[index] = 0.0
            continue
        if name in partner:
            continue
        found = own_arrival(
            index,
            anchor,
            pairs[min(index, anchor), max(index, anchor)],
            evidence=evidence,
            targets=targets,
            settings=settings,
        )
        if found is None:
            continue
        late_ms = (found.late_s or 0.0) * 1e3
        if late_ms > settings.far_ms or (is_room(name) and late_ms > 0.0):
            why[index] = f"far ({late_ms:.1f} ms later than {names[anchor]}): keeps its lateness"
        elif not (is_room(name) and found.late_s is None):
            own[index] = found
    sources = tuple(item.target for item in evidence if item.target is not None)
    of_track = {target.track: target for target in targets}
    aligned = align(
        {index: found.late_s for index, found in own.items()},
        {index: found.target or of_track.get(index) for index, found in own.items()},
        (*sources, *targets),
        signs,
        alignment,
    )
    for index, setting in aligned.items():
        late[index] = setting.late_s
        what = "its own source" if own[index].home == index else names[own[index].home]
        said = _words(names, own[index], setting, heard=what, anchor=names[anchor], settings=settings)
        why[index] = f"{said}{_flip_words(setting, alignment)}"
    return late, why, {index: setting.rule for index, setting in aligned.items()}


def own_arrival(
    track: int,
    anchor: int,
    conclusion: Conclusion,
    *,
    evidence: tuple[SourceEvidence, ...],
    targets: tuple[SumTarget, ...],
    settings: AdviceSettings,
) -> OwnArrival | None:
    """Lateness of a track by its own source: one at home there, else the loudest it hears; or why not.

    Returns
    -------
    OwnArrival or None
        None for a track that shares no sound with the anchor.
    """
    if not conclusion.related or conclusion.main is None:
        return None
    kind = [item for item in evidence if item.kind == conclusion.main.kind]
    if not kind:
        if conclusion.offset_s is None:
            return None
        sign = 1.0 if anchor < track else -1.0
        return OwnArrival(late_s=sign * conclusion.offset_s, home=track, target=None)
    loudest = max(kind, key=lambda item: float(item.level_db[track]))
    homely = [item for item in kind if item.home == track]
    known = [
        item
        for item in (*homely, loudest)
        if item.known[anchor, track] and item.std_s[anchor, track] * 1e3 <= settings.most_std_ms
    ]
    mine = [item for item in known if _sounds_like(item, track, targets)]
    if not mine:
        return OwnArrival(late_s=None, home=track, target=None)
    best = max(mine, key=lambda item: float(item.level_db[track]))
    return OwnArrival(late_s=float(best.offset_s[anchor, track]), home=best.home, target=best.target)


def _sounds_like(item: SourceEvidence, track: int, targets: tuple[SumTarget, ...]) -> bool:
    """Whether a source lies where most of the track's energy is: else it is a guest there."""
    octaves = [target.centre_hz for target in targets if target.track == track]
    if item.target is None or not octaves:
        return True
    return bool(item.target.centre_hz == octaves[0])


def _flip_words(setting: Setting, settings: AlignmentSettings) -> str:
    """Warn of a right flip that costs the low end as long as the delay is not set."""
    if setting.flip_db is None or setting.flip_db > -settings.flip_warns_db:
        return ""
    return (
        f"; flipped alone its own octave loses {-setting.flip_db:.1f} dB in the sum, for it is early: "
        "set its delay by ear as well"
    )


def _words(
    names: tuple[str, ...],
    own: OwnArrival,
    setting: Setting,
    *,
    heard: str,
    anchor: str,
    settings: AdviceSettings,
) -> str:
    """Say what was measured, and which rule made what of it."""
    if own.late_s is None:
        found = "its own source was not found often enough by itself: "
        if setting.late_s is None:
            return found + "no delay is advised"
        return found + f"set for the fullest sum in its own octave ({setting.gain_db:+.1f} dB)"
    word = "earlier" if own.late_s < 0 else "later"
    said = f"hears {heard} {abs(own.late_s) * 1e3:.2f} ms {word} than {anchor}"
    if setting.rule == "arrival":
        return said if abs(own.late_s) * 1e3 >= settings.least_delay_ms else ""
    if setting.rule == "fullest":
        return f"{said}; set for the fullest sum of it instead ({setting.gain_db:+.1f} dB in the whole sum)"
    if setting.rule == "no gain":
        return f"{said}, but the sum of all tracks would not gain: no delay is advised"
    loser = names[setting.loser]
    return (
        f"{said}, but with that delay the sum would lose {setting.loss_db:.1f} dB of {loser}: "
        "no delay is advised"
    )
