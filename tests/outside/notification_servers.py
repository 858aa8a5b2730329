#!/usr/bin/env python3
"""Real servers for notifications, none of which shares code with wattassay: Python's HTTP server checking the signature with
the standard library, aiosmtpd with TLS, and rsyslogd with its own RFC 5424 parser.

    notification_servers.py FOLDER RSYSLOGD

Writes ca.pem, hook.secret and mail.password into FOLDER. Prints one JSON line {"ports": {...}} when all servers listen, then one
line for everything that arrives. Ends when standard input does.
"""

import collections
import email
import email.policy
import hashlib
import hmac
import http.server
import json
import pathlib
import socket
import ssl
import subprocess
import sys
import threading
import time

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

SECRET, PASSWORD = b"between us two", b"pumps and pipes"
printing = threading.Lock()


def tell(**what):
    with printing:
        print(json.dumps(what), flush=True)


def make_certificates(folder):
    def openssl(*arguments):
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    openssl("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
            "-subj", "/CN=Larkmoor test authority", "-keyout", "ca.key", "-out", "ca.pem")
    openssl("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj", "/CN=localhost",
            "-keyout", "server.key", "-out", "server.csr")
    (folder / "names").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\nbasicConstraints=CA:FALSE\n")
    openssl("x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2",
            "-extfile", "names", "-out", "server.pem")


class Hook(http.server.BaseHTTPRequestHandler):
    """/ok takes everything; /fails refuses twice; /gone, /moved and /hangs never take anything."""

    attempts = collections.Counter()

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        parts = dict(part.split("=", 1) for part in self.headers["Wattassay-Signature"].split(","))
        signed = hmac.new(SECRET, parts["t"].encode() + b"." + body, hashlib.sha256).hexdigest()
        message = json.loads(body)
        good = (
            hmac.compare_digest(signed, parts["v1"])
            and abs(time.time() - int(parts["t"])) < 60
            and self.headers["Wattassay-Delivery"] == message["id"]
        )
        key = (self.path, message["id"])
        Hook.attempts[key] += 1
        status = {"/gone": 410, "/moved": 302}.get(self.path, 200)
        if self.path == "/fails" and Hook.attempts[key] <= 2:
            status = 503
        tell(server="webhook", path=self.path, good=good, status=status, attempt=Hook.attempts[key], message=message)
        if self.path == "/hangs":
            threading.Event().wait()
        self.send_response(status)
        if status == 503:
            self.send_header("Retry-After", "1")
        if status == 302:
            self.send_header("Location", "/ok")
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_):
        pass


def serve_http(context):
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Hook)
    server.daemon_threads = True
    if context:
        server.socket = context.wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server.server_address[1]


class Mailbox:
    def __init__(self, name):
        self.name = name

    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("nobody@"):
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        tell(
            server="mail", name=self.name, tls=server.transport.get_extra_info("ssl_object") is not None, login=session.authenticated, to=envelope.rcpt_tos,
            subject=mail["Subject"], id=mail["Message-ID"], date=mail["Date"].datetime.isoformat(),
            automatic=mail["Auto-Submitted"], type=mail.get_content_type(), text=mail.get_content(),
        )
        return "250 taken"


def check_login(server, session, envelope, mechanism, data):
    good = isinstance(data, LoginPassword) and (data.login, data.password) == (b"wattassay", PASSWORD)
    return AuthResult(success=good, handled=good)


def serve_mail(name, **how):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    controller = Controller(
        Mailbox(name), hostname="127.0.0.1", port=port, authenticator=check_login, auth_required=True, **how
    )
    controller.start()
    return port


def serve_syslog(folder, rsyslogd):
    ports = {}
    sockets = []
    for name, kind in (("udp", socket.SOCK_DGRAM), ("tcp", socket.SOCK_STREAM), ("tls", socket.SOCK_STREAM)):
        probe = socket.socket(socket.AF_INET, kind)
        probe.bind(("127.0.0.1", 0))
        ports[name] = probe.getsockname()[1]
        sockets.append(probe)
    for probe in sockets:
        probe.close()
    driver = 'StreamDriver.Name="gtls" StreamDriver.Mode="1" StreamDriver.AuthMode="anon"'
    (folder / "rsyslog.conf").write_text(f"""
global(workDirectory="{folder}" defaultNetstreamDriverCAFile="{folder}/ca.pem"
       defaultNetstreamDriverCertFile="{folder}/server.pem" defaultNetstreamDriverKeyFile="{folder}/server.key")
module(load="imudp") module(load="imtcp") module(load="mmpstrucdata")
template(name="parsed" type="list" option.jsonf="on") {{
    property(outname="way" name="inputname" format="jsonf") property(outname="pri" name="pri" format="jsonf")
    property(outname="version" name="protocol-version" format="jsonf") property(outname="host" name="hostname" format="jsonf")
    property(outname="app" name="app-name" format="jsonf") property(outname="msgid" name="msgid" format="jsonf")
    property(outname="at" name="timereported" dateFormat="rfc3339" format="jsonf")
    property(outname="data" name="$!rfc5424-sd" format="jsonf") property(outname="text" name="msg" format="jsonf")
}}
ruleset(name="all") {{
    action(type="mmpstrucdata")
    action(type="omfile" file="{folder}/lines.json" template="parsed")
}}
input(type="imudp" address="127.0.0.1" port="{ports['udp']}" name="udp" ruleset="all")
input(type="imtcp" address="127.0.0.1" port="{ports['tcp']}" name="tcp" ruleset="all")
input(type="imtcp" address="127.0.0.1" port="{ports['tls']}" name="tls" ruleset="all" {driver})
""")
    lines = folder / "lines.json"
    lines.touch()
    process = subprocess.Popen(
        [rsyslogd, "-n", "-f", str(folder / "rsyslog.conf"), "-i", str(folder / "rsyslog.pid")], stdout=sys.stderr, stderr=sys.stderr
    )
    for name in ("tcp", "tls"):
        end = time.monotonic() + 30
        while True:
            try:
                socket.create_connection(("127.0.0.1", ports[name]), timeout=1).close()
                break
            except OSError:
                if time.monotonic() > end or process.poll() is not None:
                    sys.exit("rsyslogd does not listen")
                time.sleep(0.05)

    def follow():
        with lines.open() as file:
            rest = ""
            while True:
                rest += file.read()
                *whole, rest = rest.split("\n")
                for line in whole:
                    tell(server="syslog", line=json.loads(line))
                time.sleep(0.05)

    threading.Thread(target=follow, daemon=True).start()
    return process, ports


def main():
    folder, rsyslogd = pathlib.Path(sys.argv[1]), sys.argv[2]
    make_certificates(folder)
    (folder / "hook.secret").write_bytes(SECRET + b"\n")
    (folder / "mail.password").write_bytes(PASSWORD + b"\n")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "server.pem", folder / "server.key")
    rsyslog, syslog_ports = serve_syslog(folder, rsyslogd)
    try:
        tell(ports={
            "http": serve_http(None),
            "https": serve_http(context),
            "starttls": serve_mail("starttls", tls_context=context, require_starttls=True),
            "tls": serve_mail("tls", ssl_context=context, auth_require_tls=False),
            **{f"syslog_{name}": port for name, port in syslog_ports.items()},
        })
        sys.stdin.read()
    finally:
        rsyslog.terminate()
        rsyslog.wait()


if __name__ == "__main__":
    main()
