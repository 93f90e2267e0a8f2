import pytest
from nights import snakemake, write_night


@pytest.fixture(scope="session")
def good_night(tmp_path_factory):
    """A session of two good plates, and what the whole way made of it."""
    folder = tmp_path_factory.mktemp("good")
    session = write_night(folder / "capture, first half")
    results = folder / "results of the night's work"
    done = snakemake(session, results)
    assert done.returncode == 0, done.stderr
    return session, results
