"""The command line: parse, call, print, exit code; nothing else. One module a group of commands."""

from facemerge.cli import batch, merge, settings, told
from facemerge.cli.app import app, main

__all__ = ["app", "batch", "main", "merge", "settings", "told"]
