"""`session.yaml`: read, validated against `session.schema.yaml`, every message with line and key."""

import datetime
import difflib
import math
from functools import cache
from pathlib import Path
from typing import Any

from lightdome.errors import SessionError

SETTINGS_FILE = "session.yaml"
LARGEST_BYTES = 1_000_000

Key = tuple[str | int, ...]
"""Where a value stands: the keys and list positions that lead to it."""


def read_settings(path: Path) -> dict[str, Any]:
    """Read `session.yaml` as plain values, defaults filled in.

    Fails with SessionError: what is wrong, with line and key, and the nearest known key for an unknown one.
    """
    facts, lines = _load(path)
    problems = [_sentence(error, lines) for error in _errors(facts)] + _not_finite(facts, lines)
    if not problems:
        facts = _with_defaults(facts, _schema())
        problems = _contradictions(facts, lines)
    if problems:
        raise SessionError(first_of(sorted(problems, key=lambda problem: problem[0])))
    return facts


def place_of(path: Path, key: Key) -> str:
    """Head of a sentence about a key: file, line and key."""
    return _at(key, _load(path)[1])[1]


def first_of(problems: list[tuple[int, str]] | list[str]) -> str:
    """The first sentence, and how many more there are."""
    texts = [problem if isinstance(problem, str) else problem[1] for problem in problems]
    more = len(texts) - 1
    return texts[0] + (f" (and {more} more like this)" if more else "")


def nearest(word: str, known: list[str]) -> str:
    """`; did you mean 'x'?`, or the list of what is known."""
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"did you mean {close[0]!r}?" if close else f"known are {', '.join(known)}"


# --- YAML to plain values, with lines ---------------------------------------------------------------------------------


def _load(path: Path) -> tuple[dict[str, Any], dict[Key, int]]:
    from ruamel.yaml import YAML
    from ruamel.yaml.constructor import DuplicateKeyError
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    try:
        content = path.read_bytes()
    except OSError as error:
        raise SessionError(
            f"{path}: cannot be read ({error.strerror}); a session folder holds session.yaml, frames.csv and lamps.csv"
        ) from error
    if len(content) > LARGEST_BYTES:
        raise SessionError(f"{path}: is larger than {LARGEST_BYTES // 1000} kB; it holds only the facts of a session")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise SessionError(f"{SETTINGS_FILE}, line {line}: is not UTF-8 text; save it as UTF-8") from error
    try:
        document = YAML(typ="rt").load(text)
    except DuplicateKeyError as error:
        key = str(error.problem).partition('"')[2].partition('"')[0]
        raise SessionError(
            f"{SETTINGS_FILE}, line {_marked_line(error)}: key {key!r} stands there twice; keep one"
        ) from error
    except MarkedYAMLError as error:
        raise SessionError(
            f"{SETTINGS_FILE}, line {_marked_line(error)}: is not valid YAML ({error.problem}); mend it there"
        ) from error
    except (YAMLError, ValueError, RecursionError) as error:
        raise SessionError(f"{SETTINGS_FILE}: is not valid YAML ({str(error).splitlines()[0]}); mend it") from error
    if not isinstance(document, dict):
        raise SessionError(f"{SETTINGS_FILE}: holds no keys; it begins with `format: 1`")
    lines: dict[Key, int] = {}
    return _plain(document, (), 1, lines, set()), lines


def _marked_line(error: Any) -> int:
    mark = error.problem_mark or error.context_mark
    return mark.line + 1 if mark else 1


def _plain(value: Any, key: Key, line: int, lines: dict[Key, int], seen: set[int]) -> Any:
    lines[key] = line
    if isinstance(value, dict | list):
        if id(value) in seen or getattr(value, "merge", None):
            raise SessionError(f"{SETTINGS_FILE}, line {line}: anchors and aliases are not used here; write it out")
        seen.add(id(value))
        marks: Any = value
        if isinstance(value, list):
            return [
                _plain(item, (*key, index), marks.lc.item(index)[0] + 1, lines, seen)
                for index, item in enumerate(value)
            ]
        return {
            str(name): _plain(item, (*key, str(name)), marks.lc.key(name)[0] + 1, lines, seen)
            for name, item in value.items()
        }
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, str):
        return str(value).strip()
    return int(value) if isinstance(value, int) else float(value) if isinstance(value, float) else value


# --- validation -------------------------------------------------------------------------------------------------------


@cache
def _schema() -> dict[str, Any]:
    from ruamel.yaml import YAML

    return YAML(typ="safe").load(Path(__file__).with_name("session.schema.yaml").read_text(encoding="utf-8"))


def _errors(facts: dict[str, Any]) -> list[Any]:
    from jsonschema import Draft202012Validator

    return list(Draft202012Validator(_schema()).iter_errors(facts))


def _at(key: Key, lines: dict[Key, int]) -> tuple[int, str]:
    """Line of a key, and the head of a sentence about it."""
    known = key
    while known not in lines:
        known = known[:-1]
    name = ".".join(str(part + 1) if isinstance(part, int) else part for part in key)
    return lines[known], f"{SETTINGS_FILE}, line {lines[known]}" + (f", {name}" if name else "")


