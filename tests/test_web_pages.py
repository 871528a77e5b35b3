import json
import re
import time
from pathlib import Path

import pytest
from browser_cases import DESKTOP, PHONE, look, page_of, running_browser, violations
from clinic_cases import (
    clinic_results,
    counted_work,
    day_before,
    measured_set,
    new_clinic,
    new_patient,
    new_set,
    prescription_text,
)
from web_cases import Served, running_site

from formcheck.clinic import answers, findings, jobs, open_clinic
from formcheck.clinic.database import change
from formcheck.clinic.deletion import delete_set
from formcheck.clinic.patients import add_patient, current_prescription, find_patient
from formcheck.clinic.reviews import corrections_of, review_sets, reviews_of
from formcheck.clinic.sets import find_set, sets_of
from formcheck.model.safety import PainRule
from formcheck.web.clinician.prescription_faults import form_fault
from formcheck.web.clinician.prescription_form import form_from, form_of, prescription_text_of

pytest.importorskip("starlette")
pytest.importorskip("playwright")


@pytest.fixture(scope="module")
def browser():
    with running_browser() as made:
        yield made


@pytest.fixture(scope="module")
def site(tmp_path_factory, squat_results):
    """A clinic with something of everything that a page can show."""
    folder = tmp_path_factory.mktemp("site")
    clinic = new_clinic(folder)
    results = clinic_results(squat_results, folder)
    patient = new_patient(clinic)
    version = current_prescription(clinic, patient.id)
    for n in range(4):
        outcomes = {
            "target": ("reached", "not_reached")[n % 2],
            "limit": ("kept", "possibly_passed")[n == 2],
        }
        stored = measured_set(
            clinic,
            patient,
            results,
            day=day_before(21 - 7 * n),
            added_deg=8.0 * n,
            outcomes=outcomes,
            with_video=True,
            prescription_id=version.id,
            side=("left", "right")[n == 3],
        )
        answers.add_answer(clinic, patient.id, "before", set_id=stored.id, day=stored.day, pain=2)
        answers.add_answer(
            clinic,
            patient.id,
            "after",
            set_id=stored.id,
            day=stored.day,
            pain=1,
            pain_during=3 + n,
            effort=5,
            rule=PainRule(limit=5, origin="plan"),
        )
        answers.add_answer(
            clinic,
            patient.id,
            "next day",
            day=day_before(20 - 7 * n),
            pain_change="same",
            stiffness_change="less",
            swelling_change="same",
        )
        if n == 0:
            review_sets(clinic, [stored.uid], "M.T.")
    new_set(clinic, patient, exercise="wall_sit", day=day_before(1))
    jobs.end_not_measured(clinic, jobs.claim(clinic, "w"), "w", "The feet are cut off.")
    gone = new_set(clinic, patient)
    delete_set(clinic, gone.uid, by="M.T.", reason="filmed twice")
    new_set(clinic, patient, exercise="squat")
    answers.add_answer(clinic, patient.id, "before", symptoms=("giving_way",), exercise="squat")
    answers.tick(clinic, patient.id, exercise="squat", side="both", set_number=2, kind="done")
    findings.add_finding(
        clinic,
        patient.id,
        day=day_before(9),
        kind="passive_flexion",
        side="left",
        value=120.0,
        words="",
        by="M.T.",
    )
    findings.add_finding(
        clinic,
        patient.id,
        day=day_before(9),
        kind="effusion",
        side="left",
        value=None,
        words="small",
        by="M.T.",
    )
    findings.add_score(
        clinic,
        patient.id,
        day=day_before(9),
        name="Knee score",
        value=61.0,
        direction="higher is better",
        least_change=8.0,
        by="M.T.",
    )
    findings.add_goal(
        clinic, patient.id, words="Stairs", set_on=day_before(9), due_on=None, by="M.T."
    )
    add_patient(clinic, "KN-000")
    with running_site(clinic) as running:
        yield running
    clinic.close()


def _link(site) -> str:
    return f"{site.origin}/enter#{site.sessions.new_link_secret('clinician')}"


def _until(page, condition: str) -> None:
    """Waits until a condition holds in the page; the page's own policy stays in force."""
    until = time.monotonic() + 60
    while not page.evaluate(condition):
        assert time.monotonic() < until, condition
        page.wait_for_timeout(20)


def _sets(site):
    patient = find_patient(site.clinic, "KN-204")
    by_state = {}
    for s in sets_of(site.clinic, patient.id):
        by_state.setdefault(s.state, s.uid)
    return by_state


