"""Frozen types without behaviour beyond simple derived values."""
