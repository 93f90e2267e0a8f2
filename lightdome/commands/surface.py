"""Commands of the word surface."""

import argparse


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