def _pages(site) -> dict[str, str]:
    at, sets = "/clinic/patients/KN-204", _sets(site)
    return {
        "work list": "/clinic",
        "patients": "/clinic/patients",
        "import": "/clinic/import",
        "settings": "/clinic/settings",
        "follow-up": at,
        "sets": f"{at}/sets",
        "prescription": f"{at}/prescription",
        "version": f"{at}/prescription/1",
        "on paper": f"{at}/prescription/paper",
        "findings": f"{at}/findings",
        "summary": f"{at}/summary",
        "discharge": f"{at}/discharge",
        "files": f"{at}/files",
        "set measured": f"/clinic/sets/{sets['measured']}",
        "set reviewed": f"/clinic/sets/{sets['reviewed']}",
        "set not measured": f"/clinic/sets/{sets['not measured']}",
        "set waiting": f"/clinic/sets/{sets['recorded']}",
        "empty follow-up": "/clinic/patients/KN-000",
        "empty prescription": "/clinic/patients/KN-000/prescription",
        "empty findings": "/clinic/patients/KN-000/findings",
        "empty summary": "/clinic/patients/KN-000/summary",
        "no such page": "/clinic/nothing",
    }


@pytest.mark.slow
def test_every_page_is_for_every_reader_screen_and_scheme(site, browser):
    with page_of(browser, _link(site)) as page:
        for name, path in _pages(site).items():
            page.set_viewport_size(DESKTOP)
            page.goto(site.origin + path)
            if "measured" in name and "not" not in name:
                page.wait_for_selector("#trace-box svg")
            look(page, name)
            for summary in page.locator("details:not([open]) > summary").all():
                if summary.is_visible():
                    summary.evaluate("e => { e.parentElement.open = true; }")
            look(page, f"{name}, all opened")


def test_the_page_of_the_link_has_none_either_and_tells_of_a_used_link(site, browser):
    link = _link(site)
    with page_of(browser, link):
        pass
    context = browser.new_context(viewport=DESKTOP)
    page = context.new_page()
    page.goto(f"{site.origin}/enter")
    assert violations(page) == []
    page.goto(link)
    page.wait_for_selector("[role=alert]")
    assert "works once" in page.inner_text("main")
    assert violations(page) == []
    context.close()


def test_a_form_with_faults_says_all_of_them_and_keeps_what_was_typed(site, browser):
    with page_of(browser, _link(site)) as page:
        page.goto(f"{site.origin}/clinic/patients/KN-204/prescription")
        page.fill("[name='e0.sets']", "many")
        page.fill("[name='all.pain_limit']", "30")
        page.fill("[name=goals]", "kneel in the garden")
        page.click("#save")
        page.wait_for_selector("[role=alert]")
        told = page.inner_text("[role=alert]")
        assert 'Exercise 1, sets: "many" is not a whole number' in told
        assert told.count("Every exercise, pain limit: 30 is too large") == 1
        marked = "[...document.querySelectorAll('[aria-invalid=true]')].map((e) => e.id)"
        assert page.evaluate(marked) == ["all.pain_limit", "e0.sets"]
        assert page.get_attribute("[role=alert] a >> nth=0", "href") == "#e0.sets"
        assert page.input_value("[name=goals]") == "kneel in the garden"
        assert violations(page) == []
        page.fill("[name='e0.sets']", "4")
        page.fill("[name='all.pain_limit']", "3")
        page.click("#save")
        page.wait_for_selector(".said[role=status]")
    patient = find_patient(site.clinic, "KN-204")
    record = current_prescription(site.clinic, patient.id).record()
    assert (record.exercises[0].sets, record.goals) == (4, "kneel in the garden")
    assert len(record.exercises) == 3, "nothing else was lost on the way"


def test_a_refused_correction_stands_in_its_open_form_again(site, browser):
    uid = _sets(site)["measured"]
    with page_of(browser, _link(site)) as page:
        page.goto(f"{site.origin}/clinic/sets/{uid}")
        page.click("summary:has-text('Add a comment')")
        page.fill("#c-at", "soon")
        page.fill("#c-words", "the heel, <b>again</b>")
        page.fill("#by-comment", "M.T.")
        page.click("button:has-text('Add the comment')")
        page.wait_for_selector("[role=alert]")
        assert "Moment: write a number" in page.inner_text("[role=alert]")
        page.wait_for_selector("#c-words")
        assert page.input_value("#c-words") == "the heel, <b>again</b>"
        assert not page.is_visible("#l-why"), "the other forms stay closed"
        assert page.input_value("#l-why") == ""
        assert violations(page) == []
        page.goto(f"{site.origin}/clinic/patients/KN-204/findings")
        page.select_option("#f-side", "left")
        page.fill("#f-value", "many")
        page.fill("#f-words", "warm")
        page.fill("#by-f", "M.T.")
        page.click("button:has-text('Add the finding')")
        page.wait_for_selector("[role=alert]")
        _until(page, "document.getElementById('f-words').value === 'warm'")


