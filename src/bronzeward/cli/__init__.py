"""The command line. Commands parse, call one function, print; everything heavy is imported inside them."""

import sys

INTERRUPTED = 130
"""Exit code of a command that was interrupted; what parses the commands uses it too, without a word."""


def main() -> None:
    """Run the command line; interrupted at any moment, imports included, it says so in one line."""
    try:
        from bronzeward.cli.app import main as run

        run()
    except KeyboardInterrupt:
        _interrupted()
    except SystemExit as end:
        if end.code == INTERRUPTED:
            _interrupted()
        raise


def _interrupted() -> None:
    sys.stderr.write("bronzeward: interrupted\n")
    sys.exit(INTERRUPTED)
