#!/usr/bin/env python3
"""The daemon's Modbus server, read by three clients that know nothing of it: pymodbus, pyModbusTCP and pysunspec2.

    modbus_server.py --daemon BINARY --simulator BINARY

Two simulated pumps with the same load, one wired right and one with two CTs exchanged. The tag list that the daemon writes
for import is the map; what is read by it is held against the JSON the daemon serves over HTTP, the clients against each
other, and the SunSpec meter of the wrong pump against that of the right one.
"""

import argparse
import csv
import io
import json
import logging
import math
import re
import struct
import subprocess
import sys
import tempfile
import time
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import sunspec2.modbus.client as sunspec
from pyModbusTCP.client import ModbusClient
from pymodbus.client import ModbusTcpClient

from processes import drain, running, wait_for_port
from scene import free_port, station_config, station_file

logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

CONFIG_SERVER = """
[modbus_server]
listen = "127.0.0.1:0"
requests_per_second = 5000
"""
CONFIG_CIRCUIT = """
[[modbus_server.circuits]]
station = "{name}"
circuit = "Pump 1"
block = {block}
sunspec_unit = {unit}
"""
CONFIG_PASSED = """
[[modbus_server.pass_through]]
unit = 101
station = "Wrong"
monitor = "PM-1"
"""
# Name, unit of its monitor, block, unit as a SunSpec meter, what its current channels see.
PUMPS = [("Right", 1, 1, 11, '"A", "B", "C"'), ("Wrong", 2, 7, 17, '"A", "C", "B"')]

PAGES = re.compile(r"pages at http://127\.0\.0\.1:(\d+)")
SERVER = re.compile(r"Modbus server listens on 127\.0\.0\.1:(\d+)")


def decode(words, kind):
    raw = b"".join(struct.pack(">H", word) for word in words)
    if kind == "utf8":
        return raw.rstrip(b"\0").decode()
    value = struct.unpack({"u16": ">H", "u32": ">I", "u64": ">Q", "f32": ">f"}[kind], raw)[0]
    if kind == "f32" and math.isnan(value) or kind in ("u32", "u64") and value == (1 << 8 * len(raw)) - 1:
        return None
    return value


class Checks:
    def __init__(self):
        self.count, self.wrong = 0, []

    def equal(self, what, got, want):
        self.count += 1
        if got != want:
            self.wrong.append(f"{what}: {got!r}, not {want!r}")

    def near(self, what, got, want, share):
        self.count += 1
        if got is None or want is None or not math.isclose(got, want, rel_tol=share, abs_tol=1e-6):
            self.wrong.append(f"{what}: {got!r}, not {want!r} within {share:.1%}")


def read_by_pymodbus(client, tag):
    address, count, unit = int(tag["address"]), int(tag["count"]), int(tag["unit_id"])
    if tag["type"] == "bit":
        replies = [f(address, count=1, device_id=unit) for f in (client.read_coils, client.read_discrete_inputs)]
        values = [None if reply.isError() else reply.bits[0] for reply in replies]
    else:
        replies = [f(address, count=count, device_id=unit) for f in (client.read_holding_registers, client.read_input_registers)]
        values = [None if reply.isError() else decode(reply.registers, tag["type"]) for reply in replies]
    for reply in replies:
        if reply.isError():
            raise RuntimeError(f"{tag['tag']}: {reply}")
    return values


def read_by_pymodbustcp(client, tag):
    client.unit_id = int(tag["unit_id"])
    address, count = int(tag["address"]), int(tag["count"])
    if tag["type"] == "bit":
        return client.read_discrete_inputs(address, 1)[0]
    return decode(client.read_holding_registers(address, count), tag["type"])


def snapshot(pages):
    with urllib.request.urlopen(f"http://127.0.0.1:{pages}/api/v1/snapshot", timeout=5) as reply:
        return {station["name"]: station for station in json.load(reply)["stations"]}


def settled(process, pages, limit_s=60):
    end = time.monotonic() + limit_s
    while time.monotonic() < end and process.poll() is None:
        drain(process)
        stations = snapshot(pages)
        circuits = [stations[name]["circuits"][0] for name in ("Right", "Wrong")]
        if [c["verdict"] for c in circuits] == ["sound", "fault"] and all(c["corrected"] for c in circuits):
            return
        time.sleep(0.2)
    sys.exit(f"no verdicts within {limit_s} s")


