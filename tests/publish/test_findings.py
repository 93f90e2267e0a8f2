import json
import os
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import pytest
from night_server import AREA, MARK, change, drawn, serving, write_night

from lightdome.errors import ProductError
from lightdome.publish.serve.findings import Findings


@pytest.fixture
def night(tmp_path):
    results = write_night(tmp_path)
    with serving(results) as client:
        yield results / "TP-017", client


def changes_since(client, number=0):
    return client.get(f"{client.review}/api/findings?since={number}").json


def test_a_change_is_kept_and_comes_back_as_it_was_sent(night):
    _, client = night
    sent = [
        change("comment", body={"text": "ist das Tinte? <b>&amp;"}, author="Žofia Å."),
        change("reclassify", reason="round, with a rim", body={"class": "pit"}, seen=1),
        drawn(),
    ]
    for number, facts in enumerate(sent, 1):
        answer = client.post(facts)
        assert (answer.status, answer.json) == (201, {"sequence": number})
    back = changes_since(client)
    assert back["last"] == 3
    for number, (facts, kept) in enumerate(zip(sent, back["changes"], strict=True), 1):
        assert kept["sequence"] == number
        moment = datetime.fromisoformat(kept["time"])
        assert moment.utcoffset() == timedelta(0)
        assert {key: kept[key] for key in facts} == facts
    later = changes_since(client, 2)
    assert [each["sequence"] for each in later["changes"]] == [3]
    assert changes_since(client, 3) == {"last": 3, "changes": []}


def test_before_anyone_speaks_there_is_no_file(night):
    plate, client = night
    assert changes_since(client) == {"last": 0, "changes": []}
    status = client.get(f"{client.review}/api/status").json
    assert (status["writable"], status["token_needed"]) == (True, False)
    assert not list(plate.glob("findings*"))


def test_the_same_change_sent_twice_is_kept_once(night):
    _, client = night
    facts = change()
    first, again = client.post(facts), client.post(facts | {"seen": 7})
    assert (first.status, again.status) == (201, 200)
    assert first.json == again.json == {"sequence": 1}
    assert changes_since(client)["last"] == 1


def test_an_id_may_not_stand_for_two_changes(night):
    _, client = night
    facts = change()
    client.post(facts)
    answer = client.post(facts | {"kind": "reject", "reason": "dust"})
    assert answer.status == 409
    assert "client_id" in answer.json["error"]
    assert changes_since(client)["last"] == 1


def test_a_drawn_finding_can_be_spoken_of_and_not_drawn_again(night):
    _, client = night
    first = drawn()
    assert client.post(first).status == 201
    assert client.post(change("confirm", first["finding"])).status == 201
    again = client.post(drawn() | {"finding": first["finding"]})
    assert again.status == 400
    assert "drawn already" in again.json["error"]


def test_a_mark_of_a_later_run_is_known_at_once(night):
    plate, client = night
    path = plate / "front/A/marks/marks.geojson"
    assert client.post(change(finding="front/A/m0003")).status == 400
    path.write_text(path.read_text().replace("m0002", "m0003"))
    os.utime(path, ns=(1, 1))
    assert client.post(change(finding="front/A/m0003")).status == 201


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE changes SET author = 'somebody'",
        "DELETE FROM changes",
        "DELETE FROM changes WHERE sequence = 1",
        "REPLACE INTO changes SELECT * FROM changes",
        "INSERT OR REPLACE INTO changes SELECT 1, time, finding, kind, 'x', '', body, '1', seen, about FROM changes",
        "INSERT INTO changes SELECT 9, time, finding, kind, author, reason, body, client_id, seen, about FROM changes",
        "INSERT INTO changes SELECT 9, time, finding, 'erase', author, reason, body, '1', seen, about FROM changes",
        "INSERT INTO changes SELECT 9, time, finding, kind, author, reason, '{', '1', seen, about FROM changes",
    ],
)
def test_the_file_itself_refuses_to_be_altered(night, statement):
    plate, client = night
    client.post(change())
    before = changes_since(client)
    connection = sqlite3.connect(plate / "findings.sqlite")
    with pytest.raises(sqlite3.IntegrityError):
        connection.execute(statement)
    connection.close()
    assert changes_since(client) == before


def test_what_was_answered_is_on_the_disk(night):
    plate, client = night
    client.post(change())
    connection = sqlite3.connect(plate / "findings.sqlite")
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert connection.execute("SELECT count(*) FROM changes").fetchone() == (1,)
    connection.close()


def test_many_at_once_lose_nothing_of_each_other(night):
    _, client = night
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(client.post, [change(author=f"author {n % 8}") for n in range(64)]))
    assert sorted(answer.json["sequence"] for answer in answers) == list(range(1, 65))
    assert {each["author"] for each in changes_since(client)["changes"]} == {f"author {n}" for n in range(8)}


