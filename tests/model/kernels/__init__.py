"""Tests of the compiled kernels."""
