"""The command line: arguments, progress, and what a person reads at the end."""