@pytest.mark.parametrize(
    ("fault", "words", "field"),
    [
        (
            "5: prescribed_by: is empty; write some text",
            "Your initials: empty; write some text",
            "prescribed_by",
        ),
        (
            "63: exercises[1].targets[0].at_least: at_least 90 is more than at_most 80; "
            "exchange them",
            "Exercise 2, target 1, at least: at least 90 is more than at most 80; exchange them",
            "e1.target0.at_least",
        ),
        (
            '23: exercises[0].tempo.lowering_s: "x" is not a number; write one, without quotes',
            'Exercise 1, lowering: "x" is not a number',
            "e0.lowering_s",
        ),
        (
            "86: exercises[2].limits[1]: has no bound; add at_least = or at_most =, or both",
            "Exercise 3, precaution 2: has no bound; add at least or at most, or both",
            "e2.limit1.measure",
        ),
        (
            "46: exercises[0].film[1].set_number: set 9 is to be filmed of 3 set(s)",
            "Exercise 1, set to film 2, set: set 9 is to be filmed of 3 set(s)",
            "e0.film1.set_number",
        ),
        (
            '4: involved_side: "" is not allowed; use one of: both, left, none, right',
            "Involved side: nothing was chosen; use one of: both, left, none, right",
            "involved_side",
        ),
        ("The disk is full", "The disk is full", ""),
    ],
)
def test_a_fault_is_told_in_the_words_of_the_form_and_leads_to_its_field(fault, words, field):
    assert (form_fault(fault).words, form_fault(fault).field) == (words, field)


def test_the_form_and_the_file_say_the_same():
    from formcheck.files.schema import parse_prescription

    record = parse_prescription(prescription_text(), "x")
    form = form_of(record)
    assert parse_prescription(prescription_text_of(form, "KN-204"), "x") == record
    sent = {name: [value] for name, value in form.values.items()}
    again = form_from(sent)
    assert parse_prescription(prescription_text_of(again, "KN-204"), "x") == record
    sent["e1.exercise"] = [""]
    fewer = parse_prescription(prescription_text_of(form_from(sent), "KN-204"), "x")
    assert [e.exercise for e in fewer.exercises] == ["squat", "straight_leg_raise"]


def test_video_trace_and_table_move_each_other_and_keys_do_all(site, browser):
    uid = _sets(site)["measured"]
    with page_of(browser, _link(site)) as page:
        page.goto(f"{site.origin}/clinic/sets/{uid}")
        _until(page, "document.getElementById('video').readyState >= 2")
        page.wait_for_selector("#trace-box svg")
        now = "document.getElementById('video').currentTime"
        first = float(page.get_attribute("#reps tbody tr:nth-child(1)", "data-from"))
        second = float(page.get_attribute("#reps tbody tr:nth-child(2)", "data-from"))
        page.click("#reps tbody tr:nth-child(2) [data-play]")
        _until(page, f"{now} >= {second}")
        page.wait_for_selector("#reps tbody tr:nth-child(2).now")
        cursor = float(page.get_attribute("#trace-box .cursor", "x1"))
        page.evaluate("document.getElementById('video').pause()")
        page.locator("#trace-box rect.rep").first.click(force=True)
        _until(page, f"{now} >= {first} && {now} < {second}")
        page.wait_for_selector("#reps tbody tr:nth-child(1).now")
        assert float(page.get_attribute("#trace-box .cursor", "x1")) < cursor
        page.focus("#player")
        page.evaluate("document.getElementById('video').pause()")
        page.wait_for_timeout(150)
        before = page.evaluate(now)
        page.keyboard.press("ArrowRight")
        _until(page, f"Math.abs({now} - {before}) > 0.005")
        assert 0 < page.evaluate(now) - before < 0.08, "one picture on"
        for key, speed in (("2", 0.5), ("4", 0.25), ("1", 1)):
            page.keyboard.press(key)
            assert page.evaluate("document.getElementById('video').playbackRate") == speed
        _until(page, "document.getElementById('strip').dataset.drawn === 'yes'")
        n_reps = page.locator("#reps tbody tr").count()
        assert page.locator("#strip canvas").count() == n_reps
        turn = float(page.get_attribute("#reps tbody tr:nth-child(2)", "data-turn"))
        page.locator("#strip button").nth(1).click()
        _until(page, f"Math.abs({now} - {turn}) < 0.05")
        page.focus("#player")
        page.keyboard.press("l")
        assert page.get_attribute("#loop", "aria-pressed") == "true"
        end = float(page.get_attribute("#reps tbody tr:nth-child(2)", "data-to"))
        page.evaluate(f"document.getElementById('video').currentTime = {end - 0.2}")
        page.evaluate("document.getElementById('video').play()")
        _until(page, f"{now} < {end - 0.4} && {now} >= {second - 0.1}")
        page.keyboard.press("l")
        page.evaluate("document.getElementById('video').pause()")
        page.keyboard.press("?")
        assert page.is_visible("#keys-dialog")
        page.keyboard.press("Escape")
        page.select_option("#beside-which", index=1)
        _until(page, "document.getElementById('beside').readyState >= 1")
        assert page.is_visible("#beside")
        page.focus("#player")
        assert page.get_attribute("#overlay", "aria-pressed") == "true"
        page.keyboard.press("o")
        assert page.get_attribute("#overlay", "aria-pressed") == "false"
        _until(page, "document.getElementById('video').currentSrc.endsWith('recording')")
        page.click("summary:has-text('Leave a repetition out')")
        page.focus("#l-why")
        page.keyboard.type("2 4 o n p N?")
        assert page.input_value("#l-why") == "2 4 o n p N?", "typing is only typing"
        assert not page.is_visible("#keys-dialog")
        assert page.evaluate("document.getElementById('video').playbackRate") == 1
        following = page.get_attribute("#next-set", "href")
        page.focus("#player")
        page.keyboard.press("Shift+N")
        page.wait_for_url(f"**{following}")


