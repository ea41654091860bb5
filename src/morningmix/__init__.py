"""Raw tracks of a band rehearsal in, a rough mix and stems out, by a small recipe file."""

__version__ = "0.1.0"