def test_a_folder_that_may_not_be_written_says_so_and_can_still_be_read(night):
    plate, client = night
    client.post(change())
    for path in (plate, plate / "findings.sqlite"):
        path.chmod(0o555)
    for path in plate.parents:
        if path.stat().st_uid == os.getuid() and path.stat().st_mode & 0o055 != 0o055:
            path.chmod(0o755)  # pytest's own folders, so that only the plate's may not be written
    is_root = os.geteuid() == 0
    if is_root:
        os.seteuid(65534)  # who may do everything is refused nothing
    try:
        assert client.get(f"{client.review}/api/status").json["writable"] is False
        assert changes_since(client)["last"] == 1
        answer = client.post(change())
        assert answer.status == 403
        assert "may not be written" in answer.json["error"]
    finally:
        if is_root:
            os.seteuid(0)
        plate.chmod(0o755)
    assert changes_since(client)["last"] == 1


def test_a_file_of_another_version_is_left_alone(night):
    plate, client = night
    client.post(change())
    connection = sqlite3.connect(plate / "findings.sqlite")
    connection.execute("PRAGMA user_version = 2")
    connection.close()
    answer = client.post(change())
    assert answer.status == 500
    assert "version 2" in answer.json["error"]
    assert str(plate.parent) not in answer.json["error"]


def test_a_file_that_is_no_database_is_said_in_a_sentence(tmp_path):
    (tmp_path / "findings.sqlite").write_text("torn" * 1000)
    with pytest.raises(ProductError, match=r"findings\.sqlite: cannot be read or written"):
        Findings(tmp_path).since(0)


# --- exports ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def discussed(night):
    _, client = night
    finding = drawn({"type": "Point", "coordinates": [2.5, -1.25]})
    client.post(change("reclassify", "front/A/m0002", "<a pit> & a rim", {"class": "pit"}, "A. Example"))
    client.post(change("comment", "front/A/m0002", body={"text": "from the press?"}, author="B. Example", seen=1))
    client.post(finding)
    return client, finding["finding"]


def test_geojson_holds_every_finding_as_it_stands_now(discussed):
    client, name = discussed
    answer = client.get(f"{client.review}/api/export/geojson")
    assert answer.headers["content-type"] == "application/geo+json"
    found = answer.json
    assert (found["type"], found["frame"], found["unit"], found["last"]) == ("FeatureCollection", "plate", "mm", 3)
    features = {feature["id"]: feature for feature in found["features"]}
    assert set(features) == {"front/A/m0001", "front/A/m0002", name}
    untouched, moved, new = features["front/A/m0001"], features["front/A/m0002"], features[name]
    assert untouched["geometry"] == MARK["geometry"]
    assert (untouched["properties"]["status"], untouched["properties"]["author"]) == ("proposed", None)
    assert moved["geometry"] == AREA["geometry"]
    facts = moved["properties"]
    assert (facts["status"], facts["class"], facts["proposed_class"]) == ("reclassified", "pit", "etched")
    assert facts["reason"] == "<a pit> & a rim"
    assert [comment["text"] for comment in facts["comments"]] == ["from the press?"]
    assert new["geometry"] == {"type": "Point", "coordinates": [2.5, -1.25]}
    assert new["properties"]["drawn_by"] == "A. Example"


def test_annotations_follow_the_model_of_the_w3c(discussed):
    client, name = discussed
    answer = client.get(f"{client.review}/api/export/annotations")
    assert answer.headers["content-type"] == 'application/ld+json; profile="http://www.w3.org/ns/anno.jsonld"'
    page = answer.json
    assert (page["@context"], page["type"]) == ("http://www.w3.org/ns/anno.jsonld", "AnnotationPage")
    # one for each finding that people spoke of
    assert len(page["items"]) == 2
    moved, new = page["items"]
    for item in (moved, new):
        assert item["type"] == "Annotation"
        assert item["id"].startswith("urn:uuid:")
        assert item["target"]["source"]["id"].startswith("urn:uuid:")
        assert datetime.fromisoformat(item["created"]) <= datetime.fromisoformat(item["modified"])
        for body in item["body"]:
            assert body["type"] == "TextualBody"
            assert body["purpose"] in {"classifying", "assessing", "describing", "commenting"}
    assert new["id"] == f"urn:uuid:{name.removeprefix('person:')}"
    said = {body["purpose"]: body["value"] for body in moved["body"]}
    assert said == {
        "classifying": "pit",
        "assessing": "reclassified",
        "describing": "<a pit> & a rim",
        "commenting": "from the press?",
    }
    assert [body["creator"]["name"] for body in moved["body"] if body["purpose"] == "commenting"] == ["B. Example"]
    assert client.get(f"{client.review}/api/export/annotations").json == page


