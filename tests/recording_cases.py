"""A patient's page with its camera fed from a clip: the film, the clinic, the way to the camera."""

import contextlib
import os
import re
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

from browser_cases import running_browser
from clinic_cases import new_clinic, prescription_text
from conftest import SAMPLES

from formcheck.clinic.patients import add_patient, save_prescription

STILL_S, MOVING_S = 11.0, 8.5
MARK_PX, MAGENTA = 32, (255, 0, 255)  # a colour that no room has


def fake_camera(
    clip: Path, target: Path, *, is_marked: Callable[[float], bool] = lambda time_s: False
) -> None:
    """A film for the browser's camera: the clip's first picture for a while, then the first two
    repetitions; the browser plays it over and over. Pictures of the times (s, of the clip) that
    `is_marked` names have a magenta square half way up their left edge."""
    import av

    with av.open(os.fspath(clip)) as source, av.open(os.fspath(target), "w", format="mjpeg") as out:
        video = source.streams.video[0]
        stream = out.add_stream(
            "mjpeg", rate=30, width=video.width, height=video.height, pix_fmt="yuvj420p"
        )
        stream.codec_context.time_base = Fraction(1, 30)
        n = 0
        for frame in source.decode(video):
            if frame.time > MOVING_S:
                break
            for _ in range(int(STILL_S * 30) if n == 0 else 1):
                pixels = frame.to_ndarray(format="rgb24")
                if is_marked(frame.time):
                    middle = len(pixels) // 2
                    pixels[middle - MARK_PX : middle + MARK_PX, :MARK_PX] = MAGENTA
                picture = av.VideoFrame.from_ndarray(pixels, "rgb24")
                picture = picture.reformat(format="yuvj420p")
                picture.pts, picture.time_base = n, Fraction(1, 30)
                out.mux(stream.encode(picture))
                n += 1
        out.mux(stream.encode(None))


@contextlib.contextmanager
def filming_browser(folder: Path):
    """A browser whose camera is such a film of squats, kept in the folder."""
    film = folder / "squats.mjpeg"
    fake_camera(SAMPLES / "squat_side.mp4", film)
    with running_browser(
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-video-capture={film}",
    ) as made:
        yield made


def clinic_with_two_squats(folder: Path):
    """A clinic with one patient, whose squat sets are of two repetitions."""
    clinic = new_clinic(folder)
    patient = add_patient(clinic, "KN-204")
    text = prescription_text().replace("repetitions = 6", "repetitions = 2")
    save_prescription(clinic, patient, text, "M.T.")
    return clinic, patient


def link(site) -> str:
    return f"{site.origin}/enter#{site.sessions.new_link_secret('patient', site.own.id)}"


def choose(page, name: str, value: int) -> None:
    """Presses a number of a scale, once its question is shown."""
    shown(page, page.locator(f"label:has(input[name={name}][value='{value}'])")).click()


def shown(page, part):
    """Goes on, question by question, to the one that holds this part of the form."""
    page.wait_for_load_state("load")  # by then the page's script has put the others away
    part.wait_for(state="attached")
    while not part.is_visible():
        page.get_by_role("button", name="Go on").click()
    return part


def none_of_these(page) -> None:
    """Goes through the questions of the day."""
    for heading in ("Page 1 of 3", "Page 2 of 3", "Page 3 of 3"):
        page.get_by_text(heading).wait_for()
        page.get_by_label("None of these").check()
        page.get_by_role("button", name="Go on").click()


def answer_before(page, pain: int = 1) -> None:
    """Answers what is asked before the first set of a day."""
    none_of_these(page)
    choose(page, "pain", pain)
    shown(page, page.get_by_label("No, nothing new")).check()
    page.get_by_role("button", name="Go on").click()


def to_the_camera(page, exercise: str = "Squat") -> None:
    """From today's list to the open camera, the countdown at its shortest."""
    page.get_by_role("link", name=re.compile(f"Start {exercise}")).first.click()
    answer_before(page)
    page.get_by_role("link", name="Go to the camera").first.click()
    page.locator("#countdown").select_option("5")
    page.get_by_role("button", name="Turn on the camera").click()


def wait_for(page, state: str, seconds: float = 90) -> None:
    until = time.monotonic() + seconds
    while page.get_attribute("#stage", "data-state") != state:
        assert time.monotonic() < until, (state, page.inner_text("main"))
        page.wait_for_timeout(100)
