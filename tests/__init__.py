"""Tests; `tests/run` runs them all."""
