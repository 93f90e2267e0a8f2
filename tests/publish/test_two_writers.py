"""Two people write at once, and the server is killed again and again: nothing that was answered is lost."""

import json
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import change_writer
from night_server import write_night

from lightdome.publish.serve.findings import Findings

AUTHORS, CHANGES, KILLS = ("A. Example", "B. Example"), 1000, 20
PATIENCE_S = 120


def start_server(results, port):
    command = "import sys; from lightdome.commands import main; sys.exit(main(sys.argv[1:]))"
    run = [sys.executable, "-c", command, "review", results, "--port", str(port), "--no-browser"]
    server = subprocess.Popen(run, stderr=subprocess.PIPE, text=True)
    assert "Open in a browser" in server.stderr.readline()
    return server


def free_port():
    with closing(socket.create_server(("127.0.0.1", 0))) as probe:
        return probe.getsockname()[1]


def kept(path):
    """How many changes there are by now."""
    if not path.exists():
        return 0
    with closing(sqlite3.connect(path, timeout=20)) as connection:
        try:
            return connection.execute("SELECT count(*) FROM changes").fetchone()[0]
        except sqlite3.OperationalError:
            return 0  # its table is not made yet


def test_two_writers_lose_nothing_while_the_server_is_killed_twenty_times(tmp_path):
    results, port, moment = write_night(tmp_path), free_port(), random.Random(7)
    path = results / "TP-017/findings.sqlite"
    server = start_server(results, port)
    run = [sys.executable, Path(change_writer.__file__), str(port)]
    writers = [subprocess.Popen([*run, author, str(CHANGES)], stdout=subprocess.PIPE, text=True) for author in AUTHORS]
    try:
        for kill in range(1, KILLS + 1):
            # spread over the whole of the work, each at any moment of a change
            deadline = time.monotonic() + PATIENCE_S
            while kept(path) < kill * 90 and time.monotonic() < deadline:
                time.sleep(0.02)
            time.sleep(moment.uniform(0, 0.01))
            # neither can be done before the eleventh kill, and not both before the last
            assert any(writer.poll() is None for writer in writers)
            server.send_signal(signal.SIGKILL)
            assert server.wait() == -signal.SIGKILL
            server.stderr.close()
            server = start_server(results, port)
        told = [json.loads(writer.communicate(timeout=PATIENCE_S)[0]) for writer in writers]
    finally:
        for process in (*writers, server):
            process.kill()
            process.communicate()

    changes = Findings(results / "TP-017").since(0)
    assert len(changes) == len(AUTHORS) * CHANGES
    for author, sequences in zip(AUTHORS, told, strict=True):
        own = [change for change in changes if change.author == author]
        # none lost, none twice, none torn, in the order of sending, under the number that the sender was told
        assert [change.body["text"] for change in own] == [change_writer.text_of(author, n) for n in range(CHANGES)]
        assert [change.sequence for change in own] == sequences
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
