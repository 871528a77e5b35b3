"""Whom a sentence is made for."""

from typing import Literal, get_args

Reader = Literal["clinician", "patient", "terminal", "note"]
"""clinician : the report page and the clinic's pages. patient : the patient's own pages, where no
option of the command line and no field that only a clinician fills in is named. terminal : who runs
the command line. note : the paragraph for the clinic's own record."""
READERS: tuple[Reader, ...] = get_args(Reader)
