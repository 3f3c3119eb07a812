"""A small identity provider on this machine: real keys, real signatures, and faults on request."""

import base64
import hashlib
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Thread
from typing import Any
from urllib.parse import urlencode

from flask import Flask, jsonify, redirect, request
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, RSAKey
from werkzeug.serving import make_server
from werkzeug.wrappers import Response

from tests.support.clock import Clock

CLIENT, SECRET = "tracelog-at-alder-point", "a secret that both know"


@dataclass
class SmallProvider:
    """What it does next; tests set `claims` and the faults.

    Attributes:
        claims: what it says of whoever signs in.
        spoil: changes the claims of a token before it is signed.
        sign: signs claims its own way, in place of the good one.
        answers: what is added to, or replaced in, the answer that the browser brings.
        metadata: what is added to, or replaced in, what it says of itself.
    """

    clock: Clock
    issuer: str = ""
    claims: dict[str, Any] = field(default_factory=dict)
    spoil: Callable[[dict[str, Any]], dict[str, Any]] = lambda claims: claims
    sign: Callable[[dict[str, Any]], str] | None = None
    answers: dict[str, str] = field(default_factory=dict)
    metadata: dict[str, Any] = field(default_factory=dict)
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    key: Any = None
    algorithm: str = "RS256"

    def rotate(self, algorithm: str = "RS256") -> None:
        """Sign with a new key from now on, and publish no other."""
        made: Any = {"kid": secrets.token_hex(8), "use": "sig"}
        if algorithm.startswith("ES"):
            self.key = ECKey.generate_key("P-256", made, private=True)
        else:
            self.key = RSAKey.generate_key(2048, made, private=True)
        self.algorithm = algorithm

    def signed(self, claims: dict[str, Any]) -> str:
        """Claims as a token signed by the present key."""
        header = {"alg": self.algorithm, "kid": self.key.kid}
        return jwt.encode(header, claims, self.key, algorithms=[self.algorithm])

    def id_token(self, nonce: str) -> str:
        """The token about whoever signs in."""
        moment = int(self.clock.instant.timestamp())
        claims = {
            "iss": self.issuer,
            "aud": CLIENT,
            "iat": moment,
            "exp": moment + 300,
            "nonce": nonce,
            "sub": "248289761001",
            **self.claims,
        }
        return (self.sign or self.signed)(self.spoil(claims))


def _application(own: SmallProvider) -> Flask:
    app = Flask("small_provider")

    @app.get("/.well-known/openid-configuration")
    def describe() -> Response:
        return jsonify(
            {
                "issuer": own.issuer,
                "authorization_endpoint": f"{own.issuer}/authorize",
                "token_endpoint": f"{own.issuer}/token",
                "jwks_uri": f"{own.issuer}/keys",
                "end_session_endpoint": f"{own.issuer}/end",
                "authorization_response_iss_parameter_supported": True,
                **own.metadata,
            }
        )

    @app.get("/keys")
    def keys() -> Response:
        return jsonify(KeySet([own.key]).as_dict(private=False))

    @app.get("/authorize")
    def authorize() -> Response:
        asked = request.args
        assert asked["response_type"] == "code"
        assert asked["client_id"] == CLIENT
        assert asked["code_challenge_method"] == "S256"
        assert "openid" in asked["scope"].split()
        code = secrets.token_urlsafe(16)
        own.codes[code] = asked.to_dict()
        answer = {"code": code, "state": asked["state"], "iss": own.issuer, **own.answers}
        return redirect(f"{asked['redirect_uri']}?{urlencode(answer)}")

    @app.post("/token")
    def token() -> tuple[Response, int] | Response:
        sent = request.form
        asked = own.codes.pop(sent["code"], None)  # good once
        proof = hashlib.sha256(sent.get("code_verifier", "").encode()).digest()
        challenge = base64.urlsafe_b64encode(proof).rstrip(b"=").decode()
        known = request.authorization
        if (
            asked is None
            or known is None
            or (known.username, known.password) != (CLIENT, SECRET)
            or challenge != asked["code_challenge"]
            or sent["redirect_uri"] != asked["redirect_uri"]
        ):
            return jsonify({"error": "invalid_grant"}), 400
        return jsonify(
            {
                "access_token": secrets.token_urlsafe(16),
                "token_type": "Bearer",
                "id_token": own.id_token(asked["nonce"]),
            }
        )

    return app


@contextmanager
def small_provider(clock: Clock) -> Iterator[SmallProvider]:
    """A provider that answers on this machine until the end of the test."""
    own = SmallProvider(clock)
    own.rotate()
    server = make_server("127.0.0.1", 0, _application(own), threaded=True)
    own.issuer = f"http://127.0.0.1:{server.server_port}"
    thread = Thread(target=server.serve_forever, args=[0.02], daemon=True)
    thread.start()
    try:
        yield own
    finally:
        server.shutdown()
        thread.join(10)
        server.server_close()
