"""What new-session makes of a folder of photographs, up to a stack of a whole field of raw files."""

import shutil
from pathlib import PurePosixPath

import imagecodecs
import numpy as np
import pytest
from captures import grain
from dng import write_dng

from lightdome import commands, store
from lightdome.errors import SessionError
from lightdome.frames.steps import stack_frames
from lightdome.session.exif import NO_EXIF, Exif
from lightdome.session.first_sheet import settings_text
from lightdome.session.naming import lamp_of, place_of_file, role_of
from lightdome.session.new_session import new_session
from lightdome.session.photograph import read_photograph
from lightdome.session.proposal import Found, propose
from lightdome.session.records import FieldName
from lightdome.session.sheet import read_session
from lightdome.session.steps import check_session, check_sheet
from lightdome.synthetic.capture import CaptureSpec
from lightdome.synthetic.lamps import dome
from lightdome.synthetic.steps import write_capture

SHEET = ("session.yaml", "frames.csv", "lamps.csv")


# --- names ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("RV-014/IMG_0001.CR3", "lit"),
        ("dark/IMG_0001.CR3", "dark"),
        ("RV-014/Dark frames/IMG_0001.CR3", "dark"),
        ("flat board/IMG_2.dng", "flat"),
        ("board-L07.png", "flat"),
        ("ambient.tif", "ambient"),
        ("spheres/IMG_0001.dng", "sphere"),
        ("frames/chrome_mask.png", "sphere-mask"),
        ("TP-017-mask.png", "mask"),
        ("TP-017_colour.tif", "colour"),
        ("checkerboard/IMG_0001.dng", "checkerboard"),
        ("scale_bar.tif", ""),
        # a plate may be called after what it shows
        ("harbour board of trade/IMG_0001.CR3", "lit"),
        ("Dark Harbour, upper half/front/IMG_0001.CR3", "lit"),
    ],
)
def test_roles_are_told_by_names(name, role):
    assert role_of(PurePosixPath(name)) == role


@pytest.mark.parametrize(
    ("name", "place"),
    [
        ("IMG_0001.dng", ("", "", "")),
        ("RV-014/IMG_0001.dng", ("RV-014", "", "")),
        ("frames/RV 014/verso/raw/IMG_0001.dng", ("RV-014", "back", "")),
        ("RV-014/front/B/IMG_0001.dng", ("RV-014", "front", "B")),
        ("RV-014/dark/IMG_0001.dng", ("RV-014", "", "")),
    ],
)
def test_plates_sides_and_fields_are_told_by_folders(name, place):
    assert place_of_file(PurePosixPath(name)) == place


def test_lamps_are_told_by_the_end_of_a_name():
    assert [lamp_of(stem) for stem in ("TP-017-L07", "a_lamp-12", "IMG_0007", "xL07", "led3")] == [
        "L07",
        "lamp12",
        "",
        "",
        "led3",
    ]


# --- rows -------------------------------------------------------------------------------------------------------------


def found(name, taken=None, raw=True, shape=(4, 5)):
    return Found(PurePosixPath(name), shape, raw, Exif(taken=taken) if taken else NO_EXIF, "")


def lit_of(proposal):
    return [(row["file"], row["plate"], row["lamp"]) for row in proposal.rows if row["role"] == "lit"]


def test_time_orders_photographs_where_the_counter_began_anew():
    names = ["P/IMG_9998.dng", "P/IMG_9999.dng", "P/IMG_0001.dng", "P/IMG_0002.dng"]
    proposal = propose([found(name, f"2031-05-14T10:00:0{i}") for i, name in enumerate(names)])
    assert lit_of(proposal) == [(name, "P", f"L0{i + 1}") for i, name in enumerate(names)]


def test_without_times_numbers_order_as_numbers():
    proposal = propose([found(f"P/shot{n}.png") for n in (10, 9, 2, 1)])
    assert [file for file, _, _ in lit_of(proposal)] == ["P/shot1.png", "P/shot2.png", "P/shot9.png", "P/shot10.png"]


