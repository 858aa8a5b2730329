#!/usr/bin/env python3
"""The metrics page of a live demo, read as Prometheus would and held against Prometheus' own checker.

    live_metrics.py --daemon BINARY --promtool BINARY
"""

import argparse
import re
import subprocess
import sys
import time
import urllib.error
import urllib.request

from processes import drain, running, wait_for_port

# The console's address as the demo prints it, unlike the simulated monitors' addresses.
CONSOLE = re.compile(r"http://127\.0\.0\.1:(\d+)")
# A page without any of these would pass the checker and prove nothing.
WANTED = re.compile(rb"^wattassay_\w*active_power\w*\{[^}]*station=", re.MULTILINE)


def page(process, port, limit_s=60):
    """The page, once it tells of a station's power."""
    end, body = time.monotonic() + limit_s, b""
    while time.monotonic() < end and process.poll() is None:
        drain(process)
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as reply:
                body = reply.read()
                if WANTED.search(body):
                    return body, reply.headers.get("Content-Type", "")
        except (urllib.error.URLError, ConnectionError, TimeoutError) as error:
            body = str(error).encode()
        time.sleep(0.2)
    sys.exit(f"no power of any station on /metrics within {limit_s} s; last seen:\n{body.decode()[:2000]}")


def main():
    parser = argparse.ArgumentParser(description="Check the live metrics page.")
    parser.add_argument("--daemon", required=True)
    parser.add_argument("--promtool", required=True)
    arguments = parser.parse_args()
    with running([arguments.daemon, "demo", "--listen", "127.0.0.1:0"]) as process:
        body, content_type = page(process, wait_for_port(process, CONSOLE))
    if not content_type.startswith("text/plain; version=0.0.4"):
        sys.exit(f"/metrics has content type {content_type!r}")
    # Lint findings as well as errors give a non-zero exit code.
    checked = subprocess.run([arguments.promtool, "check", "metrics"], input=body, capture_output=True)
    print((checked.stdout + checked.stderr).decode(), end="")
    if checked.returncode != 0:
        sys.exit(f"promtool check metrics: exit code {checked.returncode}")
    samples = sum(1 for line in body.splitlines() if line and not line.startswith(b"#"))
    print(f"promtool accepts the live page: {samples} samples")


if __name__ == "__main__":
    main()
