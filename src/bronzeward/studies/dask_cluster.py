"""Chunks of a sweep on a Dask cluster; needs the extra `bronzeward[cluster]`.

A worker that disappears loses only the chunk it was at, which the scheduler gives to another.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from bronzeward.errors import InputError

Job = TypeVar("Job")
Part = TypeVar("Part")

RETRIES = 10
"""Times a chunk is tried again on another worker."""

ANSWERS_WITHIN = 3.0
"""Seconds in which something must take a connection at the address of a scheduler."""

WAIT = 30.0
"""Seconds to wait for a scheduler that does."""


def computed(address: str, function: Callable[[Job], Part], jobs: Sequence[Job]) -> Iterator[tuple[int, Part]]:
    """(number of the job, its result) as the workers of the scheduler at `address` finish them."""
    try:
        from distributed import Client, as_completed  # type: ignore[import-not-found,import-untyped,unused-ignore]
    except ImportError:
        raise InputError("scheduler: Dask is not installed; install bronzeward[cluster]") from None
    _knock(address)
    try:
        client = Client(address, timeout=WAIT, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(f"scheduler {address}: cannot be reached ({error})") from None
    try:
        waiting = {client.submit(function, job, pure=False, retries=RETRIES): number for number, job in enumerate(jobs)}
        for future in as_completed(list(waiting), loop=client.loop):
            yield waiting.pop(future), future.result()
    finally:
        client.close()


def _knock(address: str) -> None:
    """Raise InputError at once where nobody takes connections; only the plain kinds of address are tried."""
    kind, separator, place = address.rpartition("://")
    host, colon, port = place.partition("/")[0].rpartition(":")
    if separator and kind not in ("tcp", "tls"):
        return
    if not colon or not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise InputError(f"scheduler {address}: expected tcp://HOST:PORT")
    try:
        socket.create_connection((host.strip("[]"), int(port)), ANSWERS_WITHIN).close()
    except (OSError, UnicodeError) as error:  # a name that no host can have
        raise InputError(f"scheduler {address}: cannot be reached ({error})") from None
