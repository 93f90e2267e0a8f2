"""The picture, screen pixel by screen pixel, against NumPy's own rendering of the same stored numbers."""

import base64
import json
from pathlib import Path

import numpy as np
import pytest
from browser import PAGE, PIXELS, SHOW
from review_light import LEVELS, grey, light_of, relief_of
from review_plates import UNKNOWN

from lightdome.publish.class_map import COLOURS, PATTERNS, PERIOD_PX, pattern_of
from lightdome.publish.flag_map import LOOKS, gravest
from lightdome.publish.pictures import decode, encode

LAMPS = ((0, 15), (75, 25), (135, 45), (222, 60), (300, 8))
LIGHT_STATES = ("lobe", "harmonics", "colour", "relief")
MAP_STATES = {
    "height": ("height", "cividis"),
    "tilt": ("slopes", "cividis"),
    "curvature": ("curvature", "PuOr"),
    "specular": ("specular", "gray"),
    "roughness": ("roughness", "cividis"),
    "diffuse": ("diffuse", "gray"),
    "height_uncertainty": ("height_uncertainty", "cividis"),
    "tilt_uncertainty": ("tilt_uncertainty", "cividis"),
}
PLACE = """() => {
  const [x, y] = review.view.getCenter();
  return [x, y, review.view.getResolution()];
}"""

PIXELS_AT_REST = PIXELS.replace("pane.map", "pane.picture.resting = true;\n  pane.map")


@pytest.fixture(scope="module")
def page(browser, plate):
    """One page for all pictures: each sets all that it depends on."""
    browser.open(plate[1])
    return browser


def take(browser, state, azimuth_deg, elevation_deg, fill=False):
    """The picture of a state, and the field's (rows, columns) that lie under its pixels."""
    browser.run(SHOW, [state, azimuth_deg, elevation_deg, fill])
    browser.settle()
    pixels = browser.pixels()
    x, y, resolution = browser.run(PLACE)
    return pixels[..., :3].astype(int), pixels[..., 3], (x, y, resolution)


def under(shown, pixels, place):
    """Rows and columns of the field under each screen row and column; what lies outside is cut off by slices."""
    rows, cols = shown.grid.shape
    x, y, resolution = place
    assert resolution == pytest.approx(shown.pitch_mm)
    left = x / shown.pitch_mm + cols / 2 - pixels.shape[1] / 2
    top = rows / 2 - y / shown.pitch_mm - pixels.shape[0] / 2
    assert left == pytest.approx(round(left), abs=1e-6)
    assert top == pytest.approx(round(top), abs=1e-6)
    return round(top), round(left)


def compare(shown, pixels, place, expected):
    """Largest difference over all screen pixels that lie on the field and are known, 8-bit levels."""
    top, left = under(shown, pixels, place)
    rows, cols = shown.grid.shape
    row = slice(max(0, -top), min(pixels.shape[0], rows - top))
    col = slice(max(0, -left), min(pixels.shape[1], cols - left))
    cut = expected[row.start + top : row.stop + top, col.start + left : col.stop + left]
    known = np.isfinite(cut).all(axis=-1)
    assert known.sum() > 100_000
    return np.abs(pixels[row, col] - np.rint(255 * np.where(np.isfinite(cut), cut, 0)))[known].max()


@pytest.mark.parametrize("lamp", LAMPS, ids=lambda lamp: f"{lamp[0]}-{lamp[1]}")
@pytest.mark.parametrize("state", LIGHT_STATES)
def test_picture_under_a_lamp_is_within_one_level_of_numpy(page, plate, state, lamp):
    shown = plate[0]
    pixels, _, place = take(page, state, *lamp)
    if state == "relief":
        expected = grey(relief_of(shown, lamp))
    elif state == "colour":
        mean = shown.values["colour"]
        share = mean / mean.mean(axis=0)
        expected = np.moveaxis(encode(light_of(shown, "lobe", lamp) * share, 1.0), 0, -1)
    else:
        expected = grey(light_of(shown, state, lamp))
    off = compare(shown, pixels, place, expected)
    assert off <= LEVELS


def test_two_lamps_add_up(page, plate):
    shown = plate[0]
    pixels, _, place = take(page, "lobe", 135, 30, fill=True)
    off = compare(shown, pixels, place, grey(light_of(shown, "lobe", (135, 30), fill=True)))
    assert off <= LEVELS


@pytest.mark.parametrize("state", MAP_STATES)
def test_map_has_the_colour_that_its_table_gives_each_number(page, plate, state):
    shown, (layer, palette) = plate[0], MAP_STATES[state]
    pixels, _, place = take(page, state, 135, 30)
    table = table_of(palette)
    values = shown.values[layer][0]
    low, high = shown.layers[layer].low, shown.layers[layer].high
    if state == "tilt":
        values = np.degrees(np.arctan(np.hypot(*shown.values["slopes"])))
        low, high = 0, np.degrees(np.arctan(high))
    elif state == "height":
        # LERC stores it within its stated error
        values = stored_height(shown)
    at = 255 * np.clip((np.nan_to_num(values) - low) / (high - low), 0, 1)
    colours = np.stack([np.interp(at, np.arange(256), part) for part in table.T], axis=-1)
    expected = np.where(np.isfinite(values)[..., None], colours / 255, np.nan)
    assert compare(shown, pixels, place, expected) <= LEVELS


