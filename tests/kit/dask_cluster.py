"""A Dask cluster on this machine: its scheduler and its workers, each a process of its own."""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from tests.kit.patience import PATIENCE_S, until


@contextmanager
def dask_cluster(folder: Path, workers: int) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Start a cluster; yield its address and its processes, the scheduler's first. End them."""
    from distributed import Client  # loads for long, in every worker that collects tests

    place = folder / "scheduler.json"
    with ExitStack() as ended:

        def process(what: str, *more: str) -> subprocess.Popen[bytes]:
            command = [sys.executable, "-m", f"distributed.cli.dask_{what}", "--no-dashboard"]
            one = subprocess.Popen(
                [*command, "--scheduler-file", str(place), *more],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            ended.callback(one.wait)
            ended.callback(one.kill)
            return one

        all_of_them = [process("scheduler", "--host", "127.0.0.1", "--port", "0")]
        until(place.exists)
        one_job = ("--nthreads", "1", "--no-nanny", "--local-directory", str(folder / "dask"))
        all_of_them += [process("worker", *one_job) for _ in range(workers)]
        until(lambda: place.read_bytes().endswith(b"}"))
        address: str = json.loads(place.read_bytes())["address"]
        dask: Any = Client  # it has no types
        with dask(address, timeout=PATIENCE_S, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=PATIENCE_S)
        yield address, all_of_them
