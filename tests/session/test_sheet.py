"""The input contract: what is read, and one sentence with file, row or key for everything that is refused."""

import csv

import pytest
from captures import grain

from lightdome.errors import SessionError
from lightdome.session.records import FieldName
from lightdome.session.sheet import plan_session, read_field, read_session

FRONT = FieldName("TP-017", "front", "A")
OTHER = FieldName("TP-018", "front", "A")


def said(folder, read=read_session):
    with pytest.raises(SessionError) as refusal:
        read(folder.path)
    text = str(refusal.value)
    assert "\n" not in text
    return text


def test_a_whole_session_is_read(folder):
    session = read_session(folder.write())
    assert session.name == "tern-point-2031-05"
    assert session.date == "2031-05-14"
    assert session.camera.pixel_pitch_mm == 0.05
    assert session.plates["TP-017"].size_mm == (240, 160)
    assert session.plates["TP-018"].most_light_sensitive == "none"
    assert [lamp.name for lamp in session.lamps] == ["L1", "L2", "L3", "L4", "L5"]
    assert session.lamps[3].position_mm == (0, -300, 250)
    assert session.frames[0].row == 2
    assert session.frames[0].file == folder.path / "frames/L1.png"


def test_defaults_are_those_of_the_schema(folder):
    folder.settings = folder.settings.replace("  response: linear\n  black_level: 0\n", "").replace(
        "  projection: orthographic\n", ""
    )
    camera = read_session(folder.write()).camera
    assert (camera.response, camera.black_level, camera.projection) == ("linear", 0, "orthographic")
    assert (camera.distance_mm, camera.u_pixel_pitch) == (None, 0)


def test_a_scale_bar_gives_the_pitch(folder):
    bar = "scale_bar: {file: frames/L1.png, from_px: [10, 20], to_px: [40, 60], length_mm: 5}"
    folder.settings = folder.settings.replace("pixel_pitch_mm: 0.05", bar)
    # the ends are 30 columns and 40 rows apart, so 50 pixels (3-4-5 triangle) hold 5 mm
    assert read_session(folder.write()).camera.pixel_pitch_mm == pytest.approx(0.1, rel=1e-12)


