"""Commands of the word frames."""

import argparse
from pathlib import Path
from typing import Any

from lightdome.commands.products import add_products, add_threads
from lightdome.commands.session import add_field_flags


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    stack = subparsers.add_parser("stack-frames", help="linear light of every lamp, in register")
    add_field_flags(stack)
    stack.add_argument("--quality", type=Path, required=True, metavar="FILE", help="read frames/quality.json")
    add_products(stack, reads=(), writes=("stack",))
    add_threads(stack)
    stack.set_defaults(run=_stack_frames)


def _stack_frames(**flags: Any) -> None:
    from lightdome.frames.steps import stack_frames

    stack_frames(**flags)
