"""The command line: one file a word, in the order the plate meets them. Flags, help and one step call; nothing else."""

import argparse
import resource
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from lightdome import __version__
from lightdome.commands import (
    frames,
    lights,
    marks,
    new_session,
    publish,
    relight,
    review,
    session,
    surface,
    synthetic,
)
from lightdome.errors import LightdomeError
from lightdome.units import BYTES_PER_MB

KILOBYTE = 1024
"""What Linux counts memory in."""
WORDS = (new_session, session, frames, lights, surface, marks, relight, publish, review, synthetic)


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = argparse.ArgumentParser(
        prog="lightdome", description="From photographs under known lamps to normals, height and separated marks."
    )
    parser.add_argument("--version", action="version", version=f"lightdome {__version__}")
    subparsers = parser.add_subparsers(dest="step", required=True, metavar="STEP")
    for word in WORDS:
        word.register(subparsers)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; 0 done, 2 something a person can mend (said in one sentence)."""
    arguments = vars(build_parser().parse_args(argv))
    step = arguments.pop("step")
    run = arguments.pop("run")
    start = time.monotonic()
    try:
        code = run(**arguments) or 0
    except LightdomeError as error:
        print(f"lightdome: error: {error}", file=sys.stderr)
        return 2
    except MemoryError:
        print(
            f"lightdome: error: {step} needs more memory than there is; stop other work or use smaller fields",
            file=sys.stderr,
        )
        return 2
    except KeyboardInterrupt:
        print("lightdome: error: interrupted; finished products are kept, run again to go on", file=sys.stderr)
        return 130
    print(f"{step}: done in {time.monotonic() - start:.1f} s, peak memory {_peak_mb():.0f} MB", file=sys.stderr)
    return code


def _peak_mb() -> float:
    """Largest memory of this process.

    Linux hands `ru_maxrss` on from the process that started this one, which may have been larger; its own peak stands
    in /proc.
    """
    peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with suppress(OSError, StopIteration):
        status = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
        peak_kb = int(next(line for line in status if line.startswith("VmHWM:")).split()[1])
    return peak_kb * KILOBYTE / BYTES_PER_MB