def test_several_unremarkable_sets_are_signed_at_once(site, browser, squat_results, tmp_path):
    patient = new_patient(site.clinic, "KN-311")
    results = clinic_results(squat_results, tmp_path)
    with site.clinic.write() as c:
        change(c, "UPDATE jobs SET state = 'done' WHERE state = 'waiting'")
    made = [measured_set(site.clinic, patient, results, day=day_before(n)) for n in range(3)]
    with page_of(browser, _link(site)) as page:
        for s in made[:2]:
            page.check(f"input[value='{s.uid}']")
        page.fill("#by-review", "A.B.")
        page.click("button:has-text('Mark the ticked sets')")
        page.wait_for_selector("[role=status]")
    assert [find_set(site.clinic, s.uid).state for s in made] == [
        "reviewed",
        "reviewed",
        "measured",
    ]
    assert reviews_of(site.clinic, made[0].id)[0].initials == "A.B."


def test_a_remarkable_set_cannot_be_signed_with_the_others(site):
    clinician = site.clinician()
    uid = next(
        s.uid
        for s in sets_of(site.clinic, find_patient(site.clinic, "KN-204").id)
        if s.state == "measured" and (s.n_doubtful or s.n_not_met)
    )
    answer = clinician.post("/clinic/review", {"uid": uid, "by": "A.B."})
    assert answer.status == 400
    assert find_set(site.clinic, uid).state == "measured"


def test_the_summary_prints_on_one_page_and_the_discharge_on_two_at_most(site, browser):
    with page_of(browser, _link(site)) as page:
        for name, most in (("summary", 1), ("discharge", 2)):
            page.goto(f"{site.origin}/clinic/patients/KN-204/{name}")
            pdf = page.pdf(format="A4")
            assert 1 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= most, name


def test_a_summary_of_much_is_still_one_page_and_says_what_it_leaves_out(
    site, browser, squat_results, tmp_path
):
    patient = new_patient(site.clinic, "KN-312")
    results = clinic_results(squat_results, tmp_path)
    with site.clinic.write() as c:
        change(c, "UPDATE jobs SET state = 'done' WHERE state = 'waiting'")
    for n, exercise in enumerate(("squat", "split_squat", "wall_sit", "step_up")):
        for weeks in (5, 1):
            measured_set(
                site.clinic,
                patient,
                results,
                day=day_before(7 * weeks + n),
                exercise=exercise,
                added_deg=5.0 * weeks,
            )
    for n in range(8):
        day = day_before(40 - 5 * n)
        findings.add_finding(
            site.clinic,
            patient.id,
            day=day,
            kind="passive_flexion",
            side="left",
            value=110.0 + n,
            words="warm",
            by="M.T.",
        )
        findings.add_score(
            site.clinic,
            patient.id,
            day=day,
            name="Knee score",
            value=50.0 + n,
            direction="higher is better",
            least_change=8.0,
            by="M.T.",
        )
        findings.add_goal(
            site.clinic,
            patient.id,
            words=f"Stairs without the rail, floor {n}",
            set_on=day,
            due_on=None,
            by="M.T.",
        )
        answers.add_answer(
            site.clinic,
            patient.id,
            "before",
            day=day,
            pain=3,
            symptoms=("giving_way", "new_swelling"),
            exercise="squat",
        )
    with page_of(browser, _link(site)) as page:
        page.goto(f"{site.origin}/clinic/patients/KN-312/summary")
        assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4"))) == 1
        words = page.inner_text("main")
        assert "more on the follow-up page." in words
        assert "The latest ones; all stand under Findings and goals." in words
        assert "117°" in words, "the latest finding"
        page.set_viewport_size(PHONE)
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_a_patients_pages_never_show_criteria_or_judgements_of_a_person(site):
    patient = site.patient(find_patient(site.clinic, "KN-204").id)
    text = patient.get("/my").text.lower()
    for word in ("criteria", "grade", "score", "streak", "badge", "compliance"):
        assert word not in text, word
    for path in _pages(site).values():
        page = site.clinician().get(path).text.lower()
        for word in (
            "grade",
            "streak",
            "badge",
            "compliance",
            "non-compliant",
            "poor",
            "excellent",
        ):
            assert word not in page, (path, word)