def tags_are_as_the_json_says(checks, tags, pymodbus, other, pages):
    stations = snapshot(pages)
    numbers = {"no_evidence": 0, "sound": 1, "fault": 2, "undecided": 3}
    for tag in tags:
        first, second = read_by_pymodbus(pymodbus, tag)
        third = read_by_pymodbustcp(other, tag)
        what = f"{tag['station']} {tag['tag']} at {tag['address']}"
        # Live values move between two reads; these do not.
        if tag["type"] == "bit" or tag["tag"] in ("station", "circuit", "verdict", "marker", "version", "diagnosis", "ct_2"):
            checks.equal(f"{what}: functions against each other", first, second)
            checks.equal(f"{what}: clients against each other", third, first)
        elif isinstance(first, float) and not tag["tag"].endswith("_probability"):
            checks.near(f"{what}: functions against each other", first, second, 0.05)
        if not tag["station"]:
            continue
        station = stations[tag["station"]]
        circuit = station["circuits"][0]
        if tag["tag"] == "verdict":
            checks.equal(what, first, numbers[circuit["verdict"]])
        elif tag["tag"] == "station":
            checks.equal(what, first, station["name"])
        elif tag["tag"] == "data_state":
            checks.equal(what, first, 1)
        elif tag["tag"] in ("ct_1", "ct_2", "ct_3"):
            seen = circuit["diagnosis"]["groups"][0]["members"][0]["wiring"]["current"][int(tag["tag"][-1]) - 1]
            checks.equal(what, first, " ABC".index(seen))
        elif tag["tag"] == "alarm_power_wrong":
            checks.equal(what, first, circuit["verdict"] == "fault")
        elif tag["tag"] == "corrected_w":
            checks.near(what, first, circuit["corrected"]["total_active_power_w"], 0.02)
        elif tag["tag"] == "corrected_w_b":
            checks.near(what, first, circuit["corrected"]["active_power_w"][1], 0.02)
        elif tag["tag"] == "registered_import":
            checks.near(what, first, circuit["reported"]["energy_import_wh"]["value"], 0.001)
        elif tag["tag"] == "v1n":
            checks.near(what, first, station["monitors"][0]["voltage_ln_v"][0]["value"], 0.01)
        elif tag["tag"] == "i3":
            checks.near(what, first, circuit["reported"]["current_a"][2]["value"], 0.03)


def refusals(checks, client):
    for what, reply, code in [
        ("a write of one register", client.write_register(200, 1, device_id=1), 1),
        ("a write of registers", client.write_registers(200, [1, 2], device_id=1), 1),
        ("a write of a coil", client.write_coil(200, True, device_id=1), 1),
        ("a write through to the monitor", client.write_register(0, 1, device_id=101), 1),
        ("a free block", client.read_holding_registers(400, count=1, device_id=1), 2),
        ("past a block", client.read_holding_registers(385, count=10, device_id=1), 2),
        ("a unit that is not there", client.read_holding_registers(0, count=1, device_id=99), 0x0A),
        ("registers the monitor does not have", client.read_holding_registers(60000, count=2, device_id=101), 2),
    ]:
        checks.equal(what, getattr(reply, "exception_code", None), code)


def identification(checks, client):
    for unit, object_id, want in [(1, 5, "audit blocks"), (17, 6, "Wrong / Pump 1"), (101, 6, "Wrong / PM-1")]:
        reply = client.read_device_information(read_code=4, object_id=object_id, device_id=unit)
        checks.equal(f"identification of unit {unit}", reply.information[object_id].decode(), want)
    reply = client.read_device_information(read_code=1, object_id=0, device_id=1)
    checks.equal("basic identification", sorted(reply.information), [0, 1, 2])


