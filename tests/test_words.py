"""Every sentence that a patient can meet, read as a patient would."""

import re
from importlib.resources import files

import pytest
from test_messages import OTHERS

from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.files.question_rules import shipped_questions_text
from formcheck.files.schema import parse_questions
from formcheck.model.measures import MEASURES
from formcheck.model.programme import FilmedSet, PrescribedExercise, Tempo
from formcheck.model.safety import Contact
from formcheck.web.documents import pages, text_of
from formcheck.words import patient_words, wording
from formcheck.words.languages import DEFAULT, use
from formcheck.words.safety_words import (
    ACTED_WORDS,
    LEVEL_WORDS,
    UNTIL_WORDS,
    emergency_words,
    phone_words,
)

BANNED = [
    "fail",
    "failed",
    "failing",
    "failure",
    "wrong",
    "bad",
    "badly",
    "poor",
    "poorly",
    "score",
    "scores",
    "grade",
    "grades",
    "streak",
    "badge",
    "perfect",
    "perfectly",
    "ideal",
    "lazy",
    "weak",
    "weakness",
    "cheat",
    "cheating",
    "mistake",
    "mistakes",
    "fault",
    "faults",
    "error",
    "errors",
    "incorrect",
    "incorrectly",
    "cure",
    "cures",
    "heal",
    "heals",
    "guarantee",
    "guaranteed",
    "disappointing",
    "sloppy",
    "should've",
    "must've",
    "champion",
    "winner",
    "loser",
    "excellent",
    "amazing",
    "crush",
    "beast",
    "burn",
]
PHRASES = (
    "no pain no gain",
    "no pain, no gain",
    "push through",
    "well done",
    "good job",
    "work through the pain",
    "come on",
    "try harder",
    "too slow",
    "not good enough",
)
TECHNICAL = (
    "valgus",
    "varus",
    "sagittal",
    "frontal",
    "fppa",
    "obliquity",
    "deg ",
    "kinematic",
    "landmark",
    "isometric",
    "eccentric",
    "concentric",
    "abduction",
)


def exercise_sentences():
    for e in list_exercises():
        texts = [
            e.name,
            e.summary,
            e.camera,
            *e.cues,
            *patient_words.cautions(e),
            *e.cannot_tell,
            *patient_words.set_up_words(e),
            *(look.text for look in e.look_for),
        ]
        for text in texts:
            for sentence in re.split(r"(?<=[.?!])\s+", text):
                yield pytest.param(sentence, id=f"{e.id}: {sentence[:50]}")


def shared_sentences():
    texts = [*patient_words.CAUTIONS_FOR_ALL, patient_words.NOBODY_WATCHES]
    texts += [m.patient_label for m in MEASURES.values()]
    questions = parse_questions(shipped_questions_text(), "questions")
    texts += [q.words for q in questions.questions] + [g.legend for g in questions.groups]
    for words in (LEVEL_WORDS, ACTED_WORDS, UNTIL_WORDS):
        texts += filter(None, words.values())
    texts += [phone_words(Contact()), emergency_words(Contact())]
    texts += [
        wording.outcome_words(outcome, kind).words
        for kind, outcomes in (
            ("target", ("reached", "not_reached")),  # the third is a clinician's: of an error
            ("limit", ("kept", "passed", "possibly_passed")),
            ("target", ("not_visible", "not_judged")),
        )
        for outcome in outcomes
    ]
    line = PrescribedExercise(
        exercise="step_up",
        sets=3,
        repetitions=10,
        hold_s=5.0,
        rest_s=60.0,
        frequency="daily",
        load_kg=2.0,
        tempo=Tempo(lowering_s=2.0),
        effort_aim=5,
        sides=("left",),
        support_allowed="rail",
        step_height_cm=15.0,
        seat_height_cm=45.0,
        pain_limit=3,
        film=(FilmedSet(set_number=1, view="frontal"),),
    )
    texts += patient_words.dose_words(line, load_exercise("step_up"))
    texts += patient_words.filmed_words(line)
    for text in texts:
        for sentence in re.split(r"(?<=[.?!])\s+", text):
            yield pytest.param(sentence, id=sentence[:60])
    page = (files("formcheck") / "assets" / "sheet.html.j2").read_text(encoding="utf-8")
    body = re.sub(r"\{[{%].*?[%}]\}|<[^>]+>", "\n", page[page.index("<body>") :])
    for text in filter(None, map(str.strip, body.splitlines())):
        for sentence in re.split(r"(?<=[.?!])\s+", text):
            yield pytest.param(sentence, id=f"sheet: {sentence[:50]}")


