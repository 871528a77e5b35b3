"""A folder of clips, of any size: analysed by several workers, taken up again where it stopped."""

from formcheck.batch.clips import BatchClip, Describing, readable
from formcheck.batch.run import BatchEnd, BatchSettings, Planned, Standing, plan_batch, run_batch
from formcheck.batch.workers import Limits

__all__ = [
    "BatchClip",
    "BatchEnd",
    "BatchSettings",
    "Describing",
    "Limits",
    "Planned",
    "Standing",
    "plan_batch",
    "readable",
    "run_batch",
]
