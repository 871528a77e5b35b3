"""Writing a prescription: what the form's buttons do, what stands beside it, and its history."""

import re
import time
from dataclasses import dataclass, field, replace

import pytest
from browser_cases import DESKTOP, page_of, running_browser, violations
from clinic_cases import new_clinic, new_patient, prescription_text
from web_cases import running_site

from formcheck.clinic.database import today
from formcheck.clinic.patients import add_patient, current_prescription, find_patient
from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.files.schema import parse_prescription
from formcheck.files.templates import load_templates, template_text
from formcheck.model.errors import UsageError
from formcheck.model.programme import Limit
from formcheck.web.clinician.prescription_edits import edited, lines_of, usual_line
from formcheck.web.clinician.prescription_form import (
    KNEE,
    form_from,
    form_of,
    new_form,
    prescription_text_of,
)
from formcheck.web.clinician.prescription_view import beside, line_views, picture_groups
from formcheck.words.prescription_changes import prescription_changes

pytest.importorskip("starlette")
pytest.importorskip("playwright")

TEMPLATES = load_templates()[0]
RECORD = parse_prescription(prescription_text(), "x")


def after(form, *steps):
    for step in steps:
        form, _ = edited(step, form, TEMPLATES, RECORD)
    return form


def begun(*steps, **said):
    """A form of somebody's left knee after these buttons; `said` are fields, __ for a dot."""
    form = new_form("M.T.", today())
    values = {k.replace("__", "."): v for k, v in said.items()}
    return after(form_from(sent(form, involved_side="left", **values)), *steps)


def sent(form, **said):
    """The fields as a browser sends them."""
    return {name: [value] for name, value in {**form.values, **said}.items()}


def record_of(form):
    return parse_prescription(prescription_text_of(form, "KN-1"), "x")


def names(form):
    return [line["exercise"] for line in lines_of(form)]


LIMIT = {"all__limit0__at_most": "90", "all__limit0__source": "surgeon, until week eight"}


# -- from a template, from the last one, empty


@pytest.mark.parametrize("name", [t.id for t in TEMPLATES])
def test_each_template_becomes_a_sound_prescription_with_side_and_initials_alone(name):
    form = begun(f"template:{name}")
    record = record_of(form)
    of_one_leg = {e.id for e in list_exercises() if e.working_leg != "both"}
    assert len(record.exercises) == 5
    for line in record.exercises:
        assert line.sides == (("left",) if line.exercise in of_one_leg else ("both",))
    found = beside(form, "KN-1")
    assert (found.faults, found.advice, len(found.card)) == ((), (), 5)
    right = form_from(sent(form, involved_side="right"))
    assert {line.sides for line in record_of(right).exercises} <= {("right",), ("both",)}


def test_a_template_keeps_what_was_said_of_the_patient_and_the_precautions():
    form = begun("template:after_meniscus_repair", goals="stairs", condition="mine", **LIMIT)
    record = record_of(form)
    assert (record.goals, record.condition) == ("stairs", "mine")
    limited = {line.exercise for line in record.exercises if line.limits}
    assert limited == {"heel_slide", "short_arc_quad"}


def test_the_last_prescription_is_begun_again_from_today():
    record = record_of(begun("last"))
    assert record.valid_from == today()
    assert (
        replace(
            record, valid_from=RECORD.valid_from, review_on=RECORD.review_on, patient=RECORD.patient
        )
        == RECORD
    )


def test_a_button_that_is_not_there_does_nothing():
    form = begun("template:early_strengthening")
    for do in ("template:../x", "add:nothing", "up:9", "up:x", "film:0:frontal", "burn:0", ""):
        with pytest.raises(UsageError):
            edited(do, form, TEMPLATES, None)
    assert names(after(form, "up:0", "down:4")) == names(form)


# -- adding, moving, copying, removing, taking back


def test_an_added_exercise_has_its_usual_dose_its_view_and_steps_and_says_that_it_is_usual():
    for exercise in list_exercises():
        form = begun(f"add:{exercise.id}")
        (line,) = record_of(form).exercises
        dose = exercise.usual_dose
        assert (line.hold_s, line.rest_s) == (dose.hold_s, dose.rest_s)
        assert line.film[0].view == exercise.views[0].plane
        assert line_views(form)[0].is_usual
        found = beside(form, "KN-1")
        assert (found.faults, found.advice) == ((), ()), exercise.id
    form = begun("add:squat")
    changed = form_from(sent(form, **{"e0.repetitions": "8"}))
    assert not line_views(changed)[0].is_usual


