"""The only room that knows the order of things: look through, choose, set in, write.

Frames are streamed: one for each process or thread is in memory at a time, and what is kept of it is small.
`run` reads like the job.
"""

from facemerge.pipeline.look import Album, analyse
from facemerge.pipeline.looker import Read
from facemerge.pipeline.progress import Clock, Progress, Spent, left_s, no_progress
from facemerge.pipeline.run import Result, cull, merge
from facemerge.pipeline.setting import choose, set_in, settle

__all__ = [
    "Album",
    "Clock",
    "Progress",
    "Read",
    "Result",
    "Spent",
    "analyse",
    "choose",
    "cull",
    "left_s",
    "merge",
    "no_progress",
    "set_in",
    "settle",
]
