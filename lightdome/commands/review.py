"""The command that shows what the night has made; no step, since it makes nothing."""

import argparse
from pathlib import Path
from typing import Any


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    review = subparsers.add_parser("review", help="open the review pages in the browser, and keep what is found")
    review.add_argument("results", type=Path, metavar="RESULTS", help="results/<session> or results/<session>/<plate>")
    review.add_argument("--port", type=int, default=8437, metavar="N", help="port to serve on (default: 8437)")
    review.add_argument("--no-browser", dest="browser", action="store_false", help="only print the address")
    review.add_argument("--lan", action="store_true", help="serve the network too, to holders of the printed token")
    review.set_defaults(run=_review)


def _review(**flags: Any) -> None:
    from lightdome.publish.serve.server import serve

    serve(**flags)