def test_no_proposed_step_passes_a_precaution():
    limit = Limit(measure=KNEE[0], at_most=90)
    for exercise in list_exercises():
        line = usual_line(exercise, [limit])
        for side in ("easier", "harder"):
            usual = line[side] and load_exercise(line[side]).usual_knee_flexion
            assert not usual or usual.most_deg <= 90, (exercise.id, side)
    assert usual_line(load_exercise("squat"))["harder"] == "forward_lunge"


def test_lines_move_go_and_come_back():
    form = begun("template:early_strengthening")
    first = names(form)
    assert names(after(form, "down:0")) == [first[1], first[0], *first[2:]]
    assert names(after(form, "up:4", "remove:0")) == [*first[1:3], first[4], first[3]]
    back = after(form, "up:4", "remove:0", "undo", "undo")
    assert (names(back), record_of(back)) == (first, record_of(form))
    assert names(after(form, "undo")) == [], "before the template"
    assert after(begun(), "undo") == begun()


def test_a_copy_is_for_the_other_leg_or_hands_the_dose_on():
    form = begun("add:quad_set")
    lines = record_of(after(form, "copy:0")).exercises
    assert [(x.exercise, x.sides) for x in lines] == [
        ("quad_set", ("left",)),
        ("quad_set", ("right",)),
    ]
    form = form_from(sent(begun("add:squat"), **{"e0.repetitions": "7"}))
    lines = record_of(after(form, "copy:0")).exercises
    assert [(x.exercise, x.repetitions) for x in lines] == [("squat", 7), ("forward_lunge", 7)]


def test_many_steps_are_kept_within_a_forms_room():
    form = begun("template:early_strengthening")
    for _ in range(30):
        form = after(form, "down:0")
    assert 1 < len(form.before) <= 20
    assert sum(map(len, form.before)) <= 60_000


# -- measures, precautions


def test_only_what_exercise_and_camera_can_give_is_offered_by_name():
    form = begun("add:squat")
    side = line_views(form)[0].measures
    assert KNEE[0] in side
    assert side[KNEE[0]] == "Largest knee flexion (degrees)"
    assert "fppa_change_deg" not in side
    front = line_views(form_from(sent(form, **{"e0.film0.view": "frontal"})))[0]
    assert KNEE[0] not in front.measures
    assert "fppa_change_deg" in front.measures
    assert [g.words for g in line_views(form)[0].goals] == [
        "Thigh inclination at most 0° (tolerance ± 10°)"
    ]
    assert front.goals == (), "no end goal that the front does not show"
    goal = record_of(after(form, "goal:0:0")).exercises[0].targets
    assert [(t.measure, t.at_most, t.tolerance) for t in goal] == [("thigh_inclination_deg", 0, 10)]


def test_the_sound_near_a_limit_is_offered_where_the_bend_is_measured_and_goes_round():
    squat, raise_ = line_views(begun("add:squat", "add:straight_leg_raise"))
    assert "cue_at_limit" in squat.shows
    assert "cue_at_limit" not in raise_.shows
    asked = form_from(sent(begun("add:squat"), **{"e0.cue_at_limit": "yes"}))
    text = prescription_text_of(asked, "KN-1")
    assert "cue_at_limit = true" in text
    again = form_of(parse_prescription(text, "x"))
    assert again.values["e0.cue_at_limit"] == "yes"
    assert "cue_at_limit" not in prescription_text_of(begun("add:squat"), "KN-1")


def test_a_precaution_is_written_once_and_stands_in_every_exercise_that_can_show_it():
    form = begun("template:early_strengthening", **LIMIT)
    record = record_of(form)
    for line in record.exercises:
        able = any(KNEE[0] in v.measures for v in load_exercise(line.exercise).views)
        assert [b.at_most for b in line.limits] == ([90] if able else []), line.exercise
    again = form_of(record)
    assert again.values["all.limit0.at_most"] == "90"
    assert not any(k.startswith("e") and ".limit" in k for k in again.values)
    assert parse_prescription(prescription_text_of(again, "KN-1"), "x") == record
    assert again.values["all.frequency"] == "every other day"
    assert again.values["e0.frequency"] == "", "as for every exercise"


def test_days_in_words_go_before_the_choice():
    form = begun("template:early_strengthening")
    said = {"all.frequency_words": "Tuesday and Friday", "e0.frequency_words": "twice a day"}
    lines = record_of(form_from(sent(form, **said))).exercises
    assert [x.frequency for x in lines] == ["twice a day", *["Tuesday and Friday"] * 4]


