"""What a mic plan predicts: every arrival, pair, notch and first reflection, and the offsets possible at all.

Conventions: offsets and level differences are those of b against a (positive: b later, b louder).  Levels
are against an omni without losses 1 m away: inverse distance, first-order pattern, pad and loading loss.
Uncertainties are one sigma, carried to first order from the covariance of the positions.
"""

import itertools
import math

import numpy as np

from polaritykit.base.hearing import HEARING_HZ
from polaritykit.base.types import Polarity
from polaritykit.base.wording import listed
from polaritykit.jobs.layout.mic_patterns import loading_loss_db
from polaritykit.jobs.layout.paths import (
    NULL_GAIN,
    DirectPath,
    columns,
    direct_path,
    mic_gain,
    mirrored,
    offset_between,
    offset_std_ms,
    spread,
    unit,
)
from polaritykit.jobs.layout.records import (
    Bounce,
    Layout,
    OffsetRange,
    Plan,
    PlanMic,
    PlannedArrival,
    PlannedPair,
    Surface,
    ThreeToOne,
)
from polaritykit.spectra.comb import CombPrediction, predict_comb

#: A mic's departure from its textbook pattern (common practice).
_PATTERN_STD_DB = 1.0
#: Mic to mic over mic to source (common practice, "3:1").
_THREE_TO_ONE = 3.0
#: Input over source impedance from which no remark is due.
_MIN_IMPEDANCE_RATIO = 5.0
#: Sigmas that widen the possible offsets.
_POSSIBLE_SIGMAS = 4.0

#: A mic from here on is told as one that can fall on somebody (common practice, no source).
_OVER_HEADS_M = 1.8


def predict_layout(plan: Plan, *, up_to_hz: float = HEARING_HZ[1]) -> Layout:
    """Predict every arrival and every pair of mics for every source.

    Parameters
    ----------
    plan : Plan
        The validated plan.
    up_to_hz : float
        Highest notch and peak listed.

    Returns
    -------
    Layout
    """
    arrivals, pairs = [], []
    for source in plan.sources:
        paths = [direct_path(plan, source, mic) for mic in plan.mics]
        arrivals += [_arrival(plan, path, up_to_hz) for path in paths]
        nearest = min(paths, key=lambda path: path.distance_m).mic.name
        pairs += [
            _pair(plan, a, b, nearest=nearest, limit_hz=up_to_hz) for a, b in itertools.combinations(paths, 2)
        ]
    return Layout(
        plan=plan,
        arrivals=tuple(arrivals),
        pairs=tuple(pairs),
        ranges=possible_offsets(plan),
        remarks=plan.remarks + _remarks(plan, tuple(pairs)),
    )


def possible_offsets(plan: Plan) -> tuple[OffsetRange, ...]:
    """Offsets that sound in air can have between each two mics, wherever it comes from.

    A sound cannot be later at b than the way from a to b takes (triangle inequality); a search for the
    direct sound need not look further.  A converter's or digital link's latency comes on top.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    tuple of OffsetRange
        One for each pair of mics, in the plan's order.
    """
    paths = [[direct_path(plan, source, mic) for mic in plan.mics] for source in plan.sources]
    ranges = []
    for i, j in itertools.combinations(range(len(plan.mics)), 2):
        a, b = plan.mics[i], plan.mics[j]
        apart_m = math.dist(a.position_m, b.position_m)
        slope = np.zeros(3 * len(plan.points.names))
        for mic, sign in ((a, -1.0), (b, 1.0)):
            slope[columns(plan, mic.name)] = sign * unit(a.position_m, b.position_m)
        std_ms = offset_std_ms(plan, apart_m, slope)
        most_ms = 1000 * apart_m / plan.sound.speed_mps + _POSSIBLE_SIGMAS * std_ms
        planned = tuple((row[i].source.name, *offset_between(plan, row[i], row[j])) for row in paths)
        ranges.append(
            OffsetRange(
                a=a.name,
                b=b.name,
                track_a=a.track,
                track_b=b.track,
                low_ms=-most_ms,
                high_ms=most_ms,
                planned_ms=planned,
            )
        )
    return tuple(ranges)


def _pattern_std_db(mic: PlanMic) -> float:
    return 0.0 if mic.aim is None or mic.pattern == "omni" else _PATTERN_STD_DB


def _polarity(gain: float, *, heard: bool) -> Polarity:
    if not heard:
        return "unclear"
    return "inverted" if gain < 0 else "same"


def _arrival(plan: Plan, path: DirectPath, limit_hz: float) -> PlannedArrival:
    mic = path.mic
    angle = None
    if mic.aim is not None and mic.pattern != "omni":
        cosine = float(np.dot(unit(mic.position_m, path.source.position_m), mic.aim))
        angle = math.degrees(math.acos(min(max(cosine, -1.0), 1.0)))
    level_db = level_std = None
    if path.heard:
        level_db = 20 * math.log10(abs(path.gain))
        level_std = math.hypot(spread(plan, path.level_slope), _pattern_std_db(mic))
    found = (_bounce(plan, path, surface, limit_hz) for surface in plan.surfaces)
    return PlannedArrival(
        source=path.source.name,
        mic=mic.name,
        distance_m=path.distance_m,
        distance_std_m=spread(plan, path.distance_slope),
        time_ms=1000 * path.distance_m / plan.sound.speed_mps,
        level_db=level_db,
        level_std_db=level_std,
        angle_deg=angle,
        polarity=_polarity(path.gain, heard=path.heard),
        rear_lobe=path.heard and path.rear_lobe,
        bounces=tuple(bounce for bounce in found if bounce is not None),
    )


