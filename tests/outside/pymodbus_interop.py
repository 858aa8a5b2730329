#!/usr/bin/env python3
"""Modbus against an independent implementation, pymodbus, on either side of the wire.

    pymodbus_interop.py serve
        A pymodbus server on a free loopback port, until standard input closes. Units 1 to 4 hold the values of
        all_types.py in byte orders ABCD, CDAB, BADC, DCBA; the run status is a coil on units 1 and 2 and a discrete
        input on 3 and 4. Prints one line of JSON once it listens:
        { "port": n, "units": [ { "unit", "byte_order", "map": "TOML text",
          "expected": [ { "quantity", "channel", "slot", "value" } ] } ] }
        "slot" is null for monitor-wide quantities, "value" is in SI units and null when not available.

    pymodbus_interop.py read --simulator BINARY
        Starts the simulator with the same registers (`serve-image`) and reads every point with FC 01 to 04 by a
        pymodbus client; also an unknown unit, an unmapped address and a write, which must be refused.

    pymodbus_interop.py daemon --daemon BINARY
        Lets the daemon (`audit --json`) poll the pymodbus server through all_types.toml and compares what it reports.

    pymodbus_interop.py self
        Client against server, both pymodbus: proves that this script can tell right from wrong.
"""

import argparse
import asyncio
import json
import logging
import math
import sys
import tempfile
import tomllib
from pathlib import Path

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

import all_types
from processes import running, wait_for_port
from registers import UNITS, decode, width

# It prints whole frames when a client leaves; what goes wrong is told by the comparisons.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

PYMODBUS_TYPES = {
    "u16": AsyncModbusTcpClient.DATATYPE.UINT16, "i16": AsyncModbusTcpClient.DATATYPE.INT16,
    "u32": AsyncModbusTcpClient.DATATYPE.UINT32, "i32": AsyncModbusTcpClient.DATATYPE.INT32,
    "u64": AsyncModbusTcpClient.DATATYPE.UINT64, "i64": AsyncModbusTcpClient.DATATYPE.INT64,
    "f32": AsyncModbusTcpClient.DATATYPE.FLOAT32, "f64": AsyncModbusTcpClient.DATATYPE.FLOAT64,
}  # fmt: skip
UNITS_SERVED = [(n, order, 1 if n <= 2 else 2) for n, order in enumerate(all_types.ORDERS, start=1)]


def runs(block):
    """Contiguous stretches of {address: value} as (first address, values)."""
    stretches = []
    for address in sorted(block):
        if stretches and address == stretches[-1][0] + len(stretches[-1][1]):
            stretches[-1][1].append(block[address])
        else:
            stretches.append((address, [block[address]]))
    return stretches


def device(unit, blocks):
    bits = lambda code: [SimData(a, values=v, datatype=DataType.BITS) for a, v in runs(blocks[code])]
    words = lambda code: [SimData(a, values=v, datatype=DataType.REGISTERS) for a, v in runs(blocks[code])]
    return SimDevice(unit, simdata=(bits(1), bits(2), words(3), words(4)))