def test_a_byte_order_mark_and_spaces_are_tolerated(folder):
    folder.write()
    table = folder.path / "frames.csv"
    table.write_bytes(b"\xef\xbb\xbf" + table.read_bytes().replace(b",lit,", b", lit ,") + b"\n\n")
    assert len(read_session(folder.path).frames) == 7


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("response: linear", "respons: linear", "line 9, camera.respons: unknown key; did you mean 'response'?"),
        ("format: 1", "format: 2", "line 1, format: must be 1, not 2"),
        ("format: 1\n", "", "line 1: the key 'format' is missing; add it"),
        ("session: tern-point-2031-05", "session: ../elsewhere", "line 2, session: '../elsewhere' does not fit"),
        ("date: 2031-05-14", "date: next week", "line 3, date: 'next week' does not fit"),
        ("date: 2031-05-14", 'date: "2031-02-30"', "line 3, date: '2031-02-30' is no day of the calendar"),
        ("pixel_pitch_mm: 0.05", "pixel_pitch_mm: .nan", "line 8, camera.pixel_pitch_mm: must be a finite number"),
        ("pixel_pitch_mm: 0.05", "pixel_pitch_mm: .inf", "line 8, camera.pixel_pitch_mm: must be at most 100"),
        ("pixel_pitch_mm: 0.05", "pixel_pitch_mm: -0.05", "line 8, camera.pixel_pitch_mm: must be at least 1e-05"),
        ("pixel_pitch_mm: 0.05", 'pixel_pitch_mm: "0.05"', "line 8, camera.pixel_pitch_mm: must be a number"),
        ("pixel_pitch_mm: 0.05", "pixel_pitch_mm: 1e300", "line 8, camera.pixel_pitch_mm: must be at most 100"),
        ("  pixel_pitch_mm: 0.05\n", "", "line 6, camera: give either pixel_pitch_mm or scale_bar"),
        ("pixel_pitch_mm: 0.05", "pixel_pitch_mm: 0.05\n  pixel_pitch_mm: 0.06", "line 9: key 'pixel_pitch_mm' stands"),
        (
            "projection: orthographic",
            "projection: perspective",
            "line 7, camera.projection: perspective needs distance_mm",
        ),
        (
            "projection: orthographic",
            "distance_mm: 900",
            "line 7, camera.distance_mm: belongs to projection: perspective",
        ),
        ("white_level: 65535", "white_level: 0.5\n  black_level: 3", "key 'black_level' stands there twice"),
        ("black_level: 0\n", "black_level: 65535\n", "line 11, camera.white_level: must be above black_level"),
        ("  white_level: 65535\n", "", "line 6, camera: the key 'white_level' is missing"),
        ("response: linear", "response: gamma", "line 9, camera.response: must be one of linear, srgb, not 'gamma'"),
        ("model: near", "model: distant\n  u_position_mm: 1", "line 15, lamps.u_position_mm: belongs to model: near"),
        ("source: table", "source: spheres", "line 13, lamps.source: spheres needs the section `spheres`"),
        ("  TP-018:", "  TP/018:", "plates.TP/018: a name has 1-64 letters"),
        ("material: copper", "metal: copper", "line 23, plates.TP-018.metal: unknown key; did you mean 'material'?"),
        ("plates:", "plates: [", "is not valid YAML"),
        (
            "material: zinc",
            "material: &m zinc\n    size: *m",
            "plates.TP-017.size: unknown key; did you mean 'size_mm'?",
        ),
        ("size_mm: [240, 160]", "size_mm: [240]", "line 19, plates.TP-017.size_mm: needs 2 numbers"),
        (
            "pixel_pitch_mm: 0.05",
            "scale_bar: {file: ../bar.png, from_px: [0, 0], to_px: [9, 0], length_mm: 5}",
            "camera.scale_bar.file: '../bar.png' leaves the session folder",
        ),
        (
            "pixel_pitch_mm: 0.05",
            "scale_bar: {file: bar.png, from_px: [3, 3], to_px: [3, 3], length_mm: 5}",
            "line 8, camera.scale_bar: from_px and to_px are the same point",
        ),
    ],
)
def test_wrong_settings_are_refused_with_line_and_key(folder, old, new, says):
    assert old in folder.settings
    folder.settings = folder.settings.replace(old, new, 1)
    folder.write()
    assert f"session.yaml{', ' if says.startswith('line') else ''}" in said(folder)
    assert says in said(folder)
    assert says in said(folder, plan_session)  # they make the whole session unreadable


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "holds no keys"),
        (b"- a\n- b\n", "holds no keys"),
        (b"place: caf\xe9\n", "line 1: is not UTF-8 text"),
        (b"[" * 600, "is not valid YAML"),
        (b"a: \x00\n", "is not valid YAML"),
        (b"spheres: &a [*a]\n", "session.yaml"),
        (b"x" * 2_000_000, "is larger than"),
    ],
)
def test_what_is_no_settings_file_is_refused(folder, content, says):
    folder.write()
    (folder.path / "session.yaml").write_bytes(content)
    assert says in said(folder)


@pytest.mark.parametrize("name", ["session.yaml", "frames.csv", "lamps.csv"])
def test_a_missing_file_of_the_session_is_named(folder, name):
    folder.write()
    (folder.path / name).unlink()
    assert name in said(folder)
    assert name in said(folder, plan_session)


def test_a_folder_that_is_none_is_named(folder):
    folder.path = folder.path / "nowhere"
    assert "nowhere: is not a folder" in said(folder)


@pytest.mark.parametrize(
    ("table", "content", "says"),
    [
        ("frames.csv", "", "frames.csv: is empty"),
        ("frames.csv", "file,plate,side,field,role,lamp\n", "frames.csv: has a header and no rows"),
        ("frames.csv", "file,plate,side,field,role\na,b,c,d,lit\n", "row 1: the column 'lamp' is missing"),
        ("frames.csv", "file,plate,side,field,role,lampe\n", "row 1: unknown column 'lampe'; did you mean 'lamp'?"),
        ("frames.csv", "file;plate;side;field;role;lamp\n", "row 1: the columns are separated by semicolons"),
        ("frames.csv", "file,file,plate,side,field,role,lamp\n", "row 1: column 'file' stands there twice"),
        ("frames.csv", 'file,plate,side,field,role,lamp\n"a,b\n', "frames.csv, row"),
        ("lamps.csv", "lamp,azimuth_deg,elevation_deg\nL1,0,45\n", "row 1: model near needs the columns lamp, x_mm"),
        ("lamps.csv", "lamp,x_mm,y_mm,z_mm,power,power_r\nL1,0,0,9,1,1\n", "give either power or all of power_r"),
        ("lamps.csv", "lamp,x_mm,y_mm,z_mm\n,0,0,9\n", "lamps.csv, row 2: '' is no name for a lamp"),
        ("lamps.csv", "lamp,x_mm,y_mm,z_mm\n", "lamps.csv: has a header and no rows; add one row for each lamp"),
    ],
)
def test_a_table_that_cannot_be_read_is_refused(folder, table, content, says):
    folder.write()
    (folder.path / table).write_text(content, encoding="utf-8")
    assert says in said(folder)
    assert says in said(folder, plan_session)


