"""Explores hand-cranked generator chains, from the crank to a 5 V pack."""

__version__ = "0.1.0"
MODEL_VERSION = "8"
"""Changes whenever the physics gives other numbers, so that stored results are told apart."""