def test_criteria_are_facts_and_can_be_changed(site):
    clinician = site.clinician()
    at = "/clinic/patients/KN-204"
    text = clinician.get(at).text
    assert "Criteria, put as facts" in text
    assert "pain-monitoring model" in text
    assert "one variable at a time" in text.lower()
    stands = re.findall(r'data-stands="(\w+)"><summary><strong>([^<]+)</strong>: (\w+)', text)
    assert [(name, stand) for stand, name, _ in stands] == [
        ("Squat", "ease"),  # pain 6 was stated, and the knee gave way
        ("Wall sit", "hold"),
        ("Straight leg raise", "hold"),
    ]
    assert [word for _, _, word in stands] == ["criteria", "hold", "hold"]
    assert clinician.post(f"{at}/criteria", {"progress_sessions": "5"}).status == 303
    assert "of 5" in clinician.get(at).text
    assert clinician.post(f"{at}/criteria", {"hold_pain_most": "1"}).status == 400
    assert clinician.post(f"{at}/criteria", {"progress_sessions": "3"}).status == 303


def test_a_set_is_reviewed_with_a_correction_in_twelve_actions(browser, squat_results, tmp_path):
    """Clicks and fields from the work list to the set signed, a repetition left out."""
    clinic = new_clinic(tmp_path)
    stored = measured_set(
        clinic,
        new_patient(clinic),
        clinic_results(squat_results, tmp_path),
        outcomes={"target": "not_reached", "limit": "kept"},
    )
    n = 0

    def act(do, *about, **named) -> None:
        nonlocal n
        do(*about, **named)
        n += 1

    with running_site(clinic) as own, page_of(browser, _link(own)) as page:
        act(page.get_by_role("link", name=re.compile("^Review")).first.click)
        act(page.get_by_text("Leave a repetition out", exact=True).click)
        act(page.select_option, "#l-rep", index=1)
        act(page.fill, "#l-why", "turned to the camera")
        act(page.fill, "#by-left", "M.T.")
        act(page.get_by_role("button", name="Leave it out").click)
        page.get_by_text("turned to the camera").first.wait_for()
        if not page.input_value("#by-reviewed"):
            act(page.fill, "#by-reviewed", "M.T.")
        act(page.get_by_role("button", name="Mark as reviewed").click)
        page.get_by_text("This set is final.").wait_for()
    assert n <= 12, n
    assert find_set(clinic, stored.uid).is_final
    (left_out,) = corrections_of(clinic, stored.id)
    assert (left_out.correction.kind, left_out.correction.repetition) == ("left out", 1)
    clinic.close()


def test_the_course_opens_its_sets_and_tells_a_line_and_what_was_done(site):
    text = site.clinician().get("/clinic/patients/KN-204").text
    points = re.findall(r'<a href="/clinic/sets/([^"]+)" aria-label="[^"]+, open the set">', text)
    known = {s.uid for s in sets_of(site.clinic, find_patient(site.clinic, "KN-204").id)}
    assert len(points) >= 4
    assert set(points) <= known
    in_table = re.findall(r'<th scope="row"><a href="/clinic/sets/([^"]+)">\d', text)
    assert set(points) == set(in_table), "a keyboard and a reader find each point in the table"
    line = r"over \d sets on \d days in \d+(\.\d)? weeks \([+−]?\d+\.\d ± \d+\.\d° a week\)"
    lines = {m.group() for m in re.finditer(line, text)}
    assert lines
    printed = site.clinician().get("/clinic/patients/KN-204/discharge").text
    assert {m.group() for m in re.finditer(line, printed)} == lines
    kept = text.partition('id="h-kept"')[2].partition("</section>")[0]
    assert "filmed" in kept
    assert "last 5" in kept, "the effort stated after filmed sets"


def test_a_chart_is_one_stop_of_the_keyboard_and_arrows_reach_every_point(site, browser):
    # Before, each of its points was one: 1,408 of them in the charts of 352 sets.
    with page_of(browser, _link(site)) as page:
        page.goto(f"{site.origin}/clinic/patients/KN-204")
        charts = page.locator("svg[data-points]")
        assert charts.count() >= 2
        n = page.evaluate("document.querySelectorAll('svg[data-points] a').length")
        stops = charts.locator("a[tabindex='0']").count()
        assert n > stops == charts.count()
        chart = charts.first
        names = set(chart.locator("a").evaluate_all("all => all.map(a => a.ariaLabel)"))
        chart.locator("a[tabindex='0']").focus()
        seen = [page.evaluate("document.activeElement.ariaLabel")]
        assert page.locator(".keys", has_text="arrow keys").first.is_visible()
        for _ in range(chart.locator("a").count()):
            page.keyboard.press("ArrowLeft")
            seen.append(page.evaluate("document.activeElement.ariaLabel"))
        assert set(seen) == names
        page.keyboard.press("End")
        assert page.evaluate("document.activeElement.ariaLabel") == seen[0]
        way = page.evaluate("document.activeElement.getAttribute('href')")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**{way}")


