"""A patient in a real browser, its camera fed from a clip: hands-free, by keyboard, interrupted."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path
from statistics import median

import pytest
from browser_cases import DESKTOP, look, page_of
from clinic_cases import (
    clinic_results,
    day_before,
    measured_set,
    new_clinic,
    new_set,
    prescription_text,
)
from conftest import ROOT
from recording_cases import (
    answer_before,
    choose,
    clinic_with_two_squats,
    filming_browser,
    link,
    shown,
    to_the_camera,
    wait_for,
)
from web_cases import running_site

from formcheck.clinic import answers, open_clinic
from formcheck.clinic.patients import add_patient, save_prescription
from formcheck.clinic.sets import find_set, sets_of
from formcheck.clinic.uploads import open_uploads
from formcheck.web.workers import Worker

pytest.importorskip("starlette")
pytest.importorskip("playwright")

NARROW = {"width": 360, "height": 740}


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with filming_browser(tmp_path_factory.mktemp("camera")) as made:
        yield made


@pytest.fixture
def site(tmp_path):
    clinic, patient = clinic_with_two_squats(tmp_path)
    with running_site(clinic) as running:
        running.own = patient
        yield running
    clinic.close()


@pytest.mark.slow
def test_a_patient_records_a_squat_set_hands_free_and_sees_the_result(site, browser):
    worker = Worker(site.clinic, "lite")
    worker.start()
    try:
        with page_of(browser, link(site)) as page:
            page.add_init_script(SPEECH)
            page.goto(site.origin + "/my")
            to_the_camera(page)
            wait_for(page, "countdown")
            wait_for(page, "recording")
            assert page.locator("#big-words").inner_text().strip() == "of 2"
            page.wait_for_url("**/after", timeout=120_000)
            spoken = [words for _, words in json.loads(page.evaluate("sessionStorage.said"))]
            start = spoken.index("Start.")
            assert spoken[:start][-4:] == ["Get ready.", "3", "2", "1"]
            assert spoken[start + 1 :][:3] == [
                "1. One more.",
                "2",
                "Your set is done. The recording has ended.",
            ]
            kept = page.evaluate("sessionStorage.getItem('formcheck.delays')")
            # A busy machine takes longer than a free one.
            assert median(json.loads(kept)) < 500, "ms from a picture to its answer"
            for name, value in (("pain_during", 2), ("pain", 1), ("effort", 4)):
                choose(page, name, value)
            shown(page, page.get_by_label("None of these")).check()
            page.get_by_role("button", name="Go on").click()
            page.get_by_role("heading", name="What you did").wait_for(timeout=120_000)
            [stored] = sets_of(site.clinic, site.own.id)
            words = page.inner_text("main")
            assert stored.state == "measured"
            assert stored.origin == "recorded"
            assert stored.dose_done >= 1
            assert f"The camera saw {stored.dose_done} repetition" in words
            assert "One thing to try" in words
            assert "What the camera could not see" in words
            assert "Move the camera to the front." in words
            before, after = answers.answers_of_set(site.clinic, stored.id)
            assert (before.moment, before.pain) == ("before", 1)
            assert (after.moment, after.effort) == ("after", 4)
    finally:
        worker.stop()


def test_it_is_stopped_by_keyboard_when_it_hurts(site, browser):
    with page_of(browser, link(site)) as page:
        to_the_camera(page)
        wait_for(page, "countdown")
        page.keyboard.press("Escape")
        wait_for(page, "framing")
        page.get_by_role("button", name="Start the countdown now").focus()
        page.keyboard.press("Enter")
        wait_for(page, "recording")
        page.wait_for_timeout(2500)
        page.get_by_role("button", name="It hurts, stop").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/after", timeout=60_000)
        assert "You stopped because it hurt" in page.inner_text("main")
        [stored] = sets_of(site.clinic, site.own.id)
        assert stored.recording_bytes > 10_000
        stop = next(
            a for a in answers.answers_of_set(site.clinic, stored.id) if a.moment == "stopped"
        )
        assert 2 <= stop.at_s < 30
        assert stop.repetition is not None


SPEECH = """
    window.said = [];
    const voices = ["remote", "local"].map((name) => (
        { name, lang: "en-GB", localService: name === "local", default: name === "remote" }));
    const made = {
        getVoices: () => voices.filter((v) => v.name !== window.without), cancel() {},
        addEventListener() {},
        speak: (u) => {
            window.said.push([u.voice.name, u.text]);
            sessionStorage.said = JSON.stringify(window.said);
        },
    };
    Object.defineProperty(window, "speechSynthesis", { value: made });
    window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
