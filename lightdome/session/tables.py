"""`frames.csv` and `lamps.csv` row by row: what is wrong with a row is kept beside it, so that it stops no other."""

import csv
import io
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from lightdome.errors import SessionError
from lightdome.session.records import ROLES, SHARED_ROLES, FieldName, Frame, Lamp
from lightdome.session.settings import nearest

FRAMES_FILE, LAMPS_FILE = "frames.csv", "lamps.csv"
LARGEST_BYTES = 20_000_000
NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}")
NAME_RULE = "a name has 1-64 letters, digits, - _ . and begins with a letter, digit or _"
SHA256 = re.compile(r"[0-9a-f]{64}")
TAKEN_PLATES = ("check.html", "index.html", "logs", "sheet.json")
TAKEN_SIDES = ("archive", "logs", "report.pdf", "review")
"""What already lies in the results folders where plates and sides get theirs."""
LAMP_ROLES = ("lit", "flat", "sphere")
LARGEST_MM = 1e6
LARGEST_POWER = 1e6
LONGEST_S = 86_400.0
POWERS = ("power_r", "power_g", "power_b")
PLACES = {"near": ("x_mm", "y_mm", "z_mm"), "distant": ("azimuth_deg", "elevation_deg")}


@dataclass(frozen=True)
class SheetRow:
    """One row of `frames.csv`, as far as it could be understood."""

    row: int
    name: FieldName | None
    """Field that the row belongs to; None where it serves the whole session or cannot be placed."""
    frame: Frame | None
    problem: str | None
    placed: bool
    """False where it is not known which field the row belongs to."""


class _RowError(Exception):
    """What is wrong with one row."""


def _at(table: str, line: int, text: str) -> str:
    """A sentence about a row; `column x: ...` joins on to the row."""
    return f"{table}, row {line}{', ' if text.startswith('column ') else ': '}{text}"


# --- any table --------------------------------------------------------------------------------------------------------


def read_rows(path: Path, needed: tuple[str, ...], optional: tuple[str, ...]) -> list[tuple[int, list[str], list[str]]]:
    """Rows of a table as (line, column names, cells); cells are stripped, blank lines left out.

    Fails with SessionError where the table as a whole cannot be read: missing, not UTF-8, bad header, empty.
    """
    text = _text(path)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        lines = []
        start = 1
        for cells in reader:
            lines.append((start, [cell.strip(" \t") for cell in cells]))
            start = reader.line_num + 1
    except csv.Error as error:
        raise SessionError(f"{path.name}, row {reader.line_num}: is not a table ({error}); mend it there") from error
    lines = [(line, cells) for line, cells in lines if any(cells)]
    if not lines:
        raise SessionError(f"{path.name}: is empty; its first row names the columns {','.join(needed)}")
    header = lines[0][1]
    _check_header(path.name, header, needed, optional)
    if len(lines) == 1:
        entry = "photograph" if path.name == FRAMES_FILE else "lamp"
        raise SessionError(f"{path.name}: has a header and no rows; add one row for each {entry}")
    return [(line, header, cells) for line, cells in lines[1:]]


def _text(path: Path) -> str:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise SessionError(f"{path}: cannot be read ({error.strerror}); put it into the session folder") from error
    if len(content) > LARGEST_BYTES:
        raise SessionError(f"{path.name}: is larger than {LARGEST_BYTES // 1_000_000} MB; is it the right file?")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        raise SessionError(f"{path.name}, row {row}: is not UTF-8 text; save the table as CSV in UTF-8") from error


def _check_header(name: str, header: list[str], needed: tuple[str, ...], optional: tuple[str, ...]) -> None:
    known = [*needed, *optional]
    for separator, word in ((";", "semicolons"), ("\t", "tabs")):
        if len(header) == 1 and separator in header[0]:
            raise SessionError(f"{name}, row 1: the columns are separated by {word}; save it separated by commas")
    for column in header:
        if column not in known:
            raise SessionError(f"{name}, row 1: unknown column {column!r}; {nearest(column, known)}")
        if header.count(column) > 1:
            raise SessionError(f"{name}, row 1: column {column!r} stands there twice; keep one")
    missing = [column for column in needed if column not in header]
    if missing:
        raise SessionError(f"{name}, row 1: the column {missing[0]!r} is missing; add it")


def _cells(header: list[str], cells: list[str]) -> dict[str, str]:
    if len(cells) != len(header):
        raise _RowError(f"has {len(cells)} cells where the header has {len(header)}; add or remove commas")
    return dict(zip(header, cells, strict=True))


