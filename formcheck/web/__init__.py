"""The clinic's pages: a local web application for a clinician and for a patient.

`server.py` puts it together, `security.py` decides who may ask for what; the clinician's pages
are in `clinician/`, the patient's in `patient/`. Pages hold no arithmetic.
"""
