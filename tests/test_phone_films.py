"""A phone in a network of its own films a set over TLS, and it arrives on the computer."""

import contextlib
import os
import re
import shutil
import subprocess
import sys

import pytest
from browser_cases import DESKTOP, chromium_path, page_of, running_browser
from conftest import SAMPLES
from phone_cases import running_with_phones
from recording_cases import clinic_with_two_squats, fake_camera, to_the_camera, wait_for

from formcheck.clinic.sets import sets_of

pytest.importorskip("playwright")

COMPUTER, PHONE = "10.213.77.1", "10.213.77.2"
A_PHONE = {
    "viewport": {"width": 390, "height": 844},
    "is_mobile": True,
    "has_touch": True,
    "device_scale_factor": 2,
    "user_agent": "Mozilla/5.0 (Linux; Android 14; Mobile) AppleWebKit/537.36 (KHTML, like Gecko) "
    "Chrome/130.0.0.0 Mobile Safari/537.36",
    "ignore_https_errors": True,  # as somebody who went on after the warning
}


@pytest.fixture
def phones_network():
    """The command that runs another in a network namespace with one line to this computer."""
    if os.geteuid() != 0 or not (shutil.which("ip") and shutil.which("nsenter")):
        pytest.skip("a network namespace needs root, ip and nsenter")
    name = f"fc{os.getpid()}"
    ours, theirs = f"{name}a", f"{name}b"
    steps = (
        f"ip netns add {name}",
        f"ip link add {ours} type veth peer name {theirs} netns {name}",
        f"ip addr add {COMPUTER}/24 dev {ours}",
        f"ip link set {ours} up",
        f"ip -n {name} addr add {PHONE}/24 dev {theirs}",
        f"ip -n {name} link set {theirs} up",
        f"ip -n {name} link set lo up",
    )
    try:
        for step in steps:
            done = subprocess.run(step.split(), capture_output=True, text=True)
            if done.returncode:
                pytest.skip(f"this machine makes no network namespace: {step}: {done.stderr}")
        yield ["nsenter", f"--net=/var/run/netns/{name}"]
    finally:
        for step in (f"ip link del {ours}", f"ip netns del {name}"):
            subprocess.run(step.split(), capture_output=True)


def _link_read_from_the_screen(site, patient_id: int) -> str:
    """What a camera reads from the code on the computer's page."""
    import cv2
    import numpy as np

    link = f"{site.origin}/enter#{site.sessions.new_link_secret('patient', patient_id)}"
    with running_browser() as browser, page_of(browser, link, viewport=DESKTOP) as page:
        page.goto(f"{site.origin}/my/phone")
        page.get_by_role("button", name="Show the code").click()
        png = page.locator(".qr-box").screenshot()
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
    assert text
    return text


def _connects(phones_network, address: str, port: int) -> bool:
    tried = f"import socket; socket.create_connection(({address!r}, {port}), 3)"
    done = subprocess.run([*phones_network, sys.executable, "-c", tried], capture_output=True)
    return done.returncode == 0


@pytest.mark.slow
def test_a_paired_phone_films_a_set_that_arrives_on_the_computer(tmp_path, phones_network):
    film = tmp_path / "squats.mjpeg"
    fake_camera(SAMPLES / "squat_side.mp4", film)
    starter = tmp_path / "chromium"
    starter.write_text(f'#!/bin/sh\nexec {" ".join(phones_network)} {chromium_path()} "$@"\n')
    starter.chmod(0o755)
    clinic, patient = clinic_with_two_squats(tmp_path)
    with contextlib.closing(clinic), running_with_phones(clinic, COMPUTER) as (site, phones):
        assert _connects(phones_network, COMPUTER, phones.way.port)
        assert not _connects(phones_network, COMPUTER, site.port), "the computer's own listener"
        link = _link_read_from_the_screen(site, patient.id)
        assert re.fullmatch(rf"{re.escape(phones.origin)}/pair#\w{{5}}-\w{{5}}", link)
        flags = (
            "--use-fake-device-for-media-stream",
            "--use-fake-ui-for-media-stream",
            f"--use-file-for-fake-video-capture={film}",
        )
        with running_browser(*flags, executable=str(starter)) as browser:
            with page_of(browser, link, **A_PHONE) as page:
                assert page.url == f"{phones.origin}/my"
                assert "#" not in page.url
                to_the_camera(page)
                wait_for(page, "countdown")
                assert page.evaluate("isSecureContext && innerWidth === 390")
                wait_for(page, "recording")
                assert page.locator("#big-words").inner_text().strip() == "of 2"
                page.wait_for_url("**/after", timeout=180_000)
                [stored] = sets_of(clinic, patient.id)
                assert stored.origin == "recorded"
                assert stored.recording_bytes > 10_000
                for path in ("/clinic", "/my/help", "/my/phone", "/enter"):
                    assert page.goto(phones.origin + path).status in (403, 404), path
                page.goto(f"{phones.origin}/my")
                assert "Recorded" in page.inner_text("main")
