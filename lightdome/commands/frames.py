"""Commands of the word frames."""

import argparse


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
