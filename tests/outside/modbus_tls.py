#!/usr/bin/env python3
"""The daemon's Modbus server over TLS, asked by pymodbus over OpenSSL with certificates that OpenSSL made.

    modbus_tls.py --daemon BINARY

The commands that make the certificates are those of README.md. Held to MB-TCP-Security v36: the role is read from the
certificate (R-21), a request beyond the role gets exception 01 (R-31), no certificate is no connection (R-08), TLS 1.2 and 1.3.
"""

import argparse
import logging
import re
import ssl
import subprocess
import sys
import tempfile
from pathlib import Path

from pymodbus.client import ModbusTlsClient
from pymodbus.exceptions import ModbusException

from processes import running, wait_for_port

logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

# The monitor is not there: the audit block says so, which is enough to read.
CONFIG = """
[http]
listen = "127.0.0.1:0"
[modbus_server]
listen = "127.0.0.1:0"
[[modbus_server.circuits]]
station = "Alder Creek Lift"
circuit = "Pump 1"
block = 1
sunspec_unit = 11
[modbus_server.tls]
certificate = "server.pem"
key = "server.key"
client_authority = "clients.pem"
[[modbus_server.tls.roles]]
name = "scada"
[[modbus_server.tls.roles]]
name = "meter reader"
units = [11]
[[stations]]
name = "Alder Creek Lift"
service = "wye-4-wire"
nominal_voltage = "480 V"
[[stations.monitors]]
name = "PM-1"
address = "127.0.0.1:9"
unit = 1
map = "generic-full"
[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
"""
ROLE = "1.3.6.1.4.1.50316.802.1=ASN1:UTF8String:"
SERVER = re.compile(r"Modbus server listens on 127\.0\.0\.1:(\d+)")
P256 = ["ec", "-pkeyopt", "ec_paramgen_curve:P-256"]
RSA = ["rsa:2048"]


def certificate(folder, name, subject, key, by=None, extensions=()):
    command = ["openssl", "req", "-x509", "-newkey", *key, "-noenc", "-days", "3650", "-subj", f"/CN={subject}"]
    command += ["-keyout", f"{name}.key", "-out", f"{name}.pem"]
    if by:
        command += ["-CA", f"{by}.pem", "-CAkey", f"{by}.key", "-addext", "basicConstraints=critical,CA:FALSE"]
    for extension in extensions:
        command += ["-addext", extension]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)


def context(folder, own, version):
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    made.minimum_version = made.maximum_version = version
    made.load_verify_locations(Path(folder) / "servers.pem")
    # pymodbus names no host; the chain is verified.
    made.check_hostname = False
    if own:
        made.load_cert_chain(Path(folder) / f"{own}.pem", Path(folder) / f"{own}.key")
    return made


def ask(port, made, unit, address):
    """The registers, "exception n", or "refused"."""
    client = ModbusTlsClient("127.0.0.1", port=port, sslctx=made, timeout=5, retries=0)
    try:
        if not client.connect():
            return "refused"
        reply = client.read_holding_registers(address, count=2, device_id=unit)
        return f"exception {reply.exception_code}" if reply.isError() else reply.registers
    except (ModbusException, OSError):
        # In TLS 1.3 a client learns of its refusal only when it reads.
        return "refused"
    finally:
        client.close()


def main():
    parser = argparse.ArgumentParser(description="The daemon's Modbus server over TLS, by pymodbus and OpenSSL.")
    parser.add_argument("--daemon", required=True)
    arguments = parser.parse_args()
    wrong, count = [], 0
    with tempfile.TemporaryDirectory() as folder:
        certificate(folder, "servers", "Larkmoor Water servers", P256)
        certificate(folder, "clients", "Larkmoor Water masters", P256)
        certificate(folder, "strangers", "Somebody else", P256)
        certificate(folder, "server", "wattassay.larkmoor.example", P256, "servers")
        of_client = "extendedKeyUsage=clientAuth"
        certificate(folder, "scada", "rtu.larkmoor.example", P256, "clients", [of_client, ROLE + "scada"])
        certificate(folder, "reader", "reader.larkmoor.example", RSA, "clients", [of_client, ROLE + "meter reader"])
        certificate(folder, "nobody", "nobody.larkmoor.example", P256, "clients", [of_client])
        certificate(folder, "stranger", "rtu.larkmoor.example", P256, "strangers", [of_client, ROLE + "scada"])
        certificate(folder, "wronguse", "rtu.larkmoor.example", P256, "clients", ["extendedKeyUsage=serverAuth", ROLE + "scada"])
        path = Path(folder) / "config.toml"
        path.write_text(CONFIG, encoding="utf-8")
        marker, meter = [0x5741], [0x5375, 0x6E53]
        with running([arguments.daemon, "run", "--config", str(path)]) as daemon:
            port = wait_for_port(daemon, SERVER)
            for version in (ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3):
                for own, unit, address, want in [
                    ("scada", 1, 0, marker),
                    ("scada", 11, 40000, meter),
                    ("scada", 99, 0, "exception 10"),
                    ("reader", 11, 40000, meter),
                    ("reader", 1, 0, "exception 1"),
                    ("reader", 99, 0, "exception 1"),
                    ("nobody", 11, 40000, "exception 1"),
                    ("stranger", 1, 0, "refused"),
                    ("wronguse", 1, 0, "refused"),
                    (None, 1, 0, "refused"),
                ]:
                    got = ask(port, context(folder, own, version), unit, address)
                    got = got[: len(want)] if isinstance(got, list) and isinstance(want, list) else got
                    count += 1
                    if got != want:
                        wrong.append(f"{version.name}, {own}, unit {unit}: {got!r}, not {want!r}")
    for line in wrong:
        print(line, file=sys.stderr)
    if wrong:
        sys.exit(f"{len(wrong)} of {count} checks failed")
    print(f"pymodbus over {ssl.OPENSSL_VERSION}: {count} checks of roles and certificates")


if __name__ == "__main__":
    main()
