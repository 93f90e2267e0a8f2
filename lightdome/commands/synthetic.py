"""Commands of the word synthetic."""

import argparse
from pathlib import Path
from typing import Any


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    make = subparsers.add_parser("make-capture", help="compute a capture session with known truth")
    make.add_argument("folder", type=Path, metavar="FOLDER", help="new session folder")
    make.add_argument(
        "--scene", default="tide-table", help="tide-table, faults, mishaps or large (default: %(default)s)"
    )
    make.add_argument("--seed", type=int, default=2031, help="the same seed gives the same session")
    make.add_argument("--megapixels", type=float, help="size of each photograph; scene large only (default: 24)")
    make.add_argument("--lamps", type=int, help="number of lamps; scene large only (default: 48)")
    make.add_argument("--threads", type=int, default=1, help="photographs computed at once")
    make.set_defaults(run=_make_capture)


def _make_capture(**flags: Any) -> None:
    from lightdome.synthetic.steps import make_capture

    make_capture(**flags)
