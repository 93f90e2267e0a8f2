"""The whole way by the workflow: the output contract, resuming, and one bad plate among good ones."""

import json
import os
import signal
import subprocess
import time
from html.parser import HTMLParser

import pytest
import rasterio
from nights import BIN, TOP, snakemake, write_night
from rio_cogeo import cog_validate
from ruamel.yaml import YAML

RASTERS = {
    "surface/normals.tif": {"nx": "1", "ny": "1", "nz": "1"},
    "surface/normal_uncertainty.tif": {"u_tilt": "deg"},
    "surface/reflectance.tif": {
        "diffuse": "1",
        "specular": "1",
        "roughness": "1",
        "anisotropy": "1",
        "direction": "deg",
        "total": "1",
    },
    "surface/flags.tif": {"flags": "1"},
    "surface/height.tif": {"height": "um"},
    "surface/height_uncertainty.tif": {"u_height": "um"},
    "surface/curvature.tif": {"mean": "1/mm", "gaussian": "1/mm^2", "k1": "1/mm", "k2": "1/mm"},
    "marks/class.tif": {"class": "1"},
    "marks/etched_height.tif": {"etched_height": "um"},
    "marks/scratch_height.tif": {"scratch_height": "um"},
}
FILES = [
    "frames/stack.zarr.zip",
    "frames/quality.json",
    "frames/lamp_layout.png",
    "frames/check.html",
    "lights/lamps.json",
    "surface/lobe.json",
    "surface/texture.json",
    "marks/marks.geojson",
    "marks/marks.csv",
    "relight/coefficients.tif",
    "relight/lobe.tif",
    "relight/quality.json",
]
"""Products of every field, as the README lists them."""


class Words(HTMLParser):
    """The text of a page."""

    def __init__(self, page):
        super().__init__()
        self.text = ""
        self.feed(page.read_text(encoding="utf-8"))

    def handle_data(self, data):
        self.text += data


def test_every_product_of_the_contract_is_there(good_night):
    _, results = good_night
    for plate in ("TP-1", "TP-2"):
        for name in [*FILES, *RASTERS]:
            assert (results / "night" / plate / "front" / "A" / name).is_file(), name
        assert (results / "night" / plate / "review" / "index.html").is_file()
        assert (results / "night" / plate / "report.pdf").read_bytes().startswith(b"%PDF")
    assert (results / "night" / "index.html").is_file()


@pytest.mark.parametrize("name", RASTERS)
def test_a_raster_has_its_bands_units_pitch_and_layout(good_night, name):
    path = good_night[1] / "night/TP-1/front/A" / name
    valid, errors, _ = cog_validate(path)
    assert valid, errors
    with rasterio.open(path) as dataset:
        assert dict(zip(dataset.descriptions, dataset.units, strict=True)) == RASTERS[name]
        assert set(dataset.dtypes) == {"uint8" if name in ("marks/class.tif", "surface/flags.tif") else "float32"}
        assert dataset.transform.a == pytest.approx(0.02)
        assert (dataset.transform.c, dataset.transform.f) == pytest.approx((-96 / 2 * 0.02, 72 / 2 * 0.02))
        assert json.loads(dataset.tags()["LIGHTDOME_PROVENANCE"])["sources"]


def test_the_groove_is_measured(good_night):
    with rasterio.open(good_night[1] / "night/TP-1/front/A/surface/height.tif") as dataset:
        height_um = dataset.read(1)
    depth_um = height_um[:, :30].mean() - height_um[:, 44:52].mean()
    # the integral of the slope written into the photographs: 0.5 x sqrt(pi) x 0.02 mm = 17.7 um
    assert depth_um == pytest.approx(17.7, rel=0.05)


def test_nothing_is_left_to_do(good_night):
    again = snakemake(*good_night, "-n")
    assert again.returncode == 0
    assert "Nothing to be done" in again.stdout + again.stderr


def test_no_half_written_product_is_left(good_night):
    assert not [path for path in good_night[1].rglob("*") if path.name.endswith(".part")]


def test_snakemakes_own_report_can_be_written(good_night, tmp_path):
    made = snakemake(*good_night, "--report", tmp_path / "report.html")
    assert made.returncode == 0, made.stderr
    assert "lamp layout" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_the_workflow_is_linted_clean():
    linted = subprocess.run([BIN / "snakemake", "--lint"], cwd=TOP, capture_output=True, text=True, check=False)
    assert linted.returncode == 0, linted.stderr
    assert "Congratulations" in linted.stderr


def test_a_dry_run_of_the_sample_names_every_rule():
    dry = subprocess.run([BIN / "snakemake", "-n", "--forceall"], cwd=TOP, capture_output=True, text=True, check=False)
    assert dry.returncode == 0, dry.stderr
    for rule in ("check_session", "solve_normals", "split_relief", "build_review", "summarise_night"):
        assert rule in dry.stdout


