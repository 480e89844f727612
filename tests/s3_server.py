"""An S3 server of our own for the time of the tests: a process on a free port here, its objects in a folder."""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from ending import own_folder, with_parent

BUCKET = "takes"
KEY = "S3RVER"  # the one the server lets in


@dataclass(frozen=True)
class Server:
    """A running server with one bucket."""

    port: int
    folder: Path
    process: "subprocess.Popen[str]"

    @property
    def environment(self) -> dict[str, str]:
        """What a program must know to get in."""
        return {
            "AWS_ENDPOINT_URL": f"http://127.0.0.1:{self.port}",
            "AWS_ACCESS_KEY_ID": KEY,
            "AWS_SECRET_ACCESS_KEY": KEY,
            "AWS_REGION": "us-east-1",
        }


def program() -> str | None:
    """The server's program (npm's s3rver), named in S3RVER or found on the path, or None."""
    return os.environ.get("S3RVER") or shutil.which("s3rver")


@contextmanager
def running(name: str) -> Iterator[Server]:
    """A server with an empty bucket for the time of the block."""
    with own_folder("fh-s3-") as place:
        folder = place / "objects"
        folder.mkdir()
        command = [name, "-d", str(folder), "-a", "127.0.0.1", "-p", "0", "--silent", "--configure-bucket", BUCKET]
        process = subprocess.Popen(
            [*with_parent("KILL"), *command],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        try:
            assert process.stdout is not None
            said = ""
            for line in process.stdout:
                said += line
                if "listening" in line:
                    break
            found = re.search(r"127\.0\.0\.1:(\d+)", said)
            assert found, said
            yield Server(int(found.group(1)), folder, process)
        finally:
            process.kill()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()
