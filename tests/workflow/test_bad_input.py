"""Bad input from the command line: one sentence that names the place, exit code 2, nothing half-written."""

import shutil
import struct
import subprocess
import sys
import zlib

import imageio.v3 as iio
import numpy as np
import pytest
from nights import BIN, COLS, ROWS, write_night

from lightdome.commands import main

FIELD = ["--plate", "TP-1", "--side", "front", "--field", "A"]


def edit(name, old, new):
    def change(session):
        text = (session / name).read_text()
        assert old in text
        (session / name).write_text(text.replace(old, new, 1))

    return change


def write(name, content):
    return lambda session: (session / name).write_bytes(content)


def picture(name, pixels):
    return lambda session: iio.imwrite(session / name, pixels)


def delete(name):
    return lambda session: (session / name).unlink()


def truncate(name, share):
    def change(session):
        content = (session / name).read_bytes()
        (session / name).write_bytes(content[: int(len(content) * share)])

    return change


def add_row(row):
    def change(session):
        with (session / "frames.csv").open("a") as file:
            file.write(row + "\n")

    return change


def boundless(session):
    """Headers of PNG files that promise more pixels than any camera has."""
    for number in range(1, 9):
        path = session / f"frames/TP-1-L{number}.png"
        content = bytearray(path.read_bytes())
        content[16:24] = struct.pack(">II", 2_000_000_000, 2_000_000_000)
        content[29:33] = struct.pack(">I", zlib.crc32(content[12:29]))
        path.write_bytes(content)


def masked(session):
    iio.imwrite(session / "frames/mask.png", np.zeros((ROWS, COLS), np.uint8))
    add_row("frames/mask.png,TP-1,front,A,mask,")(session)


def few_lamps(session):
    text = (session / "frames.csv").read_text().splitlines()
    (session / "frames.csv").write_text("\n".join(text[:4]) + "\n")


def in_one_plane(session):
    rows = [f"L{number},{0 if number < 5 else 180},{10 + 9 * number}" for number in range(1, 9)]
    (session / "lamps.csv").write_text("lamp,azimuth_deg,elevation_deg\n" + "\n".join(rows) + "\n")


def link_outside(session):
    target = session.parent / "elsewhere.png"
    shutil.move(session / "frames/TP-1-L2.png", target)
    (session / "frames/TP-1-L2.png").symlink_to(target)


