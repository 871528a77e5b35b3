"""A report written and read is the same report, and every renderer says the same of both."""

import dataclasses
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest
from builders import build_analysis, build_clip, build_report
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_codes import FINDING_VALUES, REFUSAL_VALUES

from formcheck.batch.clips import BatchClip
from formcheck.batch.index_page import index_html
from formcheck.batch.tables import ClipResult, clip_row
from formcheck.batch.tables import repetition_rows as summary_rows
from formcheck.cli.words import set_lines
from formcheck.files.exercises import load_exercise
from formcheck.files.report_1_0 import PLAIN_FINDINGS, REASON_FORMS, REASONS, TOLD_FINDINGS
from formcheck.files.report_file import (
    read_report,
    report_from_mapping,
    report_json,
    report_mapping,
    write_report,
)
from formcheck.files.report_rounding import as_written
from formcheck.files.schema_version import NewerMinorWarning
from formcheck.model.codes import FindingCode, RefusalCode
from formcheck.model.errors import FileError
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.model.records import (
    AssessedRepetition,
    AssessedSet,
    Check,
    ExerciseWords,
    Finding,
    Measured,
    NotMeasurable,
    Outcome,
    Part,
    PoseSource,
    Remark,
    Repetition,
    Report,
    SetFacts,
    SetMeasure,
    Symmetry,
    Tally,
    View,
    outcome_of_code,
)
from formcheck.model.stated import Context, Pain
from formcheck.report.corrections import corrected, counts, set_means
from formcheck.report.files import csv_rows
from formcheck.report.page import render_html
from formcheck.words.first_line import set_sentence, why_not_measured
from formcheck.words.patient_result import patient_result
from formcheck.words.readers import READERS
from formcheck.words.set_words import check_sentence

FROZEN = Path(__file__).parent / "frozen" / "report-1.0.json"
TRACE = build_analysis().trace
KEYS = st.sampled_from(sorted(MEASURES))
SIDE = st.sampled_from(("left", "right"))
SIDES = st.sampled_from(("left", "right", "both"))
KIND = st.sampled_from(("target", "limit"))
TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=12)
NAME = TEXT.map(lambda t: f"n{t}")
COUNT = st.integers(0, 99)
ANY = st.floats(-1e6, 1e6) | st.sampled_from((math.nan, math.inf, -math.inf, -0.0, 1e-9))
FINITE = st.floats(-1e6, 1e6)
SECONDS = st.floats(0, 1e4)


def a_map(of, values, most=4):
    return st.dictionaries(of, values, max_size=most)


@st.composite
def coded(draw, codes, values):
    code = draw(st.sampled_from(get_args(codes)))
    return code, tuple(draw(st.sampled_from(values.get(code, [{}]))).items())


PARTS = st.lists(
    st.builds(Part, name=NAME, standard=ANY, kind=st.sampled_from(("shared", "own")), source=TEXT),
    max_size=3,
).map(tuple)


@st.composite
def values(draw, key):
    if draw(st.booleans()):
        code, named = draw(coded(RefusalCode, REFUSAL_VALUES))
        return NotMeasurable(key=key, code=code, values=named)
    return Measured(
        key=key,
        value=draw(ANY),
        low=draw(ANY),
        high=draw(ANY),
        parts=draw(PARTS),
        at_s=draw(st.none() | SECONDS),
    )


@st.composite
def bounds(draw):
    least, most = draw(
        st.tuples(FINITE, st.none()) | st.tuples(st.none(), FINITE) | st.tuples(FINITE, FINITE)
    )
    return Bound(
        measure=draw(KEYS),
        at_least=least,
        at_most=most,
        tolerance=draw(st.floats(0, 50)),
        source=draw(TEXT),
    )


OUTCOMES = {
    "target": ("reached", "not_reached", "borderline", "not_visible", "not_judged"),
    "limit": ("kept", "passed", "possibly_passed", "not_visible", "not_judged"),
}


@st.composite
def checks(draw):
    kind = draw(KIND)
    return Check(kind=kind, bound=draw(bounds()), outcome=draw(st.sampled_from(OUTCOMES[kind])))


CHECKS = st.lists(checks(), max_size=3).map(tuple)


