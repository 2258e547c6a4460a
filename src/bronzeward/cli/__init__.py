"""The command line. Commands parse, call one function, print; everything heavy is imported inside them."""

from bronzeward.cli.app import main

__all__ = ["main"]
