"""How many connections the server holds, and how long one may be idle or half open.

Everybody is at 127.0.0.1, so an address tells nobody apart: connections without a request are
bounded all together, the oldest being closed first, and requests are bounded by session (the gate).
"""

import asyncio
from collections.abc import Callable

HEADER_TIME_S = 10.0
"""From the connection, or from a request's first byte, to the end of its header."""
IDLE_TIME_S = 30.0
"""Between two requests of a connection."""
MOST_WAITING = 300
"""Connections on which no request is being answered; a browser holds about six."""


def bounded_protocol() -> type:
    """The server's HTTP protocol, with these bounds for all its connections together."""
    from uvicorn.protocols.http.h11_impl import H11Protocol

    waiting: dict[object, None] = {}

    class Bounded(H11Protocol):
        _header_timer: asyncio.TimerHandle | None = None

        def connection_made(self, transport) -> None:
            super().connection_made(transport)
            self._wait()
            self._start_timer()

        def connection_lost(self, exc) -> None:
            self._stop_waiting()
            super().connection_lost(exc)

        def data_received(self, data: bytes) -> None:
            if self in waiting and self._header_timer is None:
                self._start_timer()
            super().data_received(data)

        def handle_events(self) -> None:
            super().handle_events()
            if self.cycle is not None and not self.cycle.response_complete:
                self._stop_waiting()

        def handle_websocket_upgrade(self, event) -> None:
            self._stop_waiting()
            super().handle_websocket_upgrade(event)

        def on_response_complete(self) -> None:
            super().on_response_complete()
            if not self.transport.is_closing():
                self._wait()

        def _wait(self) -> None:
            waiting.pop(self, None)
            waiting[self] = None
            while len(waiting) > MOST_WAITING:
                oldest = next(iter(waiting))
                oldest._stop_waiting()
                oldest.transport.abort()

        def _stop_waiting(self) -> None:
            waiting.pop(self, None)
            if self._header_timer is not None:
                self._header_timer.cancel()
                self._header_timer = None

        def _start_timer(self) -> None:
            self._header_timer = self.loop.call_later(HEADER_TIME_S, self._is_too_slow)

        def _is_too_slow(self) -> None:
            self._stop_waiting()
            self.transport.abort()

    return Bounded


class BySession:
    """Counts the requests that each session has open."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._open: dict[bytes, int] = {}

    def enter(self, key: bytes) -> Callable[[], None] | None:
        """What is to be called at the request's end; None where the session has too many."""
        n = self._open.get(key, 0)
        if n >= self.most:
            return None
        self._open[key] = n + 1

        def leave() -> None:
            left = self._open[key] - 1
            if left:
                self._open[key] = left
            else:
                del self._open[key]

        return leave
