import pytest
from captures import five_lamps


@pytest.fixture
def folder(tmp_path):
    return five_lamps(tmp_path / "capture")