def test_a_table_that_is_not_utf8_is_refused_with_its_row(folder):
    folder.write()
    (folder.path / "frames.csv").write_bytes(b"file,plate,side,field,role,lamp\nframes/\xfc.png,a,b,c,lit,L1\n")
    assert "frames.csv, row 2: is not UTF-8 text" in said(folder)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("frames/L1.png,TP-017,front,A,lit,L1", "row 9, column file: 'L1.png' stands in row 2 too"),
        ("frames/x.png,TP-017,front,A,lit,L1", "row 9, column lamp: lamp 'L1' stands in row 2 too"),
        ("frames/x.png,TP-017,front,A,lit,L9", "row 9: lamp 'L9' has no place in lamps.csv; add its row there"),
        ("frames/x.png,TP-017,front,A,lit,", "row 9, column lamp: is empty"),
        ("frames/x.png,TP-017,front,A,dark,L1", "row 9, column lamp: a dark photograph belongs to no lamp"),
        (",TP-017,front,A,dark,", "row 9, column file: is empty"),
        ("../x.png,TP-017,front,A,dark,", "row 9, column file: '../x.png' leaves the session folder"),
        ("/x.png,TP-017,front,A,dark,", "row 9, column file: '/x.png' must be a path inside the session folder"),
        ("frames\\x.png,TP-017,front,A,dark,", "row 9, column file:"),
        ("out.png,TP-017,front,A,dark,", "row 9, column file: 'out.png' leaves the session folder"),
        ('"frames/a\nb.png",TP-017,front,A,dark,', "row 9, column file: 'frames/a\\nb.png' holds characters"),
        ("frames/a\0b.png,TP-017,front,A,dark,", "row 9, column file:"),
    ],
)
def test_a_bad_row_of_a_field_stops_that_field_and_no_other(folder, row, says):
    (folder.path / "out.png").symlink_to(folder.path.parent / "elsewhere.png")
    folder.frames.append(row)
    folder.write()
    assert says in said(folder)
    with pytest.raises(SessionError) as refusal:
        read_field(folder.path, FRONT)
    assert says in str(refusal.value)
    assert len(read_field(folder.path, OTHER)[1]) == 2
    plan = plan_session(folder.path)
    assert plan.fields == (FRONT, OTHER)
    assert plan.refused == ()


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("frames/x.png,,,,lid,L1", "row 9, column role: unknown role 'lid'; did you mean 'lit'?"),
        ("frames/x.png,TP/017,front,A,lit,L1", "row 9, column plate: 'TP/017' cannot name a folder"),
        ("frames/x.png,..,front,A,lit,L1", "row 9, column plate: '..' cannot name a folder"),
        ("frames/x.png,TP-017,-front,A,lit,L1", "row 9, column side: '-front' cannot name a folder"),
        (f"frames/x.png,TP-017,front,{'A' * 65},lit,L1", "row 9, column field: 'AAAA"),
        ('frames/x.png,TP-017,front,"A\nB",lit,L1', "row 9, column field: 'A\\nB' cannot name a folder"),
        ("frames/x.png,TP-017,front,A\0,lit,L1", "row 9, column field:"),
        ("frames/x.png,TP-017,review,A,lit,L1", "row 9, column side: 'review' is the name of something else"),
        ("frames/x.png,,,,lit,L1", "row 9, column plate: is empty"),
        ("frames/x.png,TP-017,,,dark,", "row 9, column side: is empty"),
        ("frames/x.png,TP-017,front,A,lit", "row 9: has 5 cells where the header has 6"),
    ],
)
def test_a_row_that_belongs_nowhere_is_refused_and_stops_no_field(folder, row, says):
    folder.frames.append(row)
    folder.write()
    assert says in said(folder)
    plan = plan_session(folder.path)
    assert len(plan.refused) == 1
    assert says in plan.refused[0]
    assert plan.fields == (FRONT, OTHER)
    assert len(read_field(folder.path, FRONT)[1]) == 5


