"""A patient's plan as one page for a phone: in a real browser from disk, with no network at all."""

import contextlib
import hashlib
import json
import random
import re
import zipfile
from dataclasses import asdict, replace
from importlib.resources import files

import av
import pytest
from browser_cases import chromium_path, violations
from clinic_cases import new_patient, prescription_text
from conftest import SAMPLES

from formcheck.clinic import answers, exchange
from formcheck.clinic.database import today
from formcheck.clinic.exchange_package import _seal, phone_key
from formcheck.clinic.patients import (
    add_patient,
    current_prescription,
    find_patient,
    save_prescription,
)
from formcheck.clinic.safety import Answer, is_over, level_of, standing
from formcheck.clinic.sets import find_set, sets_of
from formcheck.clinic.settings import questions_for
from formcheck.model.errors import FileError
from formcheck.model.safety import PainRule
from formcheck.web.offline_page import MOST_PAGE_BYTES, offline_page, rule_facts, write_offline_page
from formcheck.web.patient.holds import rule_of_line
from formcheck.words.safety_words import standing_title, why_words

pytest.importorskip("jinja2")
sync_api = pytest.importorskip("playwright.sync_api")

UPRIGHT, LYING = {"width": 390, "height": 844}, {"width": 844, "height": 390}
CAMERA = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
CUT = "--host-resolver-rules=MAP * ~NOTFOUND"


@pytest.fixture
def page_file(clinic, tmp_path):
    new_patient(clinic)
    target = tmp_path / "KN-204_phone.html"
    write_offline_page(clinic, "KN-204", target)
    return target


class Phone:
    """A browser with a phone's size and touch, its network cut, that keeps what it was told."""

    def __init__(self, playwright, folder, *flags, **options):
        self.asked, self.told = [], []
        self.context = playwright.chromium.launch_persistent_context(
            folder,
            executable_path=chromium_path(),
            args=["--no-sandbox", "--no-first-run", CUT, *flags],
            viewport=UPRIGHT,
            has_touch=True,
            is_mobile=True,
            accept_downloads=True,
            **options,
        )
        self.context.on("request", lambda r: self.asked.append(r.url))
        self.context.on("weberror", lambda e: self.told.append(str(e.error)))
        self.context.on(
            "console", lambda m: self.told.append(m.text) if m.type == "error" else None
        )

    def open(self, path):
        page = self.context.new_page()
        page.goto(path.as_uri())
        page.get_by_role("heading", name="Your exercises").wait_for()
        return page


@pytest.fixture(scope="module")
def playwright():
    with sync_api.sync_playwright() as made:
        yield made


@pytest.fixture
def phone(playwright, tmp_path):
    made = Phone(playwright, tmp_path / "phone", *CAMERA)
    yield made
    made.context.close()
    assert made.told == [], "errors on the page"
    assert {u.split(":")[0] for u in made.asked} <= {"file", "blob"}, "a page from disk asks nobody"


def choose(page, name, value):
    page.locator(f"label:has(input[name={name}][value='{value}'])").click()


def go_on(page):
    page.locator("form:visible").get_by_role("button", name="Go on").click()


def none_of_these(page):
    page.locator("form:visible").get_by_label("None of these").check()
    go_on(page)


def answer_before(page, exercise="squat", side=None, pain=1):
    where = f"[data-exercise={exercise}]" + (f"[data-side={side}]" if side else "")
    page.locator(f"button.start{where}").first.click()
    for n in (1, 2, 3):
        page.get_by_text(f"Page {n} of 3").wait_for()
        none_of_these(page)
    choose(page, "pain", pain)
    go_on(page)


def to_the_camera(page, **about):
    answer_before(page, **about)
    page.get_by_role("button", name="Go to the camera").click()


def film(page, seconds=2.5):
    page.locator("#countdown").select_option("5")
    page.get_by_role("button", name="Turn on the camera").click()
    page.get_by_role("button", name="Start the countdown").click()
    page.locator("#stage[data-state=recording]").wait_for(timeout=15_000)
    page.wait_for_timeout(1000 * seconds)


