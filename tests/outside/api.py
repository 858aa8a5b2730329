#!/usr/bin/env python3
"""The HTTP API of the real daemon against its own OpenAPI document, by two programs that know nothing of either.

    api.py --daemon BINARY --simulator BINARY [--examples N]

openapi-spec-validator says whether the document is one. Schemathesis makes requests from it, right ones and wrong ones, as
an engineer with a token and as nobody, and holds every answer against it. Station names hold what must be encoded in paths.
"""

import argparse
import json
import re
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

from openapi_spec_validator import OpenAPIV31SpecValidator

from processes import drain, running, wait_for_port
from scene import free_port, station_config, station_file

CONFIG = """
[http]
listen = "127.0.0.1:0"
[access]
users = "users.toml"
[journal]
folder = "journal"
[history]
folder = "history"
"""
# Name, unit of its monitor, what its current channels see.
STATIONS = [("Right", 1, '"A", "B", "C"'), ("Wrong / 50 % & Söhne?", 2, '"A", "C", "B"')]
PAGES = re.compile(r"pages at http://127\.0\.0\.1:(\d+)")
PERMISSIONS = {"none", "view", "acknowledge", "enter-findings", "operate-alarms", "configure"}
METHODS = {"get", "put", "post", "delete", "patch", "head", "options", "trace"}
# An answer that never ends; tests/e2e reads it.
STREAMS = ["/api/v1/events"]
CHECKS = [
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
    "negative_data_rejection",
    "unsupported_method",
    "allow_header_conformance",
]


class Api:
    def __init__(self, port, token):
        self.base, self.token = f"http://127.0.0.1:{port}", token

    def get(self, path):
        request = urllib.request.Request(self.base + path, headers={"Authorization": f"Bearer {self.token}"})
        with urllib.request.urlopen(request, timeout=5) as reply:
            return json.load(reply)


def circuit_path(station):
    return f"/api/v1/stations/{urllib.parse.quote(station, safe='')}/circuits/Pump%201"


def wait_for_verdicts(process, api, limit_s=60):
    """Full documents are worth more to check than empty ones."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end and process.poll() is None:
        drain(process)
        verdicts = [api.get(circuit_path(name))["circuit"]["verdict"] for name, _, _ in STATIONS]
        if verdicts == ["sound", "fault"]:
            return
        time.sleep(0.2)
    sys.exit(f"no verdicts within {limit_s} s")


def validate(document):
    errors = [f"{'/'.join(map(str, error.path))}: {error.message}" for error in OpenAPIV31SpecValidator(document).iter_errors()]
    operations = 0
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method not in METHODS:
                continue
            operations += 1
            if operation.get("x-permission") not in PERMISSIONS:
                errors.append(f"{method} {path}: x-permission is {operation.get('x-permission')!r}")
    if errors:
        sys.exit("the OpenAPI document is not right:\n" + "\n".join(errors))
    print(f"openapi-spec-validator accepts the document: {operations} operations, each with its permission")


def fuzz(folder, api, who, headers, examples):
    """Names that exist most of the time, so that requests get past the first look; made-up ones the rest."""
    alarms = [alarm["id"] for alarm in api.get("/api/v1/alarms?state=any&limit=1000")["items"]]
    words = {"station": [name for name, _, _ in STATIONS], "circuit": ["Pump 1"], "alarm": alarms}
    config = Path(folder) / "schemathesis.toml"
    with config.open("w", encoding="utf-8") as file:
        # Strings and lists of JSON are those of TOML too.
        for name, values in words.items():
            print(f"[dictionaries.{name}]\nvalues = {json.dumps(values, ensure_ascii=False)}", file=file)
        print("[parameters]", file=file)
        for name in words:
            print(f'"path.{name}" = {{ dictionary = "{name}", probability = 0.8 }}', file=file)
    command = [
        str(Path(sys.executable).with_name("schemathesis")), "--config-file", str(config), "run",
        f"{api.base}/api/v1/openapi.json", "--checks", ",".join(CHECKS), "--max-examples", str(examples), "--seed", "1",
        "--phases", "examples,coverage,fuzzing", "--request-timeout", "10", "--warnings", "off", "--no-color",
    ]
    for path in STREAMS:
        command += ["--exclude-path", path]
    for header in headers:
        command += ["-H", header]
    began = time.monotonic()
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"{done.stdout}{done.stderr}\nschemathesis as {who}: exit code {done.returncode}")
    cases = re.search(r"(\d+) generated", done.stdout)
    print(f"schemathesis as {who}: {cases.group(0) if cases else 'done'}, {time.monotonic() - began:.0f} s")


def main():
    parser = argparse.ArgumentParser(description="The HTTP API against its OpenAPI document.")
    parser.add_argument("--daemon", required=True)
    parser.add_argument("--simulator", required=True)
    parser.add_argument("--examples", type=int, default=20, help="requests made up for each operation and pass")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        monitor_port = free_port()
        files, config = [], CONFIG
        for number, (name, unit, currents) in enumerate(STATIONS):
            files.append(str(Path(folder) / f"station-{number}.toml"))
            text = station_file(name, monitor_port, unit, currents)
            Path(files[-1]).write_text(text, encoding="utf-8")
            config += station_config(name, monitor_port, unit)
        path = str(Path(folder) / "config.toml")
        Path(path).write_text(config, encoding="utf-8")
        made = subprocess.run(
            [arguments.daemon, "users", "token", "add", "fuzzer", "--role", "engineer", "--config", path],
            capture_output=True, check=True, text=True,
        )
        token = made.stdout.strip()
        with running([arguments.simulator, "serve", *files]) as simulator:
            wait_for_port(simulator, re.compile(rf"127\.0\.0\.1:({monitor_port})"))
            with running([arguments.daemon, "run", "--config", path]) as daemon:
                api = Api(wait_for_port(daemon, PAGES), token)
                wait_for_verdicts(daemon, api)
                validate(api.get("/api/v1/openapi.json"))
                fuzz(folder, api, "an engineer", [f"Authorization: Bearer {token}"], arguments.examples)
                fuzz(folder, api, "nobody", [], max(1, arguments.examples // 4))
                if daemon.poll() is not None:
                    sys.exit(f"the daemon ended with {daemon.returncode}")


if __name__ == "__main__":
    main()
