"""Commands of the word marks."""

import argparse
import os
from pathlib import Path
from typing import Any


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    trace = subparsers.add_parser("trace-marks", help="join valley and ridge lines into traces, find areas")
    _paths(trace, "height", "height-uncertainty", "curvature", "traces", "areas")
    trace.add_argument("--reference-cutoff-mm", type=float, default=8.0, help="cut-off of the land's own surface, mm")
    trace.add_argument("--widest-line-um", type=float, default=500.0, help="wider is an area, um")
    trace.add_argument("--threshold", type=float, default=6.0, help="rise over noise that a line needs")
    trace.add_argument("--longest-gap-um", type=float, default=1500.0, help="longest gap bridged in a line, um")
    trace.add_argument("--shortest-mm", type=float, default=0.25, help="shorter traces are dropped, mm")
    trace.add_argument("--threads", type=int, default=os.cpu_count() or 1, help="how many tiles at a time")
    trace.set_defaults(run=_trace_marks)

    classify = subparsers.add_parser("classify-marks", help="measure and judge every mark")
    _paths(classify, "height", "height-uncertainty", "reflectance", "traces", "areas", "marks", "table", "classes")
    classify.set_defaults(run=_classify_marks)

    split = subparsers.add_parser("split-relief", help="separate the etched relief from later marks")
    _paths(split, "height", "marks", "classes", "etched-height", "scratch-height")
    split.add_argument("--form-cutoff-mm", type=float, default=8.0, help="wavelength of which half is form, mm")
    split.set_defaults(run=_split_relief)


def _paths(parser: argparse.ArgumentParser, *names: str) -> None:
    for name in names:
        parser.add_argument(f"--{name}", type=Path, required=True, metavar="FILE")


def _trace_marks(**flags: Any) -> None:
    from lightdome.marks.steps import trace_marks

    trace_marks(**flags)


def _classify_marks(**flags: Any) -> None:
    from lightdome.marks.steps import classify_marks

    classify_marks(**flags)


def _split_relief(**flags: Any) -> None:
    from lightdome.marks.steps import split_relief

    split_relief(**flags)
