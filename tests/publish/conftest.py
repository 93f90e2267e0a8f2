import pytest

from lightdome.publish import pictures


@pytest.fixture(autouse=True, scope="module")
def small_pictures(request):
    """Pages and reports of small pictures, since drawing takes most of their time; pictures have tests of their own."""
    with pytest.MonkeyPatch.context() as patch:
        if not request.module.__name__.endswith("test_pictures"):
            patch.setattr(pictures, "LONGEST_PX", 160)
        yield