def answer_after(page, pain_during=2, pain=1, effort=4, symptom=None):
    for name, value in (("pain_during", pain_during), ("pain", pain), ("effort", effort)):
        page.locator(f"#after-{name}:not([hidden])").wait_for(timeout=20_000)
        choose(page, f"after_{name}", value)
        go_on(page)
    groups = page.locator("form[id^=signs-]").evaluate_all("forms => forms.map(f => f.id)")
    for name in groups:
        page.locator(f"#{name}:not([hidden])").wait_for()
        if symptom and page.locator(f"#{name} input[value={symptom}]").count():
            page.locator(f"#{name} input[value={symptom}]").check()
            go_on(page)
        else:
            none_of_these(page)


def saved(page, target):
    page.get_by_text("The file is ready").wait_for(timeout=30_000)
    with page.expect_download() as coming:
        page.get_by_role("link", name="Save the file").click()
    assert coming.value.suggested_filename.endswith(".formcheck")
    coming.value.save_as(target)
    return target


def test_a_set_is_filmed_without_a_network_sealed_and_taken_in(
    clinic, page_file, phone, tmp_path, run_formcheck
):
    assert page_file.stat().st_size < 400_000 < MOST_PAGE_BYTES
    page = phone.open(page_file)
    to_the_camera(page)
    film(page)
    for size in (LYING, UPRIGHT):
        page.set_viewport_size(size)
        box = page.locator("#hurts").bounding_box()
        assert 0 <= box["y"] <= size["height"] - box["height"], (size, box)
    page.get_by_role("button", name="Stop and keep").click()
    answer_after(page)
    file = saved(page, tmp_path / "set.formcheck")
    done = run_formcheck("import", file, "--data", clinic.folder.root)
    assert done.returncode == 0, done.stderr
    assert "taken in" in done.stdout
    patient = find_patient(clinic, "KN-204")
    (stored,) = sets_of(clinic, patient.id)
    assert (stored.exercise, stored.state, stored.origin) == ("squat", "recorded", "imported")
    assert stored.day == today().isoformat()
    assert stored.prescription_id is not None, "judged by the version that the page was made of"
    assert clinic.folder.recording(stored.recording).stat().st_size > 10_000
    said = answers.answers_of_set(clinic, stored.id)
    assert [(a.moment, a.pain, a.pain_during, a.effort) for a in said] == [
        ("before", 1, None, None),
        ("after", 1, 2, 4),
    ]
    of_day = [a for a in answers.answers_of(clinic, patient.id) if a.moment == "today"]
    assert [bool(a.asked) and not a.symptoms for a in of_day] == [True] * 3

    assert exchange.import_package(clinic, file).was_known, "the same file again changes nothing"
    page.get_by_role("button", name="Back to your exercises").locator("visible=true").click()
    page.get_by_role("button", name="Send", exact=True).click()
    again = saved(page, tmp_path / "again.formcheck")
    assert exchange.import_package(clinic, again).was_known, "packed again, it is the same set"
    assert len(sets_of(clinic, patient.id)) == 1
    assert len(answers.answers_of_set(clinic, stored.id)) == 2
    refused(clinic, file, tmp_path)


