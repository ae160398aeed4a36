"""What `benchmark.py` is made of: its input, what it compares with, how it measures, its tables."""
