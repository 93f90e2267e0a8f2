"""A plate as the night left it: its fields and proposed marks, by which changes are judged."""

import json
from dataclasses import dataclass
from functools import lru_cache
from http import HTTPStatus
from pathlib import Path
from typing import Any

from lightdome.errors import PublishError
from lightdome.publish.records import MANIFEST
from lightdome.publish.serve.changes import PERSON, Draft
from lightdome.publish.serve.request import RefusedError

REVIEW = "review"


@dataclass(frozen=True)
class Plate:
    """A plate's results folder with a review page."""

    folder: Path
    session: str
    name: str
    fields: tuple[tuple[str, str], ...]
    """Side and field."""
    marks: dict[str, dict[str, Any]]
    """GeoJSON features by side/field/id."""

    def check(self, draft: Draft, spoken_of: bool) -> None:
        """PublishError where the finding of a change is not there, or a drawn one is there already.

        spoken_of : whether the finding has changes already.
        """
        if draft.kind == "draw":
            if spoken_of:
                raise PublishError(f"finding: {draft.finding} is drawn already; make a new name")
            if (draft.body["side"], draft.body["field"]) not in self.fields:
                raise PublishError("body: the plate has no such side and field")
        elif PERSON.fullmatch(draft.finding):
            if not spoken_of:
                raise PublishError(f"finding: nobody has drawn {draft.finding}")
        elif draft.finding not in self.marks:
            raise PublishError(f"finding: the plate has no mark {draft.finding}")


def read_plate(folder: Path) -> Plate:
    """The plate of a results folder; RefusedError (404) where it has no review page that can be read."""
    try:
        manifest = json.loads((folder / REVIEW / MANIFEST).read_text(encoding="utf-8"))
        fields = tuple((str(field["side"]), str(field["field"])) for field in manifest["fields"])
        marks: dict[str, dict[str, Any]] = {}
        for side, field in fields:
            path = folder / side / field / "marks/marks.geojson"
            if path.is_file():
                found = _marks(path, path.stat().st_mtime_ns)
                marks |= {f"{side}/{field}/{name}": mark for name, mark in found.items()}
        return Plate(folder, str(manifest["session"]), str(manifest["plate"]), fields, marks)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise RefusedError(HTTPStatus.NOT_FOUND, "there is no review page that can be read") from error


@lru_cache(maxsize=32)
def _marks(path: Path, _changed_ns: int) -> dict[str, dict[str, Any]]:
    """Proposed marks of a field by their id, read again when the file has changed."""
    features = json.loads(path.read_text(encoding="utf-8"))["features"]
    return {str(feature["properties"]["id"]): feature for feature in features}