def refused(clinic, file, tmp_path):
    """Whatever was done to the file, it is refused in a sentence and nothing of it is kept."""
    before = sorted(p.name for p in clinic.folder.root.rglob("*") if p.is_file())

    def changed(name, **edits):
        target = tmp_path / name
        with zipfile.ZipFile(file) as source, zipfile.ZipFile(target, "w") as out:
            for info in source.infolist():
                content = source.read(info)
                if edit := edits.get(info.filename.partition(".")[0]):
                    content = edit(content)
                out.writestr(info.filename, content)
        return target

    other = add_patient(clinic, "KN-999")
    save_prescription(clinic, other, prescription_text("KN-999"), "M.T.")

    def of_another(content):
        return json.dumps({**json.loads(content), "patient": "KN-999"}).encode()

    def as_a_plan(content):  # the page's key seals no plan
        manifest = {**json.loads(content), "kind": "plan"}
        key = phone_key(find_patient(clinic, "KN-204").exchange_key)
        return json.dumps({**manifest, "seal": _seal(manifest, key)}).encode()

    def unmarked(content):  # nor anything that does not say that a page made it
        manifest = {k: v for k, v in json.loads(content).items() if k != "made_by"}
        key = phone_key(find_patient(clinic, "KN-204").exchange_key)
        return json.dumps({**manifest, "seal": _seal(manifest, key)}).encode()

    for name, edits, words in (
        ("video.formcheck", {"recording": lambda b: b[:-1] + b"x"}, "was changed after"),
        ("said.formcheck", {"set": lambda b: b.replace(b'"effort":4', b'"effort":0')}, "changed"),
        ("other.formcheck", {"manifest": of_another}, "not packed with this patient's key"),
        ("plan.formcheck", {"manifest": as_a_plan}, "does not hold"),
        ("unmarked.formcheck", {"manifest": unmarked}, "not packed with this patient's key"),
    ):
        with pytest.raises(FileError, match=words):
            exchange.import_package(clinic, changed(name, **edits))
    half = tmp_path / "half.formcheck"
    half.write_bytes(file.read_bytes()[:-500])
    with pytest.raises(FileError):
        exchange.import_package(clinic, half)
    after = sorted(p.name for p in clinic.folder.root.rglob("*") if p.is_file())
    assert after == before


# -- the rule and the seal are those of the program


STATIC = files("formcheck") / "web" / "static"


def in_browser(playwright, source, call, given):
    """What a script of the page gives, run alone on an empty page."""
    script = re.sub(r"^export ", "", (STATIC / source).read_text("utf-8"), flags=re.MULTILINE)
    browser = playwright.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
    try:
        page = browser.new_page()
        return page.evaluate(f"async (given) => {{ {script}\n return {call}; }}", given)
    finally:
        browser.close()


def random_log(rng, rules, questions, days):
    """Answers as patients may give them on some days, in their order."""
    out = []
    for n in range(rng.randrange(1, 9)):
        rule = rng.choice(rules)
        moment = rng.choice(("today", "before", "after", "stopped", "acted"))
        pain = rng.randrange(11) if moment in ("before", "after") else None
        about = {}
        if moment == "acted":
            about = {"acted": rng.choice(("may_go_on", "told_to_wait", "not_yet", "not_meant"))}
        if moment in ("today", "after") and rng.random() < 0.4:
            about = {"symptoms": (rng.choice(questions.questions).id,)}
        if moment == "stopped":
            about = {"at_s": rng.choice((None, 3.25, 75.0))}
        out.append(
            Answer(
                id=n + 1,
                set_id=None,
                day=rng.choice(days),
                at=f"2026-01-01T00:00:{n:02d}+00:00",
                moment=moment,
                pain=pain,
                pain_during=rng.choice((None, 0, 6, 9)) if moment == "after" else None,
                exercise=rng.choice(("squat", "wall_sit")),
                **{"pain_limit": rule.limit, "pain_origin": rule.origin} | about,
            )
        )
    return [replace(a, is_over_limit=is_over(a.most_pain, rule_of(a))) for a in out]


def rule_of(answer):
    return PainRule(limit=answer.pain_limit, origin=answer.pain_origin)


