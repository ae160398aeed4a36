"""How good each face is: eyes, sharpness and expression, weighed against the person's own frames."""

from facemerge.scores.weigh import Measures, factors, measure, score, total

__all__ = ["Measures", "factors", "measure", "score", "total"]
