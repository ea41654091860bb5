"""What a mix folder keeps for the next run."""