def test_the_page_follows_the_program_s_rule(clinic, playwright):
    patient = new_patient(clinic)
    questions = questions_for(clinic, patient.id)
    rng = random.Random(16)
    prescription = current_prescription(clinic, patient.id).record()
    after_surgery = replace(
        prescription,
        surgery_on=prescription.valid_from,
        exercises=tuple(replace(e, pain_limit=None) for e in prescription.exercises),
    )
    no_limit = replace(after_surgery, surgery_on=None)
    seen = set()
    for plan in (prescription, after_surgery, no_limit):
        rules = [rule_of_line(plan, e.exercise, e.sides[0]) for e in plan.exercises]
        logs = [random_log(rng, rules, questions, ("2025-03-03", "2025-03-04")) for _ in range(300)]
        given = {
            "facts": rule_facts(plan, questions),
            "logs": [[asdict(a) for a in log] for log in logs],
        }
        found = in_browser(
            playwright,
            "offline_rule.js",
            "given.logs.map((log) => [standingOf(given.facts, log, '2025-03-04'),"
            " log.map((a) => levelOf(given.facts, a))])",
            json.loads(json.dumps(given)),
        )
        for log, (page, levels) in zip(logs, found, strict=True):
            here = standing(log, "2025-03-04", questions)
            assert levels == [level_of(a, questions) for a in log], log
            assert (page["level"], page["until"], page["isHeld"], set(page["leftOut"])) == (
                here.level,
                here.until,
                here.is_held,
                here.left_out,
            ), log
            assert page["mayBeTakenBack"] == here.may_be_taken_back, log
            assert page["title"] == standing_title(here)
            mine = [r for r in here.reasons if r.level == here.level]
            for r in mine:
                assert why_words([r], questions) in page["why"], log
            seen.add((here.level, here.until))
    assert len(seen) >= 7, seen


def test_the_sums_and_the_seal_are_those_of_the_program(playwright):
    rng = random.Random(1)
    texts = [bytes(rng.randrange(256) for _ in range(n)) for n in (0, 1, 55, 56, 63, 64, 65, 300)]
    manifest = {"b": ["é\x7f\u2028", 3], "a": {"z": '\U0001f9b5"\\\n', "y": None}}
    sums, sealed = in_browser(
        playwright,
        "offline_seal.js",
        "[given.texts.map((t) => hex(new Sha256().update(Uint8Array.from(t)).digest())),"
        " hmacHex(given.key, canonical(given.manifest))]",
        {"texts": [list(t) for t in texts], "manifest": manifest, "key": "ab" * 32},
    )
    assert sums == [hashlib.sha256(t).hexdigest() for t in texts]
    assert sealed == _seal(manifest, "ab" * 32)


# -- what the patient says


def test_stop_because_it_hurts_is_kept_and_the_exercise_left_out(
    clinic, page_file, phone, tmp_path
):
    page = phone.open(page_file)
    to_the_camera(page)
    film(page)
    page.get_by_role("button", name="It hurts, stop").locator("visible=true").click()
    page.get_by_role("heading", name="You stopped because it hurt").locator(
        "visible=true"
    ).wait_for(timeout=20_000)
    answer_after(page, pain_during=3, pain=2)
    page.get_by_role("heading", name="Leave this exercise out today.").wait_for()
    assert violations(page) == []
    page.get_by_role("button", name="Back to your exercises").locator("visible=true").click()
    page.get_by_role("heading", name="Not sent yet").wait_for()
    assert not page.locator("button.start[data-exercise=squat]:visible").count()
    assert page.locator("button.start[data-exercise=wall_sit]:visible").count()
    page.get_by_role("button", name="Send", exact=True).click()
    exchange.import_package(clinic, saved(page, tmp_path / "set.formcheck"))
    patient = find_patient(clinic, "KN-204")
    (stored,) = sets_of(clinic, patient.id)
    stop = next(a for a in answers.answers_of_set(clinic, stored.id) if a.moment == "stopped")
    assert (stop.set_uid, stop.level) == (stored.uid, "leave_out")
    assert 2 < stop.at_s < 30


