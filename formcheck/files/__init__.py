"""Text and tables to records and back, with versions and faults by place: exercises,
prescriptions, tracks. No meaning.
"""
