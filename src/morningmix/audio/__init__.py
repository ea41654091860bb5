"""Sound files: opened, joined, converted, written, encoded."""