BAD = {
    "no session.yaml": (delete("session.yaml"), "session.yaml"),
    "no frames.csv": (delete("frames.csv"), "frames.csv"),
    "no lamps.csv": (delete("lamps.csv"), "lamps.csv"),
    "empty session.yaml": (write("session.yaml", b""), "session.yaml"),
    "session.yaml is no YAML": (write("session.yaml", b"camera: [1, 2"), "session.yaml"),
    "session.yaml is no UTF-8": (write("session.yaml", b"\xff\xfe\x00f"), "session.yaml"),
    "unknown key": (edit("session.yaml", "operator:", "opperator:"), "operator"),
    "key given twice": (edit("session.yaml", "place: harbour office", "place: a\nplace: b"), "place"),
    "another format": (edit("session.yaml", "format: 1", "format: 9"), "format"),
    "pitch is NaN": (edit("session.yaml", "pixel_pitch_mm: 0.02", "pixel_pitch_mm: .nan"), "pixel_pitch_mm"),
    "pitch below zero": (edit("session.yaml", "pixel_pitch_mm: 0.02", "pixel_pitch_mm: -1"), "pixel_pitch_mm"),
    "pitch is a word": (edit("session.yaml", "pixel_pitch_mm: 0.02", "pixel_pitch_mm: wide"), "pixel_pitch_mm"),
    "hostile session name": (edit("session.yaml", "session: night", "session: ../../night"), "session"),
    "empty frames.csv": (write("frames.csv", b""), "frames.csv"),
    "frames.csv with its header only": (write("frames.csv", b"file,plate,side,field,role,lamp\n"), "frames.csv"),
    "frames.csv without a column": (edit("frames.csv", "file,plate", "file,plat"), "plate"),
    "lamps.csv with its header only": (write("lamps.csv", b"lamp,azimuth_deg,elevation_deg\n"), "lamps.csv"),
    "NaN in the lamp table": (edit("lamps.csv", "L3,190,35", "L3,nan,35"), "row 4, column azimuth_deg"),
    "a word in the lamp table": (edit("lamps.csv", "L3,190,35", "L3,190,low"), "elevation_deg"),
    "a lamp below the plate": (edit("lamps.csv", "L3,190,35", "L3,190,-5"), "L3"),
    "a lamp without a row": (edit("lamps.csv", "L3,190,35\n", ""), "L3"),
    "a lamp with two rows": (edit("lamps.csv", "L3,190,35\n", "L3,190,35\nL3,190,36\n"), "L3"),
    "lamps in one plane": (in_one_plane, "plane"),
    "fewer than four lamps": (few_lamps, "lamps"),
    "the same row twice": (add_row("frames/TP-1-L3.png,TP-1,front,A,lit,L3"), "L3"),
    "unknown role": (edit("frames.csv", "A,lit,L2", "A,lighted,L2"), "lighted"),
    "path out of the session": (edit("frames.csv", "frames/TP-1-L2.png", "../TP-1-L2.png"), "../TP-1-L2.png"),
    "absolute path": (edit("frames.csv", "frames/TP-1-L2.png", "/etc/hostname"), "/etc/hostname"),
    "link out of the session": (link_outside, "TP-1-L2.png"),
    "photograph missing": (delete("frames/TP-1-L2.png"), "TP-1-L2.png"),
    "photograph empty": (write("frames/TP-1-L2.png", b""), "TP-1-L2.png"),
    "photograph truncated": (truncate("frames/TP-1-L2.png", 0.5), "TP-1-L2.png"),
    "photograph is text": (write("frames/TP-1-L2.png", b"a photograph"), "TP-1-L2.png"),
    "photograph of another size": (picture("frames/TP-1-L2.png", np.ones((ROWS, 9), np.uint16)), "TP-1-L2.png"),
    "photograph of another depth": (picture("frames/TP-1-L2.png", np.ones((ROWS, COLS), np.uint8)), "TP-1-L2.png"),
    "photographs without bounds": (boundless, "TP-1-L1.png"),
    "no pixel inside the mask": (masked, "mask"),
    "a cell missing in every row": (edit("frames.csv", "lamp\n", "lamp,sha256\n"), "frames.csv"),
}


@pytest.mark.parametrize("kind", BAD)
def test_bad_input_gets_one_sentence_and_exit_code_2(kind, tmp_path, capsys):
    change, names = BAD[kind]
    session = write_night(tmp_path / "capture", plates=("TP-1",))
    change(session)
    results = tmp_path / "results"
    quality, layout = results / "quality.json", results / "lamp_layout.png"
    products = ["--quality", str(quality), "--picture", str(layout), "--page", str(results / "check.html")]
    code = main(["check-session", str(session), *FIELD, *products])
    if code == 0:  # what only the whole picture shows is found when it is stacked
        code = main(
            ["stack-frames", str(session), *FIELD, "--quality", str(quality), "--stack", str(results / "s.zip")]
        )
        assert not (results / "s.zip").exists()
    else:
        assert not list(results.rglob("*"))
    errors = [line for line in capsys.readouterr().err.splitlines() if line.startswith("lightdome: error: ")]
    assert code == 2
    assert len(errors) == 1
    assert names in errors[0]
    assert not list(results.rglob("*.part"))


def solved(night):
    return night[1] / "night/TP-1/front/A"


