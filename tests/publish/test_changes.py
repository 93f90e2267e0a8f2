import pytest
from night_server import change, drawn

from lightdome.publish.serve.changes import Change, fold, read_draft

TIME = "2031-05-15T09:00:00.000+00:00"


def told(*facts):
    """Changes as they are kept, numbered from 1."""
    return [Change(**(each | {"sequence": number, "time": TIME})) for number, each in enumerate(facts, 1)]


def state_of(*facts):
    (state,) = fold(told(*facts)).values()
    return state


def test_nothing_said_is_nothing_known():
    assert fold([]) == {}


@pytest.mark.parametrize(
    ("kinds", "status", "named"),
    [
        (["confirm"], "confirmed", None),
        (["reject"], "rejected", None),
        (["reclassify"], "reclassified", "pit"),
        (["comment"], "proposed", None),
        (["reclassify", "confirm"], "confirmed", "pit"),
        (["reclassify", "reopen"], "proposed", None),
        (["confirm", "reopen", "comment"], "proposed", None),
        (["reject", "confirm"], "confirmed", None),
        (["confirm", "comment"], "confirmed", None),
    ],
)
def test_the_last_decision_counts(kinds, status, named):
    bodies = {"reclassify": {"class": "pit"}, "comment": {"text": "look again"}}
    state = state_of(*(change(kind, reason="seen under the lens", body=bodies.get(kind)) for kind in kinds))
    assert (state.status, state.named) == (status, named)
    assert len(state.changes) == len(kinds)
    assert len(state.comments) == kinds.count("comment")


def test_a_drawn_finding_keeps_its_class_when_it_is_opened_again():
    first = drawn()
    name = first["finding"]
    bodies = [change("reclassify", name, "a pit", {"class": "pit"}), change("reopen", name)]
    state = state_of(first, *bodies)
    assert (state.status, state.named) == ("proposed", "scratch")
    assert state.drawn["geometry"]["type"] == "LineString"


def test_two_who_decide_without_seeing_each_other_are_told_of_it():
    first = change("confirm", author="A. Example", seen=0)
    second = change("reject", author="B. Example", reason="dust", seen=0)
    assert state_of(first, second).contested
    # who has seen the first may overrule it
    assert not state_of(first, second | {"seen": 1}).contested
    # and a third who has seen both ends the matter
    assert not state_of(first, second, change("confirm", author="C. Example", seen=2)).contested
    # one's own earlier word is known
    assert not state_of(first, second | {"author": "A. Example"}).contested
    # a comment decides nothing
    assert not state_of(change("comment", body={"text": "dust?"}), second).contested


def test_every_finding_has_its_own_state():
    states = fold(told(change(), change("reject", "front/A/m0002", "dust"), drawn()))
    assert [state.status for state in states.values()] == ["confirmed", "rejected", "proposed"]


def test_an_id_in_large_letters_is_the_same_id():
    facts = change()
    large = facts | {"client_id": facts["client_id"].upper()}
    assert read_draft(large) == read_draft(facts)


@pytest.mark.parametrize(
    "geometry",
    [
        {"type": "Point", "coordinates": [1.5, -2]},
        {"type": "LineString", "coordinates": [[0, 0], [1.25, 0.5], [2, 2]]},
        {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]},
    ],
)
def test_points_lines_and_areas_can_be_drawn(geometry):
    assert read_draft(drawn(geometry)).body["geometry"] == geometry


def test_words_of_any_script_are_kept():
    words = "Kratzer – 傷 – خدش – \U0001f50d\nsecond line"
    assert read_draft(change("comment", body={"text": words}, author="Žofia Ångström")).body["text"] == words