def test_each_folder_is_a_plate_and_cycles_of_unlike_length_are_said():
    proposal = propose([found(f"{p}/{n:02d}.dng") for p, count in (("A", 5), ("B", 5), ("C", 4)) for n in range(count)])
    assert proposal.plates == ["A", "B", "C"]
    assert proposal.lamps == ["L01", "L02", "L03", "L04", "L05"]
    assert "C/front/A: has 4 lit photographs where other fields have 5; did a lamp miss or repeat?" in proposal.notes


def test_plates_in_the_names_of_one_folder_are_told_apart():
    proposal = propose(
        [found(f"f/{p}-L0{n}.png") for p in ("TP-1", "TP-2") for n in (1, 2, 3, 4)] + [found("f/TP-2-mask.png")]
    )
    assert proposal.plates == ["TP-1", "TP-2"]
    assert [(row["file"], row["plate"]) for row in proposal.rows if row["role"] == "mask"] == [
        ("f/TP-2-mask.png", "TP-2")
    ]


def test_checkerboards_ask_for_their_squares():
    lit = [found(f"P/{n}.dng") for n in range(4)]
    boards = propose([*lit, *(found(f"checkerboard/{n}.dng") for n in range(8))])
    assert [row["plate"] for row in boards.rows if row["role"] == "checkerboard"] == [""] * 8
    text = settings_text("night", boards, [NO_EXIF], None, False)
    assert "DECIDE" in text.split("checkerboard:\n    squares:")[1].splitlines()[0]
    assert "checkerboard:" not in settings_text("night", propose(lit), [NO_EXIF], None, False)


def test_boards_and_spheres_take_the_lamps_in_order_or_say_that_they_cannot():
    lit = [found(f"P/{n}.dng") for n in range(4)]
    proposal = propose(
        [*lit, *(found(f"flat/{n}.dng") for n in range(4)), *(found(f"spheres/{n}.dng") for n in range(3))]
    )
    rows = {role: [row["lamp"] for row in proposal.rows if row["role"] == role] for role in ("flat", "sphere")}
    assert rows == {"flat": ["L01", "L02", "L03", "L04"], "sphere": ["", "", ""]}
    assert any(note.startswith("3 sphere photographs stand against 4 lamps") for note in proposal.notes)
    assert proposal.from_spheres


def test_the_jpeg_beside_a_raw_file_is_left_out():
    files = [found(f"P/{n}.cr3") for n in range(4)] + [found(f"P/{n}.jpg", raw=False) for n in range(4)]
    proposal = propose(files)
    assert len(proposal.rows) == 4
    assert "left out beside the raw file of the same name: P/0.jpg, P/1.jpg, P/2.jpg, P/3.jpg" in proposal.notes


def test_dark_frames_of_a_plate_serve_its_fields_and_others_the_session():
    lit = [found(f"P/{side}/{n}.dng") for side in ("front", "back") for n in range(4)]
    proposal = propose([*lit, found("P/dark/1.dng"), found("dark/2.dng"), found("mask.png")])
    darks = [(row["file"], row["plate"], row["side"]) for row in proposal.rows if row["role"] == "dark"]
    assert darks == [("dark/2.dng", "", ""), ("P/dark/1.dng", "P", "back"), ("P/dark/1.dng", "P", "front")]
    assert any("not known which plate this mask belongs to: mask.png" in note for note in proposal.notes)


# --- files ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def card(tmp_path):
    """Four PNG of one plate and a dark one, as copied from a card."""
    for index in range(4):
        file = tmp_path / f"card/RV-014/IMG_{index}.png"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(imagecodecs.png_encode(grain(index)))
    (tmp_path / "card/dark.png").write_bytes(imagecodecs.png_encode(np.full((64, 80), 300, np.uint16)))
    return tmp_path / "card"


