"""What became of the night: each step of each field, from what it left behind. Texts in, records out."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

ERROR = "lightdome: error: "
STATES = ("failed", "not finished", "warned", "done")
"""Of a field or a plate, the worst first."""
FIELD_STEPS = {
    "check-session": ("frames/quality.json", "frames/lamp_layout.png", "frames/check.html"),
    "stack-frames": ("frames/stack.zarr.zip",),
    "locate-lamps": ("lights/lamps.json",),
    "solve-normals": (
        "surface/normals.tif",
        "surface/normal_uncertainty.tif",
        "surface/reflectance.tif",
        "surface/flags.tif",
        "surface/lobe.json",
    ),
    "integrate-height": ("surface/height.tif", "surface/height_uncertainty.tif"),
    "map-curvature": ("surface/curvature.tif",),
    "measure-texture": ("surface/texture.json",),
    "trace-marks": ("marks/traces.json", "marks/areas.tif"),
    "classify-marks": ("marks/marks.geojson", "marks/marks.csv", "marks/class.tif"),
    "split-relief": ("marks/etched_height.tif", "marks/scratch_height.tif"),
    "fit-relighting": ("relight/coefficients.tif", "relight/lobe.tif", "relight/quality.json"),
}
"""Steps of a field in the plate's way, and what each one leaves."""
PLATE_STEPS = {
    "build-review": ("review/index.html", "review/plate.json", "review/pictures.html"),
    "write-report": ("report.pdf",),
}


@dataclass(frozen=True)
class StepState:
    """What became of one step."""

    step: str
    state: str
    """done, failed, or not reached."""
    why: str = ""
    """The sentence that the step ended with, where it failed."""
    mendable: bool = True
    """False where it ended without a sentence of its own: a fault of the program, or killed."""
    seconds: float | None = None
    memory_mb: float | None = None


@dataclass(frozen=True)
class Night:
    """What became of one field, or of a plate as a whole."""

    steps: tuple[StepState, ...]
    warnings: tuple[str, ...] = ()

    @property
    def failed(self) -> tuple[StepState, ...]:
        """Steps that failed."""
        return tuple(step for step in self.steps if step.state == "failed")

    @property
    def state(self) -> str:
        """done, warned, failed, or not finished."""
        if self.failed:
            return "failed"
        if any(step.state != "done" for step in self.steps):
            return "not finished"
        return "warned" if self.warnings else "done"

    @property
    def seconds(self) -> float:
        """Time of all steps together."""
        return sum(step.seconds or 0.0 for step in self.steps)


def state_of(step: str, log: str | None, table: str | None, complete: bool) -> StepState:
    """What became of a step.

    log : what it said, None where it never began.  table : its benchmark table.  complete : all its products are there.
    """
    seconds, memory_mb = measured(table)
    last = last_line(log or "")
    if last.startswith(ERROR):
        return StepState(step, "failed", last.removeprefix(ERROR), True, seconds, memory_mb)
    if complete:
        return StepState(step, "done", "", True, seconds, memory_mb)
    if log is None:
        return StepState(step, "not reached")
    why = f"ended without finishing; its last words: {last}" if last else "was stopped before it said anything"
    return StepState(step, "failed", why, False, seconds, memory_mb)


def last_line(text: str) -> str:
    """The last line that is not blank."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return lines[-1] if lines else ""


def measured(table: str | None) -> tuple[float | None, float | None]:
    """Seconds and peak memory (MB) of the last run in a benchmark table; None where it does not say."""
    rows = list(csv.DictReader(io.StringIO(table or ""), delimiter="\t"))
    if not rows:
        return None, None
    return _float(rows[-1].get("s")), _float(rows[-1].get("max_rss"))


def _float(text: str | None) -> float | None:
    try:
        return float(text or "")
    except ValueError:
        return None


def warnings_of(
    quality: Mapping[str, Any] | None, lobe: Mapping[str, Any] | None, relight: Mapping[str, Any] | None
) -> tuple[str, ...]:
    """What the finished steps want a person to know, from quality.json (frames, relight) and lobe.json."""
    found: list[str] = []
    if quality:
        if quality.get("verdict") == "retake":
            found.append("take this field again before the plate goes back")
        found += [str(text) for text in (*quality.get("reasons", ()), *quality.get("warnings", ()))]
    if lobe:
        found += [str(lobe[key]) for key in ("warning", "note") if lobe.get(key)]
    if relight:
        found += [str(text) for text in relight.get("notes", ())]
    return tuple(found)


def worst(nights: Sequence[Night]) -> str:
    """The state of a plate: that of its worst part."""
    return min((one.state for one in nights), key=STATES.index)


def exit_code(nights: Sequence[Night], refused: Sequence[str]) -> int:
    """2 where something went wrong and all of it can be mended by a person; 1 where some of it cannot; else 0."""
    failed = [step for night in nights for step in night.failed]
    if any(not step.mendable for step in failed):
        return 1
    return 2 if failed or refused else 0


def duration_words(seconds: float | None) -> str:
    """A duration as people say it."""
    if seconds is None:
        return "–"
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"
