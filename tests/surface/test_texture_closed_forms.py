"""Texture parameters of surfaces whose parameters have a closed form.

The forms are the formulas of ISO 25178-2 (from memory) integrated for each surface; elliptic integral and normal
distribution by scipy. Every value is held within 1 % unless a comment says why not.
"""

import numpy as np
import pytest
from scipy import optimize, stats
from scipy.special import ellipe

from lightdome.surface.filters import smooth
from lightdome.surface.scale_limited import limit_scale
from lightdome.surface.texture import texture

PITCH_UM = 10.0
PITCH_MM = PITCH_UM / 1000
WITHIN = 0.01


def plate(rows=400, cols=400):
    return np.meshgrid((np.arange(cols) + 0.5) * PITCH_UM, (np.arange(rows) + 0.5) * PITCH_UM)


def measured(height, s_mm=0.03, l_mm=2.0):
    return texture(height.astype(np.float32), PITCH_MM, s_mm, l_mm)


def holds(found, within=WITHIN, **expected):
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, rel=within, abs=1e-3 if value == 0 else None), name


@pytest.mark.parametrize("b", [0.1, 1.0])
def test_sine(b):
    length_um = 16000 / 19
    x, _ = plate(300, 1600)  # many waves, for the autocorrelation, and none sampled like another
    k = 2 * np.pi / length_um
    a = b / k
    found = measured(a * np.sin(k * x))
    holds(found, Sa=0.63662 * a, Sq=0.70711 * a, Ssk=0, Sku=1.5, Sz=2 * a, Sdq=b / np.sqrt(2))
    holds(found, Sdr=100 * (2 / np.pi * np.sqrt(1 + b**2) * ellipe(b**2 / (1 + b**2)) - 1))
    holds(found, Sal=0.21795 * length_um / 1000, Vmc=0.83105 * a, Vvc=0.92902 * a, Vvv=0.025294 * a)
    holds(found, Vmp=0.0032575 * a)
    assert "stays above 0.2" in found["Str"]
    assert found["Std"] == pytest.approx(90, abs=0.5)  # waves run along x, the lay along y
    for name in ("Sk", "Spk", "Svk", "Smrk1", "Smrk2"):
        assert "not S-shaped" in found[name]
    for name in ("Spd", "Svd"):
        assert "no significant" in found[name]  # a crest has no peak


@pytest.mark.parametrize("turn_deg", [0, 20, 70, 110, 160])
def test_direction_of_the_lay_is_counter_clockwise_from_x(turn_deg):
    x, y = plate()
    across = np.radians(turn_deg + 90)
    wave = np.sin(2 * np.pi / 170 * (np.cos(across) * x - np.sin(across) * y))  # y of the plate runs against rows
    found = measured(wave + 0.2 * np.random.default_rng(1).normal(size=wave.shape))
    assert (found["Std"] - turn_deg + 90) % 180 - 90 == pytest.approx(0, abs=1)


def test_egg_box_as_a_product():
    length_um, a = 400.0, 20.0
    x, y = plate()
    k = 2 * np.pi / length_um
    found = measured(a * np.sin(k * x) * np.sin(k * y))
    holds(found, Sa=0.40528 * a, Sq=0.5 * a, Ssk=0, Sku=2.25, Sz=2 * a, Sdq=k * a / np.sqrt(2))
    per_mm2 = 2 / (length_um / 1000) ** 2
    holds(found, Spd=per_mm2, Svd=per_mm2, Spc=k**2 * a * 1000, Svc=-(k**2) * a * 1000)
    holds(found, S5p=a, S5v=a, S10z=2 * a)


def test_egg_box_as_a_sum():
    length_um, a = 400.0, 20.0
    x, y = plate(800, 800)
    k = 2 * np.pi / length_um
    found = measured(a * (np.sin(k * x) + np.sin(k * y)))
    holds(found, Sa=0.81057 * a, Sq=a, Sku=2.25, Sz=4 * a, Sdq=k * a)
    holds(found, Spd=1 / (length_um / 1000) ** 2, Svd=1 / (length_um / 1000) ** 2)
    # its autocorrelation is (cos kx + cos ky) / 2: along a diagonal it is cos kx, along an
    # axis (1 + cos kx) / 2; between the two the distance lies between theirs
    diagonal, axis = np.sqrt(2) * np.arccos(0.2), np.arccos(2 * 0.2 - 1)
    holds(found, Sal=min(diagonal, axis) / k / 1000, Str=min(diagonal, axis) / max(diagonal, axis))