def test_the_selector_draws_in_millimetres_with_y_up(discussed):
    from xml.etree import ElementTree

    client, _ = discussed
    moved, new = client.get(f"{client.review}/api/export/annotations").json["items"]
    svg = "{http://www.w3.org/2000/svg}"
    root = ElementTree.fromstring(new["target"]["selector"]["value"])
    left, top, width, height = map(float, root.get("viewBox").split())
    assert (root.get("width"), root.get("height")) == (f"{width:g}mm", f"{height:g}mm")
    assert left < 2.5 < left + width
    assert top < 1.25 < top + height
    group = root.find(f"{svg}g")
    assert group.get("transform") == "scale(1 -1)"
    assert (group[0].get("cx"), group[0].get("cy")) == ("2.5", "-1.25")
    area = ElementTree.fromstring(moved["target"]["selector"]["value"]).find(f"{svg}g/{svg}path")
    assert area.get("d") == "M0 0L1 0L1 1L0 0Z"


def later_night(plate, change_marks):
    """Write the proposed marks anew."""
    path = plate / "front/A/marks/marks.geojson"
    marks = json.loads(path.read_text())
    change_marks({mark["properties"]["id"]: mark for mark in marks["features"]}, marks["features"])
    path.write_text(json.dumps(marks))
    os.utime(path, ns=(1, 1))


def features_of(client):
    return {one["id"]: one for one in client.get(f"{client.review}/api/export/geojson").json["features"]}


def test_what_was_said_goes_with_its_mark_when_a_later_night_numbers_anew(night):
    plate, client = night
    client.post(change("confirm", "front/A/m0002"))

    def swap(marks, _):
        marks["m0001"]["properties"]["id"], marks["m0002"]["properties"]["id"] = "m0002", "m0001"
        # and finds it a pixel away
        marks["m0002"]["geometry"]["coordinates"][0][0] = [0.05, 0.05]
        marks["m0002"]["geometry"]["coordinates"][0][-1] = [0.05, 0.05]

    later_night(plate, swap)
    assert [one["finding"] for one in changes_since(client)["changes"]] == ["front/A/m0001"]
    features = features_of(client)
    assert set(features) == {"front/A/m0001", "front/A/m0002"}
    assert features["front/A/m0001"]["properties"]["status"] == "confirmed"
    assert features["front/A/m0002"]["properties"]["status"] == "proposed"


def test_what_was_said_of_a_mark_that_is_gone_passes_to_no_other(night):
    plate, client = night
    client.post(change("confirm", "front/A/m0002"))
    client.post(change("comment", "front/A/m0002", body={"text": "and round"}))

    def move(marks, _):
        marks["m0002"]["geometry"] = {"type": "LineString", "coordinates": [[-3.0, -2.0], [-2.0, -2.0]]}

    later_night(plate, move)
    changes = changes_since(client)["changes"]
    assert [one["finding"] for one in changes] == ["former:1:front/A/m0002"] * 2
    assert changes[0]["about"] == {"class": "etched", "geometry": AREA["geometry"]}
    features = features_of(client)
    assert features["front/A/m0002"]["properties"]["status"] == "proposed"
    former = features["former:1:front/A/m0002"]
    assert former["geometry"] == AREA["geometry"]
    facts = former["properties"]
    assert (facts["status"], facts["class"], facts["side"], facts["proposed_still"]) == (
        "confirmed",
        "etched",
        "front",
        False,
    )
    (item,) = client.get(f"{client.review}/api/export/annotations").json["items"]
    assert "selector" in item["target"]
    assert client.post(change("confirm", "former:1:front/A/m0002")).status == 400
    # and the new mark of that number can be spoken of by itself
    assert client.post(change("reject", "front/A/m0002", "dust")).status == 201
    assert features_of(client)["front/A/m0002"]["properties"]["status"] == "rejected"
    assert features_of(client)["former:1:front/A/m0002"]["properties"]["status"] == "confirmed"


def test_exports_of_a_plate_that_nobody_spoke_of(night):
    _, client = night
    assert client.get(f"{client.review}/api/export/annotations").json["items"] == []
    assert len(client.get(f"{client.review}/api/export/geojson").json["features"]) == 2


def test_a_mark_without_a_place_leaves_the_others_to_be_spoken_of(night):
    plate, client = night
    later_night(plate, lambda marks, _: marks["m0001"].update(geometry=None))
    assert client.post(change("confirm", "front/A/m0001")).status == 400
    assert client.post(change("confirm", "front/A/m0002")).status == 201
    assert set(features_of(client)) == {"front/A/m0002"}
