"""Kills of `endurance.py`: at moments spread over all of a run's life, for every command that writes.

Moments are half evenly spread over how long a run lasts and half over its logarithm, for what is made first
is soon over.  Only a kill that met a living run counts; every fifth run is a fresh process.
"""

import os
import signal
import time
from statistics import median

from endurance_runs import (
    COMMANDS,
    ROOT,
    SIGNALS,
    ended,
    is_whole,
    make_place,
    shorten_demo,
    start,
    state,
    timed,
)

from polaritykit.base.whole_files import check_output_folder

#: No run is killed sooner.
_EARLIEST_S = 0.0005
#: A run that goes on for this much of its length (and a second, on a busy machine) did not listen.
_DEAF = 0.5
#: Stands in a traceback that has a line of ours.
_OWN = f"{ROOT / 'polaritykit'}"


def kills(work, name, number, chance, counts):
    """Kill a command at random moments while it replaces its earlier result."""
    if name == "demo":
        shorten_demo()
    place = make_place(work, name)
    before = state(place)
    lasts = {fresh: median(timed(name, place, fresh=fresh)[2] for _ in range(3)) for fresh in (False, True)}
    met = tried = 0
    while met < number and tried < 4 * number:
        tried += 1
        fresh, sent = met % 5 == 4, chance.choice(list(SIGNALS))
        wait_s = _moment(lasts[fresh], chance)
        code, said, after_s = _killed(name, place, sent, wait_s, fresh=fresh)
        what = f"{name} {'fresh' if fresh else 'warm'} {sent.name} after {wait_s:.4f} of {lasts[fresh]:.2f} s"
        met += code != 0
        if fresh and sent == signal.SIGINT and said and _OWN not in said and "polaritykit: " not in said:
            counts["in Python's own start"] += 1  # no line of ours had run
        elif code not in SIGNALS[sent] | {0} or (sent != signal.SIGKILL and "Traceback" in said):
            _failed(counts, f"{what}: code {code} {said[-400:]!r}")
        if code == 0 and after_s > 1 + _DEAF * lasts[fresh]:
            _failed(counts, f"{what}: went on for {after_s:.2f} s")
        left = sorted({path.name for path in place.iterdir()} ^ before[0])
        counts["leftovers"] += bool(left)
        if left and code in {130, 143}:
            _failed(counts, f"{what}: said that nothing was left, and left {left}")
        check(place, name, before, counts, what)
        if tried % 5 == 0:  # the next run itself
            code, said, lasts[False] = timed(name, place)
            if code or state(place) != before:
                _failed(counts, f"{name} after {what}: {code} {said[-400:]!r}")
    counts["kills"] += met
    if met < number:
        _failed(counts, f"{name}: only {met} of {tried} signals met a living run")


def _moment(lasts, chance):
    if chance.random() < 0.5:
        return chance.uniform(0.0, lasts)
    return _EARLIEST_S * (lasts / _EARLIEST_S) ** chance.random()


def _killed(name, place, sent, wait_s, *, fresh):
    """Start a run and send it a signal; Ctrl-C goes to all of its processes, as a terminal sends it."""
    process = start(COMMANDS[name], place, fresh=fresh)
    time.sleep(wait_s)
    try:
        (os.killpg if sent == signal.SIGINT else os.kill)(process, sent)
    except ProcessLookupError:  # not yet a group of its own
        os.kill(process, sent)
    began = time.monotonic()
    code, said = ended(process, place)
    return code, said, time.monotonic() - began


def check(place, name, before, counts, what):
    """Hold the folder against what it was, once the next run that writes there has looked at it."""
    names, inputs = before
    for path in place.glob(".unfinished-*"):
        os.utime(path, (0, 0))  # one without a slip is left for a minute: it may be being made
    check_output_folder(place / "after", inputs=[], overwrite=False)
    whole = is_whole(place, name)
    now, same = state(place)
    counts["changed inputs"] += same != inputs
    if now != names or not whole:
        _failed(counts, f"{what}: left {sorted(now ^ names)}, whole: {whole}")


def _failed(counts, what):
    counts["failures"] += 1
    print(f"FAILED {what}", flush=True)