def _number(cells: Mapping[str, str], column: str, low: float, high: float, above_low: bool = False) -> float:
    try:
        value = float(cells[column])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise _RowError(f"column {column}: {_shown(cells[column])} is not a number; give one")
    if not (low <= value <= high) or (above_low and value == low):
        raise _RowError(f"column {column}: {value:g} is not {'above' if above_low else 'from'} {low:g} to {high:g}")
    return value


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


# --- lamps.csv --------------------------------------------------------------------------------------------------------


def read_lamps(path: Path, model: str) -> tuple[dict[str, Lamp], dict[str, str]]:
    """Lamps by name in the order of the table, and what is wrong with the rows of the others, by lamp name.

    Fails with SessionError where the table as a whole cannot be read or its columns do not fit the model.
    """
    place = PLACES[model]
    other = PLACES["distant" if model == "near" else "near"]
    needed, optional = ("lamp", *place), ("power", *POWERS)
    try:
        rows = read_rows(path, needed, optional)
    except SessionError as error:
        if any(f"column {column!r}" in str(error) for column in other):
            raise SessionError(
                f"{LAMPS_FILE}, row 1: model {model} needs the columns {', '.join(needed)}; change the table, or model "
                f"in session.yaml"
            ) from error
        raise
    header = rows[0][1]
    given = [column for column in POWERS if column in header]
    if given and (len(given) < 3 or "power" in header):
        raise SessionError(f"{LAMPS_FILE}, row 1: give either power or all of {', '.join(POWERS)}")
    lamps: dict[str, Lamp] = {}
    problems: dict[str, str] = {}
    first_row: dict[str, int] = {}
    for line, _, cells in rows:
        name = cells[header.index("lamp")] if header.index("lamp") < len(cells) else ""
        if not name or not name.isprintable() or len(name) > 64:
            raise SessionError(f"{LAMPS_FILE}, row {line}: {_shown(name)} is no name for a lamp; give 1-64 letters")
        try:
            if name in first_row:
                raise _RowError(f"lamp {name!r} stands in row {first_row[name]} too; keep one")
            lamps[name] = _lamp(_cells(header, cells), model)
        except _RowError as error:
            problems.setdefault(name, _at(LAMPS_FILE, line, str(error)))
        first_row.setdefault(name, line)
    return lamps, problems


def _lamp(cells: dict[str, str], model: str) -> Lamp:
    missing = [column for column in PLACES[model] if not cells[column]]
    if missing:
        raise _RowError(f"lamp {cells['lamp']!r} has no {missing[0]}; add it")
    if "power_r" in cells:
        red, green, blue = (_number(cells, column, 0, LARGEST_POWER, above_low=True) for column in POWERS)
    else:
        red = green = blue = _number(cells, "power", 0, LARGEST_POWER, above_low=True) if "power" in cells else 1.0
    power = (red, green, blue)
    if model == "near":
        x, y, z = (_number(cells, column, -LARGEST_MM, LARGEST_MM) for column in PLACES["near"])
        if z <= 0:
            raise _RowError(f"column z_mm: lamp {cells['lamp']!r} is not above the plate (z_mm {z:g}); z points up")
        return Lamp(cells["lamp"], position_mm=(x, y, z), power_rgb=power)
    elevation = _number(cells, "elevation_deg", -90, 90)
    if elevation <= 0:
        raise _RowError(
            f"column elevation_deg: lamp {cells['lamp']!r} is not above the plate ({elevation:g} degrees); "
            f"elevation counts from the plate's plane up"
        )
    azimuth = _number(cells, "azimuth_deg", -360, 360)
    return Lamp(cells["lamp"], azimuth_deg=azimuth, elevation_deg=elevation, power_rgb=power)


# --- frames.csv -------------------------------------------------------------------------------------------------------


def read_frames(folder: Path) -> list[SheetRow]:
    """Rows of `frames.csv`; fails with SessionError where the table as a whole cannot be read."""
    needed = ("file", "plate", "side", "field", "role", "lamp")
    rows = [_sheet_row(folder, *row) for row in read_rows(folder / FRAMES_FILE, needed, ("exposure_s", "sha256"))]
    return _refuse_repeats(rows)


def _sheet_row(folder: Path, line: int, header: list[str], values: list[str]) -> SheetRow:
    name: FieldName | None = None
    placed = False
    try:
        cells = _cells(header, values)
        name = _place(cells)
        placed = True
        return SheetRow(line, name, _frame(folder, line, name, cells), None, placed)
    except _RowError as error:
        return SheetRow(line, name, None, _at(FRAMES_FILE, line, str(error)), placed)


