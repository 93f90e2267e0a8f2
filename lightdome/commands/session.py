"""Commands of the word session."""

import argparse


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
