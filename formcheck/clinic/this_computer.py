"""Whose computer this is: the clinic's, or one patient's own at home."""

from pathlib import Path

from formcheck.clinic.database import Clinic, change, now, one
from formcheck.clinic.exchange import import_package
from formcheck.clinic.patients import Patient, find_patient, patient_by_id
from formcheck.model.errors import UsageError


def is_unused(clinic: Clinic) -> bool:
    """Whether nobody has used this data folder yet: it holds no patient, no settings of a clinic
    and no record of a deletion."""
    with clinic.read() as c:
        return not any(
            one(c, f"SELECT 1 FROM {table} LIMIT 1")
            for table in ("patients", "clinic_settings", "deletions")
        )


def patient_here(clinic: Clinic) -> Patient | None:
    """The patient whose own computer this is; None on a clinic's."""
    with clinic.read() as c:
        row = one(c, "SELECT patient_id FROM this_computer")
    return patient_by_id(clinic, row["patient_id"]) if row else None


def begin_as_patients(clinic: Clinic, source: Path) -> Patient:
    """Takes the clinic's file in on an unused computer, which is its patient's from then on.

    Raises FileError when it is no file with a plan, UsageError when the folder is in use already;
    nothing is kept then.
    """
    with clinic.one_change():
        if not is_unused(clinic):
            raise UsageError("this computer is set up already; close this page and open formcheck")
        received = import_package(clinic, source, expects="plan")
        patient = find_patient(clinic, received.patient)
        assert patient is not None
        with clinic.write() as c:
            change(
                c,
                "INSERT INTO this_computer (id, patient_id, since) VALUES (1, :p, :at)",
                p=patient.id,
                at=now(),
            )
    return patient