def said(call, *arguments):
    with pytest.raises(SessionError) as refusal:
        call(*arguments)
    assert "\n" not in str(refusal.value)
    return str(refusal.value)


def test_what_is_to_be_decided_is_named_with_its_line_one_after_another(card, tmp_path):
    new_session(card)
    settings = card / "session.yaml"
    answers = {
        "projection": "orthographic",
        "pixel_pitch_mm": "0.05",
        "white_level": "65535",
        "most_light_sensitive": "none",
    }
    for count, (key, answer) in enumerate(answers.items()):
        lines = settings.read_text().split("\n")
        place = next(index for index, line in enumerate(lines) if line.strip().startswith(f"{key}:"))
        message = said(check_sheet, card, tmp_path / "sheet.json")
        assert message.startswith(f"session.yaml, line {place + 1}, ")
        assert f"{key}: is still empty; fill in: " in message
        more = len(answers) - count - 1
        assert message.endswith(f" (and {more} more like this)") == (more > 0)
        settings.write_text(settings.read_text().replace(f"{key}:", f"{key}: {answer}"))
    assert said(check_sheet, card, tmp_path / "sheet.json").startswith(
        "lamps.csv, row 2: lamp 'L01' has no x_mm; add it"
    )
    (card / "lamps.csv").write_text("lamp,x_mm,y_mm,z_mm\nL01,9,0,9\nL02,0,9,9\nL03,-9,0,9\nL04,0,-9,9\n")
    check_sheet(card, tmp_path / "sheet.json")
    session = read_session(card)
    assert [frame.lamp for frame in session.frames] == ["L01", "L02", "L03", "L04", ""]
    assert (session.frames[-1].role, session.frames[-1].plate) == ("dark", "")
    assert all(frame.sha256 for frame in session.frames)


@pytest.mark.parametrize("name", SHEET)
def test_nothing_is_overwritten(card, name, capsys):
    (card / name).write_text("mine")
    assert commands.main(["new-session", str(card)]) == 2
    assert f"{name}: is there already, and nothing is overwritten" in capsys.readouterr().err
    assert (card / name).read_text() == "mine"
    assert [path.name for path in card.iterdir() if path.name in SHEET] == [name]


