"""Words of the field and frozen records: anatomy, measures, programme, intervals, errors. Nothing
of ours is imported here.
"""
