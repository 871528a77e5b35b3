"""The clinician's part of the site: every route under /clinic."""

from formcheck.web.clinician import criteria as clinic_criteria
from formcheck.web.clinician import files as clinic_files
from formcheck.web.clinician import follow_up as clinic_follow_up
from formcheck.web.clinician import lists as clinic_lists
from formcheck.web.clinician import paper as clinic_paper
from formcheck.web.clinician import patient_sets as clinic_patient_sets
from formcheck.web.clinician import prescription as clinic_prescription
from formcheck.web.clinician import set_page as clinic_set
from formcheck.web.clinician import settings as clinic_settings
from formcheck.web.clinician import start as clinic_start
from formcheck.web.clinician import work_list as clinic_work_list


def routes() -> list:
    """The clinician's routes."""
    return [
        *clinic_work_list.routes(),
        *clinic_lists.routes(),
        *clinic_prescription.routes(),
        *clinic_set.routes(),
        *clinic_follow_up.routes(),
        *clinic_patient_sets.routes(),
        *clinic_criteria.routes(),
        *clinic_files.routes(),
        *clinic_paper.routes(),
        *clinic_settings.routes(),
        *clinic_start.routes(),
    ]
