"""How good each face is, weighed against the person's own frames, and how sharp whole rows are."""

from facemerge.scores.rows import row_notes, with_row_reasons
from facemerge.scores.weigh import Measures, factors, measure, score, total

__all__ = ["Measures", "factors", "measure", "row_notes", "score", "total", "with_row_reasons"]
