"""Connections that are closed once a request does not arrive: held open by the hundred they would keep everybody else out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    import asyncio

REQUEST_S: Final = 20.0
"""Time in which the head of a request has to be there, from the connection or the answer before it. Common practice, no source."""
BODY_S: Final = 60.0
"""Time without a byte of what is uploaded. Common practice, no source: a phone that changes its network needs half a minute."""
LOOK_S: Final = 2.0
"""Time between two looks at a connection. Common practice, no source."""


class PatientProtocol(H11Protocol):
    """HTTP connection of uvicorn that waits for a request for a while, and no longer."""

    _waits_since_s = 0.0
    _received_at_s = 0.0
    _next_look: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn has it
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._waits_since_s = self._received_at_s = self.loop.time()
        self._next_look = self.loop.call_later(LOOK_S, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop looking."""
        if self._next_look is not None:
            self._next_look.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Note when something came last."""
        self._received_at_s = self.loop.time()
        super().data_received(data)

    def on_response_complete(self) -> None:
        """Begin to wait for the next request."""
        self._waits_since_s = self.loop.time()
        super().on_response_complete()

    def _look(self) -> None:
        """Close the connection where nothing of what was promised came for too long."""
        now_s, state = self.loop.time(), self.conn.their_state
        # its head is not whole, however many bytes trickle in; a body may take its time as long as it goes on
        is_late = state is h11.IDLE and now_s - self._waits_since_s > REQUEST_S
        is_late |= state is h11.SEND_BODY and not self.flow.read_paused and now_s - self._received_at_s > BODY_S
        if is_late:
            self.transport.close()
        else:
            self._next_look = self.loop.call_later(LOOK_S, self._look)