def test_the_clinics_own_measures_stand_with_their_index_and_what_is_published(site):
    patient = add_patient(site.clinic, "KN-777")
    clinician, at = site.clinician(), "/clinic/patients/KN-777/findings"
    about = {"day": "2025-03-01", "by": "M.T.", "words": ""}
    entries = (
        ("extensor_strength_nm", "left", "120", ""),
        ("extensor_strength_nm", "right", "150", "60 deg of flexion"),
        ("effusion_stroke_test", "left", "", "1+"),
        ("step_down_errors", "left", "3", ""),
    )
    for kind, side, value, words in entries:
        sent = {**about, "kind": kind, "side": side, "value": value, "words": words}
        assert clinician.post(at, sent).status == 303
    wrong = {**about, "kind": "timed_hop_s", "side": "left", "value": "800"}
    refused = clinician.post(at, wrong)
    assert refused.status == 400
    assert "from 0.5 to 60" in refused.text
    for path in (at, "/clinic/patients/KN-777", "/clinic/patients/KN-777/summary"):
        text = clinician.get(path).text
        assert "80 % (left, the worse side, of right)" in text, path
        assert "did not predict a safe return" in text
        assert "stroke test: zero = no wave" in text.replace("Stroke", "stroke")
        assert "Piva 2006" in text
        assert "150 Nm 60 deg of flexion" in text
    assert len(findings.findings_of(site.clinic, patient.id)) == 4


def test_a_slip_of_the_pen_is_withdrawn_and_entered_again(site):
    # Before: an entry could be added, never taken back.
    clinician = site.clinician()
    patient = add_patient(site.clinic, "KN-778")
    at = "/clinic/patients/KN-778"
    about = {"day": "2025-03-01", "by": "M.T.", "words": "dynamometer", "kind": "single_hop_cm"}
    for side, value in (("left", "12"), ("right", "150")):
        sent = {**about, "side": side, "value": value}
        assert clinician.post(f"{at}/findings", sent).status == 303
    slip = findings.findings_of(site.clinic, patient.id)[0]
    assert "8 % (left, the worse side, of right)" in clinician.get(at).text
    way = f"{at}/findings/{slip.id}/withdraw"
    refused = clinician.post(way, {"by": "M.T.", "why": ""})
    assert refused.status == 400
    assert "why it is withdrawn" in refused.text
    withdrawn = clinician.post(way, {"by": "M.T.", "why": "a 0 is missing"})
    assert withdrawn.status == 303
    page = clinician.get(withdrawn.header("location").partition("#")[0]).text
    assert "<s>12 cm" in page
    assert "withdrawn by M.T." in page
    assert "a 0 is missing" in page
    # The form holds what it said.
    assert 'value="12"' in page
    assert '<option value="single_hop_cm" selected>' in page
    assert 'value="dynamometer"' in page
    for path in (at, f"{at}/summary", f"{at}/discharge"):
        text = clinician.get(path).text
        assert "8 % (left" not in text, path
        assert "12 cm" not in text, path
    assert clinician.post(f"{at}/findings", {**about, "side": "left", "value": "120"}).status == 303
    assert "80 % (left, the worse side, of right)" in clinician.get(f"{at}/findings").text
    elsewhere = clinician.post(
        f"/clinic/patients/KN-204/findings/{slip.id}/withdraw", {"by": "M.T.", "why": "x"}
    )
    assert elsewhere.status in (400, 404)


def test_entries_of_two_days_are_drawn_by_side_without_those_withdrawn(site):
    clinician = site.clinician()
    patient = add_patient(site.clinic, "KN-780")
    at = "/clinic/patients/KN-780"
    about = {"by": "M.T.", "words": "", "kind": "extensor_strength_kg"}
    values = {"2025-03-01": ("21", "30"), "2025-03-15": ("24.5", "30.5"), "2025-03-29": ("99", "")}
    for day, of_day in values.items():
        for side, value in zip(("left", "right"), of_day, strict=True):
            if value:
                sent = {**about, "day": day, "side": side, "value": value}
                assert clinician.post(f"{at}/findings", sent).status == 303
    wrong = next(f for f in findings.findings_of(site.clinic, patient.id) if f.value == 99)
    findings.withdraw(site.clinic, patient.id, "finding", wrong.id, by="M.T.", why="other patient")
    score = {"name": "Knee score", "value": "61", "direction": "higher is better", "by": "M.T."}
    assert clinician.post(f"{at}/scores", score | {"day": "2025-03-01"}).status == 303
    page = clinician.get(f"{at}/findings").text
    assert page.count('class="small-chart"') == 1, "a score of one day is no course"
    for words in ("1 Mar, left: 21 kg", "15 Mar, left: 24.5 kg", "15 Mar, right: 30.5 kg"):
        assert f"<title>{words}</title>" in page, words
    assert "99 kg</title>" not in page
    assert clinician.post(f"{at}/scores", score | {"day": "2025-03-15"}).status == 303
    assert clinician.get(f"{at}/findings").text.count('class="small-chart"') == 2


