"""Tests of the package, of the documentation and of the repository itself."""