def test_an_answer_that_asks_for_help_holds_everything_back_until_told(clinic, page_file, phone):
    page = phone.open(page_file)
    page.locator("button.start[data-exercise=squat]").first.click()
    questions = questions_for(clinic)
    urgent = next(q for q in questions.questions if q.answer == "urgent")
    for n, group in enumerate(questions.asked("day"), start=1):
        page.get_by_text(f"Page {n} of 3").locator("visible=true").wait_for()
        if urgent.id in group.questions:
            break
        none_of_these(page)
    box = page.locator(f"form:visible input[value={urgent.id}]")
    box.check()
    go_on(page)
    page.get_by_role("heading", name="Get urgent medical help now.").wait_for()
    assert urgent.words in page.inner_text("#hold")
    assert violations(page) == []
    page.close()
    page = phone.open(page_file)
    assert not page.locator("button.start:visible").count(), "a new visit ends nothing"
    told = page.inner_text("#home")
    assert "Phone the emergency number" in told
    assert "No emergency number has been entered here" in told
    assert "If you cannot reach your clinic today" not in told, "that is not for an emergency"
    page.get_by_role("button", name="Say what was done about it").click()
    page.get_by_label("I did not mean to answer that").wait_for()
    page.get_by_label("and I am to wait").check()
    go_on(page)
    page.get_by_role(
        "heading", name="Do no exercises until your clinic says that you may."
    ).wait_for()
    assert "If you cannot reach your clinic today" not in page.inner_text("#home")
    page.get_by_role("button", name="Say what was done about it").click()
    assert not page.get_by_label("I did not mean to answer that").is_visible()
    page.get_by_label("and I may exercise").check()
    assert violations(page) == []
    go_on(page)
    page.locator("button.start:visible").first.wait_for()


def test_every_screen_can_be_read_and_reached(page_file, phone):
    page = phone.open(page_file)
    assert violations(page) == []
    page.locator("button.start[data-exercise=straight_leg_raise]").first.click()
    for n in (1, 2, 3):
        page.get_by_text(f"Page {n} of 3").wait_for()
        go_on(page)
        page.get_by_text("Please tick what applies").wait_for()
        assert violations(page) == []
        none_of_these(page)
    page.locator("#ask-before:not([hidden])").wait_for()
    assert violations(page) == []
    choose(page, "pain", 0)
    go_on(page)
    way = page.get_by_role("button", name="Go to the camera").locator("visible=true")
    way.wait_for()
    for size in (UPRIGHT, LYING):
        page.set_viewport_size(size)
        box = way.bounding_box()
        assert box["y"] + box["height"] <= size["height"], "the way on is on the screen"
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= size["width"]
    assert violations(page) == []
    way.click()
    assert violations(page) == []
    film(page, 1.2)
    for size in (UPRIGHT, LYING):
        page.set_viewport_size(size)
        box = page.locator("#hurts").bounding_box()
        assert 0 <= box["y"] <= size["height"] - box["height"], (size, box)
    assert violations(page) == []


# -- a page that gets no camera


def test_without_a_camera_the_phone_s_own_clip_is_taken(clinic, page_file, playwright, tmp_path):
    phone = Phone(playwright, tmp_path / "phone")  # no camera here, and none is allowed
    try:
        page = phone.open(page_file)
        to_the_camera(page)
        page.get_by_role("button", name="Turn on the camera").click()
        page.get_by_text("Film with the phone's own camera instead.").wait_for()
        clip = page.locator("#clip")
        assert (clip.get_attribute("accept"), clip.get_attribute("capture")) == (
            "video/*",
            "environment",
        )
        assert violations(page) == []
        song, photo, empty = (tmp_path / n for n in ("song.mp3", "photo.jpg", "empty.mp4"))
        for path, content in ((song, b"ID3"), (photo, b"\xff\xd8"), (empty, b"")):
            path.write_bytes(content)
            clip.set_input_files(path)
            page.locator("#faults:not([hidden])").wait_for()
            assert (
                page.locator("#faults-words")
                .inner_text()
                .startswith(("This is no video.", "This clip is empty."))
            )
        clip.set_input_files(SAMPLES / "squat_side.mp4")
        answer_after(page)
        exchange.import_package(clinic, saved(page, tmp_path / "set.formcheck"))
    finally:
        phone.context.close()
    (stored,) = sets_of(clinic, find_patient(clinic, "KN-204").id)
    kept = clinic.folder.recording(stored.recording)
    assert kept.read_bytes() == (SAMPLES / "squat_side.mp4").read_bytes()


