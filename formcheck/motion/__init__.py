"""From landmarks to measures and findings. Pure: arrays and records in, records out; numpy and
scipy alone, no file, clock or sentence.
"""
