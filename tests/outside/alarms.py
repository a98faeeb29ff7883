"""Takes foldwatch's messages: a web server that checks signatures, and a mail server. Ends by SIGTERM; then it says
whether everything was as it should be."""

import base64
import email
import email.policy
import hashlib
import json
import signal
import ssl
import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from http_message_signatures import HTTPMessageVerifier, HTTPSignatureKeyResolver, algorithms
from http_message_signatures.structures import CaseInsensitiveDict

# Before any thread is: the signal is waited for, not acted on.
signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGTERM])
work = Path(sys.argv[1])
secret = (work / "office.secret").read_bytes().strip()
requests, mails, wrong = [], [], []


class Keys(HTTPSignatureKeyResolver):
    def resolve_public_key(self, key_id):
        assert key_id == "office", key_id
        return secret

    resolve_private_key = resolve_public_key


class Message:
    def __init__(self, handler, body):
        self.method = handler.command
        self.url = f"https://{handler.headers['Host']}{handler.path}"
        self.headers = CaseInsensitiveDict(dict(handler.headers.items()))
        self.body = body


class Web(BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        try:
            message = Message(self, body)
            verifier = HTTPMessageVerifier(signature_algorithm=algorithms.HMAC_SHA256, key_resolver=Keys())
            [verified] = verifier.verify(message)
            covered = {name.strip('"') for name in verified.covered_components}
            assert {"@method", "@target-uri", "content-digest", "idempotency-key"} <= covered, covered
            digest = base64.b64encode(hashlib.sha256(body).digest()).decode()
            assert self.headers["Content-Digest"] == f"sha-256=:{digest}:"
            told = json.loads(body)
            assert self.headers["Idempotency-Key"] == f'"{told["id"]}"'
            requests.append(told)
            self.send_response(204)
        except Exception as error:  # noqa: BLE001
            wrong.append(f"webhook: {error!r}")
            self.send_response(400)
        self.end_headers()

    def log_message(self, *_):
        pass


class Mail:
    async def handle_DATA(self, _server, _session, envelope):
        letter = email.message_from_bytes(envelope.content, policy=email.policy.default)
        try:
            assert envelope.rcpt_tos == ["office@example.org", "yard@example.org"], envelope.rcpt_tos
            assert letter["From"].addresses[0].addr_spec == "roofs@example.org"
            assert letter["To"].addresses[0].display_name == "Büro"
            assert letter["Auto-Submitted"] == "auto-generated"
            assert letter["Message-ID"].endswith("@example.org>")
            assert "No car is meant" in letter.get_content(), letter
            mails.append(letter)
        except Exception as error:  # noqa: BLE001
            wrong.append(f"mail: {error!r}")
        return "250 OK"


def login(_server, _session, _envelope, mechanism, data):
    good = mechanism in ("PLAIN", "LOGIN") and (data.login, data.password) == (b"roofs", b"pass word")
    return AuthResult(success=good)


context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(work / "server.pem", work / "server.key")
web = ThreadingHTTPServer(("127.0.0.1", 0), Web)
web.socket = context.wrap_socket(web.socket, server_side=True)
threading.Thread(target=web.serve_forever, daemon=True).start()


def free():
    import socket

    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


usual = dict(hostname="127.0.0.1", authenticator=login, auth_required=True)
wrapped = Controller(Mail(), port=free(), ssl_context=context, auth_require_tls=False, **usual)
wrapped.start()
opened = Controller(Mail(), port=free(), tls_context=context, require_starttls=True, **usual)
opened.start()
(work / "ports.new").write_text(f"{web.server_port} {wrapped.port} {opened.port}\n")
(work / "ports.new").rename(work / "ports")

signal.sigwait([signal.SIGTERM])
wrapped.stop()
opened.stop()
assert not wrong, wrong
assert len(requests) == 2 and len(mails) == 2, (requests, mails)
# The same message has the same id however often it is sent.
assert len({told["subject"]["of"] for told in requests}) == 1
