"""The same work done by Dask workers, on this machine or on others of the photographer's own network.

Through the scheduler go words and paths, no picture: frames are read, and results and records written, by the
workers on a disk that all of them see. Nothing of Dask is imported unless a
scheduler is named.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from typing import Any

from facemerge.errors import InputError, OptionError
from facemerge.workers import Died

ANSWERS_S = 15
"""How long a scheduler may take to answer before it is taken for absent."""
LOOKS_S = 0.2
"""How often it is looked whether a piece is done."""


def require_workers(address: str) -> None:
    """See to it that a scheduler with workers answers: better known before a card is looked through.

    Parameters
    ----------
    address
        Of the scheduler, for example tcp://192.168.1.20:8786.

    Raises
    ------
    OptionError
        If Dask is not installed.
    InputError
        If no scheduler answers at the address, or it has no worker.
    """
    with _client(address) as client:
        if not client.scheduler_info(n_workers=-1)["workers"]:
            raise InputError(f"The scheduler at {address} has no workers; start some first.")


def run_on(
    address: str,
    work: Callable[[Any], Any],
    pieces: Sequence[Any],
    answered: Callable[[int, Any], None],
    tick: Callable[[], None],
) -> None:
    """Hand each piece to a worker and each answer to `answered`, with the piece's index, as they come.

    A piece whose worker was lost is given to another one by the scheduler.

    Parameters
    ----------
    address
        As `require_workers`.
    work
        A function of a module that the workers have.
    pieces, answered, tick
        As `pool.Pool.run`.

    Raises
    ------
    OptionError, InputError
        As `require_workers`; and if the scheduler is lost on the way.
    """
    with _client(address) as client:
        # The lower its index the sooner a piece is begun; the same piece given twice is done twice.
        futures = {client.submit(work, p, pure=False, priority=-i): i for i, p in enumerate(pieces)}
        try:
            while futures:
                time.sleep(LOOKS_S)
                for future in [f for f in futures if f.done()]:
                    answered(futures.pop(future), _answer(future, address))
                if client.status != "running":
                    raise _lost(address)
                tick()
        finally:
            client.cancel(list(futures))


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise OptionError("--scheduler needs a further library: pip install 'facemerge[dask]'") from error
    # What goes wrong is said in our own words.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        return Client(address, timeout=ANSWERS_S, set_as_default=False, name="facemerge")
    except (OSError, ValueError) as error:
        raise InputError(f"No Dask scheduler answers at {address}.") from error


def _answer(future: Any, address: str) -> Any:
    from distributed.scheduler import KilledWorker

    if future.cancelled():
        raise _lost(address)
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, KilledWorker):
        return Died("every worker that began it was lost, perhaps because the memory was used up")
    if isinstance(error, ImportError):
        return Died(f"the worker does not have this program: {error}")
    return Died(f"the worker could not do it: {type(error).__name__}: {error}")


def _lost(address: str) -> InputError:
    return InputError(f"The scheduler at {address} was lost; what is finished is kept.")
