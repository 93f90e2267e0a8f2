"""What the names of photographs and their folders tell: role, plate, lamp, order. Names in, guesses out."""

import re
from collections import Counter
from collections.abc import Sequence
from pathlib import PurePosixPath

from lightdome.session.records import FEWEST_LAMPS
from lightdome.session.tables import NAME

ROLE_WORDS = {
    "dark": {"dark", "darks", "blackframe", "blackframes", "lenscap", "capped"},
    "flat": {"flat", "flats", "flatfield", "flatfields", "board", "boards", "whiteboard"},
    "ambient": {"ambient", "roomlight", "lampsoff"},
    "sphere": {"sphere", "spheres", "ball", "balls", "chrome", "mirror", "mirrors"},
    "mask": {"mask", "masks"},
    "colour": {"colour", "color", "colourchart", "colorchart"},
    "checkerboard": {"checker", "checkerboard", "checkerboards", "chess", "chessboard", "distortion"},
}
"""Words in a name, by the role that they mean. The first role found counts."""
OTHER_TARGETS = {"scale", "scalebar", "ruler"}
"""Words for what is photographed beside the plate and has no role in frames.csv."""
PLAIN_FOLDERS = {
    "frames", "frame", "raw", "raws", "dng", "photos", "photo", "photographs", "images", "pictures", "capture", "dcim",
    "lit", "jpg",
}  # fmt: skip
"""Names of folders that tell nothing."""
SIDES = {"front": "front", "recto": "front", "obverse": "front", "back": "back", "verso": "back", "reverse": "back"}
LAMP = re.compile(r"(?:^|[^A-Za-z0-9])((?:lamp|led|light|l)[-_ ]?\d{1,4})$", re.IGNORECASE)
LONGEST_NAME = 64


def natural(name: str) -> list[tuple[int, int | str]]:
    """A key that sorts 2 before 10."""
    parts = re.split(r"(\d+)", name.lower())
    return [(0, int(part)) if part.isdecimal() else (1, part) for part in parts if part]


def words_of(text: str) -> list[str]:
    """Lower-case words of a name, cut at everything but letters."""
    return re.findall(r"[a-z]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", text).lower())


def role_of(path: PurePosixPath) -> str:
    """The role that a file's name or its nearest folder speaks of: lit where none does, '' for targets of other kinds.

    A name speaks before the folder it lies in; a folder speaks only where it has no other words, since it may be a
    plate's name.
    """
    for words in (words_of(path.stem), *(words_of(part) for part in reversed(path.parts[:-1]) if _tells_role(part))):
        if OTHER_TARGETS.intersection(words):
            return ""
        if ROLE_WORDS["mask"].intersection(words) and ROLE_WORDS["sphere"].intersection(words):
            return "sphere-mask"
        for role, known in ROLE_WORDS.items():
            if known.intersection(words):
                return role
    return "lit"


def _tells_role(folder: str) -> bool:
    words = set(words_of(folder))
    known = OTHER_TARGETS.union(*ROLE_WORDS.values())
    return bool(words & known) and words <= known | PLAIN_FOLDERS


def place_of_file(path: PurePosixPath) -> tuple[str, str, str]:
    """Plate, side and field that the folders of a file speak of, '' where they do not."""
    parts = [part for part in path.parts[:-1] if part.lower() not in PLAIN_FOLDERS and not _tells_role(part)]
    side = next((SIDES[part.lower()] for part in parts if part.lower() in SIDES), "")
    parts = [part for part in parts if part.lower() not in SIDES]
    plate = safe_name(parts[0]) if parts else ""
    field = safe_name("-".join(parts[1:])) if len(parts) > 1 else ""
    return plate, side, field


def safe_name(text: str) -> str:
    """A name as the sheet allows it."""
    name = re.sub(r"[^A-Za-z0-9_.-]+", "-", text).strip("-_.")[:LONGEST_NAME]
    return name if NAME.fullmatch(name) else "plate"


def lamp_of(stem: str) -> str:
    """The lamp that a file's name ends in (L07, lamp-7), '' where it ends in a plain number."""
    found = LAMP.search(stem)
    return re.sub(r"[-_ ]", "", found.group(1)) if found else ""


def plates_in_names(stems: Sequence[str]) -> dict[str, str]:
    """The plate that each of some names in one folder begins with, before its lamp (TP-017-L01).

    Where names end in plain numbers (TP-017_0001), only if there are two beginnings and more, of enough lamps each; one
    alone is the camera's own.
    """
    plates: dict[str, str] = {}
    for stem in stems:
        lamp, number = LAMP.search(stem), re.search(r"\d+$", stem)
        found = lamp or number
        if found and stem[: found.start()].strip("-_ ."):
            plates[stem] = safe_name(stem[: found.start()])
    counts = Counter(plates.values())
    many = {name for name, count in counts.items() if count >= FEWEST_LAMPS}
    return {stem: name for stem, name in plates.items() if lamp_of(stem) or (name in many and len(many) > 1)}
