"""formcheck: measured repetitions of home knee exercises from a webcam or phone clip."""

__version__ = "0.1.0"
