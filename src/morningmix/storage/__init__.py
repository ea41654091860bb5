"""The mix folder on disk: places, locks, whole writes, and the cache."""
