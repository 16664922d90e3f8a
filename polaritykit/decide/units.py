"""What moves together: linked pairs, mics on one source, single tracks; and what stays, with its reason.

Conventions: tracks are indices in session order; nothing here depends on that order, on gains, or on when and
which way round a track was recorded, but for its measured arrivals.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.decide.frame import own_lateness
from polaritykit.decide.scene import Scene
from polaritykit.decide.setting import Shift, ShiftReason
from polaritykit.decide.worth import FAR_S

#: Mics on one source at close range hear it within this: 0.7 m, the depth of a large bass drum with a mic
#: before it (common practice, no source) ...
CLOSE_S = 2e-3
#: ... and each hears it this much above any other: a mic further off hears its neighbours nearly as loud.
OWN_OVER_REST_DB = 6.0
#: What keeps a mic from being judged by itself, but not from moving with another one on its source.
_OPEN: frozenset[ShiftReason] = frozenset({"sign_open", "no_arrival"})


@dataclass(frozen=True, kw_only=True)
class Unit:
    """Tracks that move together."""

    members: tuple[int, ...]
    #: Member whose arrivals stand for the unit.
    reference: int
    #: Place in `Scene.sounds` of its own source.
    sound: int
    #: Shift of each member that makes first arrivals coincide with the anchor's.
    coincide_s: tuple[float, ...]
    #: Mics on one source: set to one another first.  A stereo pair never is.
    one_source: bool
    #: Members close to the same source whose own sign or arrival is open: they keep their distance.
    companions: tuple[int, ...] = ()

    @property
    def judged(self) -> tuple[int, ...]:
        """Members that the choice goes by."""
        return tuple(track for track in self.members if track not in self.companions)


def find_units(scene: Scene) -> tuple[tuple[Unit, ...], dict[int, Shift]]:
    """Sort the tracks into units that may be shifted, and tracks that stay.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    tuple
        Units; and what is said of each other track, copies left out.
    """
    late = own_lateness(scene)
    copies = {copy.track for copy in scene.copies}
    kept: dict[int, Shift] = {}
    units: list[Unit] = []
    taken: set[int] = set()
    for pair in scene.linked:
        if scene.anchor not in pair and all(_stays(scene, t, late) is None for t in pair):
            taken |= set(pair)
            units.append(_image(scene, pair, late))
    free = []
    for track in range(len(scene.signs)):
        if track in taken or track in copies:
            continue
        reason = _stays(scene, track, late) or _partner_stays(scene, track, late, copies)
        if reason is None:
            free.append(track)
        else:
            kept[track] = Shift(shift_s=0.0, reason=reason, late_s=_finite(late[track]))
    groups = _one_source_groups(scene, free)
    beside: dict[tuple[int, ...], list[int]] = {group: [] for group in groups}
    for track in (track for track, shift in kept.items() if shift.reason in _OPEN):
        near = [group for group in groups if any(_may_share(scene, track, one) for one in group)]
        if len(near) == 1 and not _linked(scene, track):
            beside[near[0]].append(track)
    units += [_unit(scene, group, late, tuple(beside[group])) for group in groups]
    return tuple(units), kept


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _stays(scene: Scene, track: int, late: Floats) -> ShiftReason | None:
    """Why a track is not shifted, if it is not."""
    reasons: dict[ShiftReason, bool] = {
        "faulty": not scene.usable[track],
        "alone": scene.anchor is None,
        "anchor": track in (*scene.anchors, scene.anchor) or _is_partner(scene, track),
        "unrelated": not scene.related[track],
        "far": bool(scene.room[track] or late[track] > FAR_S),
        "no_arrival": not np.isfinite(late[track]),
        "sign_open": not scene.sign_known[track],
    }
    return next((reason for reason, holds in reasons.items() if holds), None)


def _partner_stays(scene: Scene, track: int, late: Floats, copies: set[int]) -> ShiftReason | None:
    """Why the other side of a stereo pair is not shifted, and so neither is this one."""
    sides = (other for pair in scene.linked if track in pair for other in pair if other != track)
    partner = next(sides, None)
    return None if partner is None or partner in copies else _stays(scene, partner, late)


def _is_partner(scene: Scene, track: int) -> bool:
    """Whether a track is the other side of the anchor's pair."""
    return any({track, scene.anchor} == set(pair) for pair in scene.linked)


