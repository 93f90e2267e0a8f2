"""Sessions of metal plates with marks of known make, size and order, photographed by an independent path tracer.

    python benchmarks/marked_plates.py --out FOLDER --kind fine|whole|blank|hatching|tarnish|noise|single|many --seed N
                                       --material ggx-0.3 [--lamps 48] [--size PIXELS] [--pitch-um 15]

fine: every kind of mark at 12 to 20 um a pixel; whole: at 50 um, where most scratches are thinner than a pixel. The
others are cases in which little or nothing may be found. `noise` is a stack of camera noise about a constant; `many`
(5 000 scratches) writes its heights alone, for the steps from trace-marks on. Truth lies in FOLDER/truth.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from marked_canvas import Canvas
from marked_scenes import blank, hatching, many, marked, single, tarnish
from marked_session import lamps_of, photographed, render_plate, write_session, write_truth
from render import use_threads

KINDS = ("fine", "whole", "blank", "hatching", "tarnish", "noise", "single", "many")
SIZE = {"single": 640, "many": 2048}
PITCH_UM = {"whole": 50.0, "single": 50.0, "many": 25.0, "hatching": 20.0, "blank": 25.0, "tarnish": 25.0}
SUB = {"fine": 4, "whole": 12, "many": 1, "single": 6}
SAMPLES = 64


def drawn(kind: str, seed: int, size: int, pitch_um: float) -> Canvas:
    """The worked plate."""
    canvas = Canvas(size, SUB.get(kind, 4), pitch_um, np.random.default_rng([KINDS.index(kind), seed]))
    if kind in ("fine", "whole"):
        marked(canvas, kind == "whole", seed)
    elif kind != "noise":
        {"blank": blank, "hatching": hatching, "tarnish": tarnish, "single": single, "many": many}[kind](canvas)
    return canvas


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--kind", choices=KINDS, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--material", default="ggx-0.3", help="ggx-A or beckmann-A with alpha A, or brushed")
    parser.add_argument("--lamps", type=int, default=48)
    parser.add_argument("--size", type=int, help="pixels a side (default: 320; single 640, many 2048)")
    parser.add_argument("--pitch-um", type=float, help="default: 15; see PITCH_UM")
    flags = parser.parse_args()
    use_threads(2)
    size = flags.size or SIZE.get(flags.kind, 320)
    pitch_um = flags.pitch_um or PITCH_UM.get(flags.kind, 15.0)
    canvas = drawn(flags.kind, flags.seed, size, pitch_um)
    settings = {"kind": flags.kind, "seed": flags.seed, "material": flags.material, "lamps": flags.lamps}
    write_truth(flags.out, canvas, settings)
    if flags.kind == "many":
        return 0
    lamps_mm = lamps_of(flags.lamps)
    if flags.kind == "noise":
        light = np.full((flags.lamps, size, size), 0.5, np.float32)
    else:
        fine = flags.kind == "fine"
        light = render_plate(canvas, flags.material, lamps_mm, bounces=2 if fine else 1, samples=SAMPLES)
    counts = photographed(light, np.random.default_rng([flags.seed, 7]))
    write_session(flags.out, counts, lamps_mm, pitch_um / 1000)
    return 0


if __name__ == "__main__":
    sys.exit(main())
