"""A small night: matte plates with one groove under eight distant lamps, written out by hand."""

import subprocess
import sys
from pathlib import Path

import imageio.v3 as iio
import numpy as np

TOP = Path(__file__).parents[1]
BIN = Path(sys.executable).parent
LAMPS = [(azimuth, elevation) for elevation in (35, 60) for azimuth in (10, 100, 190, 280)]
ROWS, COLS, PITCH_MM = 72, 96, 0.02

SESSION = """\
format: 1
session: night
date: 2031-05-02
operator: A. Example
place: harbour office
camera: {projection: orthographic, pixel_pitch_mm: 0.02, response: linear, white_level: 65535}
lamps: {source: table, model: distant}
plates:
"""


def photograph(azimuth_deg, elevation_deg):
    """A matte plate, a flat-bottomed groove 0.24 mm wide and 20 um deep along y, under a distant lamp (Lambert)."""
    x_mm = (np.arange(COLS) + 0.5 - COLS / 2) * PITCH_MM
    slope = -0.5 * (np.exp(-(((x_mm + 0.12) / 0.02) ** 2)) - np.exp(-(((x_mm - 0.12) / 0.02) ** 2)))
    azimuth, elevation = np.radians([azimuth_deg, elevation_deg])
    shade = (-slope * np.cos(elevation) * np.cos(azimuth) + np.sin(elevation)) / np.sqrt(1 + slope**2)
    grain = np.random.default_rng(azimuth_deg + elevation_deg).normal(0, 0.002, (ROWS, COLS))
    return np.clip((0.5 * shade + grain) * 65535, 0, 65534).astype(np.uint16)


def write_night(folder, plates=("TP-1", "TP-2")):
    """A session folder whose plates are all good."""
    (folder / "frames").mkdir(parents=True)
    (folder / "session.yaml").write_text(SESSION + "".join(f"  {plate}: {{title: tide table}}\n" for plate in plates))
    names = [f"L{number}" for number in range(1, len(LAMPS) + 1)]
    places = [f"{name},{azimuth},{elevation}\n" for name, (azimuth, elevation) in zip(names, LAMPS, strict=True)]
    (folder / "lamps.csv").write_text("lamp,azimuth_deg,elevation_deg\n" + "".join(places))
    rows = ["file,plate,side,field,role,lamp\n"]
    for plate in plates:
        for name, lamp in zip(names, LAMPS, strict=True):
            file = f"frames/{plate}-{name}.png"
            iio.imwrite(folder / file, photograph(*lamp))
            rows.append(f"{file},{plate},front,A,lit,{name}\n")
    (folder / "frames.csv").write_text("".join(rows))
    return folder


def snakemake(session, results, *more, targets=()):
    """Run the workflow as the README says, from a folder of its own."""
    results.parent.mkdir(parents=True, exist_ok=True)
    run = [BIN / "snakemake", *targets, "--snakefile", TOP / "Snakefile", "--directory", results.parent, "--cores", "2"]
    config = ["--config", f"session={session}", f"results={results}"]
    return subprocess.run([*run, *more, *config], capture_output=True, text=True, check=False)
