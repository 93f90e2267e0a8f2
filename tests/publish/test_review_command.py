import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request

import pytest
from night_server import write_night

from lightdome import commands
from lightdome.errors import PublishError
from lightdome.publish.serve.server import PORT, find_pages


@pytest.fixture
def results(tmp_path):
    return write_night(tmp_path)


def run(capsys, *arguments):
    code = commands.main(["review", *map(str, arguments), "--no-browser"])
    return code, capsys.readouterr().err


@pytest.mark.parametrize("what", ["nothing/at/all", "empty"])
def test_a_folder_without_a_review_page_is_refused(tmp_path, capsys, what):
    (tmp_path / "empty").mkdir()
    code, said = run(capsys, tmp_path / what)
    assert code == 2
    assert re.fullmatch(r"lightdome: error: .*(is no folder; name|holds no review page; run) .*\n", said)


def test_a_page_that_was_not_finished_is_refused(results, capsys):
    (results / "TP-017/review/index.html").unlink()
    code, said = run(capsys, results)
    assert code == 2
    assert "the page is not finished; run build-review again" in said


def test_a_port_that_is_taken_is_named(results, capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        code, said = run(capsys, results, "--port", port)
    assert code == 2
    assert said == f"lightdome: error: --port {port}: is in use, perhaps by another review; choose another port\n"


def test_a_port_that_is_none_is_refused(results, capsys):
    code, said = run(capsys, results, "--port", 70000)
    assert code == 2
    assert "choose one from 1024 to 65535" in said


def test_plate_session_and_all_results_lead_to_the_same_page(results):
    assert find_pages(results / "TP-017") == ["review/"]
    assert find_pages(results) == ["TP-017/review/"]
    assert find_pages(results.parent) == ["tern-point-2031-05/TP-017/review/"]
    with pytest.raises(PublishError):
        find_pages(results / "TP-017/front")


def test_the_command_has_the_port_of_the_server():
    assert commands.build_parser().parse_args(["review", "x"]).port == PORT


def served(results, *more):
    """A server as it is started by hand, and the address that it prints."""
    command = "import sys; from lightdome.commands import main; sys.exit(main(sys.argv[1:]))"
    process = subprocess.Popen(
        [sys.executable, "-c", command, "review", results, "--no-browser", "--port", "0", *more],
        stderr=subprocess.PIPE,
        text=True,
        # tests that run in the background are deaf to Ctrl-C, and so would be what they start
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stderr.readline() == "Open in a browser:\n"
    return process, process.stderr.readline().strip()


def ended(process):
    process.send_signal(signal.SIGINT)
    try:
        _, said = process.communicate(timeout=20)
    finally:
        process.kill()
    return process.returncode, said


def test_the_printed_address_is_the_page_and_ctrl_c_ends_it(results):
    process, address = served(results)
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/TP-017/review/", address)
    with urllib.request.urlopen(address) as answer:
        assert b"Review" in answer.read()
    code, said = ended(process)
    assert code == 0
    assert "Traceback" not in said


def test_on_the_network_nothing_is_served_without_the_printed_token(results):
    process, address = served(results, "--lan")
    page, token = address.split("?token=")
    assert len(token) >= 32
    port = page.split(":")[2].split("/")[0]
    here = f"http://127.0.0.1:{port}/TP-017/review/"
    with pytest.raises(urllib.error.HTTPError, match="403"):
        urllib.request.urlopen(here)
    with urllib.request.build_opener(urllib.request.HTTPCookieProcessor()).open(f"{here}?token={token}") as answer:
        assert answer.status == 200
        assert answer.url == here
    assert ended(process)[0] == 0
    # the next one is another
    process, again = served(results, "--lan")
    assert again.split("?token=")[1] != token
    assert ended(process)[0] == 0