def test_triangle_wave():
    x, _ = plate()
    a = 15.0
    found = measured(a * (4 * np.abs((x / 400) % 1 - 0.5) - 1))
    holds(found, Sa=a / 2, Sq=a / np.sqrt(3), Sku=1.8)


@pytest.mark.parametrize("tilt_deg", [10, 45])
def test_plane(tilt_deg):
    x, _ = plate(50, 50)
    found = measured(np.tan(np.radians(tilt_deg)) * x)
    holds(found, Sdq=np.tan(np.radians(tilt_deg)), Sdr=100 * (1 / np.cos(np.radians(tilt_deg)) - 1))


@pytest.mark.parametrize(("share", "ssk", "sku"), [(0.1, -2.667, 8.111), (0.02, -6.857, 48.02)])
def test_rectangular_grooves(share, ssk, sku):
    depth = 30.0
    height = np.zeros((200, 400))
    height[:, : round(400 * share)] = -depth
    found = measured(height)
    holds(found, Sa=2 * depth * share * (1 - share), Sq=depth * np.sqrt(share * (1 - share)), Ssk=ssk, Sku=sku)
    assert "at one height" in found["Sk"]


def test_v_grooves():
    depth, width = 40.0, 400
    across = np.abs(np.arange(4000) + 0.5 - 2000) / (width / 2)
    height = np.broadcast_to(-depth * np.clip(1 - across, 0, None), (20, 4000))
    holds(measured(height), Sq=0.17559 * depth, Sa=0.09025 * depth, Ssk=-3.740, Sku=16.28)


def test_cap_of_a_sphere():
    # ISO 25178-2 Sdr over the base of a cap of radius R, base radius c, height h: (h / c)^2
    radius, base = 6000.0, 3000.0
    x, y = plate(640, 640)
    away = np.hypot(x - x.mean(), y - y.mean())
    height = np.where(away < base, np.sqrt(np.clip(radius**2 - away**2, 0, None)), np.nan)
    found = measured(height)
    rise = radius - np.sqrt(radius**2 - base**2)
    seen = base - 3 * PITCH_UM  # slopes look three pixels far
    holds(found, Sdr=100 * ((radius - np.sqrt(radius**2 - seen**2)) / seen) ** 2)
    mean_over_base = rise**2 * (3 * radius - rise) / 3 / base**2
    holds(found, Sv=mean_over_base, Sp=rise - mean_over_base)
    holds(found, Spc=1000 / radius)  # mean curvature of a sphere


def test_cap_of_a_paraboloid():
    rise, base = 30.0, 1000.0
    x, y = plate(240, 240)
    away = np.hypot(x - x.mean(), y - y.mean())
    found = measured(np.where(away < base, rise * (1 - (away / base) ** 2), np.nan))
    holds(found, Sa=rise / 4, Sq=rise / np.sqrt(12), Sku=1.8)


def gaussian_core():
    """Sk and what belongs to it of normal heights of unit Sq.

    The equivalent line is the line of least squares through the 40 % whose secant is flattest (ISO 13565-2, 4.1, from
    memory). The secant itself would give Sk 2.6220, Spk 0.93698 and Smrk1 9.493 %.
    """
    ratio = np.linspace(0.3, 0.7, 100001)
    slope, top = np.polyfit(ratio, stats.norm.isf(ratio), 1)
    first = stats.norm.sf(top)
    return -slope, 2 * (stats.norm.pdf(top) - top * first) / first, 100 * first


def test_normal_heights():
    # quantiles of the normal distribution in random places: no sampling error in what does not look at neighbours
    sq = 5.0
    ranks = (np.arange(600 * 600) + 0.5) / 600**2
    height = sq * stats.norm.ppf(np.random.default_rng(12).permutation(ranks)).reshape(600, 600)
    found = measured(height)
    sk, spk, smrk1 = gaussian_core()
    holds(found, Sa=0.79788 * sq, Sku=3, Sk=sk * sq, Spk=spk * sq, Svk=spk * sq, Smrk1=smrk1, Smrk2=100 - smrk1)
    holds(found, within=0.02, Sk=2.6220 * sq, Spk=0.93698 * sq)  # by the secant, see above
    holds(found, Vmp=0.047343 * sq, Vmc=0.90592 * sq, Vvc=1.21726 * sq, Vvv=0.111638 * sq, Sxp=1.95996 * sq)
    holds(found, height_0_1_percent=-3.0902 * sq, height_99_9_percent=3.0902 * sq)


