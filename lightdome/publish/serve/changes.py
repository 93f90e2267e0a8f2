"""What people say of a plate's marks: one record a change, and what all changes together come to.

A change is never taken back or overwritten; a later one stands beside it. The state of a finding is the fold of its
changes in the order of their sequence:

    draw        a new finding of a person: class and geometry
    confirm     decided: it is what it is said to be
    reclassify  decided: it is of another class
    reject      decided: it is no mark
    reopen      undecided again, with the class it came with
    comment     adds a text, decides nothing

The last decision counts. Where its author had not seen an earlier decision of somebody else, the finding is contested
until someone decides who has seen both.
"""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from lightdome.errors import PublishError
from lightdome.publish.class_map import CLASSES

BODY_KEYS = {
    "confirm": set(),
    "reclassify": {"class"},
    "reject": set(),
    "draw": {"side", "field", "class", "geometry"},
    "comment": {"text"},
    "reopen": set(),
}
"""Keys of a change's body, by kind."""
DECISIONS = {"confirm": "confirmed", "reclassify": "reclassified", "reject": "rejected", "reopen": "proposed"}
"""Status that a kind leads to."""
REASONED = ("reclassify", "reject")
UUID = r"[0-9a-f]{8}-[0-9a-f]{4}-[1-8][0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}"
PART = r"[A-Za-z0-9_-][A-Za-z0-9_.-]*"
PERSON = re.compile(rf"person:{UUID}")
FORMER = "former:"
"""Begins the name of a mark that was spoken of and is proposed no more; the sequence of its first change follows."""
FINDING = re.compile(rf"(?:{FORMER}[0-9]+:)?{PART}/{PART}/{PART}|{PERSON.pattern}")
LONGEST_AUTHOR, LONGEST_TEXT = 80, 8000
FARTHEST_MM = 1e5
LEAST_POSITIONS = {"LineString": 2, "Polygon": 4}
KEYS = {"client_id", "finding", "kind", "author", "reason", "body", "seen"}


@dataclass(frozen=True)
class Draft:
    """A change as it is sent."""

    client_id: str
    """UUID that the sender made: the same change sent twice is kept once."""
    finding: str
    """side/field/id of a proposed mark, or person:UUID of a drawn one."""
    kind: str
    author: str
    reason: str
    body: Mapping[str, Any]
    seen: int
    """Sequence of the last change that the author had seen."""

    def __post_init__(self) -> None:
        if not (isinstance(self.kind, str) and self.kind in BODY_KEYS):
            raise PublishError(f"kind: must be one of {', '.join(BODY_KEYS)}")
        if not (isinstance(self.client_id, str) and re.fullmatch(UUID, self.client_id)):
            raise PublishError("client_id: must be a UUID in small letters")
        if not (isinstance(self.finding, str) and FINDING.fullmatch(self.finding)):
            raise PublishError("finding: must be side/field/id of a mark, or person: and a UUID")
        if not _is_text(self.author, LONGEST_AUTHOR) or not self.author.strip() or "\n" in self.author:
            raise PublishError(f"author: must be a name of at most {LONGEST_AUTHOR} characters")
        if not _is_text(self.reason, LONGEST_TEXT):
            raise PublishError(f"reason: must be a text of at most {LONGEST_TEXT} characters")
        if self.kind in REASONED and not self.reason.strip():
            raise PublishError(f"reason: {self.kind} needs one")
        if isinstance(self.seen, bool) or not isinstance(self.seen, int) or not 0 <= self.seen < 2**53:
            raise PublishError("seen: must be the sequence of the last change seen, 0 or more")
        if not isinstance(self.body, Mapping) or set(self.body) != BODY_KEYS[self.kind]:
            raise PublishError(f"body: {self.kind} needs {_listed(BODY_KEYS[self.kind])}")
        if "class" in self.body and self.body["class"] not in CLASSES:
            raise PublishError(f"body: class must be one of {', '.join(CLASSES)}")
        if self.kind == "comment" and (not _is_text(self.body["text"], LONGEST_TEXT) or not self.body["text"].strip()):
            raise PublishError(f"body: text must be of 1 to {LONGEST_TEXT} characters")
        if self.kind == "draw":
            if not PERSON.fullmatch(self.finding):
                raise PublishError("finding: a drawn one is named person: and a UUID")
            if not all(isinstance(self.body[key], str) for key in ("side", "field")):
                raise PublishError("body: side and field must be names")
            check_geometry(self.body["geometry"])