def test_a_precaution_that_no_set_to_film_shows_is_told_with_what_mends_it():
    form = begun("template:patellofemoral_pain", **LIMIT)
    found = beside(form, "KN-1")
    (unseen,) = found.unseen
    assert unseen.words == ("Exercise 5, Step down: no set to film shows the largest knee flexion")
    assert found.faults == ()
    assert len(found.card) == 5, "the card is shown all the same"
    mended = after(form, unseen.do)
    assert beside(mended, "KN-1").unseen == ()
    assert {f.view for f in record_of(mended).exercises[4].film} == {"frontal", "sagittal"}


def test_a_precaution_that_no_view_shows_is_asked_about_until_the_notes_say_it():
    form = begun("add:squat", "add:multidirectional_lunge", **LIMIT)
    found = beside(form, "KN-1")
    (untold,) = found.untold
    assert untold.words.startswith(
        "Exercise 2, Multidirectional lunge: usually bends the knee to about 95 deg, past the "
        "limit of 90, and no view of it shows that"
    )
    assert not any("give this line the limit too" in f.words for f in found.advice), "told once"
    mended = after(form, untold.do)
    assert beside(mended, "KN-1").untold == ()
    assert record_of(mended).exercises[1].notes == "How far the knee bends: no more than 90°."
    alone = begun("add:lateral_lunge", all__limit0__at_most="60", all__limit0__source="surgeon")
    assert len(beside(alone, "KN-1").untold) == 1, "where no other exercise carries it as well"


def test_after_surgery_the_pain_limit_is_asked_for_once_and_never_filled_in():
    form = begun("template:after_ligament_reconstruction", surgery_on="2025-02-04")
    assert form.values["all.pain_limit"] == ""
    (asked,) = beside(form, "KN-1").advice
    assert asked.field == "all.pain_limit"
    assert asked.words.startswith("Every exercise: has no pain limit after an operation")
    said = form_from(sent(form, **{"all.pain_limit": "2"}))
    assert beside(said, "KN-1").advice == ()
    assert {line.pain_limit for line in record_of(said).exercises} == {2}


def test_a_faulty_field_is_told_and_the_card_shows_the_rest():
    form = begun("template:early_strengthening", **LIMIT)
    bad = form_from(sent(form, **{"e1.sets": "x", "all.limit0.at_most": "y", "involved_side": ""}))
    found = beside(bad, "KN-1")
    told = sorted({f.field for f in found.faults})
    assert told == ["all.limit0.at_most", "e1.sets", "involved_side"]
    (once,) = [f for f in found.faults if f.field == "all.limit0.at_most"]
    assert once.words == 'Precaution 1, at most: "y" is not a number'
    sourceless = begun("template:early_strengthening", all__limit0__at_most="115")
    assert [f.words for f in beside(sourceless, "KN-1").advice] == [
        'Precaution 1: has no source; add source with who set it ("surgeon, until week eight")'
    ]
    assert [e.name for e in found.card] == [
        load_exercise(n).name for n in (*names(form)[:1], *names(form)[2:])
    ]


def test_pictures_go_by_support_level_and_then_by_how_far_the_knee_bends():
    groups = picture_groups(begun(**LIMIT))
    assert [g.level for g in groups] == [1, 2, 3, 4, 5]
    for g in groups:
        bends = [p.exercise.usual_knee_flexion.most_deg for p in g.pictures]
        assert bends == sorted(bends)
        for p in g.pictures:
            assert bool(p.past) == (p.exercise.usual_knee_flexion.most_deg > 90), p.exercise.id
    assert sum(len(g.pictures) for g in groups) == len(list_exercises())


# -- history


def test_the_history_tells_changes_in_words():
    squat, sit, slr = RECORD.exercises
    assert prescription_changes(RECORD, RECORD) == ()
    later = replace(RECORD, exercises=(squat, replace(sit, hold_s=10.0), slr))
    assert prescription_changes(RECORD, later) == ("Wall sit: hold 5 s to 10 s",)
    (limit,) = squat.limits
    moved = replace(limit, at_most=110.0)
    later = replace(
        RECORD,
        review_on=None,
        exercises=(slr, replace(squat, easier="", limits=(moved,), film=squat.film[:1])),
    )
    assert prescription_changes(RECORD, later) == (
        "Review on removed (17 March 2025)",
        "Wall sit: removed",
        "Squat: easier step removed (terminal knee extension)",
        "Squat: filmed set 1 from the side, set 2 from the front to set 1 from the side",
        "Squat: limit of largest knee flexion at most 90° to at most 110°",
        "Order: Straight leg raise, Squat",
    )
    bridge = replace(slr, exercise="bridge", sides=("both",), targets=())
    added = replace(RECORD, exercises=(*RECORD.exercises, bridge))
    assert prescription_changes(RECORD, added) == ("Bridge: added, 3 × 10, twice a day",)


