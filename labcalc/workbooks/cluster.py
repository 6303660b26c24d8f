"""Rendering on a cluster: a dask.distributed scheduler, as an executor."""

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from labcalc.errors import WorkbookError

_CONNECT_S = 20


@contextmanager
def cluster_executor(address: str, *, workers: int = 1) -> Iterator[Executor]:
    """Connect to a scheduler and lend an executor that sends work to its workers.

    Every worker needs labcalc, in the same version, and must reach the files that the notebooks' parameters name;
    pages come back over the connection, so no folder is shared for them. A report whose worker is lost is rendered
    by another one.

    address : Such as ``tcp://host:8786``.
    workers : How many workers to wait for before work begins.
    Raises WorkbookError : dask.distributed isn't installed, the address isn't one, or no scheduler with its workers
        answers there.
    """
    try:
        from distributed import Client
    except ImportError:
        raise WorkbookError("rendering on a cluster needs dask.distributed: pip install 'labcalc[cluster]'") from None
    try:
        client = Client(address, timeout=f"{_CONNECT_S}s", set_as_default=False)
    except (OSError, ValueError, TypeError) as failure:
        reason = " ".join(str(failure).split())[:200]
        raise WorkbookError(f"no scheduler answers at {address}: {reason}") from failure
    with client:
        try:
            client.wait_for_workers(workers, timeout=_CONNECT_S)
        except TimeoutError:
            raise WorkbookError(f"the scheduler at {address} has fewer workers than {workers}") from None
        yield client.get_executor(pure=False, retries=1)