@dataclass(frozen=True)
class Change(Draft):
    """A change as it is kept."""

    sequence: int
    time: str
    """UTC, ISO 8601."""
    about: Mapping[str, Any] | None = None
    """Class and geometry that the proposed mark had when this was said of it."""

    def as_dict(self) -> dict[str, Any]:
        """As it is sent to the page."""
        return {
            "sequence": self.sequence,
            "time": self.time,
            "finding": self.finding,
            "kind": self.kind,
            "author": self.author,
            "reason": self.reason,
            "body": dict(self.body),
            "client_id": self.client_id,
            "seen": self.seen,
            "about": self.about and dict(self.about),
        }


@dataclass(frozen=True)
class State:
    """What a finding has come to."""

    finding: str
    status: str = "proposed"
    """proposed, confirmed, reclassified, rejected."""
    named: str | None = None
    """The class that a person gave; None where it is the proposed one."""
    drawn: Mapping[str, Any] | None = None
    """Body of the draw; None for a proposed mark."""
    decision: Change | None = None
    contested: bool = False
    about: Mapping[str, Any] | None = None
    """What the mark was when it was last spoken of."""
    comments: tuple[Change, ...] = ()
    changes: tuple[Change, ...] = field(default=(), repr=False)
    """All, in order."""


def read_draft(facts: Any) -> Draft:
    """A change as the page sends it; PublishError says in one sentence what is wrong."""
    if not isinstance(facts, dict) or set(facts) != KEYS:
        raise PublishError(f"a change is an object of exactly {_listed(KEYS)}")
    client_id = facts["client_id"]
    return Draft(**facts | {"client_id": client_id.lower() if isinstance(client_id, str) else client_id})


def check_geometry(geometry: Any) -> None:
    """GeoJSON Point, LineString or Polygon in plate mm; PublishError otherwise."""
    if not isinstance(geometry, dict) or set(geometry) != {"type", "coordinates"}:
        raise PublishError("geometry: must be a GeoJSON object of type and coordinates")
    kind, coordinates = geometry["type"], geometry["coordinates"]
    if kind == "Point":
        lines = [[coordinates]]
    elif kind == "LineString":
        lines = [coordinates]
    elif kind == "Polygon":
        lines = coordinates
    else:
        raise PublishError("geometry: must be a Point, a LineString or a Polygon")
    if not isinstance(lines, list) or not lines:
        raise PublishError("geometry: has no coordinates")
    for line in lines:
        if not isinstance(line, list) or len(line) < LEAST_POSITIONS.get(kind, 1):
            raise PublishError(f"geometry: a {kind} needs at least {LEAST_POSITIONS.get(kind, 1)} positions")
        if not all(_is_position(position) for position in line):
            raise PublishError(f"geometry: a position is two numbers, x and y, in mm, within {FARTHEST_MM:g}")
        if kind == "Polygon" and line[0] != line[-1]:
            raise PublishError("geometry: a ring of a Polygon ends where it begins")


def fold(changes: Iterable[Change]) -> dict[str, State]:
    """The state of every finding that was spoken of, by its name, from changes in order."""
    states: dict[str, State] = {}
    for change in changes:
        states[change.finding] = _after(states.get(change.finding, State(change.finding)), change)
    return states


def _after(state: State, change: Change) -> State:
    state = replace(state, changes=(*state.changes, change), about=change.about)
    if change.kind == "comment":
        return replace(state, comments=(*state.comments, change))
    if change.kind == "draw":
        return replace(state, drawn=change.body, named=change.body["class"])
    unseen = any(
        before.kind in DECISIONS and before.sequence > change.seen and before.author != change.author
        for before in state.changes[:-1]
    )
    given = state.drawn["class"] if state.drawn else None
    named = {"reclassify": change.body.get("class"), "reopen": given}.get(change.kind, state.named)
    return replace(state, status=DECISIONS[change.kind], named=named, decision=change, contested=unseen)


def _is_text(value: Any, longest: int) -> bool:
    """Text without control characters but for line ends and tabs, and without halves of characters."""
    return (
        isinstance(value, str)
        and len(value) <= longest
        and not re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]", value)
    )


def _is_position(position: Any) -> bool:
    return (
        isinstance(position, list)
        and len(position) == 2
        and all(isinstance(number, int | float) and not isinstance(number, bool) for number in position)
        and all(math.isfinite(number) and abs(number) <= FARTHEST_MM for number in position)
    )


def _listed(keys: set[str]) -> str:
    return ", ".join(sorted(keys)) or "no keys"