@st.composite
def measured_repetitions(draw, codes):
    keys = draw(st.lists(KEYS, unique=True, max_size=4))
    return AssessedRepetition(
        repetition=draw(
            st.builds(
                Repetition,
                number=st.integers(1, 99),
                part=st.none() | NAME,
                side=SIDES,
                start_s=SECONDS,
                turn_s=SECONDS,
                end_s=SECONDS,
                turn_from_s=SECONDS,
                turn_to_s=SECONDS,
                is_complete=st.booleans(),
            )
        ),
        measures=tuple(draw(values(key)) for key in keys),
        checks=draw(CHECKS),
        remarks=tuple(
            Remark(code=c, at_s=draw(SECONDS))
            for c in draw(st.lists(codes, unique=True, max_size=2))
        )
        if codes is not None
        else (),
    )


@st.composite
def set_measures(draw, key):
    change = draw(st.none() | values(key))
    return SetMeasure(
        key=key,
        mean=draw(ANY),
        sd=draw(st.none() | ANY),
        first=draw(ANY),
        last=draw(ANY),
        change_over_set=change if isinstance(change, Measured) else None,
    )


@st.composite
def sets(draw):
    keys = draw(st.lists(KEYS, unique=True, max_size=3))
    compared = draw(st.none() | st.lists(KEYS, unique=True, max_size=2))
    return AssessedSet(
        n_repetitions=draw(COUNT),
        n_complete=draw(COUNT),
        n_met=draw(COUNT),
        dose_prescribed=draw(st.none() | COUNT),
        dose_done=draw(COUNT),
        measures=tuple(draw(set_measures(k)) for k in keys),
        symmetry=None
        if compared is None
        else tuple(
            Symmetry(
                key=k,
                kind=draw(st.sampled_from(("index", "difference"))),
                involved=draw(st.none() | SIDE),
                value=draw(values(k)),
            )
            for k in compared
        ),
        checks=draw(CHECKS),
        facts=SetFacts(
            of_side=draw(st.none() | st.tuples(COUNT, COUNT)),
            tallies=draw(
                st.lists(
                    st.builds(
                        Tally, kind=KIND, outcome=st.sampled_from(get_args(Outcome)), n=COUNT
                    ),
                    max_size=2,
                ).map(tuple)
            ),
            n_not_visible=draw(COUNT),
            longest_hold_s=draw(st.none() | ANY),
            is_judged=draw(st.booleans()),
            n_left_out=draw(COUNT),
        ),
    )


@st.composite
def findings(draw):
    code, named = draw(coded(FindingCode, FINDING_VALUES))
    return Finding(
        code=code,
        values=named,
        from_s=draw(st.none() | ANY),
        to_s=draw(st.none() | ANY),
        spoils=draw(st.sampled_from(("nothing", "stretch", "clip"))),
    )


@st.composite
def reports(draw) -> Report:
    remarks = draw(a_map(NAME, TEXT, 3))
    codes = st.sampled_from(sorted(remarks)) if remarks else None
    stated = st.none() | st.floats(0, 100)
    score = st.none() | st.integers(0, 10)
    return replace(
        build_report(),
        created_at=draw(TEXT),
        version=draw(TEXT),
        source=draw(
            st.builds(
                PoseSource,
                model=TEXT,
                sha256=TEXT,
                mode=st.sampled_from(("image", "video")),
                rate_hz=ANY.filter(lambda x: not math.isinf(x)),
                library_versions=a_map(TEXT, TEXT).map(lambda d: tuple(d.items())),
            )
        ),
        settings=tuple(
            draw(
                a_map(NAME, st.none() | st.booleans() | COUNT | ANY | TEXT | st.tuples(COUNT, TEXT))
            ).items()
        ),
        prescription_sha256=draw(st.none() | TEXT),
        clip=build_clip(
            file=draw(st.text(max_size=9)), duration_s=draw(ANY), is_mirrored=draw(st.booleans())
        ),
        exercise=draw(NAME),
        exercise_words=ExerciseWords(
            name=draw(NAME),
            kind=draw(st.sampled_from(("repetition", "hold", "sequence"))),
            camera=draw(TEXT),
            remarks=tuple(remarks.items()),
        ),
        side=draw(SIDES),
        side_was_chosen=draw(st.booleans()),
        context=Context(
            load_kg=draw(stated),
            support=draw(st.none() | TEXT),
            step_height_cm=draw(stated),
            seat_height_cm=draw(stated),
            effort=draw(score),
            pain=Pain(before=draw(score), during=draw(score), after=draw(score)),
            stature_cm=draw(st.none() | st.floats(50, 250)),
        ),
        bounds=tuple(draw(st.lists(st.tuples(KIND, bounds()), max_size=3))),
        view=draw(
            st.builds(
                View,
                plane=st.sampled_from(("sagittal", "frontal", "oblique", "unknown")),
                azimuth_deg=ANY,
                azimuth_low_deg=ANY,
                azimuth_high_deg=ANY,
                near_side=st.none() | SIDE,
                person_height_px=ANY,
                roll_deg=ANY,
                facing_x=st.sampled_from((-1, 0, 1)),
            )
        ),
        is_usable=draw(st.booleans()),
        findings=tuple(draw(st.lists(findings(), max_size=3))),
        repetitions=tuple(draw(st.lists(measured_repetitions(codes), max_size=3))),
        whole=draw(sets()),
    )


