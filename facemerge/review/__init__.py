"""The review page: the photographer has the last word. Served on this machine alone."""
