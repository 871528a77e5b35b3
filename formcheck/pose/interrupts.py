"""Ctrl-C kept back while native code builds what must be closed again."""

import contextlib
import signal
import threading
from collections.abc import Iterator


@contextlib.contextmanager
def interrupts_held() -> Iterator[None]:
    """Holds Ctrl-C back inside, and raises KeyboardInterrupt afterwards if it came.

    Between the moment when a native object exists and the one when a name is bound to it, an
    interrupt would leave it open for ever: its threads then run into the program's end.
    Interrupts reach the main thread alone; in every other thread this does nothing.
    """
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or not callable(before):
        yield
        return
    came = []
    signal.signal(signal.SIGINT, lambda *arguments: came.append(arguments))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if came:
            before(*came[0])
