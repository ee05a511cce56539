"""Measurements of speed and accuracy; `python -m tests.bench.run` runs them."""
