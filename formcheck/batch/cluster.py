"""The same batch on many machines: clips handed out by a Dask scheduler.

Each Dask worker keeps our own worker processes, so that limits, replacement and results are
those of a local run; Dask hands out the clips and hands out again what a lost machine had.
"""

import atexit
import re
import threading
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from formcheck.batch.one_clip import Job, Outcome
from formcheck.batch.workers import Limits, WorkerPool
from formcheck.files.packages import install_command
from formcheck.model.errors import UsageError

CONNECT_S = 10.0
ADDRESS = re.compile(r"(?:[a-z]+://)?[^/\s]+:\d{1,5}")

_pools: dict[Limits, WorkerPool] = {}
_pools_lock = threading.Lock()


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """An executor that has the cluster's workers do what is submitted.

    Raises UsageError when Dask is not installed or the scheduler does not answer.
    """
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            f"--scheduler needs Dask; install it with: {install_command('distributed')}"
        ) from None
    if not ADDRESS.fullmatch(address):
        # Dask would find out only after its client is half made, and say so at the end.
        raise UsageError(f"--scheduler {address}: write it like tcp://HOST:8786")
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"--scheduler {address}: no scheduler answers there ({type(error).__name__}); start "
            "one with: dask scheduler"
        ) from None
    try:
        with client:
            # A worker that goes away is no fault of the clip: it is handed out again.
            yield client.get_executor(pure=False, retries=0)
    finally:
        client.close()


def measure_on_cluster(job: Job, limits: Limits) -> Outcome:
    """Analyses the clip in a worker process of the machine that this runs on."""
    with _pools_lock:
        if limits not in _pools:
            _pools[limits] = WorkerPool(limits)
            atexit.register(_pools[limits].stop)
        pool = _pools[limits]
    return pool.measure(job)
