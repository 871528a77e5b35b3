"""Every sentence and drawing that a reader sees. No decision and no arithmetic is made here.

Of a plan: `patient_words.py` (what a patient reads before a set), `exercise_words.py`,
`figures.py`, `sheet.py`. Of a measured set: `set_words.py`, `finding_words.py`,
`refusal_words.py`, and `patient_result.py` for what a patient reads after it. `wording.py` has
the numbers and outcomes that all of them share.
"""
