"""The command that begins a session; no step, since it makes what a person goes on with."""

import argparse
from pathlib import Path
from typing import Any


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    new = subparsers.add_parser("new-session", help="write the first sheet of a folder of photographs")
    new.add_argument("folder", type=Path, metavar="FOLDER", help="folder that the photographs were copied to")
    new.add_argument("--threads", type=int, default=2, help="photographs opened at a time")
    new.set_defaults(run=_new_session)


def _new_session(**flags: Any) -> None:
    from lightdome.session.new_session import new_session

    new_session(**flags)
