"""Running tiles on a Dask cluster: one that exists, or one made on this machine."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from peatwright.drains.find.tiles import MapTasks
from peatwright.model.errors import Fault, PeatwrightError


class ClusterError(PeatwrightError):
    """The cluster cannot be reached."""

    code = 7


LOCAL = "local"


@contextmanager
def tasks_on(address: str, workers: int = 2) -> Iterator[MapTasks]:
    """Give a function that runs tasks on the cluster at `address`.

    `local` makes a cluster of `workers` processes on this machine for as long as the block runs.
    A task whose worker is lost is run again on another; only its own work is lost. Raises
    `ClusterError` when nobody answers at the address.
    """
    from distributed import Client, LocalCluster

    made = None
    if address == LOCAL:
        made = LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None)
        address = made.scheduler_address
    try:
        client = Client(address, timeout=10)
    except (OSError, ValueError) as error:
        raise ClusterError(
            Fault(
                "--cluster", "", f"no scheduler at {address!r}", "the address of a Dask scheduler",
                f"Start one (`dask scheduler`), or use --cluster {LOCAL} ({error}).",
            )
        ) from error  # fmt: skip
    try:
        yield lambda work, tasks: _results(client, work, tasks)
    finally:
        client.close()
        if made is not None:
            made.close()


def _results(client: Any, work: Callable[[Any], Any], tasks: list[Any]) -> Iterator[Any]:
    from distributed import as_completed

    held = client.map(work, tasks, pure=False, retries=2)
    for future in as_completed(held):
        error = future.exception()
        if error is not None:
            # The tile's number is not in the error: the caller finds it missing and tries again.
            yield -1, f"{type(error).__name__}: {error}"
        else:
            yield future.result()
        future.release()
