"""The clinician's part of the site: every route under /clinic."""

from formcheck.web import (
    clinic_criteria,
    clinic_files,
    clinic_follow_up,
    clinic_lists,
    clinic_prescription,
    clinic_set,
)


def routes() -> list:
    """The clinician's routes."""
    return [
        *clinic_lists.routes(),
        *clinic_prescription.routes(),
        *clinic_set.routes(),
        *clinic_follow_up.routes(),
        *clinic_criteria.routes(),
        *clinic_files.routes(),
    ]
