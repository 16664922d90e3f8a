"""All sessions once, whoever does the work, and whatever becomes of a worker."""

import os
import signal
import time
from dataclasses import replace

import pytest
from archive_parts import record, request

from polaritykit.base.errors import InputError
from polaritykit.jobs.archive.cluster import run_cluster
from polaritykit.jobs.archive.pool import run_pool, usual_workers
from polaritykit.jobs.archive.work import check_session

NAMES = [f"s{number}" for number in range(30)]


def test_a_pool_does_each_once():
    """Some take longer than others; requests are taken as they are needed."""
    taken = []

    def asked():
        for name in NAMES:
            taken.append(name)
            yield request(name)

    def check(one):
        time.sleep(0.002 * (len(one.session) % 3))
        return record(one)

    first = next(done := run_pool(asked(), workers=3, check=check))

    assert len(taken) <= 7
    assert sorted([first.session, *(item.session for item in done)]) == sorted(NAMES)


def test_there_is_always_a_worker():
    """At most one for each core."""
    assert 1 <= usual_workers() <= (os.cpu_count() or 1)


def test_a_session_that_cannot_be_read_is_a_result(tmp_path):
    """With the sentence that `check` said; the process that was killed is named too."""
    (tmp_path / "kit").mkdir()
    asked = request("kit", tmp_path / "out")
    came = check_session(replace(asked, source=str(tmp_path / "kit")))

    assert came.status == "failed"
    assert came.reason.endswith("holds no audio files; name a folder that does.")


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_survives_a_worker_that_is_killed(tmp_path):
    """A real scheduler and two worker processes; one kills itself in the middle of its work."""
    distributed = pytest.importorskip("distributed")
    killed = tmp_path / "killed"

    def check(one):
        if one.session == "s7" and not killed.exists():
            killed.write_text(str(os.getpid()))
            os.kill(os.getpid(), signal.SIGKILL)
        return record(one)

    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        done = [
            item.session
            for item in run_cluster(map(request, NAMES), address=cluster.scheduler_address, check=check)
        ]

    assert killed.exists()
    assert sorted(done) == sorted(NAMES)


def test_nobody_at_the_address(monkeypatch):
    """One sentence."""
    pytest.importorskip("distributed")
    monkeypatch.setattr("polaritykit.jobs.archive.cluster._PATIENCE_S", 0.2)
    with pytest.raises(InputError, match=r"No scheduler answers at tcp://127\.0\.0\.1:9; start it"):
        list(run_cluster([request("s")], address="tcp://127.0.0.1:9"))