# -- the pages


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    clinic = new_clinic(tmp_path_factory.mktemp("site"))
    new_patient(clinic)
    with running_site(clinic) as running:
        yield running
    clinic.close()


def test_nothing_is_saved_by_a_button_that_only_changes_the_form(site):
    patient = add_patient(site.clinic, "KN-301")
    at, clinician = "/clinic/patients/KN-301/prescription", site.clinician()
    page = clinician.post(at, {"do": "template:early_strengthening"})
    assert page.status == 200
    assert page.text.count('class="line"') == 5
    assert clinician.post(at, {"do": "template:../../x"}).status == 400
    fields = {k: v[0] for k, v in sent(begun("add:squat")).items() if v[0]}
    fragment = clinician.post(at + "/beside", fields)
    assert "3 sets of 10 repetitions" in fragment.text
    assert "<html" not in fragment.text
    assert clinician.get(at + "/paper").status == 404
    assert current_prescription(site.clinic, patient.id) is None
    assert clinician.post(at, {**fields, "do": "paper"}).header("location").startswith(at)
    assert current_prescription(site.clinic, patient.id).record().exercises[0].exercise == "squat"
    assert "Your exercises" in clinician.get(at + "/paper?print=large").text
    assert site.patient(patient.id).get(at + "/paper").status in (403, 404)


def test_a_clinics_own_template_is_offered_and_a_faulty_one_is_told(site):
    own = site.clinic.folder.templates
    own.mkdir()
    text = template_text("early_strengthening")
    (own / "stairs.toml").write_text(text.replace("Early strengthening", "Stairs first"))
    (own / "broken.toml").write_text(text.replace("sets = 3", "sets = 0"))
    page = site.clinician().get("/clinic/patients/KN-204/prescription").text
    assert "Stairs first" in page
    assert "a file of this clinic" in page
    assert "broken.toml:" in page
    (own / "broken.toml").unlink()
    (own / "stairs.toml").unlink()


def test_each_version_tells_what_it_changed(site):
    clinician = site.clinician()
    text = prescription_text().replace("hold_s = 5", "hold_s = 10")
    at = "/clinic/patients/KN-204/prescription"
    assert clinician.post(at + "/text", {"text": text, "by": "M.T."}).status == 303
    for page in (at, at + "/2"):
        assert "Wall sit: hold 5 s to 10 s" in clinician.get(page).text
    assert "Squat: 3 × 6, once a day" in clinician.get(at + "/1").text


# -- in a browser


@dataclass
class Hand:
    """Counts what a person does: presses and choices are clicks; a field that is typed in."""

    page: object
    clicks: int = 0
    fields: list[str] = field(default_factory=list)

    def press(self, at):
        self.clicks += 1
        self.page.click(at)

    def choose(self, at, what):
        self.clicks += 2  # open the list, take one
        self.page.select_option(at, what)

    def type(self, at, words):
        self.clicks += 1  # into the field
        self.fields.append(at)
        self.page.fill(at, words)


def _link(site):
    return f"{site.origin}/enter#{site.sessions.new_link_secret('clinician')}"


def until(page, condition):
    """Waits until a condition holds in the page; the page's own policy stays in force."""
    end = time.monotonic() + 60
    while not page.evaluate(condition):
        assert time.monotonic() < end, condition
        page.wait_for_timeout(20)


def _is_wide(page) -> bool:
    return page.evaluate("document.documentElement.scrollWidth > innerWidth")


