"""The program from the outside: what a person types, what then lies on disk, what is said when it cannot be done."""