def _sentence(error: Any, lines: dict[Key, int]) -> tuple[int, str]:
    key: Key = tuple(error.absolute_path)
    if error.validator == "additionalProperties":
        known = list(error.schema["properties"])
        unknown = next(name for name in error.instance if name not in known)
        line, head = _at((*key, unknown), lines)
        return line, f"{head}: unknown key; {nearest(unknown, known)}"
    if "propertyNames" in error.absolute_schema_path:
        line, head = _at((*key, error.instance), lines)
        return line, f"{head!s}: a name has 1-64 letters, digits, - _ . and begins with a letter or digit; rename it"
    line, head = _at(key, lines)
    value, rule = error.instance, error.validator_value
    if value is None and "description" in error.schema:
        unit = f" [{error.schema['unit']}]" if error.schema.get("unit", "1") != "1" else ""
        return line, f"{head}: is still empty; fill in: {error.schema['description']}{unit}"
    if error.validator == "required":
        missing = next(name for name in rule if name not in value)
        return line, f"{head}: the key {missing!r} is missing; add it"
    says = {
        "type": f"must be {_type_name(rule)}, not {_shown(value)}",
        "enum": f"must be one of {', '.join(map(str, rule)) if isinstance(rule, list) else rule}, not {_shown(value)}",
        "const": f"must be {rule}, not {_shown(value)}; this version reads format 1",
        "pattern": f"{_shown(value)} does not fit: {error.schema.get('description', rule)}",
        "minimum": f"must be at least {rule}, not {_shown(value)}",
        "exclusiveMinimum": f"must be above {rule}, not {_shown(value)}",
        "maximum": f"must be at most {rule}, not {_shown(value)}",
        "maxLength": f"must be at most {rule} letters long",
        "minItems": f"needs {rule} numbers",
        "maxItems": f"holds more than {rule} entries",
        "minProperties": "holds no entry; add one",
    }
    unit = error.schema.get("unit", "")
    text = says.get(error.validator, "does not fit") + (f" [{unit}]" if unit and unit != "1" else "")
    return line, f"{head}: {text}; correct it"


def _type_name(rule: Any) -> str:
    names = {"object": "a group of keys", "array": "a list", "string": "text (in quotes if it looks like a number)"}
    return names.get(str(rule), "a number")


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _not_finite(value: Any, lines: dict[Key, int], key: Key = ()) -> list[tuple[int, str]]:
    if isinstance(value, float) and not math.isfinite(value):
        line, head = _at(key, lines)
        return [(line, f"{head}: must be a finite number, not {value}; correct it")]
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [problem for name, item in items for problem in _not_finite(item, lines, (*key, name))]


def _with_defaults(value: Any, schema: dict[str, Any]) -> Any:
    if isinstance(value, list):
        return [_with_defaults(item, schema.get("items", {})) for item in value]
    if not isinstance(value, dict):
        return value
    known = schema.get("properties", {})
    others = schema.get("additionalProperties") or {}
    filled = {name: _with_defaults(item, known.get(name, others)) for name, item in value.items()}
    for name, rule in known.items():
        if name not in filled and "default" in rule:
            filled[name] = rule["default"]
    return filled


def _contradictions(facts: dict[str, Any], lines: dict[Key, int]) -> list[tuple[int, str]]:
    """What a schema says badly: keys that need or exclude one another."""
    camera, lamps = facts["camera"], facts["lamps"]
    found = []

    def refuse(key: Key, text: str) -> None:
        line, head = _at(key, lines)
        found.append((line, f"{head}: {text}"))

    if ("pixel_pitch_mm" in camera) == ("scale_bar" in camera):
        refuse(("camera",), "give either pixel_pitch_mm or scale_bar")
    elif "scale_bar" in camera and camera["scale_bar"]["from_px"] == camera["scale_bar"]["to_px"]:
        refuse(("camera", "scale_bar"), "from_px and to_px are the same point; give both ends of the bar")
    perspective = camera["projection"] == "perspective"
    if perspective and "distance_mm" not in camera:
        refuse(("camera", "projection"), "perspective needs distance_mm, entrance pupil to plate; add it")
    if not perspective and "distance_mm" in camera:
        refuse(("camera", "distance_mm"), "belongs to projection: perspective; delete it or change the projection")
    if camera.get("white_level", math.inf) <= camera["black_level"]:
        refuse(("camera", "white_level"), f"must be above black_level {camera['black_level']}; correct one of them")
    if "distortion" in camera and "checkerboard" in camera:
        refuse(("camera", "checkerboard"), "distortion is given too; keep the one that is to be used")
    for name in ("beam_exponent", "u_position_mm"):
        if lamps["model"] == "distant" and lamps.get(name):
            refuse(("lamps", name), "belongs to model: near; delete it or change the model")
    if lamps["source"] == "spheres" and not facts["spheres"]:
        refuse(("lamps", "source"), "spheres needs the section `spheres` with their diameter_mm; add it")
    if facts["date"]:
        try:
            datetime.date.fromisoformat(facts["date"])
        except ValueError:
            refuse(("date",), f"{facts['date']!r} is no day of the calendar; correct it")
    return found