def same(a, b) -> bool:
    """Whether two records are equal, a missing number being equal to a missing number."""
    if dataclasses.is_dataclass(a):
        return type(a) is type(b) and all(
            same(getattr(a, f.name), getattr(b, f.name)) for f in dataclasses.fields(a)
        )
    if isinstance(a, tuple | list):
        return type(a) is type(b) and len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, dict):
        return list(a) == list(b) and all(same(a[k], b[k]) for k in a)
    if isinstance(a, float) and isinstance(b, float) and math.isnan(a):
        return math.isnan(b)
    return a == b


def read_back(report: Report) -> Report:
    return report_from_mapping(json.loads(report_json(report)))


MANY = settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))


@MANY
@given(reports())
def test_any_report_written_and_read_is_the_report_as_written(report):
    written = as_written(report)
    assert same(read_back(report), written)
    assert same(as_written(written), written)
    assert report_json(read_back(report)) == report_json(report)


def every_rendering(report: Report):
    """What every reader is shown of a report, as one value."""
    report = as_written(report)
    squat = load_exercise("squat")
    result = ClipResult(
        clip=BatchClip(file="a.mp4", state="wanted"), status="measured", report=report
    )
    as_it_is = corrected(report, ())
    return repr(
        (
            render_html(report, TRACE),
            csv_rows(report),
            set_lines(report),
            patient_result(report, squat),
            [set_sentence(report, reader) for reader in READERS],
            [why_not_measured(report, reader) for reader in READERS],
            [
                check_sentence(c, r, reader)
                for r in report.repetitions
                for c in r.checks
                for reader in READERS
            ],
            (clip_row(result), summary_rows(result), index_html([result])),
            (counts(as_it_is), set_means(as_it_is)),
        )
    )


@settings(MANY, max_examples=15)
@given(reports())
def test_every_renderer_says_the_same_of_a_report_from_memory_and_from_disk(report):
    assert every_rendering(report) == every_rendering(read_back(report))


def test_a_written_report_is_read_from_its_file(tmp_path):
    report = build_report()
    write_report(report, tmp_path / "report.json")
    assert same(read_report(tmp_path / "report.json"), as_written(report))


def test_another_major_version_is_refused_naming_both():
    mapping = report_mapping(build_report()) | {"schema": "formcheck.report/2.0"}
    with pytest.raises(FileError, match=r"formcheck\.report/2\.0.*formcheck\.report/1\.1"):
        report_from_mapping(mapping)


def test_a_newer_minor_version_is_read_without_what_is_unknown_with_one_warning():
    mapping = json.loads(report_json(build_report()))
    same_mapping = json.dumps(mapping)
    mapping |= {"schema": "formcheck.report/1.7", "extra": 1}
    first = mapping["repetitions"][0]
    first["measures"]["elbow_deg"] = {"value": 1.0, "low": 0.0, "high": 2.0}
    first["checks"].append({**first["checks"][0], "measure": "elbow_deg"})
    first["measures"]["knee_over_toe_share"]["not_measurable"] = "eclipsed"
    mapping["quality"]["findings"].append({**mapping["quality"]["findings"][0], "code": "eclipse"})
    with pytest.warns(NewerMinorWarning) as caught:
        found = report_from_mapping(mapping)
    assert len(caught) == 1
    known = report_from_mapping(json.loads(same_mapping))
    assert found.findings == known.findings
    assert found.repetitions[0].checks == known.repetitions[0].checks
    assert [m.key for m in found.repetitions[0].measures] == [
        m.key for m in known.repetitions[0].measures
    ]
    refused = next(m for m in found.repetitions[0].measures if m.key == "knee_over_toe_share")
    assert refused.code == "no_value"


