"""Text that people and programs write and we read back."""
