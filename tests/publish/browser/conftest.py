import pytest
from browser import PAGE, Browser, npm
from finished import mark
from range_server import serving
from review_plates import write_review


@pytest.fixture(scope="session")
def built_page(tmp_path_factory):
    """The front end, built from its sources as they are."""
    if not (PAGE / "node_modules" / "playwright-core").is_dir():
        npm("ci", "--ignore-scripts")
    built = tmp_path_factory.mktemp("built") / "page_built"
    npm("run", "build", "--", "--outDir", str(built), "--emptyOutDir")
    return built


@pytest.fixture(scope="session")
def browser():
    chromium = Browser()
    yield chromium
    chromium.close()


@pytest.fixture(scope="session")
def plate(built_page, tmp_path_factory):
    """A plate of more than one tile on a static host with ranges, and its address."""
    results = tmp_path_factory.mktemp("review")
    marks = [mark(number, name) for number, name in enumerate(("scratch", "etched", "tooled", "pit", "deposit"))]
    shown = write_review(built_page, results, (900, 1100), marks)
    with serving(results) as address:
        yield shown, f"{address}/TP-017/review/"


@pytest.fixture
def page(browser, plate):
    """The page of that plate, opened anew in an empty browser; no complaint of the browser is left unread."""
    browser.open(plate[1])
    yield browser
    assert [line for line in browser.ask("said") if "404" not in line] == []
