"""Commands of the word session."""

import argparse
from pathlib import Path
from typing import Any

from lightdome.errors import SessionError


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    sheet = subparsers.add_parser("check-sheet", help="refuse rows of frames.csv that belong nowhere")
    sheet.add_argument("session", type=Path, metavar="SESSION", help="session folder")
    sheet.add_argument("--output", type=Path, required=True, help="sheet.json to write")
    sheet.set_defaults(run=_check_sheet)

    check = subparsers.add_parser(
        "check-session",
        help="open every photograph, judge the set, say what to retake",
        description="Without --plate, --side and --field: the verdict on the spot for every field, on one screen and "
        "one page; exit code 0 (ready, usable with warnings) or 2 (retake, unreadable). With them: one field, for the "
        "workflow.",
    )
    check.add_argument("session", type=Path, metavar="SESSION", help="session folder")
    check.add_argument(
        "--page", type=Path, help="page to write (default: results/<session>/check.html, or none of one field alone)"
    )
    check.add_argument("--write-checksums", action="store_true", help="write manifest-sha256.txt beside frames.csv")
    check.add_argument("--threads", type=int, default=2, help="photographs opened at a time")
    for flag in ("--plate", "--side", "--field"):
        check.add_argument(flag, help="as in frames.csv; one field alone")
    check.add_argument("--quality", type=Path, help="frames/quality.json to write, one field alone")
    check.add_argument("--picture", type=Path, help="frames/lamp_layout.png to write, one field alone")
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


def _check_session(
    session: Path, page: Path | None, write_checksums: bool, threads: int, **one_field: Any
) -> int | None:
    from lightdome.session.steps import check_session, judge_session

    missing = [f"--{name}" for name, value in one_field.items() if value is None]
    if len(missing) == len(one_field):
        return judge_session(session, page, write_checksums, threads)
    if missing or write_checksums:
        wrong = ", ".join(missing or ["no --write-checksums"])
        raise SessionError(
            f"check-session: one field alone needs {wrong} too; leave all of them out to judge the session"
        )
    check_session(session, page=page, threads=threads, **one_field)
    return None