def _image(scene: Scene, pair: tuple[int, int], late: Floats) -> Unit:
    """Make a unit of a stereo pair: one shift, by the mean of its sides."""
    shift = -float(np.mean(late[list(pair)]))
    louder = max(pair, key=lambda track: _over_rest_db(scene, track))
    return Unit(
        members=pair,
        reference=louder,
        sound=int(scene.own[louder]),
        coincide_s=(shift, shift),
        one_source=False,
    )


def _unit(scene: Scene, group: tuple[int, ...], late: Floats, companions: tuple[int, ...]) -> Unit:
    reference = max(group, key=lambda track: _over_rest_db(scene, track))
    sound = int(scene.own[reference])
    # Within the unit all go by one source's arrivals.
    arrival = scene.sounds[sound].arrival_s
    offsets = [float(arrival[t] - arrival[reference]) for t in group] + [0.0] * len(companions)
    return Unit(
        members=(*group, *companions),
        reference=reference,
        sound=sound,
        coincide_s=tuple(-float(late[reference]) - offset for offset in offsets),
        one_source=len(group) > 1,
        companions=companions,
    )


def _one_source_groups(scene: Scene, tracks: list[int]) -> list[tuple[int, ...]]:
    """Tracks gathered by the source they are close to; most stand alone."""
    group = {track: track for track in tracks}
    for a, b in combinations(tracks, 2):
        if group[a] != group[b] and on_one_source(scene, a, b):
            old, new = group[b], group[a]
            group = {track: new if label == old else label for track, label in group.items()}
    return [tuple(t for t in tracks if group[t] == label) for label in dict.fromkeys(group.values())]


def on_one_source(scene: Scene, a: int, b: int) -> bool:
    """Whether two mics stand close to one source: what each hears most, the other does too, and soon.

    Parameters
    ----------
    scene : Scene
    a, b : int

    Returns
    -------
    bool
    """
    return all(abs(offset) <= CLOSE_S for offset in _offsets(scene, a, b)) and _hear_alike(scene, a, b)


def _may_share(scene: Scene, a: int, b: int) -> bool:
    """Whether two mics are on one source as far as is known: one of them may have no clear arrival.

    Then levels alone must tell, beside another source's.
    """
    offsets = np.abs(_offsets(scene, a, b))
    told = bool(np.isfinite(offsets).all()) or len(scene.sounds) > len(offsets)
    return told and _hear_alike(scene, a, b) and not (offsets > CLOSE_S).any()


def _offsets(scene: Scene, a: int, b: int) -> list[float]:
    """How much later b hears the sources of both, NaN where not known."""
    own = {int(scene.own[a]), int(scene.own[b])} - {-1}
    return [float(scene.sounds[k].arrival_s[b] - scene.sounds[k].arrival_s[a]) for k in own]


def _hear_alike(scene: Scene, a: int, b: int) -> bool:
    """Whether what each of two mics hears most stands out on both."""
    own = {int(scene.own[a]), int(scene.own[b])}
    if -1 in own or not all(_is_close(scene, track, own) for track in (a, b)):
        return False
    differences = [scene.sounds[k].level_db[b] - scene.sounds[k].level_db[a] for k in own]
    return bool(max(differences) - min(differences) <= OWN_OVER_REST_DB)


def _linked(scene: Scene, track: int) -> bool:
    return any(track in pair for pair in scene.linked)


def _is_close(scene: Scene, track: int, own: set[int]) -> bool:
    """Whether some sources (a drum's strokes may be found as two) stand out on a track."""
    level = np.array([sound.level_db[track] for sound in scene.sounds])
    mine = np.isin(np.arange(len(level)), list(own))
    rest = level[~mine].max(initial=-np.inf)
    return bool(level[mine].min() >= rest + OWN_OVER_REST_DB)


def _over_rest_db(scene: Scene, track: int) -> float:
    level = np.array([sound.level_db[track] for sound in scene.sounds])
    own = int(scene.own[track])
    rest = np.delete(level, own).max(initial=-200.0)
    return float(level[own] - rest)