def test_a_new_patient_has_five_exercises_on_paper_in_25_clicks_and_12_fields(site):
    """From the list of patients to the print: a template made this patient's own."""
    with running_browser() as browser, page_of(browser, _link(site)) as page:
        page.add_init_script("window.print = () => { document.title = 'printed'; };")
        page.goto(f"{site.origin}/clinic/patients")
        hand = Hand(page)
        hand.type("#code", "KN-302")
        hand.press("button:has-text('Add')")
        hand.press("button:has-text('After meniscus repair')")
        page.wait_for_selector("#line-4")
        assert violations(page) == []
        hand.choose("#involved_side", "left")
        hand.type("#prescribed_by", "M.T.")
        hand.type("[name='all.limit0.at_most']", "90")
        hand.type("[name='all.limit0.source']", "surgeon, until week six")
        hand.press("#about summary")
        hand.type("#surgery_on", "2025-02-04")
        hand.type("#weight_bearing", "partial, two crutches")
        page.wait_for_selector("#beside >> text=no pain limit after an operation")
        hand.type("[name='all.pain_limit']", "3")
        hand.type("[name='e1.repetitions']", "8")
        page.wait_for_selector("#beside >> text=3 sets of 8 repetitions")
        page.wait_for_selector("#beside >> text=no more than 90")
        hand.press("#line-4 button:has-text('Remove')")
        page.wait_for_selector("#line-4", state="detached")
        hand.press("#h-add")
        hand.press("#add-seated_knee_extension")
        page.wait_for_selector("#line-4")
        assert "usual dose" in page.inner_text("#done")
        assert violations(page) == []
        hand.press("#save-paper")
        page.wait_for_url("**/paper*")
        assert violations(page) == []
        hand.press("button:has-text('Print')")
        assert page.title() == "printed"
        pages = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4")))
        assert pages == 8, "one for all, one for each exercise, two weeks of a tick list"
        assert "stop when pain goes over 3 of 10" in page.inner_text("main")
        assert hand.clicks <= 25, hand.clicks
        assert len(hand.fields) <= 12, hand.fields
        print(f"{hand.clicks} clicks, {len(hand.fields)} fields")
    record = current_prescription(site.clinic, find_patient(site.clinic, "KN-302").id).record()
    assert [line.exercise for line in record.exercises] == [
        "quad_set", "heel_slide", "straight_leg_raise", "short_arc_quad", "seated_knee_extension",
    ]  # fmt: skip
    assert record.exercises[1].repetitions == 8
    assert record.exercises[1].limits[0].source == "surgeon, until week six"
    assert {line.sides for line in record.exercises} == {("left",)}


def _tab_to(page, selector, most=200):
    for _ in range(most):
        if page.evaluate("at => document.activeElement.matches(at)", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{selector} is not reached with the Tab key")


def test_the_keyboard_alone_writes_one_and_no_state_is_wide_or_hard_to_reach(site):
    add_patient(site.clinic, "KN-303")
    with running_browser() as browser, page_of(browser, _link(site)) as page:
        at = f"{site.origin}/clinic/patients/KN-303/prescription"
        page.goto(at)
        keys = page.keyboard
        for size in ({"width": 390, "height": 800}, {"width": 640, "height": 450}, DESKTOP):
            page.set_viewport_size(size)
            assert not _is_wide(page), size
        _tab_to(page, "button[value='template:knee_osteoarthritis']")
        keys.press("Enter")
        page.wait_for_selector("#line-4")
        assert page.evaluate("document.activeElement.id") == "involved_side"
        keys.type("ri")
        page.wait_for_selector("text=the involved leg (right)", state="attached")
        _tab_to(page, "#prescribed_by")
        keys.type("M.T.")
        _tab_to(page, "[id='e1.up']")
        keys.press("Enter")
        page.wait_for_selector("text=Bridge moved up.")
        assert page.evaluate("document.activeElement.id") == "e0.down", "up is spent"
        _tab_to(page, "[id='e4.remove']")
        keys.press("Space")
        page.wait_for_selector("#line-4", state="detached")
        assert page.evaluate("document.activeElement.id") == "undo"
        keys.press("Enter")
        page.wait_for_selector("#line-4")
        page.evaluate("document.querySelectorAll('#programme details').forEach(d => d.open = true)")
        assert violations(page) == []
        for size in ({"width": 390, "height": 800}, {"width": 640, "height": 450}):
            page.set_viewport_size(size)
            assert not _is_wide(page), size
        assert violations(page) == [], "at 200 %"
        page.set_viewport_size(DESKTOP)
        _tab_to(page, "#save", 600)
        keys.press("Enter")
        page.wait_for_selector("text=Version 1, saved")
        # Enter in a field saves nothing and begins nothing: it shows the form as it is.
        page.focus("#prescribed_by")
        page.evaluate("document.getElementById('programme').dataset.old = 'yes'")
        keys.press("Enter")
        until(page, "!document.getElementById('programme').dataset.old")
        assert page.locator("fieldset.line").count() == 5
        page.click("#as-text summary")
        assert "step_up" in page.input_value("#text")
        page.fill("[name='e4.sets']", "2")
        until(page, "document.getElementById('text').value.includes('sets = 2')")
    record = current_prescription(site.clinic, find_patient(site.clinic, "KN-303").id).record()
    assert [line.exercise for line in record.exercises][:2] == ["bridge", "seated_knee_extension"]
    assert record.involved_side == "right"
