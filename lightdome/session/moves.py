"""What is said about movement: the facts of each frame, and where a nudge of the plate lies between two frames."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from lightdome.session.motion import Motion

SAID_PX = 0.2
"""Less than that makes no photograph poorer once it is moved back."""
ALIKE_PX = 0.5
"""Frames one after another that stand no farther apart are taken to stand alike."""
FEWEST_ALIKE = 2
JUMP_SHARE = 0.7
"""Share of the step between two groups that lies between the two frames where they meet; less is a drift."""


def motion_facts(motion: Motion, index: int, corners_moved_px: np.ndarray) -> dict[str, Any]:
    """What `frames/quality.json` says of one frame; corners_moved_px : (4, 2), of the plate's corners."""

    def known(value: float, digits: int) -> float | None:
        return round(float(value), digits) if np.isfinite(value) else None

    u_turn = float(motion.u_turn[index])
    return {
        "shift_px": [round(float(value), 3) + 0.0 for value in motion.shift_px[index]],
        "u_shift_px": known(motion.u_px[index], 3),
        "rotation_deg": round(float(motion.rotation_deg[index]), 5) + 0.0,
        "u_rotation_deg": known(np.degrees(u_turn), 5),
        "scale": round(float(motion.scale[index]), 7),
        "u_scale": known(u_turn, 7),
        "moved_px": round(float(np.hypot(*corners_moved_px.T).max()), 3),
    }


def movement_warnings(moved_px: np.ndarray, facts: Sequence[dict[str, Any]]) -> list[str | None]:
    """What is said of each lit frame's movement, in the order in which they were taken; None where nothing is.

    moved_px : (frames, 4, 2), of the plate's corners.  facts : of `motion_facts`, with the name of the `file`.
    Where the plate was nudged, that is said once, of the first frame that stands elsewhere.
    """
    groups = _standing_alike(moved_px)
    said: list[str | None] = [_moved(entry) if entry["moved_px"] >= SAID_PX else None for entry in facts]
    nudges: dict[int, str] = {}
    for before, after in pairwise(groups):
        step = np.median(moved_px[after], axis=0) - np.median(moved_px[before], axis=0)
        jump = moved_px[after[0]] - moved_px[before[-1]]
        size_px = float(np.hypot(*step.T).max())
        if size_px > ALIKE_PX and np.hypot(*jump.T).max() >= JUMP_SHARE * size_px:
            for index in (*before, *after):
                said[index] = None
            rows, cols = step.mean(axis=0)
            nudges[after[0]] = (
                f"from here on the plate stands {size_px:.1f} px further than in {facts[before[-1]]['file']} "
                f"({rows:+.1f} rows, {cols:+.1f} columns in the middle): it was nudged in between; stack-frames moves "
                f"the frames back"
            )
    return [nudges.get(index, text) for index, text in enumerate(said)]


def _moved(entry: dict[str, Any]) -> str:
    rows, cols = entry["shift_px"]
    text = f"moved by {rows:.2f} rows and {cols:.2f} columns"
    if entry["rotation_deg"] or entry["scale"] != 1:
        text += (
            f", turned by {entry['rotation_deg']:.3f} degrees, {100 * (entry['scale'] - 1):+.3f} % in size "
            f"(up to {entry['moved_px']:.1f} px at the plate's corners)"
        )
    return f"{text}; stack-frames moves it back"


def _standing_alike(moved_px: np.ndarray) -> list[list[int]]:
    """Runs of frames that stand alike; single frames between them, bumped or not measured, are left out."""
    runs: list[list[int]] = []
    for index, place in enumerate(moved_px):
        for run in runs[:-3:-1]:
            # one bumped frame does not end a run
            if np.hypot(*(place - np.median(moved_px[run], axis=0)).T).max() <= ALIKE_PX and index - run[-1] <= 2:
                run.append(index)
                break
        else:
            runs.append([index])
    return [run for run in runs if len(run) >= FEWEST_ALIKE]
