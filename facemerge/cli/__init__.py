"""The command line: parse, call, print, exit code; nothing else. One module a group of commands."""

from facemerge.cli import batch, coverage, crop, focus, merge, plan, review, settings, told
from facemerge.cli.app import app, main

__all__ = ["app", "batch", "coverage", "crop", "focus", "main", "merge", "plan", "review", "settings", "told"]
