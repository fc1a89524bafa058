"""Processes that look at photos, each with a time limit.  One that dies or hangs is replaced; its photo gets an
error, everybody else notices nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from multiprocessing.connection import Connection
from typing import Any

from cli.jobs.engine import begin_worker

_GRACE_S = 5.0


class Lost(Exception):
    """A photo cost a process: it died, or took too long.  The sentence says which."""


class Crew:
    """Up to so many processes; started when there is work for them, or at once where `eager`."""

    def __init__(self, size: int, limit_s: float, eager: bool = True) -> None:
        self.size, self.limit_s, self.eager = size, limit_s, eager
        self._idle: asyncio.Queue[_Hand] = asyncio.Queue()
        self._hands: list[_Hand] = []
        self._threads = ThreadPoolExecutor(2 * size, "crew")  # one that hangs may still hold its thread
        self._stopped = False

    async def start(self) -> None:
        """Start the processes, so that the first photo need not wait for one."""
        for _ in range(self.size if self.eager else 0):
            self._hire()

    def _hire(self) -> None:
        hand = _Hand()
        self._hands.append(hand)
        self._idle.put_nowait(hand)

    async def stop(self) -> None:
        """End all processes; what they are at is given up."""
        self._stopped = True
        for hand in self._hands:
            hand.end()
        self._threads.shutdown(wait=False, cancel_futures=True)

    async def do(self, work: Callable[..., Any], *given: Any) -> Any:
        """Have a process do the work.  Raises Lost, or RuntimeError with what the work raised there."""
        if self._idle.empty() and len(self._hands) < self.size:
            self._hire()
        hand = await self._idle.get()
        waited = asyncio.get_running_loop().run_in_executor(self._threads, hand.do, self.limit_s, work, given)
        try:
            well, result = await asyncio.wait_for(waited, self.limit_s + _GRACE_S)
        except (Lost, TimeoutError, asyncio.CancelledError) as error:
            hand.end()
            self._hands.remove(hand)
            if not self._stopped:
                self._hire()
            if isinstance(error, TimeoutError):
                raise Lost(_slow(self.limit_s)) from error
            raise
        self._idle.put_nowait(hand)
        if not well:
            raise RuntimeError(result)
        return result


class _Hand:
    """One process and the line to it."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._line, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()

    def do(self, limit_s: float, work: Callable[..., Any], given: tuple[Any, ...]) -> tuple[bool, Any]:
        """Hand the work over and wait; runs in a thread."""
        until = time.monotonic() + limit_s
        try:
            self._line.send((work, given))
            if not self._line.poll(max(0.0, until - time.monotonic())):
                raise Lost(_slow(limit_s))
            well, result = self._line.recv()
        except (EOFError, OSError) as error:
            raise Lost("Looking at the photo ended its process; the file may be damaged. Take the photo again."
                       ) from error
        return bool(well), result

    def end(self) -> None:
        """End the process now."""
        self._process.kill()
        self._process.join(_GRACE_S)
        with contextlib.suppress(OSError):
            self._line.close()


def _slow(limit_s: float) -> str:
    return f"Looking at the photo took longer than {limit_s:.0f} seconds and was stopped. Take the photo again."


def _serve(line: Connection) -> None:
    """In the process: work, one after the other, until the line is cut."""
    begin_worker()
    while True:
        try:
            work, given = line.recv()
        except (EOFError, OSError):
            return
        try:
            answer = True, work(*given)
        except MemoryError:
            answer = False, "The photo needs more memory than there is."
        except Exception as error:  # told to the parent, which decides what it costs
            answer = False, f"{type(error).__name__}: {error}"
        line.send(answer)
