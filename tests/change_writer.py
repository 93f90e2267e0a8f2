"""Sends numbered changes to a server that may be killed at any time, each until it is answered.

Run as a process: change_writer.py PORT AUTHOR COUNT. Prints the sequence of each change as a line of JSON.
"""

import hashlib
import json
import sys
import time
from http.client import HTTPConnection, HTTPException
from uuid import NAMESPACE_OID, uuid5

FINDINGS = "/TP-017/review/api/findings"


def text_of(author, number):
    """A text that shows if any of it is missing."""
    words = f"{author} {number} " * (1 + number % 40)
    return f"{words}{hashlib.sha256(words.encode()).hexdigest()}"


def send_all(port, author, count):
    """Sequences, in the order of sending."""
    connection, sequences = None, []
    for number in range(count):
        change = {
            "client_id": str(uuid5(NAMESPACE_OID, f"{author} {number}")),
            "finding": "front/A/m0001",
            "kind": "comment",
            "author": author,
            "reason": "",
            "body": {"text": text_of(author, number)},
            "seen": sequences[-1] if sequences else 0,
        }
        headers = {"Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/json"}
        while len(sequences) == number:
            try:
                connection = connection or HTTPConnection("127.0.0.1", port, timeout=10)
                connection.request("POST", FINDINGS, json.dumps(change), headers)
                answer = connection.getresponse()
                body = answer.read()
            except (OSError, HTTPException):
                connection = None
                time.sleep(0.01)
                continue
            if answer.status not in (200, 201):
                raise SystemExit(f"{answer.status}: {body!r}")
            sequences.append(json.loads(body)["sequence"])
    return sequences


if __name__ == "__main__":
    print(json.dumps(send_all(int(sys.argv[1]), sys.argv[2], int(sys.argv[3]))))
