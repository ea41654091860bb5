"""``python -m morningmix``."""

from morningmix.cli import main

main()
