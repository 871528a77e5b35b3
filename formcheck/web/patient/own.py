"""Whose pages these are: the patient is always the session's own, never one of an address."""

from formcheck.clinic.patients import Patient, patient_by_id
from formcheck.clinic.sets import StoredSet, find_set
from formcheck.web.pages import PageError, session_of, site_of
from formcheck.words.languages import gettext


def own_patient(request) -> Patient:
    """The patient of the session. Raises PageError when deleted meanwhile."""
    patient_id = session_of(request).patient_id
    patient = patient_by_id(site_of(request).clinic, patient_id) if patient_id else None
    if patient is None:
        raise PageError(401, gettext("This page is over. Ask your clinic for a new link."))
    return patient


def own_set(request) -> StoredSet:
    """The set of the address, when it is the patient's own; else it is not there."""
    uid = request.path_params["uid"]
    stored = find_set(site_of(request).clinic, uid, patient_id=own_patient(request).id)
    if stored is None:
        raise PageError(404, gettext("There is no such set."))
    return stored
