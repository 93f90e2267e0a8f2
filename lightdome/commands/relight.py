"""Commands of the word relight."""

import argparse
from pathlib import Path
from typing import Any

from lightdome.commands.products import add_products, add_threads


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    fit = subparsers.add_parser("fit-relighting", help="a relightable model of every pixel, judged on lamps left out")
    add_products(fit, reads=("stack", "lamps", "lobe"), writes=("coefficients", "lobe-model"))
    fit.add_argument("--quality", type=Path, required=True, metavar="FILE", help="write relight/quality.json")
    fit.add_argument(
        "--order",
        type=int,
        choices=(2, 3),
        help="order of the harmonics (default: the smaller error on left-out lamps)",
    )
    add_threads(fit)
    fit.set_defaults(run=_fit_relighting)


def _fit_relighting(**flags: Any) -> None:
    from lightdome.relight.steps import fit_relighting

    fit_relighting(**flags)