# -- the tab is killed


def kill(page):
    """The tab dies where it stands: nothing of the page runs any more."""
    with contextlib.suppress(sync_api.Error):  # who is dead does not answer
        page.goto("chrome://crash", timeout=3000)
    page.close()


def tried_with_kills(clinic, page_file, phone, tmp_path, n, rng):
    page = phone.open(page_file)
    for k in range(n):
        if k == 0:
            to_the_camera(page)
        else:
            page.locator("button.start[data-exercise=squat]").first.click()
            page.locator("#ask-before:not([hidden])").wait_for()
            choose(page, "pain", 1)
            go_on(page)
            page.get_by_label("No, nothing new").check()
            go_on(page)
            page.get_by_role("button", name="Go to the camera").locator("visible=true").click()
        film(page, 2.5 + rng.random() * 3)
        is_asked = rng.random() < 0.3  # killed in the questions after it, or in the recording
        if is_asked:
            page.get_by_role("button", name="Stop and keep").click()
            page.wait_for_timeout(1000 * rng.random())
        kill(page)
        page = phone.open(page_file)
        page.get_by_role("heading", name="This recording is not finished").wait_for()
        page.get_by_role("button", name="Keep what was recorded").click()
        if rng.random() < 0.3:  # and again, while it is answered
            page.locator("#after-pain_during:not([hidden])").wait_for()
            kill(page)
            page = phone.open(page_file)
            page.get_by_role("button", name="Keep what was recorded").click()
        answer_after(page)
        if rng.random() < 0.3:
            page.get_by_text("The file is").locator("visible=true").wait_for()
            kill(page)
            page = phone.open(page_file)
            page.get_by_role("button", name="Send", exact=True).click()
        received = exchange.import_package(clinic, saved(page, tmp_path / f"{k}.formcheck"))
        stored = find_set(clinic, received.set_uid)
        moments = [a.moment for a in answers.answers_of_set(clinic, stored.id)]
        assert moments == ["before", "after"], k
        with av.open(clinic.folder.recording(stored.recording)) as clip:
            times = [f.time for f in clip.decode(video=0)]
        assert times[-1] > 0.9, (k, times[-1])
        page.locator("#send summary").click()
        page.get_by_role("button", name="Delete it here").click()
        page.get_by_role("heading", name="Your exercises").wait_for()
        assert not page.locator(".waits").count()
    assert len(sets_of(clinic, find_patient(clinic, "KN-204").id)) == n


def test_what_was_recorded_is_offered_again_after_the_tab_was_killed(
    clinic, page_file, phone, tmp_path
):
    tried_with_kills(clinic, page_file, phone, tmp_path, 1, random.Random(3))


def test_what_was_filmed_under_an_older_plan_is_kept_and_is_of_that_plan(
    clinic, page_file, phone, tmp_path
):
    page = phone.open(page_file)
    to_the_camera(page)
    film(page)
    kill(page)
    patient = find_patient(clinic, "KN-204")
    first = current_prescription(clinic, patient.id)
    # The newer plan has no squat any more.
    lines = first.text.split("[[exercises]]")
    without = "[[exercises]]".join(line for line in lines if 'exercise = "squat"' not in line)
    assert without != first.text
    save_prescription(clinic, patient, without, "M.T.")
    write_offline_page(clinic, "KN-204", page_file)
    page = phone.open(page_file)
    assert not page.locator("button.start[data-exercise=squat]").count()
    page.get_by_role("button", name="Keep what was recorded").click()
    answer_after(page)
    exchange.import_package(clinic, saved(page, tmp_path / "set.formcheck"))
    (stored,) = sets_of(clinic, patient.id)
    assert stored.exercise == "squat"
    assert stored.prescription_id == first.id


