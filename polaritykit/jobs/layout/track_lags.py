"""How much later each track is than its plan, and whether that is a latency or a mic that moved.

Conventions: lags in ms, positive when the track is later than planned.  A latency delays all sources of one
track alike; a mic that moved changes them unequally.
"""

import itertools
import statistics

from polaritykit.jobs.layout.records import ComparedPair, TrackLag

#: Sigmas that a measurement may depart from the plan (coverage factor 2 of the GUM).
COVERAGE_SIGMAS = 2.0


def track_lags(pairs: tuple[ComparedPair, ...], rate_hz: float, speed_mps: float) -> tuple[TrackLag, ...]:
    """How much later each track is than planned; the median over its partners blames the odd one out.

    Parameters
    ----------
    pairs : tuple of ComparedPair
    rate_hz : float
        Of the session, for lags in samples.
    speed_mps : float
        Of sound, for lags as lengths.
    """
    errors: dict[str, dict[str, list[float]]] = {}
    stds: dict[str, list[float]] = {}
    for pair in pairs:
        if pair.offset_error_ms is not None:
            for mic, sign in ((pair.a, -1.0), (pair.b, 1.0)):
                errors.setdefault(mic, {}).setdefault(pair.source, []).append(sign * pair.offset_error_ms)
                stds.setdefault(mic, []).append(pair.offset_std_ms)
    alone = len(errors) == 2
    lags = []
    for mic, by_source in errors.items():
        each = [statistics.median(values) for values in by_source.values()]
        lag = statistics.median(each)
        spread = max(abs(x - y) for x, y in itertools.product(each, each)) / 2
        limit = COVERAGE_SIGMAS * statistics.median(stds[mic])
        verdict, why = _verdict(
            mic,
            lag_ms=lag,
            spread_ms=spread,
            n_sources=len(each),
            limit_ms=limit,
            rate_hz=rate_hz,
            speed_mps=speed_mps,
        )
        if alone and verdict != "agrees":
            why += " With two mics only, the other one may be the cause."
        lags.append(
            TrackLag(
                mic=mic,
                lag_ms=lag,
                lag_samples=lag * rate_hz / 1000,
                spread_ms=spread,
                n_sources=len(each),
                verdict=verdict,
                why=why,
            )
        )
    return tuple(lags)


def _verdict(
    mic: str,
    *,
    lag_ms: float,
    spread_ms: float,
    n_sources: int,
    limit_ms: float,
    rate_hz: float,
    speed_mps: float,
) -> tuple[str, str]:
    """``latency``, ``moved`` or ``agrees``, and the sentence that says why."""
    late = "late" if lag_ms > 0 else "early"
    centimetres = abs(lag_ms) * speed_mps / 10
    samples = abs(lag_ms) * rate_hz / 1000
    if spread_ms > limit_ms:
        return "moved", (
            f"The sources disagree by {2 * spread_ms:.2f} ms: {mic} or a source stands at least "
            f"{spread_ms * speed_mps / 10:.0f} cm from where it was planned."
        )
    if abs(lag_ms) <= limit_ms:
        return "agrees", f"{mic} agrees with the plan within {limit_ms:.2f} ms."
    if n_sources == 1:
        return "moved", (
            f"{mic} is {abs(lag_ms):.2f} ms ({samples:.0f} samples) {late}: moved by {centimetres:.0f} cm, "
            "or the latency of a digital link; a second source would tell which."
        )
    whole = round(samples)
    near = abs(samples - whole) <= max(limit_ms * rate_hz / 1000, 0.25)
    return "latency", (
        f"All {n_sources} sources are {abs(lag_ms):.2f} ms {late} alike: "
        + (
            f"a latency of {whole} samples (give or take {limit_ms * rate_hz / 1000:.0f})"
            if near
            else "a latency"
        )
        + ", as of a digital link or plug-in; a mic that moved would change them unequally."
    )