def _bounce(plan: Plan, path: DirectPath, surface: Surface, limit_hz: float) -> Bounce | None:
    """First reflection against the direct sound; None where the mic hears only one of them."""
    image = mirrored(path.source.position_m, surface)
    side = -1.0 if path.other_side else 1.0
    gain = side * surface.reflection * mic_gain(path.mic, image)
    difference = math.dist(image, path.mic.position_m) - path.distance_m
    if not path.heard or abs(gain) * (path.distance_m + difference) < NULL_GAIN:
        return None
    reflected = unit(path.mic.position_m, image)
    slope = -path.distance_slope
    slope[columns(plan, path.mic.name)] -= reflected
    # The image moves with the source, mirrored.
    normal = np.array(surface.normal)
    slope[columns(plan, path.source.name)] += reflected - 2 * float(reflected @ normal) * normal
    speed = plan.sound.speed_mps
    offset_ms = 1000 * difference / speed
    level = 20 * math.log10(abs(gain / path.gain))
    return Bounce(
        surface=surface.name,
        offset_ms=offset_ms,
        level_difference_db=level,
        comb=predict_comb(
            delay_ms=offset_ms,
            delay_std_ms=1000
            / speed
            * math.hypot(spread(plan, slope), difference * plan.sound.std_mps / speed),
            sound=plan.sound,
            inverted=gain * path.gain < 0,
            level_difference_db=level,
            level_difference_std_db=_pattern_std_db(path.mic),
            up_to_hz=limit_hz,
        ),
    )


def _pair(plan: Plan, a: DirectPath, b: DirectPath, *, nearest: str, limit_hz: float) -> PlannedPair:
    offset_ms, offset_std_ms = offset_between(plan, a, b)
    heard = a.heard and b.heard
    level_db = level_std = None
    comb: CombPrediction | None = None
    if heard:
        level_db = 20 * math.log10(abs(b.gain / a.gain))
        level_std = math.hypot(
            spread(plan, b.level_slope - a.level_slope),
            _pattern_std_db(a.mic),
            _pattern_std_db(b.mic),
        )
        comb = predict_comb(
            delay_ms=offset_ms,
            delay_std_ms=offset_std_ms,
            sound=plan.sound,
            inverted=a.gain * b.gain < 0,
            level_difference_db=level_db,
            level_difference_std_db=level_std,
            up_to_hz=limit_hz,
        )
    names = (a.mic.name, b.mic.name)
    linked = names in plan.linked or names[::-1] in plan.linked
    return PlannedPair(
        source=a.source.name,
        a=names[0],
        b=names[1],
        offset_ms=offset_ms,
        offset_std_ms=offset_std_ms,
        level_difference_db=level_db,
        level_difference_std_db=level_std,
        polarity=_polarity(a.gain * b.gain, heard=heard),
        polarity_reason=_polarity_reason(a, b),
        comb=comb,
        three_to_one=None if linked else _three_to_one(a, b),
        of_interest=linked or nearest in names,
    )


def _polarity_reason(a: DirectPath, b: DirectPath) -> str | None:
    """Say what inverts one of the two against the other, or leaves nothing to judge."""
    reasons = []
    for path in (a, b):
        if not path.heard:
            reasons.append(f"{path.mic.name} has its null towards {path.source.name}")
            continue
        if path.mic.inverted:
            reasons.append(f"the polarity switch of {path.mic.name} is set")
        if path.other_side:
            reasons.append(f"{path.mic.name} faces {path.source.name} from its other side")
        if path.rear_lobe:
            reasons.append(f"{path.mic.name} hears {path.source.name} with its rear lobe")
    return " and ".join(reasons) if reasons else None


def _three_to_one(a: DirectPath, b: DirectPath) -> ThreeToOne:
    apart = math.dist(a.mic.position_m, b.mic.position_m)
    ratio = apart / min(a.distance_m, b.distance_m)
    return ThreeToOne(ratio=ratio, kept=ratio >= _THREE_TO_ONE * (1 - 1e-9))


def _remarks(
    plan: Plan,
    pairs: tuple[PlannedPair, ...],
) -> tuple[str, ...]:
    """Say what a reader of the plan should not overlook."""
    remarks = [plan.sound.note] if plan.sound.note else []
    for mic in plan.mics:
        source_ohm = mic.source_impedance_ohm
        if source_ohm and mic.input_impedance_ohm / source_ohm < _MIN_IMPEDANCE_RATIO:
            remarks.append(
                f"{mic.name}: {source_ohm:g} ohm into {mic.input_impedance_ohm:g} ohm is a ratio of "
                f"{mic.input_impedance_ohm / source_ohm:.1f} only: it loses "
                f"{-loading_loss_db(source_ohm, mic.input_impedance_ohm):.1f} dB and may sound different; "
                "ten to one is common practice."
            )
    broken = [
        f"{pair.a} / {pair.b} for {pair.source} ({pair.three_to_one.ratio:.1f}:1)"
        for pair in pairs
        if pair.three_to_one is not None and not pair.three_to_one.kept and pair.of_interest
    ]
    if broken:
        remarks.append(
            "Closer than 3:1 (common practice): " + ", ".join(broken) + ". Even at 3:1 exactly the leak is "
            "only 9.5 dB down and the sum ripples by +2.5 / −3.5 dB."
        )
    high = [mic.name for mic in plan.mics if mic.position_m[2] >= _OVER_HEADS_M]
    if high:
        remarks.append(
            f"{listed(high)}: over people's heads. Weigh the stands down and secure what could fall; what is "
            "hung is for qualified people, and local rules come first."
        )
    return tuple(remarks)