def test_every_missing_key_is_listed_at_once():
    mapping = json.loads(report_json(build_report()))
    del mapping["exercise"], mapping["clip"]["sha256"], mapping["repetitions"][1]["turn_s"]
    with pytest.raises(FileError) as caught:
        report_from_mapping(mapping)
    assert len(caught.value.faults) == 3
    for place in ("exercise", "clip.sha256", "repetitions[1].turn_s"):
        assert any(place in fault for fault in caught.value.faults)


def spoil(mapping, *way, value):
    for step in way[:-1]:
        mapping = mapping[step]
    mapping[way[-1]] = value


@pytest.mark.parametrize(
    ("way", "value", "words"),
    [
        (("quality", "findings", 0, "code"), "eclipse", "quality.findings[0].code"),
        (("repetitions", 0, "checks", 0, "outcome"), "fine", "repetitions[0].checks[0].outcome"),
        (("repetitions", 0, "checks", 0, "measure"), "elbow", "'elbow' is no measure"),
        (("repetitions", 0, "checks", 0, "at_least"), None, "neither at_least nor at_most"),
        (("repetitions", 0, "number"), "one", "repetitions[0].number"),
        (("repetitions", 1, "findings", 0, "code"), "odd", "'odd' has no words"),
        (("set", "measures", "elbow"), {"mean": 1.0}, "set.measures.elbow"),
        (("provenance", "interval_parts"), [], "there is no part 0"),
        (("side",), "middle", "side"),
        (("quality", "findings", 0, "code"), "edited", "quality.findings[0].values"),
        (
            ("repetitions", 0, "measures", "lowering_s"),
            {"not_measurable": "leg_turned_away", "values": {}},
            "repetitions[0].measures.lowering_s.values",
        ),
        (("context", "effort"), 40, "context: effort 40"),
    ],
)
def test_what_is_amiss_in_a_file_is_refused_with_its_place(way, value, words):
    mapping = json.loads(report_json(build_report()))
    spoil(mapping, *way, value=value)
    with pytest.raises(FileError) as caught:
        report_from_mapping(mapping)
    assert any(words in fault for fault in caught.value.faults), caught.value.faults


@pytest.mark.parametrize(
    "text", ["", "not json", "[]", "null", '{"schema": 3}', "\ufffd", '{"a": NaN}', "[" * 99999]
)
def test_a_file_that_is_no_report_is_refused(tmp_path, text):
    (tmp_path / "report.json").write_text(text, encoding="utf-8")
    with pytest.raises(FileError):
        read_report(tmp_path / "report.json")


def test_a_report_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        read_report(tmp_path / "report.json")


# version 1.0


def old_mapping():
    return json.loads(FROZEN.read_text(encoding="utf-8"))


def test_a_report_of_1_0_is_read_with_its_values_and_outcomes():
    old, report = old_mapping(), read_report(FROZEN)
    assert old["schema"] == "formcheck.report/1.0"
    assert len(report.repetitions) == len(old["repetitions"]) > 1
    n_checks = 0
    for told, found in zip(old["repetitions"], report.repetitions, strict=True):
        assert (found.repetition.start_s, found.repetition.end_s) == (
            told["start_s"],
            told["end_s"],
        )
        for value in found.measures:
            was = told["measures"][value.key]
            if isinstance(value, Measured):
                assert was == {"value": value.value, "low": value.low, "high": value.high}
            else:
                assert value.code != "as_written"
                assert set(was) == {"not_measurable"}
        assert [c.outcome for c in found.checks] == [
            outcome_of_code(c["kind"], c["outcome"]) for c in told["checks"]
        ]
        n_checks += len(found.checks)
    assert n_checks > 20
    assert {c.outcome for r in report.repetitions for c in r.checks} >= {"reached", "passed"}
    assert report.whole.n_met == old["set"]["n_met"]


