"""Commands of the word session."""

import argparse
from pathlib import Path
from typing import Any


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    sheet = subparsers.add_parser("check-sheet", help="refuse rows of frames.csv that belong nowhere")
    sheet.add_argument("session", type=Path, metavar="SESSION", help="session folder")
    sheet.add_argument("--output", type=Path, required=True, help="sheet.json to write")
    sheet.set_defaults(run=_check_sheet)

    check = subparsers.add_parser("check-session", help="open every photograph of a field and judge the set")
    add_field_flags(check)
    check.add_argument("--quality", type=Path, required=True, help="frames/quality.json to write")
    check.add_argument("--picture", type=Path, required=True, help="frames/lamp_layout.png to write")
    check.add_argument("--threads", type=int, default=2, help="photographs opened at a time")
    check.set_defaults(run=_check_session)


def add_field_flags(parser: argparse.ArgumentParser) -> None:
    """The flags that name one field of a session."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="session folder")
    parser.add_argument("--plate", required=True, help="as in frames.csv")
    parser.add_argument("--side", required=True, help="as in frames.csv")
    parser.add_argument("--field", required=True, help="as in frames.csv")


def _check_sheet(**flags: Any) -> None:
    from lightdome.session.steps import check_sheet

    check_sheet(**flags)


def _check_session(**flags: Any) -> None:
    from lightdome.session.steps import check_session

    check_session(**flags)
