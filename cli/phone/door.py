"""Connections as they come: one that asks for nothing is closed again, and none may have most of them.

It bears with idle and broken connections, as of phones that left the network in the middle of a photo.  It does not
bear with somebody who has many addresses, or who sends without end; the page is for a network that is trusted.
"""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST = 400  # connections at once; beyond them everybody is told to try again
MOST_OF_ONE = 200  # of one address, behind which all phones of a site may be
PATIENCE_S = 20.0  # for a request's head
STALLED_S = 60.0  # for the next bytes of a photo


class Door(H11Protocol):
    """HTTP as uvicorn speaks it, with an end to its patience."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection in, unless its address has so many."""
        super().connection_made(transport)
        self._heard_s, self._last = self.loop.time(), self.cycle
        if sum(_address(each) == _address(self) for each in self.connections) > MOST_OF_ONE:
            transport.abort()
        else:
            self.loop.call_later(PATIENCE_S, self._look)

    def data_received(self, data: bytes) -> None:
        """Note that something came."""
        self._heard_s = self.loop.time()
        super().data_received(data)

    def _look(self) -> None:
        """Close what has asked for nothing since the last look, or has stopped in the middle of a photo."""
        if self.transport.is_closing():
            return
        state, silent_s = self.conn.their_state, self.loop.time() - self._heard_s
        if (state is h11.IDLE and self.cycle is self._last) or (
                state is h11.SEND_BODY and silent_s > STALLED_S and not self.flow.read_paused):
            self.transport.close()
        else:
            self._last = self.cycle
            self.loop.call_later(PATIENCE_S, self._look)


def _address(connection: object) -> str:
    client = getattr(connection, "client", None)
    return client[0] if client else ""
