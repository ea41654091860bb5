"""Executes plans: reads tracks, sums families, writes stems and mix. Decides nothing."""
