"""Commands of the word relight."""

import argparse
import os
from pathlib import Path
from typing import Any


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    fit = subparsers.add_parser("fit-relighting", help="a relightable model of every pixel, judged on lamps left out")
    for name in ("stack", "lamps", "coefficients", "quality"):
        fit.add_argument(f"--{name}", type=Path, required=True, metavar="FILE")
    fit.add_argument(
        "--order",
        type=int,
        choices=(2, 3),
        help="order of the harmonics (default: the smaller error on left-out lamps)",
    )
    fit.add_argument("--threads", type=int, default=os.cpu_count() or 1, help="how many tiles at a time")
    fit.set_defaults(run=_fit_relighting)


def _fit_relighting(**flags: Any) -> None:
    from lightdome.relight.steps import fit_relighting

    fit_relighting(**flags)
