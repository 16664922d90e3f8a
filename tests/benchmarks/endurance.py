"""Attack: spoiled files, reports and plans, full disks, kills at random moments; counts what goes wrong.

What must hold: exit codes of README.md, no traceback, no hang, bounded memory, inputs unchanged (SHA-256),
and after a kill or a full disk the old result or the new one, whole, and nothing else once the next run was
there.  Each part runs on its own, in minutes, from its own seed; `--record` keeps what it counted, `--sum`
adds it up.
Usage: python tests/benchmarks/endurance.py --part headers [--minutes 3] [--kills 50] [--seed 0]
       [--record FILE]; or --sum FILE [--markdown].
Parts: headers, reports, plans, commands, starts, documents, faults:COMMAND, kills:COMMAND.
"""

import argparse
import json
import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from endurance_documents import SMALL  # noqa: E402
from endurance_faults import faults  # noqa: E402
from endurance_kills import kills  # noqa: E402
from endurance_runs import COMMANDS  # noqa: E402
from endurance_spoiled import LARGE, prepare  # noqa: E402
from tables import commit, write_table  # noqa: E402

COUNTED = [
    "inputs",
    "executions",
    "minutes",
    "faults",
    "kills",
    "in Python's own start",
    "leftovers",
    "changed inputs",
    "hangs",
    "failures",
]
LEFT = ("changed inputs", "hangs", "failures")
FUZZ = LARGE | SMALL
PARTS = [*FUZZ, *(f"{kind}:{name}" for kind in ("faults", "kills") for name in COMMANDS)]


def run(part, given):
    """Run one part in a folder of its own."""
    counts, chance = Counter(), random.Random(f"{part} {given.seed}")
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        kind, _, name = part.partition(":")
        prepare(work, **({} if kind in FUZZ else {"files": 2, "seconds": 0.4}))
        if kind == "kills":
            kills(work, name, given.kills, chance, counts)
        elif kind == "faults":
            faults(work, name, given.kills, chance, counts)
        else:
            FUZZ[kind](work, 60 * given.minutes, chance, counts)
            counts["minutes"] += given.minutes
    return counts


def told(counts):
    """Put the counts in a line."""
    return ", ".join(f"{counts[key]:g} {key}" for key in COUNTED if counts[key] or key in LEFT)


def summed(path):
    """Add up what was recorded: fuzz part by part, faults and kills command by command; and the commits."""
    parts, commits = {}, {}
    for line in path.read_text(encoding="utf-8").splitlines():
        entry = json.loads(line)
        kind, _, command = entry["part"].partition(":")
        parts.setdefault(command or kind, Counter()).update(entry["counts"])
        commits[entry["commit"]] = True
    parts["all"] = sum(parts.values(), Counter())
    return parts, list(commits)


def main():
    """Run and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--part", action="append", choices=PARTS, help="again for several; else all")
    parser.add_argument("--minutes", type=float, default=3.0, help="of each part with spoiled inputs")
    parser.add_argument("--kills", type=int, default=50, help="and full disks, for each command")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--record", type=Path, help="file to add a line of JSON to, for each part")
    parser.add_argument("--sum", type=Path, help="add up a file of --record, and run nothing")
    parser.add_argument("--markdown", action="store_true", help="write the sum into DEVELOPERS.md")
    given = parser.parse_args()
    if given.sum:
        parts, commits = summed(given.sum)
        for name, counts in parts.items():
            print(f"{name}: {told(counts)}")
        if given.markdown:
            rows = [[name, *(f"{counts[key]:g}" for key in COUNTED)] for name, counts in parts.items()]
            command = (
                f"python tests/benchmarks/endurance.py --record FILE` at {', '.join(commits)}, `--sum FILE"
            )
            write_table("endurance", command, ["part", *COUNTED], rows)
        return 0
    total = Counter()
    for part in given.part or PARTS:
        counts = run(part, given)
        print(f"{part}, seed {given.seed}: {told(counts)}", flush=True)
        total += counts
        if given.record:
            entry = {"part": part, "seed": given.seed, "commit": commit(), "counts": counts}
            with given.record.open("a", encoding="utf-8") as record:
                record.write(json.dumps(entry) + "\n")
    return int(any(total[key] for key in LEFT))


if __name__ == "__main__":
    sys.exit(main())
