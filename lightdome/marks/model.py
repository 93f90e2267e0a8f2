"""The cause of a line as probabilities: a multinomial logistic regression on the numbers of `line_facts.FACTS`.

Every number adds to the logarithm of the odds between two causes, so that each cause's evidence can be said in a
sentence. Unknown numbers add nothing. `line_model.json` is trained on synthetic plates by benchmarks/train_lines.py;
its calibration on plates that it has not seen stands in benchmarks/README.md.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from lightdome.errors import MarkError
from lightdome.marks.line_facts import FACTS

LAND = "land"
"""A trace that is no line."""
FILE = Path(__file__).with_name("line_model.json")
FARTHEST = 4.0
"""Standard deviations from the mean beyond which a number tells no more."""


@dataclass(frozen=True)
class LineModel:
    """Weights for lines of one kind, resolved ones or those narrower than three pixels."""

    classes: tuple[str, ...]
    facts: tuple[str, ...]
    mean: np.ndarray
    """(facts,)"""
    scale: np.ndarray
    """(facts,): standard deviations."""
    weights: np.ndarray
    """(classes, facts)"""
    bias: np.ndarray
    """(classes,)"""

    def __post_init__(self) -> None:
        shapes = {self.mean.shape, self.scale.shape, (len(self.facts),)}
        if len(shapes) > 1 or self.weights.shape != (len(self.classes), len(self.facts)):
            raise MarkError("line_model.json: its tables do not belong together; train it again")
        if set(self.facts) - set(FACTS):
            raise MarkError("line_model.json: knows numbers that are not measured any more; train it again")

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> "LineModel":
        """From its JSON form."""
        tables = (np.array(facts[name], float) for name in ("mean", "scale", "weights", "bias"))
        return cls(tuple(facts["classes"]), tuple(facts["facts"]), *tables)

    def standardised(self, facts: Mapping[str, float]) -> np.ndarray:
        """(facts,): numbers less their mean, over their scale, at most 4; 0 where unknown."""
        values = (np.array([facts[name] for name in self.facts]) - self.mean) / self.scale
        return np.clip(np.nan_to_num(values, nan=0.0), -FARTHEST, FARTHEST)

    def probabilities(self, facts: Mapping[str, float]) -> dict[str, float]:
        """Probability of every class; they sum to 1."""
        score = self.weights @ self.standardised(facts) + self.bias
        share = np.exp(score - score.max())
        return dict(zip(self.classes, (share / share.sum()).tolist(), strict=True))

    def reasons(self, facts: Mapping[str, float], cause: str, other: str) -> list[tuple[str, float]]:
        """What each known number adds to the logarithm of the odds of a cause over another, the largest first."""
        added = self.weights[self.classes.index(cause)] - self.weights[self.classes.index(other)]
        added = added * self.standardised(facts)
        known = [
            (name, float(value)) for name, value in zip(self.facts, added, strict=True) if np.isfinite(facts[name])
        ]
        return sorted(known, key=lambda item: -abs(item[1]))


@cache
def line_models() -> tuple[LineModel, LineModel]:
    """The trained models: of resolved lines, and of narrower ones."""
    stored = json.loads(FILE.read_text(encoding="utf-8"))
    return LineModel.from_dict(stored["resolved"]), LineModel.from_dict(stored["narrow"])


def ranked(probabilities: Mapping[str, float]) -> Sequence[tuple[str, float]]:
    """Classes and probabilities, the most likely first."""
    return sorted(probabilities.items(), key=lambda item: -item[1])
