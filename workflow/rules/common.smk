"""Shared by all rule files. The night's plan, paths, flags from the config, memory from pixels and lamps."""

import os
import shlex

from snakemake.exceptions import WorkflowError
from snakemake.utils import validate

from lightdome.errors import LightdomeError
from lightdome.provenance import code_mark
from lightdome.session.records import FieldName
from lightdome.session.sheet import plan_session

NAME = r"[A-Za-z0-9_-][A-Za-z0-9_.-]*"


def refuse(message):
    """End before anything has begun, as the commands do: one sentence, exit code 2."""
    print(f"lightdome: error: {message}", file=sys.stderr)
    sys.exit(2)


try:
    validate(config, f"{workflow.basedir}/workflow/schemas/config.schema.yaml")
except WorkflowError as error:
    refuse(f"the settings do not fit config/README.md: {' '.join(str(error).split())}")

SESSION = Path(config["session"])
if not SESSION.is_absolute() and not SESSION.exists():
    SESSION = Path(workflow.basedir) / SESSION

try:
    PLAN = plan_session(SESSION)
except LightdomeError as error:
    refuse(error)

NIGHT = f"{config['results']}/{PLAN.session}"
there = next(path for path in (Path(NIGHT), *Path(NIGHT).absolute().parents) if path.exists())
if not (there.is_dir() and os.access(there, os.W_OK)):
    refuse(f"{there}: results cannot be written there; choose a results folder that you may write to")
FIELD = f"{NIGHT}/{{plate}}/{{side}}/{{field}}"
PLATE = f"{NIGHT}/{{plate}}"
# `lightdome` stands beside the Python that runs the workflow, whether or not its environment is activated.
BIN = Path(sys.executable).parent
shell.prefix(f"export PATH={shlex.quote(str(BIN))}:$PATH; ")
SUMMARISE = [BIN / "lightdome", "summarise-night", NIGHT, "--session", SESSION, "--page", f"{NIGHT}/index.html"]


def flags(section):
    """The settings of one step as command-line flags, sorted, so that a reordered config reruns nothing."""
    pairs = sorted((key.replace("_", "-"), value) for key, value in config[section].items() if value is not None)
    return " ".join(f"--{key} {shlex.quote(str(value))}" for key, value in pairs)


def field_of(wildcards):
    return FieldName(wildcards.plate, wildcards.side, wildcards.field)


def sheet_files():
    """The session's own files, as far as they exist; what is missing is said by check-session."""
    return [str(SESSION / name) for name in ("session.yaml", "frames.csv", "lamps.csv") if (SESSION / name).is_file()]


def photographs(wildcards):
    """Every photograph of a field that exists, so that a missing one stops this field and not the night."""
    return [str(path) for path in PLAN.photographs(field_of(wildcards))]


def every_field(*products):
    return [f"{NIGHT}/{name}/{product}" for name in PLAN.fields for product in products]


def every_plate(product):
    return [f"{NIGHT}/{plate}/{product}" for plate in sorted({name.plate for name in PLAN.fields})]


def of_plate(*products):
    """Products of every field of the wildcard's plate."""

    def paths(wildcards):
        names = [name for name in PLAN.fields if name.plate == wildcards.plate]
        return [f"{NIGHT}/{name}/{product}" for name in names for product in products]

    return paths


def memory_mb(base, per_megapixel):
    """Memory of a step from the field's pixels, a little over what benchmarks/memory.py measured with 48 lamps.

    Steps that read all lamps do so a block of pixels at a time, so that more lamps take little more.
    """

    def mem_mb(wildcards, attempt):
        lamps = PLAN.lamp_count(field_of(wildcards))
        need = base * max(1, lamps / 96) + per_megapixel * PLAN.pixels(field_of(wildcards)) / 1e6
        return round(need * (1 + 0.5 * (attempt - 1)))

    return mem_mb
