"""A morning's work for tests: eight patients with 40 sets, three answers, every kind of entry."""

from pathlib import Path

from clinic_cases import clinic_results, day_before, measured_set, new_patient, new_set

from formcheck.clinic import Clinic, answers, jobs
from formcheck.clinic.database import change
from formcheck.clinic.patients import current_prescription
from formcheck.clinic.pictures import PICTURE_NAME
from formcheck.clinic.settings import checked_contact, keep_contact
from formcheck.model.safety import PainRule

PASSED = {"target": "reached", "limit": "passed"}
PERHAPS = {"target": "reached", "limit": "possibly_passed"}
SHORT = {"target": "not_reached", "limit": "kept"}
OPEN = {"target": "borderline", "limit": "kept"}
FINE = {"target": "reached", "limit": "kept"}
FAILED: dict[str, str] = {}

MORNING: dict[str, tuple[dict[str, str], ...]] = {
    "KN-101": (FINE, FINE, FINE, FINE, FINE),
    "KN-102": (SHORT, FINE, FINE, FINE, FINE),
    "KN-103": (PASSED, FINE, SHORT, FINE, FINE),
    "KN-104": (FINE, FINE, FINE, FINE, FINE),
    "KN-105": (PERHAPS, SHORT, FINE, FINE, FINE),
    "KN-106": (FAILED, FINE, FINE, FINE, OPEN),
    "KN-107": (FINE, FINE, SHORT, FINE, FINE),
    "KN-108": (SHORT, OPEN, FINE, FINE, FINE),
}
"""{patient: what each of the sets came to}: 40 sets, 10 of them with something to look at."""


def morning(clinic: Clinic, squat_results: Path, folder: Path, clip: Path) -> None:
    """Fills a clinic with it. KN-104 answered a symptom with yes, KN-107 had too much pain, and
    KN-102 more swelling on the next day."""
    keep_contact(clinic, checked_contact("030 1234", "8 to 17", "112"))
    results = results_with_picture(squat_results, folder, clip)
    plan = PainRule(limit=3, origin="plan")
    for code, sets in MORNING.items():
        patient = new_patient(clinic, code)
        version = current_prescription(clinic, patient.id)
        with clinic.write() as c:
            change(c, "UPDATE prescriptions SET review_on = NULL")
        for n, outcomes in enumerate(sets):
            about = {"day": day_before(4 - n), "prescription_id": version.id, "clip": clip}
            if outcomes is FAILED:
                new_set(clinic, patient, **about)
                job = jobs.claim(clinic, "w")
                jobs.end_not_measured(clinic, job, "w", "The feet are cut off; step back.")
                continue
            measured_set(
                clinic,
                patient,
                results,
                outcomes=outcomes,
                added_deg=2.0 * n,
                with_video=True,
                side=("left", "right")[n % 2],
                **about,
            )
        if code == "KN-104":
            answers.add_answer(clinic, patient.id, "today", symptoms=("giving_way",))
        if code == "KN-107":
            answers.add_answer(clinic, patient.id, "before", pain=6, rule=plan)
        if code == "KN-102":
            answers.add_answer(clinic, patient.id, "next day", swelling_change="more")


def results_with_picture(squat_results: Path, folder: Path, clip: Path) -> Path:
    """The results of a set as the clinic keeps them, its picture among them."""
    from formcheck.clinic.pictures import keep_picture
    from formcheck.run.rerun import reassess

    results = clinic_results(squat_results, folder)
    keep_picture(reassess(results), clip, results)
    assert (results / PICTURE_NAME).stat().st_size > 1000
    return results
