"""Spoiled inputs of `endurance.py`: files, reports and plans, read in batches of forked processes.

A batch that dies (a fault of a library's own code) or takes too long is counted with its last input's number,
from which the seed makes it again.
"""

import contextlib
import copy
import io
import json
import os
import random
import resource
import shutil
import signal
import time
from pathlib import Path

import soundfile
from corpus import DAMAGE, FORMATS, RATE, digests, encoded, sound

from polaritykit.audio.header import FileHeader, read_header
from polaritykit.audio.opened import open_audio
from polaritykit.base.errors import InputError
from polaritykit.cli import main
from polaritykit.jobs.apply.copy_file import write_corrected
from polaritykit.jobs.apply.render import ChannelCorrection

ROOT = Path(__file__).resolve().parents[2]
PLANS = sorted((ROOT / "polaritykit/jobs/layout/templates").glob("*.toml"))
CODES = {0, 2, 3, 4, 5}
#: Far more than any of these inputs needs, on a busy machine too.
TIME_LIMIT_S, MEMORY_LIMIT_BYTES = 60, 4 << 30
BATCH = 100
ODD = (None, True, -1, 0, 2**62, 1e308, -1e-320, "", "x\x1b[2J", [], {}, [[1]], "9" * 400)


def prepare(work, *, files=5, seconds=1.0):
    """Write a session of up to five formats, one file upside down, and its report."""
    clean = work / "clean"
    clean.mkdir()
    noise = sound(seconds + 0.1)
    for number, extension in enumerate(("16.wav", "flac", "aiff", "ogg", "rf64")[:files]):
        samples = noise[10 * number : round(seconds * RATE) + 10 * number] * (
            -1 if extension == "flac" else 1
        )
        (clean / f"t{number}.{extension}").write_bytes(encoded(extension, samples, work / "made"))
    shutil.copy(ROOT / "polaritykit/jobs/layout/templates/ab.toml", work / "plan.toml")
    code, said = called(["check", str(clean), "--out", str(work / "report")])
    assert code == 0, said


def called(arguments):
    """Run the command line in this process: exit code, and what it said."""
    out, err = io.TextIOWrapper(io.BytesIO()), io.TextIOWrapper(io.BytesIO())
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(arguments)
        except SystemExit as ended:
            code = ended.code
    err.flush()
    return code, err.buffer.getvalue().decode(errors="replace")


def in_batches(attack, seconds, chance, counts):
    """Run an attack on one input after the other, a batch in a process of its own."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        seed = chance.randrange(2**32)
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            _batch(attack, seed, until, os.fdopen(writing, "w", buffering=1))
        os.close(writing)
        with os.fdopen(reading) as lines:
            last = ""
            for line in lines:
                last = line.strip()
                key, _, more = last.partition(" ")
                counts[key.replace("_", " ")] += 1
                if more and key != "inputs":
                    print(last, flush=True)
        _, status = os.waitpid(child, 0)
        if status:
            counts["hangs" if os.WTERMSIG(status) == signal.SIGALRM else "failures"] += 1
            print(f"DIED status {status}, batch {seed}, after: {last}", flush=True)


def _batch(attack, seed, until, pipe):
    chance = random.Random(seed)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT_BYTES, MEMORY_LIMIT_BYTES))
    place = Path(f"batch{seed}")
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()

    os.dup2(os.open("libraries", os.O_WRONLY | os.O_CREAT | os.O_APPEND), 2)  # a decoder tells what it meets

    def count(key, more=""):
        pipe.write(f"{key.replace(' ', '_')} {more}".strip() + "\n")

    try:
        for number in range(BATCH):
            if time.monotonic() > until:
                break
            signal.alarm(TIME_LIMIT_S)  # ends the process: counted as a hang
            count("inputs", f"{number} of batch {seed}")
            try:
                attack(place, chance, count)
            except BaseException as error:  # noqa: BLE001
                count("failures", f"{type(error).__name__}: {error} at input {number} of batch {seed}")
    finally:
        shutil.rmtree(place, ignore_errors=True)
        pipe.flush()
        os._exit(0)


def cli(arguments, count):
    """Run a command and count what should not be."""
    code, said = called([str(argument) for argument in arguments])
    count("executions")
    if code not in CODES or "Traceback" in said or "Warning" in said:
        count("failures", f"code {code}: {arguments} {said[-300:]!r}")


def _attack_header(cleans):
    def attack(place, chance, count):
        extension = chance.choice(list(FORMATS))
        content = cleans[extension]
        damage = chance.choice(["bytes"] * 6 + list(DAMAGE))
        path = place / f"a.{extension}"
        path.write_bytes(spoiled := DAMAGE[damage](content, chance))
        header = read_header(path)
        count("executions")
        if isinstance(header, FileHeader):
            with contextlib.suppress(soundfile.LibsndfileError), open_audio(path) as opened:
                opened.read(min(header.frames, 1_000_000), dtype="float32")
            if header.channels < 256:
                with contextlib.suppress(InputError):
                    flip = [ChannelCorrection(invert=True, delay_samples=float(chance.randrange(3)))]
                    write_corrected(path, place / "copy", flip * header.channels)
        if path.read_bytes() != spoiled:
            count("changed inputs", extension)

    return attack


def headers(work, seconds, chance, counts):
    """Attack the readers of heads, tags and chunks, and the copies of what they let through."""
    cleans = {extension: encoded(extension, sound(0.2), work / "made") for extension in FORMATS}
    with contextlib.chdir(work):
        in_batches(_attack_header(cleans), seconds, chance, counts)


def holders(value):
    """Yield all places of a document: the holder and the key."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in list(items):
        yield value, key
        yield from holders(item)


