"""Long jobs side by side."""
