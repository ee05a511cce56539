"""Tests of each link's laws."""
