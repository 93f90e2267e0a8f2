"""Commands of the word marks."""

import argparse
from typing import Any

from lightdome.commands.products import add_products, add_threads


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    trace = subparsers.add_parser("trace-marks", help="join valley and ridge lines into traces, find areas")
    add_products(
        trace, reads=("height", "height-uncertainty", "normal-uncertainty", "curvature"), writes=("traces", "areas")
    )
    trace.add_argument("--reference-cutoff-mm", type=float, default=8.0, help="cut-off of the land's own surface, mm")
    trace.add_argument("--widest-line-um", type=float, default=500.0, help="wider is an area, um")
    trace.add_argument("--threshold", type=float, default=6.0, help="rise over noise that a line needs")
    trace.add_argument("--longest-gap-um", type=float, default=1500.0, help="longest gap bridged in a line, um")
    trace.add_argument("--shortest-mm", type=float, default=0.25, help="shorter traces are dropped, mm")
    add_threads(trace)
    trace.set_defaults(run=_trace_marks)

    classify = subparsers.add_parser("classify-marks", help="measure and judge every mark")
    add_products(
        classify,
        reads=("height", "height-uncertainty", "normal-uncertainty", "reflectance", "stack", "traces", "areas"),
        writes=("marks", "table", "classes", "summary"),
    )
    classify.set_defaults(run=_classify_marks)

    split = subparsers.add_parser("split-relief", help="separate the etched relief from later marks")
    add_products(
        split,
        reads=("height", "marks", "classes"),
        writes=("etched-height", "scratch-height", "relief", "fill-mask"),
    )
    split.add_argument("--form-cutoff-mm", type=float, default=8.0, help="wavelength of which half is form, mm")
    split.add_argument("--texture-cutoff-mm", type=float, default=0.25, help="wavelength of which half is texture, mm")
    split.set_defaults(run=_split_relief)


def _trace_marks(**flags: Any) -> None:
    from lightdome.marks.steps import trace_marks

    trace_marks(**flags)


def _classify_marks(**flags: Any) -> None:
    from lightdome.marks.steps import classify_marks

    classify_marks(**flags)


def _split_relief(**flags: Any) -> None:
    from lightdome.marks.steps import split_relief

    split_relief(**flags)