def test_folders_without_photographs_are_refused(tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("x")
    (tmp_path / "empty/notes.txt").write_text("x")
    for name, says in (
        ("none", "is not a folder"),
        ("file", "is not a folder"),
        ("empty", "holds no photograph of a plate under a lamp"),
    ):
        assert commands.main(["new-session", str(tmp_path / name)]) == 2
        assert says in capsys.readouterr().err
    assert not (tmp_path / "empty/session.yaml").exists()


def test_a_disk_that_fills_up_leaves_no_file_of_the_sheet(card, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store, "write_table", full)
    with pytest.raises(store.WriteError, match="the disk is full"):
        new_session(card)
    assert sorted(path.name for path in card.iterdir()) == ["RV-014", "dark.png"]


def test_a_damaged_photograph_is_named_and_keeps_its_row(card, capsys):
    (card / "RV-014/IMG_2.png").write_bytes(b"\x89PNG\r\n\x1a\nno more")
    new_session(card)
    assert "cannot be opened: RV-014/IMG_2.png" in capsys.readouterr().err
    assert "RV-014/IMG_2.png,RV-014,front,A,lit,L03" in (card / "frames.csv").read_text()


def test_names_that_yaml_would_take_for_numbers_stay_names(tmp_path):
    for index in range(4):
        file = tmp_path / f"2031/017/{index}.png"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(imagecodecs.png_encode(grain(index)))
    new_session(tmp_path / "2031")
    settings = tmp_path / "2031/session.yaml"
    text = settings.read_text()
    for key, answer in (
        ("projection", "orthographic"),
        ("pixel_pitch_mm", 1),
        ("white_level", 9),
        ("sensitive", "low"),
    ):
        text = text.replace(f"{key}:", f"{key}: {answer}")
    settings.write_text(text)
    (tmp_path / "2031/lamps.csv").write_text("lamp,x_mm,y_mm,z_mm\nL01,9,0,9\nL02,0,9,9\nL03,-9,0,9\nL04,0,-9,9\n")
    session = read_session(tmp_path / "2031")
    assert (session.name, list(session.plates)) == ("2031", ["017"])


# --- the whole way ----------------------------------------------------------------------------------------------------

STRENGTH = {0: 0.6, 1: 1.0, 2: 0.75}


def as_raw(png, file, second):
    """The photograph of a computed session as a camera with filters would have stored it."""
    numbers = read_photograph(png).astype(float)
    mosaic = np.empty(numbers.shape)
    black, white = 512, 65472
    for place, channel in enumerate((0, 1, 1, 2)):
        rows, cols = slice(place // 2, None, 2), slice(place % 2, None, 2)
        light = (numbers[rows, cols] - black) * STRENGTH[channel]
        mosaic[rows, cols] = np.where(numbers[rows, cols] >= white, white, black + light)
    file.parent.mkdir(parents=True, exist_ok=True)
    exif = {"exposure_s": 0.25, "iso": 100, "f_number": 8.0, "mode": 1, "taken": f"2031:05:14 10:00:{second:02d}"}
    write_dng(file, np.rint(mosaic).astype(np.uint16), white=white, black=(black,), exif=exif)


def test_a_card_of_raw_files_becomes_a_stack(tmp_path):
    spec = CaptureSpec(shape=(48, 64), rig=dome(8), seed=4)
    write_capture(tmp_path / "png", spec)
    (tmp_path / "png/frames").rename(tmp_path / "png/other")
    (tmp_path / "png/frames.csv").write_text((tmp_path / "png/frames.csv").read_text().replace("frames/", "other/"))
    known = read_session(tmp_path / "png")
    lit = [frame for frame in known.frames if frame.role == "lit"]
    card = tmp_path / "card"
    for index, frame in enumerate(lit):  # the counter of the camera begins anew in between
        as_raw(frame.file, card / f"TP-001/DSC_{(9997 + index) % 10000:04d}.dng", index)
    as_raw(next(frame.file for frame in known.frames if frame.role == "dark"), card / "dark/DSC_0100.dng", 30)

    new_session(card)
    text = (card / "session.yaml").read_text()
    assert "# Body One, f/8, ISO 100, 0.25 s" in text
    assert "date: 2031-05-14" in text
    for key, answer in (("projection", "orthographic"), ("pixel_pitch_mm", spec.pitch_mm), ("sensitive", "none")):
        text = text.replace(f"{key}:", f"{key}: {answer}")
    (card / "session.yaml").write_text(text)
    shutil.copy(tmp_path / "png/lamps.csv", card / "lamps.csv")
    table = (card / "lamps.csv").read_text()
    for index, frame in enumerate(lit):
        table = table.replace(f"\n{frame.lamp},", f"\nL{index + 1:02d},")
    (card / "lamps.csv").write_text(table)

    name = FieldName("TP-001", "front", "A")
    lights = []
    for folder in (tmp_path / "png", card):
        out = tmp_path / "out" / folder.name
        place = (folder, *(str(name).split("/")))
        check_session(*place, out / "quality.json", out / "lamp_layout.png", out / "check.html")
        stack_frames(*place, out / "quality.json", out / "stack.zarr.zip")
        with store.open_stack(out / "stack.zarr.zip") as stack:
            lights.append(stack.read())
            assert stack.attrs["exposure_s"] == 0.25
    grey, raw = lights
    mean_strength = np.mean(list(STRENGTH.values()))
    both = np.isfinite(grey) & np.isfinite(raw)
    assert both.mean() > 0.9
    difference = np.abs(raw / mean_strength - grey)[both]
    # noise of each photosite spreads to its neighbours; the light is the same
    assert np.median(difference) < 0.01
    assert np.corrcoef(raw[both], grey[both])[0, 1] > 0.995