"""


SHAPES = (
    (740, 360),
    (640, 320),
    (360, 740),
    (390, 844),
    (844, 390),
    (768, 1024),
    (1024, 768),
    (1280, 720),
)
RECORDING = """() => {
  const stage = document.getElementById("stage");
  stage.dataset.state = "recording";
  document.body.classList.add("is-live");
  const show = (ids, is) => ids.forEach((id) => { document.getElementById(id).hidden = !is; });
  show(["camera", "now", "place", "checks", "options"], false);
  show(["hurts", "stop", "digits", "clock", "count-note", "preview", "is-recording"], true);
  document.getElementById("big").textContent = "18";
  document.getElementById("clock").textContent = "held 0:12 of 0:30";
}"""
"""The page as it stands while a set is recorded."""


@pytest.mark.slow
def test_the_stop_is_on_the_screen_in_every_orientation(site, browser):
    with page_of(browser, link(site)) as page:
        page.get_by_role("link", name=re.compile("Start Wall sit")).first.click()
        answer_before(page)
        page.get_by_role("link", name="Go to the camera").first.click()
        page.locator("#camera:enabled").wait_for()
        page.evaluate(RECORDING)
        for width, height in SHAPES:
            page.set_viewport_size({"width": width, "height": height})
            page.evaluate("window.scrollTo(0, 0)")
            stop = page.locator("#hurts").bounding_box()
            figure = page.locator("#big").bounding_box()
            assert stop["y"] >= 0, (width, height)
            assert stop["y"] + stop["height"] <= height, (width, height)
            assert stop["height"] >= 60, "a hand finds it"
            assert figure["height"] >= 0.3 * min(width, height), "read from three metres"


@pytest.mark.slow
def test_the_space_bar_stops_the_countdown_and_the_recording(site, browser):
    with page_of(browser, link(site)) as page:
        to_the_camera(page)
        wait_for(page, "countdown")
        page.keyboard.press("Space")
        wait_for(page, "framing")
        # Whoever stopped it is not filmed two seconds later: the picture is as good as before.
        page.wait_for_timeout(4000)
        assert page.locator("#stage").get_attribute("data-state") == "framing"
        page.click("#now")
        wait_for(page, "recording")
        page.wait_for_timeout(1500)
        page.keyboard.press("Space")
        page.wait_for_url("**/after", timeout=30_000)


NOTE_WHAT_IS_SHOWN = """() => {
    const shown = new Set();
    const text = id => document.getElementById(id).innerText;
    setInterval(() => {
        shown.add(text("say") + " " + text("big"));
        sessionStorage.shown = JSON.stringify([...shown]);
    }, 50);
}"""


@pytest.mark.slow
def test_a_hold_too_small_to_see_is_guided_and_ends_by_itself(browser, tmp_path):
    clinic = new_clinic(tmp_path)
    patient = add_patient(clinic, "KN-204")
    text = prescription_text()
    head = text[: text.index("[[exercises]]")]
    text = head + (
        '[[exercises]]\nexercise = "quad_set"\nsets = 1\nrepetitions = 2\nhold_s = 3\n'
        'sides = ["left"]\npain_limit = 3\n\n'
        '[[exercises.film]]\nset_number = 1\nview = "sagittal"\n'
    )
    save_prescription(clinic, patient, text, "M.T.")
    with running_site(clinic) as site:
        site.own = patient
        with page_of(browser, link(site)) as page:
            page.add_init_script(SPEECH)
            page.goto(site.origin + "/my")
            to_the_camera(page, "Quad")
            page.get_by_role("button", name="Start the countdown now").click()
            wait_for(page, "recording")
            assert "walk" not in page.inner_text("#say").lower(), "who sits on the floor"
            # Noted down by the page itself: it goes on by itself, whenever that is.
            page.evaluate(NOTE_WHAT_IS_SHOWN)
            page.wait_for_url("**/after", timeout=60_000)
            shown = set(json.loads(page.evaluate("sessionStorage.shown")))
            assert {"Hold. 3", "Hold. 1", "Let go. 3", "Let go. 1"} <= shown
            spoken = [words for _, words in json.loads(page.evaluate("sessionStorage.said"))]
            held = ["2", "1"]
            told = ["Hold 1 of 2.", *held, "Let go.", "Hold 2 of 2.", *held]
            assert spoken[spoken.index("Hold 1 of 2.") :][: len(told)] == told
    clinic.close()


@pytest.mark.parametrize("is_local_here", [True, False])
def test_only_a_voice_of_this_device_speaks_else_there_are_beeps(site, browser, is_local_here):
    with page_of(browser, link(site)) as page:
        page.add_init_script(SPEECH if is_local_here else "window.without = 'local';" + SPEECH)
        page.goto(site.origin + "/my")
        to_the_camera(page)
        wait_for(page, "countdown")
        said = page.evaluate("window.said")
        if is_local_here:
            assert {voice for voice, _ in said} == {"local"}
            assert said[0][1] == "Go to your place."
        else:
            assert said == []
            assert "you hear beeps" in page.inner_text("#voice-told")


def test_one_question_stands_on_the_screen_at_a_time_with_the_way_back(site, browser):
    waiting = new_set(site.clinic, site.own, side="both")
    with page_of(browser, link(site), viewport=NARROW) as page:
        page.goto(f"{site.origin}/my/sets/{waiting.uid}/after")
        go_on = page.get_by_role("button", name="Go on")
        steps = page.locator("form fieldset")
        n = steps.count()
        assert n >= 4
        for k in range(n):
            assert [k] == [i for i in range(n) if steps.nth(i).is_visible()]
            assert page.inner_text(".step-told") == f"Question {k + 1} of {n}"
            low = go_on.bounding_box()
            assert low["y"] + low["height"] <= NARROW["height"], "on the screen with its question"
            if k == n - 1:
                page.get_by_label("None of these").check()
                break
            go_on.click()
            assert steps.nth(k).is_visible(), "no answer yet"
            steps.nth(k).locator("label").nth(k).click()
            go_on.click()
            if k == 1:
                page.get_by_role("button", name="Back").click()
                assert steps.nth(1).locator("input:checked").get_attribute("value") == "1"
                go_on.click()
        go_on.click()
        page.wait_for_url(f"**/my/sets/{waiting.uid}")
        [after] = answers.answers_of_set(site.clinic, waiting.id)
        assert (after.pain_during, after.pain, after.effort) == (0, 1, 2)


def test_the_end_of_a_rest_is_heard_or_the_page_says_that_it_will_be_silent(site, browser):
    waiting = new_set(site.clinic, site.own, side="both")
    rest = "sessionStorage.setItem('formcheck.rest', JSON.stringify({until: Date.now() + 3000}))"
    with page_of(browser, link(site)) as page:
        page.add_init_script(SPEECH)
        page.evaluate(rest)
        page.goto(f"{site.origin}/my/sets/{waiting.uid}/after")
        assert page.locator("#rest").is_visible()
        assert page.locator("#rest-silent").is_visible(), "nobody has pressed anything yet"
        page.locator("h1").click()
        page.locator("#rest-silent").wait_for(state="hidden")
        page.locator("#rest-left:text('over')").wait_for()
        [(voice, words)] = page.evaluate("window.said")
        assert voice == "local"
        assert words.startswith("The rest is over.")


def test_a_clip_is_dropped_in_with_its_side_confirmed(site, browser, short_squat):
    with page_of(browser, link(site)) as page:
        page.get_by_role("link", name=re.compile("Start Squat")).first.click()
        answer_before(page, pain=0)
        page.get_by_label("The video file").set_input_files(short_squat)
        page.get_by_role("button", name="Send this clip").click()
        assert page.url.endswith("/card"), "side and mirroring are asked first"
        page.get_by_label("Both legs").check()
        page.get_by_label("Yes").check()
        page.get_by_role("button", name="Send this clip").click()
        page.wait_for_url("**/after", timeout=60_000)
        [stored] = sets_of(site.clinic, site.own.id)
        assert stored.is_mirrored
        assert stored.origin == "dropped in"
        assert stored.recording_bytes == short_squat.stat().st_size


def test_the_result_shows_the_patients_own_video_at_the_best_repetition(
    site, browser, short_squat, squat_results, tmp_path
):
    results = clinic_results(squat_results, tmp_path)
    stored = measured_set(site.clinic, site.own, results, side="both", clip=short_squat)
    with page_of(browser, link(site)) as page:
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(f"{site.origin}/my/sets/{stored.uid}")
        at_s = float(page.get_attribute("video", "src").partition("#t=")[2])
        page.wait_for_function(
            "s => Math.abs(document.querySelector('video').currentTime - s) < 0.1", arg=at_s
        )
        following = page.locator(".next .button").bounding_box()
        assert following["y"] + following["height"] <= 844, "without scrolling"
        look(page, "a result", is_patients=True)


@pytest.mark.slow
def test_every_page_of_a_patient_is_for_every_reader_screen_and_scheme(site, browser):
    new_set(site.clinic, site.own, side="both", day=day_before(1))
    waiting = new_set(site.clinic, site.own, exercise="wall_sit", side="both")
    seen = partial(look, is_patients=True)

    with page_of(browser, link(site), bypass_csp=True) as page:
        seen(page, "today")
        for summary in page.locator("details > summary").all():
            if summary.is_visible():
                summary.click()
        seen(page, "today, all opened")
        for path in (
            "/my/do/squat/both/1",
            "/my/do/squat/both/1/check/since",
            "/my/next-day",
            f"/my/sets/{waiting.uid}",
            f"/my/sets/{waiting.uid}/after",
            "/my/nothing",
        ):
            page.goto(site.origin + path)
            seen(page, path)
        page.goto(site.origin + "/my")
        to_the_camera(page)
        wait_for(page, "framing")
        page.wait_for_selector("#checks li")
        seen(page, "framing")
        wait_for(page, "recording")
        seen(page, "recording")
        page.goto(site.origin + "/my/do/squat/both/1/card")
        seen(page, "card")
        page.goto(site.origin + "/my/do/squat/both/1/record")
        seen(page, "before the camera")
        page.goto(site.origin + "/my/do/squat/both/2")
        seen(page, "before a set")
        page.goto(site.origin + "/my/do/squat/both/2/check/now")
        page.get_by_label("Chest pain").check()
        page.get_by_role("button", name="Go on").click()
        seen(page, "urgent")
        page.get_by_role("link", name="Say what was done about it").click()
        seen(page, "what was done")
        page.goto(site.origin + "/my")
        seen(page, "today, held back")


def served(folder: Path, port: int) -> tuple[subprocess.Popen, str]:
    """formcheck itself, serving this patient; and its link."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "formcheck",
            "serve",
            "--data",
            os.fspath(folder),
            "--no-browser",
            "--patient",
            "KN-204",
            "--port",
            str(port),
            "--pose-model",
            "lite",
        ],
        stdout=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        cwd=ROOT,
    )
    for line in process.stdout:
        if line.startswith("http"):
            return process, line.strip()
    raise AssertionError("formcheck did not serve")


