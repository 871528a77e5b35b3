import contextlib
import copy
import json

import pytest
from clinic_cases import day_before, measured_set, new_patient, new_set
from hypothesis import given
from hypothesis import strategies as st

from formcheck.clinic import answers, fhir, jobs
from formcheck.clinic.database import change
from formcheck.clinic.reviews import open_again, review_sets
from formcheck.clinic.tables import sets_csv
from formcheck.model.errors import FileError, UsageError
from formcheck.model.measures import MEASURES


def r4b_of(bundle: dict):
    """The bundle as the published R4B model reads it. Raises pydantic's ValidationError."""
    from fhir.resources.R4B.bundle import Bundle

    return Bundle.model_validate_json(json.dumps(bundle))


@pytest.fixture
def patient(clinic):
    return new_patient(clinic)


def _observations(clinic) -> list[dict]:
    return [e["resource"] for e in json.loads(fhir.bundle_json(clinic, "KN-204"))["entry"]]


def test_a_bundle_of_sets_and_answers_validates(clinic, patient, results):
    stored = measured_set(clinic, patient, results)
    answers.add_answer(clinic, patient.id, "before", set_id=stored.id, pain=2)
    answers.add_answer(
        clinic, patient.id, "after", set_id=stored.id, pain=1, pain_during=3, effort=6
    )
    answers.add_answer(clinic, patient.id, "before", symptoms=("giving_way", "chest_pain"))
    bundle = json.loads(fhir.bundle_json(clinic, "KN-204"))
    assert len(r4b_of(bundle).entry) == 6


def test_status_is_preliminary_then_final_then_amended(clinic, patient, results):
    stored = measured_set(clinic, patient, results)
    answers.add_answer(clinic, patient.id, "after", set_id=stored.id, pain=1)

    def statuses():
        return {o["status"] for o in _observations(clinic)}

    assert statuses() == {"preliminary"}
    review_sets(clinic, [stored.uid], "M.T.")
    assert statuses() == {"final"}
    open_again(clinic, stored.uid, "M.T.", "wrong leg")
    assert statuses() == {"preliminary"}
    review_sets(clinic, [stored.uid], "M.T.")
    assert statuses() == {"amended"}


def test_measures_carry_ucum_units_and_their_interval(clinic, patient, results):
    measured_set(clinic, patient, results)
    (observation,) = _observations(clinic)
    by_code = {c["code"]["coding"][0]["code"]: c for c in observation["component"]}
    value = by_code["knee_flexion_peak_deg"]["valueQuantity"]
    assert (value["system"], value["code"]) == ("http://unitsofmeasure.org", "deg")
    between = by_code["knee_flexion_peak_deg.interval"]["valueRange"]
    assert between["low"]["value"] < value["value"] < between["high"]["value"]
    assert by_code["lowering_s"]["valueQuantity"]["code"] == "s"
    assert by_code["n_repetitions_done"]["valueQuantity"]["code"] == "{reps}"
    assert observation["category"][0]["coding"][0]["code"] == "activity"
    assert observation["subject"] == {"identifier": {"value": "KN-204"}}


def test_every_unit_of_a_measure_has_its_ucum_code():
    assert {m.unit for m in MEASURES.values()} <= set(fhir.UNITS)


def test_only_pain_carries_a_published_code(clinic, patient, results):
    stored = measured_set(clinic, patient, results)
    answers.add_answer(clinic, patient.id, "after", set_id=stored.id, pain=1, effort=3)
    text = fhir.bundle_json(clinic, "KN-204")
    assert text.count("http://loinc.org") == 1
    assert "72514-3" in text
    assert "snomed" not in text.lower()


def test_what_was_not_measured_is_absent_with_its_reason(clinic, patient, results):
    measured_set(clinic, patient, results)
    (observation,) = _observations(clinic)
    absent = [c for c in observation["component"] if "dataAbsentReason" in c]
    assert all(c["dataAbsentReason"]["text"] and "valueQuantity" not in c for c in absent)
    new_set(clinic, patient, day=day_before(1))
    jobs.end_not_measured(clinic, jobs.claim(clinic, "w"), "w", "too dark")
    assert len(_observations(clinic)) == 1, "nothing was observed in a clip that was not measured"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda o: o.update(status="great"), "status"),
        (lambda o: o.update(status="cancelled"), "status"),
        (lambda o: o.pop("code"), "code"),
        (lambda o: o.update(score="A+"), "score"),
        (lambda o: o["component"][0]["valueQuantity"].update(code="degrees"), "valueQuantity.code"),
        (lambda o: o["component"][0]["valueQuantity"].update(value="6"), "valueQuantity.value"),
        (lambda o: o.update(id="set of " + "x" * 70), "resource.id"),
        (lambda o: o["method"].update(text=""), "method.text"),
    ],
)
def test_a_bundle_that_is_not_valid_is_refused(clinic, patient, results, change, words):
    measured_set(clinic, patient, results)
    bundle = copy.deepcopy(fhir.patient_bundle(clinic, "KN-204"))
    fhir.check_bundle(bundle)
    change(bundle["entry"][0]["resource"])
    with pytest.raises(FileError, match=words):
        fhir.check_bundle(bundle)


