"""How strong each lamp is, from light whose powers were put in."""

import numpy as np
import pytest

from lightdome.lights.lamps import LampSet, across, directions
from lightdome.lights.power import of_board, of_plate

TRUE = 1 + 0.15 * np.sin(np.arange(30) * 1.7)


def dome(count):
    return directions(np.degrees(np.arange(count) * 2.4), np.linspace(20, 75, count))


def test_a_boards_powers_come_back_whatever_the_lens_does():
    rng = np.random.default_rng(1)
    model = rng.uniform(0.5, 1.0, (30, 64))
    lens = rng.uniform(0.4, 1.0, 64)
    light = 0.7 * TRUE[:, None] * model * lens * (1 + rng.normal(0, 0.01, model.shape))
    power, doubt = of_board(light, model)
    assert power == pytest.approx(TRUE / TRUE.mean(), rel=0.006)
    assert np.median(doubt) == pytest.approx(0.01 / 8, rel=0.4)


def test_a_matte_relief_tells_its_lamps_powers():
    rng = np.random.default_rng(2)
    toward = np.repeat(dome(12)[:, :, None], 3000, axis=2)
    normals = np.stack([*rng.normal(0, 0.3, (2, 3000)), np.ones(3000)])
    normals /= np.linalg.norm(normals, axis=0)
    light = TRUE[:12, None] * rng.uniform(0.2, 0.8, 3000) * np.maximum(np.einsum("lin,in->ln", toward, normals), 0)
    power, doubt, how = of_plate(light, np.ones_like(light), toward)
    assert how == "from the plate, taken as matte"
    true = TRUE[:12] / TRUE[:12].mean()
    assert np.abs(power / true - 1).max() < 0.05
    assert np.abs(power / true - 1).std() < 0.3 * true.std()
    assert np.isfinite(doubt).all()


def test_a_flat_shining_plate_tells_lamps_from_their_neighbours():
    rng = np.random.default_rng(3)
    lamps = dome(30)
    toward = np.repeat(lamps[:, :, None], 2000, axis=2)
    half = lamps + np.array([0, 0, 1])
    half /= np.linalg.norm(half, axis=1, keepdims=True)
    # a lobe 40 times brighter for high lamps than for low ones (normal distribution of facet slopes)
    lobe = np.exp(-(half[:, 2] ** -2 - 1) / 0.09)
    light = TRUE[:, None] * lobe[:, None] * rng.uniform(0.3, 0.6, 2000) * (1 + rng.normal(0, 0.02, (30, 2000)))
    power, _, how = of_plate(light, np.ones_like(light), toward)
    assert how == "from the plate, as far as lamps differ from their neighbours"
    assert np.corrcoef(power, TRUE)[0, 1] > 0.8
    assert power.std() < 0.2
    assert of_plate(light[:12], np.ones((12, 2000)), toward[:12])[2] == "taken as equal"


def test_nothing_is_said_of_a_plate_that_shows_nothing():
    power, doubt, how = of_plate(np.full((30, 50), np.nan), np.ones((30, 50)), np.repeat(dome(30)[..., None], 50, 2))
    assert (power == 1).all()
    assert np.isnan(doubt).all()
    assert how == "taken as equal"


@pytest.mark.parametrize("model", ["near", "distant"])
def test_json_and_back_keeps_covariances_and_powers(model):
    size = 3 if model == "near" else 2
    spread = np.random.default_rng(4).normal(size=(5, size, size))
    covariance = spread @ spread.transpose(0, 2, 1)
    vectors = dome(5) * (400 if model == "near" else 1)
    u_vectors = np.sqrt(np.trace(covariance, axis1=1, axis2=2) / size)
    lamps = LampSet(
        tuple("abcde"), model, vectors, TRUE[:5], u_vectors, 0.0, False, None, "spheres", covariance, 0.01 * TRUE[:5]
    )
    back = LampSet.from_dict(lamps.as_dict())
    assert back.covariance == pytest.approx(covariance)
    assert back.u_power == pytest.approx(0.01 * TRUE[:5])
    # the doubt of directions against the covariance itself, by drawing lamps (JCGM 101)
    if model == "near":
        drawn = np.random.default_rng(5).multivariate_normal(vectors[2], covariance[2], 20000)
        drawn /= np.linalg.norm(drawn, axis=1, keepdims=True)
        axes = across(lamps.unit_vectors)[2]
        assert lamps.u_directions_rad[2] == pytest.approx(np.sqrt(np.var(drawn @ axes.T, axis=0).mean()), rel=0.03)
