import numpy as np
import pytest
from scipy.special import log_softmax, softmax

from lightdome.errors import MarkError
from lightdome.marks.line_facts import FACTS
from lightdome.marks.model import FARTHEST, LineModel, line_models, ranked
from lightdome.marks.records import CLASSES


def small_model():
    return LineModel(
        ("land", "etched", "scratch"),
        ("fullness", "flat"),
        np.array([0.5, 0.4]),
        np.array([0.25, 0.2]),
        np.array([[0.0, 0.0], [1.0, 2.0], [-2.0, 0.5]]),
        np.array([-1.0, 0.2, 0.1]),
    )


def facts(**known):
    return dict.fromkeys(FACTS, float("nan")) | known


def test_probabilities_are_the_softmax_of_weighted_numbers():
    # scipy.special.softmax
    model = small_model()
    standardised = np.array([(0.9 - 0.5) / 0.25, (0.3 - 0.4) / 0.2])
    expected = softmax(model.weights @ standardised + model.bias)
    found = model.probabilities(facts(fullness=0.9, flat=0.3))
    assert list(found.values()) == pytest.approx(expected.tolist())
    assert ranked(found)[0][0] == "etched"


def test_reasons_add_up_to_the_change_of_the_odds():
    model = small_model()
    known = facts(fullness=0.1, flat=0.7)
    added = sum(value for _, value in model.reasons(known, "scratch", "etched"))
    score = log_softmax(model.weights @ model.standardised(known) + model.bias)
    assert added + model.bias[2] - model.bias[1] == pytest.approx(score[2] - score[1])


def test_unknown_numbers_change_nothing_and_far_ones_no_more_than_the_limit():
    model = small_model()
    assert list(model.probabilities(facts()).values()) == pytest.approx(softmax(model.bias).tolist())
    assert np.abs(model.standardised(facts(fullness=1e6, flat=-1e6))).max() == FARTHEST
    assert model.reasons(facts(flat=0.2), "scratch", "etched")[0][0] == "flat"


def test_tables_that_do_not_belong_together_are_refused():
    with pytest.raises(MarkError, match="train it again"):
        LineModel(("land",), ("flat",), np.zeros(2), np.ones(2), np.zeros((1, 1)), np.zeros(1))
    with pytest.raises(MarkError, match="not measured any more"):
        LineModel(("land",), ("colour of the sky",), np.zeros(1), np.ones(1), np.zeros((1, 1)), np.zeros(1))


def test_the_trained_models_know_the_classes_of_lines():
    for model in line_models():
        assert model.classes == ("land", "etched", "tooled", "scratch")
        assert set(model.classes) <= set(CLASSES)
        assert np.abs(model.weights.sum(axis=0)).max() < 0.1  # a ridge leaves no common part
