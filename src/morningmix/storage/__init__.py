"""The mix folder on disk: paths, locks, atomic writes and the cache."""