SENT = """
const told = [];
let isAway = false;
globalThis.fetch = async (path, { method, body }) => {
  if (isAway) throw new TypeError("away");
  const n = /n=(\\d+)/.exec(path)?.[1];
  if (n !== undefined) told.push(Number(n));
  if (given.isRefused) return { ok: false, status: 507, json: async () => ({ error: "no room" }) };
  const answer = path === "/my/uploads" ? { uid: "u" } : { page: "/done" };
  return { ok: true, status: 200, json: async () => answer };
};
const upload = new Upload({});
const piece = () => new Blob(["x"]);
await upload.send(piece()).catch(() => {});
isAway = true;
for (let k = 0; k < 3; k += 1) upload.send(piece()).catch(() => {});
await pause(900);
const failure = upload.failure && String(upload.failure.message);
isAway = false;
upload.send(piece()).catch(() => {});
await pause(300);
const later = [...told];
const end = await upload.finish().then((d) => d.page, (error) => error.message);
return [later, failure, end, told];
"""


@pytest.mark.parametrize("is_refused", [False, True])
def test_an_upload_goes_on_when_the_server_is_back(playwright, is_refused):
    script = (STATIC / "my_upload.js").read_text("utf-8")
    script = re.sub(r"^import .*$", "", script, flags=re.MULTILINE)
    script = re.sub(r"^export ", "", script, flags=re.MULTILINE)
    script = script.replace("GIVE_UP_MS = 60000", "GIVE_UP_MS = 300")
    stubs = 'const _ = (x) => x, formToken = () => "t";'
    browser = playwright.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
    try:
        page = browser.new_page()
        page.goto("about:blank")
        with_sums = (
            "crypto.subtle ?? Object.defineProperty(crypto, 'subtle',"
            " { value: { digest: async () => new ArrayBuffer(32) } });"
        )
        later, failure, end, told = page.evaluate(
            f"async (given) => {{ {with_sums} {stubs} {script} {SENT} }}", {"isRefused": is_refused}
        )
    finally:
        browser.close()
    if is_refused:
        assert end == "no room"
        return
    assert failure == "away"
    assert later == [0, 1, 2, 3, 4], "the next piece takes the others along"
    assert (end, told) == ("/done", [0, 1, 2, 3, 4])


@pytest.mark.slow
def test_twenty_kills_at_random_moments(clinic, page_file, phone, tmp_path):
    tried_with_kills(clinic, page_file, phone, tmp_path, 20, random.Random(20))


# -- the command


def test_pack_writes_the_page_or_says_why_not(clinic, tmp_path, run_formcheck):
    new_patient(clinic)
    new_patient(clinic, "KN-300", with_plan=False)
    at = ("--data", clinic.folder.root)
    done = run_formcheck("pack", "KN-204", tmp_path / "p.html", "--for", "phone", *at)
    assert done.returncode == 0, done.stderr
    page = (tmp_path / "p.html").read_text("utf-8")
    assert page == offline_page(clinic, "KN-204")
    assert (tmp_path / "p.html").stat().st_mode & 0o077 == 0, "readable by its owner only"
    key = find_patient(clinic, "KN-204").exchange_key
    assert key not in page
    assert phone_key(key) in page
    assert not re.search(r"https?:(?!//www\.w3\.org/2000/svg)", page)
    for what, extra, words in (
        ("KN-300", ("--for", "phone"), "has no prescription yet"),
        ("KN-777", ("--for", "phone"), "there is no patient"),
        ("KN-204", ("--for", "watch"), "write phone"),
    ):
        done = run_formcheck("pack", what, tmp_path / "q.html", *extra, *at)
        assert done.returncode == 2
        assert words in done.stderr
        assert not (tmp_path / "q.html").exists()
