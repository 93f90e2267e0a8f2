"""Commands of the word frames."""

import argparse
import os
from pathlib import Path
from typing import Any

from lightdome.commands.session import add_field_flags


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    stack = subparsers.add_parser("stack-frames", help="linear light of every lamp, in register")
    add_field_flags(stack)
    stack.add_argument("--quality", type=Path, required=True, help="frames/quality.json of check-session")
    stack.add_argument("--stack", type=Path, required=True, help="frames/stack.zarr.zip to write")
    stack.add_argument("--threads", type=int, default=os.cpu_count() or 1, help="blocks packed at a time")
    stack.set_defaults(run=_stack_frames)


def _stack_frames(**flags: Any) -> None:
    from lightdome.frames.steps import stack_frames

    stack_frames(**flags)