def one_observation(text, words, id_, status, value, code, day) -> dict:
    """A bundle of one Observation with these values in it."""
    quantity = {"value": value, "unit": words, "system": fhir.UCUM, "code": code}
    observation = {
        "resourceType": "Observation",
        "id": id_,
        "status": status,
        "code": {"text": text},
        "subject": {"identifier": {"value": words}},
        "effectiveDateTime": day,
        "issued": "2026-03-04T05:06:07+00:00",
        "method": {"text": text},
        "component": [{"code": {"text": words}, "valueQuantity": quantity}],
    }
    return {
        "resourceType": "Bundle",
        "id": "b-1",
        "type": "collection",
        "timestamp": "2026-03-04T05:06:07+00:00",
        "entry": [{"fullUrl": "urn:uuid:1", "resource": observation}],
    }


_WORDS = st.text(
    st.characters(exclude_categories=("Cc", "Cf", "Cs", "Cn", "Zs", "Zl", "Zp")),
    min_size=1,
    max_size=30,
)
_GOOD = {
    "text": _WORDS,
    "words": _WORDS,
    "id_": st.from_regex(r"[A-Za-z0-9.-]{1,64}", fullmatch=True),
    "status": st.sampled_from(fhir.STATUSES),
    "value": st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**9), 10**9),
    "code": st.sampled_from(("deg", "s", "{reps}")),
    "day": st.dates().map(str),
}
_ANY = {
    "text": st.text(max_size=30),
    "words": st.text(max_size=30),
    "id_": st.text(max_size=70),
    "status": st.text() | st.just("cancelled"),
    "value": st.floats() | st.integers() | st.text() | st.none(),
    "code": st.text() | st.just("deg "),
    "day": st.text() | st.just("2026-02-30"),
}


@given(**_GOOD)
def test_what_we_write_is_let_through_and_the_published_model_takes_it(**values):
    bundle = one_observation(**values)
    fhir.check_bundle(bundle)
    r4b_of(bundle)


@given(values=st.fixed_dictionaries(_GOOD), name=st.sampled_from(sorted(_ANY)), data=st.data())
def test_whatever_our_own_check_lets_through_the_published_model_takes(values, name, data):
    bundle = one_observation(**(values | {name: data.draw(_ANY[name])}))
    with contextlib.suppress(FileError):
        fhir.check_bundle(bundle)
        r4b_of(bundle)


def test_the_same_set_keeps_its_id_from_export_to_export(clinic, patient, results):
    measured_set(clinic, patient, results)
    assert [o["id"] for o in _observations(clinic)] == [o["id"] for o in _observations(clinic)]
    with pytest.raises(UsageError):
        fhir.patient_bundle(clinic, "KN-999")


def test_the_table_of_sets_has_a_row_a_set_and_no_formula(clinic, patient, results):
    import csv
    import io

    stored = measured_set(clinic, patient, results)
    review_sets(clinic, [stored.uid], "M.T.")
    new_set(clinic, patient)
    jobs.end_not_measured(clinic, jobs.claim(clinic, "w"), "w", "=1+1 cannot be read")
    rows = list(csv.DictReader(io.StringIO(sets_csv(clinic, patient.id))))
    assert [r["state"] for r in rows] == ["reviewed", "not measured"]
    ends = [float(rows[0][f"knee_flexion_peak_deg{end}"]) for end in ("_low", "", "_high")]
    assert ends == sorted(ends)
    assert ends[0] < ends[2]
    assert rows[1]["knee_flexion_peak_deg"] == ""
    assert rows[1]["reason"] == "'=1+1 cannot be read"
    # A set that counts as not measured gives no numbers, whatever was read of it.
    with clinic.write() as c:
        change(c, "UPDATE sets SET state = 'not measured' WHERE id = :s", s=stored.id)
    [row, _] = csv.DictReader(io.StringIO(sets_csv(clinic, patient.id)))
    assert (row["state"], row["repetitions"]) == ("not measured", "")
    assert not [k for k in row if k in MEASURES]


def test_two_answers_of_one_second_are_two_entries_and_a_repeat_is_one(clinic, patient, results):
    # Before: two entries with one fullUrl, which R4B forbids (invariant bdl-7).
    stored = measured_set(clinic, patient, results)
    for pain in (1, 1, 4):
        answers.add_answer(
            clinic, patient.id, "after", set_id=stored.id, pain=pain, at="2025-03-03T10:00:00+00:00"
        )
    bundle = fhir.patient_bundle(clinic, "KN-204")
    urls = [e["fullUrl"] for e in bundle["entry"]]
    assert len(set(urls)) == len(urls) == 3  # the set, and pain of 1 and of 4
    fhir.check_bundle(bundle)
    bundle["entry"].append(bundle["entry"][0])
    with pytest.raises(FileError, match="fullUrl"):
        fhir.check_bundle(bundle)
