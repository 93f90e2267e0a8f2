"""One step name in every place: command, function, rule, log, config section, schema section with the same defaults."""

import argparse
import importlib
import inspect
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from lightdome import commands

TOP = Path(__file__).parents[2]
SCHEMA = YAML(typ="safe").load(TOP / "workflow/schemas/config.schema.yaml")
CONFIG = YAML(typ="safe").load(TOP / "config/config.yaml")
WORDS = ("session", "frames", "lights", "surface", "marks", "relight", "publish")
NO_ANSWER = {"threads", "tile_px"}
"""Arguments that bound memory or time and never change an answer, so they are no settings."""


def steps_of(word):
    """Commands of a word, by the parser itself."""
    subparsers = argparse.ArgumentParser().add_subparsers()
    importlib.import_module(f"lightdome.commands.{word}").register(subparsers)
    return list(subparsers.choices)


STEPS = [(word, step) for word in WORDS for step in steps_of(word)]


def step_function(word, step):
    return getattr(importlib.import_module(f"lightdome.{word}.steps"), step.replace("-", "_"))


def settings_of(word, step):
    parameters = inspect.signature(step_function(word, step)).parameters.values()
    return {p.name: p.default for p in parameters if p.default is not p.empty and p.name not in NO_ANSWER}


def test_the_steps_of_the_plates_way_are_all_there():
    # the plate's way, as far as this version goes
    assert {step for _, step in STEPS} >= {
        "check-session",
        "stack-frames",
        "locate-lamps",
        "solve-normals",
        "integrate-height",
        "map-curvature",
        "measure-texture",
        "trace-marks",
        "classify-marks",
        "split-relief",
        "fit-relighting",
        "build-review",
        "write-report",
    }


@pytest.mark.parametrize(("word", "step"), STEPS)
def test_a_step_is_a_rule_that_calls_its_command_and_keeps_its_log(word, step):
    rules = (TOP / f"workflow/rules/{word}.smk").read_text()
    rule = rules.split(f"rule {step.replace('-', '_')}:")[1].split("\nrule ")[0]
    assert f"lightdome {step} " in rule
    assert f"/logs/{step}.log" in rule


@pytest.mark.parametrize(("word", "step"), STEPS)
def test_config_schema_and_function_agree_on_every_setting(word, step):
    section = step.replace("-", "_")
    settings = settings_of(word, step)
    schema = SCHEMA["properties"].get(section, {}).get("properties", {})
    assert {key: value["default"] for key, value in schema.items()} == settings
    assert CONFIG.get(section, {}) == settings


@pytest.mark.parametrize(("word", "step"), STEPS)
def test_a_command_takes_every_setting_with_the_same_default(word, step):
    subparsers = argparse.ArgumentParser().add_subparsers()
    importlib.import_module(f"lightdome.commands.{word}").register(subparsers)
    defaults = {action.dest: action.default for action in subparsers.choices[step]._actions}
    for name, default in settings_of(word, step).items():
        assert defaults[name] == default


def test_every_key_of_the_config_is_described_with_its_default():
    assert set(CONFIG) == set(SCHEMA["properties"])
    for section in SCHEMA["properties"].values():
        assert section["description"]
        assert section.get("additionalProperties", False) is False
        for key in section.get("properties", {}).values():
            assert key["description"]


@pytest.mark.parametrize("word", [*WORDS, "synthetic"])
def test_a_word_is_a_package_a_commands_file_and_a_tests_folder(word):
    assert (TOP / f"lightdome/{word}/__init__.py").is_file()
    assert (TOP / f"lightdome/commands/{word}.py").is_file()
    assert list((TOP / f"tests/{word}").glob("test_*.py"))


def test_help_of_every_command_can_be_read(capsys):
    for _, step in STEPS:
        with pytest.raises(SystemExit) as ended:
            commands.main([step, "--help"])
        assert ended.value.code == 0
        assert step in capsys.readouterr().out
