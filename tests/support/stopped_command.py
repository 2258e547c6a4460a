"""The command in a process of its own that stops at a named moment and waits to be told what becomes of it."""

from __future__ import annotations

import signal
import subprocess
import sys
import textwrap
from pathlib import Path

PROGRAM = """
    import signal, sys

    # a test run in the background may have been told to ignore it
    signal.signal(signal.SIGINT, signal.default_int_handler)
    from bronzeward.cli import main

    moment, left = sys.argv.pop(1), int(sys.argv.pop(1))

    def watch(frame, event, _):
        global left
        if event == "call" and f"{frame.f_globals.get('__name__')}:{frame.f_code.co_name}" == moment:
            left -= 1
            if left == 0:
                sys.setprofile(None)
                print("here", flush=True)
                sys.stdin.readline()

    sys.setprofile(watch)
    main()
"""


def interrupted(moment: str, count: int, words: list[str], folder: Path) -> tuple[int, str]:
    """Exit code and errors of a command that gets a Ctrl-C when a function is called for the count-th time.

    `moment` is MODULE:FUNCTION, with "<module>" for the import of a module; a generator that goes on counts too.
    """
    command = [sys.executable, "-c", textwrap.dedent(PROGRAM), moment, str(count), *words]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True, cwd=folder) as process:
        assert process.stdout is not None
        if process.stdout.readline() == "here\n":
            process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=300)
    return process.returncode, errors