async def start_server():
    """A running pymodbus server and its port."""
    devices = [device(unit, all_types.build(order, run)[0]) for unit, order, run in UNITS_SERVED]
    server = ModbusTcpServer(devices, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    return server, server.transport.sockets[0].getsockname()[1]


async def serve():
    server, port = await start_server()
    units = []
    for unit, order, run in UNITS_SERVED:
        expected = all_types.build(order, run)[1]
        units.append({"unit": unit, "byte_order": order, "map": all_types.map_text(order, run), "expected": expected})
    print(json.dumps({"port": port, "units": units}), flush=True)
    await asyncio.to_thread(sys.stdin.read)
    await server.shutdown()


async def read_words(client, unit, code, address, count):
    calls = {1: client.read_coils, 2: client.read_discrete_inputs, 3: client.read_holding_registers}
    reply = await calls.get(code, client.read_input_registers)(address, count=count, device_id=unit)
    if reply.isError():
        raise RuntimeError(f"unit {unit} FC {code:02} address {address}: {reply}")
    # pymodbus pads bits to whole bytes.
    return reply.bits[:count] if code <= 2 else reply.registers


async def read_point(client, unit, book, point, shift):
    """One point, as a reader of the map would have it."""
    code, kind, address = point.get("function", book["function"]), point["type"], point["address"] + shift
    words = await read_words(client, unit, code, address, width(kind))
    if kind == "bit":
        return float(words[0])
    order = book["byte_order"]
    raw = decode(kind, words, order, point.get("bits"))
    if kind in PYMODBUS_TYPES and order in ("ABCD", "CDAB"):
        # Where pymodbus has a conversion of its own, ours must agree with it.
        word_order = "big" if order == "ABCD" else "little"
        theirs = client.convert_from_registers(words, PYMODBUS_TYPES[kind], word_order=word_order)
        if theirs != raw and not (theirs != theirs and raw != raw):
            raise RuntimeError(f"{point['quantity']}: pymodbus makes {theirs} of {words}, registers.py {raw}")
    unsigned = raw % (1 << (16 * len(words))) if isinstance(raw, int) else None
    sentinels = [int(s, 16) if isinstance(s, str) else s for s in point.get("not_available", [])]
    if raw != raw or unsigned in sentinels:
        return None
    if "scale_register" in point:
        power = await read_words(client, unit, code, all_types.scale_address(point, shift), 1)
        raw *= 10.0 ** decode("i16", power, order)
    return (raw * point.get("scale", 1.0) + point.get("offset", 0.0)) * UNITS[point.get("unit", "1")]


def same(a, b):
    return a is b or (a is not None and b is not None and math.isclose(a, b, rel_tol=1e-12, abs_tol=1e-12))


async def compare(port):
    """Reads all points of all units; returns how many were read and what was wrong."""
    wrong, count = [], 0
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=3)
    if not await client.connect():
        raise RuntimeError(f"nothing listens on port {port}")
    try:
        for unit, order, run in UNITS_SERVED:
            book = tomllib.loads(all_types.map_text(order, run))
            points = {(p["quantity"], str(p.get("channel", "total"))): p for p in book["points"]}
            for e in all_types.build(order, run)[1]:
                shift = ((e["slot"] or 1) - 1) * book["slot_stride"]
                value = await read_point(client, unit, book, points[e["quantity"], e["channel"]], shift)
                count += 1
                if not same(value, e["value"]):
                    wrong.append(f"unit {unit} {order} {e}: read {value}")
    finally:
        client.close()
    return count, wrong


async def refusals(port):
    """What a server must refuse, and with which exception code."""
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=3)
    await client.connect()
    try:
        unmapped = await client.read_holding_registers(140, count=2, device_id=1)
        write = await client.write_register(100, 1, device_id=1)
        after = await read_words(client, 1, 3, 100, 1)
    finally:
        client.close()
    wrong = []
    if not unmapped.isError() or unmapped.exception_code != 2:
        wrong.append(f"an unmapped address must be refused with exception 02, not {unmapped}")
    if not write.isError() or write.exception_code != 1:
        wrong.append(f"a write must be refused with exception 01, not {write}")
    if after != [all_types.RAW["voltage-ln", "1"][0]]:
        wrong.append(f"a write changed the register to {after}")
    return wrong


def image_file(folder):
    """The registers of all units as the simulator's `serve-image` takes them."""
    names = {1: "coils", 2: "discrete_inputs", 3: "holding_registers", 4: "input_registers"}
    units = []
    for unit, order, run in UNITS_SERVED:
        blocks = all_types.build(order, run)[0]
        unit_image = {"unit": unit}
        for code, name in names.items():
            unit_image[name] = [{"address": a, "values": [int(x) for x in v]} for a, v in runs(blocks[code])]
        units.append(unit_image)
    path = Path(folder) / "image.json"
    path.write_text(json.dumps({"listen": "127.0.0.1:0", "units": units}), encoding="utf-8")
    return path


def read_simulator(binary):
    with tempfile.TemporaryDirectory() as folder:
        with running([binary, "serve-image", str(image_file(folder))]) as simulator:
            port = wait_for_port(simulator)
            count, wrong = asyncio.run(compare(port))
            return count, wrong + asyncio.run(refusals(port))


STATION = """
[[stations]]
name = "Interop {order}"
service = "wye-4-wire"
nominal_voltage = "480 V"

[[stations.monitors]]
name = "PM"
address = "127.0.0.1:{port}"
unit = {unit}
map = "all-types-{order}"
poll_period = "1 s"
timeout = "500 ms"
"""
CIRCUIT = """
[[stations.circuits]]
name = "Pump {slot}"
monitor = "PM"
slot = {slot}
load = "induction-motor"
rated_power = "60 hp"
rated_voltage = "460 V"
full_load_current = "77 A"
full_load_power_factor = 0.86
ct_ratio = "200:5"
run_status = "register"
"""
# Where the daemon's JSON keeps each quantity: key of the three channels, key of the total.
JSON_KEYS = {
    "voltage-ln": ("voltage_ln_v", None),
    "voltage-ll": ("voltage_ll_v", None),
    "voltage-angle": ("voltage_angle_deg", None),
    "frequency": (None, "frequency_hz"),
    "current": ("current_a", None),
    "current-angle": ("current_angle_deg", None),
    "active-power": ("active_power_w", "total_active_power_w"),
    "reactive-power": ("reactive_power_var", "total_reactive_power_var"),
    "apparent-power": ("apparent_power_va", "total_apparent_power_va"),
    "power-factor": ("power_factor", "total_power_factor"),
    "energy-import": (None, "energy_import_wh"),
    "energy-export": (None, "energy_export_wh"),
}
CHANNEL_INDEX = {"1": 0, "2": 1, "3": 2, "12": 0, "23": 1, "31": 2}


