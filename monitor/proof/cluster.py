"""A proof on a cluster of others' machines: Dask hands out its jobs, the proof is the same bytes.

A job is a row and a number, and the rig and the requirements go with it. A worker takes it only if
its flowdebt is the same to the byte of its sources, and a short drive comes to the same there to
the last bit. Jobs of a worker that is lost are run by another one.

Whoever reaches a scheduler or worker of Dask at ``tcp://`` runs any code on it. ``tls://`` takes
certificates from Dask's own configuration (``distributed.comm.tls``).
"""

import hashlib
import logging
import pickle
import socket
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from contextlib import contextmanager
from functools import cache, lru_cache
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import rules
import simulator
from simulator.coverage.matrix import observe
from simulator.coverage.points import POINTS
from simulator.plant import Fault, FaultKind
from simulator.proof.outcomes import Cars
from simulator.proof.proving import Came, Job, Proving, Standing, code_hash, prove_by, run_job
from simulator.proof.requirements import Requirements
from simulator.strict import BadInput, clean

CONNECT_S: Final = 10.0  # a scheduler answers within
WORKER_S: Final = 60.0  # a cluster may be without any worker
_LONGEST: Final = 200  # of an error that comes from there
# As text: a function of ours would end a worker that has no flowdebt to find it in.
_RUN_ORDER: Final = f"__import__('importlib').import_module({__name__!r}).run_order(*asked)"


class Cluster:
    """A cluster that answers. Use ``connected``."""

    def __init__(self, client: Any, address: str) -> None:
        self._client = client
        self._address = address

    def prove(
        self,
        proving: Proving,
        *,
        kept: Mapping[Job, Came],
        keep: Callable[[Job, Came], None],
        progress: Callable[[Standing], None] | None = None,
    ) -> None:
        """Run a proof to its end there; else as ``prove_here``.

        Raises:
            KeyboardInterrupt: It was broken off; what was done until then is taken and kept.
            BadInput: A worker has another flowdebt, or the cluster is lost; likewise.
        """
        packed = pickle.dumps((proving.cars, proving.requirements))
        asked = (this_code(), trial(proving.cars), packed)

        def submit(job: Job) -> Future[Came]:
            told: Future[Came] = Future()
            there = self._client.submit(eval, _RUN_ORDER, {"asked": (*asked, *job)})
            there.add_done_callback(lambda done: self._hand_on(done, told))
            return told

        prove_by(proving, submit, self._workers, kept=kept, keep=keep, progress=progress)

    def _workers(self) -> int:
        """Return how many jobs run at once there; wait for the first worker."""
        try:
            self._client.wait_for_workers(1, timeout=WORKER_S)
            return sum(self._client.nthreads().values())
        except TimeoutError:
            problem = f"found no worker in {WORKER_S:z.0f} s"
        except OSError:
            problem = "found its scheduler gone"
        raise BadInput(f"{self._address}: {problem}, expected scheduler and workers to stay")

    def _hand_on(self, done: Any, told: "Future[Came]") -> None:
        """Hand on what a job came to; what went wrong becomes one line."""
        error: BaseException | None
        if done.cancelled():
            error = BadInput(f"{self._address}: found its scheduler gone, expected it to stay")
        else:
            error = done.exception()
        if error is None:
            told.set_result(done.result())
        elif isinstance(error, BadInput):
            told.set_exception(error)
        else:
            what = clean(f"{type(error).__name__}: {error}", _LONGEST)
            expected = "expected this flowdebt on each worker, and workers that stay"
            told.set_exception(BadInput(f"{self._address}: found {what}, {expected}"))


@contextmanager
def connected(address: str) -> Iterator[Cluster]:
    """Connect to a cluster for as long as it is wanted.

    Args:
        address: Of its scheduler, ``tcp://`` or ``tls://``.

    Raises:
        BadInput: The address is none, nobody answers there, or Dask isn't installed.
    """
    shown = clean(address, 100)
    try:
        parts = urlsplit(address)
        usable = parts.scheme in ("tcp", "tls") and bool(parts.hostname) and bool(parts.port)
    except ValueError:
        usable = False
    if not usable:
        raise BadInput(f"--cluster: found {shown}, expected tcp://HOST:PORT or tls://HOST:PORT")
    try:
        distributed = import_module("distributed")
    except ImportError:
        raise BadInput(
            '--cluster: found no Dask here, expected flowdebt with its extra "cluster"'
        ) from None
    for name in ("distributed", "distributed.client"):  # what is wrong is said once, by us
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        security = distributed.Security()
        keys = security.get_connection_args("client")
        if parts.scheme == "tls" and keys["ssl_context"] is None:
            raise ValueError("no certificates in Dask's configuration, distributed.comm.tls")
        with socket.create_connection((parts.hostname, parts.port), CONNECT_S):
            pass  # Dask itself would try for long, and leave a thread behind
        client = distributed.Client(
            address, security=security, timeout=CONNECT_S, set_as_default=False
        )
    except (OSError, ValueError, TypeError, RuntimeError) as error:
        raise BadInput(
            f"{shown}: found no scheduler ({clean(str(error), _LONGEST)}), expected one that "
            f"answers within {CONNECT_S:z.0f} s"
        ) from None
    with client:
        yield Cluster(client, shown)


def run_order(code: str, drive: str, packed: bytes, row: int, chunk: int) -> Came:
    """Run a job on a worker, if the same flowdebt computes the same there.

    Args:
        code: What ``this_code`` says where the proof is asked for.
        drive: What ``trial`` says there.
        packed: Cars and requirements, pickled.
        row: As in ``Job``.
        chunk: As in ``Job``.

    Raises:
        BadInput: It isn't.
    """
    if code != this_code():
        raise BadInput(f"{_worker()}: found {this_code()}, expected {code}, as here")
    cars, requirements, driven = _unpacked(packed)
    if drive != driven:
        raise BadInput(
            f"{_worker()}: found a trial drive that ends otherwise than here, expected the same to "
            "the last bit (another kind of processor or system?)"
        )
    return run_job(cars, requirements, Job(row, chunk))


@cache
def this_code() -> str:
    """Return version and hash of this flowdebt: its sources, Python and numerical packages."""
    digest = hashlib.sha256(code_hash().encode())
    for package in (rules, simulator):
        for path in sorted(Path(str(package.__file__)).parent.rglob("*.py")):
            digest.update(path.read_bytes())
    return f"flowdebt {version('flowdebt')} (code {digest.hexdigest()[:16]})"


def trial(cars: Cars) -> str:
    """Return a hash of what one short drive comes to here, to the last bit."""
    scenario = POINTS[0].scenario(cars.driven, (Fault(FaultKind.PUMP_STOP),))
    return hashlib.sha256(repr(observe(scenario, 0)).encode()).hexdigest()


@lru_cache(maxsize=2)
def _unpacked(packed: bytes) -> tuple[Cars, Requirements, str]:
    cars, requirements = pickle.loads(packed)
    return cars, requirements, trial(cars)


def _worker() -> str:
    return f"worker {import_module('distributed').get_worker().address}"