@pytest.mark.parametrize(
    ("lamp", "says"),
    [
        ("L6,1,nan,200", "lamps.csv, row 7, column y_mm: 'nan' is not a number"),
        ("L6,1,two,200", "lamps.csv, row 7, column y_mm: 'two' is not a number"),
        ("L6,1,,200", "lamps.csv, row 7: lamp 'L6' has no y_mm; add it"),
        ("L6,1,1e12,200", "lamps.csv, row 7, column y_mm: 1e+12 is not from -1e+06 to 1e+06"),
        ("L6,1,2,-200", "lamps.csv, row 7, column z_mm: lamp 'L6' is not above the plate"),
        ("L5,1,2,200", "lamps.csv, row 7: lamp 'L5' stands in row 6 too"),
        ("L6,1,2", "lamps.csv, row 7: has 3 cells where the header has 4"),
    ],
)
def test_a_bad_lamp_stops_the_fields_it_lit(folder, lamp, says):
    folder.lamps.append(lamp)
    folder.picture("frames/L6.png", grain(6))
    folder.frames.append("frames/L6.png,TP-017,front,A,lit,L6")
    folder.write()
    assert says in said(folder)
    with pytest.raises(SessionError) as refusal:
        read_field(folder.path, FRONT)
    assert says in str(refusal.value)
    assert len(read_field(folder.path, OTHER)[1]) == 2


@pytest.mark.parametrize(
    ("extra", "cell", "says"),
    [
        ("exposure_s", "soon", "row 2, column exposure_s: 'soon' is not a number"),
        ("exposure_s", "-1", "row 2, column exposure_s: -1 is not above 0"),
        ("sha256", "abc", "row 2, column sha256: 'abc' is not 64 hexadecimal digits"),
    ],
)
def test_optional_columns_are_checked(folder, extra, cell, says):
    folder.write()
    rows = list(csv.reader((folder.path / "frames.csv").read_text(encoding="utf-8").splitlines()))
    rows[0].append(extra)
    for row in rows[1:]:
        row.append("")
    rows[1][-1] = cell
    with (folder.path / "frames.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    assert says in said(folder)


def test_a_lamp_below_the_plate_is_refused(folder):
    folder.settings = folder.settings.replace("model: near", "model: distant")
    folder.write()
    (folder.path / "lamps.csv").write_text("lamp,azimuth_deg,elevation_deg\nL1,0,45\nL2,90,0\n", encoding="utf-8")
    assert "lamps.csv, row 3, column elevation_deg: lamp 'L2' is not above the plate" in said(folder)


def test_two_masks_of_one_field_are_refused(folder):
    folder.frames += ["frames/m1.png,TP-017,front,A,mask,", "frames/m2.png,TP-017,front,A,mask,"]
    folder.write()
    assert "row 10, column role: the mask of this field stands in row 9 too" in said(folder)


def test_a_plate_that_the_settings_do_not_know_fails_alone(folder):
    folder.frames.append("frames/x.png,TP-019,front,A,lit,L1")
    folder.write()
    plan = plan_session(folder.path)
    assert FieldName("TP-019", "front", "A") in plan.fields
    with pytest.raises(SessionError, match="plate 'TP-019' is not among the plates"):
        read_field(folder.path, FieldName("TP-019", "front", "A"))
    assert len(read_field(folder.path, FRONT)[1]) == 5


def test_the_first_of_many_faults_is_said_with_their_number(folder):
    folder.frames += ["frames/x.png,TP-017,front,A,lit,L8", "frames/y.png,TP-017,front,A,lit,L9"]
    folder.write()
    assert said(folder).endswith("(and 1 more like this)")


def test_shared_rows_serve_every_field_and_a_fields_own_rows_come_first(folder):
    folder.frames += ["frames/d.png,,,,dark,", "frames/d18.png,TP-018,front,A,dark,"]
    folder.write()
    files = {name: [frame.file.name for frame in read_field(folder.path, name)[1]] for name in (FRONT, OTHER)}
    assert files[FRONT][-1] == "d.png"
    assert files[OTHER][-1] == "d18.png"


def test_the_plan_tells_fields_photographs_pixels_and_lamps(folder):
    folder.frames += ["frames/d.png,,,,dark,", "frames/gone.png,TP-017,front,A,mask,"]
    plan = plan_session(folder.write())
    assert plan.session == "tern-point-2031-05"
    assert plan.fields == (FRONT, OTHER)
    assert plan.pixels(FRONT) == 64 * 80
    assert plan.lamps_of(FRONT) == ("L1", "L2", "L3", "L4", "L5")
    assert plan.lamp_count(OTHER) == 2
    assert [path.name for path in plan.photographs(FRONT)] == [f"L{index}.png" for index in range(1, 6)]


def test_a_plan_is_made_though_no_photograph_opens(folder):
    for file in (folder.path / "frames").iterdir():
        file.write_bytes(b"")
    assert plan_session(folder.write()).pixels(FRONT) == 0


def test_a_field_that_is_not_there_is_named(folder):
    folder.write()
    with pytest.raises(SessionError, match="has no row of TP-017/back/A"):
        read_field(folder.path, FieldName("TP-017", "back", "A"))
