"""A file that the pages are opened with: taken in, and the page that shows what it brought."""

from pathlib import Path

from formcheck.clinic import Clinic
from formcheck.clinic.exchange import import_package
from formcheck.clinic.this_computer import begin_as_patients, is_unused, patient_here
from formcheck.web.clinician import files as clinic_files
from formcheck.web.patient import files as patient_files


def take_in(clinic: Clinic, source: Path) -> str:
    """Takes a file in as its reader's pages would, and gives the path of the page to open.

    On an unused computer a plan makes it its patient's; on a patient's, only that patient's own
    plan is taken. Raises FileError; nothing is changed then.
    """
    if is_unused(clinic):
        begin_as_patients(clinic, source)
        return "/my?said=imported"
    patient = patient_here(clinic)
    if patient is not None:
        return patient_files.page_after(patient_files.import_own(clinic, patient, source))
    return clinic_files.page_after(import_package(clinic, source))