@pytest.mark.parametrize("profile", ["laptop", "overnight"])
def test_a_profile_changes_no_answer(profile, tmp_path):
    folder = f"workflow/profiles/{profile}"
    run = [BIN / "snakemake", "-n", "--workflow-profile", folder, "--config", f"results={tmp_path}"]
    dry = subprocess.run(run, cwd=TOP, capture_output=True, text=True, check=False)
    assert dry.returncode == 0, dry.stderr
    assert "solve_normals" in dry.stdout
    kept = set(YAML(typ="safe").load(TOP / folder / "config.yaml"))
    assert kept <= {"cores", "resources", "retries", "keep-going", "rerun-incomplete", "nolock", "show-failed-logs"}


def test_one_bad_plate_leaves_the_others_finished_and_the_summary_says_why(tmp_path):
    session = write_night(tmp_path / "capture", plates=("TP-1", "TP-9"))
    (session / "frames/TP-9-L3.png").write_bytes(b"\x89PNG cut off")
    night = snakemake(session, tmp_path / "results")
    results = tmp_path / "results/night"
    assert night.returncode == 2
    assert "Traceback" not in night.stderr
    assert (results / "TP-1/report.pdf").is_file()
    assert not (results / "TP-9/report.pdf").exists()
    said = Words(results / "index.html").text
    assert "TP-9-L3.png" in said
    assert "check-session" in said
    assert not list((results / "TP-9").rglob("*.part"))


@pytest.mark.parametrize(
    ("name", "change", "says"),
    [
        ("session.yaml", lambda text: text.replace("camera:", "camara:"), "camera"),
        ("session.yaml", lambda _: "\t: {", "session.yaml"),
        ("frames.csv", lambda _: "", "frames.csv"),
        ("session.yaml", None, "session.yaml"),
    ],
)
def test_a_session_that_cannot_be_read_ends_at_once_with_one_sentence(tmp_path, name, change, says):
    session = write_night(tmp_path / "capture", plates=("TP-1",))
    path = session / name
    path.unlink() if change is None else path.write_text(change(path.read_text()))
    night = snakemake(session, tmp_path / "results")
    assert night.returncode == 2
    errors = [line for line in night.stderr.splitlines() if line.startswith("lightdome: error: ")]
    assert len(errors) == 1
    assert says in errors[0]
    assert "Traceback" not in night.stderr
    assert not (tmp_path / "results").exists()


def test_a_results_folder_that_is_a_file_is_refused_at_once(tmp_path):
    session = write_night(tmp_path / "capture", plates=("TP-1",))
    (tmp_path / "results").write_text("")
    night = snakemake(session, tmp_path / "results")
    assert night.returncode == 2
    assert "choose a results folder" in night.stderr
    assert "Traceback" not in night.stderr


def test_an_unknown_setting_is_refused(tmp_path):
    session = write_night(tmp_path / "capture", plates=("TP-1",))
    (tmp_path / "mine.yaml").write_text("solve_normals: {metod: robust}\n")
    night = snakemake(session, tmp_path / "results", "--configfile", tmp_path / "mine.yaml")
    assert night.returncode == 2
    assert "metod" in night.stderr
    assert "Traceback" not in night.stderr


def kill_while(started, marker, seconds=120):
    """Kill the whole process group as soon as `marker()` is true."""
    ends = time.monotonic() + seconds
    while time.monotonic() < ends and started.poll() is None:
        if marker():
            os.killpg(started.pid, signal.SIGKILL)
            started.wait()
            return True
        time.sleep(0.01)
    return False


def test_a_night_killed_in_the_middle_of_a_step_is_taken_up_by_the_same_command(tmp_path):
    session = write_night(tmp_path / "capture", plates=("TP-1",))
    results = tmp_path / "results"
    field = results / "night/TP-1/front/A"
    run = [BIN / "snakemake", "--snakefile", TOP / "Snakefile", "--directory", tmp_path, "--cores", "2"]
    config = ["--config", f"session={session}", f"results={results}"]
    started = subprocess.Popen(
        [*run, *config], start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    assert kill_while(started, lambda: (field / "logs/solve-normals.log").exists())
    assert not (field / "surface/height.tif").exists()
    kept = (field / "frames/stack.zarr.zip").stat().st_mtime_ns
    again = snakemake(session, results)
    assert again.returncode == 0, again.stderr
    assert (field / "surface/height.tif").is_file()
    assert (field / "frames/stack.zarr.zip").stat().st_mtime_ns == kept
    assert not list(results.rglob("*.part"))