def test_what_was_typed_stays_in_the_form_that_is_refused(site):
    clinician = site.clinician()
    add_patient(site.clinic, "KN-779")
    at = "/clinic/patients/KN-779"
    sent = {"day": "2025-02-03", "kind": "timed_hop_s", "side": "right", "by": "M.T."}
    page = clinician.post(f"{at}/findings", sent | {"value": "800", "words": "in shoes"}).text
    for typed in ('value="2025-02-03"', 'value="800"', 'value="in shoes"'):
        assert typed in page, typed
    assert '<option value="timed_hop_s" selected>' in page
    goal = {"words": "x" * 301, "set_on": "2025-02-03", "due_on": "", "by": "M.T."}
    assert "x" * 301 in clinician.post(f"{at}/goals", goal).text


def test_a_page_of_five_hundred_sets_asks_the_database_a_few_times_only(site, browser):
    patient = add_patient(site.clinic, "KN-500")
    with site.clinic.write() as c:
        for n in range(500):
            change(
                c,
                """INSERT INTO sets (uid, patient_id, exercise, side, day, received_at,
                      recording, recording_bytes, recording_sha256, origin, state,
                      dose_prescribed, dose_done)
                      VALUES (:u, :p, 'squat', 'left', :d, '2025-01-01T00:00:00+00:00', 'x', 1, 'x',
                      'recorded', 'reviewed', 10, 10)""",
                u=f"{n:032x}",
                p=patient.id,
                d=day_before(n),
            )
            for key in ("knee_flexion_peak_deg", "thigh_inclination_deg", "lowering_s"):
                change(
                    c,
                    """INSERT INTO set_measures (set_id, key, value, low, high, n)
                             SELECT id, :k, :v, :v - 5, :v + 5, 10 FROM sets WHERE uid = :u""",
                    k=key,
                    v=60 + n % 30,
                    u=f"{n:032x}",
                )
    with page_of(browser, _link(site)) as page:
        for path in ("/clinic/patients/KN-500/sets", "/clinic/patients/KN-500"):
            with counted_work(site.clinic) as counted:
                page.goto(site.origin + path)
            assert counted.n_statements < 45, path
            assert counted.n_thousands < 200, path
        assert page.locator("circle.dot").count() >= 400


# -- the whole way, with the server as a person starts it


def test_a_clinician_goes_the_whole_way_from_a_clip_to_the_export(browser, tmp_path, short_squat):
    data = tmp_path / "data"
    served = Served(data)
    try:
        with page_of(browser, served.link, accept_downloads=True) as page:
            page.goto(re.sub(r"/clinic(/start)?$", "/clinic/patients", page.url))
            page.fill("#code", "KN-204")
            page.click("button:has-text('Add')")
            page.click("summary:has-text('Show and edit the text')")
            page.fill("#text", prescription_text())
            page.fill("#by-text", "M.T.")
            page.click("button:has-text('Save the text')")
            page.wait_for_selector("text=Version 1, saved")
            page.click("nav.tabs a:has-text('Files')")
            page.select_option("#u-exercise", "squat")
            page.select_option("#u-side", "left")
            page.set_input_files("#u-file", str(short_squat))
            page.click("button:has-text('Add the recording')")
            page.wait_for_url(re.compile(r".*/clinic/sets/\w{32}$"))
            # On a slow machine the set may be measured before the page is drawn.
            page.wait_for_selector("[data-progress], #reps tbody tr")
            page.wait_for_selector("#reps tbody tr", timeout=120_000)
            assert page.locator("#reps tbody tr").count() == 2
            page.click("summary:has-text('Leave a repetition out')")
            page.fill("#l-why", "lost balance")
            page.fill("#by-left", "M.T.")
            page.click("button:has-text('Leave it out')")
            page.wait_for_selector("tr.left-out")
            page.click("summary:has-text('Add a comment')")
            page.fill("#c-at", "3.2")
            page.fill("#c-words", "slower on the way down")
            page.click("button:has-text('Add the comment')")
            page.wait_for_selector("li.entry:has-text('slower on the way down')")
            page.wait_for_selector("#trace-box .note-mark")
            assert page.input_value("#by-reviewed") == "M.T.", "initials are remembered"
            page.click("button:has-text('Mark as reviewed')")
            page.wait_for_selector("text=This set is final.")
            note = page.input_value("#note")
            assert "1 of 6 prescribed repetitions done" in note
            assert "Reviewed by M.T." in note
            page.click("text=KN-204 >> nth=0")
            page.wait_for_selector("circle.dot:not(.open)")
            page.click("nav.tabs a:has-text('Files')")
            with page.expect_download() as download:
                page.click("text=FHIR Observations")
            bundle = json.loads(download.value.path().read_text(encoding="utf-8"))
            page.click("nav.tabs a:has-text('Summary')")
            page.wait_for_selector("h1:has-text('summary on')")
            assert len(page.pdf(format="A4")) > 5000
        from formcheck.clinic.fhir import check_bundle

        check_bundle(bundle)
        assert [e["resource"]["status"] for e in bundle["entry"]] == ["final"]
    finally:
        served.stop()
    clinic = open_clinic(data)
    (stored,) = sets_of(clinic, find_patient(clinic, "KN-204").id)
    assert stored.is_final
    assert len(corrections_of(clinic, stored.id)) == 2
    clinic.close()
    assert not [e for e in served.errors if "Traceback" in e], served.errors


