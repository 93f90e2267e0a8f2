"""Peak memory and time of every step on a large field made by `lightdome.synthetic`.

    python benchmarks/memory.py [--megapixels 24] [--lamps 48] [--keep FOLDER]

Writes the capture into a scratch folder (several gigabytes), runs the whole way by snakemake, and reads what each
command says of itself when it ends: the kernel's own count of the largest resident set (getrusage).
"""

import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path

TOP = Path(__file__).parents[1]
SAID = re.compile(r"^([a-z-]+): done in ([\d.]+) s, peak memory (\d+) MB$", re.M)
LIMIT_MB = 1500


def read_logs(results: Path) -> list[tuple[str, float, int]]:
    """(step, seconds, peak MB) of every finished step, in the order of the logs' time."""
    logs = sorted(results.rglob("*.log"), key=lambda log: log.stat().st_mtime)
    said = [SAID.findall(log.read_text()) for log in logs]
    return [(step, float(seconds), int(peak)) for found in said for step, seconds, peak in found]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--lamps", type=int, default=48)
    parser.add_argument("--keep", type=Path, help="work in this folder and leave it")
    flags = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = flags.keep or Path(scratch)
        capture, results = folder / "capture", folder / "results"
        if not capture.exists():
            make = [Path(sys.executable).with_name("lightdome"), "make-capture", capture, "--scene", "large"]
            subprocess.run([*make, "--megapixels", str(flags.megapixels), "--lamps", str(flags.lamps)], check=True)
        run = [Path(sys.executable).with_name("snakemake"), "--cores", "2", "--quiet", "all"]
        subprocess.run([*run, "--config", f"session={capture}", f"results={results}"], cwd=TOP, check=True)
        rows = read_logs(results)
    print(f"\n{flags.megapixels:g} megapixels, {flags.lamps} lamps\n\n| step | s | peak MB |\n|---|---|---|")
    for step, seconds, peak in rows:
        print(f"| {step} | {seconds:.1f} | {peak} |")
    worst = max(rows, key=lambda row: row[2])
    print(f"\nlargest: {worst[0]}, {worst[2]} MB; the limit set for 24 megapixels and 48 lamps is {LIMIT_MB} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
