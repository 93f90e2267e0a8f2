"""Commands of the word publish."""

import argparse
from pathlib import Path
from typing import Any


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    review = subparsers.add_parser("build-review", help="the page of a plate: light it, look, measure, decide")
    review.add_argument("plate_results", type=Path, metavar="PLATE_RESULTS", help="results/<session>/<plate>")
    review.add_argument("--session", type=Path, required=True, metavar="SESSION", help="session folder")
    review.add_argument(
        "--page", type=Path, required=True, metavar="FILE", help="page to write; all it shows lies beside it"
    )
    review.add_argument(
        "--blur-prints",
        type=_yes_or_no,
        default=False,
        metavar="true|false",
        help="blur friction-ridge prints, for pictures that leave the house",
    )
    review.set_defaults(run=_build_review)

    report = subparsers.add_parser("write-report", help="the condition report of a plate (PDF/A)")
    report.add_argument("plate_results", type=Path, metavar="PLATE_RESULTS", help="results/<session>/<plate>")
    report.add_argument("--session", type=Path, required=True, metavar="SESSION", help="session folder")
    report.add_argument("--report", type=Path, required=True, metavar="FILE", help="PDF to write")
    report.add_argument(
        "--blur-prints",
        type=_yes_or_no,
        default=False,
        metavar="true|false",
        help="blur friction-ridge prints, for pictures that leave the house",
    )
    report.set_defaults(run=_write_report)

    summary = subparsers.add_parser("summarise-night", help="the morning summary of all plates of a session")
    summary.add_argument("results", type=Path, metavar="RESULTS", help="results/<session>")
    summary.add_argument("--session", type=Path, required=True, metavar="SESSION", help="session folder")
    summary.add_argument("--page", type=Path, required=True, metavar="FILE", help="page to write")
    summary.set_defaults(run=_summarise_night)


def _yes_or_no(text: str) -> bool:
    """A switch as the settings write it."""
    if text.lower() not in ("true", "false"):
        raise argparse.ArgumentTypeError(f"must be true or false, got {text!r}")
    return text.lower() == "true"


def _build_review(**flags: Any) -> None:
    from lightdome.publish.pages import BUILT
    from lightdome.publish.steps import build_review

    build_review(**flags, built=BUILT)


def _write_report(**flags: Any) -> None:
    from lightdome.publish.steps import write_report

    write_report(**flags)


def _summarise_night(**flags: Any) -> int:
    from lightdome.publish.steps import summarise_night

    return summarise_night(**flags)