def help_sentences(tag=DEFAULT):
    with use(tag):
        own = list(pages().values())
    for page in own:
        if "patient" not in page.readers:
            continue
        text = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", text_of(page.place))
        # A line, or a cell of a table, ends a sentence.
        for piece in re.split(r"\n|\|", re.sub(r"[*`#]", "", text)):
            for sentence in re.split(r"(?<=[.?!:;])\s+", piece):
                if re.search(r"\w", sentence):
                    yield pytest.param(sentence, id=f"{page.place}: {sentence[:50]}")


every = pytest.mark.parametrize(
    "sentence", [*exercise_sentences(), *shared_sentences(), *help_sentences()]
)


@every
def test_no_sentence_blames_grades_or_promises(sentence):
    words = set(re.findall(r"[a-z']+", sentence.lower()))
    assert not words & set(BANNED)
    for phrase in PHRASES:
        assert phrase not in sentence.lower()


def _is_short(sentence):
    return len(re.findall(r"[\w'-]+", sentence)) < 25


@every
def test_every_sentence_is_short_enough_to_be_read_once(sentence):
    assert _is_short(sentence)


@pytest.mark.parametrize("sentence", [s for tag in OTHERS for s in help_sentences(tag)])
def test_help_has_short_sentences_in_every_language(sentence):
    assert _is_short(sentence)


@every
def test_no_sentence_needs_a_clinician_s_dictionary(sentence):
    for word in TECHNICAL:
        assert word not in sentence.lower()


def test_the_cautions_say_when_to_stop():
    first = patient_words.CAUTIONS_FOR_ALL[0]
    assert first.startswith("Stop on ")
    for reason in ("pain", "giving way", "locking", "dizziness", "chest pain", "breathlessness"):
        assert reason in first
    assert any("breathing" in text for text in patient_words.CAUTIONS_FOR_ALL)
    assert any("surgeon" in text for text in patient_words.CAUTIONS_FOR_ALL)


@pytest.mark.parametrize("exercise", list_exercises(), ids=lambda e: e.id)
def test_every_exercise_carries_the_caution_to_stop(exercise):
    assert patient_words.cautions(exercise)[-3:] == patient_words.CAUTIONS_FOR_ALL


@pytest.mark.parametrize("exercise", list_exercises(), ids=lambda e: e.id)
def test_every_exercise_says_what_a_camera_cannot_tell(exercise):
    assert exercise.cannot_tell
    assert exercise.cues


@pytest.mark.parametrize(
    ("exercise", "words"),
    [
        ("quad_set", "kneecap"),
        ("straight_leg_raise", "back"),
        ("bridge", "hamstring"),
        ("wall_sit", "blood pressure"),
        ("squat", "meniscus"),
        ("calf_raise", "do not start"),
        ("deadlift", "taught in person"),
        ("forward_lunge", "Shorten the step"),
        ("rotational_lunge", "Never twist on a planted foot"),
        ("multidirectional_lunge", "Never twist on a planted foot"),
        ("single_leg_deadlift", "support in reach"),
        ("heel_slide", "surgeon"),
        ("hip_thrust", "wall"),
    ],
)
def test_an_exercise_s_own_caution_is_said(exercise, words):
    assert words in " ".join(load_exercise(exercise).cautions)


def test_the_spine_is_never_called_straight():
    for name in ("deadlift", "single_leg_deadlift"):
        assert any(
            "does not mean that the back was straight" in text
            for text in load_exercise(name).cannot_tell
        )


@pytest.mark.parametrize("exercise", list_exercises(), ids=lambda e: e.id)
def test_an_exercise_has_one_name_wherever_it_is_told(exercise):
    assert wording.exercise_name(exercise.id) == exercise.name


def test_a_clinician_s_own_exercise_is_told_by_its_id():
    assert wording.exercise_name("single_leg_wall_slide") == "Single-leg wall slide"
    assert wording.exercise_name("heel_dig ") == "Heel dig"
    assert wording.exercise_name("_") == "Exercise"


def test_a_view_is_told_with_how_far_the_camera_stood_off_it():
    assert wording.view_words("sagittal", -62.0) == "sagittal, 28° off"
    assert wording.view_words("frontal", 175.0) == "frontal, 5° off"
    assert wording.view_words("oblique", 45.0) == "oblique, 45° off the side"
    assert wording.view_words("unknown", None) == "unknown"