def stored_height(shown):
    import rasterio

    with rasterio.open(shown.folder / "tiles/front/A/height.tif") as dataset:
        values = dataset.read(1).astype(float)
    return np.where(values < -5e5, np.nan, values)


def table_of(palette):
    stops = np.array(json.loads(Path(PAGE / "src/colours.json").read_text())[palette], float)
    at = np.arange(256) / 255 * (len(stops) - 1)
    return np.stack([np.rint(np.interp(at, np.arange(len(stops)), stops[:, part])) for part in range(3)], axis=1)


@pytest.mark.parametrize("palette", ["cividis", "PuOr", "gray"])
def test_tables_are_those_of_the_still_pictures(palette):
    import matplotlib

    known = np.array([matplotlib.colormaps[palette](index)[:3] for index in range(256)])
    assert np.abs(table_of(palette) - 255 * known).max() <= 3


@pytest.mark.parametrize("lamp", LAMPS, ids=lambda lamp: f"{lamp[0]}-{lamp[1]}")
@pytest.mark.parametrize("state", ["classes", "flags"])
def test_codes_have_colour_and_pattern_over_the_light_of_the_plate(page, plate, state, lamp):
    shown = plate[0]
    pixels, _, place = take(page, state, *lamp)
    codes = shown.values[state][0].astype(int)
    looks = dict(enumerate(zip(PATTERNS, COLOURS, strict=True))) if state == "classes" else LOOKS
    codes = codes if state == "classes" else gravest(codes.astype(np.uint8))
    ground = 0.5 + 0.45 * grey(light_of(shown, "lobe", lamp))
    expected = ground.copy()
    top, left = under(shown, pixels, place)
    # the pattern is fixed to the screen
    rows, cols = np.indices(codes.shape)
    screen_row, screen_col = (rows - top) % PERIOD_PX, (cols - left) % PERIOD_PX
    for code, look in looks.items():
        if code == 0:
            continue
        over = pattern_of(*look, (PERIOD_PX, PERIOD_PX))[screen_row, screen_col]
        where = codes == code
        expected[where] = 0.25 * ground[where] + 0.75 * over[where]
    off = compare(shown, pixels, place, expected)
    assert off <= LEVELS


def test_unknown_pixels_are_hatched_in_neutral_grey(page, plate):
    shown = plate[0]
    pixels, _, place = take(page, "lobe", 135, 30)
    top, left = under(shown, pixels, place)
    _, rows, cols = UNKNOWN
    part = pixels[rows.start - top : rows.stop - top, cols.start - left : cols.stop - left]
    assert set(np.unique(part)) == {138, 189}


def test_colour_of_the_stack_is_decoded_as_it_was_encoded():
    levels = np.arange(256) / 255
    assert np.abs(encode(decode(levels), 1.0) - levels).max() < 1e-9


def test_a_reduced_picture_at_rest_shows_what_lies_between_the_screens_pixels(page, plate):
    shown, factor = plate[0], 1.6
    take(page, "lobe", 135, 30)
    page.run("(factor) => review.view.setResolution(factor * review.view.getResolution())", factor)
    page.settle()
    moving = page.pixels()[..., 0].astype(float)
    # it draws itself finer when it is left alone
    page.ask("wait", script="() => review.panes[0].picture.samples === 4")
    resting = page.run(PIXELS_AT_REST, 0)
    resting = np.frombuffer(base64.b64decode(resting["pixels"]), np.uint8)
    resting = resting.reshape(*moving.shape, 4)[::-1, :, 0].astype(float)
    x, y, _ = page.run(PLACE)
    light = 255 * grey(light_of(shown, "lobe", (135, 30)))[..., 0]
    rows, cols = np.indices(moving.shape)
    # mean of a fine lattice within each screen pixel
    total, samples = np.zeros(moving.shape), 8
    for across in (np.arange(samples) + 0.5) / samples:
        for down in (np.arange(samples) + 0.5) / samples:
            at_x = x + (cols + across - moving.shape[1] / 2) * factor * shown.pitch_mm
            at_y = y - (rows + down - moving.shape[0] / 2) * factor * shown.pitch_mm
            col = np.floor(at_x / shown.pitch_mm + shown.grid.shape[1] / 2).astype(int)
            row = np.floor(shown.grid.shape[0] / 2 - at_y / shown.pitch_mm).astype(int)
            inside = (row >= 0) & (row < light.shape[0]) & (col >= 0) & (col < light.shape[1])
            total += np.where(inside, light[row.clip(0, light.shape[0] - 1), col.clip(0, light.shape[1] - 1)], np.nan)
    truth = total / samples**2
    known = np.isfinite(truth)
    assert known.sum() > 50_000
    off = [np.sqrt(np.mean((picture - truth)[known] ** 2)) for picture in (moving, resting)]
    assert off[1] < 0.6 * off[0]
