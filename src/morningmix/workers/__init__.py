"""Parallel work and its progress."""
