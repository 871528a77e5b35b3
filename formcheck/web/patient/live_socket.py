"""The WebSocket under which a patient's page sends small pictures and is told what they show.

From the page: {"do": "start"} when the recording begins, and pictures as bytes: a little-endian
header (8 bytes time in ms as a float, 2 bytes width, 2 bytes height), then RGBA rows. To the
page: {"ready": true} once, then one answer for each picture. Nothing is kept.
"""

import asyncio
import contextvars
import struct
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from formcheck.files.exercise_files import exercise_ids
from formcheck.files.exercises import load_exercise
from formcheck.files.strict_json import read_json
from formcheck.live.framing import wanted_for
from formcheck.live.watching import Eye, LiveSet, glimpse_from
from formcheck.model.errors import FormcheckError
from formcheck.model.measures import PLANES

HEADER = struct.Struct("<dHH")
LEAST_PX, MOST_PX = 64, 640
MOST_AT_ONCE = 2
"""Live looks at the same time: more would only make all of them slow."""
SILENT_S = 120.0
"""A page that sends nothing for so long has gone."""


def routes() -> list:
    from starlette.routing import WebSocketRoute

    return [WebSocketRoute("/my/live", _Live().serve)]


def picture(message: bytes) -> tuple[float, np.ndarray] | None:
    """(time in seconds, (height, width, 3) uint8) of a message; None when it is not a picture."""
    if len(message) < HEADER.size:
        return None
    time_ms, width, height = HEADER.unpack_from(message)
    if not (LEAST_PX <= width <= MOST_PX and LEAST_PX <= height <= MOST_PX):
        return None
    if len(message) != HEADER.size + width * height * 4 or not 0 <= time_ms < 1e9:
        return None
    rgba = np.frombuffer(message, np.uint8, offset=HEADER.size).reshape(height, width, 4)
    return time_ms / 1000, np.ascontiguousarray(rgba[..., :3])


class _Live:
    """The open sockets of one server with the network that they share."""

    def __init__(self) -> None:
        self._eye = Eye()
        self._n_open = 0
        # One thread: the network looks at one picture at a time anyway.
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="live")

    async def serve(self, websocket) -> None:
        from starlette.websockets import WebSocketDisconnect

        if self._n_open >= MOST_AT_ONCE:
            await websocket.close(4429)
            return
        live = _live_set(websocket.query_params)
        if live is None:
            await websocket.close(4400)
            return
        self._n_open += 1
        try:
            await websocket.accept()
            await self._answer(websocket, live)
        except WebSocketDisconnect:
            pass
        except FormcheckError as error:
            await websocket.send_json({"error": str(error)})
            await websocket.close(1011)
        finally:
            self._n_open -= 1
            if not self._n_open:
                await self._in_thread(self._eye.close)

    def _in_thread(self, work, *arguments):
        # The language of the patient goes along into the thread.
        run = contextvars.copy_context().run
        return asyncio.get_running_loop().run_in_executor(self._thread, run, work, *arguments)

    async def _answer(self, websocket, live) -> None:
        # Loading takes a moment: done before the page is told that it may send.
        await self._in_thread(self._eye.look, np.zeros((LEAST_PX, LEAST_PX, 3), np.uint8))
        await websocket.send_json({"ready": True})
        while True:
            try:
                message = await asyncio.wait_for(websocket.receive(), SILENT_S)
            except TimeoutError:
                await websocket.close(1000)
                return
            if message["type"] == "websocket.disconnect":
                return
            if message.get("bytes") is None:
                if not _is_start(message.get("text")):
                    await websocket.close(1003)
                    return
                live.start()
                continue
            found = picture(message["bytes"])
            if found is None:
                await websocket.close(1003)
                return
            try:
                answer = await self._in_thread(self._look, live, *found)
            except ValueError:  # pictures out of order
                await websocket.close(1003)
                return
            await websocket.send_json(answer_mapping(answer))

    def _look(self, live, time_s: float, rgb: np.ndarray):
        return live.see(glimpse_from(self._eye, rgb, time_s))


def _is_start(text: str | None) -> bool:
    try:
        return read_json(text or "") == {"do": "start"}
    except ValueError:
        return False


def _live_set(asked):
    """The set that a page asks to look at, or None when it names none of ours."""
    exercise, side, plane = (asked.get(k, "") for k in ("exercise", "side", "plane"))
    if exercise not in exercise_ids() or side not in ("left", "right", "both"):
        return None
    if plane not in PLANES:
        return None
    record = load_exercise(exercise)
    cue_deg = _cue_deg(asked.get("cue"))
    if asked.get("cue") and cue_deg is None:
        return None
    wanted = wanted_for(record, plane, side, asked.get("involved", "none"))
    return LiveSet(record, wanted, None if side == "both" else side, cue_deg)


def _cue_deg(text: str | None) -> float | None:
    """The knee flexion at which a page asks for a cue; None for anything else."""
    try:
        found = float(text or "")
    except ValueError:
        return None
    return found if -90 <= found <= 180 else None


def answer_mapping(answer) -> dict:
    """An answer as the page gets it."""
    count = answer.count
    return {
        "isGood": answer.framing.is_good,
        "say": answer.framing.say,
        "checks": [
            {"code": c.code, "isOk": c.is_ok, "words": c.words} for c in answer.framing.checks
        ],
        "count": None
        if count is None
        else {"n": count.n, "isAway": count.is_away, "holdS": round(count.hold_s, 1)},
        "left": answer.left,
        "cue": None
        if answer.cue is None
        else {"isDue": answer.cue.is_due, "isSeen": answer.cue.is_seen},
    }
