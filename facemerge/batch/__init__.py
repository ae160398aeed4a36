"""A whole card: sorted into groups, each made by itself, on one machine or on several; one page over all."""

from facemerge.batch.job import Form
from facemerge.batch.plan import groups_text
from facemerge.batch.run import Batch, Where, run_batch
from facemerge.batch.sort import GroupsFile, sort_dump

__all__ = ["Batch", "Form", "GroupsFile", "Where", "groups_text", "run_batch", "sort_dump"]
