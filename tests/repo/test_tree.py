"""What the tree may and may not hold."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
TRACKED = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=True).stdout.split("\n")[
    :-1
]
PYTHON = [name for name in TRACKED if name.endswith(".py")]
LONGEST_FILE_LINES = 400


@pytest.mark.parametrize("name", ["requirements.txt", "requirements-test.txt"])
def test_pinned_requirements_have_hashes_and_no_address(name):
    text = (TOP / name).read_text()
    assert "://" not in text
    assert "--index" not in text
    assert "--find-links" not in text
    entries = re.split(r"\n(?=\S)", re.sub(r"^\s*#.*\n", "", text, flags=re.M))
    pinned = [entry for entry in entries if "==" in entry]
    assert len(pinned) > 50
    for entry in pinned:
        assert "--hash=sha256:" in entry, entry.split()[0]


def test_no_file_names_a_place_of_one_machine():
    # built from pieces, so that this file does not name them either
    places = re.compile("|".join(["/" + "(?:work|farm|root|home)/[A-Za-z.]", "py" + r"pi\.org", "npm" + r"js\.org"]))
    for name in TRACKED:
        path = TOP / name
        if path.suffix in {".png", ".tif", ".pdf"} or not path.is_file():
            continue
        found = places.search(path.read_text(encoding="utf-8"))
        assert not found, f"{name}: {found.group()}"


def test_files_stay_small_enough_to_read():
    for name in PYTHON:
        assert len((TOP / name).read_text().splitlines()) <= LONGEST_FILE_LINES, name


def test_the_package_knows_nothing_of_the_workflow_engine():
    for name in PYTHON:
        if not name.startswith("lightdome/"):
            continue
        for node in ast.walk(ast.parse((TOP / name).read_text())):
            imported = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                imported = [node.module or ""]
            assert not [module for module in imported if module.split(".")[0] == "snakemake"], name


def test_every_test_asserts_something():
    for name in PYTHON:
        if not Path(name).name.startswith("test_"):
            continue
        tree = ast.parse((TOP / name).read_text())
        asserting = {
            node.name
            for node in ast.walk(tree)
            if isinstance(node, ast.FunctionDef) and any(isinstance(part, ast.Assert) for part in ast.walk(node))
        }
        for test in (node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name.startswith("test")):
            calls = {ast.unparse(part.func) for part in ast.walk(test) if isinstance(part, ast.Call)}
            checks = asserting | {call for call in calls if "assert" in call or call == "pytest.raises"}
            assert test.name in asserting or calls & checks, f"{name}: {test.name}"


def test_samples_are_small_enough_to_clone():
    size = sum(path.stat().st_size for path in (TOP / "sample_captures").rglob("*") if path.is_file())
    assert size < 15e6


def test_readme_names_commands_and_targets_that_exist():
    readme = (TOP / "README.md").read_text()
    makefile = (TOP / "Makefile").read_text()
    for target in re.findall(r"make (\w+)", readme):
        assert re.search(rf"^{target}:", makefile, flags=re.M), target
    for link in re.findall(r"\]\(([^)#]+)\)", readme):
        assert (TOP / link).exists(), link
    for profile in re.findall(r"workflow/profiles/(\w+)", readme):
        assert (TOP / "workflow/profiles" / profile / "config.yaml").is_file()
