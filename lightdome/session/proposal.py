"""A first sheet for a folder of photographs: what names, order and Exif tell, and what a person must decide.

Facts in, rows and text out; nothing is opened here.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from lightdome.session.exif import Exif
from lightdome.session.naming import (
    lamp_of,
    natural,
    place_of_file,
    plates_in_names,
    role_of,
)
from lightdome.session.records import FEWEST_LAMPS, SHARED_ROLES, FieldName
from lightdome.session.tables import LAMP_ROLES

NO_PLATE = "plate-1"
SIDE, FIELD = "front", "A"
MOST_LISTED = 5
Row = dict[str, str]


@dataclass(frozen=True)
class Found:
    """One photograph of the folder."""

    path: PurePosixPath
    """In the folder."""
    shape: tuple[int, int] | None
    """Rows and columns; None where the file cannot be opened."""
    raw: bool
    exif: Exif
    sha256: str


@dataclass
class Proposal:
    """What is to be written, and what is to be said about it."""

    rows: list[Row] = field(default_factory=list)
    """Of frames.csv."""
    lamps: list[str] = field(default_factory=list)
    plates: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    """What was guessed or left out, and what looks wrong."""

    @property
    def from_spheres(self) -> bool:
        """Whether spheres were photographed, so that they tell where the lamps were."""
        return any(row["role"] == "sphere" for row in self.rows)


def propose(found: Sequence[Found]) -> Proposal:
    """Rows of frames.csv, lamps and plates of a folder's photographs."""
    proposal = Proposal()
    kept = _without_twins(sorted(found, key=lambda one: natural(one.path.as_posix())), proposal)
    by_role: dict[str, list[Found]] = defaultdict(list)
    for one in kept:
        by_role[role_of(one.path)].append(one)
    _note(proposal, "left out, because frames.csv has no role for it", [one.path for one in by_role.pop("", [])])
    _note(proposal, "cannot be opened", [one.path for one in kept if one.shape is None])
    fields = _fields(by_role.pop("lit", []))
    proposal.plates = sorted({name.plate for name in fields}, key=natural)
    lamps = _lamp_names(fields, proposal)
    for name, lit in fields.items():
        for one, lamp in zip(lit, lamps[name], strict=True):
            proposal.rows.append(_row(one, "lit", name, lamp))
    proposal.lamps = list(dict.fromkeys(lamp for names in lamps.values() for lamp in names))
    for role in sorted(by_role):
        _others(role, by_role[role], list(fields), proposal)
    _doubts(fields, proposal)
    return proposal


def _without_twins(found: Sequence[Found], proposal: Proposal) -> list[Found]:
    """Without the JPEG that a camera wrote beside a raw file."""
    raw = {one.path.with_suffix("") for one in found if one.raw}
    twins = [one for one in found if not one.raw and one.path.with_suffix("") in raw]
    _note(proposal, "left out beside the raw file of the same name", [one.path for one in twins])
    return [one for one in found if one not in twins]


def _fields(lit: Sequence[Found]) -> dict[FieldName, list[Found]]:
    """The lit photographs of each field, in the order they were taken in (by Exif, else by name)."""
    folders: dict[PurePosixPath, list[Found]] = defaultdict(list)
    for one in lit:
        folders[one.path.parent].append(one)
    fields: dict[FieldName, list[Found]] = defaultdict(list)
    for photographs in folders.values():
        in_names = plates_in_names([one.path.stem for one in photographs])
        several = len(set(in_names.values())) > 1
        for one in photographs:
            plate, side, view = place_of_file(one.path)
            if several or not plate:
                plate = in_names.get(one.path.stem, plate or NO_PLATE)
            fields[FieldName(plate, side or SIDE, view or FIELD)].append(one)
    for photographs in fields.values():
        if all(one.exif.taken for one in photographs):
            photographs.sort(key=lambda one: one.exif.taken or "")  # stable: equal seconds stay in order of name
    return dict(sorted(fields.items(), key=lambda item: natural(str(item[0]))))


