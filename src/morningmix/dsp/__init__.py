"""Stages and meters: small stateful objects that take blocks."""
