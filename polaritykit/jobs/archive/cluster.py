"""The same on the workers of an existing Dask scheduler (`pip install 'polaritykit[cluster]'`).

Conventions: workers see the same files under the same paths.  What a lost worker had in hand is given to
another one; a report is put in place whole, and the journal is written here only, so nothing is lost and
nothing counts twice.
"""

from collections.abc import Callable, Iterable, Iterator
from itertools import islice

from polaritykit.base.errors import InputError, UsageError
from polaritykit.jobs.archive.records import Request, SessionRecord
from polaritykit.jobs.archive.work import check_session, failure

_PATIENCE_S = 10.0


def run_cluster(
    requests: Iterable[Request],
    *,
    address: str,
    check: Callable[[Request], SessionRecord] = check_session,
) -> Iterator[SessionRecord]:
    """Check sessions on a cluster and yield what came of each.

    Parameters
    ----------
    requests : iterable of Request
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.
    check : callable
        What is done with one.

    Raises
    ------
    UsageError
        The library for it is not installed.
    InputError
        No scheduler answers there.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise UsageError(
            "A scheduler needs the package distributed; install it: pip install 'polaritykit[cluster]'."
        ) from error
    try:
        client = Client(address, timeout=_PATIENCE_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise InputError(f"No scheduler answers at {address}; start it, or check the address.") from error
    with client:
        left = iter(requests)
        asked = {}
        queue = as_completed()

        def submit(count: int) -> None:
            for request in islice(left, count):
                future = client.submit(check, request, pure=False)
                asked[future.key] = request
                queue.add(future)

        # Enough to keep all workers busy, not the whole archive at once.
        submit(4 * max(1, sum(client.nthreads().values())))
        for future in queue:
            request = asked.pop(future.key)
            lost = future.exception()
            yield future.result() if lost is None else failure(request, f"the cluster gave it up ({lost})")
            submit(1)