def _place(cells: dict[str, str]) -> FieldName | None:
    """The field that a row belongs to; None where it serves the whole session."""
    role = cells["role"]
    names = [cells[column] for column in ("plate", "side", "field")]
    if not any(names):
        _known_role(role)
        if role in SHARED_ROLES:
            return None
    for column, name in zip(("plate", "side", "field"), names, strict=True):
        if not name:
            raise _RowError(f"column {column}: is empty; a {role} photograph needs its plate, side and field")
        if not NAME.fullmatch(name):
            raise _RowError(f"column {column}: {_shown(name)} cannot name a folder; {NAME_RULE}")
    for column, name, taken in (("plate", names[0], TAKEN_PLATES), ("side", names[1], TAKEN_SIDES)):
        if name in taken:
            raise _RowError(f"column {column}: {name!r} is the name of something else among the results; rename it")
    return FieldName(*names)


def _known_role(role: str) -> None:
    if role not in ROLES:
        raise _RowError(f"column role: unknown role {_shown(role)}; {nearest(role, list(ROLES))}")


def _frame(folder: Path, line: int, name: FieldName | None, cells: dict[str, str]) -> Frame:
    role, lamp = cells["role"], cells["lamp"]
    _known_role(role)
    if role in LAMP_ROLES and not lamp:
        raise _RowError(f"column lamp: is empty; a {role} photograph needs the name of its lamp")
    if role not in LAMP_ROLES and lamp:
        raise _RowError(f"column lamp: a {role} photograph belongs to no lamp, here {_shown(lamp)}; leave it empty")
    exposure = _number(cells, "exposure_s", 0, LONGEST_S, above_low=True) if cells.get("exposure_s") else None
    sha256 = (cells.get("sha256") or "").lower() or None
    if sha256 and not SHA256.fullmatch(sha256):
        raise _RowError(f"column sha256: {_shown(sha256)} is not 64 hexadecimal digits; copy it whole")
    try:
        file = inside(folder, cells["file"])
    except ValueError as error:
        raise _RowError(f"column file: {error}") from error
    plate, side, field = (name.plate, name.side, name.field) if name else ("", "", "")
    return Frame(line, file, plate, side, field, role, lamp, exposure, sha256)


def inside(folder: Path, text: str) -> Path:
    """The absolute path of a file named in the session; ValueError where it leaves the folder or is no name at all."""
    if not text:
        raise ValueError("is empty; give the photograph's path in the session folder")
    if not text.isprintable() or len(text) > 1000:
        raise ValueError(f"{_shown(text)} holds characters that no file name has; rename the file")
    path = PurePosixPath(text)
    if path.is_absolute() or "\\" in text or (len(text) > 1 and text[1] == ":"):
        raise ValueError(f"{_shown(text)} must be a path inside the session folder, parts separated by /")
    file = folder / path
    if ".." in path.parts or not _resolved(file).is_relative_to(folder.resolve()):
        raise ValueError(f"{_shown(text)} leaves the session folder; copy the photograph into it")
    return file


def _resolved(file: Path) -> Path:
    try:
        return file.resolve()
    except (OSError, RuntimeError) as error:
        raise ValueError(f"{_shown(file.name)} is a link that leads nowhere; copy the photograph itself") from error


def _refuse_repeats(rows: list[SheetRow]) -> list[SheetRow]:
    """One file once in a field; one lamp once among the lit of a field; one mask of a kind in a field."""
    seen: dict[tuple[object, ...], int] = {}
    checked = []
    for row in rows:
        frame = row.frame
        keys: dict[tuple[object, ...], str] = {}
        if frame:
            keys[row.name, frame.file] = f"column file: {frame.file.name!r}"
            if frame.role == "lit":
                keys[row.name, frame.role, frame.lamp] = f"column lamp: lamp {frame.lamp!r}"
            if frame.role in ("mask", "sphere-mask"):
                keys[row.name, frame.role] = f"column role: the {frame.role} of this field"
        repeat = next((key for key in keys if key in seen), None)
        if repeat is not None:
            problem = _at(FRAMES_FILE, row.row, f"{keys[repeat]} stands in row {seen[repeat]} too; keep one")
            row = SheetRow(row.row, row.name, None, problem, row.placed)
        for key in keys:
            seen.setdefault(key, row.row)
        checked.append(row)
    return checked
