"""Small numbers from sound: every sample is read once."""
