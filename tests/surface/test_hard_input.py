"""Photographs that the lobe cannot be fitted to: each gets a defined answer, with flags, or one sentence."""

import numpy as np
import pytest
from lobes import NOISE, coordinates, light_of, lobe_of, near_dome, noisy, reflectance_of

from lightdome import store
from lightdome.commands import main
from lightdome.lights.lamps import LampSet, directions
from lightdome.surface.region import FLAG_FEW, FLAG_NONE, FLAG_TAIL

SHAPE, PITCH_MM = (40, 44), 0.05
NAMES = ("normals", "uncertainty", "reflectance", "flags", "lobe")


def plate(lamps, diffuse=0.0, specular=0.6, roughness=0.25):
    """Noisy light of a gently wavy plate, and its normals."""
    x, y = np.meshgrid(*coordinates(SHAPE, PITCH_MM))
    slopes = np.stack([0.1 * np.sin(4 * x), 0.08 * np.cos(5 * y)])
    light = light_of(
        lobe_of(roughness=roughness), lamps, slopes, reflectance_of(SHAPE, diffuse, specular, roughness), PITCH_MM
    )
    normals = np.stack([-slopes[0], -slopes[1], np.ones(SHAPE)])
    return noisy(light, NOISE).astype(np.float32), normals / np.linalg.norm(normals, axis=0)


class Answer:
    """What the command left behind."""

    def __init__(self, field, light, lamps, capsys):
        field.write_stack(light, lamps, PITCH_MM)
        paths = [word for name in NAMES for word in (f"--{name}", str(field.folder / name))]
        self.code = main(["solve-normals", "--stack", str(field.stack), "--lamps", str(field.lamps), *paths])
        self.said = capsys.readouterr().err
        assert "Traceback" not in self.said
        if self.code == 0:
            self.normals, self.u_deg, self.reflectance, self.flags = (field.read(name) for name in NAMES[:4])
            self.flags = self.flags[0].astype(int)
            self.facts = store.read_json(field.folder / "lobe")
            self.check()

    def check(self):
        """An answer is whole and a unit vector, or it is not there and says so."""
        known = np.isfinite(self.normals).all(axis=0)
        np.testing.assert_array_equal(np.isfinite(self.normals).any(axis=0), known)
        np.testing.assert_array_equal(self.flags == FLAG_NONE, ~known)
        assert ((self.flags & FLAG_NONE > 0) == ~known).all()
        np.testing.assert_allclose(np.linalg.norm(self.normals[:, known], axis=0), 1, atol=1e-5)
        assert (self.normals[2, known] > 0).all()
        assert np.isfinite(self.u_deg[0, known]).all()
        assert (self.u_deg[0, known] >= 0).all()
        assert np.isfinite(self.reflectance[0, known]).all()
        assert (self.reflectance[0, known] >= 0).all()
        assert np.isnan(self.u_deg[0, ~known]).all()
        assert self.facts["pixels"]["solved"] == known.sum()


def error_deg(normals, truth):
    return np.degrees(np.arccos(np.clip((normals * truth).sum(axis=0), -1, 1)))


@pytest.mark.parametrize("count", [4, 5, 7])
def test_few_lamps_are_solved_by_least_squares_with_a_note(field, capsys, count):
    lamps = near_dome(count)
    light, truth = plate(lamps, diffuse=0.5, specular=0.0)
    found = Answer(field, light, lamps, capsys)
    assert found.code == 0
    assert found.facts["method"] == "least-squares"
    assert found.facts["lobe"] is None
    assert f"{count} lamps are too few" in found.facts["note"]
    assert found.facts["note"] in found.said
    assert np.median(error_deg(found.normals, truth)) < 2
    assert ((found.flags & FLAG_FEW > 0) == (count < 6)).all()


