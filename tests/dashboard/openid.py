"""A small OpenID provider on this machine: discovery, authorize, token and keys, enough for one sign-in at a time.

By OpenID Connect Core 1.0, section 3.1 (authorization code flow), and OpenID Connect Discovery 1.0. Whoever is
`person` is signed in without being asked; `flaw` makes one mistake that a client must refuse.
"""

import base64
import hashlib
import json
import secrets
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from joserfc import jwt
from joserfc.jwk import RSAKey

CLIENT, CLIENT_SECRET = "the-pages", "a-secret-of-the-test-alone"


class Provider:
    """Serves on 127.0.0.1 until closed."""

    def __init__(self) -> None:
        self.key = RSAKey.generate_key(2048, {"kid": "of-the-provider", "use": "sig"}, private=True)
        self.another = RSAKey.generate_key(2048, {"kid": "of-the-provider", "use": "sig"}, private=True)
        self.person: dict[str, Any] = {}
        self.flaw = ""
        self.asked: dict[str, dict[str, str]] = {}
        self.tokens_given = 0
        provider = self

        class Handler(BaseHTTPRequestHandler):
            def log_message(self, *_: Any) -> None:
                pass

            def do_GET(self) -> None:
                provider.get(self)

            def do_POST(self) -> None:
                provider.post(self)

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.issuer = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()

    def get(self, request: BaseHTTPRequestHandler) -> None:
        address = urlsplit(request.path)
        fields = {k: v[0] for k, v in parse_qs(address.query).items()}
        if address.path == "/.well-known/openid-configuration":
            _json(request, self.discovery())
        elif address.path == "/keys":
            _json(request, {"keys": [self.key.as_dict(private=False)]})
        elif address.path == "/authorize" and fields.get("client_id") == CLIENT:
            code = secrets.token_urlsafe(16)
            self.asked[code] = fields
            request.send_response(302)
            state = urlencode({"code": code, "state": fields["state"]})
            request.send_header("Location", f"{fields['redirect_uri']}?{state}")
            request.end_headers()
        else:
            request.send_error(404)

    def post(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers["Content-Length"])).decode()
        fields = {k: v[0] for k, v in parse_qs(body).items()}
        asked = self.asked.pop(fields.get("code", ""), None)
        basic = base64.b64encode(f"{CLIENT}:{CLIENT_SECRET}".encode()).decode()
        challenge = base64.urlsafe_b64encode(hashlib.sha256(fields.get("code_verifier", "").encode()).digest())
        if (
            request.path != "/token"
            or asked is None
            or request.headers.get("Authorization") != f"Basic {basic}"
            or asked["code_challenge"] != challenge.decode().rstrip("=")
        ):
            _json(request, {"error": "invalid_grant"}, 400)
            return
        self.tokens_given += 1
        _json(
            request,
            {
                "access_token": secrets.token_urlsafe(16),
                "token_type": "Bearer",
                "expires_in": 300,
                "id_token": self.identity(asked),
            },
        )

    def identity(self, asked: dict[str, str]) -> str:
        """The signed identity token, with the flaw that is asked for."""
        now = int(time.time())
        claims = {
            "iss": self.issuer,
            "aud": CLIENT,
            "iat": now,
            "exp": now + 300,
            "nonce": asked.get("nonce"),
            **self.person,
        }
        flawed = {
            "expired": {"iat": now - 7200, "exp": now - 3600},
            "for another": {"aud": "another-client"},
            "another nonce": {"nonce": "another"},
            "another issuer": {"iss": "http://127.0.0.1:1"},
        }
        claims |= flawed.get(self.flaw, {})
        signed_by = self.another if self.flaw == "signed by another" else self.key
        token = jwt.encode({"alg": "RS256", "kid": "of-the-provider"}, claims, signed_by)
        if self.flaw == "tampered":
            head, body, signature = token.split(".")
            fields = json.loads(base64.urlsafe_b64decode(body + "=" * (-len(body) % 4))) | {"roles": ["manager"]}
            body = base64.urlsafe_b64encode(json.dumps(fields).encode()).decode().rstrip("=")
            token = f"{head}.{body}.{signature}"
        return token

    def discovery(self) -> dict[str, Any]:
        return {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["RS256"],
            "code_challenge_methods_supported": ["S256"],
        }


def _json(request: BaseHTTPRequestHandler, fields: dict[str, Any], status: int = 200) -> None:
    body = json.dumps(fields).encode()
    request.send_response(status)
    request.send_header("Content-Type", "application/json")
    request.send_header("Content-Length", str(len(body)))
    request.end_headers()
    request.wfile.write(body)