def write_configuration(folder, port):
    maps = Path(folder) / "maps"
    maps.mkdir()
    text = '[maps]\nfolder = "maps"\n'
    for unit, order, run in UNITS_SERVED:
        (maps / f"all-types-{order}.toml").write_text(all_types.map_text(order, run), encoding="utf-8")
        text += STATION.format(order=order, port=port, unit=unit) + "".join(CIRCUIT.format(slot=n) for n in (1, 2))
    path = Path(folder) / "wattassay.toml"
    path.write_text(text, encoding="utf-8")
    return path


def compare_document(document):
    """Values of `audit --json` against those served."""
    wrong, count = [], 0
    stations = {station["name"]: station for station in document["stations"]}
    for _, order, run in UNITS_SERVED:
        station = stations[f"Interop {order}"]
        circuits = {circuit["slot"]: circuit for circuit in station["circuits"]}
        for e in all_types.build(order, run)[1]:
            count += 1
            if e["quantity"] == "run-status":
                state = circuits[e["slot"]]["run_state"]
                if (state == "stopped") != (e["value"] == 0.0) or state == "unknown":
                    wrong.append(f"{order} {e}: the daemon says {state}")
                continue
            holder = station["monitors"][0] if e["slot"] is None else circuits[e["slot"]]["reported"]
            by_channel, total = JSON_KEYS[e["quantity"]]
            got = holder[total] if e["channel"] == "total" else holder[by_channel][CHANNEL_INDEX[e["channel"]]]
            quality = "good" if e["value"] is not None else "not_available"
            if got["quality"] != quality or not same(got["value"], e["value"]):
                wrong.append(f"{order} {e}: the daemon says {got}")
    return count, wrong


async def read_by_daemon(binary):
    server, port = await start_server()
    try:
        with tempfile.TemporaryDirectory() as folder:
            command = [binary, "audit", "--json", "--for", "5s", "--config", str(write_configuration(folder, port))]
            pipe = asyncio.subprocess.PIPE
            daemon = await asyncio.create_subprocess_exec(
                *command, stdin=asyncio.subprocess.DEVNULL, stdout=pipe, stderr=pipe
            )
            try:
                out, err = await asyncio.wait_for(daemon.communicate(), timeout=60)
            except TimeoutError:
                daemon.kill()
                await daemon.wait()
                sys.exit("the daemon did not finish one audit within 60 s")
        try:
            # The exit code tells the verdict on the wiring, which these made-up values have no part in.
            document = json.loads(out)
        except json.JSONDecodeError:
            told = err.decode() + out.decode()
            sys.exit(f"{' '.join(command)} (exit code {daemon.returncode}) printed no JSON:\n{told}")
        return compare_document(document)
    finally:
        await server.shutdown()


async def read_own_server():
    server, port = await start_server()
    try:
        return await compare(port)
    finally:
        await server.shutdown()


def main():
    parser = argparse.ArgumentParser(description="Modbus interoperation with pymodbus.")
    modes = parser.add_subparsers(dest="mode", required=True)
    modes.add_parser("serve")
    modes.add_parser("self")
    modes.add_parser("read").add_argument("--simulator", required=True)
    modes.add_parser("daemon").add_argument("--daemon", required=True)
    arguments = parser.parse_args()
    if arguments.mode == "serve":
        asyncio.run(serve())
        return
    if arguments.mode == "self":
        count, wrong = asyncio.run(read_own_server())
    elif arguments.mode == "daemon":
        count, wrong = asyncio.run(read_by_daemon(arguments.daemon))
    else:
        count, wrong = read_simulator(arguments.simulator)
    for line in wrong:
        print(line, file=sys.stderr)
    if wrong:
        sys.exit(f"{len(wrong)} of {count} values are wrong")
    reader = "the daemon" if arguments.mode == "daemon" else "pymodbus"
    print(f"{reader} read {count} values of every type and byte order with FC 01 to 04, all as expected")


if __name__ == "__main__":
    main()
