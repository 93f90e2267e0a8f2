"""Commands of the word lights."""

import argparse
from typing import Any

from lightdome.commands.products import add_products, add_threads
from lightdome.commands.session import add_field_flags


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    lamps = subparsers.add_parser("locate-lamps", help="position or direction, power and uncertainty of each lamp")
    add_field_flags(lamps)
    add_products(lamps, reads=("stack",), writes=("lamps",), may_write=("picture",))
    add_threads(lamps)
    lamps.set_defaults(run=_locate_lamps)


def _locate_lamps(**flags: Any) -> None:
    from lightdome.lights.steps import locate_lamps

    locate_lamps(**flags)