def free_port() -> int:
    import socket

    with socket.socket() as made:
        made.bind(("127.0.0.1", 0))
        return made.getsockname()[1]


@pytest.mark.slow
def test_a_killed_server_loses_at_most_the_last_two_seconds_and_offers_the_rest(browser, tmp_path):
    import av

    clinic, patient = clinic_with_two_squats(tmp_path)
    clinic.close()
    port = free_port()
    process, address = served(tmp_path / "data", port)
    context = browser.new_context(viewport=DESKTOP)
    page = context.new_page()
    try:
        page.goto(address)
        page.wait_for_url("**/my")
        to_the_camera(page, "Straight leg raise")
        page.get_by_role("button", name="Start the countdown now").click()
        wait_for(page, "recording")
        began = time.monotonic()
        page.wait_for_timeout(7000)
        process.send_signal(signal.SIGKILL)
        recorded_s = time.monotonic() - began
        process.wait()
        process.stdout.close()
        page.close()  # as when the whole computer went off: else the page goes on by itself
        process, address = served(tmp_path / "data", port)
        visit = browser.new_context(viewport=DESKTOP).new_page()
        visit.goto(address)
        visit.wait_for_url("**/my")
        # What arrived last may be some seconds old only now.
        for _ in range(30):
            if visit.get_by_text("A recording broke off").count():
                break
            visit.wait_for_timeout(1000)
            visit.reload()
        clinic = open_clinic(tmp_path / "data")
        [upload] = open_uploads(clinic, patient.id)
        visit.get_by_role("button", name="Use what is here").click()
        visit.wait_for_url("**/after")
        stored = find_set(clinic, upload.uid)
        with av.open(os.fspath(clinic.folder.recording(stored.recording))) as file:
            times = [frame.time for frame in file.decode(video=0)]
        clinic.close()
        assert times[-1] - times[0] >= recorded_s - 2.0
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        context.close()


@pytest.mark.slow
def test_a_server_started_again_in_the_middle_of_a_set_loses_nothing_of_it(browser, tmp_path):
    import av

    clinic, _ = clinic_with_two_squats(tmp_path)
    clinic.close()
    port = free_port()
    process, address = served(tmp_path / "data", port)
    context = browser.new_context(viewport=DESKTOP)
    page = context.new_page()
    try:
        page.goto(address)
        page.wait_for_url("**/my")
        to_the_camera(page, "Straight leg raise")
        page.get_by_role("button", name="Start the countdown now").click()
        wait_for(page, "recording")
        began = time.monotonic()
        page.wait_for_timeout(4000)
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        process, _ = served(tmp_path / "data", port)
        page.wait_for_timeout(3000)
        page.keyboard.press("Escape")
        recorded_s = time.monotonic() - began
        page.wait_for_url("**/after*", timeout=60_000)
        clinic = open_clinic(tmp_path / "data")
        stored = find_set(clinic, page.url.split("/sets/")[1][:32])
        with av.open(os.fspath(clinic.folder.recording(stored.recording))) as file:
            times = [frame.time for frame in file.decode(video=0)]
        clinic.close()
        assert times[-1] - times[0] >= recorded_s - 2.0
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        context.close()
