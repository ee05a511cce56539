"""Blocks of a sweep on several processes, or on the machines of a cluster; one search at a time."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from explorer.errors import ExplorerError
from explorer.files import one_at_a_time
from explorer.inputs.study import Project
from explorer.search.sweep import BlockResult, Sweep
from explorer.stopping import end_with, starting_workers

CLUSTER_WAIT_S = 10
REFUSAL = "genchain-sources"
"""Name of what refuses workers of a cluster that have other sources."""


def run_blocks(
    sweep: Sweep, numbers: Iterable[int], workers: int = 1
) -> Generator[BlockResult, None, None]:
    """Cover some blocks, in any order, on several processes, or on the machines of `on_machines`.

    A number is asked for, maybe in another thread, when its block is soon to begin. Closing the
    iterator drops the blocks that are not done.
    """
    if workers == 1:
        yield from (sweep.block(int(number)) for number in numbers)
        return
    from joblib import Parallel, delayed

    parallel = Parallel(n_jobs=workers, return_as="generator_unordered", pre_dispatch="2*n_jobs")
    with starting_workers():
        results = parallel(delayed(sweep.block)(int(number)) for number in numbers)
    yield from results


@contextmanager
def searching(project: Project, meanwhile: Callable[[Callable[[], bool]], None]) -> Iterator[None]:
    """Within it this process alone leads a study's search: another waits with a word, takes part
    by `meanwhile` (see `files.one_at_a_time`), and then finds the work done. Workers that are
    started within it end when this process does, however it ends.
    """
    from joblib import parallel_config

    words = f"{project.path}: another run searches this study; waiting until it has ended"
    with (
        parallel_config(backend="loky", initializer=end_with, initargs=(os.getpid(),)),
        one_at_a_time(project.path, words, meanwhile),
    ):
        yield


@contextmanager
def on_machines(cluster: str | None) -> Iterator[None]:
    """Within it every `run_blocks` on several workers goes to the Dask cluster at an address.

    A worker that dies gives its blocks back to the others. ExplorerError when no cluster answers;
    nothing happens where `cluster` is None.
    """
    if cluster is None:
        yield
        return
    try:
        from distributed import Client
    except ImportError as error:
        rule = "a cluster needs the extra: pip install 'genchain[cluster]'"
        raise ExplorerError(rule) from error
    from joblib import parallel_config

    try:
        client: Any = Client(cluster, timeout=CLUSTER_WAIT_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise ExplorerError(f"{cluster}: no cluster answers there ({error})") from error
    with client, _same_sources(client, cluster), parallel_config(backend="dask"):
        yield


@contextmanager
def _same_sources(client: Any, cluster: str) -> Iterator[None]:
    """Within it only workers with the sources of this process take part: others would mix results.

    ExplorerError that names both versions where one that is there has others; one that joins later
    ends, with the same words in its own log.
    """
    from distributed import WorkerPlugin

    # Sent whole, not by name: a worker may have another release, which knows nothing of it.
    def sources() -> str:
        from hashlib import sha256
        from pathlib import Path

        import explorer

        folder = Path(explorer.__file__).parent
        digest = sha256()
        for file in sorted(folder.rglob("*.py")):
            digest.update(f"{file.relative_to(folder).as_posix()}\0".encode() + file.read_bytes())
        return f"genchain {explorer.__version__} with the sources {digest.hexdigest()[:12]}"

    here = sources()

    class SameSources(WorkerPlugin):
        async def setup(self, worker: Any) -> None:
            if (there := sources()) != here:
                words = f"the worker {worker.address} has {there}, this launch has {here}"
                await worker.close(nanny=True, reason=words)
                raise ValueError(words)

    try:
        found = client.run(sources)
    except Exception as error:  # whatever a worker raises arrives here as it is
        words = f"{cluster}: a worker cannot take part: {type(error).__name__}: {error}"
        raise ExplorerError(words) from error
    for address, there in found.items():
        if there != here:
            raise ExplorerError(
                f"{cluster}: the worker {address} has {there}, this launch has {here}"
            )
    client.register_plugin(SameSources(), name=REFUSAL)
    try:
        yield
    finally:
        with suppress(Exception):  # the cluster may be gone
            client.unregister_worker_plugin(REFUSAL)
