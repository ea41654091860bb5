"""Pure decisions: numbers in, numbers with reasons out. No audio, no files, no clock."""
