"""Frozen types, no behaviour beyond simple derived values."""
