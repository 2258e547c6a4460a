"""The command line. Commands parse, call one function, print; everything heavy is imported inside them."""

import signal
import sys
from contextlib import suppress
from types import FrameType

INTERRUPTED = 130
"""Exit code of a command that was interrupted; what parses the commands uses it too, without a word."""


def main() -> None:
    """The command as a process of its own: signals end it in good order, and once it has ended they come too late."""
    before = sys.unraisablehook

    def hook(lost: "sys.UnraisableHookArgs") -> None:
        if isinstance(lost.exc_value, KeyboardInterrupt):
            _again(signal.SIGINT)
        elif isinstance(lost.exc_value, _Ended):
            _again(lost.exc_value.number)
        else:
            before(lost)

    sys.unraisablehook = hook
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        with suppress(ValueError):  # outside the main thread
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                signal.signal(number, _ended)
    try:
        run()
    finally:
        with suppress(ValueError):
            signal.signal(signal.SIGINT, signal.SIG_IGN)


def run() -> None:
    """Run the command line; interrupted at any moment, imports included, it says so in one line."""
    try:
        from bronzeward.cli.app import main as command

        command()
    except KeyError as error:  # words to be completed that no shell has given
        if error.args not in (("COMP_WORDS",), ("COMP_CWORD",)):
            raise
        sys.stderr.write(f"bronzeward: completion: {error.args[0]} is not set; a shell sets it when it asks\n")
        sys.exit(2)
    except KeyboardInterrupt:
        _interrupted()
    except SystemExit as end:
        if end.code == INTERRUPTED:
            _interrupted(*getattr(end, "__notes__", ()))
        raise


def _interrupted(*hints: str) -> None:
    with suppress(OSError, AttributeError):  # an error stream that is full or closed
        sys.stderr.write("; ".join(("bronzeward: interrupted", *hints)) + "\n")
        sys.stderr.flush()
    sys.exit(INTERRUPTED)


class _Ended(SystemExit):
    """The end that a signal asks for."""

    def __init__(self, number: int) -> None:
        super().__init__(128 + number)
        self.number = number


def _ended(number: int, _: FrameType | None) -> None:
    raise _Ended(number)


def _again(number: int) -> None:
    """A signal that came while a library cleared up, where nothing can be raised, comes again."""
    import threading

    main_thread = threading.main_thread().ident

    def interrupt() -> None:
        if hasattr(signal, "pthread_kill") and main_thread is not None:  # wakes it where it waits
            signal.pthread_kill(main_thread, number)
        else:
            signal.raise_signal(number)

    threading.Timer(0.05, interrupt).start()
