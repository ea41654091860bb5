"""Parallel work: jobs, who runs them, their progress and their trace."""
