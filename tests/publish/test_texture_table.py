import re

from lightdome.publish.tables import texture_table
from lightdome.raster import Grid
from lightdome.surface.texture import UNITS, texture_facts


def table():
    import numpy as np

    x = np.arange(90) * 0.05
    wave = np.broadcast_to(np.sin(2 * np.pi * x / 0.9), (60, 90)).astype(np.float32).copy()
    wave[:20, :30] = np.nan
    return texture_table(texture_facts(wave, [0.05] * 10, Grid((60, 90), 0.05), 0.15, 2.0))


def test_every_parameter_has_a_row_with_its_meaning_and_a_value_in_every_region():
    shown = table()
    assert len(shown["rows"]) == len(UNITS)
    assert len({row["meaning"] for row in shown["rows"]}) == len(UNITS)
    for row in shown["rows"]:
        assert len(row["values"]) == len(shown["regions"]) == 10
        for value in row["values"]:
            assert value == "not defined" or re.fullmatch(r"−?[0-9.]+(e[+−][0-9]+)?( ± [0-9.]+)?", value), (row, value)


def test_what_has_an_uncertainty_shows_it():
    rows = {row["parameter"]: row["values"] for row in table()["rows"]}
    assert re.fullmatch(r"0\.[67][0-9] ± 0\.10", rows["Sq"][0])  # two standard uncertainties of 0.05 um
    assert "±" not in rows["Sz"][0]


def test_what_is_not_defined_says_so_and_why():
    shown = table()
    rows = {row["parameter"]: row["values"] for row in shown["rows"]}
    assert rows["Str"][0] == "not defined"
    assert any(text.startswith("Str (whole") and "stays above 0.2" in text for text in shown["undefined"])
    assert rows["Sq"][1] == "not defined"  # an empty region
    assert any("row 1 column 1" in text and "fewer than 9 pixels" in text for text in shown["undefined"])
    assert "S-filter 0.15 mm, L-filter 2 mm" in shown["indices"]
    assert "plane" in shown["indices"]