@pytest.mark.parametrize(
    ("step", "damage", "names"),
    [
        ("solve-normals", "frames/stack.zarr.zip", "stack.zarr.zip"),
        ("solve-normals", "lights/lamps.json", "lamps.json"),
        ("integrate-height", "surface/normals.tif", "normals.tif"),
        ("map-curvature", "surface/normals.tif", "normals.tif"),
        ("split-relief", "marks/marks.geojson", "marks.geojson"),
        ("fit-relighting", "lights/lamps.json", "lamps.json"),
        ("fit-relighting", "surface/lobe.json", "lobe.json"),
    ],
)
def test_a_damaged_product_is_named_by_the_step_that_needs_it(good_night, tmp_path, capsys, step, damage, names):
    field = tmp_path / "A"
    shutil.copytree(solved(good_night), field)
    (field / damage).write_bytes(b"\x00 not what it was")
    needs = {
        "solve-normals": ["--stack", "frames/stack.zarr.zip", "--lamps", "lights/lamps.json"],
        "integrate-height": ["--normals", "surface/normals.tif", "--uncertainty", "surface/normal_uncertainty.tif"],
        "map-curvature": ["--normals", "surface/normals.tif"],
        "split-relief": [
            "--height",
            "surface/height.tif",
            "--marks",
            "marks/marks.geojson",
            "--classes",
            "marks/class.tif",
        ],
        "fit-relighting": [
            "--stack",
            "frames/stack.zarr.zip",
            "--lamps",
            "lights/lamps.json",
            "--lobe",
            "surface/lobe.json",
        ],
    }
    makes = {
        "solve-normals": ["--normals", "--uncertainty", "--reflectance", "--flags", "--lobe"],
        "integrate-height": ["--height", "--height-uncertainty"],
        "map-curvature": ["--curvature"],
        "split-relief": ["--etched-height", "--scratch-height", "--relief", "--fill-mask"],
        "fit-relighting": ["--coefficients", "--lobe-model", "--quality"],
    }
    given = [word if word.startswith("--") else str(field / word) for word in needs[step]]
    made = [word for flag in makes[step] for word in (flag, str(tmp_path / "new" / flag.strip("-")))]
    assert main([step, *given, *made]) == 2
    said = capsys.readouterr().err
    assert names in said
    assert "Traceback" not in said
    assert not [path for path in tmp_path.glob("new/**/*") if path.is_file()]


def test_a_results_folder_that_may_not_be_written_is_said(tmp_path, capsys):
    session = write_night(tmp_path / "capture", plates=("TP-1",))
    (tmp_path / "results").write_text("a file where the folder should be")
    quality, layout = tmp_path / "results/q.json", tmp_path / "results/l.png"
    assert main(["check-session", str(session), *FIELD, "--quality", str(quality), "--picture", str(layout)]) == 2
    assert "results" in capsys.readouterr().err


def test_a_stack_is_not_begun_where_it_may_not_be_written(good_night, tmp_path, capsys):
    session = write_night(tmp_path / "capture", plates=("TP-1",))
    (tmp_path / "file").write_text("")
    quality = solved(good_night) / "frames/quality.json"
    assert (
        main(["stack-frames", str(session), *FIELD, "--quality", str(quality), "--stack", str(tmp_path / "file/s")])
        == 2
    )
    assert "check the results folder" in capsys.readouterr().err


def test_an_input_that_is_not_there_is_named(tmp_path, capsys):
    paths = [word for flag in ("normals", "uncertainty") for word in (f"--{flag}", str(tmp_path / flag))]
    paths += [word for flag in ("height", "height-uncertainty") for word in (f"--{flag}", str(tmp_path / "new"))]
    assert main(["integrate-height", *paths]) == 2
    assert "normals: cannot be read (No such file or directory)" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()


def test_a_disk_that_fills_up_is_said_and_leaves_nothing(tmp_path):
    session = write_night(tmp_path / "capture", plates=("TP-1",))
    done = [BIN / "lightdome", "check-session", session, *FIELD, "--quality", tmp_path / "q.json"]
    assert subprocess.run([*done, "--picture", tmp_path / "l.png"], check=False).returncode == 0
    # a limit on the size of any file is the kernel's own way to refuse a write in the middle
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000));"
        "from lightdome.commands import main; sys.exit(main(sys.argv[1:]))"
    )
    step = ["stack-frames", session, *FIELD, "--quality", tmp_path / "q.json", "--stack", tmp_path / "out/s.zarr.zip"]
    full = subprocess.run([sys.executable, "-c", code, *step], capture_output=True, text=True, check=False)
    assert full.returncode == 2, full.stderr
    assert full.stderr.splitlines()[-1].startswith("lightdome: error: ")
    assert "Traceback" not in full.stderr
    assert not list((tmp_path / "out").iterdir())