def test_lamps_at_one_elevation(field, capsys):
    azimuth = np.arange(16) * 22.5
    lamps = LampSet(
        tuple(f"L{number}" for number in range(16)),
        "near",
        directions(azimuth, np.full(16, 40.0)) * 250,
        np.ones(16),
        np.full(16, np.nan),
        0.0,
        False,
        None,
        "table",
    )
    # a broad lobe and a matte surface look alike under one ring: the answer lies between, and says how unsure it is
    for kind, limit in (((0.5, 0.0), 4), ((0.0, 0.6), 8)):
        light, truth = plate(lamps, *kind)
        found = Answer(field, light, lamps, capsys)
        assert found.code == 0
        assert "one elevation" in found.facts["note"]
        error = error_deg(found.normals, truth)
        assert np.median(error) < limit
        assert (error < 2.45 * found.u_deg[0]).mean() > 0.85


def test_half_the_samples_clipped(field, capsys):
    lamps = near_dome(24)
    light, truth = plate(lamps, diffuse=0.1, specular=0.5)
    light[light > np.median(light, axis=0)] = np.nan
    found = Answer(field, light, lamps, capsys)
    assert found.code == 0
    # the peak of the lobe is gone: the answer is right all the same, and says how unsure it is
    error = error_deg(found.normals, truth)
    assert np.median(error) < 2
    assert (found.flags & FLAG_TAIL > 0).mean() > 0.9
    assert (error < 2 * np.sqrt(2) * found.u_deg[0]).mean() > 0.75


def test_half_the_lamps_missing_at_some_pixels(field, capsys):
    lamps = near_dome(16)
    light, truth = plate(lamps, diffuse=0.5, specular=0.0)
    for rows, lit in ((slice(0, 10), 7), (slice(10, 20), 5), (slice(20, 25), 4), (slice(25, 30), 3)):
        light[lit:, rows] = np.nan
    found = Answer(field, light, lamps, capsys)
    assert found.code == 0
    assert (found.flags[10:25] & FLAG_FEW > 0).all()
    assert not (found.flags[:10] & FLAG_FEW > 0).any()
    assert (found.flags[25:30] == FLAG_NONE).all()
    assert np.median(error_deg(found.normals, truth)[30:]) < 0.5
    assert np.isfinite(found.normals[:, :25]).all()


def test_a_mirror_is_flagged(field, capsys):
    lamps = near_dome(24)
    light, truth = plate(lamps, diffuse=0.0, specular=0.6, roughness=0.02)
    light = np.where(light > 1, np.nan, light)
    found = Answer(field, light, lamps, capsys)
    assert found.code == 0
    flagged = found.flags != 0
    # what is not flagged is right
    assert flagged.mean() > 0.7
    assert error_deg(found.normals, truth)[~flagged].max(initial=0) < 1


def test_a_black_plate_is_noise(field, capsys):
    lamps = near_dome(16)
    light = np.random.default_rng(1).normal(0, 0.001, (16, *SHAPE)).astype(np.float32)
    found = Answer(field, light, lamps, capsys)
    assert found.code in (0, 2)
    if found.code == 0:
        known = found.flags != FLAG_NONE
        # nothing is claimed without saying how unsure it is
        assert np.median(found.u_deg[0, known]) > 5 or (found.flags[known] > 0).mean() > 0.5
        assert found.facts["warning"] is None


@pytest.mark.filterwarnings("ignore:Mean of empty slice")
def test_a_dark_plate_without_noise(field, capsys):
    lamps = near_dome(16)
    found = Answer(field, np.zeros((16, *SHAPE), np.float32), lamps, capsys)
    assert found.code == 2
    assert found.said.strip().splitlines()[-1].startswith("lightdome: error: ")


@pytest.mark.parametrize("count", [5, 16])
def test_all_clipped(field, capsys, count):
    lamps = near_dome(count)
    found = Answer(field, np.full((count, *SHAPE), np.nan, np.float32), lamps, capsys)
    assert found.code == 2
    assert "no pixel is seen well" in found.said.strip().splitlines()[-1]
    assert not (field.folder / "lobe").exists()


def test_one_lamp_dead(field, capsys):
    lamps = near_dome(24)
    light, truth = plate(lamps)
    light[3] = 0
    found = Answer(field, light, lamps, capsys)
    assert found.code == 0
    assert np.median(error_deg(found.normals, truth)) < 0.5
