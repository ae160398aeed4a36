"""The only room that knows the order of things: look through, choose, set in, write.

Frames are streamed: one is in memory at a time, and what is kept of it is small. `run` reads like the job.
"""

from facemerge.pipeline.look import Album, Read, analyse
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.pipeline.run import Result, cull, merge
from facemerge.pipeline.setting import choose, set_in, settle

__all__ = [
    "Album",
    "Progress",
    "Read",
    "Result",
    "analyse",
    "choose",
    "cull",
    "merge",
    "no_progress",
    "set_in",
    "settle",
]
