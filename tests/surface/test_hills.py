import numpy as np
import pytest
from skimage.measure import label
from skimage.morphology import h_maxima

from lightdome.surface.filters import smooth
from lightdome.surface.hills import hills


def rough(rows=150, cols=200, seed=1, cutoff_px=8):
    return smooth(np.random.default_rng(seed).normal(0, 10, (rows, cols)).astype(np.float32), cutoff_px)


@pytest.mark.parametrize("share", [0.02, 0.05, 0.2])
@pytest.mark.parametrize("dales", [False, True])
def test_significant_peaks_are_the_h_maxima_of_scikit_image(share, dales):
    height = rough()
    turned = -height if dales else height
    least = share * float(np.ptp(height))
    found = hills(height, least, dales=dales)
    theirs = label(h_maxima(turned, least), connectivity=2)
    places = theirs[tuple(found.peaks_px.T)]
    assert len(places) == theirs.max()
    assert (np.sort(places) == np.arange(1, theirs.max() + 1)).all()
    np.testing.assert_array_equal(found.peaks_um, height[tuple(found.peaks_px.T)])


def test_two_cones_have_the_saddle_between_them():
    x = np.arange(41)
    profile = np.maximum(10 - np.abs(x - 10), 7 - np.abs(x - 26)).astype(float)
    height = profile[None, :] - np.abs(np.arange(-10, 11))[:, None]
    found = hills(height, 3.0)
    order = np.argsort(found.peaks_px[:, 1])
    assert found.peaks_px[order].tolist() == [[10, 10], [10, 26]]
    assert found.local_heights_um[order].tolist() == [9, 6]  # they meet at height 1, columns 19 and 20
    assert (found.labels[10] == found.labels[10, 10]).sum() in (19, 20, 21)
    assert found.areas_px.sum() == height.size
    assert len(hills(height, 7.5).peaks_px) == 1


def test_hills_are_open_at_edges_and_beside_the_unknown():
    y, x = np.mgrid[0:60, 0:60]
    height = np.sin(2 * np.pi * (x - 5) / 20) * np.sin(2 * np.pi * (y - 5) / 20)
    height[28:33, 28:33] = np.nan
    found = hills(height, 0.5)
    assert (found.labels == 0).sum() == 25
    touching = set(np.unique(found.labels[[0, -1]])) | set(np.unique(found.labels[:, [0, -1]]))
    touching |= set(np.unique(found.labels[27:34, 27:34])) - {0}
    assert {n + 1 for n in np.flatnonzero(found.is_open)} <= touching
    assert not found.is_open.all()
    at = found.peaks_px
    beside = (at == 0).any(1) | (at == 59).any(1) | ((at >= 27) & (at <= 33)).all(1)
    np.testing.assert_array_equal(found.peak_on_edge, beside)


def test_every_pixel_belongs_to_one_connected_hill():
    height = rough(80, 90, seed=2)
    found = hills(height, 0.1 * float(np.ptp(height)))
    assert (found.labels > 0).all()
    np.testing.assert_array_equal(np.bincount(found.labels.ravel())[1:], found.areas_px)
    for number in range(1, len(found.peaks_px) + 1):
        inside = found.labels == number
        assert label(inside, connectivity=2).max() == 1
        assert height[inside].max() == found.peaks_um[number - 1]


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (3, 3)])
def test_level_and_unknown_maps_have_one_hill_or_none(shape):
    assert len(hills(np.zeros(shape, np.float32), 1.0).peaks_px) == 1
    assert len(hills(np.full(shape, np.nan, np.float32), 1.0).peaks_px) == 0


def test_a_level_terrace_is_one_hill():
    # a U of equal heights: climbing alone would give it two tops
    height = np.zeros((12, 12))
    height[2:9, 2], height[2:9, 8], height[8, 2:9] = 5, 5, 5
    assert len(hills(height, 0.1).peaks_px) == 1


def test_a_normal_surface_has_the_summits_that_nayak_counts():
    # Nayak 1971 (from memory): m4 / (6 pi sqrt(3) m2) summits an area; an autocorrelation exp(-(r/T)^2) has
    # m4 / m2 = 6 / T^2
    correlation_px = 10.0
    freq = np.hypot(np.fft.fftfreq(900)[:, None], np.fft.rfftfreq(900)[None])
    noise = np.fft.rfft2(np.random.default_rng(7).normal(size=(900, 900)))
    height = np.fft.irfft2(noise * np.exp(-((np.pi * freq * correlation_px) ** 2) / 2))
    found = hills(height, 0.0)
    expected = height.size / (np.pi * np.sqrt(3) * correlation_px**2)
    assert (~found.peak_on_edge).sum() == pytest.approx(expected, rel=0.05)