def test_normal_heights_with_a_normal_autocorrelation():
    # autocorrelation exp(-(r/T)^2): Sal 1.26864 T, Str 1, Sdq 2 Sq / T; a plate is one sample of it, hence 3 %
    rng = np.random.default_rng(5)
    correlation_px = 12.0
    freq = np.hypot(np.fft.fftfreq(1024)[:, None], np.fft.rfftfreq(1024)[None])
    spectrum = np.fft.rfft2(rng.normal(size=(1024, 1024))) * np.exp(-((np.pi * freq * correlation_px) ** 2) / 2)
    height = np.fft.irfft2(spectrum)
    found = measured(height / height.std())
    holds(found, within=0.03, Sal=1.26864 * correlation_px * PITCH_MM, Sdq=2 / (correlation_px * PITCH_UM))
    assert found["Str"] > 0.93
    assert "no direction" in found["Std"]


def test_gaussian_filter_keeps_what_the_standard_says():
    # ISO 16610-61: 2^-(L/lambda)^2 of the amplitude
    for ratio, kept in {1 / 3: 0.00195, 1 / 2: 0.0625, 1: 0.5, 2: 0.841, 3: 0.926, 5: 0.973, 10: 0.993}.items():
        cutoff_px = 40.0
        x = np.arange(1200)
        wave = np.broadcast_to(np.sin(2 * np.pi * x / (ratio * cutoff_px)), (9, 1200)).astype(np.float32)
        through = smooth(wave, cutoff_px)[4, 100:-100]
        assert np.sqrt(2) * through.std() == pytest.approx(kept, rel=WITHIN, abs=1e-4)


def test_parameters_do_not_depend_on_what_is_unknown():
    # a stationary rough plate with 30 % of its pixels unknown, in patches: what is left has the same texture
    rng = np.random.default_rng(3)
    height = limit_scale(rng.normal(0, 30, (500, 600)).astype(np.float32), 12, 200)
    whole = measured(height)
    patchy = height.copy()
    patchy[limit_scale(rng.normal(size=height.shape).astype(np.float32), 60, 300) > 0.02] = np.nan
    assert 0.15 < np.isnan(patchy).mean() < 0.5
    found = measured(patchy)
    for name in ("Sa", "Sq", "Sdq", "Sal", "Sk", "Vmc", "Vvc", "Spd", "Svd", "Spc"):
        assert found[name] == pytest.approx(whole[name], rel=0.05), name
    assert found["Str"] > 0.9


def test_line_of_least_squares_is_that_of_another_fit():
    rng = np.random.default_rng(8)
    height = rng.gamma(2.0, 3.0, (300, 300))
    found = measured(height)
    falling = np.sort(height.ravel())[::-1]
    ratio = (np.arange(falling.size) + 0.5) / falling.size
    width = int(0.4 * falling.size)
    start = int((falling[:-width] - falling[width:]).argmin())
    core = slice(start, start + width)
    line = optimize.curve_fit(lambda m, slope, top: top + slope * m, ratio[core], falling[core])[0]
    holds(found, Sk=-line[0])
    upper = line[1]
    peaks = np.maximum(falling - upper, 0).mean()
    holds(found, Smrk1=100 * (falling >= upper).mean(), Spk=2 * peaks / (falling >= upper).mean())


def test_level_and_nearly_empty_plates_say_why():
    level = measured(np.zeros((20, 20)))
    assert level["Sq"] == 0
    for name in ("Ssk", "Sku", "Sal", "Str", "Std", "Spd", "Svc", "S5p", "Sk"):
        assert isinstance(level[name], str), name
    one = measured(np.where(np.eye(12) > 0, np.arange(12.0), np.nan))
    assert isinstance(one["Sdq"], str)
    assert one["Sz"] == 11