def _lamp_names(fields: dict[FieldName, list[Found]], proposal: Proposal) -> dict[FieldName, list[str]]:
    """The lamp of each lit photograph: as its name says, else counted; the first photograph of a cycle is lamp L01."""
    names = {}
    for name, lit in fields.items():
        said = [lamp_of(one.path.stem) for one in lit]
        if all(said) and len(set(said)) == len(said):
            names[name] = said
        else:
            names[name] = _counted(len(lit))
            proposal.notes.append(
                f"{name}: the first of its {len(lit)} lit photographs is taken as lamp {names[name][0]}, and so on"
            )
    return names


def _counted(count: int) -> list[str]:
    width = max(2, len(str(count)))
    return [f"L{number:0{width}d}" for number in range(1, count + 1)]


def _others(role: str, photographs: Sequence[Found], fields: Sequence[FieldName], proposal: Proposal) -> None:
    """Rows of one role that is not lit: of the plate that folders or names speak of, else of the whole session."""
    places: dict[tuple[FieldName | None, ...], list[Found]] = defaultdict(list)
    for one in photographs:
        places[_places(one, role, fields)].append(one)
    for names, alike in places.items():
        if not names:
            _note(
                proposal, f"left out: it is not known which plate this {role} belongs to", [one.path for one in alike]
            )
            continue
        if role in LAMP_ROLES and all(one.exif.taken for one in alike):
            alike.sort(key=lambda one: one.exif.taken or "")
        lamps = [""] * len(alike)
        if role in LAMP_ROLES:
            said = [lamp_of(one.path.stem) for one in alike]
            lamps = said if all(lamp in proposal.lamps for lamp in said) else proposal.lamps
            if len(lamps) != len(alike):
                lamps = [""] * len(alike)
                proposal.notes.append(
                    f"{len(alike)} {role} photographs stand against {len(proposal.lamps)} lamps; write into frames.csv "
                    f"which lamp each belongs to"
                )
        for name in names:
            proposal.rows += [_row(one, role, name, lamp) for one, lamp in zip(alike, lamps, strict=True)]


def _places(one: Found, role: str, fields: Sequence[FieldName]) -> tuple[FieldName | None, ...]:
    """Fields that a photograph serves; (None,) for the whole session, () where it is not known."""
    plate, side, view = place_of_file(one.path)
    plates = {name.plate for name in fields}
    if plate not in plates:
        stem = one.path.stem.lower()
        plate = max((name for name in plates if stem.startswith(name.lower())), key=len, default="")
    mine = tuple(
        name for name in fields if name.plate == plate and side in ("", name.side) and view in ("", name.field)
    )
    if mine:
        return mine
    if role in SHARED_ROLES:
        return (None,)
    return tuple(fields) if len(fields) == 1 else ()


def _row(one: Found, role: str, name: FieldName | None, lamp: str) -> Row:
    plate, side, view = (name.plate, name.side, name.field) if name else ("", "", "")
    return {
        "file": one.path.as_posix(),
        "plate": plate,
        "side": side,
        "field": view,
        "role": role,
        "lamp": lamp,
        "sha256": one.sha256,
    }


def _doubts(fields: dict[FieldName, list[Found]], proposal: Proposal) -> None:
    """Fields that differ from the others in number or size of photographs."""
    counts = Counter(len(lit) for lit in fields.values())
    usual = counts.most_common(1)[0][0] if counts else 0
    for name, lit in fields.items():
        if len(lit) < FEWEST_LAMPS:
            proposal.notes.append(
                f"{name}: has {len(lit)} lit photographs, and at least {FEWEST_LAMPS} lamps are needed"
            )
        elif len(lit) != usual:
            proposal.notes.append(
                f"{name}: has {len(lit)} lit photographs where other fields have {usual}; did a lamp miss or repeat?"
            )
        sizes = {one.shape for one in lit if one.shape}
        if len(sizes) > 1:
            proposal.notes.append(f"{name}: its lit photographs have {len(sizes)} sizes; give them as taken")


def _note(proposal: Proposal, text: str, paths: Sequence[PurePosixPath]) -> None:
    if paths:
        more = f" and {len(paths) - MOST_LISTED} more" if len(paths) > MOST_LISTED else ""
        proposal.notes.append(f"{text}: {', '.join(path.as_posix() for path in paths[:MOST_LISTED])}{more}")
