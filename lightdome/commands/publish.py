"""Commands of the word publish."""

import argparse


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
