"""Starts one of the project's binaries for a check, and finds out where it listens."""

import contextlib
import re
import select
import subprocess
import sys
import time

ADDRESS = re.compile(r"127\.0\.0\.1:(\d+)")


@contextlib.contextmanager
def running(command):
    """The process with its standard output and error joined; always ended and reaped on leaving."""
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, bufsize=0
    )
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            sys.exit(f"{command[0]} did not end within 10 s of SIGTERM")


def wait_for_port(process, pattern=ADDRESS, limit_s=30):
    """Port in the first printed line that matches; what was printed is shown when none does."""
    text, end = "", time.monotonic() + limit_s
    while (left := end - time.monotonic()) > 0:
        if not select.select([process.stdout], [], [], left)[0]:
            break
        chunk = process.stdout.read(65536)
        text += chunk.decode(errors="replace")
        for line in text.splitlines(keepends=True):
            if line.endswith("\n") and (match := pattern.search(line)):
                return int(match.group(1))
        if not chunk:
            break
    sys.exit(f"{' '.join(process.args)} never told where it listens; it printed:\n{text}")


def drain(process):
    """Takes what has been printed, so that a full pipe never stops the process."""
    while select.select([process.stdout], [], [], 0)[0] and process.stdout.read(65536):
        pass