def reports(work, seconds, chance, counts):
    """Spoil a report's bytes, or put anything in any place, and give it to all that read one."""
    text = (work / "report" / "report.json").read_bytes()
    document = json.loads(text)
    document.pop("curves", None)

    def attack(place, chance, count):
        path = place / "report.json"
        if chance.random() < 0.3:
            path.write_bytes(DAMAGE["bytes"](text, chance))
        else:
            spoiled = copy.deepcopy(document)
            for _ in range(chance.randint(1, 3)):
                holder, key = chance.choice(list(holders(spoiled)))
                holder[key] = chance.choice(ODD)
            path.write_text(json.dumps(spoiled), encoding="utf-8")
        before = digests(place)
        commands = (
            ["recheck", path, "report", "--json"],
            ["recheck", "report", path, "--json"],
            ["apply", path, "--out", "copies", "--overwrite"],
            ["layout", "plan.toml", "--against", path, "--json"],
        )
        cli(chance.choice(commands), count)
        if digests(place) != before:
            count("changed inputs", "report")

    with contextlib.chdir(work):
        clean = digests(work / "clean")
        in_batches(attack, seconds, chance, counts)
        counts["changed inputs"] += digests(work / "clean") != clean


def plans(work, seconds, chance, counts):
    """Spoil a plan: bytes, numbers, lines."""
    texts = [path.read_text(encoding="utf-8") for path in PLANS]
    numbers = ("0", "-1", "1e308", "nan", "inf", "9" * 50, "1e-320", "[[1]]", '""', "true", "[0, 0, 0]")

    def attack(place, chance, count):
        text = chance.choice(texts)
        if chance.random() < 0.3:
            content = DAMAGE["bytes"](text.encode(), chance)
        else:
            lines = text.splitlines()
            for _ in range(chance.randint(1, 3)):
                number = chance.randrange(len(lines))
                key, equals, _ = lines[number].partition("=")
                lines[number] = chance.choice(
                    (f"{key}{equals} {chance.choice(numbers)}", "", lines[number] * 2)
                )
            content = "\n".join(lines).encode()
        path = place / "plan.toml"
        path.write_bytes(content)
        cli(["layout", path, *chance.choice(([], ["--json"], ["--csv"]))], count)
        if path.read_bytes() != content:
            count("changed inputs", "plan")

    with contextlib.chdir(work):
        in_batches(attack, seconds, chance, counts)


def commands(work, seconds, chance, counts):
    """Give whole sessions with one spoiled file to the commands that read audio."""

    def attack(place, chance, count):
        folder = place / "session"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        files = sorted((work / "clean").iterdir())
        names = [path.name for path in chance.sample(files, 2)]
        for name in names:
            shutil.copy(work / "clean" / name, folder / name)
        victim = folder / names[0]
        victim.write_bytes(DAMAGE[chance.choice(["bytes"] * 4 + list(DAMAGE))](victim.read_bytes(), chance))
        before = digests(folder)
        paths = [folder / name for name in names]
        choices = (
            ["check", folder, "--json"],
            ["check", folder, "--out", place / "out", "--overwrite"],
            ["pair", *paths, "--json"],
            ["bleed", *paths, "--json"],
            ["pulse", "read", folder],
            ["apply", "report", "--session", folder, "--out", place / "copies", "--overwrite"],
        )
        cli(chance.choice(choices), count)
        if digests(folder) != before:
            count("changed inputs", names[0])

    with contextlib.chdir(work):
        in_batches(attack, seconds, chance, counts)


LARGE = {"headers": headers, "reports": reports, "plans": plans, "commands": commands}
