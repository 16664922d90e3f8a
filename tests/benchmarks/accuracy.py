"""Accuracy of the estimator beside three textbook references, on sessions with exact or settled truth.

Run from the checkout: ``python tests/benchmarks/accuracy.py --quick``.  ``--split development`` uses other
hits, rooms and seeds than ``--split report``; numbers chosen on the one are reported on the other.
"""

# ruff: noqa: E402 - the folders of this checkout have to be found first

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parents[1] / "support"),
    str(Path(__file__).parents[2]),
]

import groups_struck
import groups_sustained
import sessions_packages as packages
from accuracy_text import HEADER, group_lines, print_wrong, table_of
from diagrams import draw_coverage, draw_reliability
from references import REFERENCES, Estimator
from running import Group, Tally, ours, run_group
from scoring import PairScore, area_under_curve, calibration_error, reliability, summarise
from shared_data import shared_data_dir
from tables import commit, write_table

GROUPS: dict[str, Group] = {**groups_struck.GROUPS, **groups_sustained.GROUPS}


def part_of(share: float) -> str:
    """Name the estimator of record on a share of the audio."""
    return f"{100 * share:.0f} % heard"


def show_group(group_name: str, name: str, tally: Tally, *, wrong: bool) -> dict[str, Any]:
    """Print one estimator's lines of one group; return its summary."""
    summary = summarise(tally.scores, tally.equivariance, tally.repeats, tally.closure)
    first, *more = group_lines(group_name, name, summary, tally)
    print(first, flush=True)
    for text in more:
        print(f"{'':34s}{text}", flush=True)
    if wrong:
        print_wrong(tally.scores)
    return summary | {
        "extras": more,
        "seconds": float(np.mean(tally.seconds)),
        "audio_seconds": float(np.mean(tally.audio_seconds)),
    }


def show_all(pooled: Mapping[str, Sequence[PairScore]]) -> dict[str, Any]:
    """Print the calibration over all groups together."""
    print("\nAll groups together")
    results = {}
    for name, scores in pooled.items():
        judged = [s for s in scores if s.polarity_right is not None and s.confidence is not None]
        right = [s.confidence for s in judged if s.polarity_right]
        wrong = [s.confidence for s in judged if not s.polarity_right]
        bins = reliability(scores)
        error, area = calibration_error(bins), area_under_curve(right, wrong)
        texts = ["-" if x is None else f"{x:.3f}" for x in (error, area)]
        print(f"{name:17s} {len(wrong)}/{len(judged)} wrong, calibration error {texts[0]}, AUC {texts[1]}")
        results[name] = {"ece": error, "auc": area, "reliability": bins}
    return results


def run(options: argparse.Namespace) -> dict[str, Any]:
    """Run the chosen groups and print them; return everything that was measured."""
    estimators: dict[str, Estimator] = {"ours": ours, **REFERENCES}
    chosen = {n: e for n, e in estimators.items() if not options.estimator or n in options.estimator}
    chosen |= {part_of(share): partial(ours, share=share) for share in options.share}
    pooled: dict[str, list[PairScore]] = {n: [] for n in chosen}
    results: dict[str, Any] = {}
    print(HEADER, flush=True)
    for group_name in options.group or list(GROUPS):
        group = GROUPS[group_name]
        if group.needs_recordings and shared_data_dir() is None:
            print(f"{group_name}: skipped, the real recordings are not here")
            continue
        count = options.seeds or (group.quick if options.quick else group.seeds)
        seeds = range(options.first_seed, options.first_seed + count)
        tallies = run_group(group, chosen, seeds, options.split)
        if not any(t.seconds for t in tallies.values()):
            print(f"{group_name}: skipped, its package is not in the cache (run with --fetch)")
            continue
        results[group_name] = {"goal": group.goal}
        for name, tally in tallies.items():
            results[group_name][name] = show_group(group_name, name, tally, wrong=options.wrong)
            pooled[name] += tally.scores
    results["all"] = show_all(pooled)
    if options.diagram:
        draw_reliability(options.diagram, pooled)
        path = Path(options.diagram)
        draw_coverage(str(path.with_stem(f"{path.stem}-coverage")), pooled)
    return results


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the options and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--group", action="append", choices=list(GROUPS), help="may be given again")
    parser.add_argument(
        "--estimator", action="append", choices=["ours", *REFERENCES], help="may be given again"
    )
    parser.add_argument("--seeds", type=int, help="sessions per group instead of the group's own number")
    parser.add_argument("--first-seed", type=int, default=1, help="where the seeds begin (1)")
    parser.add_argument(
        "--share", type=float, action="append", default=[], help="also with that share of each take heard"
    )
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--split", choices=["development", "report", "all"], default="report")
    parser.add_argument("--wrong", action="store_true", help="list wrong answers")
    parser.add_argument("--fetch", action="store_true", help="fetch the packages with real sound first")
    parser.add_argument("--json", metavar="FILE", help="keep all results, also for --join")
    parser.add_argument("--markdown", action="store_true", help="write the table of DEVELOPERS.md")
    parser.add_argument(
        "--join", nargs="+", metavar="FILE", help="no run: write that table from the results of earlier ones"
    )
    parser.add_argument(
        "--diagram",
        metavar="FILE",
        help="reliability diagram (PNG, SVG or PDF), and one of coverage beside it",
    )
    options = parser.parse_args(arguments)
    if options.fetch:
        for source in (packages.instruments, packages.speech, packages.ears):
            print(f"{source.__name__}: {len(source(fetch=True))}")
    if options.join:
        join(options.join)
        return
    results = run(options)
    run_as = {"commit": commit(), "options": _options_in_words(options), "groups": list(results)[:-1]}
    if options.markdown:
        shares = ["ours", *map(part_of, options.share)]
        name = "share" if options.share else "accuracy"
        write_table(name, command_of([run_as]), *table_of(results, shares))
    if options.json:
        Path(options.json).write_text(json.dumps({"run": run_as, **results}, indent=1), encoding="utf-8")


def _options_in_words(options: argparse.Namespace) -> str:
    """All that decides what a group's figures are."""
    words = [f"--estimator {name}" for name in options.estimator or ()]
    words += [f"--split {options.split}"]
    words += [f"--seeds {options.seeds}"] if options.seeds else ["--quick"] * options.quick
    words += [f"--share {share}" for share in options.share]
    words += [f"--first-seed {options.first_seed}"] if options.first_seed != 1 else []
    return " ".join(words)


def command_of(runs: Sequence[Mapping[str, Any]]) -> str:
    """Command that measures all groups of several runs with the same options."""
    groups = [f"--group {name}" for run_as in runs for name in run_as["groups"]]
    return " ".join(["python tests/benchmarks/accuracy.py", runs[0]["options"], *groups])


def join(paths: Sequence[str]) -> None:
    """Write the table of DEVELOPERS.md from the results of several runs of one commit."""
    parts = [json.loads(Path(path).read_text(encoding="utf-8")) for path in paths]
    runs = [part.pop("run") for part in parts]
    if len({(run_as["commit"], run_as["options"]) for run_as in runs}) > 1:
        raise SystemExit("The files come from different commits or options; no table is made of them.")
    if runs[0]["commit"] != commit():
        raise SystemExit(f"The files were measured at {runs[0]['commit']}, the checkout is at {commit()}.")
    groups = {name: group for part in parts for name, group in part.items()}
    write_table("accuracy", command_of(runs), *table_of(groups))


if __name__ == "__main__":
    main()
