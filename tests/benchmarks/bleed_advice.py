"""The advice of `bleed` against stems: what every setting it judges does to each source alone, by octaves.

Run from the checkout: ``python tests/benchmarks/bleed_advice.py``.  A singer and a guitar in simulated rooms,
as in `two_sources`, each take once with both always sounding and once with rests in which one is alone; the
leaky mic is turned over at random.  The truth is what a setting does to each part.
"""

# ruff: noqa: E402 - the folders of this checkout have to be found first

import argparse
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parents[2]),
]

from two_sources import RATE, SCORED, hidden_take, levels_db

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.jobs.bleed.findings import BleedFindings, BleedOption
from polaritykit.jobs.bleed.judge import analyse_bleed
from polaritykit.jobs.bleed.passages import OCTAVES_HZ
from polaritykit.jobs.bleed.plain_sum import a_weight_power


def rested(parts: np.ndarray) -> np.ndarray:
    """Return the take with rests: of three bars of 2 s one is the singer's, one the guitar's, one both's."""
    bar = (np.arange(parts.shape[2]) // (2 * RATE)) % 3
    edge = np.hanning(RATE // 50)
    gains = np.stack([(bar != 1), (bar != 0)]).astype(float)
    gains = np.stack([np.convolve(one, edge / edge.sum(), mode="same") for one in gains])
    return np.asarray(parts * gains[None])


def after(parts: np.ndarray, option: BleedOption, source: int) -> np.ndarray:
    """One source in the sum under a setting; a delay by whole samples."""
    samples = round(option.delay_ms * RATE / 1000)
    main, leaky = parts[:, source]
    if samples >= 0:
        leaky = np.concatenate([np.zeros(samples), leaky])[: len(main)]
    else:
        main = np.concatenate([np.zeros(-samples), main])[: len(leaky)]
    return np.asarray(main + (-leaky if option.invert else leaky))


def changes_db(parts: np.ndarray, option: BleedOption) -> np.ndarray:
    """Measure the true change of each source by a setting, ``(source, octave)``."""
    return np.array(
        [levels_db(after(parts, option, s)) - levels_db(parts[0, s] + parts[1, s]) for s in (0, 1)]
    )


def weighted_db(parts: np.ndarray, option: BleedOption, source: int) -> float:
    """A-weighted level of one source under a setting, over all octaves."""
    power = 10 ** (levels_db(after(parts, option, source)) / 10)
    return float(10 * np.log10(power @ a_weight_power(np.asarray(OCTAVES_HZ))))


def goal_db(parts: np.ndarray, option: BleedOption, goal: str) -> float:
    """Goal under a setting, by the parts."""
    main = weighted_db(parts, option, 0)
    return main if goal == "fullness" else main - weighted_db(parts, option, 1)


def judged(parts: np.ndarray, noise: np.ndarray, goal: str) -> BleedFindings:
    """Run the job on the two tracks."""
    tracks = dict(zip(("singer", "guitar"), (parts.sum(axis=1) + noise).astype(np.float32), strict=True))
    return analyse_bleed(ArrayRecording(tracks, RATE), goal="fullness" if goal == "fullness" else "isolation")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--goal", choices=["isolation", "fullness"], default="isolation")
    parser.add_argument("--split", choices=["development", "report"], default="report")
    parser.add_argument("--fetch", action="store_true")
    options = parser.parse_args()
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    print(f"{time.strftime('%Y-%m-%d')}, commit {commit.stdout.strip()}, {options.split}, {options.goal}")
    first = {"development": 1000, "report": 0}[options.split]
    errors, covered, wholes, gained = [], [], [], []
    for seed in range(first, first + options.seeds):
        hidden, noise = hidden_take(seed, options.seconds, fetch=options.fetch)
        for kind, parts in (("always together", hidden), ("with rests", rested(hidden))):
            found = judged(parts, noise, options.goal)
            plain = found.as_recorded
            if plain is None:
                print(f"{seed} {kind}: {found.polarity_code}")
                continue
            told = [i for i in SCORED if found.reliable[i]]
            settled = f"wiring {found.settled.wiring}, {found.polarity_code}"
            print(f"{seed} {kind}: {settled}; flip {found.flip}, delay {found.delay_ms or 0.0:+.2f} ms")
            whole = {
                name: goal_db(parts, option, options.goal) - goal_db(parts, plain, options.goal)
                for name, option in found.options.items()
            }
            gained += [gain for name, gain in whole.items() if found.options[name] is found.advised]
            for name, option in found.options.items():
                if option is plain:
                    continue
                true = changes_db(parts, option)
                said = np.array([option.main_change_db, option.leaky_change_db])
                std = np.array([option.main_change_std_db, option.leaky_change_std_db])
                errors.append(np.abs(said - true)[:, told].ravel())
                covered.append((np.abs(said - true) < 2 * std)[:, told].ravel())
                wholes.append(abs(option.overall_gain_db - whole[name]))
                print(
                    f"  {name}, {option.delay_ms:+.2f} ms: {options.goal} {whole[name]:+.1f} dB by parts, "
                    f"{option.overall_gain_db:+.1f} ± {option.overall_gain_std_db:.1f} said; singer, guitar "
                    + "; ".join(
                        f"{OCTAVES_HZ[i]:g} Hz {true[0, i]:+.1f} ({said[0, i]:+.1f}), {true[1, i]:+.1f} "
                        f"({said[1, i]:+.1f})"
                        for i in told
                    ),
                    flush=True,
                )
    print(
        f"advised: {np.mean(gained):+.2f} dB of {options.goal} on average of {len(gained)} takes, worst "
        f"{min(gained):+.2f}; {np.sum(np.array(gained) > 0.05)} gain, {np.sum(np.array(gained) < -0.5)} lose"
    )
    away, inside = np.concatenate(errors), np.concatenate(covered)
    print(
        f"change of a source, {len(away)} octaves: off by {away.mean():.2f} dB on average, {away.max():.2f} "
        f"at worst, {np.mean(away < 1):.0%} within 1 dB; in 2 sigma {inside.mean():.0%}; of the whole "
        f"{np.mean(wholes):.2f} dB on average, {max(wholes):.2f} at worst"
    )


if __name__ == "__main__":
    main()