def test_a_report_of_1_0_is_told_in_the_words_of_today():
    old, report = old_mapping(), read_report(FROZEN)
    line = set_sentence(report, "terminal")
    assert line.startswith("Squat: 5 repetitions; ")
    assert "largest FPPA 27 deg (±7), target at least -17.8: reached in 5" in line.replace("−", "-")
    assert "not measured from this camera: largest knee flexion, trunk inclination" in line
    for told, found in zip(old["repetitions"], report.repetitions, strict=True):
        for check, was in zip(found.checks, told["checks"], strict=True):
            words = check_sentence(check, found, "terminal")
            # Figures are told from the reported ones, which may round the other way.
            assert words.split(",")[-1] == was["text"].split(",")[-1]
        assert [report.exercise_words.remark(m.code) for m in found.remarks] == [
            m["text"] for m in told["findings"]
        ]


def test_a_report_of_1_0_is_rendered_everywhere_and_written_as_today():
    report = read_report(FROZEN)
    assert every_rendering(report)
    assert same(read_back(report), report)


def test_words_of_1_0_that_are_no_longer_known_are_kept():
    old = old_mapping()
    old["quality"]["findings"] = [
        {"code": "rotated", "text": "Turned by a bit.", "from_s": None, "to_s": None},
        {"code": "eclipse", "text": "The sun went out.", "from_s": 1.0, "to_s": 2.0},
    ]
    first = next(iter(old["repetitions"][0]["measures"]))
    old["repetitions"][0]["measures"][first] = {"not_measurable": "the moon was in the way"}
    report = report_from_mapping(old)
    assert [f.code for f in report.findings] == ["as_written", "as_written"]
    assert [f.name for f in report.findings] == ["rotated", "eclipse"]
    page = render_html(report, TRACE)
    for words in ("Turned by a bit.", "The sun went out.", "The moon was in the way"):
        assert words in page


def test_every_finding_of_1_0_is_known_by_its_words():
    from formcheck.words.finding_words import finding_words

    said = ExerciseWords(name="Squat", kind="repetition", camera="Camera at the side.")
    old = old_mapping()
    for code in sorted({*PLAIN_FINDINGS, *TOLD_FINDINGS}):
        for named in FINDING_VALUES.get(code, [{}]):
            later = ("picking_up", "getting_into_place", "turning_round")
            is_later = named.get("looks_like") in later
            if is_later or named.get("is_followed_by_movement"):
                continue  # version 1.0 did not tell these
            finding = Finding(code=code, values=tuple(named.items()))
            text = finding_words(finding, said, "terminal")
            old["quality"]["findings"] = [
                {"code": code, "text": text, "from_s": None, "to_s": None}
            ]
            (found,) = report_from_mapping(old).findings
            told = finding_words(found, said, "terminal")
            assert (found.code, told) == (code, text)


def test_a_jump_in_the_words_of_1_0_is_known():
    old = old_mapping()
    text = (
        "The picture jumps 2 times, as in edited footage or a title. Only the longest stretch "
        "without a jump, 1.0 to 9.0 s, is measured. Send the recording as it was made."
    )
    old["quality"]["findings"] = [{"code": "edited", "text": text, "from_s": 1.0, "to_s": 9.0}]
    (found,) = report_from_mapping(old).findings
    assert found.code == "edited"
    assert dict(found.values) == {"n_jumps": 2, "longest_from_s": 1.0, "longest_to_s": 9.0}


def test_every_reason_of_1_0_is_known_by_its_words():
    from formcheck.words.refusal_words import refusal_words

    old = old_mapping()
    of_1_0 = {*REASONS.values(), *(code for code, *_ in REASON_FORMS)}
    for code in sorted(of_1_0):
        for named in REFUSAL_VALUES.get(code, [{}]):
            value = NotMeasurable(key="rest_s", code=code, values=tuple(named.items()))
            old["repetitions"][0]["measures"]["rest_s"] = {
                "not_measurable": refusal_words(value, "terminal")
            }
            found = next(
                m for m in report_from_mapping(old).repetitions[0].measures if m.key == "rest_s"
            )
            assert found == value


def test_a_damaged_report_of_1_0_is_refused_with_every_missing_key():
    old = old_mapping()
    del old["view"]["plane"], old["repetitions"][0]["checks"]
    with pytest.raises(FileError) as caught:
        report_from_mapping(old)
    assert len(caught.value.faults) == 2
    old = old_mapping()
    old["repetitions"][0]["checks"][0]["bound"] = "a lot"
    with pytest.raises(FileError, match="a lot"):
        report_from_mapping(old)
