"""What the decision stage says of a track: codes and numbers, no words.

Conventions: shifts in seconds, positive later; changes of level in dB.
"""

from dataclasses import dataclass
from typing import Literal

#: Why a track is flipped: ``inverted`` against the others; ``underside`` as a mic under a drum is by nature;
#: ``one_source`` for one source alone, which it may hear from its other side; ``copy`` with its original.
FlipReason = Literal["inverted", "underside", "one_source", "copy"]
Status = Literal["set", "agrees", "not judged"]
#: Whether a setting matters, or may as well be left.
Weight = Literal["set", "optional"]
#: Why a track's shift is what it is.
#:
#: Set: ``coincide`` first arrivals made to coincide; ``fuller`` a fuller sum close by; ``octave`` the
#: fullest sum of its own octave, its source not found by itself; ``own_sum`` set to the
#: other mics on its source only; ``image`` moved with its stereo partner; ``along`` moved with the other mics
#: on its source, from which it keeps its distance; ``copy`` brought onto its original.
#:
#: Agreeing: ``anchor`` keeps its timing; ``together`` coincides already; ``small_gain`` gains too little;
#: ``harm`` would cost more than it gives; ``far`` is there for the room.
#:
#: Not judged: ``unrelated`` shares no sound with the anchor; ``sign_open`` its polarity is unclear;
#: ``no_arrival`` its own source has no clear first arrival in both; ``faulty`` silent or unusable; ``echo`` a
#: copy too late to be a fault; ``bus`` the sum of other tracks; ``alone`` the session has no anchor.
ShiftReason = Literal[
    "coincide",
    "fuller",
    "octave",
    "own_sum",
    "image",
    "along",
    "copy",
    "anchor",
    "together",
    "small_gain",
    "harm",
    "far",
    "unrelated",
    "sign_open",
    "no_arrival",
    "faulty",
    "echo",
    "bus",
    "alone",
]
#: Reasons for which nothing is known, and those that move a track.
NOT_JUDGED: frozenset[ShiftReason] = frozenset(
    {"unrelated", "sign_open", "no_arrival", "faulty", "echo", "bus", "alone"}
)
MOVED: frozenset[ShiftReason] = frozenset(
    {"coincide", "fuller", "octave", "own_sum", "image", "along", "copy"}
)


@dataclass(frozen=True, kw_only=True)
class Flip:
    """Whether one track is flipped and why."""

    invert: bool
    #: Whether evidence settles its sign against the anchor's group.
    known: bool
    reason: FlipReason | None = None
    #: Tracks it is inverted against.
    against: int = 0
    #: Track that the reason speaks of.
    about: int | None = None
    #: The other side of its group would have served as well.
    tie: bool = False


#: The sum in which something is lost: of all tracks, of a source's own mics with the anchor, of its own mics.
Where = Literal["all", "anchor", "own"]


@dataclass(frozen=True, kw_only=True)
class Loss:
    """An octave of a source that a setting costs something."""

    #: Track the source is at home on.
    home: int
    octave_hz: float
    #: Change of its level in the sum.
    change_db: float
    #: Standard deviation of that.
    std_db: float = 0.0
    where: Where = "all"


@dataclass(frozen=True, kw_only=True)
class Shift:
    """One track's shift and why."""

    shift_s: float
    reason: ShiftReason
    #: The shift that was looked at, where it was left.
    looked_at_s: float | None = None
    #: How late the track hears its own source against the anchor, as recorded; None where not known.
    late_s: float | None = None
    #: The same in samples, for copies and buses.
    late_samples: float | None = None
    #: Change of its own source in its own mics with the overheads, mean over octaves.
    gain_db: float | None = None
    #: Track that the reason speaks of: the home of its source or of the loser, its original, its partner.
    about: int | None = None
    #: For ``bus``: the tracks it is the sum of.
    sum_of: tuple[int, ...] = ()
    #: For ``sign_open``: the best shift as recorded, and flipped.
    either_s: tuple[float, float] | None = None
    #: What would be lost, for ``harm``.
    loss: Loss | None = None
    losses: tuple[Loss, ...] = ()
