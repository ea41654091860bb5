"""Tests of `morningmix.cli`."""
