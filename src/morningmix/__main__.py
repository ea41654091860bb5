"""The way in: ``morningmix`` and ``python -m morningmix``. An interrupt ends with one line from the first import on."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line."""
    try:
        from morningmix.cli.main import main as command_line

        command_line()
    except KeyboardInterrupt:
        print("morningmix: stopped; earlier mixes are as they were.", file=sys.stderr)
        sys.exit(130)


if __name__ == "__main__":
    main()
