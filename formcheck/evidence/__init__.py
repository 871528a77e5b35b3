"""How good the numbers are: truth, validation, agreement, reliability, progress, speed. Nothing is
corrected by it.
"""
