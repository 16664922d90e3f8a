"""Work on all cores: in order, and never more at a time than was allowed."""

import threading
import time

import pytest

from polaritykit.base.cores import on_cores


def test_results_come_in_the_order_of_the_items():
    """The first takes longest, so that a later one is done before it."""

    def slow_first(item: int) -> int:
        time.sleep(0.05 if item == 0 else 0.0)
        return item**2

    assert list(on_cores(slow_first, range(20))) == [item**2 for item in range(20)]


@pytest.mark.parametrize("most", [1, 2])
def test_no_more_at_a_time_than_allowed(monkeypatch, most):
    """Of eight cores."""
    monkeypatch.setattr("os.cpu_count", lambda: 8)
    lock, here, seen = threading.Lock(), [0], []

    def work(_: int) -> None:
        with lock:
            here[0] += 1
            seen.append(here[0])
        time.sleep(0.01)
        with lock:
            here[0] -= 1

    list(on_cores(work, range(12), most=most))

    assert max(seen) == most


def test_a_fault_reaches_the_caller():
    """As if the work had been done in place."""
    with pytest.raises(ZeroDivisionError):
        list(on_cores(lambda item: 1 // item, [1, 0]))
