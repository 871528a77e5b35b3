"""The questions to patients: the shipped file, and what a clinic's own file may and may not do."""

import pytest

from formcheck.clinic.answers import standing_of
from formcheck.clinic.database import change
from formcheck.clinic.settings import questions_for
from formcheck.files.prescriptions import check_file
from formcheck.files.question_rules import shipped_questions_text
from formcheck.files.schema import parse_kept_questions, parse_questions
from formcheck.model.errors import FileError

SHIPPED = shipped_questions_text()
RED_FLAGS = {
    "no_weight": "urgent",
    "lost_motion": "call",
    "hot_knee": "urgent",
    "cold_foot": "urgent",
    "calf": "call",
    "sudden_calf": "urgent",
    "chest_pain": "urgent",
    "breathless": "urgent",
    "fainted": "urgent",
    "night_pain": "call",
}


def test_every_red_flag_is_asked_on_the_day_with_its_answer_and_its_source():
    questions = parse_questions(SHIPPED, "questions")
    of_day = {name for g in questions.asked("day") for name in g.questions}
    for name, answer in RED_FLAGS.items():
        assert name in of_day
        assert questions.by_id[name].answer == answer
    assert all(q.source for q in questions.questions)
    assert {"giving_way", "locking"} <= set(questions.asked("set")[0].questions)


def test_few_questions_stand_on_one_page():
    questions = parse_questions(SHIPPED, "questions")
    assert max(len(g.questions) for g in questions.groups) <= 6


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"calf"]', '"clf"]', 'groups[1].questions[4]: there is no question "clf"'),
        ('"calf"]', '"calf", "hot_knee"]', 'asks "hot_knee" twice'),
        ('id = "fall"', 'id = "Fall!"', 'questions[12].id: "Fall!" is no id'),
        ('id = "fall"', 'id = "calf"', '"calf" is there already, in questions[9]'),
        ('words = "a fall"', 'words = ""', "questions[12].words: is empty"),
        ('asked = "set"', 'asked = "week"', 'groups[3].asked: "week" is not allowed'),
        ('answer = "urgent"', 'answer = "call"', '"chest_pain" asks for urgent help'),
        ('answer = "urgent"', 'anwser = "urgent"', 'did you mean "answer"?'),
        ('"locking", "fall", "fever_or_wound"', '"fall", "fever_or_wound"', None),
        (
            '"locking", "fall", "chest_pain"',
            '"fall", "chest_pain"',
            '"locking" is in no group with asked = "set"',
        ),
        ('source = "common practice: heart or circulation"', "", "questions[2].source: is missing"),
    ],
)
def test_a_faulty_file_of_questions_is_told_with_its_line_and_the_mend(tmp_path, old, new, told):
    assert old in SHIPPED
    path = tmp_path / "questions.toml"
    path.write_text(SHIPPED.replace(old, new, 1), encoding="utf-8")
    found = check_file(path)
    assert found.kind == "questions"
    told = told or '"locking" is in no group with asked = "day"'
    line = [f for f in found.faults if told in f]
    assert line, found.faults
    assert line[0].startswith(f"{path}:")
    assert int(line[0].removeprefix(f"{path}:").split(":")[0]) >= 1


def test_a_warning_sign_may_be_reworded_and_raised_but_not_left_out():
    own = SHIPPED.replace(
        'words = "the knee locking or getting stuck"', 'words = "your knee gets stuck"'
    )
    raised = own.replace('answer = "call"', 'answer = "urgent"')
    assert parse_questions(raised, "q").by_id["locking"].words == "your knee gets stuck"
    start = SHIPPED.index('[[questions]]\nid = "calf"')
    end = SHIPPED.index("[[questions]]", start + 5)
    without = (SHIPPED[:start] + SHIPPED[end:]).replace(', "calf"]', "]")
    with pytest.raises(FileError, match='"calf"') as caught:
        parse_questions(without, "q")
    assert "not left out" in str(caught.value)


OLDER = SHIPPED.replace(
    '"locking", "fall", "chest_pain", "breathless", "fainted"]', '"locking", "chest_pain"]'
)
"""A shipped file of a version that asked less after a set."""


def test_a_file_that_was_kept_before_a_sign_was_added_is_read_and_asks_it(clinic):
    assert OLDER != SHIPPED
    own = OLDER.replace('words = "a fall"', 'words = "that you fell"')
    with pytest.raises(FileError, match="in no group with asked"):
        parse_questions(own, "q")  # of a file that is kept now, it is told
    change_questions(clinic, own)
    found = questions_for(clinic)
    (after,) = found.asked("set")
    assert after.questions[:2] == ("giving_way", "locking")
    assert set(after.questions) == {
        name for g in parse_questions(SHIPPED, "q").asked("set") for name in g.questions
    }
    assert found.by_id["fall"].words == "that you fell"
    assert standing_of(clinic, 1).level == "start"


def test_a_kept_file_goes_on_to_ask_for_urgent_help_and_names_what_it_does_not_hold(clinic):
    lower = SHIPPED.replace('answer = "urgent"', 'answer = "visit"')
    assert parse_kept_questions(lower, "q").by_id["chest_pain"].answer == "urgent"
    start = SHIPPED.index('[[questions]]\nid = "calf"')
    end = SHIPPED.index("[[questions]]", start + 5)
    without = SHIPPED[:start] + SHIPPED[end:]
    assert parse_kept_questions(without, "q").by_id["calf"].answer == "call"
    with pytest.raises(FileError, match="no question nothing"):
        parse_kept_questions(SHIPPED.replace('"calf"]', '"calf", "nothing"]'), "q")


def change_questions(clinic, text):
    """The clinic's own questions as an earlier version kept them."""
    with clinic.write() as c:
        change(c, "DELETE FROM clinic_settings")
        change(
            c, "INSERT INTO clinic_settings (questions, saved_at) VALUES (:t, '2026-01-01')", t=text
        )


def test_a_clinic_adds_a_question_of_its_own():
    more = SHIPPED.replace('"night_pain", "stiffer"', '"night_pain", "hand"')
    more = more.replace('id = "stiffer"', 'id = "hand"')
    with pytest.raises(FileError, match="stiffer"):
        parse_questions(more, "q")
    added = SHIPPED + (
        '\n[[questions]]\nid = "hand"\nwords = "a hand that hurts"\nanswer = "visit"\n'
        'source = "ours"\n'
    )
    added = added.replace('"locking", "fall"', '"locking", "fall", "hand"').replace(
        ', "stiffer"]', "]"
    )
    added += '\n[[groups]]\nid = "more"\nlegend = "More"\nasked = "day"\nquestions = ["stiffer"]\n'
    assert parse_questions(added, "q").by_id["hand"].answer == "visit"