def sunspec_meters(checks, port, pages):
    """Read by their standard alone: no address and no map is given."""
    meters = {}
    for name, _, _, unit, _ in PUMPS:
        device = sunspec.SunSpecModbusClientDeviceTCP(slave_id=unit, ipaddr="127.0.0.1", ipport=port, timeout=5)
        device.scan()
        checks.equal(f"{name}: models", [key for key in device.models if isinstance(key, int)], [1, 213])
        checks.equal(f"{name}: maker", device.models[1][0].Mn.cvalue, "wattassay")
        checks.equal(f"{name}: serial number", device.models[1][0].SN.cvalue, f"{name} / Pump 1")
        meter = device.models[213][0]
        meter.read()
        meters[name] = meter
        device.disconnect()
        corrected = snapshot(pages)[name]["circuits"][0]["corrected"]
        checks.near(f"{name}: W", meter.W.cvalue, corrected["total_active_power_w"], 0.02)
        checks.near(f"{name}: VAR", meter.VAR.cvalue, corrected["total_reactive_power_var"], 0.02)
        checks.near(f"{name}: PF", meter.PF.cvalue, corrected["total_power_factor"], 0.02)
    for point in ("A", "AphA", "AphB", "AphC", "PhV", "PhVphB", "Hz", "W", "WphB", "WphC", "VAphB", "VARphC", "PFphB"):
        right, wrong = (getattr(meters[name], point).cvalue for name in ("Right", "Wrong"))
        checks.near(f"{point} of the wrong pump against the right one", wrong, right, 0.03)
    checks.near("the right pump's energy", meters["Right"].TotWhImp.cvalue, 7310000.0, 0.01)
    energy = meters["Wrong"].TotWhImp.cvalue
    checks.equal("the wrong pump's energy is not given", energy is None or math.isnan(energy), True)


def read_through(checks, port, monitor_port):
    """Ten masters at once; each sees what the monitor itself says."""
    def one(_):
        client = ModbusTcpClient("127.0.0.1", port=port, timeout=5)
        client.connect()
        reply = client.read_holding_registers(0, count=6, device_id=101)
        client.close()
        return reply.registers

    with ThreadPoolExecutor(10) as pool:
        seen = list(pool.map(one, range(10)))
    direct = ModbusTcpClient("127.0.0.1", port=monitor_port, timeout=5)
    direct.connect()
    own = direct.read_holding_registers(0, count=6, device_id=2).registers
    direct.close()
    for words in seen:
        for k in (0, 2, 4):
            checks.near("a voltage read through", decode(words[k : k + 2], "f32"), decode(own[k : k + 2], "f32"), 0.01)


def main():
    parser = argparse.ArgumentParser(description="The daemon's Modbus server by three clients.")
    parser.add_argument("--daemon", required=True)
    parser.add_argument("--simulator", required=True)
    arguments = parser.parse_args()
    checks = Checks()
    with tempfile.TemporaryDirectory() as folder:
        monitor_port = free_port()
        files, config = [], '[http]\nlisten = "127.0.0.1:0"\n' + CONFIG_SERVER
        for name, unit, block, meter, currents in PUMPS:
            files.append(str(Path(folder) / f"{name}.toml"))
            station = station_file(name, monitor_port, unit, currents)
            Path(files[-1]).write_text(station, encoding="utf-8")
            config += CONFIG_CIRCUIT.format(name=name, block=block, unit=meter)
        config += CONFIG_PASSED
        config += "".join(station_config(p[0], monitor_port, p[1]) for p in PUMPS)
        path = str(Path(folder) / "config.toml")
        Path(path).write_text(config, encoding="utf-8")
        listed = subprocess.run(
            [arguments.daemon, "registers", "--format", "csv", "--config", path], capture_output=True, check=True
        )
        tags = list(csv.DictReader(io.StringIO(listed.stdout.decode())))
        with running([arguments.simulator, "serve", *files]) as simulator:
            wait_for_port(simulator, re.compile(rf"127\.0\.0\.1:({monitor_port})"))
            with running([arguments.daemon, "run", "--config", path]) as daemon:
                # Both lines come in one piece or two; the pages' come first.
                text, pages, port = "", None, None
                while port is None:
                    text += daemon.stdout.read(65536).decode(errors="replace") or sys.exit(f"the daemon ended:\n{text}")
                    pages, port = PAGES.search(text), SERVER.search(text)
                pages, port = int(pages.group(1)), int(port.group(1))
                settled(daemon, pages)
                client = ModbusTcpClient("127.0.0.1", port=port, timeout=5)
                client.connect()
                other = ModbusClient(host="127.0.0.1", port=port, timeout=5, auto_open=True)
                tags_are_as_the_json_says(checks, tags, client, other, pages)
                refusals(checks, client)
                identification(checks, client)
                sunspec_meters(checks, port, pages)
                read_through(checks, port, monitor_port)
                client.close()
                other.close()
    for line in checks.wrong:
        print(line, file=sys.stderr)
    if checks.wrong:
        sys.exit(f"{len(checks.wrong)} of {checks.count} checks failed")
    print(f"pymodbus, pyModbusTCP and pysunspec2 read {len(tags)} tags, two SunSpec meters and a monitor: {checks.count} checks")


if __name__ == "__main__":
    main()
