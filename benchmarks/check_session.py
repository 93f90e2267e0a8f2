"""Time and memory of `check-session` on large photographs, beside decoding them.

    python benchmarks/check_session.py [--megapixels 24] [--frames 60] [--threads 2] [--keep FOLDER]

The photographs are 16-bit grey PNG of a matt plate that repeats a patch of 512 pixels, each under a lamp of its own and
with the noise of a camera in every pixel, so that they are as hard to decode as real ones. Both runs are processes of
their own with as many threads, on files that were just read. Three runs of each, in turn; the best counts.
"""

import argparse
import os
import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import imagecodecs
import numpy as np
from scipy import ndimage

from lightdome.synthetic.lamps import dome

PITCH_MM = 0.025
PATCH_PX = 512
BLACK, WHITE = 1024, 65535
NOISE = 0.004
SETTINGS = f"""\
format: 1
session: large-check
date: 2031-05-14
camera: {{projection: orthographic, pixel_pitch_mm: {PITCH_MM}, response: linear, black_level: {BLACK}, \
white_level: {WHITE}}}
lamps: {{source: table, model: near}}
exposure: {{illuminance_lx: 900, seconds: 0.25}}
plates: {{TP-900: {{title: large field, material: zinc, most_light_sensitive: low}}}}
"""
DECODE = """\
import sys, time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from lightdome.session.photograph import read_photograph
start = time.monotonic()
with ThreadPoolExecutor(int(sys.argv[2])) as pool:
    for _ in pool.map(lambda path: read_photograph(path).shape, sorted(Path(sys.argv[1]).glob("*.png"))):
        pass
print(time.monotonic() - start)
"""
SAID = re.compile(r"^check-session: done in ([\d.]+) s, peak memory (\d+) MB$", re.M)
REPEATS = 3


def write_session(folder: Path, megapixels: float, frames: int, threads: int) -> None:
    """The session folder."""
    rows, cols = int(np.sqrt(megapixels * 1e6 / 1.5)), int(np.sqrt(megapixels * 1e6 * 1.5))
    rng = np.random.default_rng(1)
    relief = ndimage.gaussian_filter(rng.standard_normal((PATCH_PX, PATCH_PX)), 2, mode="wrap")
    slope_y, slope_x = (3 * (np.roll(relief, -1, axis) - np.roll(relief, 1, axis)) for axis in (0, 1))
    rig = dome(frames, radius_mm=3 * PITCH_MM * float(np.hypot(rows, cols)))
    noise = (NOISE * rng.standard_normal((rows, cols), dtype=np.float32)).astype(np.float16)
    x = (np.arange(cols) + 0.5 - cols / 2) * PITCH_MM
    y = (rows / 2 - np.arange(rows) - 0.5) * PITCH_MM
    (folder / "frames").mkdir(parents=True)

    def write(index: int) -> None:
        lamp = rig.vectors[index]
        unit = lamp / np.linalg.norm(lamp)
        patch = 0.6 * np.clip(unit[2] - slope_x * unit[0] + slope_y * unit[1], 0, None)
        image = np.empty((rows, cols), np.uint16)
        for row in range(0, rows, PATCH_PX):
            some = min(PATCH_PX, rows - row)
            away = (lamp[0] - x[None]) ** 2 + (lamp[1] - y[row : row + some, None]) ** 2 + lamp[2] ** 2
            light = np.tile(patch, (1, cols // PATCH_PX + 1))[:some, :cols] * (lamp @ lamp) / away
            light = light + np.roll(noise, (7 * index, 1013 * index), (0, 1))[row : row + some]
            image[row : row + some] = np.clip(BLACK + (WHITE - BLACK) * light, 0, WHITE)
        (folder / f"frames/{rig.names[index]}.png").write_bytes(imagecodecs.png_encode(image, level=1))

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(write, range(frames)))
    table = [f"frames/{name}.png,TP-900,front,A,lit,{name}" for name in rig.names]
    places = [f"{name},{x:.3f},{y:.3f},{z:.3f}" for name, (x, y, z) in zip(rig.names, rig.vectors, strict=True)]
    (folder / "session.yaml").write_text(SETTINGS, encoding="utf-8")
    (folder / "frames.csv").write_text("\n".join(["file,plate,side,field,role,lamp", *table]) + "\n", encoding="utf-8")
    (folder / "lamps.csv").write_text("\n".join(["lamp,x_mm,y_mm,z_mm", *places]) + "\n", encoding="utf-8")


def busy_s() -> float:
    """Processor seconds of ended children."""
    times = os.times()
    return times.children_user + times.children_system


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="work in this folder and leave it")
    flags = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = (flags.keep or Path(scratch)) / "session"
        if not folder.exists():
            write_session(folder, flags.megapixels, flags.frames, flags.threads)
        decode = [sys.executable, "-c", DECODE, folder / "frames", str(flags.threads)]
        check = [sys.executable, "-c", "import sys; from lightdome.commands import main; sys.exit(main())"]
        check += ["check-session", folder, "--page", Path(scratch) / "check.html", "--threads", str(flags.threads)]
        decoded, checked, peaks = [], [], []
        for _ in range(REPEATS):
            before = busy_s()
            done = subprocess.run(decode, check=True, capture_output=True, text=True)
            decoded.append((float(done.stdout), busy_s() - before))
            before = busy_s()
            done = subprocess.run(check, capture_output=True, text=True)
            seconds, peak = SAID.search(done.stderr).groups()
            checked.append((float(seconds), busy_s() - before))
            peaks.append(int(peak))
        print(done.stdout)
    best = [min(runs) for runs in zip(*decoded, strict=True)], [min(runs) for runs in zip(*checked, strict=True)]
    print(f"{flags.frames} photographs of {flags.megapixels:g} Mpx, {flags.threads} threads, best of {REPEATS}\n")
    print("| | s | processor s |\n|---|---|---|")
    print(f"| decoding | {best[0][0]:.1f} | {best[0][1]:.1f} |")
    print(f"| check-session | {best[1][0]:.1f} | {best[1][1]:.1f} |")
    print(f"| ratio | {best[1][0] / best[0][0]:.2f} | {best[1][1] / best[0][1]:.2f} |")
    print(f"\npeak memory {max(peaks)} MB; all runs, s: {decoded} {checked}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
