"""The plate's way, from a capture session to maps, a page and a report: one rule a step, one rule file a word."""

import subprocess
import sys
from pathlib import Path

from snakemake.utils import min_version

min_version("9.0")


configfile: f"{workflow.basedir}/config/config.yaml"


include: "workflow/rules/common.smk"
include: "workflow/rules/session.smk"
include: "workflow/rules/frames.smk"
include: "workflow/rules/lights.smk"
include: "workflow/rules/surface.smk"
include: "workflow/rules/marks.smk"
include: "workflow/rules/relight.smk"
include: "workflow/rules/publish.smk"


report: "workflow/report/workflow.rst"


wildcard_constraints:
    plate=NAME,
    side=NAME,
    field=NAME,


onsuccess:
    print(f"Look at {NIGHT}/index.html", file=sys.stderr)


# One failed plate leaves the others finished; the summary of the night is written all the same, and the exit code says
# whether a person can mend what failed (2) or not (1).
onerror:
    print(f"Not all could be done; see {NIGHT}/index.html", file=sys.stderr)
    sys.exit(subprocess.run(SUMMARISE).returncode or 1)


rule all:
    default_target: True
    input:
        f"{NIGHT}/sheet.json",
        f"{NIGHT}/index.html",


rule surface:
    input:
        every_field("surface/height.tif", "surface/curvature.tif", "surface/texture.json"),


rule marks:
    input:
        every_field("marks/class.tif", "marks/etched_height.tif"),


rule review:
    input:
        every_plate("review/index.html"),


rule condition_report:
    input:
        every_plate("report.pdf"),
