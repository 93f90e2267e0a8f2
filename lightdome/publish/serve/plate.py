"""A plate as the night left it: its fields and proposed marks, by which changes are judged."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from http import HTTPStatus
from pathlib import Path
from typing import Any

import numpy as np

from lightdome.errors import PublishError
from lightdome.publish.records import MANIFEST
from lightdome.publish.serve.changes import FORMER, PERSON, Change, Draft
from lightdome.publish.serve.request import RefusedError

REVIEW = "review"
SAME_MM, SAME_SHARE = 0.3, 0.05
"""A mark of another night is the same where no side of its box has moved by more than this; where it kept its number,
by more than this part of its size (a choice of ours: marks of two runs of one plate differ by a few pixels)."""


@dataclass(frozen=True)
class Proposed:
    """Marks that the night proposes for one field."""

    features: dict[str, dict[str, Any]]
    """GeoJSON by id."""
    boxes: np.ndarray
    """(marks, 4), mm: lowest x and y, highest x and y, in the same order."""

    def like(self, name: str, geometry: Mapping[str, Any]) -> str | None:
        """Id of the mark that lies where `geometry` does: `name` if it does, else the nearest, else none."""
        if not self.features:
            return None
        box, names = _box(geometry), list(self.features)
        apart = np.abs(self.boxes - box).max(axis=1)
        same = apart[names.index(name)] if name in self.features else np.inf
        nearest = int(np.argmin(apart))
        if same > SAME_MM and apart[nearest] <= SAME_MM:
            return names[nearest]
        size = float(max(np.ptp(box[::2]), np.ptp(box[1::2])))
        return name if same <= max(SAME_MM, SAME_SHARE * size) else None


@dataclass(frozen=True)
class Plate:
    """A plate's results folder with a review page."""

    folder: Path
    session: str
    name: str
    fields: dict[tuple[str, str], Proposed]
    """By side and field."""

    def marks(self) -> dict[str, dict[str, Any]]:
        """GeoJSON features by side/field/id."""
        return {
            f"{side}/{field}/{name}": feature
            for (side, field), proposed in self.fields.items()
            for name, feature in proposed.features.items()
        }

    def check(self, draft: Draft, spoken_of: bool) -> dict[str, Any] | None:
        """What the proposed mark of a change is now, None of a drawn one; PublishError where it is not there, or where
        a drawn one is there already.

        spoken_of : whether the finding has changes already.
        """
        if draft.kind == "draw":
            if spoken_of:
                raise PublishError(f"finding: {draft.finding} is drawn already; make a new name")
            if (draft.body["side"], draft.body["field"]) not in self.fields:
                raise PublishError("body: the plate has no such side and field")
            return None
        if PERSON.fullmatch(draft.finding):
            if not spoken_of:
                raise PublishError(f"finding: nobody has drawn {draft.finding}")
            return None
        side, field, name = draft.finding.split("/")
        mark = self.fields[side, field].features.get(name) if (side, field) in self.fields else None
        if mark is None:
            raise PublishError(f"finding: the plate has no mark {draft.finding}")
        return {"class": mark["properties"].get("class"), "geometry": mark["geometry"]}

    def sort_out(self, changes: Iterable[Change]) -> list[Change]:
        """The same changes, each by the name that its mark has now.

        A later night numbers its marks anew: what was said goes with the mark that lies where it was said, and where
        there is none, it stands under a name of its own. It never passes to another mark that got the number.
        """
        told: dict[tuple[str, str], str] = {}
        sorted_out = []
        for change in changes:
            if change.about is None:
                sorted_out.append(change)
                continue
            key = change.finding, json.dumps(change.about["geometry"])
            if key not in told:
                told[key] = self._name_now(change)
            sorted_out.append(replace(change, finding=told[key]))
        return sorted_out

    def _name_now(self, change: Change) -> str:
        side, field, name = change.finding.split("/")
        if change.about and (side, field) in self.fields:
            there = self.fields[side, field].like(name, change.about["geometry"])
            if there is not None:
                return f"{side}/{field}/{there}"
        return f"{FORMER}{change.sequence}:{change.finding}"


def read_plate(folder: Path) -> Plate:
    """The plate of a results folder; RefusedError (404) where it has no review page that can be read."""
    try:
        manifest = json.loads((folder / REVIEW / MANIFEST).read_text(encoding="utf-8"))
        fields = {}
        for facts in manifest["fields"]:
            side, field = str(facts["side"]), str(facts["field"])
            path = folder / side / field / "marks/marks.geojson"
            there = path.is_file()
            fields[side, field] = _proposed(path, path.stat().st_mtime_ns) if there else Proposed({}, np.empty((0, 4)))
        return Plate(folder, str(manifest["session"]), str(manifest["plate"]), fields)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
        raise RefusedError(HTTPStatus.NOT_FOUND, "there is no review page that can be read") from error


@lru_cache(maxsize=32)
def _proposed(path: Path, _changed_ns: int) -> Proposed:
    """Proposed marks of a field, read again when the file has changed."""
    features = json.loads(path.read_text(encoding="utf-8"))["features"]
    # a mark without a place cannot be shown and so not be spoken of
    by_id = {str(feature["properties"]["id"]): feature for feature in features if feature["geometry"]}
    return Proposed(by_id, np.array([_box(feature["geometry"]) for feature in by_id.values()]).reshape(-1, 4))


def _box(geometry: Mapping[str, Any]) -> np.ndarray:
    """Lowest x and y, highest x and y, (4,), of a GeoJSON geometry."""
    points = np.array(_positions(geometry["coordinates"]), float)
    return np.concatenate([points.min(axis=0), points.max(axis=0)])


def _positions(coordinates: Any) -> list[Any]:
    if isinstance(coordinates[0], int | float):
        return [coordinates[:2]]
    return [position for part in coordinates for position in _positions(part)]