def test_a_second_server_on_the_same_folder_is_refused(run_formcheck, tmp_path):
    served = Served(tmp_path / "data")
    try:
        done = run_formcheck("serve", "--no-browser", "--data", tmp_path / "data")
        assert done.returncode == 8
        assert "already serving" in done.stderr
    finally:
        served.stop()


def test_served_for_a_patient_the_link_opens_that_patients_pages_and_no_other(tmp_path):
    clinic = new_clinic(tmp_path)
    new_patient(clinic, "KN-204")
    new_patient(clinic, "KN-205")
    clinic.close()
    served = Served(tmp_path / "data", "--patient", "KN-204")
    try:
        browser = served.enter()
        assert browser.get("/").header("location") == "/my"
        assert browser.get("/my").status == 200
        for path in ("/clinic", "/clinic/patients/KN-204", "/clinic/patients/KN-205"):
            assert browser.get(path).status in (401, 403)
    finally:
        served.stop()


def test_a_patient_that_is_not_there_is_not_served(run_formcheck, tmp_path):
    done = run_formcheck(
        "serve", "--no-browser", "--data", tmp_path / "data", "--patient", "KN-999"
    )
    assert done.returncode == 2
    assert "KN-999" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("after_s", [0.0, 2.5])  # the worker is starting, and waits for work
def test_ctrl_c_ends_the_server_and_its_worker_with_one_line(tmp_path, after_s):
    served = Served(tmp_path / "data")
    worker = _child_of(served.process.pid)
    time.sleep(after_s)
    assert served.interrupt() == 130
    assert served.errors == ["formcheck: stopped; no half-written file was left behind\n"]
    until = time.monotonic() + 5  # one that is still starting sees that its line is closed
    while Path(f"/proc/{worker}").exists() and time.monotonic() < until:
        time.sleep(0.05)
    assert not Path(f"/proc/{worker}").exists()


def _child_of(pid: int) -> int:
    while True:
        for children in Path(f"/proc/{pid}/task").glob("*/children"):
            if found := children.read_text().split():
                return int(found[0])
        time.sleep(0.02)


def test_age_alone_deletes_nothing_and_the_page_asks(tmp_path):
    clinic = new_clinic(tmp_path)
    old, new = (new_set(clinic, new_patient(clinic, code)) for code in ("KN-204", "KN-311"))
    with clinic.write() as c:
        change(
            c,
            "UPDATE sets SET received_at = :t WHERE uid = :u",
            t=f"{day_before(31)}T08:00:00+00:00",
            u=old.uid,
        )
        change(c, "DELETE FROM jobs")
    served = Served(tmp_path / "data", "--retain-days", "30")
    try:
        browser = served.enter()
        until = time.monotonic() + 60
        while old.uid not in (page := browser.get("/clinic/patients").text):
            assert time.monotonic() < until
            time.sleep(0.1)
        assert "Older than 30 days" in page
        assert new.uid not in page
        assert browser.post("/clinic/due", {"uid": old.uid, "by": ""}).status == 400
        assert browser.post("/clinic/due", {"uid": old.uid, "by": "M.T."}).status == 303
        page = browser.get("/clinic/patients").text
        assert "Will be deleted" in page
        assert browser.post("/clinic/due", {"uid": old.uid, "word": "stay"}).status == 303
        assert "Will be deleted" not in browser.get("/clinic/patients").text
        assert find_set(clinic, old.uid) is not None
    finally:
        served.stop()
        clinic.close()
