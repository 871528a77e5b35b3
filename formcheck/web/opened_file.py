"""A file that the pages are opened with: taken in, and the page that shows what it brought."""

from dataclasses import dataclass
from pathlib import Path

from formcheck.clinic import Clinic
from formcheck.clinic.exchange import import_package
from formcheck.clinic.exchange_package import ForeignFile
from formcheck.clinic.patients import find_patient
from formcheck.clinic.this_computer import begin_as_patients, is_unused, patient_here
from formcheck.model.errors import FileError, FormcheckError, UsageError
from formcheck.web.clinician import files as clinic_files
from formcheck.web.patient import files as patient_files
from formcheck.words.languages import gettext, use


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenIn:
    """What a file brought: the path of the page that shows it, and a line for a terminal."""

    page: str
    words: str


def check_options(clinic: Clinic, *, patient: str | None, is_clinician: bool) -> None:
    """Raises UsageError where a file cannot be taken in for these pages."""
    if is_clinician and (is_unused(clinic) or patient_here(clinic)):
        raise UsageError("--clinician: a patient's file is opened without it")
    if patient is not None and find_patient(clinic, patient) is None:
        raise UsageError(f"there is no patient {patient}; take the file in without --patient")


def take_in(clinic: Clinic, source: Path) -> TakenIn:
    """Takes a file in as its reader's pages would.

    On an unused computer a plan makes it its patient's; on a patient's, only that patient's own
    plan is taken. Raises FileError, OutputError for a disk that takes no more; nothing is changed
    then.
    """
    if is_unused(clinic):
        try:
            patient = begin_as_patients(clinic, source)
        except FileError as error:
            raise _told(error, source) from error
        return TakenIn(page="/my?said=imported", words=f"{patient.code}: plan taken in")
    own = patient_here(clinic)
    if own is None:
        received = import_package(clinic, source)
        return TakenIn(page=clinic_files.page_after(received), words=received.words())
    with use(own.language):
        try:
            received = patient_files.import_own(clinic, own, source)
        except FileError as error:
            raise _told(error, source) from error
    return TakenIn(page=patient_files.page_after(received), words=received.words())


def _told(error: FileError, source: Path) -> FileError:
    return FileError(f"{source}: {words_of(error, source.name)}")


def words_of(error: FormcheckError, name: str) -> str:
    """What is wrong with a file that should be the clinic's, as a sentence for a patient.

    name : the file's, which the error may begin with.
    """
    text = str(error).removeprefix(f"{name}: ")
    why = error.why if isinstance(error, ForeignFile) else ""
    if "of kind '%(kind)s'" in why or "not in this clinic" in why:
        return gettext("This file holds a recorded set; here the file with your plan is needed.")
    if "is no exchange file" in why:
        return gettext(
            "This file is not the one from your clinic, or is damaged; ask for it again."
        )
    if isinstance(error, FileError):
        return gettext("This file %(fault)s", fault=f"{text}.")
    return text[:1].upper() + text[1:] + "."
